"""
Compiled inner loops of the search for one trip fewer: take in what a plan misses, throw out what costs least.

The plan holds visits on a fixed number of trips. A window without a visit is picked at random; its site
goes onto a trip inside the window, if need be in place of others, or a whole trip moves to another date.
What is thrown out is what costs least by penalties that grow each time a window is hard to fill [1]_.

The numbers stand in few tables, named by the columns below, since each array that is handed on costs
compile time.

References
----------
.. [1] Y. Nagata and O. Braysy, "A powerful route minimization heuristic for the vehicle routing problem
   with time windows," Operations Research Letters 37(5), 333-338, 2009 (ejection pool, penalties).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.compiled import compiled, compiled_part

__all__ = ["FAR", "FREE", "FROZEN", "STAYS", "Problem", "State", "squeeze"]

FAR = 1 << 30
FREE, STAYS, FROZEN = 0, 1, 2
"""Locks of a crew-date: none, its trip must stay, its visits must stay."""

DAY, CREW, START, ABOARD, LOCK = 0, 1, 2, 3, 4
DAWN, DUSK, CLOSE, TABLE = 0, 1, 2, 3
LONG, OVER, LATEST = 0, 1, 2
PARK, BIT, KIND, FIRST, END = 0, 1, 2, 3, 4
OWNER, COVER, PLACE, POOL, PENALTY = 0, 1, 2, 3, 4
KIND_OF, SINCE, UNTIL, CAP, USED = 0, 1, 2, 3, 4
SWAPS = 2
OPEN, TRIPS = 0, 1

_MOST_STOPS = 9
_MOST_VISITS = 64
_NEAR_DAYS = 42


class Problem(NamedTuple):
    """
    The problem: I crew-dates, S sites, P parkings, W windows, C crews.

    Attributes
    ----------
    days : numpy.ndarray of int32, shape (I, 5)
        ``DAY`` number, ``CREW``, ``START`` of its hours [s], packs ``ABOARD`` at the most, ``LOCK``.
    clash : numpy.ndarray of bool, shape (I, I)
        Whether two crew-dates exclude each other.
    stops : numpy.ndarray of int32, shape (I, P, 4)
        ``DAWN``, ``DUSK``: first and last second for loops; ``CLOSE``: by when a trip's last loop must be
        over [s]; ``TABLE``: where the parking's part of `loops` begins, -1 for none.
    loops : numpy.ndarray of int32, shape (N, 3)
        For each set of a parking's sites ``LONG`` seconds (`FAR`: never), ``OVER``: earliest end,
        ``LATEST`` start [s].
    move : numpy.ndarray of int32, shape (C, P + 1, P + 1)
        Seconds from parking to parking; the base is last. [s]
    may : numpy.ndarray of int8, shape (I, S)
        0: cannot be visited; 1: can; + `SWAPS` where that takes a pack.
    sites : numpy.ndarray of int32, shape (S, 5)
        ``PARK``, ``BIT`` among the parking's sites, ``KIND`` of pack, ``FIRST`` and ``END`` of its windows.
    holds : numpy.ndarray of bool, shape (W, n_days)
        Days of each window that must be filled; no day for others.
    """

    days: NDArray[np.int32]
    clash: NDArray[np.bool_]
    stops: NDArray[np.int32]
    loops: NDArray[np.int32]
    move: NDArray[np.int32]
    may: NDArray[np.int8]
    sites: NDArray[np.int32]
    holds: NDArray[np.bool_]


class State(NamedTuple):
    """
    A plan in the making.

    Attributes
    ----------
    visits : numpy.ndarray of int32, shape (I, most + 1)
        Sites of each crew-date; their number stands in the last column.
    member : numpy.ndarray of bool, shape (I, S)
        The same as a table.
    windows : numpy.ndarray of int64, shape (W, 5)
        ``OWNER``: its site; ``COVER``: visits inside; ``POOL``: the windows to fill, one in each row from
        the top; ``PLACE``: where each stands there, -1 where it is filled; ``PENALTY``.
    stock : numpy.ndarray of int64, shape (R, 5)
        ``KIND_OF`` pack, days ``SINCE`` and ``UNTIL``, ``CAP``: packs at the most, ``USED``.
    count : numpy.ndarray of int64, shape (2,)
        ``OPEN`` windows; ``TRIPS``.
    """

    visits: NDArray[np.int32]
    member: NDArray[np.bool_]
    windows: NDArray[np.int64]
    stock: NDArray[np.int64]
    count: NDArray[np.int64]


@compiled_part
def _end_of_stop(p, i, q, subset, begin):
    """Return when a stop begun at a second is over; `FAR` where it cannot be."""
    o = p.stops[i, q, TABLE] + subset
    long = p.loops[o, LONG]
    if begin > min(p.loops[o, LATEST], p.stops[i, q, DUSK] - long):
        return np.int64(FAR)
    return max(begin + long, np.int64(p.loops[o, OVER]), np.int64(p.stops[i, q, DAWN] + long))


@compiled_part
def _in_time(p, i, m, work):
    """Tell whether the stops `work[0]` with their sites `work[1]` fit on a crew-date."""
    move = p.move[p.days[i, CREW]]
    base = move.shape[0] - 1
    done = work[2:]
    for k in range(m):
        q = work[0, k]
        o = p.stops[i, q, TABLE]
        if o < 0 or p.loops[o + work[1, k], LONG] >= FAR:
            return False
    if m > _MOST_STOPS:
        return _in_time_roughly(p, i, m, work)
    full = (1 << m) - 1
    for mask in range(1, full + 1):
        for k in range(m):
            done[mask, k] = FAR
    for mask in range(full):
        for k in range(m):
            if mask == 0:
                if k > 0:
                    break
                now = np.int64(p.days[i, START])
                here = base
            else:
                now = done[mask, k]
                here = work[0, k]
            if now >= FAR:
                continue
            for z in range(m):
                if mask & (1 << z):
                    continue
                end = _end_of_stop(p, i, work[0, z], work[1, z], now + move[here, work[0, z]])
                if end < done[mask | (1 << z), z]:
                    done[mask | (1 << z), z] = end
    for k in range(m):
        if done[full, k] <= p.stops[i, work[0, k], CLOSE]:
            return True
    return False


@compiled_part
def _in_time_roughly(p, i, m, work):
    """Tell whether many stops fit in the order of cheapest insertion, either way round."""
    move = p.move[p.days[i, CREW]]
    base = move.shape[0] - 1
    order = work[2]
    for k in range(m):
        best = np.int64(FAR)
        where = 0
        for pos in range(k + 1):
            before = base if pos == 0 else work[0, order[pos - 1]]
            after = base if pos == k else work[0, order[pos]]
            more = np.int64(move[before, work[0, k]]) + move[work[0, k], after]
            if before != after:
                more -= move[before, after]
            if more < best:
                best = more
                where = pos
        for pos in range(k, where, -1):
            order[pos] = order[pos - 1]
        order[where] = k
    for turn in range(2):
        now = np.int64(p.days[i, START])
        last = base
        for pos in range(m):
            k = order[pos] if turn == 0 else order[m - 1 - pos]
            now = _end_of_stop(p, i, work[0, k], work[1, k], now + move[last, work[0, k]])
            last = work[0, k]
            if now >= FAR:
                break
        if now <= p.stops[i, last, CLOSE]:
            return True
    return False


@compiled_part
def _fits(p, s, i, add, out, n_out, work):
    """Tell whether a crew-date's visits, with `add` and without `out`, fit in time and aboard."""
    m = 0
    packs = 0
    size = s.visits[i, -1]
    for k in range(size + 1):
        v = np.int64(add)
        if k < size:
            v = np.int64(s.visits[i, k])
            gone = False
            for z in range(n_out):
                gone |= out[z] == v
            if gone:
                continue
        packs += p.may[i, v] // SWAPS
        q = p.sites[v, PARK]
        found = -1
        for z in range(m):
            if work[0, z] == q:
                found = z
                break
        if found < 0:
            found = m
            work[0, m] = q
            work[1, m] = 0
            m += 1
        work[1, found] |= np.int64(1) << p.sites[v, BIT]
    return packs <= p.days[i, ABOARD] and _in_time(p, i, m, work)


