"""Put the loops of one trip into a better order: stretches moved elsewhere, turned round, or both."""

from __future__ import annotations

from tripplan.plan.compiled import compiled, compiled_part
from tripplan.plan.loops import FAR

__all__ = ["improve_order"]


@compiled_part
def _span(order, move, loop_park, loop_d, loop_e, loop_l, close_by, day_start, day_end, waiting_counts):
    """Return crew seconds and latest leave of loops in this order; FAR where they break an hour."""
    base = close_by.shape[0]
    p = base
    d, e, late = 0, day_start, FAR
    for k in order:
        q = loop_park[k]
        gap = 0 if q == p else move[p, q]
        if e + gap > loop_l[k]:
            return FAR, 0
        late = min(late, loop_l[k] - gap - d)
        d = d + gap + loop_d[k]
        e = max(e + gap + loop_d[k], loop_e[k])
        p = q
    home = move[p, base]
    if e > close_by[p] or e + home > day_end:
        return FAR, 0
    leave = min(late, min(close_by[p] - d, day_end - home - d))
    if leave < day_start:
        return FAR, 0
    return (max(d + home, e + home - leave) if waiting_counts else d + home), leave


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
    best, best_leave = _span(order, *shape)
    trial = order.copy()
    better = True
    while better:
        better = False
        for first in range(n):
            for last in range(first, n):
                for to in range(n - (last - first)):
                    for turned in range(2):
                        if to != first and last - first > 2:
                            continue  # long stretches are only turned where they stand
                        if (to == first and not turned) or (turned and last == first):
                            continue
                        at = 0
                        for k in range(n + 1):
                            if at == to:
                                for step in range(last - first + 1):
                                    trial[at] = order[last - step] if turned else order[first + step]
                                    at += 1
                            if k < n and not first <= k <= last:
                                trial[at] = order[k]
                                at += 1
                        span, leave = _span(trial, *shape)
                        if span < best:
                            best, best_leave = span, leave
                            order[:] = trial
                            better = True
    return best, best_leave
