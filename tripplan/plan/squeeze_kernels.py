"""
Compiled inner loops of the search for one trip fewer: take in what a plan misses, throw out what costs least.

The plan holds visits on a fixed number of trips. A window without a visit is picked at random; its site
goes onto a trip inside the window, if need be in place of others, or a whole trip moves to another date.
What is thrown out is what costs least by penalties that grow each time a window is hard to fill [1]_.

References
----------
.. [1] Y. Nagata and O. Braysy, "A powerful route minimization heuristic for the vehicle routing problem
   with time windows," Operations Research Letters 37(5), 333-338, 2009 (ejection pool, penalties).
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_part
from tripplan.plan.squeeze_stops import MOST_STOPS, in_time
from tripplan.plan.squeeze_tables import (
    ABOARD,
    BIT,
    CAP,
    CARRIES,
    COVER,
    DAY,
    END,
    FIRST,
    FREE,
    FROZEN,
    KIND,
    KIND_OF,
    LOCK,
    OPEN,
    OWNER,
    PARK,
    PENALTY,
    PLACE,
    POOL,
    SINCE,
    STAYS,
    SWAPS,
    TRIPS,
    UNTIL,
    USED,
)

__all__ = ["squeeze"]

_MOST_VISITS = 64
_NEAR_DAYS = 42


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
        packs += (p.may[i, v] & CARRIES) != 0
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
    return packs <= p.days[i, ABOARD] and in_time(p, i, m, work)


@compiled_part
def _short(p, s, i, v):
    """Return how many packs of the site's type are wanting on the shelf if it is visited too."""
    most = np.int64(0)
    if p.may[i, v] & SWAPS:
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
    """Return the penalties of windows that only this visit fills, and that one on j (-1: none) would not."""
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
        s.tally[TRIPS] += size == 0
    else:
        for k in range(size):
            if s.visits[i, k] == v:
                s.visits[i, k] = s.visits[i, size - 1]
                break
        s.tally[TRIPS] -= size == 1
    s.visits[i, -1] = size + by
    s.member[i, v] = by > 0
    d = p.days[i, DAY]
    for r in range(p.sites[v, FIRST], p.sites[v, END]):
        if not p.holds[r, d]:
            continue
        s.windows[r, COVER] += by
        if by > 0 and s.windows[r, PLACE] >= 0:
            s.tally[OPEN] -= 1
            last = s.windows[s.tally[OPEN], POOL]
            s.windows[s.windows[r, PLACE], POOL] = last
            s.windows[last, PLACE] = s.windows[r, PLACE]
            s.windows[r, PLACE] = -1
        elif s.windows[r, COVER] == 0:
            s.windows[r, PLACE] = s.tally[OPEN]
            s.windows[s.tally[OPEN], POOL] = r
            s.tally[OPEN] += 1
    if p.may[i, v] & SWAPS:
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
    skip = np.random.randint(max(1, s.tally[TRIPS]))
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
                    same += p.sites[out[k], KIND] == p.sites[v, KIND] and (p.may[i, out[k]] & SWAPS) != 0
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
            if u == v or p.sites[u, KIND] != p.sites[v, KIND] or not p.may[j, u] & SWAPS:
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
    work = np.zeros((2 + (1 << MOST_STOPS), _MOST_VISITS + 1), np.int64)
    held = np.zeros(_MOST_VISITS + 1, np.int64)
    losses = np.zeros(_MOST_VISITS + 1, np.int64)
    out = np.zeros(3, np.int64)
    found = np.zeros(6, np.int64)
    chosen = np.zeros(6, np.int64)
    for _ in range(turns):
        if s.tally[OPEN] == 0:
            break
        r = s.windows[np.random.randint(s.tally[OPEN]), POOL]
        v = s.windows[r, OWNER]
        best = np.int64(1) << 60
        chosen[1] = -1
        first = np.random.randint(n_days)
        for step in range(n_days):
            i = (first + step) % n_days
            if best == 0 or not p.holds[r, p.days[i, DAY]] or p.may[i, v] == 0:
                continue
            if s.visits[i, -1] == 0 and (s.tally[TRIPS] >= most or not _free(p, s, i, -1)):
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
    return s.tally[OPEN]
