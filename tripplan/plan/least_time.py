"""
Less crew time with no more trips: trips priced with a cost for each second, then the best choice among them.

The linear programme of `tripplan.plan.crew_time` tells what each visit is worth in seconds; narrow pricing
finds trips that collect more than they last, and trips in use are tried without one of their visits. A plan
takes no trip whose reduced cost exceeds what the plan at hand lasts beyond the linear value, so that an
integer programme over the others sees all plans among these trips that last less.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.cover import cheapest_cover
from tripplan.plan.crew_time import CrewTime
from tripplan.plan.master import Master
from tripplan.plan.rows import StockRow
from tripplan.plan.search import Search

__all__ = ["MOST_TRIPS", "shorten", "trips_worth_most"]

_ROUNDS = 12
_FEW = 3
"""A round that brings fewer trips is the last."""

MOST_TRIPS = 3000
"""Trips to begin with, those worth most in the search for fewer trips first."""

_MOST_CHOICES = 1500

_AT_ONCE = 7
"""Trips chosen anew at once; the next choice keeps half of them."""

_FEW_TRIPS, _WHOLE_S = 12, 20.0
"""A plan of no more trips is chosen anew as a whole first, if there is so much time. [s]"""

_MOST_SWEEPS = 3


def shorten(
    search: Search,
    stock: Sequence[StockRow],
    *,
    nodes: int,
    go_on: Callable[[], bool],
    seconds_left: Callable[[], float | None],
) -> bool:
    """
    Look for less crew time with no more trips: a small plan as a whole, then some trips in a row at a time.

    Parameters
    ----------
    search : Search
        Holds the plan, and gets a better one. Left alone where changes against a last plan come first, or
        wishes say on which dates to go.
    stock : sequence of StockRow
        What the shelf can give.
    nodes : int
        Nodes of each integer programme; with none nothing is done.
    go_on : callable
        False stops.
    seconds_left : callable
        Tells the time left, or None where there is no limit. [s]

    Returns
    -------
    bool
        Whether the plan became better.
    """
    wanted, first = search.season.wanted, search.value
    if first is None or not search.best or search.judge.last or wanted.must_run or wanted.kept or not nodes:
        return False
    if not go_on():
        return False
    known, left = trips_worth_most(search.master), seconds_left()
    known.extend((index, tuple(sorted(visits))) for (index, visits), _ in search.known())
    n = len(search.best)
    if n <= _AT_ONCE or (n <= _FEW_TRIPS and (left is None or left >= _WHOLE_S)):
        _choose_anew(search, stock, known, frozenset(search.best), nodes, go_on, seconds_left)
    for _ in range(_MOST_SWEEPS if len(search.best) > _AT_ONCE else 0):
        before = search.value
        at, end = 0, False
        while not end and go_on():
            order = sorted(search.best, key=lambda i: (search.season.days[i].day, i))
            end = at + _AT_ONCE >= len(order)
            some = order[max(0, len(order) - _AT_ONCE if end else at) :][:_AT_ONCE]
            _choose_anew(search, stock, known, frozenset(some), nodes, go_on, seconds_left)
            at += _AT_ONCE // 2
        if search.value == before:
            break
    return search.value != first


def _choose_anew(
    search: Search,
    stock: Sequence[StockRow],
    known: list[tuple[int, tuple[int, ...]]],
    some: frozenset[int],
    nodes: int,
    go_on: Callable[[], bool],
    seconds_left: Callable[[], float | None],
) -> bool:
    """Choose some of the plan's trips anew, beside the others; tell whether it became better."""
    crew_time = _beside(search, stock, some)
    if crew_time is None or not go_on():
        return False
    days = {day for window in crew_time.rows for day in window.days}

    def useful(index: int, visits: tuple[int, ...]) -> tuple[int, ...]:
        """Return the visits that fill a window left open; all of them where the trip fits only so."""
        day = search.season.days[index].day
        fewer = tuple(s for s in visits if day in crew_time.rows_at[s])
        return fewer if not fewer or fewer == visits or search.book.fits(index, fewer) else visits

    old = {index: useful(index, tuple(sorted(search.best[index]))) for index in some}
    for index, visits in (*old.items(), *known):
        if len(crew_time.columns) >= MOST_TRIPS:
            break
        if search.season.days[index].day in days and index not in crew_time.barred:
            crew_time.add(index, useful(index, visits), usable=True)
    for _ in range(_ROUNDS):
        duals = crew_time.settle(go_on)
        if not go_on():
            return False
        if crew_time.add_shorter(duals) < _FEW:
            break
    lasts = sum(crew_time.cost_s(index, visits) for index, visits in old.items() if visits)
    duals = crew_time.multipliers()
    crew_time.add_shorter(duals, within=max(0.0, lasts - crew_time.value_s))
    duals = crew_time.multipliers()
    beyond = lasts - crew_time.value_s
    costs = crew_time.reduced_seconds(duals)
    chosen = np.flatnonzero(costs <= beyond + 1.0)
    chosen = np.sort(chosen[np.argsort(costs[chosen], kind="stable")[:_MOST_CHOICES]])
    if not go_on() or not len(chosen):
        return False
    found = cheapest_cover(
        crew_time,
        chosen,
        np.array([crew_time.cost_s(c.index, c.visits) for c in map(crew_time.columns.__getitem__, chosen)]),
        most=len(some),
        start={index: frozenset(visits) for index, visits in old.items()},
        nodes=nodes,
        seconds=seconds_left(),
        go_on=go_on,
    )
    if found is None:
        return False
    rest = {index: visits for index, visits in search.best.items() if index not in some}
    return search.offer({**rest, **found}, thin=True)


def _beside(search: Search, stock: Sequence[StockRow], some: frozenset[int]) -> CrewTime | None:
    """Return the linear programme for what the other trips leave to do; None where that is nothing."""
    season = search.season
    rest = {index: visits for index, visits in search.best.items() if index not in some}
    done = {(season.days[index].day, s) for index, visits in rest.items() for s in visits}
    rows = tuple(
        row
        for row in search.judge.filled(search.best)
        if not any((day, row.site) in done for day in row.days)
    )
    if not rows:
        return None
    left = []
    for row in stock:
        taken = (
            s
            for day, s in done
            if row.first <= day <= row.last
            and season.tasks[s].site.pack_type == row.pack_type
            and season.tasks[s].pays[day]
        )
        used = len(list(taken))
        left.append(StockRow(row.pack_type, row.first, row.last, max(0, row.cap - used)))
    barred = frozenset(other for index in rest for other in (index, *season.conflicts[index]))
    return CrewTime(
        season, rows, tuple(left), search.book, search.pricer, most_trips=len(some), barred=barred
    )


def trips_worth_most(master: Master) -> list[tuple[int, tuple[int, ...]]]:
    """
    List the trips of a linear programme that can be planned; of many, those worth most come first.

    Parameters
    ----------
    master : Master
        That of the search for fewer trips.

    Returns
    -------
    list of tuple of (int, tuple of int)
        Day index and visits.
    """
    usable = np.array([k for k, column in enumerate(master.columns) if column.usable], np.int64)
    if len(usable) > MOST_TRIPS:
        costs: NDArray[np.float64] = master.reduced_costs(master.multipliers())[usable]
        usable = usable[np.argsort(costs, kind="stable")]
    return [(master.columns[k].index, master.columns[k].visits) for k in usable]
