"""
Compiled inner loops of routing on one date: take strings of neighbouring visits out, put them back.

A plan of routes is three arrays, so that it is copied in one go:

* ``link`` (3, n + 1) int32: next, previous, and route of each customer; 0 is the depot, route -1 means
  left out;
* ``ends`` (4, v) int32: first customer, last customer, number of customers of each route; row 3, column 0
  counts the customers left out;
* ``when`` (2, n + 1) float64: earliest and latest start of service at each customer. [s]

``load`` (v,) float64 goes with them.
"""

# Compiled in: 6ca2b8d54eb0

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_inner, compiled_part
from tripplan.plan.route_state import put_in, take_out

__all__ = ["shorten_routes", "start_routes"]

_LONGEST_STRING = 10
_MEAN_REMOVED = 10.0
_SPLIT_SHARE = 0.5
_SPLIT_STOP = 0.01
_BLINK = 0.01
_PLACE_SHARE = 0.9
_SLACK = 1e-7


@compiled_inner
def _refresh(v, link, ends, when, load, travel, service, ready, due, demand):
    """Work out times and load of one route anew."""
    at, clock, total = 0, ready[0], 0.0
    c = ends[0, v]
    while c != 0:
        clock = max(clock + service[at] + travel[at, c], ready[c])
        when[0, c] = clock
        total += demand[c]
        at = c
        c = link[0, c]
    load[v] = total
    at, clock = 0, due[0]
    c = ends[1, v]
    while c != 0:
        clock = min(clock - travel[c, at] - service[c], due[c])
        when[1, c] = clock
        at = c
        c = link[1, c]


@compiled_inner
def _in_time(v, link, ends, when):
    c = ends[0, v]
    while c != 0:
        if when[0, c] > when[1, c] + _SLACK:
            return False
        c = link[0, c]
    return True


@compiled_inner
def _ruin(link, ends, when, load, near, travel, service, ready, due, demand, n_routes, tour, touched):
    """Take strings out of routes that pass near one customer."""
    n = link.shape[1] - 1
    used, served = 0, 0
    for v in range(n_routes):
        touched[v] = False
        if ends[2, v] > 0:
            used += 1
            served += ends[2, v]
    if used == 0:
        return
    longest = min(float(_LONGEST_STRING), served / used)
    most_strings = 4.0 * _MEAN_REMOVED / (1.0 + longest) - 1.0
    strings = int(np.floor(np.random.random() * most_strings + 1.0))
    seed = np.random.randint(1, n + 1)
    if ends[3, 0] > 0 and np.random.random() < _PLACE_SHARE:
        nth = np.random.randint(0, ends[3, 0])  # make room around one that is left out
        for c in range(1, n + 1):
            if link[2, c] < 0:
                if nth == 0:
                    seed = c
                    break
                nth -= 1
    for k in range(n):
        c = near[seed, k]
        v = link[2, c]
        if v < 0 or touched[v]:
            continue
        touched[v] = True
        size = ends[2, v]
        length = int(np.floor(np.random.random() * min(float(size), longest) + 1.0))
        length = min(length, size)
        at, place = ends[0, v], 0
        for p in range(size):
            tour[p] = at
            if at == c:
                place = p
            at = link[0, at]
        kept = 0
        if length > 1 and length < size and np.random.random() < _SPLIT_SHARE:
            kept = 1
            while length + kept < size and np.random.random() > _SPLIT_STOP:
                kept += 1
        span = length + kept
        low = max(0, place - span + 1)
        high = min(place, size - span)
        first = low + np.random.randint(0, high - low + 1)
        hole = first + (np.random.randint(1, length) if kept > 0 else 0)
        for p in range(first, first + span):
            if kept > 0 and hole <= p < hole + kept:
                continue
            take_out(tour[p], link, ends)
        _refresh(v, link, ends, when, load, travel, service, ready, due, demand)
        if not _in_time(v, link, ends, when):  # the direct way may be longer than the way round
            while ends[2, v] > 0:
                take_out(ends[0, v], link, ends)
            load[v] = 0.0
        strings -= 1
        if strings == 0:
            return


