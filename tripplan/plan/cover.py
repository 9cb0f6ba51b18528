"""
Choose among the trips of a linear programme: an integer programme that knows its value.

A plan of at most K trips uses no trip whose reduced cost exceeds K minus the linear value, so all others
are left out. HiGHS stops on nodes, so that it repeats.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from typing import Any

import highspy
import numpy as np
from numpy.typing import NDArray

from tripplan.plan.master import Master
from tripplan.plan.workers import to_the_end

__all__ = ["cheapest_cover", "choose_cover"]

_WHOLE = 1e-6
_HALF = 0.5


def choose_cover(
    master: Master,
    most: int,
    *,
    nodes: int,
    most_columns: int,
    seconds: float | None,
    go_on: Callable[[], bool],
) -> dict[int, frozenset[int]] | None:
    """
    Find a plan of at most so many trips among the columns that can be planned.

    Parameters
    ----------
    master : Master
        Its linear programme is solved again without relaxed trips.
    most : int
        Trips at the most.
    nodes : int
        Nodes of the search at the most.
    most_columns : int
        Columns at the most, those of least reduced cost first.
    seconds : float or None
        Time at the most. [s]
    go_on : callable
        False stops.

    Returns
    -------
    dict of int to frozenset of int or None
        Visits by day index; None where none was found, which proves nothing.
    """
    master.bar_relaxed(barred=True)
    try:
        duals = master.solve()
        value = master.value
    finally:
        master.bar_relaxed(barred=False)
    if value > most + _WHOLE:
        return None
    reduced = master.reduced_costs(duals)
    usable = np.array([column.usable for column in master.columns])
    chosen = np.flatnonzero(usable & (reduced <= most - value + _WHOLE))
    chosen = np.sort(chosen[np.argsort(reduced[chosen], kind="stable")[:most_columns]])
    if not len(chosen):
        return None
    return _solve(
        master, chosen, np.ones(len(chosen)), most, start=None, nodes=nodes, seconds=seconds, go_on=go_on
    )


def cheapest_cover(
    master: Master,
    chosen: NDArray[np.int64],
    cost: NDArray[np.float64],
    *,
    most: int,
    start: Mapping[int, frozenset[int]],
    nodes: int,
    seconds: float | None,
    go_on: Callable[[], bool],
) -> dict[int, frozenset[int]] | None:
    """
    Find the plan of least cost among some columns.

    Parameters
    ----------
    master : Master
        Its columns and rows.
    chosen : numpy.ndarray of int
        Indices of columns that can be planned.
    cost : numpy.ndarray
        Their costs.
    most : int
        Trips at the most.
    start : mapping of int to frozenset of int
        A plan to begin with; its trips should be among the columns.
    nodes : int
        Nodes of the search at the most.
    seconds : float or None
        Time at the most. [s]
    go_on : callable
        False stops.

    Returns
    -------
    dict of int to frozenset of int or None
        Visits by day index; None where none was found, which proves nothing.
    """
    return _solve(master, chosen, cost, most, start=start, nodes=nodes, seconds=seconds, go_on=go_on)


def _solve(
    master: Master,
    chosen: NDArray[np.int64],
    cost: NDArray[np.float64],
    most: int,
    *,
    start: Mapping[int, frozenset[int]] | None,
    nodes: int,
    seconds: float | None,
    go_on: Callable[[], bool],
) -> dict[int, frozenset[int]] | None:
    n = len(chosen)
    lp: Any = highspy.Highs()  # type: ignore[no-untyped-call]
    lp.silent()
    # one trip fewer, or a second less, is what counts
    for name, setting in (("threads", 1), ("mip_max_nodes", nodes), ("mip_abs_gap", 1 - _HALF)):
        lp.setOptionValue(name, setting)
    lp.setOptionValue("mip_rel_gap", 0.0)
    if seconds is not None:
        lp.setOptionValue("time_limit", seconds)
    none = np.array([], np.int32)
    lp.addCols(n, cost, np.zeros(n), np.ones(n), 0, none, none, np.array([]))
    every = np.arange(n, dtype=np.int32)
    lp.changeColsIntegrality(n, every, np.array([highspy.HighsVarType.kInteger] * n))
    lower, upper, starts, where, values = [0.0], [float(most)], [0], [every], [np.ones(n)]
    size = n
    for row in range(master.book_of_rows.n_rows):
        least, cap = master.book_of_rows.sense(row)
        weights = master.weights_in(row, chosen)
        hit = np.flatnonzero(weights)
        if least is None and (cap is None or weights.sum() <= cap):
            continue
        lower.append(-highspy.kHighsInf if least is None else least)
        upper.append(highspy.kHighsInf if cap is None else cap)
        starts.append(size)
        size += len(hit)
        where.append(hit.astype(np.int32))
        values.append(weights[hit])
    lp.addRows(
        len(lower),
        np.array(lower),
        np.array(upper),
        size,
        np.array(starts, np.int32),
        np.concatenate(where),
        np.concatenate(values),
    )
    if start is not None:
        begin = highspy.HighsSolution()
        columns = (master.columns[k] for k in chosen)
        begin.col_value = [float(start.get(c.index) == frozenset(c.visits)) for c in columns]
        lp.setSolution(begin)
    run_to_end(lp, go_on)
    if lp.getInfo().primal_solution_status != highspy.kSolutionStatusFeasible:
        return None
    solution = np.array(lp.getSolution().col_value)
    picked = (master.columns[k] for k in chosen[solution > _HALF])
    return {column.index: frozenset(column.visits) for column in picked}


def run_to_end(lp: Any, go_on: Callable[[], bool]) -> None:
    """
    Solve so that a Ctrl-C is heard at once.

    The library has threads for this too, but one for all problems at a time.

    Parameters
    ----------
    lp : highspy.Highs
        The problem.
    go_on : callable
        False stops; what is found by then stays.
    """
    stopped = threading.Event()

    def heed(event: Any) -> None:
        if stopped.is_set():
            event.interrupt()

    def solve() -> None:
        lp.run()
        # as the library does at the end of its own threads, for fear of a deadlock on Windows
        getattr(lp, "resetThreadScheduler", lp.resetGlobalScheduler)(False)  # noqa: FBT003

    lp.cbSimplexInterrupt += heed
    lp.cbMipInterrupt += heed
    to_the_end(solve, stopped.set, go_on)