@compiled_part
def _short(p, s, i, v):
    """Return how many packs of the site's type are wanting on the shelf if it is visited too."""
    most = np.int64(0)
    if p.may[i, v] > SWAPS:
        d = p.days[i, DAY]
        for r in range(s.stock.shape[0]):
            if s.stock[r, KIND_OF] == p.sites[v, KIND] and s.stock[r, SINCE] <= d <= s.stock[r, UNTIL]:
                most = max(most, s.stock[r, USED] + 1 - s.stock[r, CAP])
    return most


@compiled_part
def _eases(p, s, i, v, j):
    """Tell whether a visit less of that type on crew-date j eases every stock row that wants one."""
    d = p.days[i, DAY]
    for r in range(s.stock.shape[0]):
        if (
            s.stock[r, KIND_OF] == p.sites[v, KIND]
            and s.stock[r, SINCE] <= d <= s.stock[r, UNTIL]
            and s.stock[r, USED] + 1 > s.stock[r, CAP]
            and not s.stock[r, SINCE] <= p.days[j, DAY] <= s.stock[r, UNTIL]
        ):
            return False
    return True


@compiled_part
def _loss(p, s, i, v, j):
    """Return the penalties of the windows that only this visit fills, and that a visit on j (-1: none) would not."""
    cost = np.int64(0)
    for r in range(p.sites[v, FIRST], p.sites[v, END]):
        if (
            s.windows[r, COVER] == 1
            and p.holds[r, p.days[i, DAY]]
            and not (j >= 0 and p.may[j, v] > 0 and p.holds[r, p.days[j, DAY]])
        ):
            cost += s.windows[r, PENALTY]
    return cost


