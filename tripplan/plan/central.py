"""
Well-centred multipliers for column generation, from an interior-point method on a sparse form of the rows.

The windows of one site are intervals of its days, in an order in which both ends rise. Each row minus the row
before it holds a visit at most twice, where it enters a window and where it leaves one, so that a trip has a
few entries where it had hundreds; the multipliers of the windows are then differences of those found [1]_.
Stopped before any vertex, the method gives multipliers from the middle of the best ones; trips priced with
these serve more dates, and far fewer rounds are needed [2]_.

References
----------
.. [1] A. F. Veinott and H. M. Wagner, "Optimal capacity scheduling - I," Operations Research 10(4), 518-532,
   1962 (rows with consecutive ones become a network by differences).
.. [2] J. Gondzio, P. Gonzalez-Brevis and P. Munari, "New developments in the primal-dual column generation
   technique," European Journal of Operational Research 224(1), 41-51, 2013.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import highspy
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from tripplan.plan.rows import RowBook

__all__ = ["Central", "Middle"]

_MISSED = 10.0
"""Cost of a window without a visit: far above any share of a trip. [trips]"""

_TOLERANCE = 1e-4


@dataclass(frozen=True)
class Middle:
    """
    What the interior-point method found.

    Attributes
    ----------
    duals : numpy.ndarray, shape (n_rows,)
        Multipliers in the numbers of the row book.
    value, missed : float
        Value of the linear programme, and what windows and spans lack in it.
    weights : numpy.ndarray, shape (n_columns,)
        Weight of each trip.
    """

    duals: NDArray[np.float64]
    value: float
    missed: float
    weights: NDArray[np.float64]


@dataclass
class Central:
    """
    The linear programme over trips in its sparse form; stock rows come in once they are broken.

    Attributes
    ----------
    book : RowBook
        Its rows.
    beyond : float
        What each trip beyond the most of a span costs; never, where infinite.
    """

    book: RowBook
    beyond: float = math.inf
    _stock: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        book = self.book
        season = book.season
        n, n_days = len(book.windows), season.n_days
        self._order = np.array(
            sorted(
                range(n),
                key=lambda r: (book.window_site[r], book.windows[r].days[0], book.windows[r].days[-1]),
            ),
            np.int64,
        )
        site = book.window_site[self._order]
        self._first = np.append(True, site[1:] != site[:-1])[:n]
        later = np.flatnonzero(~self._first)
        ones = np.ones(n + len(later))
        ones[n:] = -1.0
        rows, before = np.append(np.arange(n), later), np.append(np.arange(n), later - 1)
        self._step = _matrix(ones, rows, before, (n, n))
        row, day = np.nonzero(book.window_days[self._order])
        # the column of a visit: task * n_days + day
        visits = _matrix(np.ones(len(row)), row, site[row] * n_days + day, (n, len(season.tasks) * n_days))
        self._of_visit = sparse.csr_matrix((self._step @ visits).T)
        limits = [*book.cliques, *(sorted(span.indices) for span in book.spans)]
        trip = np.array([index for limit in limits for index in limit], np.int64)
        of = np.repeat(np.arange(len(limits)), [len(limit) for limit in limits])
        self._of_trip = _matrix(np.ones(len(trip)), trip, of, (len(season.days), len(limits)))
        self._day_numbers = np.array([day.day for day in season.days], np.int64)

    @property
    def limits(self) -> tuple[int, ...]:
        """Numbers of the stock rows that were broken so far."""
        return tuple(self._stock)

    def expect(self, limits: Iterable[int]) -> None:
        """
        Bring in stock rows before they are broken.

        Parameters
        ----------
        limits : iterable of int
            Their numbers among the stock rows.
        """
        self._stock.extend(r for r in limits if r not in self._stock)

    def solve(
        self,
        indices: NDArray[np.int64],
        counts: NDArray[np.uint8],
        costs: NDArray[np.float64] | None = None,
        *,
        tolerance: float = _TOLERANCE,
    ) -> Middle:
        """
        Solve the linear programme over some trips.

        Parameters
        ----------
        indices : numpy.ndarray, shape (n_columns,)
            Day index of each trip.
        counts : numpy.ndarray, shape (n_columns, n_tasks)
            How often each trip visits each task.
        costs : numpy.ndarray, shape (n_columns,), optional
            What each trip costs; one where not given.
        tolerance : float, optional
            Relative distance from the optimum at which to stop.

        Returns
        -------
        Middle
            With every stock row kept.
        """
        book = self.book
        n_tasks, n_days = counts.shape[1], book.season.n_days
        costs = np.ones(len(indices)) if costs is None else costs
        column, task = np.nonzero(counts)
        visits = _matrix(
            counts[column, task].astype(np.float64),
            column,
            task * n_days + self._day_numbers[indices[column]],
            (len(indices), n_tasks * n_days),
        )
        while True:
            found = self._run(indices, visits, costs, tolerance)
            used = np.asarray(visits.T @ found.weights).reshape(n_tasks, n_days)
            active = {*range(book.stock_at), *(book.stock_at + r for r in self._stock)}
            broken = book.broken(used, np.zeros(n_tasks), active)
            fresh = [r - book.stock_at for r in broken if book.stock_at <= r < book.spans_at]
            if not fresh:
                return found
            self._stock.extend(fresh)

    def _run(
        self,
        indices: NDArray[np.int64],
        visits: sparse.csr_matrix,
        costs: NDArray[np.float64],
        tolerance: float,
    ) -> Middle:
        book = self.book
        n, k = len(book.windows), len(indices)
        trips = sparse.csr_matrix(
            sparse.hstack([visits @ self._of_visit, self._of_trip[indices], visits @ self._stock_of_visit()])
        )
        width = trips.shape[1]
        # what a window holds beyond one visit, and what it lacks
        beyond = _widened(sparse.csr_matrix(self._step.T), width)
        spans_at = n + len(book.cliques)
        owed = np.array(
            [spans_at + j for j, span in enumerate(book.spans) if span.least is not None], np.int64
        )
        lacks = _matrix(np.ones(len(owed)), np.arange(len(owed)), owed, (len(owed), width))
        at_most = [spans_at + j for j, span in enumerate(book.spans) if span.least is None]
        over = np.array(at_most if math.isfinite(self.beyond) else [], np.int64)
        more = _matrix(-np.ones(len(over)), np.arange(len(over)), over, (len(over), width))
        columns = sparse.vstack([trips, -beyond, beyond, lacks, more])
        cost = np.concatenate(
            [costs, np.zeros(n), np.full(n + len(owed), _MISSED), np.full(len(over), self.beyond)]
        )
        most = np.full(len(cost), highspy.kHighsInf)
        low, high = self._sides(width)
        if book.forgiven:
            # a site forgiven lacks nothing in its first window, so that no later difference changes
            n_tasks = len(book.season.tasks)
            first = np.flatnonzero(self._first)
            sites = book.window_site[self._order[first]]
            forgiving = _matrix(np.ones(len(first)), sites, first, (n_tasks, width))
            counted = sparse.csr_matrix(np.append(np.zeros(len(cost)), np.ones(n_tasks))[:, None])
            columns = sparse.hstack([sparse.vstack([columns, forgiving]), counted])
            cost, most = np.append(cost, np.zeros(n_tasks)), np.append(most, np.ones(n_tasks))
            low, high = np.append(low, -highspy.kHighsInf), np.append(high, float(book.forgiven))
        solver = _solved(sparse.csr_matrix(columns), cost, most, (low, high), tolerance)
        solution = solver.getSolution()
        values, z = np.array(solution.col_value), np.array(solution.row_dual)
        duals = np.zeros(book.n_rows)
        duals[self._order] = self._step.T @ z[:n]
        stock_at = spans_at + len(book.spans)
        duals[n:spans_at] = z[n:spans_at]
        duals[book.spans_at : book.spans_at + len(book.spans)] = z[spans_at:stock_at]
        for j, r in enumerate(self._stock):
            duals[book.stock_at + r] = z[stock_at + j] / max(1, book.stock[r].cap)
        value = float(solver.getInfo().objective_function_value)
        return Middle(duals, value, float(values[k + n : k + 2 * n + len(owed)].sum()), values[:k])

    def _sides(self, n_rows: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the least and the most of each row: windows, crew-dates, spans, stock."""
        book = self.book
        n = len(book.windows)
        low, high = np.full(n_rows, -highspy.kHighsInf), np.full(n_rows, highspy.kHighsInf)
        low[:n] = high[:n] = self._first.astype(np.float64)
        at = n + len(book.cliques)
        high[n:at] = 1.0
        for j, span in enumerate(book.spans):
            if span.least is None:
                high[at + j] = float(span.most or 0)
            else:
                low[at + j] = float(span.least)
        high[at + len(book.spans) :] = [min(1.0, float(book.stock[r].cap)) for r in self._stock]
        return low, high

    def _stock_of_visit(self) -> sparse.csr_matrix:
        """Return the share of each stock row that a visit takes, shape (n_tasks * n_days, rows)."""
        season = self.book.season
        n_days = season.n_days
        share, visit, which = list[float](), list[int](), list[int]()
        for k, r in enumerate(self._stock):
            row = self.book.stock[r]
            for s, task in enumerate(season.tasks):
                if task.site.pack_type != row.pack_type:
                    continue
                days = np.flatnonzero(self.book.pays[s, row.first : row.last + 1])
                visit.extend((s * n_days + row.first + days).tolist())
                which.extend([k] * len(days))
                share.extend([1.0 / max(1, row.cap)] * len(days))
        shape = (len(season.tasks) * n_days, len(self._stock))
        return _matrix(np.array(share), np.array(visit, np.int64), np.array(which, np.int64), shape)


