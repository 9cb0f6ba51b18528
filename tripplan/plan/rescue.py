"""
The smallest change that would serve a late site in time, each tried on the plan before it is said.

A change is tried by adding one visit to the plan that stands: on a date that no trip uses, or along with
a trip of that date. It counts only if the site is then late nowhere and the shelf feeds every trip.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date

from tripplan.clock import MINUTES_PER_DAY
from tripplan.fleet import Crew, Fleet, Pack, Site
from tripplan.plan.charging import play_shelf
from tripplan.plan.obstacles import Limit, Obstacle, fits_alone, obstacles, visit_load_kg
from tripplan.plan.season import Season
from tripplan.plan.solution import Judge, Trips, shelf_moves

__all__ = ["Rescue"]

_MOST_MINUTES = 240
_MOST_SPARES = 3
_MINUTES_LIKE_A_DATE = 30
"""Up to so many minutes are a smaller change than one more date. [min]"""


@dataclass
class Rescue:
    """
    Looks for changes that serve sites which a plan leaves late.

    Attributes
    ----------
    trips : mapping of int to frozenset of int
        The plan that stands.
    tried : int
        Changes tried so far.
    """

    season: Season
    judge: Judge
    trips: Trips
    tried: int = 0

    def smallest_change(self, s: int, after: int, due: int) -> str:
        """
        Return the smallest change that serves a site in time.

        Parameters
        ----------
        s : int
            Task index.
        after, due : int
            Days between which a visit is wanted, the first left out.

        Returns
        -------
        str
            A sentence; says so where none of the changes tried serves it.
        """
        site = self.season.tasks[s].site
        if due < 0:
            return self._soonest(s)
        found = sorted(self._changes(s, site, max(after + 1, 0), due))
        if found:
            return found[0][2]
        return (
            "None of these serves it in time by itself: one more date or crew, up to "
            f"{_MOST_MINUTES} minutes more, {_MOST_SPARES} spares, a heavier load, or access."
        )

    def _soonest(self, s: int) -> str:
        days = [d for d in self.season.tasks[s].possible if d >= 0]
        if not days:
            return "No crew can be there on any date of the season."
        return f"The first date on which a crew can be there is {_day(self.season.date_of(days[0]))}."

    def _changes(self, s: int, site: Site, first: int, due: int) -> Iterator[tuple[float, int, str]]:
        """Yield (size, day, sentence) of every change that serves the site."""
        season, fleet = self.season, self.season.fleet
        running = {(season.days[i].day, season.days[i].crew) for i, visits in self.trips.items() if visits}
        for d in range(first, min(due, season.last_day) + 1):
            task = season.tasks[s]
            if not task.carries(d, loose=False):
                continue
            moves = task.takes_in(d) or (task.at_home and not self.judge.visit_days(self.trips)[s])
            spare = self._spares_wanted(s, d)
            if spare is None:
                continue
            day = season.date_of(d)
            for c, crew in enumerate(fleet.crews):
                if (d, c) in running:
                    if spare == 0 and fits_alone(fleet, season.travel, crew, site, day, moves_device=moves):
                        yield 6, d, f"A second crew like {crew.name} on {_day(day)} would serve it in time."
                    continue
                binding = obstacles(fleet, season.travel, crew, site, day, moves_device=moves)
                if binding is None:
                    if 0 < spare <= _MOST_SPARES:
                        yield self._spares(site, spare, crew, d)
                    elif spare == 0:
                        alone = f"A trip of {crew.name} on {_day(day)} for it alone"
                        yield 0, d, f"{alone} would serve it in time."
                elif spare == 0:
                    change = self._lifted(crew, site, day, d, binding, moves_device=moves)
                    if change is not None:
                        yield change
        yield from self._riding_along(s, site, first, due)

    def _riding_along(self, s: int, site: Site, first: int, due: int) -> Iterator[tuple[float, int, str]]:
        """Yield spares that let the site ride along on a trip that runs anyway."""
        season = self.season
        for index, visits in sorted(self.trips.items()):
            day = season.days[index]
            if not first <= day.day <= due or s in visits or s not in day.spans:
                continue
            spare = self._spares_wanted(s, day.day)
            if spare is not None and 0 < spare <= _MOST_SPARES and self.judge.book.fits(index, visits | {s}):
                yield self._spares(site, spare, season.fleet.crews[day.crew], day.day)

    def _spares(self, site: Site, spare: int, crew: Crew, d: int) -> tuple[float, int, str]:
        packs = f"{spare} charged {'pack' if spare == 1 else 'packs'} of type {site.pack_type} more"
        when = _day(self.season.date_of(d))
        return 1 + spare, d, f"{packs} would serve it in time, with {crew.name} on {when}."

    def _lifted(
        self, crew: Crew, site: Site, day: date, d: int, binding: Obstacle, *, moves_device: bool
    ) -> tuple[float, int, str] | None:
        """Return the change that lifts one binding limit, if it can be lifted and the trip then fits."""
        if len(binding.limits) > 1:
            return None
        fleet, travel = self.season.fleet, self.season.travel
        (limit,) = binding.limits
        when = f"{crew.name} on {_day(day)}"
        match limit:
            case Limit.DAY:
                return 1.5, d, f"One more trip by {when} would serve it in time."
            case Limit.WEIGHT:
                weight = visit_load_kg(fleet, site, moves_device=moves_device)
                strong = replace(crew, carry_kg=weight)
                if self._fits(replace(fleet, crews=(strong,)), strong, site, day):
                    return (
                        5,
                        d,
                        f"If {crew.name} could carry {weight:g} kg, {_day(day)} would serve it in time.",
                    )
            case Limit.ABOARD:
                roomy = replace(crew, packs_aboard=1)
                if self._fits(replace(fleet, crews=(roomy,)), roomy, site, day):
                    return 5, d, f"Room for one pack aboard with {when} would serve it in time."
            case Limit.ACCESS:
                if fits_alone(fleet, travel, crew, site, day, frozenset({Limit.ACCESS})):
                    return 4, d, f"If {site.site_id} were open to {when}, that would serve it in time."
            case _:
                return self._minutes(crew, site, day, d, limit)
        return None

    def _minutes(
        self, crew: Crew, site: Site, day: date, d: int, limit: Limit
    ) -> tuple[float, int, str] | None:
        """Return the fewest whole minutes by which hours or daylight must grow for the trip to fit."""
        low, high = 0, _MOST_MINUTES
        if not self._fits_with(crew, site, day, limit, high):
            return None
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self._fits_with(crew, site, day, limit, middle) else (middle, high)
        what = "hours" if limit is Limit.HOURS else "usable daylight"
        size = high / _MINUTES_LIKE_A_DATE
        return (
            size,
            d,
            f"{high} minutes more of {what} for {crew.name} on {_day(day)} would serve it in time.",
        )

    def _fits_with(self, crew: Crew, site: Site, day: date, limit: Limit, minutes: int) -> bool:
        fleet = self.season.fleet
        if limit is Limit.HOURS:
            end = min(MINUTES_PER_DAY, crew.day_end_minute + minutes)
            start = max(0, crew.day_start_minute - (minutes - (end - crew.day_end_minute)))
            late = replace(crew, day_start_minute=start, day_end_minute=end)
            return self._fits(replace(fleet, crews=(late,)), late, site, day)
        # so much later a dusk: first the reserve goes, then the margin, below zero if it must
        plan = fleet.plan
        reserve = max(0.0, plan.reserve_minutes - minutes)
        margin = plan.daylight_margin_minutes - (minutes - (plan.reserve_minutes - reserve))
        lighter = replace(plan, reserve_minutes=reserve, daylight_margin_minutes=margin)
        return self._fits(replace(fleet, plan=lighter), crew, site, day)

    def _fits(self, fleet: Fleet, crew: Crew, site: Site, day: date) -> bool:
        self.tried += 1
        return fits_alone(fleet, self.season.travel, crew, site, day)

    def _spares_wanted(self, s: int, d: int) -> int | None:
        """
        Return how many charged packs more the plan wants if it also visits a site on a day.

        None where the site is late all the same, or more packs than are looked at would not help.
        """
        self.tried += 1
        season, judge = self.season, self.judge
        days = sorted([*judge.visit_days(self.trips)[s], d])
        if len(set(days)) < len(days) or season.tasks[s].senseless(days) or judge.late_days_of(s, days):
            return None
        if not season.fleet.stock_is_kept:
            return 0
        site = season.tasks[s].site
        swapped, set_out, taken_in = shelf_moves(season, self.trips)
        moves = set_out if season.tasks[s].at_home and days[0] == d else swapped
        (taken_in if season.tasks[s].takes_in(d) else moves).append((d, site))
        for more in range(_MOST_SPARES + 1):
            richer = _with_spares(season.fleet, site.pack_type, more)
            if not play_shelf(richer, season.first, swapped, set_out, taken_in).shortages:
                return more
        return None


def _with_spares(fleet: Fleet, name: str, more: int) -> Fleet:
    """Return the fleet with more charged packs of a type on the shelf."""
    if not more:
        return fleet
    if fleet.packs is not None:
        extra = tuple(Pack(f"one more {k}", name) for k in range(more))
        return replace(fleet, packs=(*fleet.packs, *extra))
    kind = fleet.pack_types[name]
    richer = replace(kind, shelf_charged=(kind.shelf_charged or 0) + more)
    return replace(fleet, pack_types={**fleet.pack_types, name: richer})


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
