"""
Near plans, and the first months of one spliced to the last months of another.

A search for fewer trips that fails ends with as many trips as were asked for and some windows left open. Two
such plans are cut at the same date, and the trips of the one before it run with those of the other after it:
a window that spans the cut is filled by either, so that a splice often leaves hardly more open than the
better of its parents, and what is good in the spring of one meets what is good in the autumn of the other.
A search from there keeps to the dates of both. (One-point crossover with local search, as in memetic
algorithms [1]_; the cut is the best of all.)

References
----------
.. [1] P. Moscato and C. Cotta, "A modern introduction to memetic algorithms," in Handbook of Metaheuristics,
   2nd ed., Springer, 2010, pp. 141-183.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Trips

__all__ = ["NearPlans", "Splice"]

_MOST = 30
"""Near plans kept."""

_FEWEST = 6
"""Near plans from which splicing begins."""

_ALIKE = 0.8
"""Of two plans that share so large a part of all their visits the one with fewer open windows is kept."""

_LEAST_SHARE = 0.2
"""Share of the trips that either parent gives at least."""

_BEST_SPLICES = 8
"""Splices not tried yet, those with the fewest open windows, among which chance decides."""

_NEVER = np.iinfo(np.int32).max


@dataclass(frozen=True)
class Splice:
    """
    Trips of two plans, cut at one date.

    Attributes
    ----------
    trips : mapping of int to frozenset of int
        Visits by day index.
    dates : tuple of int
        Day indices on which either plan runs a trip, ascending.
    n_open : int
        Windows that the trips leave open.
    """

    trips: dict[int, frozenset[int]]
    dates: tuple[int, ...]
    n_open: int


@dataclass(frozen=True)
class _Near:
    """A plan, by window the first and the last day of a visit in it, and the days of its trips."""

    number: int
    trips: dict[int, frozenset[int]]
    visits: frozenset[tuple[int, int]]
    first: NDArray[np.int32]
    last: NDArray[np.int32]
    days: NDArray[np.int64]

    @property
    def n_open(self) -> int:
        return int((self.last < 0).sum())


@dataclass
class NearPlans:
    """
    The best plans with windows left open that searches for fewer trips ended with, no two much alike.

    Attributes
    ----------
    season : Season
        The problem.
    rows : sequence of Window
        Windows to fill.
    """

    season: Season
    rows: Sequence[Window]
    _kept: list[_Near] = field(default_factory=list)
    _tried: set[tuple[int, int]] = field(default_factory=set)
    _count: int = 0

    def __post_init__(self) -> None:
        self._rows_at: dict[tuple[int, int], list[int]] = {}
        for r, row in enumerate(self.rows):
            for day in row.days:
                self._rows_at.setdefault((day, row.site), []).append(r)
        days = sorted({day.day for day in self.season.days if day.spans})
        self._cuts = np.array(days[1:], np.int64)

    def __len__(self) -> int:
        return len(self._kept)

    def take(self, trips: Trips) -> int:
        """
        Take in what a search ended with, unless one much like it leaves no more windows open.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index.

        Returns
        -------
        int
            Windows that it leaves open.
        """
        days = self.season.days
        visits = frozenset((days[i].day, s) for i, chosen in trips.items() for s in chosen)
        first = np.full(len(self.rows), _NEVER, np.int32)
        last = np.full(len(self.rows), -1, np.int32)
        for visit in visits:
            filled = self._rows_at.get(visit, [])
            first[filled] = np.minimum(first[filled], visit[0])
            last[filled] = np.maximum(last[filled], visit[0])
        of_trips = np.array(sorted(days[i].day for i in trips), np.int64)
        near = _Near(self._count, dict(trips), visits, first, last, of_trips)
        self._count += 1
        alike = [one for one in self._kept if len(one.visits & visits) > _ALIKE * len(one.visits | visits)]
        if all(one.n_open > near.n_open for one in alike):
            kept = [one for one in self._kept if one not in alike]
            self._kept = sorted([*kept, near], key=lambda one: (one.n_open, one.number))[:_MOST]
        return near.n_open

    def splices(self, most: int, count: int, random: np.random.Generator) -> list[Splice]:
        """
        Splice plans in ways not tried before.

        Parameters
        ----------
        most : int
            Trips at the most.
        count : int
            Splices wanted; fewer where there are not so many.
        random : numpy.random.Generator
            For the choice among the best.

        Returns
        -------
        list of Splice
            Of two plans the splice with the fewest open windows. Empty while few plans are known.
        """
        if len(self._kept) < _FEWEST or not len(self._cuts):
            return []
        before = np.array([np.searchsorted(one.days, self._cuts) for one in self._kept])
        after = np.array([len(one.days) for one in self._kept])[:, None] - before
        least = _LEAST_SHARE * most
        may = (before[:, None] >= least) & (after >= least) & (before[:, None] + after <= most)
        n_open = np.where(may, self._open_if_joined(), _NEVER)
        cut = n_open.argmin(axis=2)
        found = [
            (int(n_open[x, y, cut[x, y]]), float(random.random()), x, y)
            for x, one in enumerate(self._kept)
            for y, other in enumerate(self._kept)
            if x != y and may[x, y].any() and (one.number, other.number) not in self._tried
        ]
        best = sorted(found)[:_BEST_SPLICES]
        chosen = [best[int(k)] for k in random.permutation(len(best))[:count]]
        for _, _, x, y in chosen:
            self._tried.add((self._kept[x].number, self._kept[y].number))
        return [self._splice(x, y, int(self._cuts[cut[x, y]]), n) for n, _, x, y in chosen]

    def _open_if_joined(self) -> NDArray[np.int64]:
        """Return the windows left open, by plan before, plan after and cut."""
        first = np.array([one.first for one in self._kept])
        last = np.array([one.last for one in self._kept])
        # exact, and fast, as sums of ones
        products = [
            (first >= cut).astype(np.float32) @ (last < cut).T.astype(np.float32) for cut in self._cuts
        ]
        return np.stack(products, axis=2).astype(np.int64)

    def _splice(self, x: int, y: int, cut: int, n_open: int) -> Splice:
        days, one, other = self.season.days, self._kept[x].trips, self._kept[y].trips
        trips = {i: visits for i, visits in one.items() if days[i].day < cut}
        trips |= {i: visits for i, visits in other.items() if days[i].day >= cut}
        return Splice(trips, tuple(sorted({*one, *other})), n_open)
