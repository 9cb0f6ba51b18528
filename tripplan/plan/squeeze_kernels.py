"""
Compiled inner loops of the search for one trip fewer: take in what a plan misses, throw out what costs least.

The plan holds visits on a fixed number of trips. A window without a visit is picked at random; its site
goes onto a trip inside the window, if need be in place of others, or a whole trip moves to another date, or
two trips exchange what they do around two places.
What is thrown out is what costs least by penalties that grow each time a window is hard to fill [1]_; the
penalties of all windows that the visit fills count against it.

References
----------
.. [1] Y. Nagata and O. Braysy, "A powerful route minimization heuristic for the vehicle routing problem
   with time windows," Operations Research Letters 37(5), 333-338, 2009 (ejection pool, penalties).
"""

# Compiled in: 4e18266f312b

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_inner
from tripplan.plan.squeeze_changes import (
    change,
    eases,
    find_move,
    fits,
    gain_of,
    is_free,
    least_of_move,
    loss_of,
    make_move,
    name_of,
    short_of,
)
from tripplan.plan.squeeze_exchange import find_exchange, make_exchange
from tripplan.plan.squeeze_stops import MOST_STOPS
from tripplan.plan.squeeze_tables import (
    AROUND,
    DAY,
    FREE,
    FROZEN,
    KIND,
    LOCK,
    OPEN,
    OWNER,
    PARK,
    PENALTY,
    POOL,
    STAYS,
    SWAPS,
    TRIPS,
)

__all__ = ["squeeze"]

_MOST_VISITS = 64
_NEAR_DAYS = 42
_MOST_MOVES = 4096
"""Moves of whole trips weighed at the most; more are left out."""

_EXCHANGED = 0.5
"""Share of the windows hard to fill for which two trips may exchange what they do around two places."""


@compiled_inner
def _stir(p, s, held, found, out, losses, work):
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
            and is_free(p, s, j, i)
            and find_move(p, s, i, j, -1, 1, found, out, losses, work) == 0
        ):
            make_move(p, s, i, j, -1, found, held)
        return
    while s.visits[j, -1] == 0:
        j = (j + 1) % n_days
    if i == j or p.days[i, LOCK] == FROZEN or p.days[j, LOCK] == FROZEN or s.visits[j, -1] >= _MOST_VISITS:
        return
    if p.days[i, LOCK] == STAYS and s.visits[i, -1] == 1:
        return
    v = np.int64(s.visits[i, np.random.randint(s.visits[i, -1])])
    if s.member[j, v] or p.may[j, v] == 0 or loss_of(p, s, i, v, j) > 0:
        return
    key, packs = name_of(p, s, j, j, v)
    if not fits(p, s, j, j, v, out, 0, key, packs, work):
        return
    change(p, s, i, v, -1)
    change(p, s, j if short_of(p, s, j, v) == 0 else i, v, 1)


@compiled_inner
def _along(p, s, r, i, limit, found, out, ranked, work):
    """
    Find what to throw out so that a window's site can ride along on crew-date i.

    Returns what it costs, `limit` where nothing is cheaper; `found` gets the number of visits thrown
    out, the crew-date, and the visits.
    """
    v = s.windows[r, OWNER]
    n = np.int64(s.visits[i, -1])
    need = short_of(p, s, i, v)
    if need > 3 or n >= _MOST_VISITS or s.member[i, v]:
        return limit
    best = limit
    if p.days[i, LOCK] == FROZEN:
        n = 0
    for k in range(n):  # the cheapest to throw out first
        loss = loss_of(p, s, i, s.visits[i, k], -1)
        z = k
        while z > 0 and ranked[0, z - 1] > loss:
            ranked[0, z] = ranked[0, z - 1]
            ranked[1, z] = ranked[1, z - 1]
            z -= 1
        ranked[0, z] = loss
        ranked[1, z] = s.visits[i, k]
    key, packs = name_of(p, s, i, i, v)
    for a in range(-1, n):  # -1: none
        if a >= 0 and ranked[0, a] >= best:
            break
        for b in range(-1, n if a >= 0 else 0):
            if 0 <= b <= a:
                continue
            if b >= 0 and ranked[0, a] + ranked[0, b] >= best:
                break
            for c in range(-1, n if b >= 0 else 0):
                if 0 <= c <= b:
                    continue
                size = (a >= 0) + (b >= 0) + (c >= 0)
                cost = np.int64(0)
                same = 0
                for k in range(size):
                    x = a if k == 0 else b if k == 1 else c
                    out[k] = ranked[1, x]
                    cost += ranked[0, x]
                    same += p.sites[out[k], KIND] == p.sites[v, KIND] and (p.may[i, out[k]] & SWAPS) != 0
                if cost >= best:
                    break
                if same >= need and fits(p, s, i, i, v, out, size, key, packs, work):
                    best = cost
                    found[0] = size
                    found[1] = i
                    for k in range(size):
                        found[2 + k] = out[k]
                    if cost == 0:
                        return best
    return best