@compiled_part
def _change(p, s, i, v, by):
    """Put a visit onto a crew-date (`by` 1), or take it off (-1)."""
    size = s.visits[i, -1]
    if by > 0:
        s.visits[i, size] = v
        s.count[TRIPS] += size == 0
    else:
        for k in range(size):
            if s.visits[i, k] == v:
                s.visits[i, k] = s.visits[i, size - 1]
                break
        s.count[TRIPS] -= size == 1
    s.visits[i, -1] = size + by
    s.member[i, v] = by > 0
    d = p.days[i, DAY]
    for r in range(p.sites[v, FIRST], p.sites[v, END]):
        if not p.holds[r, d]:
            continue
        s.windows[r, COVER] += by
        if by > 0 and s.windows[r, PLACE] >= 0:
            s.count[OPEN] -= 1
            last = s.windows[s.count[OPEN], POOL]
            s.windows[s.windows[r, PLACE], POOL] = last
            s.windows[last, PLACE] = s.windows[r, PLACE]
            s.windows[r, PLACE] = -1
        elif s.windows[r, COVER] == 0:
            s.windows[r, PLACE] = s.count[OPEN]
            s.windows[s.count[OPEN], POOL] = r
            s.count[OPEN] += 1
    if p.may[i, v] > SWAPS:
        for r in range(s.stock.shape[0]):
            if s.stock[r, KIND_OF] == p.sites[v, KIND] and s.stock[r, SINCE] <= d <= s.stock[r, UNTIL]:
                s.stock[r, USED] += by


@compiled_part
def _free(p, s, i, leaving):
    """Tell whether a crew-date has no trip and none that excludes it, but for `leaving`."""
    if s.visits[i, -1] > 0 or p.days[i, LOCK] != FREE:
        return False
    for j in range(p.days.shape[0]):
        if p.clash[i, j] and s.visits[j, -1] > 0 and j != leaving:
            return False
    return True


