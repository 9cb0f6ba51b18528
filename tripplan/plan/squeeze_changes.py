"""
Compiled: what a change of the plan costs, and making it, for the search for one trip fewer.

None of these makes an array: see `tripplan.plan.compiled.compiled_inner`.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled_inner
from tripplan.plan.squeeze_stops import in_time
from tripplan.plan.squeeze_tables import (
    ABOARD,
    BIT,
    CAP,
    CARRIES,
    COVER,
    DAY,
    FREE,
    KEY,
    KIND,
    LOCK,
    LOSS,
    OPEN,
    PARK,
    PENALTY,
    PLACE,
    POOL,
    SINCE,
    STAMP,
    SWAPS,
    TRIPS,
    UNTIL,
    USED,
)

__all__ = [
    "all_fit",
    "change",
    "eases",
    "find_move",
    "fits",
    "gain_of",
    "is_free",
    "least_of_move",
    "loss_of",
    "make_move",
    "name_of",
    "short_of",
]


@compiled_inner
def name_of(p, s, i, j, add):
    """Return the name of the trip of crew-date j on i, with `add` (-1: none), and the packs it carries."""
    key = p.keys[i]
    packs = 0
    for k in range(s.visits[j, -1] + 1):
        v = np.int64(s.visits[j, k]) if k < s.visits[j, -1] else np.int64(add)
        if v >= 0:
            key ^= p.keys[p.days.shape[0] + v]
            packs += (p.may[i, v] & CARRIES) != 0
    return key, packs


@compiled_inner
def _known(p, key):
    """Return 1 for a trip known to fit, 0 for one known not to, -1 for one not looked at."""
    known = p.known[key & np.int64(p.known.shape[0] - 1)]
    return known & 1 if known >> 1 == key >> 1 else np.int64(-1)


@compiled_inner
def _try(p, i, m, work, key):
    """Tell whether m stops fit on a crew-date, and remember it."""
    fine = in_time(p, i, m, work)
    p.known[key & np.int64(p.known.shape[0] - 1)] = (key >> 1 << 1) | fine
    return fine


@compiled_inner
def _put(p, v, m, work):
    """Add a site to m stops; return how many there are then."""
    q = p.sites[v, PARK]
    at = m
    for z in range(m):
        if work[0, z] == q:
            at = z
            break
    if at == m:
        work[0, m] = q
        work[1, m] = 0
        m += 1
    work[1, at] |= np.int64(1) << p.sites[v, BIT]
    return m


@compiled_inner
def fits(p, s, i, j, add, out, n_out, key, packs, work):
    """
    Tell whether the visits of crew-date j fit on i, with `add` (-1: none), without `out`.

    `key` and `packs` are the name of the trip and what it carries before `out` is taken off.
    """
    for z in range(n_out):
        key ^= p.keys[p.days.shape[0] + out[z]]
        packs -= (p.may[i, out[z]] & CARRIES) != 0
    if packs > p.days[i, ABOARD]:
        return False
    known = _known(p, key)
    if known >= 0:
        return known == 1
    m = 0
    for k in range(s.visits[j, -1] + 1):
        v = np.int64(add)
        if k < s.visits[j, -1]:
            v = np.int64(s.visits[j, k])
            gone = False
            for z in range(n_out):
                gone |= out[z] == v
            if gone:
                continue
        elif add < 0:
            continue
        m = _put(p, v, m, work)
    return _try(p, i, m, work, key)


@compiled_inner
def all_fit(p, i, visits, n, work):
    """Tell whether the first n of some visits make a trip that fits on crew-date i."""
    key = p.keys[i]
    packs = 0
    for k in range(n):
        key ^= p.keys[p.days.shape[0] + visits[k]]
        packs += (p.may[i, visits[k]] & CARRIES) != 0
    if packs > p.days[i, ABOARD]:
        return False
    known = _known(p, key)
    if known >= 0:
        return known == 1
    m = 0
    for k in range(n):
        m = _put(p, visits[k], m, work)
    return _try(p, i, m, work, key)


@compiled_inner
def short_of(p, s, i, v):
    """Return how many packs of the site's type are wanting on the shelf if it is visited too."""
    most = np.int64(0)
    if p.may[i, v] & SWAPS:
        at = p.sites[v, KIND] * p.holds.shape[1] + p.days[i, DAY]
        for k in range(s.stock_at[at], s.stock_at[at + 1]):
            r = s.stock_of[k]
            most = max(most, s.stock[r, USED] + 1 - s.stock[r, CAP])
    return most


@compiled_inner
def eases(p, s, i, v, j):
    """Tell whether a visit less of that type on crew-date j eases every stock row that wants one."""
    at = p.sites[v, KIND] * p.holds.shape[1] + p.days[i, DAY]
    for k in range(s.stock_at[at], s.stock_at[at + 1]):
        r = s.stock_of[k]
        if (
            s.stock[r, USED] + 1 > s.stock[r, CAP]
            and not s.stock[r, SINCE] <= p.days[j, DAY] <= s.stock[r, UNTIL]
        ):
            return False
    return True


@compiled_inner
def loss_of(p, s, i, v, j):
    """Return the penalties of windows that only this visit fills, and that one on j (-1: none) would not."""
    n = p.holds.shape[1]
    d = np.int64(p.days[i, DAY])
    e = np.int64(p.days[j, DAY]) if j >= 0 and p.may[j, v] > 0 else np.int64(n)
    key = (v * n + d) * (n + 1) + e
    slot = key * 0x9E3779B1 >> 7 & (s.memo.shape[0] - 1)
    if s.memo[slot, KEY] == key and s.memo[slot, STAMP] == s.stamp[v]:
        return s.memo[slot, LOSS]
    cost = np.int64(0)
    for r in range(p.near[v, d, 0], p.near[v, d, 1]):
        if s.windows[r, COVER] == 1 and p.holds[r, d] and not (e < n and p.holds[r, e]):
            cost += s.windows[r, PENALTY]
    s.memo[slot, KEY] = key
    s.memo[slot, STAMP] = s.stamp[v]
    s.memo[slot, LOSS] = cost
    return cost


