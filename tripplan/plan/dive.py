"""
Dives: fix trips of the linear programme one by one, pricing new ones that fit those already fixed.

The columns that prove are not the columns that build; after each fixing, narrow pricing makes trips
that complement what stands. A dive gives up as soon as its value cannot beat the incumbent.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tripplan.plan.master import Master

__all__ = ["dive"]

_WHOLE = 1e-5
_PRICING_ROUNDS = 6


def dive(
    master: Master, random: np.random.Generator, limit: int, *, go_on: Callable[[], bool], spread: float
) -> dict[int, frozenset[int]] | None:
    """
    Round the linear programme to a plan.

    Parameters
    ----------
    master : Master
        Its columns grow; its bounds are put back.
    random : numpy.random.Generator
        For the choice among trips.
    limit : int
        Only a plan with fewer trips is wanted.
    go_on : callable
        False stops.
    spread : float
        0 takes the trip of largest weight; more lets lighter ones in by chance.

    Returns
    -------
    dict of int to frozenset of int or None
        Visits by day index; None where the dive failed.
    """
    fixed: list[int] = []
    master.bar_relaxed(barred=True)
    try:
        while go_on():
            for _ in range(_PRICING_ROUNDS):
                duals = master.solve()
                if master.add_known(duals) + master.add_narrow(duals) < 2:
                    break
            master.solve()
            if master.missed > _WHOLE or math.ceil(master.value - _WHOLE) >= limit:
                return None
            weights = master.weights
            free = [k for k in np.flatnonzero(weights > _WHOLE) if k not in fixed]
            if not free:
                return {master.columns[k].index: frozenset(master.columns[k].visits) for k in fixed}
            whole = [int(k) for k in free if weights[k] > 1 - _WHOLE]
            if not whole:
                score = [float(weights[k]) + spread * float(random.random()) for k in free]
                whole = [int(free[int(np.argmax(score))])]
            for k in whole:
                master.fix(k, fixed=True)
                fixed.append(k)
        return None
    finally:
        for k in fixed:
            master.fix(k, fixed=False)
        master.bar_relaxed(barred=False)
