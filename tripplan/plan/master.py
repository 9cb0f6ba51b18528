"""
The linear programme over trips, and the lower bound that exact pricing proves with its multipliers.

Columns are trips (a set of visits on one crew's date), rows the windows that must hold a visit, at
most one trip a crew and date, no two crews that share a person, what the shelf can give by each date,
and limits on the trips of a span. For any multipliers ``y >= 0`` of the windows, ``v >= 0`` of the
stock rows and ``w`` of the spans, and any scale ``t`` in [0, 1], no plan needs fewer trips than

    t (sum y - sum v * cap + sum w * limit) - sum over crew-dates of max(0, t * (P + W) - 1)

where P is the largest prize that a trip of that crew and date can collect and W the sum of its spans'
multipliers [1]_; of crews that share a person only the largest term counts. Where k sites may be late,
whichever they are, the k largest of the sites' sums of y are taken off. Only a complete pricing gives P;
a truncated one gives no bound.

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
from tripplan.plan.rows import RowBook, SpanRow, StockRow, crew_cliques, split_cliques
from tripplan.plan.season import Season, Window
from tripplan.plan.trips import TripBook

__all__ = ["Column", "Master"]

_MISSED = 10.0
"""Cost of a window without a visit in the linear programme: far above any share of a trip."""

_MOST_NEAR = 7
_NEAR_VALUE = 0.85
"""Smoothing begins once the bound has come this near to the linear value; a poor centre misleads."""

_EPS = 1e-6
_ROUNDING = 1e-5
_SHED = 1e-4
"""Cost of not making a visit of a trip that is fixed."""

_TINY_PRIZE = 2e-4
"""Prize of a visit that fills a window worth nothing just now, so that trips come out full."""


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
    spans: tuple[SpanRow, ...] = ()
    forgiven: int = 0
    columns: list[Column] = field(default_factory=list)
    bound: float = 0.0
    value: float = math.inf
    missed: float = 0.0
    rounds: int = 0
    near_parks: int = 3

    def __post_init__(self) -> None:
        season = self.season
        n = len(season.tasks)
        self._cliques = crew_cliques(season)
        self._apart = split_cliques(self._cliques)
        self.book_of_rows = RowBook(season, self.rows, self._cliques, self.stock, self.spans, self.forgiven)
        self._n_rows = self.book_of_rows.n_rows
        self._have: set[tuple[int, frozenset[int]]] = set()
        self._shapes: dict[frozenset[int], int] = {}
        self._members: list[NDArray[np.float64]] = []
        self._lp: Any = highspy.Highs()  # type: ignore[no-untyped-call]
        self._lp.silent()
        self._lp.setOptionValue("threads", 1)
        self._n_lp_columns = 0
        self._lp_row: dict[int, int] = {}
        self._slack_at: list[int] = []
        self._over_at: list[int] = []
        self._loose = False
        self._fixed: list[int] = []
        self._sheds: list[tuple[int, int, int]] = []
        self._at = np.zeros(256, np.int64)
        self._index = np.zeros(256, np.int64)
        self._counts = np.zeros((256, n), np.uint8)
        self._waiting = 0
        self._day_numbers = np.array([day.day for day in season.days], np.int64)
        self._clique_rows: dict[int, list[int]] = {}
        for k, clique in enumerate(self._cliques):
            for index in clique:
                self._clique_rows.setdefault(index, []).append(len(self.rows) + k)
        self._span_rows: dict[int, list[int]] = {}
        for k, span in enumerate(self.spans):
            for index in span.indices:
                self._span_rows.setdefault(index, []).append(self.book_of_rows.spans_at + k)
        self._stock_rows: dict[str, list[tuple[int, int, int]]] = {}
        for k, row in enumerate(self.stock):
            entry = (row.first, row.last, self.book_of_rows.stock_at + k)
            self._stock_rows.setdefault(row.pack_type, []).append(entry)
        self.rows_at: list[dict[int, list[int]]] = [{} for _ in range(n)]
        self._useful = np.zeros((season.n_days, n))
        flat_row, flat_day, flat_site = [], [], []
        for r, window in enumerate(self.rows):
            for d in window.days:
                self.rows_at[window.site].setdefault(d, []).append(r)
                self._useful[d, window.site] += 1.0
                flat_row.append(r)
                flat_day.append(d)
                flat_site.append(window.site)
        self._useful /= max(1.0, self._useful.max(initial=1.0))
        self._flat = (
            np.array(flat_row, np.int64),
            np.array(flat_day, np.int64),
            np.array(flat_site, np.int64),
        )
        self._forgiven_at: list[int] = []
        for _ in season.tasks if self.forgiven else ():
            self._lp.addCol(0.0, 0.0, 1.0, 0, np.array([], np.int32), np.array([]))
            self._forgiven_at.append(self._n_lp_columns)
            self._n_lp_columns += 1
        self._activate(self.book_of_rows.first_windows())
        self._activate([*range(len(self.rows), len(self.rows) + len(self._cliques))])
        self._activate([*range(self.book_of_rows.spans_at, self._n_rows)])
        self._center: NDArray[np.float64] | None = None
        self._next_group = 0

    @cached_property
    def _groups(self) -> list[list[int]]:
        return self._twin_days()

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

    # ---- the linear programme --------------------------------------------------------------------

    def _activate(self, rows: list[int]) -> int:
        """Bring rows into the linear programme."""
        self._flush()
        n = len(self.columns)
        lower, upper, starts, where, values = [], [], [], [], []
        slack: list[tuple[int, bool]] = []
        for r in rows:
            least, most = self.book_of_rows.sense(r)
            lower.append(-highspy.kHighsInf if least is None else least)
            upper.append(highspy.kHighsInf if most is None else most)
            starts.append(len(where))
            weights = self.book_of_rows.weights(r, self._index[:n], self._counts[:n])
            for k in np.flatnonzero(weights):
                where.append(int(self._at[k]))
                values.append(float(weights[k]))
            for at in self._forgiving(r):
                where.append(at)
                values.append(1.0)
            for index, s, at in self._sheds:
                weight = self._shed_weight(r, index, s)
                if weight:
                    where.append(at)
                    values.append(-weight)
            self._lp_row[r] = len(self._lp_row)
            slack.append((self._lp_row[r], least is not None))
        if not rows:
            return 0
        self._lp.addRows(
            len(rows),
            np.array(lower),
            np.array(upper),
            len(where),
            np.array(starts, np.int32),
            np.array(where, np.int32),
            np.array(values),
        )
        for row, is_least in slack:
            most_over = 1.0 if is_least else highspy.kHighsInf if self._loose else 0.0
            one = np.array([1.0 if is_least else -1.0])
            self._lp.addCol(_MISSED, 0.0, most_over, 1, np.array([row], np.int32), one)
            (self._slack_at if is_least else self._over_at).append(self._n_lp_columns)
            self._n_lp_columns += 1
        return len(rows)

    def _forgiving(self, row: int) -> list[int]:
        if not self._forgiven_at:
            return []
        if row < len(self.rows):
            return [self._forgiven_at[self.rows[row].site]]
        return self._forgiven_at if row == self.book_of_rows.forgiven_at else []

    def _shed_weight(self, row: int, index: int, s: int) -> float:
        if self.book_of_rows.counts_trips(row):
            return 0.0
        one = np.zeros((1, len(self.season.tasks)), np.uint8)
        one[0, s] = 1
        return float(self.book_of_rows.weights(row, np.array([index]), one)[0])

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
        wanted = frozenset(visits)
        key = (index, wanted)
        if key in self._have or not visits:
            return False
        day = self.season.days[index].day
        if not any(day in self.rows_at[s] for s in wanted) and index not in self._span_rows:
            return False
        k = len(self.columns)
        if k == len(self._index):
            self._at = np.resize(self._at, 2 * k)
            self._index = np.resize(self._index, 2 * k)
            self._counts = np.concatenate([self._counts, np.zeros_like(self._counts)])
        self._index[k] = index
        for s in visits:
            self._counts[k, s] += 1
        self.columns.append(Column(index, visits, usable))
        self._waiting += 1
        if usable and wanted not in self._shapes:
            self._shapes[wanted] = len(self._shapes)
            self._members.append((self._counts[k] > 0).astype(np.float64))
        self._have.add(key)
        return True

    def _flush(self) -> None:
        """Hand the columns added since the last time to the linear programme."""
        if not self._waiting:
            return
        end = len(self.columns)
        begin = end - self._waiting
        self._waiting = 0
        indices, counts = self._index[begin:end], self._counts[begin:end]
        parts = []
        for r, at in self._lp_row.items():
            weights = self.book_of_rows.weights(r, indices, counts)
            hit = np.flatnonzero(weights)
            parts.append((hit, np.full(len(hit), at, np.int32), weights[hit]))
        column = np.concatenate([p[0] for p in parts])
        row = np.concatenate([p[1] for p in parts])
        value = np.concatenate([p[2] for p in parts])
        order = np.argsort(column, kind="stable")
        starts = np.searchsorted(column[order], np.arange(end - begin)).astype(np.int32)
        self._lp.addCols(
            end - begin,
            np.ones(end - begin),
            np.zeros(end - begin),
            np.full(end - begin, highspy.kHighsInf),
            len(order),
            starts,
            row[order].astype(np.int32),
            value[order],
        )
        self._at[begin:end] = self._n_lp_columns + np.arange(end - begin)
        self._n_lp_columns += end - begin

    def solve(self) -> NDArray[np.float64]:
        """
        Solve the linear programme over the columns known, bringing in every row that is broken.

        Returns
        -------
        numpy.ndarray, shape (n_rows,)
            Dual values: windows, then crew-dates, stock, spans; zero for rows not brought in.
        """
        while True:
            self._flush()
            self._lp.run()
            if self._lp.getModelStatus() != highspy.HighsModelStatus.kOptimal:
                self._lp.clearSolver()
                self._lp.run()
            if self._lp.getModelStatus() != highspy.HighsModelStatus.kOptimal:
                # only trips fixed by a dive can contradict a limit; nothing may rest on such a state
                self.value = self.missed = math.inf
                self.weights = np.zeros(len(self.columns))
                return np.zeros(self._n_rows)
            solution = self._lp.getSolution()
            values = np.array(solution.col_value)
            self.weights = values[self._at[: len(self.columns)]]
            forgiven = values[self._forgiven_at] if self._forgiven_at else np.zeros(len(self.season.tasks))
            broken = self.book_of_rows.broken(self._visits(values), forgiven, set(self._lp_row))
            if not broken:
                break
            self._activate(broken)
        over = float(values[self._over_at].sum()) if self._loose else 0.0
        self.value = float(self._lp.getObjectiveValue()) - _MISSED * over
        self.missed = float(values[self._slack_at].sum())
        duals = np.zeros(self._n_rows)
        found = np.array(solution.row_dual)
        for r, at in self._lp_row.items():
            duals[r] = found[at]
        return duals

    def _visits(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weight of visits by task and day."""
        out = np.zeros((len(self.season.tasks), self.season.n_days))
        used = np.flatnonzero(self.weights > _EPS / 100)
        days = self._day_numbers[self._index[used]]
        np.add.at(out.T, days, self._counts[used] * self.weights[used, None])
        for index, s, at in self._sheds:
            out[s, self._day_numbers[index]] -= values[at]
        return out

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
                    if duals[row] < 0:
                        cost[since : until + 1] -= duals[row]
                toll[name] = cost
            for s, task in enumerate(season.tasks):
                cost = toll.get(task.site.pack_type, np.zeros(season.n_days))
                out[:, s] -= np.where(task.pays, cost, 0.0)
        return np.asarray(out)

    def bonus(self, duals: NDArray[np.float64], index: int) -> float:
        """
        Return what the limits on spans add to each trip of a crew-date.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            Multipliers; parts of the wrong sign are cut off.
        index : int
            Day index.

        Returns
        -------
        float
            Trips.
        """
        return sum(self._span_dual(duals, row) for row in self._span_rows.get(index, ()))

    def _span_dual(self, duals: NDArray[np.float64], row: int) -> float:
        span = self.spans[row - self.book_of_rows.spans_at]
        return min(0.0, float(duals[row])) if span.least is None else max(0.0, float(duals[row]))

    # ---- the bound ---------------------------------------------------------------------------------

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
                key = np.append(np.maximum(prize[season.days[index].day], 0), self.bonus(duals, index))
                pending.setdefault(key.round(9).tobytes(), []).append(index)
            for indices in pending.values():
                row = prize[season.days[indices[0]].day]
                bonus = self.bonus(duals, indices[0])
                cost = max(_EPS, 1.0 - bonus)
                open_sites = list(season.days[indices[0]].spans)
                most = float(row[open_sites].clip(min=0).sum())
                if most > cost:
                    narrow = self.pricer.price((indices[0],), row, cost, width=6, keep=1)
                    threshold = max(cost, narrow.best)
                    near = self.near_parks
                    priced = self.pricer.price(tuple(indices), row, threshold, near_parks=near)
                    while not priced.complete and near > 1:
                        near -= 1
                        priced = self.pricer.price(tuple(indices), row, threshold, near_parks=near)
                    # where even the loosest pricing did not end, all that can be collected still bounds
                    most = min(most, priced.best) if priced.complete else most
                    if add:
                        for trip in priced.trips:
                            added += self._add_priced(indices, trip)
                for index in indices:
                    best[index] = most + bonus
        self._raise_bound(duals, best)
        return added

    def _add_priced(self, indices: list[int], trip: tuple[int, ...]) -> int:
        added = 0
        elementary = len(set(trip)) == len(trip)
        for index in indices:
            usable = elementary and self.book.fits(index, trip)
            added += self.add(index, tuple(sorted(trip)), usable=usable)
        return added

    def _raise_bound(self, duals: NDArray[np.float64], best: Mapping[int, float]) -> None:
        n = len(self.rows)
        of_site = np.zeros(len(self.season.tasks))
        np.add.at(of_site, self.book_of_rows.window_site, np.maximum(0.0, duals[:n]))
        total = float(np.sort(of_site)[: len(of_site) - self.forgiven].sum())
        at = self.book_of_rows.stock_at
        for k, row in enumerate(self.stock):
            total -= max(0.0, -float(duals[at + k])) * row.cap
        for k, span in enumerate(self.spans):
            limit = span.most if span.least is None else span.least
            total += self._span_dual(duals, self.book_of_rows.spans_at + k) * (limit or 0)
        prizes = [max((best.get(index, 0.0) for index in part), default=0.0) for part in self._apart]
        above = sorted((p for p in prizes if p > 1.0), reverse=True)
        scales = {1.0, *(1.0 / p for p in above)}
        for scale in scales:
            value = scale * total - sum(max(0.0, scale * p - 1.0) for p in above)
            if value > self.bound + 1e-9:
                self.bound = value
                self._center = duals.copy()

    @property
    def whole_bound(self) -> int:
        """Trips that no plan serving every window can undercut."""
        return max(0 if self.forgiven else self.apart, math.ceil(self.bound - _ROUNDING))

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

    def fix(self, column: int) -> None:
        """
        Force a trip into the linear programme's solution; each of its visits may be shed.

        Parameters
        ----------
        column : int
            Index into `columns`.
        """
        self._flush()
        self._lp.changeColBounds(int(self._at[column]), 1.0, 1.0)
        trip = self.columns[column]
        self._fixed.append(column)
        for s in trip.visits:
            weights = [(at, self._shed_weight(r, trip.index, s)) for r, at in self._lp_row.items()]
            hit = [(at, -weight) for at, weight in weights if weight]
            self._lp.addCol(
                _SHED,
                0.0,
                1.0,
                len(hit),
                np.array([at for at, _ in hit], np.int32),
                np.array([weight for _, weight in hit]),
            )
            self._sheds.append((trip.index, s, self._n_lp_columns))
            self._n_lp_columns += 1

    def release(self) -> None:
        """Let go of every trip that was forced in."""
        for column in self._fixed:
            self._lp.changeColBounds(int(self._at[column]), 0.0, highspy.kHighsInf)
        for _, _, at in self._sheds:
            self._lp.changeColBounds(at, 0.0, 0.0)
        self._fixed.clear()
        self._sheds.clear()

    def bar_relaxed(self, *, barred: bool) -> None:
        """
        Keep trips that cannot be planned out of the solution, or let them back in.

        Parameters
        ----------
        barred : bool
            True keeps them out, and lets the shelf be overdrawn at a price: full trips that were fixed
            take more packs than the plan will once needless visits are dropped.
        """
        self._flush()
        self._loose = barred
        for at in self._over_at:
            self._lp.changeColBounds(at, 0.0, highspy.kHighsInf if barred else 0.0)
        for k, column in enumerate(self.columns):
            if not column.usable:
                self._lp.changeColBounds(int(self._at[k]), 0.0, 0.0 if barred else highspy.kHighsInf)

    def weights_in(self, row: int, columns: NDArray[np.int64]) -> NDArray[np.float64]:
        """
        Return what columns weigh in a row.

        Parameters
        ----------
        row : int
            Number of the row.
        columns : numpy.ndarray of int
            Indices into `columns`.

        Returns
        -------
        numpy.ndarray
            Weights.
        """
        return self.book_of_rows.weights(row, self._index[columns], self._counts[columns])

    def reduced_costs(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return what each column costs beyond what it collects.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        numpy.ndarray, shape (n_columns,)
            Trips.
        """
        n = len(self.columns)
        prize = self.prizes(duals)[self._day_numbers]
        cost = np.array([self._cost(duals, index) for index in range(len(self.season.days))])
        worth = np.einsum("ks,ks->k", self._counts[:n].astype(np.float64), prize[self._index[:n]])
        return np.asarray(cost[self._index[:n]] - worth)

    # ---- trips for the linear programme --------------------------------------------------------------

    def _cost(self, duals: NDArray[np.float64], index: int) -> float:
        """Return what a trip must collect to be worth while on a crew-date."""
        tolls = sum(min(0.0, float(duals[r])) for r in self._clique_rows.get(index, ()))
        return 1.0 - tolls - self.bonus(duals, index)

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
        prize = self.prizes(duals)[self._day_numbers]
        shapes = list(self._shapes)
        worth = np.array(self._members) @ prize.T
        added = 0
        for index in range(len(season.days)):
            cost = self._cost(duals, index)
            column = worth[:, index]
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

    def add_narrow(self, duals: NDArray[np.float64], *, width: int = 6, enough: int = 60) -> int:
        """
        Add trips of negative reduced cost found by narrow pricing, date by date.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.
        width : int, default 6
            Labels kept at each parking.
        enough : int, default 60
            Stop once so many were added; the next call goes on with the date after.

        Returns
        -------
        int
            Columns added.
        """
        season = self.season
        prize = self.prizes(duals)
        added = 0
        groups = self._groups
        for step in range(len(groups)):
            at = (self._next_group + step) % len(groups)
            seen: set[bytes] = set()
            for index in groups[at]:
                day = season.days[index]
                cost = self._cost(duals, index)
                row = prize[day.day]
                key = row.round(7).tobytes()
                if key in seen or row[list(day.spans)].clip(min=0).sum() <= cost + 1e-4:
                    continue
                seen.add(key)
                tiny = _TINY_PRIZE * self._useful[day.day]
                filled = np.where((row > -1e-9) & (tiny > 0), np.maximum(row, 0.0) + tiny, row)
                priced = self.pricer.price((index,), filled, cost + 1e-4, width=width, keep=4)
                for trip in priced.trips:
                    visits = tuple(sorted(set(trip)))
                    if row[list(visits)].sum() > cost + 1e-4 and self.book.fits(index, visits):
                        added += self.add(index, visits, usable=True)
            if added >= enough:
                self._next_group = (at + 1) % len(groups)
                break
        return added
