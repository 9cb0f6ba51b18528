"""
Tiny seasons solved by trying everything: the values of stages 1 to 4, independent of the solver.

Every date takes every set of visits that some crew can make in a day (every order, every cutting into
foot loops). States after a date are merged only where nothing in the future can tell them apart.
Seasons of up to five sites and five dates take seconds at most.

What is enumerated, in the contract's order: fewest late sites, fewest late days, fewest trips, least crew
time, least life thrown away. Visits that break a rule are not tried: dates that leave no fallback though
one was possible, swaps that lose time, calls without a job, packs that are not charged.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date
from itertools import chain, combinations, product
from typing import Any, NamedTuple

from day_by_hand import Call, Country, TimedDay, best_day
from greedy_plan import ChargingRoom, first_date, pack_back, reachable_dates, taken_in_by, work_seconds

from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan, Visit, VisitKind
from tripplan.travel import crew_dates, crews_share_people

__all__ = [
    "StageValues",
    "TooLargeError",
    "chargers_are_simple",
    "solve_by_force",
    "stage_values",
    "untried_visits",
]

_MOST_STATES = 8_000


class TooLargeError(Exception):
    """A season that would take too long to enumerate."""


class StageValues(NamedTuple):
    """
    What the best plan reaches, in the order of the stages.

    Attributes
    ----------
    late_sites, late_days, trips : int
        Stages 1 and 2.
    crew_seconds : int
        Stage 3. [s]
    life_days : int
        Stage 4: the sum over swaps of max(0, likely flat date minus swap date), and the days that devices
        are out before and after their service. [day]
    """

    late_sites: int
    late_days: int
    trips: int
    crew_seconds: int
    life_days: int


class _SiteState(NamedTuple):
    """
    The pack at a site: day it went in (None: there today), day of the last visit, lateness so far.

    `out` tells whether the device stands there; once it is taken in nothing more can be done.
    """

    put_in: date | None
    previous: date | None
    late: bool
    out: bool = True
    fetched: bool = False


State = tuple[_SiteState, ...]
Used = tuple[tuple[date, str, int, int], ...]
"""Date, pack type, packs taken and packs brought back to be charged."""
Picked = Mapping[int, VisitKind]

_PUT_IN = (VisitKind.SWAP, VisitKind.SET_OUT)
_BROUGHT_BACK = (VisitKind.SWAP, VisitKind.TAKE_IN)


class _Cost(NamedTuple):
    """What a history has cost so far; each is a sum, so the least of one state stays the least."""

    late_days: int = 0
    trips: int = 0
    seconds: int = 0
    life: int = 0

    def plus(self, late_days: int, trips: int, seconds: int, life: int) -> _Cost:
        return _Cost(self.late_days + late_days, self.trips + trips, self.seconds + seconds, self.life + life)


class _Brute:
    def __init__(self, fleet: Fleet, outlook: Outlook, travel: Any) -> None:
        self.fleet, self.outlook = fleet, outlook
        self.country = Country(fleet, travel)
        self.sites = fleet.sites
        self._days: dict[Any, TimedDay | None] = {}
        self._ways: dict[Any, tuple[VisitKind, ...]] = {}
        self._effects: dict[Any, tuple[_SiteState, int, int]] = {}
        self.reach = {
            (site.site_id, first): reachable_dates(self.country, site, outlook, with_jobs=first)
            for site in fleet.sites
            for first in (True, False)
        }

    # --- one site ---------------------------------------------------------------------------------

    def swap_by(self, site: Site, state: _SiteState) -> date:
        if state.put_in is None:
            return self.outlook.sites[site.site_id].swap_by
        entry = (state.put_in - self.outlook.on).days
        return date.fromordinal(int(self.outlook.renewals[site.site_id].swap_by[entry]))

    def flat_likely(self, site: Site, state: _SiteState) -> date:
        if state.put_in is None:
            return self.outlook.sites[site.site_id].flat_likely
        entry = (state.put_in - self.outlook.on).days
        return date.fromordinal(int(self.outlook.renewals[site.site_id].flat_likely[entry]))

    def owed(self, site: Site, state: _SiteState) -> date | None:
        """Return the date by which a visit is owed for power; None where the season owes none."""
        if state.fetched or (not state.out and site.active_from is None):
            return None
        due = self.swap_by(site, state) if state.out else site.active_from
        assert due is not None
        if state.previous is None and state.out:
            jobs = self.fleet.open_jobs.get(site.site_id, ())
            due = min([due, *(job.due_by for job in jobs if job.due_by is not None)])
        return due if self.counts(site, due) else None

    def counts(self, site: Site, due: date) -> bool:
        """Tell whether the season owes what is due by a date."""
        over = site.active_to is not None and (site.active_to < self.outlook.on or due > site.active_to)
        return due < self.outlook.to and not over

    def late_days(self, site: Site, state: _SiteState, day: date, kind: VisitKind | None) -> int:
        """Return the late days that a visit closes, or the season's end where `kind` is None."""
        due, in_by = self.owed(site, state), taken_in_by(self.fleet, self.outlook, site)
        late = 0 if due is None else max(0, (day - due).days)
        left_out = kind is None and state.out and not state.fetched
        if in_by is not None and (kind is VisitKind.TAKE_IN or left_out):
            late += max(0, (day - in_by).days)
        return late

    def kinds(self, site: Site, state: _SiteState, day: date) -> tuple[VisitKind, ...]:
        """Return what a visit on a date may do: set out, swap, be a call, take in, several or nothing."""
        over = site.active_to is not None and day >= site.active_to
        if state.fetched or day < first_date(self.fleet, self.outlook, site):
            return ()
        if not state.out and (over or site.active_from is None):
            return ()
        if over:
            return (VisitKind.TAKE_IN,) if self.leaves_enough_to_fetch(site, state, day) else ()
        pack = self.swap_by(site, state)
        power_owed = self.counts(site, pack)
        if day <= pack and power_owed:
            wanted = self.fleet.plan.fallback_dates
            dates = [d for d in self.reach[site.site_id, state.previous is None] if d <= pack]
            window = [d for d in dates if state.previous is None or d > state.previous]
            early = window[: max(0, len(window) - wanted)]
            possible = any(self.swap_by(site, state._replace(put_in=d)) >= pack for d in early)
            if possible and sum(d > day for d in dates) < wanted:
                return ()
        fresh = self.swap_by(site, state._replace(put_in=day))
        if not state.out:
            return (VisitKind.SET_OUT,) if fresh >= pack else ()
        ways = []
        if fresh >= pack:
            ways.append(VisitKind.SWAP)
        has_job = state.previous is None and site.site_id in self.fleet.open_jobs
        if has_job and (fresh <= pack or not power_owed):
            ways.append(VisitKind.CALL)
        return tuple(ways)

    def leaves_enough_to_fetch(self, site: Site, state: _SiteState, day: date) -> bool:
        """Tell whether taking in on a date leaves the fallback dates asked for, where that is possible."""
        in_by, wanted = taken_in_by(self.fleet, self.outlook, site), self.fleet.plan.fallback_dates
        if in_by is None or day > in_by:
            return True
        dates = self.reach[site.site_id, state.previous is None]
        since = date.min if state.previous is None else state.previous
        window = [d for d in dates if d > since and site.active_to <= d <= in_by]
        return len(window) <= wanted or sum(d > day for d in window) >= wanted

    # --- one date ---------------------------------------------------------------------------------

    def ways(self, k: int, one: _SiteState, day: date) -> tuple[VisitKind, ...]:
        key = (k, one.put_in, one.previous, one.out, one.fetched, day)
        if key not in self._ways:
            self._ways[key] = self.kinds(self.sites[k], one, day)
        return self._ways[key]

    def effect(self, k: int, before: _SiteState, day: date, kind: VisitKind) -> tuple[_SiteState, int, int]:
        """Return a site's state after a visit, the late days that it closes, the life thrown away."""
        key = (k, before, day, kind)
        if key not in self._effects:
            site = self.sites[k]
            late_days = self.late_days(site, before, day, kind)
            goes_in = kind in _PUT_IN
            life = max(0, (self.flat_likely(site, before) - day).days) if goes_in else 0
            if kind is VisitKind.TAKE_IN:
                life = (day - site.active_to).days
            after = _SiteState(
                day if goes_in else before.put_in,
                day,
                before.late or late_days > 0,
                before.out or goes_in,
                kind is VisitKind.TAKE_IN,
            )
            self._effects[key] = (after, late_days, life)
        return self._effects[key]

    def run_crew(
        self,
        state: State,
        crew: Crew,
        day: date,
        taken: Picked,
        charged: Mapping[str, int],
    ) -> Iterator[tuple[dict[int, VisitKind], int]]:
        """Yield every set of visits that a crew can make in a day, with its seconds; nothing is 0 s."""
        names = [site.pack_type for site in self.sites]
        ways = {
            k: self.ways(k, one, day)
            for k, one in enumerate(state)
            if k not in taken and self.country.open(self.sites[k].site_id, crew, day)
        }
        able = [k for k, way in ways.items() if way]
        yield {}, 0
        for picked in chain.from_iterable(combinations(able, n) for n in range(1, len(able) + 1)):
            for how in product(*(ways[k] for k in picked)):
                both = [*zip(picked, how, strict=True), *taken.items()]
                if any(
                    sum(kind in _PUT_IN and names[k] == name for k, kind in both) > count
                    for name, count in charged.items()
                ):
                    continue
                seconds = self._seconds(state, crew, day, picked, how)
                if seconds is not None:
                    yield dict(zip(picked, how, strict=True)), seconds

    def _seconds(
        self, state: State, crew: Crew, day: date, picked: tuple[int, ...], how: tuple[VisitKind, ...]
    ) -> int | None:
        first = tuple(state[k].previous is None for k in picked)
        key = (crew.name, day, picked, how, first)
        if key not in self._days:
            calls = {
                self.sites[k].site_id: Call(work_seconds(self.fleet, self.sites[k], with_jobs=jobs), kind)
                for k, kind, jobs in zip(picked, how, first, strict=True)
            }
            self._days[key] = best_day(self.country, crew, day, calls)
        timed = self._days[key]
        return None if timed is None else timed.seconds

    def visit(self, state: State, day: date, picked: Picked) -> tuple[State, int, int]:
        """Return the state after visits, the late days they close, and the life thrown away."""
        after, late_days, life = list(state), 0, 0
        for k, kind in picked.items():
            after[k], more_late, more_life = self.effect(k, state[k], day, kind)
            late_days += more_late
            life += more_life
        return tuple(after), late_days, life

    def start(self, site: Site) -> _SiteState:
        """Return how a site stands as the season begins."""
        return _SiteState(None, None, late=False, out=not self.outlook.sites[site.site_id].at_home)

    # --- the season -------------------------------------------------------------------------------

    def solve(self) -> StageValues:
        on, to = self.outlook.on, self.outlook.to
        dates = {crew.name: set(crew_dates(self.fleet, crew, on, to)) for crew in self.fleet.crews}
        start: State = tuple(self.start(site) for site in self.sites)
        layer: dict[tuple[State, Used], _Cost] = {(start, ()): _Cost()}
        for day in sorted(set().union(*dates.values())):
            layer = self._pass_date(
                layer, day, [crew for crew in self.fleet.crews if day in dates[crew.name]]
            )
            if len(layer) > _MOST_STATES:
                raise TooLargeError("this season is too large to enumerate")
        found = []
        for (state, _), cost in layer.items():
            late_sites = late_days = 0
            for site, one in zip(self.sites, state, strict=True):
                days = self.late_days(site, one, to, None)
                late_sites += one.late or days > 0
                late_days += days
            found.append(
                StageValues(late_sites, cost.late_days + late_days, cost.trips, cost.seconds, cost.life)
            )
        return min(found)

    def _pass_date(
        self, layer: dict[tuple[State, Used], _Cost], day: date, crews: list[Crew]
    ) -> dict[tuple[State, Used], _Cost]:
        """Return every state after one date, with the least that it costs to come there."""
        after: dict[tuple[State, Used], _Cost] = {}
        for (state, used), cost in layer.items():
            room = self._room(used)
            for picked, trips, seconds in self._all_crews(state, crews, day, room):
                new, late_days, life = self.visit(state, day, picked)
                # Without chargers all that came back is charged by the next date: only more or less counts.
                now_used = used
                if self.fleet.stock_is_kept:
                    gone = Counter(self.sites[k].pack_type for k, kind in picked.items() if kind in _PUT_IN)
                    back = Counter(
                        pack_back(self.fleet, self.sites[k], first=state[k].put_in is None)
                        for k, kind in picked.items()
                        if kind in _BROUGHT_BACK
                    )
                    now_used = used + tuple(
                        (day, name, gone[name], back[name])
                        for name in sorted({*gone, *back} - {""})
                        if self.fleet.chargers or gone[name] != back[name]
                    )
                more = cost.plus(late_days, trips, seconds, life)
                key = (new, now_used)
                if key not in after or more < after[key]:
                    after[key] = more
        return after

    def _all_crews(
        self, state: State, crews: list[Crew], day: date, room: ChargingRoom
    ) -> Iterator[tuple[dict[int, VisitKind], int, int]]:
        """Yield the visits of all crews together on one date, with trips and seconds."""
        charged = {}
        if self.fleet.stock_is_kept:
            charged = {name: room.charged(name, day) for name in {site.pack_type for site in self.sites}}

        def go(
            left: list[Crew], gone: list[Crew], picked: dict[int, VisitKind], trips: int, seconds: int
        ) -> Iterator[tuple[dict[int, VisitKind], int, int]]:
            if not left:
                yield picked, trips, seconds
                return
            crew, rest = left[0], left[1:]
            if any(crews_share_people(crew, other) for other in gone):
                yield from go(rest, gone, picked, trips, seconds)
                return
            for more, cost in self.run_crew(state, crew, day, picked, charged):
                yield from go(
                    rest, [*gone, crew] if more else gone, picked | more, trips + bool(more), seconds + cost
                )

        yield from go(crews, [], {}, 0, 0)

    def _room(self, used: Used) -> ChargingRoom:
        """
        Return what is charged when, after those swaps.

        Packs go on a charger in the order in which they came back, on the one that has them off
        first. With one kind of charger and one type of pack no other order has more packs ready
        on any date; `solve_by_force` refuses fleets with more. Without chargers `used` holds only what
        devices set out and taken in make more or less: every other pack that went out brought one back.
        """
        room = ChargingRoom(self.fleet, self.outlook.on)
        for day, name, gone, back in used:
            room.used[name, day] += gone
            for _ in range(back):
                room.take_back(name, day)
        return room


