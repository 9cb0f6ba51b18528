"""From the trips found to the plan document: hours, chains of swap-by dates, sums."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise

from tripplan.clock import moment_to_local
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Loop, Stop, Trip, Visit, VisitKind
from tripplan.plan.season import Season
from tripplan.plan.solution import Trips
from tripplan.plan.timing import TimedTrip, TimedVisit, time_trip
from tripplan.plan.trips import TripBook

__all__ = ["JobsDoNotFitError", "assemble_trips", "expected_dark_days", "trip_id"]


class JobsDoNotFitError(Exception):
    """
    A first visit comes later than its jobs were reckoned with, and they do not fit its trip.

    Parameters
    ----------
    site_ids : iterable of str
        Sites whose jobs must be reckoned with on every visit.
    """

    def __init__(self, site_ids: Iterable[str]) -> None:
        self.site_ids = frozenset(site_ids)
        super().__init__(", ".join(sorted(self.site_ids)))


@dataclass
class _Chain:
    """Last visit of each task so far, and the day its pack went in."""

    visited: dict[int, int] = field(default_factory=dict)
    put_in: dict[int, int] = field(default_factory=dict)


_KG_SLACK = 1e-9
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def trip_id(day: date, crew: int) -> str:
    """
    Return the id of a trip.

    Parameters
    ----------
    day : datetime.date
        Date of the trip.
    crew : int
        The crew's place in the file, from 0.

    Returns
    -------
    str
        The date, and A for the first crew.

    Examples
    --------
    >>> trip_id(date(2026, 12, 5), 1), trip_id(date(2026, 12, 5), 26)
    ('2026-12-05-B', '2026-12-05-AA')
    """
    letters = ""
    place = crew + 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = _LETTERS[rest] + letters
    return f"{day.isoformat()}-{letters}"


def assemble_trips(season: Season, outlook: Outlook, book: TripBook, trips: Trips) -> tuple[Trip, ...]:
    """
    Build the document's trips.

    Parameters
    ----------
    season : Season
        The problem.
    outlook : Outlook
        For the dates of each pack found.
    book : TripBook
        Best order of each trip.
    trips : mapping of int to frozenset of int
        Visits by day index; every trip fits.

    Returns
    -------
    tuple of Trip
        By date, then the crew's place in the file.
    """
    done: list[Trip] = []
    chain = _Chain()
    for index in sorted(trips, key=lambda i: (season.days[i].day, season.days[i].crew)):
        day = season.days[index]
        shape = book.settled(index, trips[index])
        if shape is None:
            raise ValueError(f"trip on day index {index} does not fit")
        first = {s for s in trips[index] if s not in chain.visited}
        work = {s: season.visit_seconds(s, with_jobs=s in first) for s in trips[index]}
        timed = time_trip(season, index, shape.loops, work)
        if timed is None:
            raise JobsDoNotFitError(
                season.tasks[s].site.site_id for s in first if season.tasks[s].job_minutes
            )
        _require_light(season, index, timed, chain)
        done.append(_trip(season, outlook, index, timed, chain))
        for s in trips[index]:
            chain.visited[s] = day.day
            if season.tasks[s].swaps[day.day]:
                chain.put_in[s] = day.day
    return tuple(done)


def _kind(season: Season, index: int, task: int, chain: _Chain) -> VisitKind:
    """Return what a visit does, given the visits before it."""
    what, day = season.tasks[task], season.days[index].day
    if what.takes_in(day):
        return VisitKind.TAKE_IN
    if what.at_home and task not in chain.visited:
        return VisitKind.SET_OUT
    return VisitKind.SWAP if what.swaps[day] else VisitKind.CALL


def _visit_kg(season: Season, index: int, task: int, chain: _Chain) -> float:
    """Return what a visit adds to the load of its loop. [kg]."""
    kind, site = _kind(season, index, task, chain), season.tasks[task].site
    pack = 0.0 if kind is VisitKind.CALL else season.fleet.pack_types[site.pack_type].weight_kg
    return pack + (site.device_kg if kind in (VisitKind.SET_OUT, VisitKind.TAKE_IN) else 0.0)


def _require_light(season: Season, index: int, timed: TimedTrip, chain: _Chain) -> None:
    """
    Require loops that can be carried though a device is set out later than was reckoned with.

    Raises
    ------
    JobsDoNotFitError
        Naming the sites whose device must be reckoned with on every visit.
    """
    most = season.fleet.crews[season.days[index].crew].carry_kg
    for loop in (loop for stop in timed.stops for loop in stop.loops):
        tasks = [visit.task for visit in loop.visits]
        if sum(_visit_kg(season, index, s, chain) for s in tasks) > most + _KG_SLACK:
            raise JobsDoNotFitError(season.tasks[s].site.site_id for s in tasks if season.tasks[s].at_home)


def _trip(season: Season, outlook: Outlook, index: int, timed: TimedTrip, chain: _Chain) -> Trip:
    fleet, travel, day = season.fleet, season.travel, season.days[index]
    crew = fleet.crews[day.crew]
    nodes = [travel.place_of_crew[crew.name]]
    nodes += [season.park_places[stop.park] for stop in timed.stops]
    nodes.append(nodes[0])
    packs: dict[str, int] = {}
    for stop in timed.stops:
        for loop in stop.loops:
            for visit in loop.visits:
                task = season.tasks[visit.task]
                if task.swaps[day.day]:
                    packs[task.site.pack_type] = packs.get(task.site.pack_type, 0) + 1
    stops = tuple(
        Stop(
            travel.places[season.park_places[stop.park]].lat,
            travel.places[season.park_places[stop.park]].lon,
            moment_to_local(day.midnight + stop.arrive, fleet.zone),
            moment_to_local(day.midnight + stop.leave, fleet.zone),
            tuple(
                Loop(
                    moment_to_local(day.midnight + loop.leave, fleet.zone),
                    moment_to_local(day.midnight + loop.back, fleet.zone),
                    _loop_metres(season, [v.task for v in loop.visits]),
                    sum(_visit_kg(season, index, v.task, chain) for v in loop.visits),
                    tuple(_visit(season, outlook, index, visit, chain) for visit in loop.visits),
                )
                for loop in stop.loops
            ),
        )
        for stop in timed.stops
    )
    when = season.date_of(day.day)
    return Trip(
        trip_id=trip_id(when, day.crew),
        date=when,
        crew=crew.name,
        leave=moment_to_local(day.midnight + timed.leave, fleet.zone),
        back=moment_to_local(day.midnight + timed.back, fleet.zone),
        drive_minutes=timed.drive_s / 60,
        walk_minutes=timed.walk_s / 60,
        work_minutes=timed.work_s / 60,
        wait_minutes=timed.wait_s / 60,
        drive_km=sum(float(travel.drive_km[a, b]) for a, b in pairwise(nodes)),
        packs=dict(sorted(packs.items())),
        stops=stops,
        set_by=_set_by(season, index, chain, [v.site_id for s in stops for x in s.loops for v in x.visits]),
    )


def _loop_metres(season: Season, order: list[int]) -> float:
    ids = [None, *(season.tasks[s].site.site_id for s in order), None]
    return float(sum(season.travel.walk_m(a, b) for a, b in pairwise(ids)))


def _last_good_day(season: Season, index: int, task: int, chain: _Chain) -> int:
    what = season.tasks[task]
    if what.takes_in(season.days[index].day):
        return what.take_by
    if task not in chain.visited:
        return what.due
    put_in = chain.put_in.get(task)
    return what.in_place if put_in is None else int(what.renewed[put_in])


def _set_by(season: Season, index: int, chain: _Chain, site_ids: list[str]) -> tuple[str, ...]:
    """Sites of the trip that could wait least: their date comes before the next on which a crew could go."""
    task_of = {task.site.site_id: s for s, task in enumerate(season.tasks)}
    ends = {site_id: _last_good_day(season, index, task_of[site_id], chain) for site_id in site_ids}
    earliest = min(ends.values())
    day = season.days[index].day

    def cannot_wait(site_id: str) -> bool:
        later = next((d for d in season.tasks[task_of[site_id]].possible if d > day), None)
        return later is not None and ends[site_id] < later

    return tuple(site_id for site_id in site_ids if cannot_wait(site_id) or ends[site_id] == earliest)


def _visit(season: Season, outlook: Outlook, index: int, visit: TimedVisit, chain: _Chain) -> Visit:
    day, zone = season.days[index], season.fleet.zone
    task = season.tasks[visit.task]
    site_id = task.site.site_id
    now, renewal = outlook.sites[site_id], outlook.renewals[site_id]
    put_in = chain.put_in.get(visit.task)
    if put_in is None:
        found = (now.swap_by, now.flat_early, now.flat_likely, now.flat_late)
    else:
        arrays = (renewal.swap_by, renewal.flat_early, renewal.flat_likely, renewal.flat_late)
        found = tuple(date.fromordinal(int(array[put_in])) for array in arrays)  # type: ignore[assignment]
    kind = _kind(season, index, visit.task, chain)
    swap = bool(task.swaps[day.day])
    after = date.fromordinal(int(renewal.swap_by[day.day])) if swap else found[0]
    is_first = visit.task not in chain.visited
    end = season.day_number(found[0])
    after_day = chain.visited.get(visit.task, -1)
    if kind is VisitKind.TAKE_IN:
        after = outlook.to
        end = task.take_from + season.fleet.plan.take_in_days
        after_day = max(after_day, task.take_from - 1)
    wanted = season.fleet.plan.fallback_dates
    reach = task.reach if is_first else task.reach_later
    left = sum(day.day < d <= end for d in (task.dates_first if is_first else reach))
    in_window = sum(after_day < d <= end for d in reach)
    jobs = season.fleet.open_jobs.get(site_id, ()) if is_first else ()
    return Visit(
        site_id=site_id,
        arrive=moment_to_local(day.midnight + visit.arrive, zone),
        start=moment_to_local(day.midnight + visit.start, zone),
        finish=moment_to_local(day.midnight + visit.finish, zone),
        swap_by=found[0],
        next_swap_by=after,
        flat_early=found[1],
        flat_likely=found[2],
        flat_late=found[3],
        pack_type=task.site.pack_type,
        kind=kind,
        jobs=tuple(job.job for job in jobs),
        fallback_left=left,
        fallback_possible=wanted == 0 or (in_window > wanted and left >= wanted),
    )


def expected_dark_days(season: Season, outlook: Outlook, trips: tuple[Trip, ...]) -> float:
    """
    Return the expected dark site-days of the whole fleet in the season.

    Parameters
    ----------
    season : Season
        For the fleet.
    outlook : Outlook
        Chances of being dark.
    trips : tuple of Trip
        In order of date.

    Returns
    -------
    float
        Sum over every site in use, planned or not. [day]
    """
    total = 0.0
    for site in season.fleet.sites:
        put_in: date | None = None
        # after its last day in service a device may well be dark
        end = outlook.to if site.active_to is None else min(outlook.to, site.active_to + timedelta(days=1))
        for trip in trips:
            for visit in trip.visits:
                if visit.site_id == site.site_id and visit.kind is not VisitKind.CALL:
                    total += outlook.expected_dark_days(site.site_id, put_in, min(trip.date, end))
                    put_in = trip.date
                    end = trip.date if visit.kind is VisitKind.TAKE_IN else end
        total += outlook.expected_dark_days(site.site_id, put_in, end)
    return total
