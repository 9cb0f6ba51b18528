"""
Whole numbers of trips between two dates: limits that tighten the linear programme.

The trips between two dates fill every window that lies between them, so that they are a plan of those windows
alone: whatever number of trips these need, rounded up, every plan makes between the two dates. A linear
programme that makes 2.3 trips where 2.1 fill the windows must make 3 [1]_. The limits concern trips, not
visits, so that pricing stays as it is.

References
----------
.. [1] V. Chvatal, "Edmonds polytopes and a hierarchy of combinatorial problems," Discrete Mathematics 4(4),
   305-337, 1973 (rounding up what the rows of a programme imply).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tripplan.plan.master import Master
from tripplan.plan.rows import SpanRow

__all__ = ["tighten"]

_MOST_DATES = 26
"""Dates between which intervals are looked at; of more, evenly spread ones."""

_MOST_LIMITS = 12
"""Limits taken in at once, those broken most first."""

_BROKEN = 0.02
_ROUNDING = 1e-4


def tighten(
    root: Master,
    target: int,
    *,
    turns: int,
    rounds: int,
    go_on: Callable[[], bool],
    report: Callable[[int], None],
) -> Master:
    """
    Take limits on the trips between two dates into a season's linear programme.

    Parameters
    ----------
    root : Master
        The linear programme of the whole season, with every window to be filled.
    target : int
        Trips of the best plan known.
    turns : int
        Times at the most that limits are looked for.
    rounds : int
        Exact pricing rounds for each interval, and for the whole after each turn.
    go_on : callable
        False stops.
    report : callable
        Told the trips that no plan can undercut after each turn.

    Returns
    -------
    Master
        With the limits found, solved; its bound holds for every plan that fills the windows of the root.

    Raises
    ------
    ValueError
        If windows of some sites need not be filled.
    """
    if root.forgiven:
        message = "Where sites are forgiven, no windows between two dates are sure to be filled."
        raise ValueError(message)
    master = root
    master.solve()
    values: dict[tuple[int, int], float] = {}
    for _ in range(turns):
        broken = _broken(master, root, values, go_on)
        found: list[SpanRow] = []
        for first, last in broken:
            if not go_on() or len(found) == _MOST_LIMITS:
                break
            part = _between(root, first, last)
            part.generate(rounds, go_on=go_on, report=_nothing)
            values[first, last] = min(values[first, last], part.value)
            if part.whole_bound > _made(master, first, last) + _BROKEN:
                found.append(SpanRow(_indices(root, first, last), least=part.whole_bound))
        if not found:
            break
        fresh = replace(root, spans=(*master.spans, *found), columns=[], bound=master.bound, rounds=0)
        for column in master.columns:
            fresh.add(column.index, column.visits, usable=column.usable)
        fresh.generate(rounds, go_on=go_on, report=_nothing, target=target)
        fresh.solve()
        master = fresh
        report(master.whole_bound)
        if master.whole_bound >= target:
            break
    return master


def _broken(
    master: Master, root: Master, values: dict[tuple[int, int], float], go_on: Callable[[], bool]
) -> list[tuple[int, int]]:
    """
    Return intervals in which fewer trips are made than their windows seem to need, by the trips known.

    What the windows between two dates need is at most what is made there, so that only a whole number
    between the two is a limit.
    """
    days = sorted({day.day for day in root.season.days if day.spans})
    step = max(1, math.ceil(len(days) / _MOST_DATES))
    ends = sorted({*days[::step], *days[-1:]})
    found: list[tuple[float, int, int]] = []
    for first in ends:
        for last in (day for day in ends if day > first):
            made = _made(master, first, last)
            least = math.ceil(made)
            if least - made <= _BROKEN:
                continue
            if not go_on():
                return []
            if (first, last) not in values:
                part = _between(root, first, last)
                part.solve()
                values[first, last] = part.value
            if values[first, last] > least - 1 + _ROUNDING:
                found.append((made - least, first, last))
    return [(first, last) for _, first, last in sorted(found)]


def _between(root: Master, first: int, last: int) -> Master:
    """Return the linear programme of the windows from one day to another, with the trips known there."""
    rows = tuple(row for row in root.rows if first <= row.days[0] and row.days[-1] <= last)
    part = Master(root.season, rows, root.stock, root.book, root.pricer)
    inside = _indices(root, first, last)
    for column in root.columns:
        if column.index in inside:
            part.add(column.index, column.visits, usable=column.usable)
    return part


def _indices(root: Master, first: int, last: int) -> frozenset[int]:
    return frozenset(i for i, day in enumerate(root.season.days) if first <= day.day <= last)


def _made(master: Master, first: int, last: int) -> float:
    """Return the trips that the linear programme makes from one day to another."""
    days = master.season.days
    made = (
        float(weight)
        for column, weight in zip(master.columns, master.weights, strict=False)
        if first <= days[column.index].day <= last
    )
    return float(np.sum(np.fromiter(made, np.float64)))


def _nothing() -> None:
    pass
