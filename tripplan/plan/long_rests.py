"""
What the rest of a long trip must cost at least: the orders that its hours force, and ng-routes from behind.

The rest of a trip is bounded from behind by ng-routes [1]_: each label remembers only some of the visits
that it has made, counts them, and knows the latest second at which it can begin. Its start is bounded in the
same way, by the same function on the trip turned round in time. Labels of one side that no label of the
other brings below the best trip known are left out, so that the sides can remember more from turn to turn.

References
----------
.. [1] R. Baldacci, A. Mingozzi, R. Roberti, "New state-space relaxations for solving the traveling
   salesman problem with time windows," INFORMS Journal on Computing 24(3), 356-371, 2012.
"""

# Compiled in: 0c8363dcc96b

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_inner, compiled_part
from tripplan.plan.loops import FAR

__all__ = ["bound_rests", "forced_orders", "grown", "popcount"]

_TRIES = 20
"""Labels made to each that may be kept."""


@compiled_part
def grown(array, size):
    """Return a longer copy of an array."""
    bigger = np.empty(size, array.dtype)
    bigger[: array.shape[0]] = array
    return bigger


@compiled_inner
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
    home,
    last_leave,
    first_leg,
    n_visits,
    before,
    after,
    soonest,
    memory,
    prize,
    other_cost,
    other_late,
    other_kept,
    other_first,
    limit,
    max_labels,
):
    """
    Bound what is left of a trip once a loop begins, by loop and by visits left, that loop's included.

    `home` and `last_leave` hold by parking what the way to the base takes and by when it must begin,
    `first_leg` what the way from the base takes. `memory` holds by parking the visits remembered there.
    `other_first` is empty, or with the other three what this function returned for the trip turned round
    under the same prizes; then labels that no other brings below `limit` are left out.

    Returns
    -------
    cost, late, kept, first : numpy.ndarray
        Labels (cost less prizes, latest begin, remembered visits) sorted by cost within each bucket, and the
        first label of each bucket.
    complete : bool
        Whether all labels were kept.
    cheapest : int
        Least cost less prizes of a whole relaxed trip, 4 FAR where there is none.
    then, what : numpy.ndarray
        By label, the label that it goes on with (-1: the base), and its loop.
    """
    n_loops = loop_park.shape[0]
    n_buckets = n_loops * (n_visits + 1)
    bounded = other_first.shape[0] > 0
    begin_at = np.zeros(n_buckets, np.int64)
    end_at = np.zeros(n_buckets, np.int64)
    cap = min(1 << 14, max_labels)
    cost = np.empty(cap, np.int64)
    late = np.empty(cap, np.int64)
    kept = np.empty(cap, np.int64)
    then = np.empty(cap, np.int64)
    what = np.empty(cap, np.int32)
    count = 0
    few = 1 << 12  # candidates for one bucket
    new_cost = np.empty(few, np.int64)
    new_late = np.empty(few, np.int64)
    new_kept = np.empty(few, np.int64)
    new_then = np.empty(few, np.int64)
    tried = 0
    size = np.empty(n_loops, np.int64)
    n_before = np.empty(n_loops, np.int64)
    n_after = np.empty(n_loops, np.int64)
    for r in range(n_loops):
        size[r] = popcount(loop_mask[r])
        n_before[r] = popcount(before[r])
        n_after[r] = popcount(after[r])
    for left in range(1, n_visits + 1):
        for s in range(n_loops):
            bucket = s * (n_visits + 1) + left
            begin_at[bucket], end_at[bucket] = count, count
            rest = left - size[s]
            if rest < n_after[s] or n_visits - left < n_before[s]:
                continue
            low, high = np.int64(0), np.int64(0)
            if bounded:
                facing = s * (n_visits + 1) + n_visits - left + size[s]
                low, high = other_first[facing], other_first[facing + 1]
                if low == high:
                    continue
            q = loop_park[s]
            own = np.int64(loop_d[s] - prize[s])
            new = 0
            for r in range(n_loops if rest > 0 else 1):
                gap = np.int64(home[q])
                first_label, end_label = np.int64(0), np.int64(1)
                if rest > 0:
                    if loop_mask[r] & (loop_mask[s] | before[s]) or loop_mask[s] & after[r]:
                        continue
                    some = r * (n_visits + 1) + rest
                    first_label, end_label = begin_at[some], end_at[some]
                    p = loop_park[r]
                    gap = np.int64(0 if p == q else move[q, p])
                for label in range(first_label, end_label):
                    c, latest, memo = gap + own, np.int64(last_leave[q]), np.int64(0)
                    if rest > 0:
                        c += cost[label]
                        latest = late[label] - gap
                        memo = kept[label]
                    if bounded and c + other_cost[low] - own >= limit:
                        break  # the labels that follow cost no less
                    if memo & loop_mask[s] or loop_e[s] > latest:
                        continue
                    memo &= memory[q]
                    begin = min(latest - loop_d[s], np.int64(loop_l[s]))
                    if begin < soonest[s]:
                        continue
                    if bounded:
                        meets = False
                        by = max(begin + loop_d[s], np.int64(loop_e[s]))
                        strange = memo & ~loop_mask[s]
                        for k in range(low, high):
                            if c + other_cost[k] - own >= limit:
                                break
                            if -other_late[k] <= by and (other_kept[k] & strange) == 0:
                                meets = True
                                break
                        if not meets:
                            continue
                    if new == few:
                        few *= 2
                        new_cost = grown(new_cost, few)
                        new_late = grown(new_late, few)
                        new_kept = grown(new_kept, few)
                        new_then = grown(new_then, few)
                    new_cost[new], new_late[new], new_kept[new] = c, begin, memo | loop_mask[s]
                    new_then[new] = label if rest > 0 else -1
                    new += 1
            tried += new
            if tried > _TRIES * max_labels:
                return cost, late, kept, begin_at, False, np.int64(0), then, what
            for k in np.argsort(new_cost[:new]):
                worse = False
                for label in range(begin_at[bucket], count):
                    if late[label] >= new_late[k] and (kept[label] & ~new_kept[k]) == 0:
                        worse = True
                        break
                if worse:
                    continue
                if count == cap:
                    if cap >= max_labels:
                        return cost, late, kept, begin_at, False, np.int64(0), then, what
                    cap = min(max_labels, cap * 2)
                    cost = grown(cost, cap)
                    late = grown(late, cap)
                    kept = grown(kept, cap)
                    then = grown(then, cap)
                    what = grown(what, cap)
                cost[count], late[count], kept[count] = new_cost[k], new_late[k], new_kept[k]
                then[count], what[count] = new_then[k], s
                count += 1
            end_at[bucket] = count
    first = np.zeros(n_buckets + 1, np.int64)
    order = np.empty(count, np.int64)
    place = np.empty(count + 1, np.int64)
    place[count] = -1  # where `then` is -1
    at = 0
    for bucket in range(n_buckets):
        first[bucket] = at
        for label in range(begin_at[bucket], end_at[bucket]):
            order[at] = label
            place[label] = at
            at += 1
    first[n_buckets] = at
    cheapest = np.int64(4 * FAR)
    for s in range(n_loops):
        bucket = s * (n_visits + 1) + n_visits
        if begin_at[bucket] < end_at[bucket]:
            cheapest = min(cheapest, cost[begin_at[bucket]] + first_leg[loop_park[s]])
    return cost[order], late[order], kept[order], first, True, cheapest, place[then[order]], what[order]