def _matrix(
    values: NDArray[np.float64], row: NDArray[np.int64], column: NDArray[np.int64], shape: tuple[int, int]
) -> sparse.csr_matrix:
    return sparse.csr_matrix((values, (row, column)), shape=shape)


def _widened(matrix: sparse.csr_matrix, width: int) -> sparse.csr_matrix:
    """Return the matrix with empty columns after its own."""
    found = matrix.tocoo()
    row, column = found.row.astype(np.int64), found.col.astype(np.int64)
    return _matrix(found.data, row, column, (matrix.shape[0], width))


def _solved(
    columns: sparse.csr_matrix,
    cost: NDArray[np.float64],
    most: NDArray[np.float64],
    sides: tuple[NDArray[np.float64], NDArray[np.float64]],
    tolerance: float,
) -> Any:
    """Solve for the least cost; each line of `columns` is a column of the programme."""
    lp: Any = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = columns.shape
    lp.col_cost_, lp.col_lower_, lp.col_upper_ = cost, np.zeros(len(cost)), most
    lp.row_lower_, lp.row_upper_ = sides
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = columns.indptr.astype(np.int32)
    lp.a_matrix_.index_ = columns.indices.astype(np.int32)
    lp.a_matrix_.value_ = columns.data
    solver: Any = highspy.Highs()  # type: ignore[no-untyped-call]
    solver.silent()
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("solver", "ipx")
    solver.setOptionValue("run_crossover", "off")
    solver.setOptionValue("ipm_optimality_tolerance", tolerance)
    solver.setOptionValue("optimality_tolerance", 10 * tolerance)  # else what it found counts as unknown
    solver.passModel(lp)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        solver.setOptionValue("solver", "simplex")  # multipliers from a vertex bound as well
        solver.run()
    return solver
