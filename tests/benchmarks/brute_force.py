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
from greedy_plan import ChargingRoom, pack_back, reachable_dates, work_seconds

from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan, Visit
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
        Stage 4: the sum over swaps of max(0, likely flat date minus swap date). [day]
    """

    late_sites: int
    late_days: int
    trips: int
    crew_seconds: int
    life_days: int


class _SiteState(NamedTuple):
    """The pack at a site: day it went in (None: there today), day of the last visit, lateness so far."""

    put_in: date | None
    previous: date | None
    late: bool


State = tuple[_SiteState, ...]
Used = tuple[tuple[date, str, int, int], ...]
"""Date, pack type, packs taken and packs brought back to be charged."""


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
        self.odd = any(pack_back(fleet, site, first=True) != site.pack_type for site in fleet.sites)
        self._days: dict[Any, TimedDay | None] = {}
        self._ways: dict[Any, tuple[bool, ...]] = {}
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
        """Return the date by which a visit is owed; None where the season owes none."""
        if self.waits_for_setting_out(site):
            return None
        due = self.swap_by(site, state)
        if state.previous is None:
            jobs = self.fleet.open_jobs.get(site.site_id, ())
            due = min([due, *(job.due_by for job in jobs if job.due_by is not None)])
        if due >= self.outlook.to or (site.active_to is not None and due > site.active_to):
            return None
        return due

    def waits_for_setting_out(self, site: Site) -> bool:
        """Tell whether a site is set out after its pack has had its day: it is then no part of the plan."""
        swap_by = self.outlook.sites[site.site_id].swap_by
        return (
            site.active_from is not None and self.outlook.on < site.active_from and swap_by < site.active_from
        )

    def swaps(self, site: Site, state: _SiteState, day: date) -> tuple[bool, ...]:
        """Return what a visit on a date may do: swap, be a call without one, both or neither."""
        if self.waits_for_setting_out(site):
            return ()
        pack = self.swap_by(site, state)
        power_owed = pack < self.outlook.to and (site.active_to is None or pack <= site.active_to)
        if day <= pack and power_owed:
            wanted = self.fleet.plan.fallback_dates
            dates = [d for d in self.reach[site.site_id, state.previous is None] if d <= pack]
            window = [d for d in dates if state.previous is None or d > state.previous]
            early = window[: max(0, len(window) - wanted)]
            possible = any(self.swap_by(site, state._replace(put_in=d)) >= pack for d in early)
            if possible and sum(d > day for d in dates) < wanted:
                return ()
        fresh = self.swap_by(site, state._replace(put_in=day))
        ways = []
        if fresh >= pack:
            ways.append(True)
        has_job = state.previous is None and site.site_id in self.fleet.open_jobs
        if has_job and (fresh <= pack or not power_owed):
            ways.append(False)
        return tuple(ways)

    # --- one date ---------------------------------------------------------------------------------

    def ways(self, k: int, one: _SiteState, day: date) -> tuple[bool, ...]:
        key = (k, one.put_in, one.previous, day)
        if key not in self._ways:
            self._ways[key] = self.swaps(self.sites[k], one, day)
        return self._ways[key]

    def effect(self, k: int, before: _SiteState, day: date, *, swap: bool) -> tuple[_SiteState, int, int]:
        """Return a site's state after a visit, the late days that it closes, the life thrown away."""
        key = (k, before, day, swap)
        if key not in self._effects:
            site = self.sites[k]
            due = self.owed(site, before)
            late_days = max(0, (day - due).days) if due is not None else 0
            life = max(0, (self.flat_likely(site, before) - day).days) if swap else 0
            after = _SiteState(day if swap else before.put_in, day, before.late or late_days > 0)
            self._effects[key] = (after, late_days, life)
        return self._effects[key]

    def run_crew(
        self,
        state: State,
        crew: Crew,
        day: date,
        taken: Mapping[int, bool],
        charged: Mapping[str, int],
    ) -> Iterator[tuple[dict[int, bool], int]]:
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
                    sum(swap and names[k] == name for k, swap in both) > count
                    for name, count in charged.items()
                ):
                    continue
                seconds = self._seconds(state, crew, day, picked, how)
                if seconds is not None:
                    yield dict(zip(picked, how, strict=True)), seconds

    def _seconds(
        self, state: State, crew: Crew, day: date, picked: tuple[int, ...], how: tuple[bool, ...]
    ) -> int | None:
        first = tuple(state[k].previous is None for k in picked)
        key = (crew.name, day, picked, how, first)
        if key not in self._days:
            calls = {
                self.sites[k].site_id: Call(work_seconds(self.fleet, self.sites[k], with_jobs=jobs), swap)
                for k, swap, jobs in zip(picked, how, first, strict=True)
            }
            self._days[key] = best_day(self.country, crew, day, calls)
        timed = self._days[key]
        return None if timed is None else timed.seconds

    def visit(self, state: State, day: date, picked: Mapping[int, bool]) -> tuple[State, int, int]:
        """Return the state after visits, the late days they close, and the life thrown away."""
        after, late_days, life = list(state), 0, 0
        for k, swap in picked.items():
            after[k], more_late, more_life = self.effect(k, state[k], day, swap=swap)
            late_days += more_late
            life += more_life
        return tuple(after), late_days, life

    # --- the season -------------------------------------------------------------------------------

    def solve(self) -> StageValues:
        on, to = self.outlook.on, self.outlook.to
        dates = {crew.name: set(crew_dates(self.fleet, crew, on, to)) for crew in self.fleet.crews}
        start: State = tuple(_SiteState(None, None, late=False) for _ in self.sites)
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
                due = self.owed(site, one)
                late_sites += one.late or due is not None
                late_days += 0 if due is None else (to - due).days
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
                now_used = used
                if self.fleet.stock_is_kept and (self.fleet.chargers or self.odd):
                    # Otherwise nothing depends on it: all that came back is charged by the next date.
                    swapped = [k for k, swap in picked.items() if swap]
                    out = Counter(self.sites[k].pack_type for k in swapped)
                    back = Counter(
                        pack_back(self.fleet, self.sites[k], first=state[k].put_in is None) for k in swapped
                    )
                    now_used = used + tuple((day, n, out[n], back[n]) for n in sorted({*out, *back} - {""}))
                more = cost.plus(late_days, trips, seconds, life)
                key = (new, now_used)
                if key not in after or more < after[key]:
                    after[key] = more
        return after

    def _all_crews(
        self, state: State, crews: list[Crew], day: date, room: ChargingRoom
    ) -> Iterator[tuple[dict[int, bool], int, int]]:
        """Yield the visits of all crews together on one date, with trips and seconds."""
        charged = {}
        if self.fleet.stock_is_kept:
            charged = {name: room.charged(name, day) for name in {site.pack_type for site in self.sites}}

        def go(
            left: list[Crew], gone: list[Crew], picked: dict[int, bool], trips: int, seconds: int
        ) -> Iterator[tuple[dict[int, bool], int, int]]:
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
        on any date; `solve_by_force` refuses fleets with more. Without chargers `used` is empty where
        each pack that went out brought one back that counts on every later date.
        """
        room = ChargingRoom(self.fleet, self.outlook.on)
        for day, name, out, back in used:
            room.used[name, day] += out
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
    states = {site.site_id: _SiteState(None, None, late=False) for site in fleet.sites}
    found = []
    for trip in sorted(plan.trips, key=lambda trip: trip.date):
        for visit in trip.visits:
            site, state = fleet.sites_by_id[visit.site_id], states[visit.site_id]
            if visit.swap not in brute.swaps(site, state, trip.date):
                found.append(visit)
            states[visit.site_id] = _SiteState(
                trip.date if visit.swap else state.put_in, trip.date, late=state.late
            )
    return found


def stage_values(plan: Plan) -> StageValues:
    """
    Return the stage values of a plan that the checker accepts.

    Parameters
    ----------
    plan : Plan
        A plan.

    Returns
    -------
    StageValues
        Counted from the plan alone.
    """
    seconds = sum(round(trip.back.timestamp()) - round(trip.leave.timestamp()) for trip in plan.trips)
    life = sum(
        max(0, (visit.flat_likely - trip.date).days)
        for trip in plan.trips
        for visit in trip.visits
        if visit.swap
    )
    return StageValues(plan.late_sites, plan.late_days, plan.trip_count, seconds, life)
