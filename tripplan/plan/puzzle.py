"""
The trips that wishes ask for, put together: each must fit its day, and the shelf must feed them.

Strictly, as plans are rounded, so that what is found is a plan; or loosely, so that where nothing is found no
plan that the rules allow holds such trips, whatever else it does. The search over who takes what is complete
unless its count of steps runs out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.outlook import Outlook
from tripplan.plan.charging import charged_at_best, play_shelf, swaps_and_returns
from tripplan.plan.loops import FAR
from tripplan.plan.may_fit import MayFit
from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.solution import Trips, shelf_moves
from tripplan.plan.trips import TripBook
from tripplan.wishes import Wish, WishKind

__all__ = ["Puzzle", "Witness"]

_MOST_STEPS = 4000

Witness = Mapping[tuple[date, str], frozenset[str]]
"""Sites by date and crew: trips that meet every wish."""

_Trips = dict[int, frozenset[int]]
_Demand = tuple[int | None, tuple[int, ...]]


@dataclass
class Puzzle:
    """
    Puts wished trips together.

    Attributes
    ----------
    season : Season
        With a task for every site that a wish names, and no wishes of its own.
    outlook : Outlook
        What it was built from.
    loose : bool
        Whether what is not found is shown not to be.
    any_site : bool
        Whether a visit to any site keeps a date to go, not only to those that are due or asked for.
    sure : bool
        Whether the last search was complete.
    """

    season: Season
    outlook: Outlook
    loose: bool = False
    any_site: bool = False
    sure: bool = True
    _steps: int = 0
    _due: frozenset[int] = frozenset()
    _tasks: dict[str, int] = field(init=False)
    _fresh: dict[int, NDArray[np.bool_]] = field(default_factory=dict)
    _stock: tuple[StockRow, ...] = ()

    def __post_init__(self) -> None:
        self._tasks = {task.site.site_id: s for s, task in enumerate(self.season.tasks)}
        if self.loose:
            self.season = _with_sure_first_visits(self.season)
            self._stock = stock_rows(self.season)
        self.book: TripBook | MayFit = MayFit(self.season) if self.loose else TripBook(self.season)

    def named(self, trips: Trips) -> Witness:
        """Return trips by date, crew and sites."""
        season = self.season
        return {
            (season.date_of(season.days[i].day), season.fleet.crews[season.days[i].crew].name): frozenset(
                season.tasks[s].site.site_id for s in visits
            )
            for i, visits in trips.items()
        }

    def may_be_done_before(self, trips: Witness) -> dict[str, int]:
        """
        Return what an earlier visit could do so that trips fit.

        Parameters
        ----------
        trips : mapping of (datetime.date, str) to frozenset of str
            Sites by date and crew.

        Returns
        -------
        dict
            Sites with jobs, or a device to set out, in the trips that do not fit with them, and the last day
            number before those trips; of a site that is visited again without a swap, the first visit's.
        """
        found: dict[str, int] = {}
        seen: dict[str, int] = {}
        names = [crew.name for crew in self.season.fleet.crews]
        for index, one in enumerate(self.season.days):
            day = one.day
            sites = trips.get((self.season.date_of(day), names[one.crew]), frozenset())
            visits = [self._tasks[site_id] for site_id in sites if site_id in self._tasks]
            fits = self.book.fits(index, visits)
            for s in visits:
                task = self.season.tasks[s]
                site_id = task.site.site_id
                if seen.setdefault(site_id, day) < day and not task.swaps[day] and not task.takes_in(day):
                    found[site_id] = min(seen[site_id], found.get(site_id, day))
                takes = bool(task.job_minutes) or task.at_home
                asks = task.at_home and task.takes_in(day)
                if not (asks or (takes and not fits and task.may_be_first(day))):
                    continue
                if any(d < day and not task.takes_in(d) for d in task.possible):
                    found[site_id] = min(day - 1, found.get(site_id, day))
        return found

    def meet(self, wishes: tuple[Wish, ...]) -> _Trips | None:
        """
        Return trips that meet all wishes, and the season's own windows before them.

        Parameters
        ----------
        wishes : tuple of Wish
            Any of those that the season was built for.

        Returns
        -------
        dict or None
            Visits by day index; None where there are none, or none were found (`sure`).
        """
        self.sure, self._steps = True, 0
        if any(site_id not in self._tasks for wish in wishes for site_id in wish.sites):
            return None  # not in service yet
        asked = {self._tasks[site_id] for wish in wishes for site_id in wish.sites}
        self._due = frozenset(
            s
            for s, task in enumerate(self.season.tasks)
            if self.any_site or min(task.due, task.take_by) < FAR or s in asked
        )
        home = tuple(wish for wish in wishes if wish.kind is WishKind.STAY_HOME)
        kept: _Trips = {}
        trips: _Trips = {}
        for wish in (wish for wish in wishes if wish.kind is WishKind.KEEP):
            index = next(iter(self._indices(wish.day, wish.crew, home)), None)
            tasks = frozenset(self._tasks[site_id] for site_id in wish.sites)
            if index is None or kept.get(index, tasks) != tasks:
                return None
            kept[index] = tasks
            trial = self._checked(trips, index, tasks) if index not in trips else trips
            if trial is None:
                return None
            trips = trial
        dated: list[_Demand] = []
        free: list[_Demand] = []
        runs: list[tuple[int, ...]] = []
        for wish in wishes:
            if wish.kind is WishKind.GO:
                runs.append(tuple(self._indices(wish.day, wish.crew, home)))
            elif wish.kind is WishKind.INCLUDE:
                for site_id in wish.sites:
                    options = tuple(self._indices(wish.day, "", home))
                    (free if wish.day is None else dated).append((self._tasks[site_id], options))
        for row in self.season.wanted.before:
            options = tuple(i for i in self._indices(None, "", home) if self.season.days[i].day in row.days)
            free.append((row.site, options))
        demands = [*dated, *((None, indices) for indices in sorted(runs, key=len)), *free]
        return self._fill(trips, frozenset(kept), demands)

    def _indices(self, day: date | None, crew: str, home: tuple[Wish, ...]) -> Iterator[int]:
        """Yield the crew-dates that a wish may use, dates in order."""
        season = self.season
        for index, one in enumerate(season.days):
            name, when = season.fleet.crews[one.crew].name, season.date_of(one.day)
            if day in (None, when) and crew in ("", name) and not any(w.forbids(name, when) for w in home):
                yield index

    def _fill(self, trips: _Trips, kept: frozenset[int], demands: list[_Demand]) -> _Trips | None:
        """Meet the demands one after the other, going back where one cannot be met."""
        if not demands:
            return trips if self.loose or self._all_out(trips) else None
        (task, options), rest = demands[0], demands[1:]
        if any(index in trips if task is None else task in trips.get(index, ()) for index in options):
            return self._fill(trips, kept, rest)
        for index in sorted(options, key=lambda i: (i not in trips, i)):
            spans = self.season.days[index].spans
            for s in sorted(self._due.intersection(spans)) if task is None else (task,):
                if index in kept or s not in spans:
                    continue
                self._steps += 1
                if self._steps > _MOST_STEPS:
                    self.sure = False
                    return None
                trial = self._checked(trips, index, trips.get(index, frozenset()) | {s})
                found = None if trial is None else self._fill(trial, kept, rest)
                if found is not None:
                    return found
        return None

    def _checked(self, trips: _Trips, index: int, visits: frozenset[int]) -> _Trips | None:
        """Return the trips with this one; None where it does not fit, clashes, or the shelf runs short."""
        season = self.season
        day = season.days[index]
        if any(other in trips for other in season.conflicts[index]):
            return None
        for other, there in trips.items():
            if other != index and there & visits and season.days[other].day == day.day:
                return None
        if not self.book.fits(index, visits):
            return None
        trial = {**trips, index: visits}
        for s in visits:
            when = sorted(season.days[i].day for i, there in trial.items() if s in there)
            if self._is_senseless(s, when):
                return None
        short = self._surely_short(trial) if self.loose else self._short(trial)
        return None if short else trial

    def _is_senseless(self, s: int, when: list[int]) -> bool:
        """Tell whether some visit can do nothing: after taking in, or a second one that could not swap."""
        task = self.season.tasks[s]
        taken = [day for day in when if task.takes_in(day)]
        swaps = self._may_swap(s) if self.loose else task.swaps
        idle = any(not task.takes_in(day) and not swaps[day] for day in when[1:])
        never_out = task.at_home and any(day <= task.surely_first for day in taken)
        return len(taken) > 1 or idle or never_out

    def _may_swap(self, s: int) -> NDArray[np.bool_]:
        """Tell on which days a fresh pack lasts no less than the one there today."""
        if s not in self._fresh:
            site_id = self.season.tasks[s].site.site_id
            in_place = self.outlook.sites[site_id].swap_by.toordinal()
            self._fresh[s] = np.asarray(self.outlook.renewals[site_id].swap_by) >= in_place
        return self._fresh[s]

    def _all_out(self, trips: _Trips) -> bool:
        """Tell whether every device that is taken in stands there, or is set out before."""
        season = self.season
        for s in {s for visits in trips.values() for s in visits if season.tasks[s].at_home}:
            days = [season.days[i].day for i, there in trips.items() if s in there]
            if all(season.tasks[s].takes_in(day) for day in days):
                return False
        return True

    def _short(self, trips: _Trips) -> bool:
        season = self.season
        return bool(play_shelf(season.fleet, season.first, *shelf_moves(season, trips)).shortages)

    def _surely_short(self, trips: _Trips) -> bool:
        """Tell whether the shelf cannot feed trips, whatever other trips bring or take."""
        season = self.season
        paying = {
            index: frozenset(s for s in visits if season.tasks[s].pays[season.days[index].day])
            for index, visits in trips.items()
        }
        for row in self._stock:
            taken = sum(
                season.tasks[s].site.pack_type == row.pack_type
                for index, visits in paying.items()
                if row.first <= season.days[index].day <= row.last
                for s in visits
            )
            if taken > row.cap:
                return True
        fleet = season.fleet
        last = max((season.days[index].day for index, visits in paying.items() if visits), default=0)
        # a swap brings back one pack of the same type at most, so that others on top feed no more; and a
        # single charger for a single type has no choice
        fetched = any(day < last for _, day in season.fetched)
        if fetched or fleet.odd_returns or len(fleet.chargers) > 1:
            return False
        if not fleet.chargers:
            return self._short(paying)
        (charger,) = fleet.chargers
        if len(charger.types) > 1:
            return False
        swaps, returns = swaps_and_returns(fleet, *shelf_moves(season, paying))
        return any(
            name not in charger.types or charged_at_best(fleet, season.first, charger, back, day) < count
            for name, went in swaps.items()
            for back in (returns.get(name, {}),)
            for day in went
            for count in (sum(n for d, n in went.items() if d <= day) - fleet.charged_on_shelf(name),)
            if count > 0
        )


def _with_sure_first_visits(season: Season) -> Season:
    """Find the day up to which each visit of a site is its first, since no earlier one can do the jobs."""
    tasks = tuple(replace(task, surely_first=season.last_day) for task in season.tasks)
    book = MayFit(replace(season, tasks=tasks, _loops={}, _tables={}))
    first: dict[int, int] = {}
    for index, day in enumerate(season.days):
        for s in day.spans:
            task = season.tasks[s]
            if s in first or day.day not in task.possible or (task.at_home and task.takes_in(day.day)):
                continue
            if book.fits(index, (s,)):
                first[s] = day.day
    return replace(
        season,
        tasks=tuple(
            replace(task, surely_first=first.get(s, season.last_day)) for s, task in enumerate(season.tasks)
        ),
        _loops={},
        _tables={},
    )
