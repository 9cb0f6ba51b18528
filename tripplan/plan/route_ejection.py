"""
Fewer routes by ejection: a route is dropped, its customers are put into the others one by one.

After Nagata and Bräysy [1]_: the last customer of the pool is put where it fits; else it is squeezed in;
else those that were hardest to place so far stay, and the set of least difficulty whose leaving makes room
goes to the pool; random moves that keep every rule then shake the plan. Here that set is found exactly, as
the lightest way along each route, with labels of time, difficulty and load that went.

References
----------
.. [1] Y. Nagata, O. Bräysy, "A powerful route minimization heuristic for the vehicle routing problem with
   time windows," Operations Research Letters, vol. 37, no. 5, pp. 333-338, 2009.
"""

# Compiled in: 72fbbfef55c3

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_inner, compiled_part
from tripplan.plan.route_squeeze import best_place, squeeze
from tripplan.plan.route_state import mark_route, put_in, swap_tails, take_out

__all__ = ["drop_route", "eject_routes"]

_SLACK = 1e-7
_MOST_LABELS = 20_000
_NEAR = 40


@compiled_part
def _easiest(
    u,
    link,
    ends,
    when,
    load,
    difficulty,
    travel,
    service,
    ready,
    due,
    demand,
    capacity,
    n_routes,
    labels,
    marks,
):
    """
    Find the set of least difficulty whose leaving some route lets `u` in there.

    Returns its difficulty, the route, and the customer before `u`; the set itself is left in `marks[0]`, its
    size in `marks[1, 0]`.
    """
    n = link.shape[1] - 1
    time, cost, gone = labels[0], labels[1], labels[2]
    node, parent, inside, following = marks[2], marks[3], marks[4], marks[5]
    tour = np.empty(n + 2, np.int64)
    head = np.empty((n + 2, 2), np.int64)
    best, best_route, best_label, best_to, best_via, ties = np.inf, -1, -1, 0, False, 0
    chosen_before = 0
    most = marks.shape[1]
    for v in range(n_routes):
        m = ends[2, v]
        need = max(0.0, load[v] + demand[u] - capacity)
        if need <= _SLACK:
            need = 0.0
        tour[0] = 0
        c = ends[0, v]
        for k in range(1, m + 1):
            tour[k] = c
            c = link[0, c]
        tour[m + 1] = 0
        for k in range(m + 2):
            head[k, 0] = head[k, 1] = -1
        count = 1
        time[0], cost[0], gone[0], node[0], parent[0], inside[0], following[0] = (
            ready[0],
            0.0,
            0.0,
            0,
            -1,
            0,
            -1,
        )
        head[0, 0] = 0
        full = False
        improved = False
        for k in range(m + 1):
            for was in range(2):
                label = head[k, was]
                while label >= 0 and not full:
                    a = tour[k]
                    for now in range(was, 2):
                        if now == was:
                            at, leave = a, time[label] + service[a]
                        else:
                            start = max(time[label] + service[a] + travel[a, u], ready[u])
                            if start > due[u] + _SLACK:
                                break
                            at, leave = u, start + service[u]
                        more, went = cost[label], gone[label]
                        for to in range(k + 1, m + 2):
                            if to > k + 1:
                                out = tour[to - 1]
                                more += difficulty[out]
                                went = min(need, went + demand[out])
                            if more > best:
                                break
                            c = tour[to]
                            arrive = max(leave + travel[at, c], ready[c])
                            if now == 1 and went >= need - _SLACK:
                                latest = due[0] if to == m + 1 else when[1, c]
                                if arrive <= latest + _SLACK:
                                    if more < best:
                                        ties = 0
                                    ties += 1
                                    if more < best or np.random.randint(0, ties) == 0:
                                        best, improved = more, True
                                        best_route, best_label, best_to, best_via = v, label, to, now != was
                                    break
                            if to == m + 1 or arrive > due[c] + _SLACK:
                                continue
                            worse = False
                            other = head[to, now]
                            while other >= 0:
                                if time[other] <= arrive and cost[other] <= more and gone[other] >= went:
                                    worse = True
                                    break
                                other = following[other]
                            if worse:
                                continue
                            if count >= most:
                                full = True
                                break
                            time[count], cost[count], gone[count] = arrive, more, went
                            node[count], parent[count] = to, label
                            inside[count] = 1 if now != was else 0
                            following[count] = head[to, now]
                            head[to, now] = count
                            count += 1
                        if full:
                            break
                    label = following[label]
        if improved:  # read the set off before the labels of the next route overwrite it
            size = 0
            to, label, via = best_to, best_label, best_via
            while label >= 0:
                for k in range(node[label] + 1, to):
                    marks[0, size] = tour[k]
                    size += 1
                if via:
                    chosen_before = tour[node[label]]
                to, via = node[label], inside[label] == 1
                label = parent[label]
            marks[1, 0] = size
    return best, best_route, chosen_before


