"""
Branching on how many trips run by a date: closes gaps that the linear programme leaves.

A plan makes a whole number of trips up to any date, so that where the linear programme makes 3.4, every
plan makes at most 3 or at least 4; each case is a season of its own with a limit on its trips, bounded as
the whole was. No plan needs fewer trips than the least of the open cases; they are looked at weakest first.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tripplan.plan.master import Master
from tripplan.plan.rows import SpanRow

__all__ = ["branch"]

_WHOLE = 1e-4
_ROUNDING = 1e-5


def branch(
    root: Master,
    target: int,
    *,
    nodes: int,
    rounds: int,
    go_on: Callable[[], bool],
    look: Callable[[], int],
    report: Callable[[int], None],
) -> int:
    """
    Bound a season case by case.

    Parameters
    ----------
    root : Master
        The linear programme of the whole season, solved; its trips begin each case.
    target : int
        Trips of the best plan known.
    nodes : int
        Cases to bound at the most.
    rounds : int
        Exact pricing rounds of each case.
    go_on : callable
        False stops.
    look : callable
        Called after each pair of cases: looks for plans and returns the trips of the best one known.
    report : callable
        Told the bound whenever it rises.

    Returns
    -------
    int
        Trips that no plan can undercut; valid whenever it stops.
    """
    least, done = root.whole_bound, 0
    root.solve()
    heap: list[tuple[float, int, Master | None]] = [(root.bound, 0, root)]
    while done < nodes and least < target and go_on():
        bound, _, master = heapq.heappop(heap)
        span = None if master is None else _span(master)
        if master is None or span is None:
            return least
        indices, count = span
        for row in (SpanRow(indices, most=count), SpanRow(indices, least=count + 1)):
            case = replace(root, spans=(*master.spans, row), columns=[], bound=bound, rounds=0)
            for column in master.columns:
                case.add(column.index, column.visits, usable=column.usable)
            case.generate(rounds, go_on=go_on, report=lambda: None, target=target)
            done += 1
            if case.whole_bound >= target:
                heapq.heappush(heap, (float(target), done, None))
            else:
                heapq.heappush(heap, (case.bound, done, case))
        weakest = math.ceil(heap[0][0] - _ROUNDING)
        if weakest > least:
            least = weakest
            report(least)
        target = min(target, look())
    return min(least, target)


def _span(master: Master) -> tuple[frozenset[int], int] | None:
    """Crew-dates up to the day by which the number of trips is least whole, and that number rounded down."""
    season = master.season
    weight = np.zeros(season.n_days)
    for column, share in zip(master.columns, master.weights, strict=False):  # those added since have none
        weight[season.days[column.index].day] += share
    total = weight.cumsum()
    part = total - np.floor(total)
    score = np.minimum(part, 1 - part)
    if not len(score) or score.max() < _WHOLE:
        return None
    at = int(score.argmax())
    indices = frozenset(k for k, day in enumerate(season.days) if day.day <= at)
    return indices, math.floor(total[at])
