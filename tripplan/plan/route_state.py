"""
Compiled parts that change a plan of routes and mark its times; its arrays are told in `route_kernels`.

Marks may stand on a route that is late: a visit reached after its latest start is taken to begin at that
start, and the time gone back is added up [1]_. Joining the head of one route to the tail of another then
tells by how much the whole is late, in one sum:

* ``when`` (2, n + 1): start of service going forward, latest start going backward, both clipped. [s]
* ``warp`` (2, n + 1): time gone back up to this customer, and from it to the end. [s]
* ``hold`` (2, n + 1): demand up to this customer, and from it to the end, both with it.

References
----------
.. [1] Y. Nagata, O. Bräysy, W. Dullaert, "A penalty-based edge assembly memetic algorithm for the vehicle
   routing problem with time windows," Computers & Operations Research, vol. 37, no. 4, pp. 724-737, 2010.
"""

from __future__ import annotations

from tripplan.plan.compiled import compiled_inner

__all__ = ["head_of", "mark_route", "put_in", "swap_tails", "tail_of", "take_out"]


@compiled_inner
def take_out(c, link, ends):
    """Unhook a customer; times and load of its route are marked anew by the caller."""
    v = link[2, c]
    before, after = link[1, c], link[0, c]
    if before != 0:
        link[0, before] = after
    else:
        ends[0, v] = after
    if after != 0:
        link[1, after] = before
    else:
        ends[1, v] = before
    link[2, c] = -1
    ends[2, v] -= 1
    ends[3, 0] += 1


@compiled_inner
def put_in(c, v, before, link, ends):
    """Put a customer behind `before` (0: at the start)."""
    after = ends[0, v] if before == 0 else link[0, before]
    link[0, c], link[1, c], link[2, c] = after, before, v
    if before != 0:
        link[0, before] = c
    else:
        ends[0, v] = c
    if after != 0:
        link[1, after] = c
    else:
        ends[1, v] = c
    ends[2, v] += 1
    ends[3, 0] -= 1


@compiled_inner
def swap_tails(v, i, w, j, link, ends):
    """Give what follows `i` in route `v` to route `w` behind `j`, and the other way (0: from the start)."""
    tail = ends[0, v] if i == 0 else link[0, i]
    other = ends[0, w] if j == 0 else link[0, j]
    last, other_last = ends[1, v], ends[1, w]
    _hang(v, i, other, other_last, link, ends)
    _hang(w, j, tail, last, link, ends)


@compiled_inner
def _hang(route, at, first, end, link, ends):
    """Let a route go on from `at` with the tail from `first` to `end` (0: nothing)."""
    if at == 0:
        ends[0, route] = first
    else:
        link[0, at] = first
    if first == 0:
        ends[1, route] = at
    else:
        link[1, first] = at
        ends[1, route] = end
    count = 0
    c = ends[0, route]
    while c != 0:
        link[2, c] = route
        count += 1
        c = link[0, c]
    ends[2, route] = count


@compiled_inner
def mark_route(v, link, ends, when, warp, hold, load, travel, service, ready, due, demand):
    """Work out the marks of one route anew; return by how much it is late in all."""
    at, clock, back, total = 0, ready[0], 0.0, 0.0
    c = ends[0, v]
    while c != 0:
        clock = max(clock + service[at] + travel[at, c], ready[c])
        if clock > due[c]:
            back += clock - due[c]
            clock = due[c]
        total += demand[c]
        when[0, c], warp[0, c], hold[0, c] = clock, back, total
        at = c
        c = link[0, c]
    load[v] = total
    late = back + max(0.0, clock + service[at] + travel[at, 0] - due[0])
    at, clock, back, total = 0, due[0], 0.0, 0.0
    c = ends[1, v]
    while c != 0:
        clock = min(clock - travel[c, at] - service[c], due[c])
        if clock < ready[c]:
            back += ready[c] - clock
            clock = ready[c]
        total += demand[c]
        when[1, c], warp[1, c], hold[1, c] = clock, back, total
        at = c
        c = link[1, c]
    return late


@compiled_inner
def head_of(i, when, warp, hold, service, ready):
    """Return when a route leaves `i`, the time gone back by then, and the demand (0: the base)."""
    if i == 0:
        return ready[0], 0.0, 0.0
    return when[0, i] + service[i], warp[0, i], hold[0, i]


@compiled_inner
def tail_of(j, when, warp, hold, due):
    """Return by when `j` must begin, the time gone back from there on, and the demand (0: the base)."""
    if j == 0:
        return due[0], 0.0, 0.0
    return when[1, j], warp[1, j], hold[1, j]