@compiled_part
def _recreate(link, ends, when, load, travel, cost, service, ready, due, demand, capacity, n_routes, blink):
    """Put what is left out back in, each where it costs least; what fits nowhere stays out."""
    n = link.shape[1] - 1
    count = ends[3, 0]
    waiting = np.empty(count, np.int64)
    key = np.empty(count)
    k = 0
    for c in range(1, n + 1):
        if link[2, c] < 0:
            waiting[k] = c
            k += 1
    rule = np.random.randint(0, 17)
    for k in range(count):
        c = waiting[k]
        if rule < 4:
            key[k] = np.random.random()
        elif rule < 8:
            key[k] = -demand[c]
        elif rule < 10:
            key[k] = -cost[0, c]
        elif rule < 11:
            key[k] = cost[0, c]
        elif rule < 13:
            key[k] = due[c] - ready[c]
        elif rule < 15:
            key[k] = ready[c]
        else:
            key[k] = -due[c]
    order = np.argsort(key)
    for k in order:
        c = waiting[k]
        best, best_route, best_before = np.inf, -1, 0
        seen_empty = False
        for v in range(n_routes):
            if load[v] + demand[c] > capacity + _SLACK:
                continue
            if ends[2, v] == 0:
                if seen_empty:
                    continue
                seen_empty = True
            i, leave = 0, ready[0] + service[0]
            while True:
                j = ends[0, v] if i == 0 else link[0, i]
                if leave > due[c]:
                    break
                start = max(leave + travel[i, c], ready[c])
                if start <= due[c] + _SLACK:
                    latest = due[0] if j == 0 else when[1, j]
                    if start + service[c] + travel[c, j] <= latest + _SLACK:
                        more = cost[i, c] + cost[c, j] - cost[i, j]
                        if more < best and (blink == 0.0 or np.random.random() >= blink):
                            best, best_route, best_before = more, v, i
                if j == 0:
                    break
                i = j
                leave = when[0, i] + service[i]
        if best_route >= 0:
            put_in(c, best_route, best_before, link, ends)
            _refresh(best_route, link, ends, when, load, travel, service, ready, due, demand)


@compiled_inner
def _length(link, ends, cost, n_routes):
    total = 0.0
    for v in range(n_routes):
        at = 0
        c = ends[0, v]
        while c != 0:
            total += cost[at, c]
            at = c
            c = link[0, c]
        total += cost[at, 0]
    return total


@compiled_part
def _copy(link, ends, when, load, to_link, to_ends, to_when, to_load):
    to_link[:] = link
    to_ends[:] = ends
    to_when[:] = when
    to_load[:] = load


@compiled
def start_routes(link, ends, when, load, travel, cost, service, ready, due, demand, capacity, seed):
    """Put every customer in, opening routes as they are needed; returns the customers left out."""
    np.random.seed(seed)
    n_routes = ends.shape[1]
    _recreate(link, ends, when, load, travel, cost, service, ready, due, demand, capacity, n_routes, 0.0)
    return ends[3, 0]


@compiled
def shorten_routes(
    link, ends, when, load, best_link, best_ends, near, travel, cost, service, ready, due, demand, capacity,
    n_routes, iterations, hot, cold, seed,
):  # fmt: skip
    """
    Anneal a complete plan towards less cost; the best is kept in `best_link` and `best_ends`.

    The plan itself goes on from where it is, so that calls can follow one another. Returns the best cost.
    """
    np.random.seed(seed)
    n = link.shape[1] - 1
    tour = np.empty(n, np.int64)
    touched = np.empty(ends.shape[1], np.bool_)
    new_link, new_ends = link.copy(), ends.copy()
    new_when, new_load = when.copy(), load.copy()
    now = _length(link, ends, cost, n_routes)
    best = _length(best_link, best_ends, cost, n_routes)
    cooling = (cold / hot) ** (1.0 / max(1, iterations))
    heat = hot
    for _ in range(iterations):
        _copy(link, ends, when, load, new_link, new_ends, new_when, new_load)
        _ruin(
            new_link, new_ends, new_when, new_load, near, travel, service, ready, due, demand,
            n_routes, tour, touched,
        )  # fmt: skip
        _recreate(
            new_link, new_ends, new_when, new_load, travel, cost, service, ready, due, demand, capacity,
            n_routes, _BLINK,
        )  # fmt: skip
        heat *= cooling
        if new_ends[3, 0] > 0:
            continue
        length = _length(new_link, new_ends, cost, n_routes)
        if length < now - heat * np.log(max(1e-12, np.random.random())):
            _copy(new_link, new_ends, new_when, new_load, link, ends, when, load)
            now = length
            if length < best - 1e-9:
                best = length
                best_link[:] = new_link
                best_ends[:] = new_ends
    return best
