"""
The best order of one long trip: exact labels, cut short by what the rest must cost at least.

The rest of a trip is bounded from behind by ng-routes [1]_: each label remembers only the visits near
where it stands, counts its visits, and knows the latest second at which it can begin. Forward labels
are exact; one that cannot beat the best trip known, even with the cheapest rest that fits its visits
and its hour, is dropped. The best trip known comes from the same labels, a few to each count of visits.

References
----------
.. [1] R. Baldacci, A. Mingozzi, R. Roberti, "New state-space relaxations for solving the traveling
   salesman problem with time windows," INFORMS Journal on Computing 24(3), 356-371, 2012.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from tripplan.plan.loops import FAR

__all__ = ["order_long_trip"]


@njit(cache=True)
def _grown(array, size):
    bigger = np.empty(size, array.dtype)
    bigger[: array.shape[0]] = array
    return bigger


@njit(cache=True)
def _popcount(x):
    count = 0
    while x:
        x &= x - np.int64(1)
        count += 1
    return count


@njit(cache=True)
def _slot(mask, park, size):
    mixed = (mask * np.int64(-7046029254386353131)) ^ (park * np.int64(-4417276706812531889))
    return (mixed ^ (mixed >> 29)) & np.int64(size - 1)


@njit(cache=True)
def _orders(move, loop_park, loop_mask, loop_d, loop_e, loop_l, day_start, n_visits):
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


@njit(cache=True)
def _rests(
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
        size[r] = _popcount(loop_mask[r])
        n_before[r] = _popcount(before[r])
        n_after[r] = _popcount(after[r])
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
                        cost = _grown(cost, cap)
                        late = _grown(late, cap)
                        kept = _grown(kept, cap)
                        nxt = _grown(nxt, cap)
                        then = _grown(then, cap)
                        what = _grown(what, cap)
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


@njit(cache=True)
def _forward(
    move,
    loop_park,
    loop_mask,
    loop_d,
    loop_e,
    loop_l,
    close_by,
    day_start,
    day_end,
    n_visits,
    before,
    short,
    prize,
    waiting_counts,
    rest_cost,
    rest_late,
    rest_kept,
    rest_first,
    bound,
    width,
    max_labels,
):
    """
    Extend labels visit by visit; a width of 0 keeps all that could beat `bound`.

    Returns the best span below `bound` (else `bound`), its leave, its loops, and whether no label was
    dropped but by dominance and bound.
    """
    n_loops = loop_park.shape[0]
    base = close_by.shape[0]
    full = (np.int64(1) << n_visits) - np.int64(1)
    cap = min(1 << 14, max_labels)
    d = np.empty(cap, np.int64)
    e = np.empty(cap, np.int64)
    l = np.empty(cap, np.int64)  # noqa: E741
    least = np.empty(cap, np.int64)
    owed = np.empty(cap, np.int64)  # prizes of the visits still to come
    mask = np.empty(cap, np.int64)
    via = np.empty(cap, np.int32)
    parent = np.empty(cap, np.int64)
    nxt = np.empty(cap, np.int64)
    alive = np.empty(cap, np.bool_)
    count = 1
    d[0], e[0], l[0], least[0], mask[0], via[0], parent[0], alive[0] = 0, day_start, FAR, 0, 0, -1, -1, True
    owed[0] = prize.sum()
    of_loop = np.zeros(n_loops, np.int64)
    for r in range(n_loops):
        for i in range(n_visits):
            if loop_mask[r] >> i & 1:
                of_loop[r] += prize[i]
    last_start = np.full(
        n_visits, -FAR, np.int64
    )  # by visit, where a loop of several parkings would tell less
    place = np.zeros(n_visits, np.int64)
    for r in range(n_loops):
        for i in range(n_visits):
            if loop_mask[r] >> i & 1:
                last_start[i] = max(last_start[i], loop_l[r])
                place[i] = loop_park[r]
    of_layer = np.full(n_visits + 2, -1, np.int64)  # a list of labels for each count of visits
    chain = np.empty(cap, np.int64)
    of_layer[0] = 0
    chain[0] = -1
    table_size = 1 << 16
    table = np.full(table_size, -1, np.int64)
    used = 0
    best, best_leave, best_label = bound, -FAR, np.int64(-1)
    complete = True
    for done in range(n_visits + 1):
        n_here = 0
        label = of_layer[done]
        while label != -1:
            if alive[label]:
                n_here += 1
            label = chain[label]
        here = np.empty(n_here, np.int64)
        at = 0
        label = of_layer[done]
        while label != -1:
            if alive[label]:
                here[at] = label
                at += 1
            label = chain[label]
        if width and n_here > width:
            complete = False
            scores = np.empty(n_here, np.int64)
            for k in range(n_here):
                scores[k] = least[here[k]]
            here = here[np.argsort(scores)[:width]]
        for label in here:
            if not alive[label]:
                continue
            d0, e0, l0, m0 = d[label], e[label], l[label], mask[label]
            p = base if via[label] < 0 else loop_park[via[label]]
            if m0 == full:
                latest = close_by[p]
                home = move[p, base]
                if e0 <= latest and e0 + home <= day_end:
                    leave = min(l0, min(latest - d0, day_end - home - d0))
                    if leave >= day_start:
                        span = max(d0 + home, e0 + home - leave) if waiting_counts else d0 + home
                        if span < best or (span == best and best_label >= 0 and leave > best_leave):
                            best, best_leave, best_label = span, leave, label
                continue
            left = n_visits - done
            for r in range(n_loops):
                if loop_mask[r] & m0 or before[r] & ~m0:
                    continue
                q = loop_park[r]
                gap = 0 if q == p else move[p, q]
                t = e0 + gap
                if t > loop_l[r]:
                    continue
                so_far = (max(d0, e0 - l0) if waiting_counts else d0) + owed[label]
                bucket = r * (n_visits + 1) + left
                low = np.int64(-1)
                for k in range(rest_first[bucket], rest_first[bucket + 1]):
                    if so_far + gap + rest_cost[k] > best or (
                        best_label < 0 and so_far + gap + rest_cost[k] >= best
                    ):
                        break
                    if rest_late[k] >= t and (rest_kept[k] & m0) == 0:
                        low = so_far + gap + rest_cost[k]
                        break
                if low < 0:
                    continue
                d1 = d0 + gap + loop_d[r]
                e1 = max(t + loop_d[r], loop_e[r])
                l1 = min(l0, loop_l[r] - gap - d0)
                m1 = m0 | loop_mask[r]
                missed = False
                for i in range(n_visits):
                    if not (m1 >> i & 1) and e1 + short[q, place[i]] > last_start[i]:
                        missed = True
                        break
                if missed:
                    continue
                slot = _slot(m1, np.int64(q), table_size)
                while table[slot] != -1:
                    some = table[slot]
                    if mask[some] == m1 and loop_park[via[some]] == q:
                        break
                    slot = (slot + 1) & np.int64(table_size - 1)
                worse = False
                other = table[slot]
                while other != -1:
                    if alive[other]:
                        if d[other] <= d1 and e[other] <= e1 and (l[other] >= l1 or not waiting_counts):
                            worse = True
                            break
                        if d1 <= d[other] and e1 <= e[other] and (l1 >= l[other] or not waiting_counts):
                            alive[other] = False
                    other = nxt[other]
                if worse:
                    continue
                if count >= cap:
                    if cap >= max_labels:
                        return best, best_leave, np.empty(0, np.int32), False
                    cap = min(max_labels, cap * 2)
                    d = _grown(d, cap)
                    e = _grown(e, cap)
                    l = _grown(l, cap)  # noqa: E741
                    least = _grown(least, cap)
                    owed = _grown(owed, cap)
                    mask = _grown(mask, cap)
                    via = _grown(via, cap)
                    parent = _grown(parent, cap)
                    nxt = _grown(nxt, cap)
                    alive = _grown(alive, cap)
                    chain = _grown(chain, cap)
                d[count], e[count], l[count], least[count] = d1, e1, l1, low
                owed[count] = owed[label] - of_loop[r]
                mask[count], via[count], parent[count], alive[count] = m1, r, label, True
                if table[slot] == -1:
                    used += 1
                nxt[count] = table[slot]
                table[slot] = count
                layer = _popcount(m1)
                chain[count] = of_layer[layer]
                of_layer[layer] = count
                count += 1
                if 2 * used > table_size:
                    # rehash: the newest label of each state leads its list
                    old = table
                    table_size *= 2
                    table = np.full(table_size, -1, np.int64)
                    for some in old:
                        if some != -1:
                            slot = _slot(mask[some], np.int64(loop_park[via[some]]), table_size)
                            while table[slot] != -1:
                                slot = (slot + 1) & np.int64(table_size - 1)
                            table[slot] = some
    loops = np.empty(0, np.int32)
    if best_label >= 0:
        steps = 0
        label = best_label
        while via[label] >= 0:
            steps += 1
            label = parent[label]
        loops = np.empty(steps, np.int32)
        label = best_label
        while via[label] >= 0:
            steps -= 1
            loops[steps] = via[label]
            label = parent[label]
    return best, best_leave, loops, complete


def order_long_trip(
    move,
    loop_park,
    loop_mask,
    loop_d,
    loop_e,
    loop_l,
    close_by,
    day_start,
    day_end,
    n_visits,
    max_labels,
    waiting_counts,
):
    """
    Find the order, loops and hours of up to 62 given visits that take the least crew time, exactly.

    Takes and gives what `tripplan.plan.kernels.order_visits` does.

    Returns
    -------
    seconds : int
        Least back minus leave; -1 where the visits do not fit, -2 where `max_labels` was too few to
        tell.
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
    before, after, short, soonest = _orders(*shape[:6], day_start, n_visits)
    none = np.empty(0, np.int32)
    best, leave, loops = 4 * FAR, -FAR, none
    prize = np.zeros(n_visits, np.int64)
    best_prize, best_bound = prize, -1
    members = np.array([[mask >> i & 1 for i in range(n_visits)] for mask in loop_mask.tolist()], np.int64)
    for near, steps in ((4, 30), (8, 20), (11, 8)):
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
            rest = _rests(
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
        for width in (300, 3000, 0):
            found = _forward(
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
    return -2, 0, none
