"""
The linear programme over trips: columns, rows brought in once they are broken, trips forced in by dives.

Columns are trips (a set of visits on one crew's date), rows those of `tripplan.plan.rows`. Windows may be
missed at a price, so that there always is a solution.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np
from numpy.typing import NDArray

from tripplan.plan.pricing import Pricer
from tripplan.plan.rows import RowBook, SpanRow, StockRow, crew_cliques, split_cliques
from tripplan.plan.season import Season, Window
from tripplan.plan.trips import TripBook

__all__ = ["Column", "Programme"]

_MISSED = 10.0
"""Cost of a window without a visit in the linear programme: far above any share of a trip."""

_SHED = 1e-4
"""Cost of not making a visit of a trip that is fixed."""

_EPS = 1e-8


@dataclass(frozen=True)
class Column:
    """A trip: day index, visits, and whether it can be planned (a relaxed one only bounds)."""

    index: int
    visits: tuple[int, ...]
    usable: bool


@dataclass
class Programme:
    """A linear programme that grows by trips and by rows."""

    season: Season
    rows: tuple[Window, ...]
    stock: tuple[StockRow, ...]
    book: TripBook
    pricer: Pricer
    spans: tuple[SpanRow, ...] = ()
    forgiven: int = 0
    columns: list[Column] = field(default_factory=list)
    value: float = math.inf
    missed: float = 0.0
    weights: NDArray[np.float64] = field(init=False, default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        season = self.season
        n = len(season.tasks)
        self._cliques = crew_cliques(season)
        self._apart = split_cliques(self._cliques)
        self.book_of_rows = RowBook(season, self.rows, self._cliques, self.stock, self.spans, self.forgiven)
        self._n_rows = self.book_of_rows.n_rows
        self._have: set[tuple[int, tuple[int, ...]]] = set()
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

    def _activate(self, rows: list[int]) -> int:
        """Bring rows into the linear programme."""
        self._flush()
        n = len(self.columns)
        lower, upper, values = list[float](), list[float](), list[float]()
        starts, where = list[int](), list[int]()
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

    @property
    def stock_rows_in(self) -> tuple[int, ...]:
        """Numbers of the stock rows that are in it."""
        at, end = self.book_of_rows.stock_at, self.book_of_rows.spans_at
        return tuple(r - at for r in self._lp_row if at <= r < end)

    def bring_in_stock_rows(self, numbers: Iterable[int]) -> None:
        """
        Bring stock rows in before they are broken.

        Parameters
        ----------
        numbers : iterable of int
            Their numbers among the stock rows.
        """
        rows = [self.book_of_rows.stock_at + k for k in numbers]
        self._activate([r for r in rows if r not in self._lp_row])

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

    @property
    def tells_repeats(self) -> bool:
        """Whether a trip that repeats a site is another one than the trip that does not."""
        return False

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
        key = (index, tuple(sorted(visits if self.tells_repeats else wanted)))
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
        used = np.flatnonzero(self.weights > _EPS)
        days = self._day_numbers[self._index[used]]
        np.add.at(out.T, days, self._counts[used] * self.weights[used, None])
        for index, s, at in self._sheds:
            out[s, self._day_numbers[index]] -= values[at]
        return out

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

    def unfix(self, column: int, *, barred: bool) -> None:
        """
        Let go of a trip that was forced in.

        Parameters
        ----------
        column : int
            Index into `columns`.
        barred : bool
            Whether to keep it out until `release`.
        """
        self._lp.changeColBounds(int(self._at[column]), 0.0, 0.0 if barred else highspy.kHighsInf)
        index = self.columns[column].index
        for _, _, at in (shed for shed in self._sheds if shed[0] == index):
            self._lp.changeColBounds(at, 0.0, 0.0)
        self._sheds = [shed for shed in self._sheds if shed[0] != index]
        if not barred:
            self._fixed.remove(column)

    def release(self) -> None:
        """Let go of every trip that was forced in or kept out."""
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