@compiled_inner
def _shake(link, ends, when, warp, hold, load, near, travel, service, ready, due, demand, capacity, moves):
    """Make random moves between routes that keep every rule."""
    n = link.shape[1] - 1
    reach = min(_NEAR, n - 1)
    for _ in range(moves):
        a = np.random.randint(1, n + 1)
        b = near[a, np.random.randint(1, reach + 1)] if reach > 0 else a
        r, q = link[2, a], link[2, b]
        if r < 0 or q < 0 or r == q:
            continue
        kind = np.random.randint(0, 3)
        b_after = link[0, b]
        a_before, a_after = link[1, a], link[0, a]
        if kind == 0:  # tails change so that a follows b
            if hold[0, b] + hold[1, a] > capacity + _SLACK:
                continue
            if load[r] - hold[1, a] + load[q] - hold[0, b] > capacity + _SLACK:
                continue
            if when[0, b] + service[b] + travel[b, a] > when[1, a] + _SLACK:
                continue
            leave = ready[0] if a_before == 0 else when[0, a_before] + service[a_before]
            latest = due[0] if b_after == 0 else when[1, b_after]
            if leave + travel[a_before, b_after] > latest + _SLACK:
                continue
            swap_tails(r, a_before, q, b, link, ends)
        elif kind == 1:  # a goes behind b
            if load[q] + demand[a] > capacity + _SLACK:
                continue
            start = max(when[0, b] + service[b] + travel[b, a], ready[a])
            latest = due[0] if b_after == 0 else when[1, b_after]
            if start > due[a] + _SLACK or start + service[a] + travel[a, b_after] > latest + _SLACK:
                continue
            leave = ready[0] if a_before == 0 else when[0, a_before] + service[a_before]
            latest = due[0] if a_after == 0 else when[1, a_after]
            if leave + travel[a_before, a_after] > latest + _SLACK:
                continue
            take_out(a, link, ends)
            put_in(a, q, b, link, ends)
        else:  # a changes places with the one behind b
            d = b_after
            if d == 0:
                continue
            if load[q] + demand[a] - demand[d] > capacity + _SLACK:
                continue
            if load[r] + demand[d] - demand[a] > capacity + _SLACK:
                continue
            d_after = link[0, d]
            start = max(when[0, b] + service[b] + travel[b, a], ready[a])
            latest = due[0] if d_after == 0 else when[1, d_after]
            if start > due[a] + _SLACK or start + service[a] + travel[a, d_after] > latest + _SLACK:
                continue
            leave = ready[0] if a_before == 0 else when[0, a_before] + service[a_before]
            start = max(leave + travel[a_before, d], ready[d])
            latest = due[0] if a_after == 0 else when[1, a_after]
            if start > due[d] + _SLACK or start + service[d] + travel[d, a_after] > latest + _SLACK:
                continue
            take_out(a, link, ends)
            take_out(d, link, ends)
            put_in(a, q, b, link, ends)
            put_in(d, r, a_before, link, ends)
        mark_route(r, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
        mark_route(q, link, ends, when, warp, hold, load, travel, service, ready, due, demand)


@compiled
def drop_route(link, ends, load, pool, n_routes, seed):
    """Take all customers of a random route into the pool, and put the last route in its place."""
    np.random.seed(seed)
    gone = np.random.randint(0, n_routes)
    c = ends[0, gone]
    while c != 0:
        after = link[0, c]
        take_out(c, link, ends)
        pool[0] += 1
        pool[pool[0]] = c
        c = after
    last = n_routes - 1
    if gone != last:
        for row in range(3):
            ends[row, gone] = ends[row, last]
        load[gone] = load[last]
        c = ends[0, gone]
        while c != 0:
            link[2, c] = gone
            c = link[0, c]
    ends[0, last] = ends[1, last] = ends[2, last] = 0
    load[last] = 0.0


@compiled
def eject_routes(
    link, ends, when, load, pool, difficulty, weights, near, travel, service, ready, due, demand, capacity,
    n_routes, rounds, moves, seed,
):  # fmt: skip
    """
    Look for a plan that leaves nobody out with `n_routes` routes.

    Works on the plan in place; calls can follow one another. `pool` (n + 1,) int32 holds the customers left
    out in the order in which they came, its count in entry 0; `difficulty` (n + 1,) float64 how often each
    could not be placed. Returns the rounds made; the plan leaves nobody out where `pool[0]` is 0.
    """
    np.random.seed(seed)
    n = link.shape[1] - 1
    warp, hold = np.zeros((2, n + 1)), np.zeros((2, n + 1))
    for v in range(n_routes):
        mark_route(v, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
    labels = np.empty((3, _MOST_LABELS))
    marks = np.empty((6, _MOST_LABELS), np.int64)
    penalty = np.zeros(ends.shape[1])
    old_link, old_ends = link.copy(), ends.copy()
    for step in range(rounds):
        if pool[0] == 0:
            return step
        u = pool[pool[0]]
        pool[0] -= 1
        least, route, before = best_place(
            u,
            link,
            ends,
            when,
            warp,
            hold,
            load,
            travel,
            service,
            ready,
            due,
            demand,
            capacity,
            weights[0],
            n_routes,
        )
        if least == 0.0:
            put_in(u, route, before, link, ends)
            mark_route(route, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
            continue
        old_link[:], old_ends[:] = link, ends
        if squeeze(
            u, link, ends, when, warp, hold, load, near, travel, service, ready, due, demand, capacity,
            weights, n_routes, penalty,
        ):  # fmt: skip
            continue
        link[:], ends[:] = old_link, old_ends
        for v in range(n_routes):
            mark_route(v, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
        difficulty[u] += 1.0
        _, route, before = _easiest(
            u, link, ends, when, load, difficulty, travel, service, ready, due, demand, capacity, n_routes,
            labels, marks,
        )  # fmt: skip
        if route < 0:
            pool[0] += 1
            pool[pool[0]] = u
        else:
            size = marks[1, 0]
            put_in(u, route, before, link, ends)
            for k in range(size):
                take_out(marks[0, k], link, ends)
                pool[0] += 1
                pool[pool[0]] = marks[0, k]
            mark_route(route, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
        _shake(link, ends, when, warp, hold, load, near, travel, service, ready, due, demand, capacity, moves)
    return rounds
