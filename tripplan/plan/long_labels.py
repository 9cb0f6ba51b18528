"""Exact labels of one long trip, visit by visit; dropped where no rest brings them below the best known."""

# Compiled in: ca42d4450f4b

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_inner
from tripplan.plan.long_rests import grown, popcount
from tripplan.plan.loops import FAR

__all__ = ["extend_labels"]


@compiled_inner
def _slot(mask, park, size):
    mixed = (mask * np.int64(-7046029254386353131)) ^ (park * np.int64(-4417276706812531889))
    return (mixed ^ (mixed >> 29)) & np.int64(size - 1)


@compiled
def extend_labels(
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
                    d = grown(d, cap)
                    e = grown(e, cap)
                    l = grown(l, cap)  # noqa: E741
                    least = grown(least, cap)
                    owed = grown(owed, cap)
                    mask = grown(mask, cap)
                    via = grown(via, cap)
                    parent = grown(parent, cap)
                    nxt = grown(nxt, cap)
                    alive = grown(alive, cap)
                    chain = grown(chain, cap)
                d[count], e[count], l[count], least[count] = d1, e1, l1, low
                owed[count] = owed[label] - of_loop[r]
                mask[count], via[count], parent[count], alive[count] = m1, r, label, True
                if table[slot] == -1:
                    used += 1
                nxt[count] = table[slot]
                table[slot] = count
                layer = popcount(m1)
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
