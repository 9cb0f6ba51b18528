"""
A large season searched and bounded part by part.

Each part searches its own trips while those of the others stay as they are; the shelf gives it what the
others leave. What is found is a plan of the whole at every moment. For the bound each part generates
trips as if the shelf were its own. The whole's linear programme begins with the trips of all; its pricing
takes every crew's trips on all sites that it can reach, whichever part they belong to, so that the bound
holds where bases overlap.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.charging import Shortage, play_shelf
from tripplan.plan.master import Master
from tripplan.plan.parts import Part, base_parts
from tripplan.plan.polish import polish
from tripplan.plan.pricing import Pricer
from tripplan.plan.rows import SpanRow, StockRow
from tripplan.plan.sampling import sample_trips
from tripplan.plan.search import Search
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, Moves, Trips, shelf_moves
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.trips import TripBook
from tripplan.plan.workers import in_order

__all__ = ["PartSearch", "Parts"]

_MORE_IF_LATE = 3
_MEND_TURNS = 20_000
_MOST_PATIENCE = 8
"""With each failure a search for fewer trips takes more turns, up to so many times as many."""

_FEWEST_PARTS = 2
_AT_ONCE = 2


class _PartJudge(Judge):
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
    """

    part: Part
    rows: tuple[Window, ...]
    row_at: tuple[int, ...]
    stock: tuple[StockRow, ...]
    judge: _PartJudge
    search: Search
    squeezer: Squeeze
    master: Master
    drawn_from: Master | None = None
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
        self.squeezer.renew(tuple(replace(row, cap=row.cap - used_in(row, taken)) for row in self.stock))
        if not search.best or not judge.shortages(search.best):
            return
        before, trips = len(search.best), search.best
        search.best, search.value = {}, None
        search.offer({})
        seed = int(search.random.integers(1 << 30))
        found = self.squeezer.fewer(trips, before + _MORE_IF_LATE, _MEND_TURNS, seed, go_on)
        if not self._taken(found):
            search.offer(search.thinned(trips))

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
        """Look for a plan that misses less, or for one trip fewer; tell whether it was found."""
        search = self.search
        if search.value is None or not search.best:
            return False
        seed = int(search.random.integers(1 << 30))
        missed = len(self.judge.missed(search.best))
        if missed and missed != self._stuck_at:
            most = search.value.trips + _MORE_IF_LATE
            found = self.squeezer.fewer(search.best, most, turns, seed, go_on, every=True, partly=True)
            if self._taken(found):
                return True
            self._stuck_at = missed  # what cannot be filled is left; fewer trips are sought for the rest
        if search.value.trips < _FEWEST_PARTS:
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


