"""
Put the loops of one trip into a better order: stretches moved elsewhere, turned round, or both.

`search_order` also looks among orders that are late, with a penalty, and shakes the order where no move
helps; so it finds trips where labels dropped for want of room did not.
"""

# Compiled in: 0c8363dcc96b

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_inner, compiled_part
from tripplan.plan.loops import FAR

__all__ = ["improve_order", "measure_order", "search_order"]

_LATE_WEIGHT = 4
_LONGEST_MOVED = 3
_SHAKEN = 15
_RETURN = 50
_WORSE = 400
"""A shaken order is gone on with where it is worse by at most one part in so many."""


@compiled_inner
def _span(order, move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts, stop):
    """
    Return crew seconds, latest leave and seconds late of loops in this order.

    A loop begun late is taken to begin in time, and the time gone back is added up. Where the seconds with
    their penalty reach `stop`, the rest is not looked at.
    """
    base = close_by.shape[0]
    p = base
    d, e, late, back = np.int64(0), np.int64(day_start), np.int64(FAR), np.int64(0)
    for k in order:
        q = loop_park[k]
        gap = np.int64(0 if q == p else move[p, q])
        begin = e + gap
        if begin > loop_l[k]:
            back += begin - loop_l[k]
            begin = np.int64(loop_l[k])
        late = min(late, loop_l[k] - gap - d)
        d += gap + loop_d[k]
        e = max(begin + loop_d[k], np.int64(loop_e[k]))
        p = q
        if d + _LATE_WEIGHT * back >= stop:
            return d, late, back
    home = np.int64(move[p, base])
    end = min(np.int64(close_by[p]), day_end - home)
    if e > end:
        back += e - end
        e = end
    leave = min(late, end - d)
    if leave < day_start:
        back = max(back, day_start - leave)
        leave = np.int64(day_start)
    return (max(d + home, e + home - leave) if waiting_counts else d + home), leave, back


@compiled_inner
def _move(order, first, last, to, turned, moved):
    """Write into `moved` the order with its stretch `first` to `last` put at place `to`, turned or not."""
    at = 0
    for k in range(order.shape[0] + 1):
        if at == to:
            for step in range(last - first + 1):
                moved[at] = order[last - step] if turned else order[first + step]
                at += 1
        if k < order.shape[0] and not first <= k <= last:
            moved[at] = order[k]
            at += 1


@compiled
def measure_order(
    order, move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts
):
    """Return crew seconds and latest leave of loops in this order; FAR where they break an hour."""
    span, leave, back = _span(
        order, move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts, 4 * FAR
    )
    return (FAR, 0) if back > 0 else (span, leave)


@compiled
def improve_order(
    order, move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts
):
    """
    Move and turn stretches of `order` while crew seconds go down; works in place.

    Returns the seconds and the latest leave of the order reached, which keeps every hour if that given does.
    """
    n = order.shape[0]
    shape = (move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts)
    best, best_leave, back = _span(order, *shape, 4 * FAR)
    if back > 0:
        best = np.int64(FAR)
    trial = order.copy()
    better = True
    while better:
        better = False
        for first in range(n):
            for last in range(first, n):
                for to in range(n - (last - first)):
                    for turned in range(2):
                        if to != first and last - first >= _LONGEST_MOVED:
                            continue  # long stretches are only turned where they stand
                        if (to == first and not turned) or (turned and last == first):
                            continue
                        _move(order, first, last, to, turned, trial)
                        span, leave, back = _span(trial, *shape, 4 * FAR)
                        if back == 0 and span < best:
                            best, best_leave = span, leave
                            order[:] = trial
                            better = True
    return best, best_leave


@compiled_part
def _descend(order, trial, place, near, shape):
    """Take the first move that lowers seconds with penalty, until none does; return these and lateness."""
    n = order.shape[0]
    value, _, back = _span(order, *shape, 4 * FAR)
    value += _LATE_WEIGHT * back
    better = True
    while better:
        better = False
        for k in range(n):
            place[order[k]] = k
        for first in range(n):
            for length in range(1, n - first + 1):
                last = first + length - 1
                for turned in range(2):
                    for k in range(-1, near.shape[1] if length <= _LONGEST_MOVED else 0):
                        to = first
                        if k >= 0:  # behind one that is near its new first loop
                            other = place[near[order[last] if turned else order[first], k]]
                            if other < 0 or first <= other <= last:
                                continue
                            to = other + 1 if other < first else other + 1 - length
                        if to == first and (not turned or length == 1):
                            continue
                        _move(order, first, last, to, turned, trial)
                        span, _, late = _span(trial, *shape, value)
                        if span + _LATE_WEIGHT * late < value:
                            value, back = span + _LATE_WEIGHT * late, late
                            order[:] = trial
                            better = True
                            break
                    if better:
                        break
                if better:
                    break
            if better:
                break
    return value, back


@compiled
def search_order(
    order,
    near,
    rounds,
    seed,
    move,
    loop_park,
    loop_d,
    loop_e,
    loop_l,
    close_by,
    day_start,
    day_end,
    waiting_counts,
):
    """
    Look for a better order of the same loops, over late ones too; works in place.

    `near` holds by loop the loops that it may be put behind. Returns the least crew seconds of an order
    that keeps every hour; FAR where none was met, and then `order` is not changed.
    """
    np.random.seed(seed)
    n = order.shape[0]
    shape = (move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts)
    now, new, trial = order.copy(), order.copy(), order.copy()
    place = np.full(loop_park.shape[0], -1, np.int64)
    best, value = np.int64(FAR), np.int64(1) << 60
    for k in range(rounds):
        new[:] = now
        if k > 0 and n > 1:
            # two neighbouring stretches change places, and now and then two loops
            span = min(n, 3 + np.random.randint(0, _SHAKEN - 3))
            first = np.random.randint(0, n - span + 1)
            cut = first + 1 + np.random.randint(0, span - 1)
            for at in range(first, first + span):
                new[at] = now[
                    at + cut - first if at + cut - first < first + span else at + cut - first - span
                ]
            if np.random.random() < 0.5:
                a, b = np.random.randint(0, n), np.random.randint(0, n)
                new[a], new[b] = new[b], new[a]
        got, back = _descend(new, trial, place, near, shape)
        if back == 0 and got < best:
            best = got
            order[:] = new
        if got <= value + value // _WORSE:
            now[:] = new
            value = got
        if k % _RETURN == _RETURN - 1 and best < FAR:
            now[:] = order
            value = best
    return best
