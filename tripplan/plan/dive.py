"""
Dives: fix trips of the linear programme one by one, pricing new ones that fit those already fixed.

The columns that prove are not the columns that build; after each fixing, narrow pricing makes trips
that complement what stands. Where the value cannot beat the incumbent any more, the last trip is let go
and kept out; after a few such steps back the dive gives up.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tripplan.plan.master import Master

__all__ = ["dive"]

_WHOLE = 1e-5
_PRICING_ROUNDS = 3
_MOST_ROUNDS = 15
_MOST_BACKS = 6
_NEARLY = 0.95
_SHED_COSTS = 0.02  # what shed visits may add to the value


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
    batches: list[list[int]] = []
    backs = 0
    master.bar_relaxed(barred=True)
    try:
        while go_on():
            for k in range(_MOST_ROUNDS):
                duals = master.solve()
                hopeless = master.missed > _WHOLE or math.ceil(master.value - _SHED_COSTS) >= limit
                if k >= _PRICING_ROUNDS and not hopeless:
                    break
                if master.add_known(duals) + master.add_narrow(duals, width=4, enough=30) < 2:
                    break
            else:
                master.solve()
                hopeless = master.missed > _WHOLE or math.ceil(master.value - _SHED_COSTS) >= limit
            if hopeless:
                if not batches or backs >= _MOST_BACKS:
                    return None
                backs += 1
                last = batches.pop()
                for k in last:
                    master.unfix(k, barred=k == last[-1])
                    fixed.remove(k)
                continue
            weights = master.weights
            free = [k for k in np.flatnonzero(weights > _WHOLE) if k not in fixed]
            if not free:
                return {master.columns[k].index: frozenset(master.columns[k].visits) for k in fixed}
            whole = sorted((int(k) for k in free if weights[k] > _NEARLY), key=lambda k: -weights[k])
            if not whole:
                score = [float(weights[k]) + spread * float(random.random()) for k in free]
                whole = [int(free[int(np.argmax(score))])]
            batches.append(whole)
            for k in whole:
                master.fix(k)
                fixed.append(k)
        return None
    finally:
        master.release()
        master.bar_relaxed(barred=False)
