"""
The linear programme over trips, priced exactly, and the lower bound that it proves.

Columns are trips (a set of visits on one crew's date), rows the windows that must hold a visit, at
most one trip a crew and date, no two crews that share a person, and what the shelf can give by each
date. For any multipliers ``y >= 0`` of the windows and ``v >= 0`` of the stock rows, and any scale
``t`` in [0, 1], no plan needs fewer trips than

    t (sum y - sum v * cap) - sum over crew-dates of max(0, t * P - 1)

where P is the largest prize that a trip of that crew and date can collect [1]_. Only a complete
pricing gives P; a truncated one gives no bound.

References
----------
.. [1] M. E. Luebbecke and J. Desrosiers, "Selected topics in column generation," Operations
   Research 53(6), 1007-1023, 2005 (Lagrangian bound); A. A. Farley, "A note on bounding a class of
   linear programming problems," Operations Research 38(5), 922-923, 1990 (the scale t).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import highspy
import numpy as np
from numpy.typing import NDArray

from tripplan.plan.pricing import Pricer
from tripplan.plan.season import Season, Window
from tripplan.plan.trips import TripBook

__all__ = ["Column", "Master", "StockRow"]

_MISSED = 10.0
"""Cost of a window without a visit in the linear programme: far above any share of a trip."""

_MOST_NEAR = 7
_NEAR_VALUE = 0.85
"""Smoothing begins once the bound has come this near to the linear value; a poor centre misleads."""

_EPS = 1e-6
_ROUNDING = 1e-5


@dataclass(frozen=True)
class StockRow:
    """At most `cap` packs of a type swapped in on the days from `first` to `last`."""

    pack_type: str
    first: int
    last: int
    cap: int


@dataclass(frozen=True)
class Column:
    """A trip: day index, visits, and whether it can be planned (a relaxed one only bounds)."""

    index: int
    visits: tuple[int, ...]
    usable: bool


@dataclass
class Master:
    """Column generation for the fewest trips of a season."""

    season: Season
    rows: tuple[Window, ...]
    stock: tuple[StockRow, ...]
    book: TripBook
    pricer: Pricer
    columns: list[Column] = field(default_factory=list)
    bound: float = 0.0
    value: float = math.inf
    missed: float = 0.0
    rounds: int = 0
    near_parks: int = 3

    def __post_init__(self) -> None:
        season = self.season
        n = len(season.tasks)
        self._have: set[tuple[int, frozenset[int]]] = set()
        self._shapes: dict[frozenset[int], int] = {}
        self._members: list[NDArray[np.float64]] = []
        self._lp: Any = highspy.Highs()  # type: ignore[no-untyped-call]
        self._lp.silent()
        self._lp.setOptionValue("threads", 1)
        none_i, none_d = np.array([], np.int32), np.array([], np.float64)
        for _ in self.rows:
            self._lp.addRow(1.0, highspy.kHighsInf, 0, none_i, none_d)
        self._cliques = _cliques(season)
        self._clique_rows: dict[int, list[int]] = {}
        at = len(self.rows)
        for clique in self._cliques:
            self._lp.addRow(-highspy.kHighsInf, 1.0, 0, none_i, none_d)
            for index in clique:
                self._clique_rows.setdefault(index, []).append(at)
            at += 1
        self._stock_rows: dict[str, list[tuple[int, int, int]]] = {}
        for row in self.stock:
            self._lp.addRow(-highspy.kHighsInf, float(row.cap), 0, none_i, none_d)
            self._stock_rows.setdefault(row.pack_type, []).append((row.first, row.last, at))
            at += 1
        self._n_rows = at
        self.rows_at: list[dict[int, list[int]]] = [{} for _ in range(n)]
        flat_row, flat_day, flat_site = [], [], []
        for r, window in enumerate(self.rows):
            for d in window.days:
                self.rows_at[window.site].setdefault(d, []).append(r)
                flat_row.append(r)
                flat_day.append(d)
                flat_site.append(window.site)
            self._lp.addCol(_MISSED, 0.0, 1.0, 1, np.array([r], np.int32), np.array([1.0]))
        self._n_slack = len(self.rows)
        self._flat = (np.array(flat_row), np.array(flat_day), np.array(flat_site))
        self._groups = self._twin_days()
        self._center: NDArray[np.float64] | None = None
        self._prices: list[tuple[tuple[int, ...], NDArray[np.float64]]] = []

    def _twin_days(self) -> list[list[int]]:
        """Group neighbouring dates of one crew whose loops are the same but for daylight."""
        groups: dict[object, list[int]] = {}
        for index, day in enumerate(self.season.days):
            if not day.spans:
                continue
            table = self.season.loop_table(index, loose=True)
            key = (
                day.crew,
                day.day // 7 if all(v is None for v in day.spans.values()) else -1 - index,
                table.member.tobytes(),
                table.d.tobytes(),
                table.packs.tobytes(),
            )
            groups.setdefault(key, []).append(index)
        return list(groups.values())

    def add(self, index: int, visits: tuple[int, ...], *, usable: bool) -> bool:
        """
        Add a trip as a column.

        Parameters
        ----------
        index : int
            Day index.
        visits : tuple of int
            Task indices; one that stands twice counts twice (relaxed trips only).
        usable : bool
            Whether the trip can be planned as it is.

        Returns
        -------
        bool
            False where it was there already or covers nothing.
        """
        key = (index, frozenset(visits))
        if key in self._have or not visits:
            return False
        day = self.season.days[index].day
        weights: dict[int, float] = {}
        for s in visits:
            for r in self.rows_at[s].get(day, ()):
                weights[r] = weights.get(r, 0.0) + 1.0
        if not weights:
            return False
        for row in self._clique_rows.get(index, ()):
            weights[row] = 1.0
        for s in visits:
            if self.season.tasks[s].pays[day]:
                for since, until, row in self._stock_rows.get(self.season.tasks[s].site.pack_type, ()):
                    if since <= day <= until:
                        weights[row] = weights.get(row, 0.0) + 1.0
        where = np.array(sorted(weights), np.int32)
        self._lp.addCol(
            1.0, 0.0, highspy.kHighsInf, len(where), where, np.array([weights[int(w)] for w in where])
        )
        self.columns.append(Column(index, visits, usable))
        if usable and frozenset(visits) not in self._shapes:
            self._shapes[frozenset(visits)] = len(self._shapes)
            member = np.zeros(len(self.season.tasks))
            member[list(visits)] = 1.0
            self._members.append(member)
        self._have.add(key)
        return True

    def solve(self) -> NDArray[np.float64]:
        """
        Solve the linear programme over the columns known.

        Returns
        -------
        numpy.ndarray, shape (n_rows,)
            Dual values: windows, then crew-dates, then stock.
        """
        self._lp.run()
        if self._lp.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            self._lp.clearSolver()
            self._lp.run()
        if self._lp.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            # only trips fixed by a dive can contradict the shelf; nothing may rest on such a state
            self.value = self.missed = math.inf
            self.weights = np.zeros(len(self.columns))
            return np.zeros(self._n_rows)
        self.value = float(self._lp.getObjectiveValue())
        solution = self._lp.getSolution()
        self.missed = float(sum(solution.col_value[: self._n_slack]))
        self.weights = np.array(solution.col_value[self._n_slack :])
        return np.array(solution.row_dual)

    def prizes(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return what each visit is worth on each day.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        numpy.ndarray, shape (n_days, n_tasks)
            Trips saved by a visit, net of what its pack is worth elsewhere.
        """
        season = self.season
        out = np.zeros((season.n_days, len(season.tasks)))
        rows, days, sites = self._flat
        np.add.at(out, (days, sites), np.maximum(0.0, duals[rows]))
        if self._stock_rows:
            toll: dict[str, NDArray[np.float64]] = {}
            for name, entries in self._stock_rows.items():
                cost = np.zeros(season.n_days)
                for since, until, row in entries:
                    cost[since : until + 1] += max(0.0, -duals[row])
                toll[name] = cost
            for s, task in enumerate(season.tasks):
                cost = toll.get(task.site.pack_type, np.zeros(season.n_days))
                out[:, s] -= np.where(task.pays, cost, 0.0)
        return np.asarray(out)

    def improve_bound(self, duals: NDArray[np.float64], *, add: bool = True) -> int:
        """
        Price every crew and date exactly, raise the bound, add the trips found.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            Any multipliers; negative parts of the wrong sign are cut off.
        add : bool, default True
            Whether to add columns.

        Returns
        -------
        int
            Columns added.
        """
        season = self.season
        prize = self.prizes(duals)
        best: dict[int, float] = {}
        added = 0
        for group in self._groups:
            pending: dict[bytes, list[int]] = {}
            for index in group:
                pending.setdefault(
                    np.maximum(prize[season.days[index].day], 0).round(9).tobytes(), []
                ).append(index)
            for indices in pending.values():
                row = prize[season.days[indices[0]].day]
                open_sites = list(season.days[indices[0]].spans)
                if row[open_sites].clip(min=0).sum() <= 1.0:
                    continue
                narrow = self.pricer.price((indices[0],), row, 1.0, width=6, keep=1)
                threshold = max(1.0, narrow.best)
                near = self.near_parks
                priced = self.pricer.price(tuple(indices), row, threshold, near_parks=near)
                while not priced.complete and near > 1:
                    near -= 1
                    priced = self.pricer.price(tuple(indices), row, threshold, near_parks=near)
                # where even the loosest pricing did not end, all that can be collected still bounds
                most = priced.best if priced.complete else float(row[open_sites].clip(min=0).sum())
                for index in indices:
                    best[index] = most
                if add:
                    for trip in priced.trips:
                        added += self._add_priced(indices, trip)
        self._raise_bound(duals, best)
        return added

    def _add_priced(self, indices: list[int], trip: tuple[int, ...]) -> int:
        added = 0
        elementary = len(set(trip)) == len(trip)
        for index in indices:
            visits = trip
            usable = elementary and self.book.fits(index, trip)
            added += self.add(index, tuple(sorted(visits)), usable=usable)
        return added

    def _raise_bound(self, duals: NDArray[np.float64], best: Mapping[int, float]) -> None:
        n = len(self.rows)
        total = float(np.maximum(0.0, duals[:n]).sum())
        at = n + len(self._cliques)
        for k, row in enumerate(self.stock):
            total -= max(0.0, -float(duals[at + k])) * row.cap
        prizes = sorted((p for p in best.values() if p > 1.0), reverse=True)
        scales = {1.0, *(1.0 / p for p in prizes)}
        for scale in scales:
            value = scale * total - sum(max(0.0, scale * p - 1.0) for p in prizes)
            if value > self.bound + 1e-9:
                self.bound = value
                self._center = duals.copy()

    @property
    def whole_bound(self) -> int:
        """Trips that no plan serving every window can undercut."""
        return max(self.apart, math.ceil(self.bound - _ROUNDING))

    @cached_property
    def apart(self) -> int:
        """Windows that share no day, taken greedily: each needs a trip of its own."""
        count, last = 0, -1
        for row in sorted(self.rows, key=lambda row: row.days[-1]):
            if row.days[0] > last:
                count += 1
                last = row.days[-1]
        return count

    def generate(
        self,
        max_rounds: int,
        *,
        go_on: Callable[[], bool],
        report: Callable[[], None],
        target: int | None = None,
    ) -> None:
        """
        Run column generation until the bound meets the value, or rounds or time are spent.

        Parameters
        ----------
        max_rounds : int
            Exact pricing rounds at the most.
        go_on : callable
            False stops.
        report : callable
            Called after each bound.
        target : int or None
            Trips of the best plan known; the bound need not rise above it.
        """
        season = self.season
        smoothing = 0.6
        for _ in range(max_rounds * 40):
            if not go_on():
                return
            duals = self.solve()
            if self.add_known(duals) >= 3 or self.add_narrow(duals) >= 3:
                continue
            self.rounds += 1
            center = self._center
            if center is None or smoothing < 0.02 or self.bound < _NEAR_VALUE * self.value:
                mixed = duals
            else:
                mixed = smoothing * center + (1 - smoothing) * duals
            before = self.bound
            added = self.improve_bound(mixed)
            report()
            if math.ceil(self.bound - _ROUNDING) >= self.value - _ROUNDING and self.missed < _EPS:
                return
            if target is not None and self.whole_bound >= target:
                return
            if self.rounds >= max_rounds:
                return
            if added == 0:
                if mixed is duals:
                    if self.near_parks >= _MOST_NEAR:
                        return
                    self.near_parks += 2
                    smoothing = 0.6
                    continue
                smoothing *= 0.3
            elif self.bound <= before + 1e-6:
                smoothing *= 0.7
        del season

    def fix(self, column: int, *, fixed: bool) -> None:
        """
        Force a column into the linear programme's solution, or let it go.

        Parameters
        ----------
        column : int
            Index into `columns`.
        fixed : bool
            True forces it.
        """
        low = 1.0 if fixed else 0.0
        high = 1.0 if fixed else highspy.kHighsInf
        self._lp.changeColBounds(self._n_slack + column, low, high)

    def bar_relaxed(self, *, barred: bool) -> None:
        """
        Keep trips that cannot be planned out of the solution, or let them back in.

        Parameters
        ----------
        barred : bool
            True keeps them out.
        """
        for k, column in enumerate(self.columns):
            if not column.usable:
                self._lp.changeColBounds(self._n_slack + k, 0.0, 0.0 if barred else highspy.kHighsInf)

    def add_known(self, duals: NDArray[np.float64]) -> int:
        """
        Offer the trips already known to every other date: one matrix product before any pricing.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        int
            Columns added.
        """
        if not self._members:
            return 0
        season = self.season
        prize = self.prizes(duals)
        shapes = list(self._shapes)
        worth = np.array(self._members) @ prize.T
        added = 0
        for index, day in enumerate(season.days):
            cost = 1.0 - sum(min(0.0, float(duals[r])) for r in self._clique_rows.get(index, ()))
            column = worth[:, day.day]
            good = np.flatnonzero(column > cost + 1e-4)
            taken = 0
            for k in good[np.argsort(-column[good], kind="stable")][:12]:
                visits = tuple(sorted(shapes[k]))
                if (index, shapes[k]) not in self._have and self.book.fits(index, visits):
                    taken += self.add(index, visits, usable=True)
                if taken >= 2:
                    break
            added += taken
        return added

    def add_narrow(self, duals: NDArray[np.float64], *, width: int = 6) -> int:
        """
        Add trips of negative reduced cost found by narrow pricing, date by date.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.
        width : int, default 6
            Labels kept at each parking.

        Returns
        -------
        int
            Columns added.
        """
        season = self.season
        prize = self.prizes(duals)
        added = 0
        for group in self._groups:
            seen: set[bytes] = set()
            for index in group:
                day = season.days[index]
                cost = 1.0 - sum(min(0.0, float(duals[r])) for r in self._clique_rows.get(index, ()))
                row = prize[day.day]
                key = row.round(7).tobytes()
                if key in seen or row[list(day.spans)].clip(min=0).sum() <= cost + 1e-4:
                    continue
                seen.add(key)
                priced = self.pricer.price((index,), row, cost + 1e-4, width=width, keep=4)
                for trip in priced.trips:
                    visits = tuple(sorted(set(trip)))
                    if self.book.fits(index, visits):
                        added += self.add(index, visits, usable=True)
        return added


def _cliques(season: Season) -> list[tuple[int, ...]]:
    """Return the sets of crew-dates of which at most one can run."""
    found: list[tuple[int, ...]] = []
    for indices in season.days_by_number.values():
        people: dict[str, list[int]] = {}
        for index in indices:
            for person in season.fleet.crews[season.days[index].crew].people:
                people.setdefault(person.strip().casefold(), []).append(index)
        shared = {tuple(sorted(set(group))) for group in people.values() if len(set(group)) > 1}
        found.extend(sorted(shared))
        covered = {index for group in shared for index in group}
        found.extend((index,) for index in indices if index not in covered)
    return found
