"""
Compiled inner loop: the trips whose prizes exceed their crew time by most.

As `tripplan.plan.kernels.price_trips`, but each second costs `rate`, from leaving the base to being back,
waiting left out. Labels carry prize less cost; another label beats one that is later, gained less, took more
packs and remembers more. Whatever a trip still adds adds the same to both, so nothing better is lost.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_part

__all__ = ["gain_trips"]


@compiled
def gain_trips(
    move,  # (P + 1, P + 1) int32: seconds from place to place, park seconds included; base last
    first_loop,  # (P + 1,) int32: loops of parking p are first_loop[p] .. first_loop[p + 1] - 1
    loop_mask,  # (L, 2) uint64: sites of the loop
    loop_gain,  # (L,) float64: prizes less the cost of its time
    loop_d,
    loop_e,
    loop_l,  # (L,) int32
    loop_packs,  # (L, K) int32: packs of the loop, in all and of each scarce type
    memory,  # (P, 2) uint64: sites still remembered when standing at p
    close_by,  # (P,) int32: a trip whose last loop is at p must be off it by then
    day_start,  # int
    most_packs,  # (K,) int32
    rate,  # float: what a second costs
    site_net,  # (S,) float64: most that a site gains beyond the walk and work at its parking, best first
    site_bit,  # (S, 2) uint64; a site without a bit can be met again and again
    site_kind,  # (S,) int64: column of `most_packs` that counts its pack too; 0: none, -1: no pack
    far_prize,  # (S,) float64: the same sites, most prize for each second first
    far_share,  # (S,) float64: least seconds each takes of any trip, its share of the way in among them
    far_near,  # (S,) float64: least seconds of walk and work alone
    far_bit,  # (S, 2) uint64
    far_park,  # (S,) int64
    threshold,  # float: only gains above it are wanted
    max_labels,  # int
    max_work,  # int: label comparisons at the most
    keep,  # int: trips returned at the most
):
    """
    Find the trips of one crew and date that gain most.

    Returns
    -------
    best : float
        The largest gain found, or `threshold` where no trip exceeds it.
    complete : bool
        Whether no real trip gains more than `best`.
    trips : numpy.ndarray, shape (keep, 40)
        Loop indices, in order, of the best labels; -1 fills.
    work : int
        Comparisons, and two for each label.
    """
    n_parks = first_loop.shape[0] - 1
    base = n_parks
    out = np.full((keep, 40), -1, np.int32)
    horizon = np.int64(day_start)
    last_end = np.empty(n_parks, np.int64)
    nearest = np.int64(1 << 29)
    for p in range(n_parks):
        nearest = min(nearest, np.int64(move[p, base]))
        reach = np.int64(close_by[p])
        for q in range(n_parks):
            if q != p:
                reach = max(reach, np.int64(close_by[q]) - np.int64(move[p, q]))
        last_end[p] = reach
        horizon = max(horizon, reach)
    n_buckets = max(1, (horizon - day_start) // 60 + 2)
    head = np.full(n_buckets, -1, np.int32)
    tail = np.full(n_buckets, -1, np.int32)
    cap = min(1024, max_labels)
    t = np.empty(cap, np.int32)
    park = np.empty(cap, np.int32)
    m0 = np.empty(cap, np.uint64)
    m1 = np.empty(cap, np.uint64)
    gain = np.empty(cap, np.float64)
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
    best = threshold
    found = np.full(keep, -1, np.int32)
    found_gain = np.full(keep, -np.inf)
    work = 0
    n_sites = site_net.shape[0]
    bucket = -1
    current = -2  # -2: the base itself
    while True:
        if current == -2:
            here = base
            t_here = np.int64(day_start)
            a0 = np.uint64(0)
            a1 = np.uint64(0)
            gain_here = 0.0
            packs_here[:] = 0
        else:
            while current == -1:
                bucket += 1
                if bucket >= n_buckets:
                    break
                current = head[bucket]
            if bucket >= n_buckets:
                break
            here = np.int64(park[current])
            t_here = np.int64(t[current])
            a0 = m0[current]
            a1 = m1[current]
            gain_here = gain[current]
            packs_here[:] = packs[current]
            work += list_len[here]
            if work > max_work:
                return best, False, out, work + 2 * count
            dominated = False
            for q in range(list_len[here] - 1, -1, -1):
                o = lists[here, q]
                if (
                    gain[o] >= gain_here - 1e-9
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
            home = gain_here - rate * move[here, base]
            ends_well = t_here <= close_by[here] and home > threshold
            if not dominated and not ends_well:
                # what a real trip could still add: by packs left, and by share of the time left
                packs_left[:] = most_packs - packs_here
                few = home
                for r in range(n_sites):
                    if site_net[r] <= 0.0 or few > threshold:
                        break
                    if (a0 & site_bit[r, 0]) != 0 or (a1 & site_bit[r, 1]) != 0:
                        continue
                    z = site_kind[r]
                    if z >= 0:
                        if packs_left[0] <= 0 or packs_left[z] <= 0:
                            continue
                        packs_left[0] -= 1
                        if z > 0:
                            packs_left[z] -= 1
                    few += site_net[r]
                if few <= threshold:
                    dominated = True
                else:
                    left = np.float64(horizon - t_here)
                    near = gain_here - rate * nearest
                    for r in range(n_sites):
                        if near > threshold:
                            break
                        if (a0 & far_bit[r, 0]) != 0 or (a1 & far_bit[r, 1]) != 0:
                            continue
                        if far_park[r] == here:
                            near += max(0.0, far_prize[r] - rate * far_near[r])
                            continue
                        worth = far_prize[r] - rate * far_share[r]
                        if worth <= 0.0 or left <= 0.0:
                            continue
                        part = min(1.0, left / far_share[r])
                        near += worth * part
                        left -= far_share[r] * part
                    if near <= threshold:
                        dominated = True
            if dominated:
                current = nxt[current]
                continue
            q = 0
            while q < list_len[here]:
                o = lists[here, q]
                beaten = gain[o] <= gain_here + 1e-9 and (a0 & ~m0[o]) == 0 and (a1 & ~m1[o]) == 0
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
            if ends_well:
                best = max(best, home)
                slot = 0
                for q in range(keep):
                    if found[q] >= 0 and park[found[q]] == here and via[found[q]] == via[current]:
                        slot = q
                        break
                    if found_gain[q] < found_gain[slot]:
                        slot = q
                if home > found_gain[slot]:
                    found[slot] = current
                    found_gain[slot] = home
        for q in range(n_parks):
            gap = np.int64(0) if q == here else np.int64(move[here, q])
            at = t_here + gap
            for k in range(first_loop[q], first_loop[q + 1]):
                if at > loop_l[k]:
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
                end = max(at + loop_d[k], np.int64(loop_e[k]))
                if end > last_end[q]:
                    continue
                if count >= cap:
                    if cap >= max_labels:
                        return best, False, out, work + 2 * count
                    new_cap = min(max_labels, cap * 2)
                    t = _grown(t, new_cap)
                    park = _grown(park, new_cap)
                    m0 = _grown(m0, new_cap)
                    m1 = _grown(m1, new_cap)
                    gain = _grown(gain, new_cap)
                    more = np.empty((new_cap, kinds), np.int32)
                    more[:cap] = packs
                    packs = more
                    parent = _grown(parent, new_cap)
                    via = _grown(via, new_cap)
                    nxt = _grown(nxt, new_cap)
                    cap = new_cap
                t[count] = end
                park[count] = q
                m0[count] = (a0 & memory[q, 0]) | loop_mask[k, 0]
                m1[count] = (a1 & memory[q, 1]) | loop_mask[k, 1]
                gain[count] = gain_here - rate * gap + loop_gain[k]
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
        current = -1 if current == -2 else nxt[current]
    order = np.argsort(-found_gain)
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
    return best, True, out, work + 2 * count


@compiled_part
def _grown(array, size):
    wider = np.empty(size, array.dtype)
    wider[: array.shape[0]] = array
    return wider
