"""
A large season searched and bounded part by part.

Each part searches its own trips while those of the others stay as they are; the shelf gives it what the
others leave. What is found is a plan of the whole at every moment. For the bound each part generates
trips as if the shelf were its own. The whole's linear programme begins with the trips of all; its pricing
takes every crew's trips on all sites that it can reach, whichever part they belong to, so that the bound
holds where bases overlap.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

from tripplan.plan.clock import Clock
from tripplan.plan.master import Master
from tripplan.plan.part_search import PartJudge, PartSearch
from tripplan.plan.parts import Part, base_parts
from tripplan.plan.pricing import Pricer
from tripplan.plan.rows import SpanRow, StockRow
from tripplan.plan.search import Search
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Moves, Trips, shelf_moves
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.trips import TripBook
from tripplan.plan.workers import at_once, in_order

__all__ = ["Parts"]

_GoOn = Callable[[], bool]

_FEWEST_PARTS = 2
_TIME_PART = 0.4
"""Part of the time then left in which the parts save crew time."""

_PAIR = 2
"""Parts that save crew time beside what the others did before."""

_AT_ONCE = 4
"""Parts that search beside what the others did before; as many at the same moment as there are cores."""


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
            judge = PartJudge(part.season, own, book)
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

    def fill(self, turns: int, offer: Callable[[Trips], object], go_on: _GoOn) -> None:
        """
        Look for plans that miss less, each part beside the others on the whole shelf, until that fails.

        Parameters
        ----------
        turns : int
            Turns of each try.
        offer : callable
            Gets the trips of the whole after each round.
        go_on : callable
            False stops.
        """

        def fill(k: int, still: _GoOn) -> bool:
            return self.parts[k].fill(turns, still)

        left = list(range(len(self.parts)))
        while left and go_on():
            for k, better in list(self._beside_others(left[:_AT_ONCE], fill, go_on, shared=False)):
                left.remove(k)
                if better:
                    left.append(k)
            offer(self.trips)

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
        Look for fewer trips in some parts at once, then in the next, round after round.

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

        def improve(k: int, still: _GoOn) -> bool:
            return self.parts[k].improve(turns, still)

        failed = [0] * len(self.parts)
        while go_on() and any(count < misses for count in failed):
            still = [k for k, count in enumerate(failed) if count < misses]
            for k in range(0, len(still), _AT_ONCE):
                if not go_on():
                    break
                for j, better in self._beside_others(still[k : k + _AT_ONCE], improve, go_on, shared=shared):
                    failed[j] = 0 if better else failed[j] + 1
                    if better:
                        offer(self.trips)

    def _beside_others(
        self, some: Sequence[int], work: Callable[[int, _GoOn], bool], go_on: _GoOn, *, shared: bool
    ) -> Iterator[tuple[int, bool]]:
        """
        Improve some parts at once, each beside what the others did before.

        What a later one found is mended where the shelf cannot feed it beside what an earlier one found, and
        dropped where that leaves nothing better.
        """
        searches = [self.parts[k].search for k in some]
        if not shared:
            for k in some:
                self._meet(k)
        before = [(search.best, search.value) for search in searches]
        ended = list[bool]()  # an interrupt stops all at once
        found = list(
            in_order(
                lambda k: work(k, lambda: not ended and go_on()),
                some,
                on_end=lambda: ended.append(True),
            )
        )
        after = [(search.best, search.value) for search in searches]
        for search, was in zip(searches, before, strict=True):
            search.best, search.value = was
        for k, found_better, was, now in zip(some, found, before, after, strict=True):
            one, better = self.parts[k], found_better
            one.search.best, one.search.value = now
            if better and not shared and one.judge.shortages_beside(self._outside(k), one.search.best):
                self._meet(k)
                value = one.search.value
                better = value is not None and was[1] is not None and value < was[1]
                if not better:
                    one.search.best, one.search.value = was
            yield k, better

    def save_time(
        self, start: Trips, passes: int, nodes: int, offer: Callable[[Trips], object], clock: Clock
    ) -> None:
        """
        Save crew time in some parts at once, then in the next.

        Parameters
        ----------
        start : mapping of int to frozenset of int
            The best trips of the whole.
        passes : int
            Passes of small moves over each part.
        nodes : int
            Nodes of each choice of trips.
        offer : callable
            Gets the trips of the whole after each part that became better.
        clock : Clock
            Tells whether to go on; the parts share some of what is left, the bound gets the rest.
        """
        end = clock.with_part_of_rest(_TIME_PART)
        for one in self.parts:
            one.search.offer(one.inside(start))
        size, n = _PAIR, len(self.parts)
        groups = [range(k, min(k + size, n)) for k in range(0, n, size)]
        for number, group in enumerate(groups):
            used = clock.with_part_of_rest(0.0)
            share = end if clock.time_limit_s is None else used + (end - used) / (len(groups) - number)
            left = partial(clock.left, share)

            def save(k: int, still: _GoOn, left: Callable[[], float | None] = left) -> bool:
                return self.parts[k].save_time(passes, nodes, still, left)

            for _, better in self._beside_others(group, save, partial(clock.go_on, share), shared=False):
                if better:
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
        Generate trips part by part for the whole.

        Where the parts' bounds add up, each part is bounded too, and each bound rounded up. Elsewhere exact
        pricing is left to the whole.

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
        size, n = at_once(), len(self.parts)
        groups = [range(k, min(k + size, n)) for k in range(0, n, size)]
        for number, group in enumerate(groups):
            for k in group:
                one, search = self.parts[k], known.parts[k].search
                for index, visits in search.best.items():
                    one.master.add(index, tuple(sorted(visits)), usable=True)
                for (index, visits), _ in search.known():
                    one.master.add(index, tuple(sorted(visits)), usable=True)
            until = partial(go_on, begun + (end - begun) * (number + 1) / len(groups))
            self._generate(group, rounds if self.add_up(whole) else 0, until)
        for k, one in enumerate(self.parts):
            if not one.part.season.wanted.must_run and not one.part.season.wanted.kept:
                known.parts[k].drawn_from = one.master
            for column in one.master.nearly_worth_while():
                trip = tuple(one.part.tasks[s] for s in column.visits)
                whole.add(one.part.days[column.index], trip, usable=column.usable)
        if self.add_up(whole):
            whole.least = max(whole.least, sum(one.master.whole_bound for one in self.parts))
            report()

    def add_up(self, whole: Master) -> bool:
        """
        Tell whether the parts' bounds add up: no site is reached from two, and no site may be late.

        Parameters
        ----------
        whole : Master
            The whole's linear programme.

        Returns
        -------
        bool
            False where one of several sites may be late, whichever it is: then no part has to fill all its
            windows.
        """
        return self.apart and not whole.forgiven

    def _generate(self, some: Sequence[int], rounds: int, go_on: Callable[[], bool]) -> None:
        """Generate trips in some parts at once."""
        ended = list[bool]()  # an interrupt stops all at once

        def generate(k: int) -> None:
            still = partial(_either, ended, go_on)
            self.parts[k].master.generate(rounds, go_on=still, report=_nothing)

        for _ in in_order(generate, some, on_end=lambda: ended.append(True)):
            pass

    @cached_property
    def apart(self) -> bool:
        """Whether no site can be reached by crews of two parts."""
        part_of = {i: k for k, one in enumerate(self.parts) for i in one.part.days}
        seen: dict[int, set[int]] = {}
        for i, day in enumerate(self.season.days):
            for s in day.spans:
                seen.setdefault(s, set()).add(part_of.get(i, -1 - i))
        return all(len(by) == 1 for by in seen.values())


def _either(ended: list[bool], go_on: Callable[[], bool]) -> bool:
    return not ended and go_on()


def _nothing() -> None:
    pass


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