@compiled_part
def _shift(p, s, j, i, add, limit, keep, held, work):
    """
    Move the trip of crew-date j to i, with one visit more (`add`, -1: none), if it costs less than `limit`.

    What does not fit there is thrown out, the cheapest first. Where it costs more, or `keep` is False,
    everything is put back. Returns what it costs, or -1 where it costs more.
    """
    n = s.visits[j, -1]
    sure = np.int64(0)
    for k in range(n):
        held[k] = s.visits[j, k]
        sure += _loss(p, s, j, held[k], i)
        if sure >= limit:
            return np.int64(-1)
    for k in range(n):
        _change(p, s, j, held[k], -1)
    v = np.int64(add)
    which = -1
    fine = True
    while True:
        if v >= 0:
            if p.may[i, v] > 0 and _short(p, s, i, v) == 0 and _fits(p, s, i, v, held, 0, work):
                _change(p, s, i, v, 1)
            elif which < 0:
                fine = False
                break
        # the dearest go on first; what then finds no room stays out
        best = np.int64(0)
        which = -1
        for k in range(n):
            if held[k] < 0 or s.member[i, held[k]] or p.may[i, held[k]] == 0:
                continue
            worth = np.int64(0)
            for r in range(p.sites[held[k], FIRST], p.sites[held[k], END]):
                if s.windows[r, COVER] == 0 and p.holds[r, p.days[i, DAY]]:
                    worth += s.windows[r, PENALTY]
            if worth > best:
                best = worth
                which = k
        if which < 0:
            break
        v = np.int64(held[which])
        held[which] = -1 - v
    cost = np.int64(0)
    for k in range(n):
        if held[k] < 0:
            held[k] = -1 - held[k]
        for r in range(p.sites[held[k], FIRST], p.sites[held[k], END]):
            if s.windows[r, COVER] == 0 and p.holds[r, p.days[j, DAY]]:
                cost += s.windows[r, PENALTY]
    fine = fine and cost < limit and s.visits[i, -1] > 0
    if fine and keep:
        return cost
    while s.visits[i, -1] > 0:
        _change(p, s, i, s.visits[i, 0], -1)
    for k in range(n):
        _change(p, s, j, held[k], 1)
    return cost if fine else np.int64(-1)


@compiled_part
def _stir(p, s, held, out, work):
    """Move a visit to another trip, or a trip to another date, if nothing is lost."""
    n_days = p.days.shape[0]
    skip = np.random.randint(max(1, s.count[TRIPS]))
    i = -1
    for k in range(n_days):
        if s.visits[k, -1] > 0:
            if skip == 0:
                i = k
                break
            skip -= 1
    if i < 0:
        return
    j = np.random.randint(n_days)
    if np.random.random() < 0.25:
        if (
            p.days[i, LOCK] == FREE
            and j != i
            and abs(p.days[j, DAY] - p.days[i, DAY]) <= _NEAR_DAYS
            and _free(p, s, j, i)
        ):
            _shift(p, s, i, j, -1, 1, True, held, work)
        return
    while s.visits[j, -1] == 0:
        j = (j + 1) % n_days
    if i == j or p.days[i, LOCK] == FROZEN or p.days[j, LOCK] == FROZEN or s.visits[j, -1] >= _MOST_VISITS:
        return
    if p.days[i, LOCK] == STAYS and s.visits[i, -1] == 1:
        return
    v = np.int64(s.visits[i, np.random.randint(s.visits[i, -1])])
    if s.member[j, v] or p.may[j, v] == 0 or _loss(p, s, i, v, j) > 0:
        return
    if not _fits(p, s, j, v, out, 0, work):
        return
    _change(p, s, i, v, -1)
    _change(p, s, j if _short(p, s, j, v) == 0 else i, v, 1)


@compiled_part
def _along(p, s, r, i, limit, found, out, losses, work):
    """
    Find what to throw out so that a window's site can ride along on crew-date i.

    Returns what it costs, `limit` where nothing is cheaper; `found` gets the number of visits thrown
    out, the crew-date, and the visits.
    """
    v = s.windows[r, OWNER]
    n = np.int64(s.visits[i, -1])
    need = _short(p, s, i, v)
    if need > 3 or n >= _MOST_VISITS or s.member[i, v]:
        return limit
    best = limit
    for k in range(n):
        losses[k] = _loss(p, s, i, s.visits[i, k], -1)
    if p.days[i, LOCK] == FROZEN:
        n = 0
    for a in range(-1, n):  # -1: none
        for b in range(-1, n):
            if b >= 0 and (a < 0 or b <= a):
                continue
            for c in range(-1, n):
                if c >= 0 and (b < 0 or c <= b):
                    continue
                size = (a >= 0) + (b >= 0) + (c >= 0)
                cost = np.int64(0)
                same = 0
                for k in range(size):
                    x = a if k == 0 else b if k == 1 else c
                    out[k] = s.visits[i, x]
                    cost += losses[x]
                    same += p.sites[out[k], KIND] == p.sites[v, KIND] and p.may[i, out[k]] > SWAPS
                if cost < best and same >= need and _fits(p, s, i, v, out, size, work):
                    best = cost
                    found[0] = size
                    found[1] = i
                    for k in range(size):
                        found[2 + k] = out[k]
                    if cost == 0:
                        return best
    return best