def chargers_are_simple(fleet: Fleet) -> bool:
    """Tell whether putting each pack on at once is surely best: no choice of type or of charger speed."""
    if not fleet.chargers:
        return True
    kinds = {
        (charger.types, charger.hours_per_pack, charger.changeovers_per_day) for charger in fleet.chargers
    }
    waiting = {site.pack_type for site in fleet.sites}
    waiting |= {name for name in fleet.pack_types if fleet.uncharged_on_shelf(name)}
    waiting |= {pack_back(fleet, site, first=True) for site in fleet.sites}
    return len(kinds) == 1 and len(waiting & set(fleet.chargers[0].types)) <= 1


def solve_by_force(fleet: Fleet, outlook: Outlook, travel: Any) -> StageValues:
    """
    Return the stage values of the best plan of a tiny season.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        The inputs of planning; at most five sites and a few dates.

    Returns
    -------
    StageValues
        Of the best plan there is.

    Raises
    ------
    TooLargeError
        If there are too many states, or the order of charging would have to be searched too.
    """
    if not chargers_are_simple(fleet):
        raise TooLargeError("more than one type of pack or charger: the order of charging would matter")
    return _Brute(fleet, outlook, travel).solve()


def untried_visits(fleet: Fleet, outlook: Outlook, travel: Any, plan: Plan) -> list[Visit]:
    """
    Return the visits of a plan that enumeration does not try, since they leave too few fallback dates.

    A plan may hold such a visit, named, where being in time leaves no other; the enumeration takes the
    rule literally.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        The inputs of planning.
    plan : Plan
        A plan that the checker accepts.

    Returns
    -------
    list of Visit
        In order of date.
    """
    brute = _Brute(fleet, outlook, travel)
    states = {site.site_id: brute.start(site) for site in fleet.sites}
    found = []
    for trip in sorted(plan.trips, key=lambda trip: trip.date):
        for visit in trip.visits:
            site, state = fleet.sites_by_id[visit.site_id], states[visit.site_id]
            if visit.kind not in brute.kinds(site, state, trip.date):
                found.append(visit)
            states[visit.site_id] = _SiteState(
                trip.date if visit.swap else state.put_in,
                trip.date,
                state.late,
                state.out or visit.swap,
                visit.kind is VisitKind.TAKE_IN,
            )
    return found


def stage_values(plan: Plan, fleet: Fleet) -> StageValues:
    """
    Return the stage values of a plan that the checker accepts.

    Parameters
    ----------
    plan : Plan
        A plan.
    fleet : Fleet
        For the last days in service.

    Returns
    -------
    StageValues
        Counted from the plan.
    """
    seconds = sum(round(trip.back.timestamp()) - round(trip.leave.timestamp()) for trip in plan.trips)
    life = sum(
        max(0, (visit.flat_likely - trip.date).days)
        for trip in plan.trips
        for visit in trip.visits
        if visit.swap
    )
    for trip in plan.trips:
        for visit in trip.visits:
            end = fleet.sites_by_id[visit.site_id].active_to
            if visit.kind is VisitKind.TAKE_IN and end is not None:
                life += (trip.date - end).days
    return StageValues(plan.late_sites, plan.late_days, plan.trip_count, seconds, life)
