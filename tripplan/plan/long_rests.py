"""
What the rest of a long trip must cost at least: the orders that its hours force, and ng-routes from behind.

The rest of a trip is bounded from behind by ng-routes [1]_: each label remembers only the visits near
where it stands, counts its visits, and knows the latest second at which it can begin.

References
----------
.. [1] R. Baldacci, A. Mingozzi, R. Roberti, "New state-space relaxations for solving the traveling
   salesman problem with time windows," INFORMS Journal on Computing 24(3), 356-371, 2012.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_part
from tripplan.plan.loops import FAR

__all__ = ["bound_rests", "forced_orders", "grown", "popcount"]


@compiled_part
def grown(array, size):
    """Return a longer copy of an array."""
    bigger = np.empty(size, array.dtype)
    bigger[: array.shape[0]] = array
    return bigger


@compiled_part
def popcount(x):
    """Return how many bits are set."""
    count = 0
    while x:
        x &= x - np.int64(1)
        count += 1
    return count


@compiled
def forced_orders(move, loop_park, loop_mask, loop_d, loop_e, loop_l, day_start, n_visits):
    """
    Tell what the hours force: by loop the visits that must come before it, those that must come after.

    Returns these masks, the shortest seconds between any two parkings (base last) over any others, and
    the earliest begin of each loop.
    """
    n_loops = loop_park.shape[0]
    n_nodes = move.shape[0]
    short = move.astype(np.int64)
    for k in range(n_nodes):
        short[k, k] = 0
    for k in range(n_nodes):
        for i in range(n_nodes):
            for j in range(n_nodes):
                short[i, j] = min(short[i, j], short[i, k] + short[k, j])
    soonest = np.empty(n_loops, np.int64)
    for r in range(n_loops):
        soonest[r] = day_start + short[n_nodes - 1, loop_park[r]]
    can = np.zeros((n_visits, n_visits), np.bool_)  # i may come before j
    for a in range(n_loops):
        for b in range(n_loops):
            end = max(soonest[a] + loop_d[a], loop_e[a])
            if loop_mask[a] & loop_mask[b] or end + short[loop_park[a], loop_park[b]] <= loop_l[b]:
                for i in range(n_visits):
                    if loop_mask[a] >> i & 1:
                        for j in range(n_visits):
                            if loop_mask[b] >> j & 1:
                                can[i, j] = True
    before = np.zeros(n_loops, np.int64)
    after = np.zeros(n_loops, np.int64)
    for r in range(n_loops):
        for j in range(n_visits):
            if loop_mask[r] >> j & 1:
                for i in range(n_visits):
                    if i != j and not can[j, i]:
                        before[r] |= np.int64(1) << i
                    if i != j and not can[i, j]:
                        after[r] |= np.int64(1) << i
        before[r] &= ~loop_mask[r]
        after[r] &= ~loop_mask[r]
    return before, after, short, soonest


@compiled
def bound_rests(
    move,
    loop_park,
    loop_mask,
    loop_d,
    loop_e,
    loop_l,
    close_by,
    day_end,
    n_visits,
    before,
    after,
    soonest,
    memory,
    prize,
    max_labels,
):
    """
    Bound what is left of a trip once a loop begins, by loop and by visits left, that loop's included.

    Returns label arrays (cost less prizes, latest begin, remembered visits), sorted by cost within each
    bucket, the first label of each bucket, whether all labels were kept, and how often the cheapest
    whole trip of this relaxation makes each visit, with its cost.
    """
    n_loops = loop_park.shape[0]
    base = close_by.shape[0]
    n_buckets = n_loops * (n_visits + 1)
    head = np.full(n_buckets, -1, np.int64)
    cap = min(1 << 14, max_labels)
    cost = np.empty(cap, np.int64)
    late = np.empty(cap, np.int64)
    kept = np.empty(cap, np.int64)
    nxt = np.empty(cap, np.int64)
    then = np.empty(cap, np.int64)
    what = np.empty(cap, np.int32)
    times = np.zeros(n_visits, np.int64)
    count = 0
    size = np.empty(n_loops, np.int64)
    n_before = np.empty(n_loops, np.int64)
    n_after = np.empty(n_loops, np.int64)
    for r in range(n_loops):
        size[r] = popcount(loop_mask[r])
        n_before[r] = popcount(before[r])
        n_after[r] = popcount(after[r])
    for left in range(1, n_visits + 1):
        for s in range(n_loops):
            rest = left - size[s]
            if rest < n_after[s] or n_visits - left < n_before[s]:
                continue
            q = loop_park[s]
            bucket = s * (n_visits + 1) + left
            for r in range(n_loops if rest > 0 else 1):
                if rest > 0:
                    if loop_mask[r] & (loop_mask[s] | before[s]) or loop_mask[s] & after[r]:
                        continue
                    label = head[r * (n_visits + 1) + rest]
                    p = loop_park[r]
                    gap = 0 if p == q else move[q, p]
                else:
                    label = np.int64(-2)
                    gap = 0
                while label != -1:
                    origin = label
                    if rest > 0:
                        latest = late[label] - gap
                        new_cost = cost[label] + gap + loop_d[s] - prize[s]
                        memo = kept[label]
                        label = nxt[label]
                        if memo & loop_mask[s]:
                            continue
                        memo = (memo & memory[q]) | loop_mask[s]
                    else:
                        latest = min(close_by[q], day_end - move[q, base])
                        new_cost = np.int64(move[q, base] + loop_d[s]) - prize[s]
                        memo = loop_mask[s]
                        label = np.int64(-1)
                    if loop_e[s] > latest:
                        continue
                    begin = min(latest - loop_d[s], loop_l[s])
                    if begin < soonest[s]:
                        continue
                    worse = False
                    other = head[bucket]
                    previous = np.int64(-1)
                    while other != -1:
                        if cost[other] <= new_cost and late[other] >= begin and (kept[other] & ~memo) == 0:
                            worse = True
                            break
                        if new_cost <= cost[other] and begin >= late[other] and (memo & ~kept[other]) == 0:
                            if previous == -1:
                                head[bucket] = nxt[other]
                            else:
                                nxt[previous] = nxt[other]
                            other = nxt[other]
                            continue
                        previous = other
                        other = nxt[other]
                    if worse:
                        continue
                    if count >= cap:
                        if cap >= max_labels:
                            return cost, late, kept, head, False, times, np.int64(0)
                        cap = min(max_labels, cap * 2)
                        cost = grown(cost, cap)
                        late = grown(late, cap)
                        kept = grown(kept, cap)
                        nxt = grown(nxt, cap)
                        then = grown(then, cap)
                        what = grown(what, cap)
                    cost[count] = new_cost
                    late[count] = begin
                    kept[count] = memo
                    nxt[count] = head[bucket]
                    then[count] = origin
                    what[count] = s
                    head[bucket] = count
                    count += 1
    cheapest = np.int64(4 * FAR)
    best = np.int64(-1)
    for s in range(n_loops):
        label = head[s * (n_visits + 1) + n_visits]
        while label != -1:
            whole = cost[label] + move[base, loop_park[s]]
            if whole < cheapest:
                cheapest, best = whole, label
            label = nxt[label]
    while best >= 0:
        for i in range(n_visits):
            if loop_mask[what[best]] >> i & 1:
                times[i] += 1
        best = then[best]
    first = np.zeros(n_buckets + 1, np.int64)
    out_cost = np.empty(count, np.int64)
    out_late = np.empty(count, np.int64)
    out_kept = np.empty(count, np.int64)
    at = 0
    for bucket in range(n_buckets):
        first[bucket] = at
        begin_at = at
        label = head[bucket]
        while label != -1:
            out_cost[at] = cost[label]
            out_late[at] = late[label]
            out_kept[at] = kept[label]
            at += 1
            label = nxt[label]
        if at > begin_at + 1:
            order = np.argsort(out_cost[begin_at:at])
            out_cost[begin_at:at] = out_cost[begin_at:at][order]
            out_late[begin_at:at] = out_late[begin_at:at][order]
            out_kept[begin_at:at] = out_kept[begin_at:at][order]
    first[n_buckets] = at
    return out_cost, out_late, out_kept, first, True, times, cheapest