@dataclass
class Parts:
    """All parts of a season."""

    season: Season
    parts: tuple[PartSearch, ...]
    go_on: Callable[[], bool]

    @classmethod
    def of(
        cls,
        season: Season,
        rows: tuple[Window, ...],
        stock: tuple[StockRow, ...],
        seed: int,
        go_on: Callable[[], bool],
    ) -> Parts:
        """
        Split a season and get the searches ready.

        Parameters
        ----------
        season : Season
            The whole.
        rows : tuple of Window
            Its windows.
        stock : tuple of StockRow
            What the whole shelf can give.
        seed : int
            Seed of every part.
        go_on : callable
            False stops.

        Returns
        -------
        Parts
            Empty where there is one part only, or a wish speaks of several.
        """
        found = []
        cut = base_parts(season)
        if len(cut) < _FEWEST_PARTS or _across(season, cut):
            return cls(season, (), go_on)
        for part in cut:
            at = tuple(r for r, row in enumerate(rows) if row.site in part.task_at)
            own = tuple(Window(part.task_at[rows[r].site], rows[r].days, rows[r].stretched) for r in at)
            spans = tuple(
                SpanRow(frozenset(indices), least=1) for indices in part.season.wanted.must_run if indices
            )
            book, pricer = TripBook(part.season), Pricer(part.season)
            judge = _PartJudge(part.season, own, book)
            master = Master(part.season, own, stock, book, pricer, spans)
            search = Search(part.season, own, book, pricer, judge, master, seed, go_on, lambda: None)
            squeezer = Squeeze(part.season, own, stock, judge.shortages)
            found.append(PartSearch(part, own, at, stock, judge, search, squeezer, master))
        return cls(season, tuple(found), go_on)

    @property
    def trips(self) -> dict[int, frozenset[int]]:
        """The best trips of all parts, in the numbers of the whole."""
        return {index: visits for one in self.parts for index, visits in one.trips.items()}

    def _outside(self, k: int) -> Moves:
        """Return what all parts but one take from the shelf and bring to it."""
        others = {i: v for j, one in enumerate(self.parts) if j != k for i, v in one.trips.items()}
        return shelf_moves(self.season, others)

    def _meet(self, k: int) -> None:
        self.parts[k].meet(self._outside(k), self.go_on)

    def build(self, start: Trips, turns: int) -> None:
        """
        Build each part's first plan, on its share of the shelf.

        Parameters
        ----------
        start : mapping of int to frozenset of int
            Trips of the whole to begin with.
        turns : int
            Turns of the search in each part.
        """
        for one in self.parts:
            one.share(self.season)
            one.begin(one.inside(start), turns, self.go_on)

    def squeeze(
        self,
        misses: int,
        turns: int,
        offer: Callable[[Trips], object],
        go_on: Callable[[], bool],
        *,
        shared: bool,
    ) -> None:
        """
        Look for fewer trips in two parts at once, one pair after the other.

        Parameters
        ----------
        misses : int
            Failed tries in a row in each part at which to leave it.
        turns : int
            Turns of each try.
        offer : callable
            Gets the trips of the whole after each try that succeeded.
        go_on : callable
            False stops.
        shared : bool
            Whether each part still keeps to its share of the shelf.
        """
        failed = [0] * len(self.parts)
        while go_on() and any(count < misses for count in failed):
            still = [k for k, count in enumerate(failed) if count < misses]
            for k in range(0, len(still), _AT_ONCE):
                if not go_on():
                    break
                for j, better in self._improved(still[k : k + _AT_ONCE], turns, go_on, shared=shared):
                    failed[j] = 0 if better else failed[j] + 1
                    if better:
                        offer(self.trips)

    def _improved(
        self, some: Sequence[int], turns: int, go_on: Callable[[], bool], *, shared: bool
    ) -> Iterator[tuple[int, bool]]:
        """
        Look for fewer trips in some parts at once, each beside what the others did before.

        What a later one found is dropped where the shelf cannot feed it beside what an earlier one found.
        """
        searches = [self.parts[k].search for k in some]
        if not shared:
            for k in some:
                self._meet(k)
        before = [(search.best, search.value) for search in searches]
        ended = list[bool]()  # an interrupt stops both at once
        found = list(
            in_order(
                lambda k: self.parts[k].improve(turns, lambda: not ended and go_on()),
                some,
                on_end=lambda: ended.append(True),
            )
        )
        after = [(search.best, search.value) for search in searches]
        for search, was in zip(searches, before, strict=True):
            search.best, search.value = was
        for k, better, was, now in zip(some, found, before, after, strict=True):
            one = self.parts[k]
            one.search.best, one.search.value = now
            if better and not shared and one.judge.shortages_beside(self._outside(k), one.search.best):
                one.search.best, one.search.value = was
                yield k, False
            else:
                yield k, better

    def polish(self, start: Trips, passes: int, offer: Callable[[Trips], object]) -> None:
        """
        Save crew time in each part.

        Parameters
        ----------
        start : mapping of int to frozenset of int
            The best trips of the whole.
        passes : int
            Passes over each part.
        offer : callable
            Gets the trips of the whole after each part.
        """
        for k, one in enumerate(self.parts):
            self._meet(k)
            one.search.offer(one.inside(start))
            polish(one.search, passes)
            offer(self.trips)

    def bound(
        self,
        whole: Master,
        rounds: int,
        go_on: Callable[[float], bool],
        shares: tuple[float, float],
        report: Callable[[], None],
        known: Parts,
    ) -> None:
        """
        Generate trips part by part for the whole; add the bounds up where no site is reached from two bases.

        Parameters
        ----------
        whole : Master
            The whole's linear programme; gets the trips.
        rounds : int
            Exact pricing rounds in each part at the most.
        go_on : callable
            Tells whether less than a share of the time is used up.
        shares : tuple of float
            Shares of the time used up already, and by which the last part has to end.
        report : callable
            Called once the bounds have been added up, where they may be.
        known : Parts
            The same parts with the trips found so far; perhaps for other windows.
        """
        begun, end = shares
        total = 0
        for k, one in enumerate(self.parts):
            search = known.parts[k].search
            for index, visits in search.best.items():
                one.master.add(index, tuple(sorted(visits)), usable=True)
            for (index, visits), _ in search.known():
                one.master.add(index, tuple(sorted(visits)), usable=True)
            until = partial(go_on, begun + (end - begun) * (k + 1) / len(self.parts))
            one.master.generate(rounds, go_on=until, report=lambda: None)
            if not one.part.season.wanted.must_run and not one.part.season.wanted.kept:
                known.parts[k].drawn_from = one.master
            total += one.master.whole_bound
            for column in one.master.columns:
                trip = tuple(one.part.tasks[s] for s in column.visits)
                whole.add(one.part.days[column.index], trip, usable=column.usable)
        if not self._shared():
            whole.least = max(whole.least, total)
            report()

    def _shared(self) -> bool:
        """Tell whether some site can be reached by crews of two parts."""
        part_of = {i: k for k, one in enumerate(self.parts) for i in one.part.days}
        seen: dict[int, set[int]] = {}
        for i, day in enumerate(self.season.days):
            for s in day.spans:
                seen.setdefault(s, set()).add(part_of.get(i, -1 - i))
        return any(len(by) > 1 for by in seen.values())


def _across(season: Season, parts: tuple[Part, ...]) -> bool:
    """Tell whether a wish speaks of more than one part."""
    whole, inside = season.wanted, [part.season.wanted for part in parts]
    return any(
        len(every) != sum(len(some) for some in found)
        for every, found in (
            (whole.must_run, [one.must_run for one in inside]),
            (whole.must_visit, [one.must_visit for one in inside]),
            (whole.kept, [one.kept for one in inside]),
        )
    )
