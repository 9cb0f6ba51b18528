"""The search in one part of a large season, beside what the other parts take from the shelf."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.charging import Shortage, play_shelf
from tripplan.plan.least_time import shorten
from tripplan.plan.master import Master
from tripplan.plan.parts import Part
from tripplan.plan.polish import polish
from tripplan.plan.rows import StockRow
from tripplan.plan.sampling import sample_trips
from tripplan.plan.search import Search
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, Moves, Trips, shelf_moves
from tripplan.plan.squeeze import Squeeze

__all__ = ["PartJudge", "PartSearch"]

_MORE_IF_LATE = 3
_MEND_TURNS = 20_000
_MOST_PATIENCE = 8
"""With each failure a search for fewer trips takes more turns, up to so many times as many."""

_FEWEST_TRIPS = 2


class PartJudge(Judge):
    """
    Values a part's trips; the shelf also feeds what the other parts do.

    Attributes
    ----------
    outside : three lists of (int, Site)
        What the other parts take from the shelf and bring to it.
    share : tuple of StockRow or None
        Where given, a part's share of the shelf, which then stands for the shelf itself.
    """

    outside: Moves = ([], [], [])
    share: tuple[StockRow, ...] | None = None

    def shortages(self, trips: Trips) -> tuple[Shortage, ...]:
        """Return where the shelf, or the share of it, runs short."""
        if self.share is not None:
            moves = shelf_moves(self.season, trips)
            taken = taken_by_day(moves, self.season.n_days)
            over = [(row, used_in(row, taken) - row.cap) for row in self.share]
            short = [Shortage(row.pack_type, row.last, more) for row, more in over if more > 0]
            return tuple(sorted(short, key=lambda one: (one.day, one.pack_type)))
        return self.shortages_beside(self.outside, trips)

    def shortages_beside(self, outside: Moves, trips: Trips) -> tuple[Shortage, ...]:
        """Return where the whole shelf runs short of what these trips and the other parts take."""
        moves = shelf_moves(self.season, trips)
        swapped, set_out, taken_in = (own + other for own, other in zip(moves, outside, strict=True))
        return play_shelf(self.season.fleet, self.season.first, swapped, set_out, taken_in).shortages


def taken_by_day(moves: Moves, n_days: int) -> dict[str, NDArray[np.int64]]:
    """Return for each pack type the packs taken from the shelf before each day, shape (n_days + 1,)."""
    taken: dict[str, NDArray[np.int64]] = {}
    for day, site in moves[0] + moves[1]:
        taken.setdefault(site.pack_type, np.zeros(n_days + 1, np.int64))[day + 1] += 1
    return {name: counts.cumsum() for name, counts in taken.items()}


def used_in(row: StockRow, taken: dict[str, NDArray[np.int64]]) -> int:
    """Return the packs that a row counts."""
    total = taken.get(row.pack_type)
    return 0 if total is None else int(total[row.last + 1] - total[row.first])


@dataclass
class PartSearch:
    """
    The search in one part.

    Attributes
    ----------
    part : Part
        The part.
    rows : tuple of Window
        Its windows, in its own numbers.
    row_at : tuple of int
        Their numbers among the windows of the whole.
    judge, search, squeezer, master
        As for a whole season.
    drawn_from : Master or None
        A solved linear programme; every other search for fewer trips begins with trips drawn from it.
    room : tuple of StockRow
        What the shelf can give beside the other parts, as it was when last looked at.
    """

    part: Part
    rows: tuple[Window, ...]
    row_at: tuple[int, ...]
    stock: tuple[StockRow, ...]
    judge: PartJudge
    search: Search
    squeezer: Squeeze
    master: Master
    drawn_from: Master | None = None
    room: tuple[StockRow, ...] = ()
    _stuck_at: int = 0
    _failed: int = 0

    @property
    def trips(self) -> dict[int, frozenset[int]]:
        """The best trips, in the numbers of the whole."""
        tasks, days = self.part.tasks, self.part.days
        return {days[i]: frozenset(tasks[s] for s in visits) for i, visits in self.search.best.items()}

    def inside(self, trips: Trips) -> dict[int, frozenset[int]]:
        """Return those trips of the whole that lie in the part, in its own numbers."""
        tasks, days = self.part.task_at, self.part.day_at
        return {
            days[i]: frozenset(tasks[s] for s in visits)
            for i, visits in trips.items()
            if i in days and all(s in tasks for s in visits)
        }

    def share(self, whole: Season) -> None:
        """Go by a share of the shelf, as large as the part's share of the whole's sites of each pack type."""
        here, there = (Counter(task.site.pack_type for task in s.tasks) for s in (self.part.season, whole))
        rows = (replace(row, cap=row.cap * here[row.pack_type] // there[row.pack_type]) for row in self.stock)
        self.judge.share = tuple(rows)
        self.squeezer.renew(self.judge.share)

    def meet(self, outside: Moves, go_on: Callable[[], bool]) -> None:
        """
        Go by the whole shelf, from which the other parts take.

        Parameters
        ----------
        outside : three lists of (int, Site)
            What they take from the shelf and bring to it.
        go_on : callable
            False stops the mending of trips that the shelf cannot feed as it is.
        """
        search, judge = self.search, self.judge
        judge.outside, judge.share = outside, None
        taken = taken_by_day(outside, self.part.season.n_days)
        self.room = tuple(replace(row, cap=row.cap - used_in(row, taken)) for row in self.stock)
        self.squeezer.renew(self.room)
        if not search.best or not judge.shortages(search.best):
            return
        before, trips = len(search.best), search.best
        search.best, search.value = {}, None
        search.offer({})
        seed = int(search.random.integers(1 << 30))
        found = self.squeezer.fewer(trips, before + _MORE_IF_LATE, _MEND_TURNS, seed, go_on)
        if not self._taken(found):
            search.offer(search.tidy.thinned(trips))

    def begin(self, start: Trips, turns: int, go_on: Callable[[], bool]) -> None:
        """Fill the windows on any number of dates; what cannot be filled stays open."""
        search = self.search
        search.offer({})
        search.offer(start)
        seed = int(search.random.integers(1 << 30))
        most = len(self.part.days)
        found = self.squeezer.fewer(search.best, most, turns, seed, go_on, every=True, partly=True)
        if not self._taken(found):
            search.offer(search.build(start=search.best or None, whole=True))
        if start and self.judge.missed(search.best):
            # what fills all it can with few trips may leave no room for the rest
            self._taken(self.squeezer.fewer({}, most, turns, seed, go_on, every=True, partly=True))

    def improve(self, turns: int, go_on: Callable[[], bool]) -> bool:
        """Look for plans that miss less, or for fewer trips, until one fails; tell whether one was found."""
        found = False
        while go_on() and self._improve(turns, go_on):
            found = True
        return found

    def save_time(
        self,
        passes: int,
        nodes: int,
        go_on: Callable[[], bool],
        seconds_left: Callable[[], float | None],
    ) -> bool:
        """Look for less crew time with no more trips; tell whether it was found."""
        search, before = self.search, self.search.value
        polish(search, passes, go_on)
        if shorten(search, self.room, nodes=nodes, go_on=go_on, seconds_left=seconds_left):
            polish(search, passes, go_on)
        return search.value != before

    def fill(self, turns: int, go_on: Callable[[], bool]) -> bool:
        """Look for a plan that misses less, if need be in some more trips; tell whether one was found."""
        search = self.search
        missed = len(self.judge.missed(search.best))
        if search.value is None or not missed or missed == self._stuck_at:
            return False
        seed = int(search.random.integers(1 << 30))
        most = search.value.trips + _MORE_IF_LATE
        found = self.squeezer.fewer(search.best, most, turns, seed, go_on, every=True, partly=True)
        if self._taken(found):
            return True
        self._stuck_at = missed  # what cannot be filled is left; fewer trips are sought for the rest
        return False

    def _improve(self, turns: int, go_on: Callable[[], bool]) -> bool:
        """Look for a plan that misses less, or for one trip fewer."""
        search = self.search
        if search.value is None or not search.best:
            return False
        if self.fill(turns, go_on):
            return True
        seed = int(search.random.integers(1 << 30))
        if search.value.trips < _FEWEST_TRIPS:
            return False
        start: Trips = search.best
        if self.drawn_from is not None and self._failed % 2 == 0:
            start = sample_trips(self.drawn_from, search.random) or start
        patience = turns * min(_MOST_PATIENCE, 1 << self._failed)
        most = search.value.trips - 1
        found = self.squeezer.fewer(start, most, patience, seed, go_on, like=search.best)
        if self._taken(found):
            self._failed = 0
            return True
        self._failed += 1
        return False

    def _taken(self, found: Trips | None) -> bool:
        if found is None or not all(self.search.book.fits(i, visits) for i, visits in found.items()):
            return False
        for index, visits in found.items():
            self.search.remember(index, visits)
        return self.search.offer(found, thin=True)
