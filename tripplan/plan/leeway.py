"""
How much of a day can be lost, where, and what to leave out first when it runs late.

One backward pass over the planned order gives the latest second for each step of the day: crew hours,
usable daylight with the reserve before dusk, and access, of whose spans any later one may serve too.
What can be lost at a stop is the least distance between plan and latest second over its steps, so that
it holds wherever at that stop the time is lost.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from tripplan.clock import MINUTES_PER_DAY, local_moment, moment_to_local
from tripplan.fleet import Fleet
from tripplan.plan.document import Loop, Stop, Trip, Visit, VisitKind
from tripplan.plan.obstacles import fits_alone
from tripplan.travel import Travel, open_spans, usable_daylight

__all__ = ["Leeway", "SkipStep", "StopLeeway", "VisitLeeway", "stop_leeways", "trip_leeway", "waits_until"]


@dataclass(frozen=True)
class StopLeeway:
    """
    What can be lost at one stop.

    Attributes
    ----------
    lose_minutes : int
        Minutes that may be lost anywhere at this stop, the rest of the day as planned. [min]
    turn_back : datetime.datetime
        Latest moment to drive off so that the rest of the day still fits.
    lose_with_reserve_minutes : int
        The same if the reserve before dusk is spent. [min]
    """

    lose_minutes: int
    turn_back: datetime
    lose_with_reserve_minutes: int = 0


@dataclass(frozen=True)
class VisitLeeway:
    """
    How long one site can wait.

    Attributes
    ----------
    waits_until : datetime.date or None
        Last later date on which some crew can still serve it in time; None where there is none.
    """

    site_id: str
    waits_until: date | None


@dataclass(frozen=True)
class SkipStep:
    """
    One site to leave out when the day runs late.

    Attributes
    ----------
    saved_minutes : int
        What leaving it out saves, all before it in the order left out already, rounded down. [min]
    waits_until : datetime.date
        Until when it can wait.
    """

    site_id: str
    saved_minutes: int
    waits_until: date


@dataclass(frozen=True)
class Leeway:
    """
    The leeway of one trip; made by `trip_leeway`.

    Attributes
    ----------
    stops : tuple of StopLeeway
        In order.
    visits : tuple of VisitLeeway
        In visiting order.
    skip : tuple of SkipStep
        In the order in which to leave sites out: who can wait longest goes first. Sites that cannot
        wait, and those that would save nothing, are not in it.
    """

    stops: tuple[StopLeeway, ...]
    visits: tuple[VisitLeeway, ...]
    skip: tuple[SkipStep, ...]


def trip_leeway(fleet: Fleet, travel: Travel, trip: Trip, last: date) -> Leeway:
    """
    Work out the leeway of a trip.

    Parameters
    ----------
    fleet : Fleet
        Whose trip it is.
    travel : Travel
        Minutes between its places.
    trip : Trip
        A trip that the checker passed.
    last : datetime.date
        Last date of the season; nobody is sent later than that.

    Returns
    -------
    Leeway
        Seconds are cut to whole minutes in favour of caution.
    """
    visits = tuple(
        VisitLeeway(visit.site_id, waits_until(fleet, travel, trip, visit, last)) for visit in trip.visits
    )
    return Leeway(stop_leeways(fleet, travel, trip), visits, tuple(_skip(fleet, travel, trip, visits)))


def stop_leeways(fleet: Fleet, travel: Travel, trip: Trip) -> tuple[StopLeeway, ...]:
    """
    Work out what can be lost at each stop of a trip.

    Parameters
    ----------
    fleet : Fleet
        Whose trip it is.
    travel : Travel
        Minutes between its places.
    trip : Trip
        A trip that the checker passed.

    Returns
    -------
    tuple of StopLeeway
        One for each stop, in order.
    """
    spent = replace(fleet, plan=replace(fleet.plan, reserve_minutes=0.0))
    return tuple(
        replace(kept, lose_with_reserve_minutes=without.lose_minutes)
        for kept, without in zip(_stops(fleet, travel, trip), _stops(spent, travel, trip), strict=True)
    )


def _seconds(minutes: float) -> int:
    return math.ceil(round(minutes * 60, 6))


def _moment(clock: datetime) -> int:
    return round(clock.timestamp())


def _stops(fleet: Fleet, travel: Travel, trip: Trip) -> tuple[StopLeeway, ...]:
    crew = fleet.crews_by_name[trip.crew]
    base = travel.place_of_crew[trip.crew]
    latest, following = local_moment(trip.date, crew.day_end_minute, fleet.zone), base
    found: list[StopLeeway] = []
    for number in range(len(trip.stops) - 1, -1, -1):
        stop = trip.stops[number]
        here = travel.place_of_site[stop.loops[0].visits[0].site_id]
        latest -= _seconds(travel.drive_minutes[here, following])
        steps = list(_latest_steps(fleet, travel, trip, stop, latest, is_last=number == len(trip.stops) - 1))
        slack = min(late - planned for planned, late in steps)
        turn_back = steps[0][1]
        found.append(StopLeeway(max(0, slack // 60), moment_to_local(turn_back, fleet.zone)))
        latest, following = steps[-1][1], here
    return tuple(reversed(found))


def _latest_steps(
    fleet: Fleet, travel: Travel, trip: Trip, stop: Stop, drive_off: int, *, is_last: bool
) -> Iterator[tuple[int, int]]:
    """Yield (planned, latest) second of each step of a stop, from driving off back to arriving."""
    light = usable_daylight(
        stop.park_lat, stop.park_lon, trip.date, fleet.zone, fleet.plan.daylight_margin_minutes
    )
    if light is None:
        raise ValueError(f"{trip.trip_id}: no usable daylight at {stop.park_lat}, {stop.park_lon}")
    midnights = (local_moment(trip.date, 0, fleet.zone), local_moment(trip.date, MINUTES_PER_DAY, fleet.zone))
    reserve = 0.0 if tuple(light) == midnights else fleet.plan.reserve_minutes * 60
    latest = drive_off
    if is_last:
        latest = min(latest, math.floor(light[1] - reserve))
    yield _moment(stop.leave), latest
    for number in range(len(stop.loops) - 1, -1, -1):
        loop = stop.loops[number]
        latest = min(latest, math.floor(light[1]))
        yield _moment(loop.back), latest
        for planned, late in _loop_steps(fleet, travel, trip, loop, latest):
            latest = late
            yield planned, late
    yield _moment(stop.arrive), latest - _seconds(fleet.drive.park_minutes)


def _loop_steps(fleet: Fleet, travel: Travel, trip: Trip, loop: Loop, back: int) -> Iterator[tuple[int, int]]:
    """Yield (planned, latest) second of finishing, beginning and reaching each visit, then of setting off."""
    latest, following = back, None
    for visit in reversed(loop.visits):
        latest -= _seconds(travel.walk_minutes(visit.site_id, following))
        work = _moment(visit.finish) - _moment(visit.start)
        begin = max(
            (
                min(end, latest) - work
                for first, end in open_spans(fleet, fleet.sites_by_id[visit.site_id], trip.crew, trip.date)
                if min(end, latest) - work >= first
            ),
            default=None,
        )
        if begin is None:
            raise ValueError(f"{trip.trip_id}: work at {visit.site_id} fits no access window")
        # time lost while at work must still leave its end inside the same span
        yield _moment(visit.finish), _latest_finish(fleet, trip, visit, latest)
        yield _moment(visit.start), begin
        latest, following = begin, visit.site_id
    latest -= _seconds(travel.walk_minutes(None, following))
    yield _moment(loop.leave), latest


def _latest_finish(fleet: Fleet, trip: Trip, visit: Visit, latest: int) -> int:
    start, finish = _moment(visit.start), _moment(visit.finish)
    for first, end in open_spans(fleet, fleet.sites_by_id[visit.site_id], trip.crew, trip.date):
        if first <= start and finish <= end:
            return min(end, latest)
    raise ValueError(f"{trip.trip_id}: work at {visit.site_id} lies in no access window")


def waits_until(fleet: Fleet, travel: Travel, trip: Trip, visit: Visit, last: date) -> date | None:
    """
    Return until when a visit can wait.

    Parameters
    ----------
    fleet : Fleet
        Whose trip it is.
    travel : Travel
        Minutes between its places.
    trip : Trip
        The trip.
    visit : Visit
        One of its visits.
    last : datetime.date
        Last day of the season.

    Returns
    -------
    datetime.date or None
        The last later date on which some crew alone can make the visit, with its jobs, in time; None where
        there is none.
    """
    site = fleet.sites_by_id[visit.site_id]
    limit = last if not visit.swap else min(last, visit.swap_by)
    if visit.kind is VisitKind.TAKE_IN and site.active_to is not None:
        limit = min(last, site.active_to + timedelta(days=fleet.plan.take_in_days))
    for job in fleet.open_jobs.get(site.site_id, ()) if visit.jobs else ():
        limit = min(limit, job.due_by) if job.due_by else limit
    day = limit
    while day > trip.date:
        if any(
            fits_alone(fleet, travel, crew, site, day, moves_device=visit.moves_device)
            for crew in fleet.crews
        ):
            return day
        day -= timedelta(days=1)
    return None


def _skip(fleet: Fleet, travel: Travel, trip: Trip, visits: Sequence[VisitLeeway]) -> Iterator[SkipStep]:
    calls = {visit.site_id for visit in trip.visits if visit.kind is VisitKind.CALL}
    able = sorted(
        ((one.waits_until, one.site_id) for one in visits if one.waits_until is not None),
        key=lambda one: (one[1] not in calls, -one[0].toordinal(), one[1]),
    )
    left: set[str] = set()
    before = _busy_seconds(fleet, travel, trip, left)
    for waits_until, site_id in able:
        after = _busy_seconds(fleet, travel, trip, left | {site_id})
        if (before - after) // 60 < 1:
            continue
        yield SkipStep(site_id, (before - after) // 60, waits_until)
        left.add(site_id)
        before = after


def _busy_seconds(fleet: Fleet, travel: Travel, trip: Trip, left: set[str]) -> int:
    """Return driving, parking, walking and work of a trip without some sites, in the same order."""
    base = travel.place_of_crew[trip.crew]
    here, total = base, 0
    for stop in trip.stops:
        loops = [[v for v in loop.visits if v.site_id not in left] for loop in stop.loops]
        loops = [loop for loop in loops if loop]
        if not loops:
            continue
        place = travel.place_of_site[loops[0][0].site_id]
        total += _seconds(travel.drive_minutes[here, place]) + _seconds(fleet.drive.park_minutes)
        here = place
        for loop in loops:
            at: str | None = None
            for visit in loop:
                total += _seconds(travel.walk_minutes(at, visit.site_id))
                total += _moment(visit.finish) - _moment(visit.start)
                at = visit.site_id
            total += _seconds(travel.walk_minutes(at, None))
    return total if here == base else total + _seconds(travel.drive_minutes[here, base])
