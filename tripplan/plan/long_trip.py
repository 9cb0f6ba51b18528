"""
The best order of one long trip: exact labels, cut short by what the rest must cost at least.

The rest of a trip is bounded by relaxed trips from behind (`long_rests`), with a prize on each visit that
makes them do each of them once. Forward labels (`long_labels`) are exact; one that cannot beat the best
trip known, even with the cheapest rest that fits its visits and its hour, is dropped. The best trip known
comes from the same labels, a few to each count of visits.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.long_labels import extend_labels
from tripplan.plan.long_moves import improve_order
from tripplan.plan.long_rests import bound_rests, forced_orders
from tripplan.plan.loops import FAR

__all__ = ["order_long_trip"]

_STAGES = ((4, 30), (8, 20), (11, 8))
"""Parkings that a relaxed trip remembers, and steps towards better prizes."""

_WIDTHS = (300, 3000, 0)
"""Labels to each count of visits; 0: all."""

_QUICK_STAGES = ((3, 4),)
_QUICK_WIDTH = 60


def order_long_trip(
    move: NDArray[np.int32],
    loop_park: NDArray[np.int32],
    loop_mask: NDArray[np.int64],
    loop_d: NDArray[np.int32],
    loop_e: NDArray[np.int32],
    loop_l: NDArray[np.int32],
    close_by: NDArray[Any],
    day_start: int,
    day_end: int,
    n_visits: int,
    max_labels: int,
    waiting_counts: bool,
    *,
    proof: bool = True,
    quick: bool = False,
) -> tuple[int, int, NDArray[np.int32]]:
    """
    Find the order, loops and hours of up to 62 given visits that take the least crew time, exactly.

    Takes and gives what `tripplan.plan.kernels.order_visits` does. Without `proof` the best trip found is
    given where none is proved to be the best; -1 still means that the visits are proved not to fit. `quick`
    looks at a few labels for each count of visits only.

    Returns
    -------
    seconds : int
        Least back minus leave; -1 where the visits do not fit, -2 where `max_labels` was too few to
        tell, or without `proof` to find any.
    leave : int
        The latest leave among the trips of that duration that were met.
    loops : numpy.ndarray
        Loop indices in order.
    """
    n_parks = close_by.shape[0]
    here = np.zeros(n_parks, np.int64)
    for k in range(loop_park.shape[0]):
        here[loop_park[k]] |= loop_mask[k]
    shape = (move, loop_park, loop_mask, loop_d, loop_e, loop_l, close_by)
    before, after, short, soonest = forced_orders(*shape[:6], day_start, n_visits)
    none = np.empty(0, np.int32)
    best, leave, loops = 4 * FAR, -FAR, none
    prize = np.zeros(n_visits, np.int64)
    best_prize, best_bound = prize, -1
    members = np.array([[mask >> i & 1 for i in range(n_visits)] for mask in loop_mask.tolist()], np.int64)
    for near, steps in _QUICK_STAGES if quick else _STAGES:
        memory = np.zeros(n_parks, np.int64)
        for q in range(n_parks):
            gaps = move[:n_parks, q].astype(np.int64)
            gaps[q] = -1
            for p in np.argsort(gaps, kind="stable")[:near]:
                memory[q] |= here[p]
        prize = best_prize
        rests = None
        step = 1.0
        for _ in range(steps):
            rest = bound_rests(
                *shape,
                day_end,
                n_visits,
                before,
                after,
                soonest,
                memory,
                members @ prize,
                max_labels,
            )
            if not rest[4]:
                break
            if rest[6] >= 4 * FAR:
                return -1, 0, none  # not even the relaxation holds a trip
            bound = int(rest[6] + prize.sum())
            if rests is None or bound > best_bound:
                best_bound, best_prize, rests = bound, prize, rest[:4]
            else:
                step *= 0.7
            excess = 1 - rest[5]
            if not excess.any() or step < 0.02:
                break
            goal = best if best < 4 * FAR else 1.05 * max(best_bound, 1)
            size = step * max(goal - bound, 0.01 * goal) / float((excess**2).sum())
            prize = prize + (size * excess).astype(np.int64)
        if rests is None:
            break
        for width in (_QUICK_WIDTH,) if quick else _WIDTHS:
            found = extend_labels(
                *shape,
                day_start,
                day_end,
                n_visits,
                before,
                short,
                best_prize,
                waiting_counts,
                *rests,
                best,
                width,
                max_labels,
            )
            if len(found[2]):
                best, leave, loops = found[0], found[1], found[2]
            if found[3]:
                return (int(best), int(leave), loops) if len(loops) else (-1, 0, none)
    if proof or not len(loops):
        return -2, 0, none
    loops = np.ascontiguousarray(loops)
    hours = (loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts)
    best, leave = improve_order(loops, move, loop_park, *hours)
    return int(best), int(leave), loops