@compiled_inner
def gain_of(p, s, i, v):
    """Return the penalties of the open windows that a visit would fill."""
    gain = np.int64(0)
    d = p.days[i, DAY]
    for r in range(p.near[v, d, 0], p.near[v, d, 1]):
        if s.windows[r, COVER] == 0 and p.holds[r, d]:
            gain += s.windows[r, PENALTY]
    return gain


@compiled_inner
def change(p, s, i, v, by):
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
    s.stamp[v] += 1
    for r in range(p.near[v, d, 0], p.near[v, d, 1]):
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
        at = p.sites[v, KIND] * p.holds.shape[1] + d
        for k in range(s.stock_at[at], s.stock_at[at + 1]):
            s.stock[s.stock_of[k], USED] += by


@compiled_inner
def is_free(p, s, i, leaving):
    """Tell whether a crew-date has no trip and none that excludes it, but for `leaving`."""
    if s.visits[i, -1] > 0 or p.days[i, LOCK] != FREE:
        return False
    for k in range(p.clash.shape[1]):
        j = p.clash[i, k]
        if j >= 0 and s.visits[j, -1] > 0 and j != leaving:
            return False
    return True


@compiled_inner
def _shelf_allows(p, s, j, i, add, out, n_out):
    """Tell whether the shelf can feed the trip of crew-date j on i instead, with `add`, without `out`."""
    n_days = p.holds.shape[1]
    for kind in range((s.stock_at.shape[0] - 1) // n_days):
        taken = 0
        back = 0
        for k in range(s.visits[j, -1] + 1):
            v = np.int64(add)
            gone = add < 0
            if k < s.visits[j, -1]:
                v = np.int64(s.visits[j, k])
                gone = False
                if p.sites[v, KIND] == kind and p.may[j, v] & SWAPS:
                    back += 1
                for z in range(n_out):
                    gone |= out[z] == v
            if not gone and p.sites[v, KIND] == kind and p.may[i, v] & SWAPS:
                taken += 1
        if taken == 0:
            continue
        at = kind * n_days + p.days[i, DAY]
        for k in range(s.stock_at[at], s.stock_at[at + 1]):
            r = s.stock_of[k]
            used = s.stock[r, USED] + taken
            if s.stock[r, SINCE] <= p.days[j, DAY] <= s.stock[r, UNTIL]:
                used -= back
            if used > s.stock[r, CAP]:
                return False
    return True


@compiled_inner
def least_of_move(p, s, j, i, limit):
    """Return the penalties that moving the trip of crew-date j to i costs at the least; `limit` for more."""
    sure = np.int64(0)
    for k in range(s.visits[j, -1]):
        v = np.int64(s.visits[j, k])
        sure += loss_of(p, s, j, v, i if p.may[i, v] > 0 else -1)
        if sure >= limit:
            return limit
    return sure


@compiled_inner
def find_move(p, s, j, i, add, limit, found, out, losses, work):
    """
    Find the cost of moving the trip of crew-date j to i, with one visit more (`add`, -1: none).

    Up to three visits are thrown out where not all fit. Returns `limit` where nothing is cheaper; `found`
    gets how many are thrown out, the crew-date moved to, and the visits.
    """
    n = np.int64(s.visits[j, -1])
    sure = np.int64(0)
    n_sure = 0
    for k in range(n):
        v = np.int64(s.visits[j, k])
        if p.may[i, v] == 0:
            if n_sure == 3:
                return limit
            out[n_sure] = v
            n_sure += 1
            losses[k] = -1
            sure += loss_of(p, s, j, v, -1)
        else:
            part = loss_of(p, s, j, v, i)
            sure += part
            losses[k] = loss_of(p, s, j, v, -1) - part
        if sure >= limit:
            return limit
    key, packs = name_of(p, s, i, j, add)
    best = limit
    for a in range(-1, n):  # -1: none
        if a >= 0 and (n_sure == 3 or losses[a] < 0 or sure + losses[a] >= best):
            continue
        for b in range(-1, n if a >= 0 else 0):
            if b >= 0 and (n_sure >= 2 or b <= a or losses[b] < 0):
                continue
            cost = sure
            size = n_sure
            if a >= 0:
                out[size] = s.visits[j, a]
                size += 1
                cost += losses[a]
            if b >= 0:
                out[size] = s.visits[j, b]
                size += 1
                cost += losses[b]
            if cost >= best or n - size + (add >= 0) == 0:
                continue
            if _shelf_allows(p, s, j, i, add, out, size) and fits(
                p, s, i, j, add, out, size, key, packs, work
            ):
                best = cost
                found[0] = size
                found[1] = i
                for k in range(size):
                    found[2 + k] = out[k]
        if a < 0 and best < limit:
            break
    return best


@compiled_inner
def make_move(p, s, j, i, add, found, held):
    """Move the trip of crew-date j to i as `find_move` found it."""
    n = s.visits[j, -1]
    for k in range(n):
        held[k] = s.visits[j, k]
    for k in range(n):
        change(p, s, j, held[k], -1)
    for k in range(n):
        gone = False
        for z in range(found[0]):
            gone |= found[2 + z] == held[k]
        if not gone:
            change(p, s, i, held[k], 1)
    if add >= 0:
        change(p, s, i, add, 1)
