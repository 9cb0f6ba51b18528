"""
Squeeze a customer in: put it where it hurts least, then mend lateness and overload by exchanges.

Of the neighbouring plans, the one of least penalty is taken until none is late or overloaded, or none is
better; then the weight of lateness against overload is shifted and the plan before is kept.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled_inner
from tripplan.plan.route_state import head_of, mark_route, put_in, swap_tails, tail_of, take_out

__all__ = ["best_place", "squeeze"]

_SLACK = 1e-7
_NEAR = 25
_SHIFT = 0.99
_HEAVIEST = 100.0


@compiled_inner
def _with(lead, warp, held, c, gap, service, ready, due, demand):
    """Go on from a head to one more customer; return the head's three marks after it."""
    start = max(lead + gap, ready[c])
    if start > due[c]:
        warp += start - due[c]
        start = due[c]
    return start + service[c], warp, held + demand[c]


@compiled_inner
def best_place(
    c, link, ends, when, warp, hold, load, travel, service, ready, due, demand, capacity, weight, n_routes
):
    """
    Look at every place for a customer.

    Returns the least penalty with its route and the customer before; places of equal penalty are drawn from,
    so that where some keep every rule it is a random one of these.
    """
    least, route, before, ties = np.inf, -1, 0, 0
    for v in range(n_routes):
        over = max(0.0, load[v] + demand[c] - capacity)
        if over > least:
            continue
        i = 0
        while True:
            j = ends[0, v] if i == 0 else link[0, i]
            lead, back, _ = head_of(i, when, warp, hold, service, ready)
            lead, back, _ = _with(lead, back, 0.0, c, travel[i, c], service, ready, due, demand)
            latest, rest, _ = tail_of(j, when, warp, hold, due)
            late = back + rest + max(0.0, lead + travel[c, j] - latest)
            penalty = over + weight * late
            if penalty <= _SLACK:
                penalty = 0.0
            if penalty < least:
                least, route, before, ties = penalty, v, i, 1
            elif penalty == least:
                ties += 1
                if np.random.randint(0, ties) == 0:
                    route, before = v, i
            if j == 0:
                break
            i = j
    return least, route, before


@compiled_inner
def _joined(i, j, when, warp, hold, travel, service, ready, due, capacity, weight):
    """Penalty of the route made of the head that ends in `i` and the tail that begins in `j`."""
    lead, back, held = head_of(i, when, warp, hold, service, ready)
    latest, rest, more = tail_of(j, when, warp, hold, due)
    late = back + rest + max(0.0, lead + travel[i, j] - latest)
    return weight * late + max(0.0, held + more - capacity)


@compiled_inner
def _between(i, c, j, when, warp, hold, travel, service, ready, due, demand, capacity, weight):
    """Penalty of the route whose head ends in `i`, then `c`, then the tail that begins in `j`."""
    lead, back, held = head_of(i, when, warp, hold, service, ready)
    lead, back, held = _with(lead, back, held, c, travel[i, c], service, ready, due, demand)
    latest, rest, more = tail_of(j, when, warp, hold, due)
    late = back + rest + max(0.0, lead + travel[c, j] - latest)
    return weight * late + max(0.0, held + more - capacity)


@compiled_inner
def _moved_within(v, c, behind, link, ends, travel, service, ready, due, weight):
    """Lateness, weighed, of route `v` with `c` taken from its place and put behind `behind`."""
    at, clock, back = 0, ready[0], 0.0
    k = ends[0, v]
    placed = False
    while True:
        if not placed and at == behind:
            placed = True
            clock = max(clock + service[at] + travel[at, c], ready[c])
            if clock > due[c]:
                back += clock - due[c]
                clock = due[c]
            at = c
        if k == c:
            k = link[0, k]
            continue
        clock = max(clock + service[at] + travel[at, k], ready[k])
        if clock > due[k]:
            back += clock - due[k]
            clock = due[k]
        if k == 0:
            return weight * back
        at = k
        k = link[0, k]


