"""Compiled: whether some stops fit into one crew's day, for the search for one trip fewer."""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled_inner
from tripplan.plan.squeeze_tables import CLOSE, CREW, DAWN, DUSK, FAR, LATEST, LONG, OVER, START, TABLE

__all__ = ["MOST_STOPS", "in_time"]

MOST_STOPS = 9
"""Up to so many stops every order is looked at."""

_MOST_IN_DEPTH = 7
"""Up to so many, order by order; with more, set by set."""

_FEW_STOPS = 3
"""With more, one order is looked at before all are."""


@compiled_inner
def _end_of_stop(p, i, q, subset, begin):
    """Return when a stop begun at a second is over; `FAR` where it cannot be."""
    o = p.stops[i, q, TABLE] + subset
    long = p.loops[o, LONG]
    start = max(begin, np.int64(p.stops[i, q, DAWN]))
    end = max(start + long, np.int64(p.loops[o, OVER]))
    if start > p.loops[o, LATEST] or end > p.stops[i, q, DUSK]:
        return np.int64(FAR)
    return end


@compiled_inner
def in_time(p, i, m, work):
    """Tell whether the stops `work[0]` with their sites `work[1]` fit on a crew-date."""
    move = p.move[p.days[i, CREW]]
    base = move.shape[0] - 1
    done = work[2:]
    for k in range(m):
        q = work[0, k]
        o = p.stops[i, q, TABLE]
        if o < 0 or p.loops[o + work[1, k], LONG] >= FAR:
            return False
    if not _could_be_in_time(p, i, m, work):
        return False
    for k in range(1, m if m > MOST_STOPS else 0):  # one order of them, whatever the order of the visits
        q, sites = work[0, k], work[1, k]
        z = k
        while z > 0 and work[0, z - 1] > q:
            work[0, z] = work[0, z - 1]
            work[1, z] = work[1, z - 1]
            z -= 1
        work[0, z] = q
        work[1, z] = sites
    if m > _FEW_STOPS and _in_time_roughly(p, i, m, work):
        return True
    if m > MOST_STOPS:
        return False
    if m <= _MOST_IN_DEPTH:
        return _in_some_order(p, i, m, work)
    full = (1 << m) - 1
    for mask in range(1, full + 1):
        for k in range(m):
            done[mask, k] = FAR
    for mask in range(full):
        for k in range(m):
            if mask == 0:
                if k > 0:
                    break
                now = np.int64(p.days[i, START])
                here = base
            else:
                now = done[mask, k]
                here = work[0, k]
            if now >= FAR:
                continue
            for z in range(m):
                if mask & (1 << z):
                    continue
                end = _end_of_stop(p, i, work[0, z], work[1, z], now + move[here, work[0, z]])
                done[mask | (1 << z), z] = min(end, done[mask | (1 << z), z])
    for k in range(m):
        if done[full, k] <= p.stops[i, work[0, k], CLOSE]:
            return True
    return False


@compiled_inner
def _in_some_order(p, i, m, work):
    """
    Tell whether few stops fit in some order, given that each can be reached.

    Orders are followed until what is left, each stop reached by the shortest way into it, would end too late.
    """
    move = p.move[p.days[i, CREW]]
    base = move.shape[0] - 1
    least, left, now, nth = work[2], work[3], work[4], work[5]
    ways = work[6:]
    close = np.int64(-FAR)
    left[0] = 0
    for k in range(m):
        q = work[0, k]
        ways[m, k] = move[base, q]
        least[k] = ways[m, k]
        for z in range(m):
            ways[z, k] = move[work[0, z], q]
            if z != k:
                least[k] = min(least[k], ways[z, k])
        least[k] += p.loops[p.stops[i, q, TABLE] + work[1, k], LONG]
        left[0] += least[k]
        close = max(close, np.int64(p.stops[i, q, CLOSE]))
    now[0] = p.days[i, START]
    nth[0] = 0
    here = m
    deep = 0
    used = 0
    while True:
        k = nth[deep]
        if k == m:
            if deep == 0:
                return False
            deep -= 1
            used &= ~(1 << (nth[deep] - 1))
            here = m if deep == 0 else nth[deep - 1] - 1
            continue
        nth[deep] = k + 1
        if used & (1 << k):
            continue
        end = _end_of_stop(p, i, work[0, k], work[1, k], now[deep] + ways[here, k])
        if deep == m - 1:
            if end <= p.stops[i, work[0, k], CLOSE]:
                return True
        elif end + left[deep] - least[k] <= close:
            used |= 1 << k
            deep += 1
            now[deep] = end
            left[deep] = left[deep - 1] - least[k]
            nth[deep] = 0
            here = k


@compiled_inner
def _could_be_in_time(p, i, m, work):
    """Tell whether the stops would fit if each were reached by the shortest way into it."""
    move = p.move[p.days[i, CREW]]
    base = move.shape[0] - 1
    now = np.int64(p.days[i, START])
    close = np.int64(-FAR)
    for k in range(m):
        q = work[0, k]
        way = np.int64(move[base, q])
        for z in range(m):
            if z != k:
                way = min(way, np.int64(move[work[0, z], q]))
        now += way + p.loops[p.stops[i, q, TABLE] + work[1, k], LONG]
        close = max(close, np.int64(p.stops[i, q, CLOSE]))
    return now <= close


@compiled_inner
def _in_time_roughly(p, i, m, work):
    """Tell whether many stops fit in the order of cheapest insertion, either way round."""
    move = p.move[p.days[i, CREW]]
    base = move.shape[0] - 1
    order = work[2]
    for k in range(m):
        best = np.int64(FAR)
        where = 0
        for pos in range(k + 1):
            before = base if pos == 0 else work[0, order[pos - 1]]
            after = base if pos == k else work[0, order[pos]]
            more = np.int64(move[before, work[0, k]]) + move[work[0, k], after]
            if before != after:
                more -= move[before, after]
            if more < best:
                best = more
                where = pos
        for pos in range(k, where, -1):
            order[pos] = order[pos - 1]
        order[where] = k
    for turn in range(2):
        now = np.int64(p.days[i, START])
        last = base
        for pos in range(m):
            k = order[pos] if turn == 0 else order[m - 1 - pos]
            now = _end_of_stop(p, i, work[0, k], work[1, k], now + move[last, work[0, k]])
            last = work[0, k]
            if now >= FAR:
                break
        if now <= p.stops[i, last, CLOSE]:
            return True
    return False
