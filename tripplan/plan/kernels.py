"""
Compiled inner loops: the best trip for given prizes, and the best order of given visits.

Both work on *loops*: a foot loop at one parking with its set of sites and a triple (d, e, l) that
says all about its timing: it lasts ``d`` seconds without waiting, is over no earlier than ``e`` and
must leave the vehicle no later than ``l``; left at ``s <= l`` it is over at ``max(s + d, e)``.
Triples in sequence join to a triple again, so waiting needs no search. [s]
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_part

__all__ = ["NO_LABEL", "order_visits", "price_trips"]

NO_LABEL = -1
FAR = 1 << 30


@compiled
def price_trips(
    move,  # (P + 1, P + 1) int32: seconds from place to place, park seconds included; base last
    first_loop,  # (P + 1,) int32: loops of parking p are first_loop[p] .. first_loop[p + 1] - 1
    loop_mask,  # (L, 2) uint64: sites of the loop
    loop_prize,  # (L,) float64
    loop_d,
    loop_e,
    loop_l,  # (L,) int32
    loop_packs,  # (L, K) int32: packs of the loop, in all and of each scarce type
    memory,  # (P, 2) uint64: sites still remembered when standing at p
    close_by,  # (P,) int32: a trip whose last loop is at p must be off it by then
    day_start,  # int
    most_packs,  # (K,) int32: packs that one trip can take, in all and of each scarce type
    site_order_prize,  # (S,) float64: sites by prize per second, best first
    site_order_share,  # (S,) float64: least seconds that a site takes of any trip
    site_order_word,  # (S,) int64 word of its bit, or -1 where it has none
    site_order_bit,  # (S,) uint64
    site_order_park,  # (S,) int64
    site_order_kind,  # (S,) int64: column of `most_packs` that counts its pack too; 0: none, -1: no pack
    site_order_top,  # (S,) int64: the same sites by prize alone, best first
    threshold,  # float: only prizes above it are wanted
    width,  # int: 0 = exact; else labels kept for each parking and prize level (a heuristic)
    max_labels,  # int
    max_work,  # int: label comparisons at the most
    keep,  # int: trips returned at the most
):
    """
    Find the trips of one crew and date that collect the largest prizes.

    Labels are extended loop by loop. Exact mode compares every resource that can stop a label:
    time, prize, packs, remembered sites. Sites outside the memory may be collected again (the
    relaxation of ng-routes), so that the best prize bounds that of every real trip from above.

    Returns
    -------
    best : float
        The largest prize found, or `threshold` where no trip exceeds it.
    complete : bool
        Whether `best` is a valid upper bound (exact mode, labels not exhausted).
    trips : numpy.ndarray, shape (keep, 40)
        Loop indices, in order, of the best label found at each parking; -1 fills.
    """
    n_parks = first_loop.shape[0] - 1
    base = n_parks
    out = np.full((keep, 40), -1, np.int32)
    horizon = 0
    last_end = np.empty(n_parks, np.int64)
    for p in range(n_parks):
        reach = np.int64(close_by[p])
        for q in range(n_parks):
            if q != p:
                reach = max(reach, np.int64(close_by[q]) - np.int64(move[p, q]))
        last_end[p] = reach
        horizon = max(horizon, reach)
    n_buckets = max(1, (horizon - day_start) // 60 + 2)
    head = np.full(n_buckets, -1, np.int32)
    tail = np.full(n_buckets, -1, np.int32)
    cap = 1024
    cap = min(cap, max_labels)
    t = np.empty(cap, np.int32)
    park = np.empty(cap, np.int32)
    m0 = np.empty(cap, np.uint64)
    m1 = np.empty(cap, np.uint64)
    prize = np.empty(cap, np.float64)
    kinds = most_packs.shape[0]
    packs = np.empty((cap, kinds), np.int32)
    packs_here = np.zeros(kinds, np.int32)
    packs_left = np.zeros(kinds, np.int32)
    parent = np.empty(cap, np.int32)
    via = np.empty(cap, np.int32)
    nxt = np.empty(cap, np.int32)
    count = 0
    lists = np.full((n_parks, 256), -1, np.int32)
    list_len = np.zeros(n_parks, np.int64)
    levels = np.full((n_parks, max(1, width)), -1.0)
    floor = np.full(n_parks, -1.0)  # the least of the levels: labels up to it are not made
    best = threshold
    found = np.full(keep, -1, np.int32)
    found_prize = np.full(keep, -1.0)
    complete = width == 0
    work = 0
    n_sites = site_order_prize.shape[0]

    bucket = -1
    current = -2  # -2: the base itself
    while True:
        if current == -2:
            here = base
            t_here = day_start
            a0 = np.uint64(0)
            a1 = np.uint64(0)
            prize_here = 0.0
            packs_here[:] = 0
        else:
            while current == -1:
                bucket += 1
                if bucket >= n_buckets:
                    break
                current = head[bucket]
            if bucket >= n_buckets:
                break
            here = park[current]
            t_here = t[current]
            a0 = m0[current]
            a1 = m1[current]
            prize_here = prize[current]
            packs_here[:] = packs[current]
            dominated = False
            if width > 0:
                worst = 0
                for w in range(width):
                    if levels[here, w] < levels[here, worst]:
                        worst = w
                if prize_here <= levels[here, worst] + 1e-12:
                    dominated = True
                else:
                    levels[here, worst] = prize_here
                    floor[here] = levels[here, 0]
                    for w in range(1, width):
                        floor[here] = min(floor[here], levels[here, w])
            else:
                work += list_len[here]
                if work > max_work:
                    return best, False, out
                for q in range(list_len[here] - 1, -1, -1):
                    o = lists[here, q]
                    if (
                        prize[o] >= prize_here - 1e-12
                        and t[o] <= t_here
                        and (m0[o] & ~a0) == 0
                        and (m1[o] & ~a1) == 0
                    ):
                        fewer = True
                        for z in range(kinds):
                            if packs[o, z] > packs_here[z]:
                                fewer = False
                                break
                        if fewer:
                            dominated = True
                            break
            if not dominated and threshold > 0:
                # what a real trip could still add: everything here, the rest by share of the time left
                left = np.float64(horizon - t_here)
                bound = prize_here
                for q in range(n_sites):
                    word = site_order_word[q]
                    if word == 0 and (a0 & site_order_bit[q]) != 0:
                        continue
                    if word == 1 and (a1 & site_order_bit[q]) != 0:
                        continue
                    if site_order_park[q] == here:
                        bound += site_order_prize[q]
                    elif site_order_share[q] <= left:
                        bound += site_order_prize[q]
                        left -= site_order_share[q]
                    else:
                        bound += site_order_prize[q] * left / site_order_share[q]
                        left = 0.0
                        # sites of this parking cost nothing here, so they still count
                        for r in range(q + 1, n_sites):
                            if site_order_park[r] == here:
                                word = site_order_word[r]
                                if word == 0 and (a0 & site_order_bit[r]) != 0:
                                    continue
                                if word == 1 and (a1 & site_order_bit[r]) != 0:
                                    continue
                                bound += site_order_prize[r]
                        break
                if kinds > 1 or most_packs[0] < n_sites:
                    # and no more packs than are left: the dearest sites, in all and of each type
                    for z in range(kinds):
                        packs_left[z] = most_packs[z] - packs_here[z]
                    few = prize_here
                    for r in range(n_sites):
                        q = site_order_top[r]
                        word = site_order_word[q]
                        if word == 0 and (a0 & site_order_bit[q]) != 0:
                            continue
                        if word == 1 and (a1 & site_order_bit[q]) != 0:
                            continue
                        z = site_order_kind[q]
                        if z >= 0:
                            if packs_left[0] <= 0 or packs_left[z] <= 0:
                                continue
                            packs_left[0] -= 1
                            if z > 0:
                                packs_left[z] -= 1
                        few += site_order_prize[q]
                    bound = min(bound, few)
                if bound <= max(threshold, best if width > 0 else threshold) + 1e-12:
                    dominated = True
                    if t_here <= close_by[here] and prize_here > threshold:
                        dominated = False
            if dominated:
                current = nxt[current]
                continue
            if width == 0:
                # older labels that this one beats can beat nothing later that this one does not
                q = 0
                while q < list_len[here]:
                    o = lists[here, q]
                    beaten = prize[o] <= prize_here + 1e-12 and (a0 & ~m0[o]) == 0 and (a1 & ~m1[o]) == 0
                    if beaten:
                        for z in range(kinds):
                            if packs[o, z] < packs_here[z]:
                                beaten = False
                                break
                    if beaten:
                        list_len[here] -= 1
                        lists[here, q] = lists[here, list_len[here]]
                    else:
                        q += 1
                if list_len[here] >= lists.shape[1]:
                    wider = np.full((n_parks, lists.shape[1] * 2), -1, np.int32)
                    wider[:, : lists.shape[1]] = lists
                    lists = wider
                lists[here, list_len[here]] = current
                list_len[here] += 1
            if t_here <= close_by[here] and prize_here > threshold:
                best = max(best, prize_here)
                slot = -1
                for q in range(keep):
                    if found[q] >= 0 and park[found[q]] == here and via[found[q]] == via[current]:
                        slot = q
                        break
                if slot == -1:
                    slot = 0
                    for q in range(keep):
                        if found_prize[q] < found_prize[slot]:
                            slot = q
                if prize_here > found_prize[slot]:
                    found[slot] = current
                    found_prize[slot] = prize_here
        for q in range(n_parks):
            gap = 0 if q == here else move[here, q]
            at = t_here + gap
            for k in range(first_loop[q], first_loop[q + 1]):
                if at > loop_l[k]:
                    continue
                if width > 0 and prize_here + loop_prize[k] <= floor[q] + 1e-12:
                    continue
                if (loop_mask[k, 0] & a0) != 0 or (loop_mask[k, 1] & a1) != 0:
                    continue
                allowed = True
                for z in range(kinds):
                    if packs_here[z] + loop_packs[k, z] > most_packs[z]:
                        allowed = False
                        break
                if not allowed:
                    continue
                end = max(at + loop_d[k], loop_e[k])
                if end > last_end[q]:
                    continue
                if count >= cap:
                    if cap >= max_labels:
                        return best, False, out
                    new_cap = min(max_labels, cap * 2)
                    t = _grown(t, new_cap)
                    park = _grown(park, new_cap)
                    m0 = _grown(m0, new_cap)
                    m1 = _grown(m1, new_cap)
                    prize = _grown(prize, new_cap)
                    more = np.empty((new_cap, kinds), np.int32)
                    more[:cap] = packs
                    packs = more
                    parent = _grown(parent, new_cap)
                    via = _grown(via, new_cap)
                    nxt = _grown(nxt, new_cap)
                    cap = new_cap
                t[count] = end
                park[count] = q
                if width > 0:
                    m0[count] = a0 | loop_mask[k, 0]
                    m1[count] = a1 | loop_mask[k, 1]
                else:
                    m0[count] = (a0 & memory[q, 0]) | loop_mask[k, 0]
                    m1[count] = (a1 & memory[q, 1]) | loop_mask[k, 1]
                prize[count] = prize_here + loop_prize[k]
                for z in range(kinds):
                    packs[count, z] = packs_here[z] + loop_packs[k, z]
                parent[count] = current if current >= 0 else -1
                via[count] = k
                nxt[count] = -1
                b = max(bucket, (end - day_start) // 60)
                b = max(b, 0)
                if head[b] == -1:
                    head[b] = count
                else:
                    nxt[tail[b]] = count
                tail[b] = count
                count += 1
        if current == -2:
            current = -1
        else:
            current = nxt[current]
    order = np.argsort(-found_prize)
    for rank in range(keep):
        label = found[order[rank]]
        if label < 0:
            continue
        length = 0
        walk = label
        while walk != -1 and length < 40:
            length += 1
            walk = parent[walk]
        walk = label
        pos = length - 1
        while walk != -1 and pos >= 0:
            out[rank, pos] = via[walk]
            pos -= 1
            walk = parent[walk]
    return best, complete, out


@compiled_part
def _grown(array, size):
    wider = np.empty(size, array.dtype)
    wider[: array.shape[0]] = array
    return wider


@compiled
def order_visits(
    move,  # (P + 1, P + 1) int32, base last
    loop_park,  # (L,) int32
    loop_mask,  # (L,) int64: bits of the given visits
    loop_d,
    loop_e,
    loop_l,  # (L,) int32
    close_by,  # (P,) int32
    day_start,  # int
    day_end,  # int
    n_visits,  # int
    max_labels,  # int
    waiting_counts,  # bool: False counts travel and work only, as the record of TSPTW does
):
    """
    Find the order, loops and hours of given visits that take the least crew time, exactly.

    Every label is a triple (d, e, l) of the trip so far, measured from leaving the base; triples
    that are no better in any of the three are dropped.

    Returns
    -------
    seconds : int
        Least back minus leave; -1 where the visits do not fit, -2 where `max_labels` was too few.
    leave : int
        The latest leave with that duration.
    loops : numpy.ndarray
        Loop indices in order.
    """
    n_parks = close_by.shape[0]
    base = n_parks
    full = (np.int64(1) << n_visits) - 1
    n_states = (full + 1) * n_parks
    head = np.full(n_states, -1, np.int32)
    cap = min(max_labels, 4096)
    d = np.empty(cap, np.int32)
    e = np.empty(cap, np.int32)
    l = np.empty(cap, np.int32)  # noqa: E741
    nxt = np.empty(cap, np.int32)
    parent = np.empty(cap, np.int32)
    via = np.empty(cap, np.int32)
    count = 0
    n_loops = loop_park.shape[0]
    none = np.empty(0, np.int32)
    best = FAR
    best_leave = -FAR
    best_label = -1
    for mask in range(full + 1):
        for p in range(n_parks if mask else 1):
            label = head[mask * n_parks + p] if mask else -2
            while label != -1:
                if mask:
                    d0, e0, l0, here = d[label], e[label], l[label], p
                else:
                    d0, e0, l0, here = 0, day_start, FAR, base
                if mask == full:
                    latest = close_by[here]
                    home = move[here, base]
                    if e0 <= latest:
                        leave = min(l0, latest - d0)
                        leave = min(leave, day_end - home - d0)
                        if leave >= day_start and e0 + home <= day_end:
                            span = max(d0 + home, e0 + home - leave) if waiting_counts else d0 + home
                            if span < best or (span == best and leave > best_leave):
                                best = span
                                best_leave = leave
                                best_label = label
                else:
                    for k in range(n_loops):
                        if loop_mask[k] & mask:
                            continue
                        q = loop_park[k]
                        gap = 0 if q == here else move[here, q]
                        if e0 + gap > loop_l[k]:
                            continue
                        d1 = d0 + gap + loop_d[k]
                        e1 = max(e0 + gap + loop_d[k], loop_e[k])
                        l1 = min(l0, loop_l[k] - gap - d0)
                        state = (mask | loop_mask[k]) * n_parks + q
                        worse = False
                        other = head[state]
                        before = -1
                        while other != -1:
                            if d[other] <= d1 and e[other] <= e1 and l[other] >= l1:
                                worse = True
                                break
                            if d1 <= d[other] and e1 <= e[other] and l1 >= l[other]:
                                if before == -1:
                                    head[state] = nxt[other]
                                else:
                                    nxt[before] = nxt[other]
                                other = nxt[other]
                                continue
                            before = other
                            other = nxt[other]
                        if worse:
                            continue
                        if count >= cap:
                            if cap >= max_labels:
                                return -2, 0, none
                            new_cap = min(max_labels, cap * 2)
                            d = _grown(d, new_cap)
                            e = _grown(e, new_cap)
                            l = _grown(l, new_cap)  # noqa: E741
                            nxt = _grown(nxt, new_cap)
                            parent = _grown(parent, new_cap)
                            via = _grown(via, new_cap)
                            cap = new_cap
                        d[count] = d1
                        e[count] = e1
                        l[count] = l1
                        parent[count] = label if mask else -1
                        via[count] = k
                        nxt[count] = head[state]
                        head[state] = count
                        count += 1
                label = -1 if not mask else nxt[label]
    if best_label == -1:
        return -1, 0, none
    length = 0
    walk = best_label
    while walk != -1:
        length += 1
        walk = parent[walk]
    loops = np.empty(length, np.int32)
    walk = best_label
    while walk != -1:
        length -= 1
        loops[length] = via[walk]
        walk = parent[walk]
    return best, best_leave, loops