@compiled_inner
def squeeze(
    c, link, ends, when, warp, hold, load, near, travel, service, ready, due, demand, capacity,
    weights, n_routes, penalty,
):  # fmt: skip
    """
    Put a customer in though no place keeps every rule, and mend what is broken; tell whether that is done.

    Where it is not, the plan is left broken: the caller has a copy. `weights[0]` weighs lateness against
    overload, `penalty` (v,) is room to work in.
    """
    weight = weights[0]
    _, route, before = best_place(
        c, link, ends, when, warp, hold, load, travel, service, ready, due, demand, capacity, weight, n_routes
    )
    put_in(c, route, before, link, ends)
    for v in range(n_routes):
        penalty[v] = 0.0
    late = mark_route(route, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
    penalty[route] = weight * late + max(0.0, load[route] - capacity)
    reach = min(_NEAR, near.shape[1])
    while True:
        bad = -1
        seen = 0
        for v in range(n_routes):
            if penalty[v] > _SLACK:
                seen += 1
                if np.random.randint(0, seen) == 0:
                    bad = v
        if bad < 0:
            return True
        r = bad
        best, kind, first, second = -_SLACK, 0, 0, 0
        a = ends[0, r]
        while a != 0:
            a_before, a_after = link[1, a], link[0, a]
            without = _joined(
                a_before, a_after, when, warp, hold, travel, service, ready, due, capacity, weight
            )
            for k in range(reach):
                b = near[a, k]
                q = link[2, b]
                if q < 0 or b == a:
                    continue
                b_before, b_after = link[1, b], link[0, b]
                if q == r:
                    over = max(0.0, load[r] - capacity)
                    for side in range(2):
                        behind = b if side == 0 else b_before
                        if behind in (a, a_before):
                            continue
                        got = (
                            _moved_within(r, a, behind, link, ends, travel, service, ready, due, weight)
                            + over
                        )
                        if got - penalty[r] < best:
                            best, kind, first, second = got - penalty[r], 5 + side, a, b
                    continue
                was = penalty[r] + penalty[q]
                # a goes out, behind b or before it
                if without - was < best:
                    got = without + _between(
                        b, a, b_after, when, warp, hold, travel, service, ready, due, demand, capacity, weight
                    )
                    if got - was < best:
                        best, kind, first, second = got - was, 1, a, b
                    if b_before == 0:
                        got = without + _between(
                            0, a, b, when, warp, hold, travel, service, ready, due, demand, capacity, weight
                        )
                        if got - was < best:
                            best, kind, first, second = got - was, 2, a, b
                # a changes places with the one behind b
                d = b_after
                if d != 0:
                    got = _between(
                        b,
                        a,
                        link[0, d],
                        when,
                        warp,
                        hold,
                        travel,
                        service,
                        ready,
                        due,
                        demand,
                        capacity,
                        weight,
                    )
                    if got - was < best:
                        got += _between(
                            a_before, d, a_after, when, warp, hold, travel, service, ready, due, demand,
                            capacity, weight,
                        )  # fmt: skip
                        if got - was < best:
                            best, kind, first, second = got - was, 3, a, d
                d = b_before
                if d != 0:
                    got = _between(
                        link[1, d],
                        a,
                        b,
                        when,
                        warp,
                        hold,
                        travel,
                        service,
                        ready,
                        due,
                        demand,
                        capacity,
                        weight,
                    )
                    if got - was < best:
                        got += _between(
                            a_before, d, a_after, when, warp, hold, travel, service, ready, due, demand,
                            capacity, weight,
                        )  # fmt: skip
                        if got - was < best:
                            best, kind, first, second = got - was, 3, a, d
                # tails change so that b follows a, or a follows b
                got = _joined(a, b, when, warp, hold, travel, service, ready, due, capacity, weight)
                if got - was < best:
                    got += _joined(
                        b_before, a_after, when, warp, hold, travel, service, ready, due, capacity, weight
                    )
                    if got - was < best:
                        best, kind, first, second = got - was, 4, a, b_before
                        if b_before == 0:
                            kind, second = 7, b
                got = _joined(b, a, when, warp, hold, travel, service, ready, due, capacity, weight)
                if got - was < best:
                    got += _joined(
                        a_before, b_after, when, warp, hold, travel, service, ready, due, capacity, weight
                    )
                    if got - was < best:
                        best, kind, first, second = got - was, 8, a, b
            a = a_after
        if kind == 0:
            overload = 0.0
            lateness = 0.0
            for v in range(n_routes):
                if penalty[v] > _SLACK:
                    over = max(0.0, load[v] - capacity)
                    overload += over
                    lateness += (penalty[v] - over) / weight
            shifted = weight / _SHIFT if overload < lateness else weight * _SHIFT
            weights[0] = min(_HEAVIEST, max(1.0 / _HEAVIEST, shifted))
            return False
        q = link[2, second]
        if kind == 1:
            take_out(first, link, ends)
            put_in(first, q, second, link, ends)
        elif kind == 2:
            take_out(first, link, ends)
            put_in(first, q, 0, link, ends)
        elif kind == 3:
            before, other = link[1, first], link[1, second]
            take_out(first, link, ends)
            take_out(second, link, ends)
            put_in(first, q, other, link, ends)
            put_in(second, r, before, link, ends)
        elif kind == 4:
            swap_tails(r, first, q, second, link, ends)
        elif kind == 5:
            take_out(first, link, ends)
            put_in(first, r, second, link, ends)
        elif kind == 6:
            take_out(first, link, ends)
            put_in(first, r, link[1, second], link, ends)
        elif kind == 7:
            swap_tails(r, first, q, 0, link, ends)
        else:
            swap_tails(r, link[1, first], q, second, link, ends)
        late = mark_route(r, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
        penalty[r] = weight * late + max(0.0, load[r] - capacity)
        if q != r:
            late = mark_route(q, link, ends, when, warp, hold, load, travel, service, ready, due, demand)
            penalty[q] = weight * late + max(0.0, load[q] - capacity)
