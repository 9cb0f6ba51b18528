"""
Less crew time with no more trips: trips priced with a cost for each second, then the best choice among them.

The linear programme of `tripplan.plan.crew_time` tells what each visit is worth in seconds; narrow pricing
finds trips that collect more than they last, and trips in use are tried without one of their visits. A plan
takes no trip whose reduced cost exceeds what the plan at hand lasts beyond the linear value, so that an
integer programme over the others sees all plans among these trips that last less.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.cover import cheapest_cover
from tripplan.plan.crew_time import CrewTime
from tripplan.plan.search import Search

__all__ = ["shorten"]

_ROUNDS = 12
_FEW = 3
"""A round that brings fewer trips is the last."""

_MOST_TRIPS = 6000
"""Trips of the search for fewer trips to begin with, those worth most first."""

_MOST_CHOICES = 3000


def shorten(
    search: Search, *, nodes: int, go_on: Callable[[], bool], seconds_left: Callable[[], float | None]
) -> bool:
    """
    Look for less crew time with no more trips.

    Parameters
    ----------
    search : Search
        Holds the plan, and gets a better one. Left alone where changes against a last plan come first, or
        wishes say on which dates to go.
    nodes : int
        Nodes of the integer programme; with none nothing is done.
    go_on : callable
        False stops.
    seconds_left : callable
        Tells the time left, or None where there is no limit. [s]

    Returns
    -------
    bool
        Whether the plan became better.
    """
    season, value = search.season, search.value
    wanted = season.wanted
    if value is None or not search.best or search.judge.last or wanted.must_run or wanted.kept or not nodes:
        return False
    rows, master = tuple(search.judge.filled(search.best)), search.master
    if not rows:
        return False
    crew_time = CrewTime(season, rows, master.stock, search.book, search.pricer, most_trips=len(search.best))
    best = [(index, tuple(sorted(visits))) for index, visits in search.best.items()]
    for index, trip in (*best, *_known(search)):
        crew_time.add(index, trip, usable=True)
    for _ in range(_ROUNDS):
        duals = crew_time.settle(go_on)
        if not go_on():
            return False
        if crew_time.add_shorter(duals) < _FEW:
            break
    duals = crew_time.solve()
    beyond = value.seconds - crew_time.value_s
    costs = crew_time.reduced_seconds(duals)
    chosen = np.flatnonzero(costs <= beyond + 1.0)
    chosen = np.sort(chosen[np.argsort(costs[chosen], kind="stable")[:_MOST_CHOICES]])
    if not go_on() or not len(chosen):
        return False
    found = cheapest_cover(
        crew_time,
        chosen,
        np.array([crew_time.cost_s(c.index, c.visits) for c in map(crew_time.columns.__getitem__, chosen)]),
        most=len(search.best),
        start=search.best,
        nodes=nodes,
        seconds=seconds_left(),
    )
    return found is not None and search.offer(found, thin=True)


def _known(search: Search) -> list[tuple[int, tuple[int, ...]]]:
    """Return trips that can be planned, those worth most for fewer trips first."""
    master = search.master
    known = [(index, tuple(sorted(visits))) for (index, visits), _ in search.known()]
    usable = np.array([k for k, column in enumerate(master.columns) if column.usable], np.int64)
    if len(usable) > _MOST_TRIPS:
        costs: NDArray[np.float64] = master.reduced_costs(master.multipliers())[usable]
        usable = np.sort(usable[np.argsort(costs, kind="stable")[:_MOST_TRIPS]])
    return [*known, *((master.columns[k].index, master.columns[k].visits) for k in usable)]
