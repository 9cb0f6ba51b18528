"""
Compiled: labels of trips grown in one direction of time, for the exact pricing of `tripplan.plan.two_sided`.

What a label has collected is net of what its time costs, waiting left out.

The loop that does the work makes no array, since one that can make some counts every array that it hands
on, and these counts took most of its time; where it needs more room it stops, and goes on with more.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled_inner, compiled_part
from tripplan.plan.completions import STEP_S

__all__ = ["grow_labels"]

_LABELS, _WORK, _MINUTE, _CURRENT, _READY = range(5)
_DONE, _MORE, _WIDER, _SPENT = range(4)


@compiled_part
def _grown(array, size):
    wider = np.empty(size, array.dtype)
    wider[: array.shape[0]] = array
    return wider


@compiled_inner
def _toll(bits, byte_toll, first):
    total = 0.0
    byte = first
    while bits != 0:
        total += byte_toll[byte, np.int64(bits & np.uint64(255))]
        bits >>= np.uint64(8)
        byte += 1
    return total


@compiled_inner
def _grow_on(
    move,
    start_at,
    extend_until,
    first_loop,
    loop_mask,
    loop_prize,
    loop_d,
    loop_e,
    loop_l,
    loop_packs,
    memory,
    most_packs,
    move_cost,  # (P, P)
    start_cost,  # (P,)
    least_end_cost,  # float: least cost of a way from a last loop
    site_here,
    site_far,
    site_share,
    site_word,
    site_bit,
    site_park,
    site_kind,
    site_top,
    threshold,
    width,
    max_labels,
    max_work,
    span,  # (2,) int64: first and last second that count
    last_end,  # (P,) int64: when a loop at p must be over
    t,
    park,
    m0,
    m1,
    prize,
    packs,
    parent,
    via,
    nxt,
    alive,  # the labels; room for so many
    head,
    tail,  # (buckets,) int32: labels by minute
    lists,
    list_len,  # (P, room) int32, (P,): labels of each parking, dearest first
    packs_here,
    packs_left,  # (K,) int32
    arrive,
    after,  # (P, steps): what may still be collected, as `grow_labels` has it
    byte_toll,  # (16, 256)
    loop_toll,  # (L,)
    pack_toll,  # (K,)
    tolls,
    at,  # (5,) int64: where it stands; see below
):
    """
    Grow labels until done, or until there is no room for more.

    It stands at ``at[_LABELS]`` labels, ``at[_WORK]`` comparisons, minute ``at[_MINUTE]``, label
    ``at[_CURRENT]`` (-2: the start, -1: the next minute's first), ``at[_READY]``: whether that one was
    compared already.

    Returns
    -------
    int
        `_DONE`, `_MORE` (room for labels), `_WIDER` (room in the lists) or `_SPENT`.
    """
    n_parks = first_loop.shape[0] - 1
    n_loops = first_loop[n_parks]
    kinds = most_packs.shape[0]
    n_sites = site_share.shape[0]
    n_buckets = head.shape[0]
    n_steps = after.shape[1]
    cap = t.shape[0]
    bounded = threshold > 0 or least_end_cost > 0
    begin = span[0]
    horizon = span[1]
    count = at[_LABELS]
    work = at[_WORK]
    bucket = at[_MINUTE]
    current = at[_CURRENT]
    ready = at[_READY] == 1
    while True:
        here = -1
        t_here = np.int64(0)
        a0 = np.uint64(0)
        a1 = np.uint64(0)
        prize_here = 0.0
        if current == -2:
            for z in range(kinds):
                packs_here[z] = 0
        else:
            while current == -1:
                bucket += 1
                if bucket >= n_buckets:
                    break
                current = np.int64(head[bucket])
            if bucket >= n_buckets:
                break
            here = park[current]
            t_here = np.int64(t[current])
            a0 = m0[current]
            a1 = m1[current]
            prize_here = prize[current]
            for z in range(kinds):
                packs_here[z] = packs[current, z]
        if current >= 0 and not ready:
            n_here = list_len[here]
            if n_here >= lists.shape[1]:
                at[_LABELS] = count
                at[_WORK] = work
                at[_MINUTE] = bucket
                at[_CURRENT] = current
                at[_READY] = 0
                return _WIDER
            # labels stand by prize, best first: only those before the first poorer one can beat this
            dominated = False
            stop = n_here
            for q in range(n_here):
                o = lists[here, q]
                if prize[o] < prize_here - 1e-12:
                    stop = q
                    break
                work += 1
                if width > 0:
                    dominated = q + 1 >= width
                    if dominated:
                        break
                elif t[o] <= t_here and (m0[o] & ~a0) == 0 and (m1[o] & ~a1) == 0:
                    fewer = True
                    for z in range(kinds):
                        if packs[o, z] > packs_here[z]:
                            fewer = False
                            break
                    if fewer:
                        dominated = True
                        break
            if work > max_work:
                at[_LABELS] = count
                at[_WORK] = work
                return _SPENT
            if not dominated and bounded:
                # what a real trip could still add: everything here, the rest by share of the time left
                left = np.float64(horizon - t_here)
                bound = prize_here - least_end_cost
                for q in range(n_sites):
                    word = site_word[q]
                    if word == 0 and (a0 & site_bit[q]) != 0:
                        continue
                    if word == 1 and (a1 & site_bit[q]) != 0:
                        continue
                    if site_park[q] == here:
                        bound += site_here[q]
                    elif site_share[q] <= left:
                        bound += site_far[q]
                        left -= site_share[q]
                    else:
                        bound += site_far[q] * left / site_share[q]
                        left = 0.0
                        for r in range(q + 1, n_sites):
                            if site_park[r] == here:
                                word = site_word[r]
                                if word == 0 and (a0 & site_bit[r]) != 0:
                                    continue
                                if word == 1 and (a1 & site_bit[r]) != 0:
                                    continue
                                bound += site_here[r]
                        break
                if bound > threshold + 1e-12 and (kinds > 1 or most_packs[0] < n_sites):
                    # and no more packs than are left: the dearest sites, in all and of each type
                    for z in range(kinds):
                        packs_left[z] = most_packs[z] - packs_here[z]
                    few = prize_here - least_end_cost
                    for r in range(n_sites):
                        q = site_top[r]
                        word = site_word[q]
                        if word == 0 and (a0 & site_bit[q]) != 0:
                            continue
                        if word == 1 and (a1 & site_bit[q]) != 0:
                            continue
                        z = site_kind[q]
                        if z >= 0:
                            if packs_left[0] <= 0 or packs_left[z] <= 0:
                                continue
                            packs_left[0] -= 1
                            if z > 0:
                                packs_left[z] -= 1
                        few += site_here[q]
                    bound = min(bound, few)
                dominated = bound <= threshold + 1e-12
            if dominated:
                current = np.int64(nxt[current])
                continue
            alive[current] = True
            # older labels that this one beats can beat nothing later that this one does not
            w = stop
            if width > 0:
                n_here = min(n_here, width - 1)
                w = n_here
            for q in range(stop, n_here if width == 0 else stop):
                o = lists[here, q]
                beaten = (a0 & ~m0[o]) == 0 and (a1 & ~m1[o]) == 0
                if beaten:
                    for z in range(kinds):
                        if packs[o, z] < packs_here[z]:
                            beaten = False
                            break
                if not beaten:
                    lists[here, w] = o
                    w += 1
            n_here = w
            for q in range(n_here, stop, -1):
                lists[here, q] = lists[here, q - 1]
            lists[here, stop] = current
            list_len[here] = n_here + 1
            if t_here > extend_until:
                current = np.int64(nxt[current])
                continue
        ready = False
        if count + n_loops > cap and cap < max_labels:
            at[_LABELS] = count
            at[_WORK] = work
            at[_MINUTE] = bucket
            at[_CURRENT] = current
            at[_READY] = 1
            return _MORE
        for q in range(n_parks):
            worth = prize_here
            if here < 0:
                now = np.int64(start_at[q])
                worth -= start_cost[q]
            elif q == here:
                now = t_here
            else:
                now = t_here + np.int64(move[here, q])
                worth -= move_cost[here, q]
            spare = 0.0
            if n_steps > 0:
                if now - begin >= n_steps * STEP_S:
                    continue
                spare = (
                    tolls - _toll(a0 & memory[q, 0], byte_toll, 0) - _toll(a1 & memory[q, 1], byte_toll, 8)
                )
                for z in range(kinds):
                    spare -= pack_toll[z] * packs_here[z]
                if worth + arrive[q, (now - begin) // STEP_S] + spare <= threshold + 1e-12:
                    continue
            for k in range(first_loop[q], first_loop[q + 1]):
                if now > loop_l[k]:
                    continue
                end = max(now + loop_d[k], np.int64(loop_e[k]))
                if end > last_end[q]:
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
                new_prize = worth + loop_prize[k]
                if width > 0 and list_len[q] >= width and new_prize <= prize[lists[q, width - 1]] + 1e-12:
                    continue
                if (
                    n_steps > 0
                    and new_prize + after[q, (end - begin) // STEP_S] + spare - loop_toll[k]
                    <= threshold + 1e-12
                ):
                    continue
                if count >= cap:
                    at[_LABELS] = count
                    at[_WORK] = work
                    return _SPENT
                t[count] = end
                park[count] = q
                if width > 0:
                    m0[count] = a0 | loop_mask[k, 0]
                    m1[count] = a1 | loop_mask[k, 1]
                else:
                    m0[count] = (a0 & memory[q, 0]) | loop_mask[k, 0]
                    m1[count] = (a1 & memory[q, 1]) | loop_mask[k, 1]
                prize[count] = new_prize
                for z in range(kinds):
                    packs[count, z] = packs_here[z] + loop_packs[k, z]
                parent[count] = current if current >= 0 else -1
                via[count] = k
                nxt[count] = -1
                b = max(bucket, (end - begin) // 60, 0)
                if head[b] == -1:
                    head[b] = count
                else:
                    nxt[tail[b]] = count
                tail[b] = count
                count += 1
        current = np.int64(-1) if current == -2 else np.int64(nxt[current])
    at[_LABELS] = count
    at[_WORK] = work
    return _DONE


@compiled_part
def grow_labels(
    move,  # (P, P) int32: seconds from parking to parking in this direction of time
    start_at,  # (P,) int32: earliest start of a first loop at p
    close_by,  # (P,) int32: where the last loop of a whole trip ends by then at p, the trip is complete
    extend_until,  # int: labels that end later are not grown on
    keep_until,  # int: labels that would end later are not made
    first_loop,  # (P + 1,)
    loop_mask,  # (L, 2) uint64
    loop_prize,  # (L,): net of the cost of its time
    loop_d,
    loop_e,
    loop_l,  # (L,) int32
    loop_packs,  # (L, K) int32
    memory,  # (P, 2) uint64
    most_packs,  # (K,)
    move_cost,  # (P, P) float64: what the way from parking to parking costs
    start_cost,  # (P,) float64: what the way to a first loop costs
    least_end_cost,  # float: what the way from a last loop costs at the least
    site_here,  # (S,) float64: most that a site adds at its parking; sites by prize per second, best first
    site_far,  # (S,) float64: most that it adds elsewhere, its share of the way in taken off
    site_share,  # (S,) float64: least seconds that a site takes of any trip
    site_word,  # (S,) int64
    site_bit,  # (S,) uint64
    site_park,  # (S,) int64
    site_kind,  # (S,) int64
    site_top,  # (S,) int64: the same sites by what they add at their parking, best first
    threshold,  # float
    width,  # int: 0 = exact; else labels that must be as good before one is dropped (a heuristic)
    max_labels,  # int
    max_work,  # int
    arrive,  # (P, steps): the most that stops from p and a step on can collect, tolls taken off
    after,  # (P, steps): the same after a loop there that ends then; no steps where it is not known
    byte_toll,  # (16, 256): tolls of the sites whose bits are set in each byte of a label's memory
    loop_toll,  # (L,): tolls of the sites of a loop and of its packs
    pack_toll,  # (K,): tolls of a pack, in all and of each scarce type
    tolls,  # float: of all sites, and of as many packs as a trip can take
):
    """
    Grow labels in one direction of time; see `tripplan.plan.two_sided.best_trips`.

    Returns
    -------
    complete : bool
        False where labels or comparisons ran out.
    count, work : int
        Labels made, and comparisons.
    t, park, m0, m1, prize, packs, parent, via : arrays
        The labels.
    alive : numpy.ndarray of bool
        Labels that no other beats.
    """
    n_parks = first_loop.shape[0] - 1
    kinds = most_packs.shape[0]
    last_end = np.empty(n_parks, np.int64)
    horizon = np.int64(-(1 << 30))
    begin = np.int64(1 << 30)
    for p in range(n_parks):
        reach = np.int64(close_by[p])
        for q in range(n_parks):
            if q != p:
                reach = max(reach, np.int64(close_by[q]) - np.int64(move[p, q]))
        horizon = max(horizon, reach)
        last_end[p] = min(reach, np.int64(keep_until))
        begin = min(begin, np.int64(start_at[p]))
    n_buckets = max(1, (horizon - begin) // 60 + 2)
    head = np.full(n_buckets, -1, np.int32)
    tail = np.full(n_buckets, -1, np.int32)
    cap = min(4096, max_labels)
    t = np.empty(cap, np.int32)
    park = np.empty(cap, np.int32)
    m0 = np.empty(cap, np.uint64)
    m1 = np.empty(cap, np.uint64)
    prize = np.empty(cap, np.float64)
    packs = np.empty((cap, kinds), np.int32)
    parent = np.empty(cap, np.int32)
    via = np.empty(cap, np.int32)
    nxt = np.empty(cap, np.int32)
    alive = np.zeros(cap, np.bool_)
    packs_left = np.zeros(kinds, np.int32)
    packs_here = np.zeros(kinds, np.int32)
    lists = np.full((n_parks, 256), -1, np.int32)
    list_len = np.zeros(n_parks, np.int64)
    span = np.array([begin, horizon])
    at = np.array([0, 0, -1, -2, 0])
    while True:
        state = _grow_on(
            move, start_at, extend_until, first_loop, loop_mask, loop_prize, loop_d, loop_e, loop_l,
            loop_packs, memory, most_packs, move_cost, start_cost, least_end_cost, site_here, site_far,
            site_share, site_word, site_bit, site_park, site_kind, site_top, threshold, width, max_labels,
            max_work, span, last_end, t, park, m0, m1, prize, packs, parent, via, nxt, alive, head, tail,
            lists, list_len, packs_here, packs_left, arrive, after, byte_toll, loop_toll, pack_toll, tolls,
            at,
        )  # fmt: skip
        if state == _WIDER:
            wider = np.full((n_parks, lists.shape[1] * 2), -1, np.int32)
            wider[:, : lists.shape[1]] = lists
            lists = wider
        elif state == _MORE:
            cap = min(max_labels, max(cap * 2, cap + first_loop[n_parks]))
            t = _grown(t, cap)
            park = _grown(park, cap)
            m0 = _grown(m0, cap)
            m1 = _grown(m1, cap)
            prize = _grown(prize, cap)
            more = np.empty((cap, kinds), np.int32)
            more[: packs.shape[0]] = packs
            packs = more
            parent = _grown(parent, cap)
            via = _grown(via, cap)
            nxt = _grown(nxt, cap)
            was = np.zeros(cap, np.bool_)
            was[: alive.shape[0]] = alive
            alive = was
        else:
            done = state == _DONE
            return done, at[_LABELS], at[_WORK], t, park, m0, m1, prize, packs, parent, via, alive