@compiled_part
def _saved(p, s, r, i, limit, found, out, work):
    """Find a visit of another trip whose pack, saved, lets a window's site ride along on crew-date i."""
    v = s.windows[r, OWNER]
    if _short(p, s, i, v) != 1 or s.visits[i, -1] >= _MOST_VISITS or s.member[i, v]:
        return limit
    if not _fits(p, s, i, v, out, 0, work):
        return limit
    best = limit
    for j in range(p.days.shape[0]):
        n = s.visits[j, -1]
        if j == i or n == 0 or p.days[j, LOCK] == FROZEN or (n == 1 and p.days[j, LOCK] == STAYS):
            continue
        if not _eases(p, s, i, v, j):
            continue
        for k in range(n):
            u = s.visits[j, k]
            if u == v or p.sites[u, KIND] != p.sites[v, KIND] or p.may[j, u] <= SWAPS:
                continue
            cost = _loss(p, s, j, u, -1)
            if cost < best:
                best = cost
                found[0] = 1
                found[1] = i
                found[2] = u
                found[5] = j
    return best


@compiled
def squeeze(p, s, most, turns, stir, seed):
    """
    Fill the open windows of a plan with at most `most` trips, in at most `turns` turns.

    Parameters
    ----------
    p : Problem
        The problem.
    s : State
        Changed in place.
    most : int
        Trips at the most.
    turns : int
        Windows picked at the most.
    stir : int
        Free moves after each turn.
    seed : int
        Seed.

    Returns
    -------
    int
        Windows still to fill.
    """
    np.random.seed(seed)
    n_days = p.days.shape[0]
    work = np.zeros((2 + (1 << _MOST_STOPS), _MOST_VISITS + 1), np.int64)
    held = np.zeros(_MOST_VISITS + 1, np.int64)
    losses = np.zeros(_MOST_VISITS + 1, np.int64)
    out = np.zeros(3, np.int64)
    found = np.zeros(6, np.int64)
    chosen = np.zeros(6, np.int64)
    for _ in range(turns):
        if s.count[OPEN] == 0:
            break
        r = s.windows[np.random.randint(s.count[OPEN]), POOL]
        v = s.windows[r, OWNER]
        best = np.int64(1) << 60
        chosen[1] = -1
        first = np.random.randint(n_days)
        for step in range(n_days):
            i = (first + step) % n_days
            if best == 0 or not p.holds[r, p.days[i, DAY]] or p.may[i, v] == 0:
                continue
            if s.visits[i, -1] == 0 and (s.count[TRIPS] >= most or not _free(p, s, i, -1)):
                continue
            found[5] = -1
            cost = _along(p, s, r, i, best, found, out, losses, work)
            if cost > 0:
                cost = _saved(p, s, r, i, cost, found, out, work)
            if cost < best:
                best = cost
                chosen[:] = found
        moving = np.int64(-1)
        if best > 0:
            s.windows[r, PENALTY] += 1
        for step in range(n_days if best > 0 else 0):
            # or a whole trip moves to a date inside the window
            i = (first + step) % n_days
            if best == 0 or not p.holds[r, p.days[i, DAY]] or p.may[i, v] == 0 or s.visits[i, -1] > 0:
                continue
            for j in range(n_days):
                if (
                    s.visits[j, -1] > 0
                    and p.days[j, LOCK] == FREE
                    and not s.member[j, v]
                    and abs(p.days[i, DAY] - p.days[j, DAY]) <= _NEAR_DAYS
                    and _free(p, s, i, j)
                ):
                    cost = _shift(p, s, j, i, v, best, False, held, work)
                    if cost >= 0:
                        best = cost
                        chosen[1] = i
                        moving = np.int64(j)
        if chosen[1] < 0:
            continue
        if moving >= 0:
            _shift(p, s, moving, chosen[1], v, best + 1, True, held, work)
        else:
            for k in range(chosen[0]):
                _change(p, s, chosen[1] if chosen[5] < 0 else chosen[5], chosen[2 + k], -1)
            _change(p, s, chosen[1], v, 1)
        for _ in range(stir):
            _stir(p, s, held, out, work)
    return s.count[OPEN]
