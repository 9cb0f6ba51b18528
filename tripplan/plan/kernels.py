"""
Compiled inner loop: the best order of given visits.

It works on *loops*: a foot loop at one parking with its set of sites and a triple (d, e, l) that
says all about its timing: it lasts ``d`` seconds without waiting, is over no earlier than ``e`` and
must leave the vehicle no later than ``l``; left at ``s <= l`` it is over at ``max(s + d, e)``.
Triples in sequence join to a triple again, so waiting needs no search. [s]
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_part

__all__ = ["NO_LABEL", "order_visits"]

NO_LABEL = -1
FAR = 1 << 30


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