@compiled_inner
def _saved(p, s, r, i, limit, found, out, work):
    """Find a visit of another trip whose pack, saved, lets a window's site ride along on crew-date i."""
    v = s.windows[r, OWNER]
    if short_of(p, s, i, v) != 1 or s.visits[i, -1] >= _MOST_VISITS or s.member[i, v]:
        return limit
    key, packs = name_of(p, s, i, i, v)
    if not fits(p, s, i, i, v, out, 0, key, packs, work):
        return limit
    best = limit
    for j in range(p.days.shape[0]):
        n = s.visits[j, -1]
        if j == i or n == 0 or p.days[j, LOCK] == FROZEN or (n == 1 and p.days[j, LOCK] == STAYS):
            continue
        if not eases(p, s, i, v, j):
            continue
        for k in range(n):
            u = s.visits[j, k]
            if u == v or p.sites[u, KIND] != p.sites[v, KIND] or not p.may[j, u] & SWAPS:
                continue
            cost = loss_of(p, s, j, u, -1)
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
    moves = np.zeros((3, _MOST_MOVES), np.int64)
    held = np.zeros(_MOST_VISITS + 1, np.int64)
    losses = np.zeros(_MOST_VISITS + 1, np.int64)
    ranked = np.zeros((2, _MOST_VISITS + 1), np.int64)
    out = np.zeros(3, np.int64)
    found = np.zeros(6, np.int64)
    chosen = np.zeros(6, np.int64)
    two = np.zeros((2, _MOST_VISITS + 2), np.int64)
    trial = np.zeros((2, _MOST_VISITS + 2), np.int64)
    near = np.zeros(_MOST_VISITS, np.int64)
    for _ in range(turns):
        if s.tally[OPEN] == 0:
            break
        r = s.windows[np.random.randint(s.tally[OPEN]), POOL]
        v = s.windows[r, OWNER]
        best = np.int64(1) << 60  # what is lost less what is gained
        lost = best
        chosen[1] = -1
        first = np.random.randint(n_days)
        for step in range(n_days):
            i = (first + step) % n_days
            if not p.holds[r, p.days[i, DAY]] or p.may[i, v] == 0:
                continue
            if s.visits[i, -1] == 0 and (s.tally[TRIPS] >= most or not is_free(p, s, i, -1)):
                continue
            found[5] = -1
            gain = gain_of(p, s, i, v)
            limit = best + gain
            if limit <= 0:
                continue
            cost = _along(p, s, r, i, limit, found, out, ranked, work)
            if cost > 0:
                cost = _saved(p, s, r, i, cost, found, out, work)
            if cost < limit:
                best = cost - gain
                lost = cost
                chosen[:] = found
        moving = np.int64(-1)
        if lost > 0:
            s.windows[r, PENALTY] += 1
            s.stamp[v] += 1
        n_moves = 0
        for step in range(n_days if lost > 0 else 0):
            # or a whole trip moves to a date inside the window
            i = (first + step) % n_days
            if not p.holds[r, p.days[i, DAY]] or p.may[i, v] == 0 or s.visits[i, -1] > 0:
                continue
            gain = gain_of(p, s, i, v)
            for j in range(n_days):
                if (
                    s.visits[j, -1] > 0
                    and p.days[j, LOCK] == FREE
                    and not s.member[j, v]
                    and s.visits[j, -1] < _MOST_VISITS
                    and abs(p.days[i, DAY] - p.days[j, DAY]) <= _NEAR_DAYS
                    and is_free(p, s, i, j)
                ):
                    cost = least_of_move(p, s, j, i, best + gain)
                    if cost < best + gain and n_moves < moves.shape[1]:
                        moves[0, n_moves] = cost - gain
                        moves[1, n_moves] = j
                        moves[2, n_moves] = i
                        n_moves += 1
        while n_moves > 0:  # those that could be cheapest first
            k = 0
            for z in range(1, n_moves):
                if moves[0, z] < moves[0, k]:
                    k = z
            if moves[0, k] >= best:
                break
            limit = best + gain_of(p, s, moves[2, k], v)
            cost = find_move(p, s, moves[1, k], moves[2, k], v, limit, found, out, losses, work)
            if cost < limit:
                best -= limit - cost
                chosen[:] = found
                moving = moves[1, k]
            n_moves -= 1
            for z in range(3):
                moves[z, k] = moves[z, n_moves]
        exchanging = False
        if lost > 0 and np.random.random() < _EXCHANGED:
            by = AROUND if np.random.random() < 0.5 else PARK
            cost = find_exchange(p, s, r, by, best, two, trial, near, work)
            exchanging = cost < best
        if exchanging:
            make_exchange(p, s, two, held)
        elif moving >= 0:
            make_move(p, s, moving, chosen[1], v, chosen, held)
        elif chosen[1] >= 0:
            for k in range(chosen[0]):
                change(p, s, chosen[1] if chosen[5] < 0 else chosen[5], chosen[2 + k], -1)
            change(p, s, chosen[1], v, 1)
        for _ in range(stir):
            _stir(p, s, held, found, out, losses, work)
    return s.tally[OPEN]
