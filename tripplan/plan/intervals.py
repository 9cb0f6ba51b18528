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
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from tripplan.plan.master import Master
from tripplan.plan.rows import SpanRow

__all__ = ["tighten"]

_MOST_DATES = 26
"""Dates between which intervals are looked at; of more, evenly spread ones."""

_MOST_LIMITS = 12
"""Limits taken in at once, those of the shortest intervals first."""

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
        found: list[SpanRow] = []
        for ends in _intervals(master):
            if not go_on() or len(found) == _MOST_LIMITS:
                break
            if ends in values and not _may_break(master, ends, values[ends]):
                continue
            part = _between(master, *ends, found)
            if ends not in values:
                part.multipliers()
                values[ends] = part.value
                if not _may_break(master, ends, part.value):
                    continue
            part.generate(rounds, go_on=go_on, report=_nothing)
            values[ends] = part.value
            if part.whole_bound > _made(master, *ends) + _BROKEN:
                found.append(SpanRow(_indices(root, *ends), least=part.whole_bound))
        if not found:
            break
        fresh = replace(root, spans=(*master.spans, *found), columns=[], bound=master.bound, rounds=0)
        for column in master.columns:
            fresh.add(column.index, column.visits, usable=column.usable)
        fresh.generate(rounds, go_on=go_on, report=_nothing, target=target)
        fresh.solve()
        master = fresh
        values = {ends: value for ends, value in values.items() if not _holds_one(root, ends, found)}
        report(master.whole_bound)
        if master.whole_bound >= target:
            break
    return master


def _intervals(master: Master) -> list[tuple[int, int]]:
    """Return first and last days between which no whole number of trips is made, the shortest first."""
    days = sorted({day.day for day in master.season.days if day.spans})
    step = max(1, math.ceil(len(days) / _MOST_DATES))
    ends = sorted({*days[::step], *days[-1:]})
    found: list[tuple[int, int]] = []
    for k, first in enumerate(ends):
        for last in ends[k + 1 :]:
            made = _made(master, first, last)
            if math.ceil(made) - made > _BROKEN:
                found.append((first, last))
    return sorted(found, key=lambda span: (span[1] - span[0], span))


def _may_break(master: Master, ends: tuple[int, int], value: float) -> bool:
    """
    Tell whether fewer trips seem to be made in an interval than its windows need, by their linear value.

    By the trips known they need at most what is made there, so that only a whole number between the two is a
    limit.
    """
    return value > math.ceil(_made(master, *ends)) - 1 + _ROUNDING


def _between(known: Master, first: int, last: int, more: Sequence[SpanRow]) -> Master:
    """
    Return the linear programme of the windows from one day to another.

    With the trips known there, and with the limits that lie inside, known or more.
    """
    rows = tuple(row for row in known.rows if first <= row.days[0] and row.days[-1] <= last)
    inside = _indices(known, first, last)
    limits = tuple(span for span in (*known.spans, *more) if span.indices < inside)
    part = Master(known.season, rows, known.stock, known.book, known.pricer, limits)
    for column in known.columns:
        if column.index in inside:
            part.add(column.index, column.visits, usable=column.usable)
    return part


def _holds_one(root: Master, ends: tuple[int, int], spans: Sequence[SpanRow]) -> bool:
    """Tell whether some limit lies between two dates, and so may lift what their windows need."""
    inside = _indices(root, *ends)
    return any(span.indices < inside for span in spans)


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
