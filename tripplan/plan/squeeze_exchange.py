"""
Compiled: two trips exchange what they do around two places, for the search for one trip fewer.

A full trip seldom has time for one more place: what another trip does there comes along as a whole, and
what this one does somewhere else goes to that other trip. None of these makes an array: see
`tripplan.plan.compiled.compiled_inner`.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled_inner
from tripplan.plan.squeeze_changes import all_fit, change, gain_of, loss_of
from tripplan.plan.squeeze_tables import CAP, DAY, FROZEN, KIND, LOCK, OWNER, SINCE, SWAPS, UNTIL, USED

__all__ = ["find_exchange", "make_exchange"]

_NEAR_DAYS = 63
"""Trips further apart exchange nothing. [day]"""

_MOST_OUT = 2
"""Visits thrown out of each trip at the most, where not all fit."""

_COUNT, _WHERE = -2, -1
"""Columns behind a trip's visits: their number, its crew-date."""


@compiled_inner
def _comes(p, s, i, k, a, by, place):
    """Tell whether crew-date i takes over the visit a of k, around a place."""
    u = s.visits[k, a]
    return p.sites[u, by] == place and not s.member[i, u] and p.may[i, u] > 0


@compiled_inner
def _cost_of_coming(p, s, i, k, v, by, place):
    """
    Return what it costs that i takes over what k does around a place, and how many visits come.

    What a visit of site v gains is left out.
    """
    cost = np.int64(0)
    n = 0
    for a in range(s.visits[k, -1]):
        if _comes(p, s, i, k, a, by, place):
            u = np.int64(s.visits[k, a])
            cost += loss_of(p, s, k, u, i)
            if u != v:
                cost -= gain_of(p, s, i, u)
            n += 1
    return cost, n


@compiled_inner
def _lay_out(p, s, i, k, v, by, place, other, thrown, cost, limit, trial):
    """
    List the visits of both trips: v and what k does around a place go to i, what i does around another to k.

    `k` of -1: no second trip; `other` of -1: nothing leaves i; `thrown`: what leaves i goes nowhere.
    Returns what it costs, with `cost` for what comes; `limit` where it is not cheaper.
    """
    n = 0
    m = 0
    for a in range(s.visits[k, -1] if k >= 0 else 0):
        if _comes(p, s, i, k, a, by, place):
            if s.visits[k, a] != v:
                trial[0, n] = s.visits[k, a]
                n += 1
        else:
            trial[1, m] = s.visits[k, a]
            m += 1
    for a in range(s.visits[i, -1]):
        u = np.int64(s.visits[i, a])
        if p.sites[u, by] != other:
            trial[0, n] = u
            n += 1
        elif thrown or s.member[k, u] or p.may[k, u] == 0:
            cost += loss_of(p, s, i, u, -1)
        else:
            cost += loss_of(p, s, i, u, k)
            trial[1, m] = u
            m += 1
        if cost >= limit or n >= trial.shape[1] - 3 or m >= trial.shape[1] - 3:
            return limit
    trial[0, n] = v
    trial[0, _COUNT] = n + 1
    trial[1, _COUNT] = m
    return limit if k >= 0 and m == 0 else cost


@compiled_inner
def _fit_in(p, s, i, visits, kept, cost, limit, work):
    """Throw out of a trip what costs least until it fits; return what all costs, `limit` for too much."""
    for turn in range(_MOST_OUT + 1):
        n = visits[_COUNT]
        if all_fit(p, i, visits, n, work):
            return cost
        if turn == _MOST_OUT or n <= 1:
            return limit
        least = limit - cost
        out = np.int64(-1)
        for k in range(n):
            if visits[k] == kept or not s.member[i, visits[k]]:
                continue
            loss = loss_of(p, s, i, visits[k], -1)
            if loss < least:
                least = loss
                out = k
        if out < 0:
            return limit
        cost += least
        visits[out] = visits[n - 1]
        visits[_COUNT] = n - 1
    return limit


@compiled_inner
def _swaps_more(p, s, i, visits, kind):
    """Return how many swaps of a kind a trip does more than the one on crew-date i now."""
    more = np.int64(0)
    for z in range(visits[_COUNT]):
        more += p.sites[visits[z], KIND] == kind and (p.may[i, visits[z]] & SWAPS) != 0
    for z in range(s.visits[i, -1]):
        v = s.visits[i, z]
        more -= p.sites[v, KIND] == kind and (p.may[i, v] & SWAPS) != 0
    return more


@compiled_inner
def _shelf_lacks(p, s, i, k, kind, more, other):
    """Tell whether the shelf cannot feed so many swaps more on crew-date i, and so many on k."""
    at = kind * p.holds.shape[1] + p.days[i, DAY]
    for z in range(s.stock_at[at], s.stock_at[at + 1]):
        r = s.stock_of[z]
        both = k >= 0 and s.stock[r, SINCE] <= p.days[k, DAY] <= s.stock[r, UNTIL]
        if more + (other if both else 0) > max(0, s.stock[r, CAP] - s.stock[r, USED]):
            return True
    return False


@compiled_inner
def _shelf_allows(p, s, i, k, trial):
    """Tell whether the shelf can feed both trips."""
    for kind in range((s.stock_at.shape[0] - 1) // p.holds.shape[1]):
        at_i = _swaps_more(p, s, i, trial[0], kind)
        at_k = _swaps_more(p, s, k, trial[1], kind) if k >= 0 else np.int64(0)
        if at_i > 0 and _shelf_lacks(p, s, i, k, kind, at_i, at_k):
            return False
        if at_k > 0 and _shelf_lacks(p, s, k, i, kind, at_k, at_i):
            return False
    return True


@compiled_inner
def _places_of(p, s, i, by, place, places):
    """List the places of a trip but one; return their number."""
    n = 0
    for a in range(s.visits[i, -1]):
        x = p.sites[s.visits[i, a], by]
        new = x != place
        for b in range(n):
            new &= places[b] != x
        if new:
            places[n] = x
            n += 1
    return n


@compiled_inner
def find_exchange(p, s, r, by, limit, two, trial, places, work):
    """
    Find the cheapest exchange of two trips that fills a window.

    Parameters
    ----------
    p, s : Problem, State
        The problem and the plan in the making.
    r : int
        Window.
    by : int
        Column of `Problem.sites` that tells the places apart.
    limit : int
        What is lost less what is gained must be less.
    two : numpy.ndarray of int64, shape (2, most + 2)
        Gets the visits of the trip that fills the window and of the other, behind them their number and the
        crew-date (-1: none).
    trial, places, work : numpy.ndarray of int64
        Scratch; `trial` is as long as `two`.

    Returns
    -------
    int
        What it costs; `limit` where nothing is cheaper.
    """
    v = np.int64(s.windows[r, OWNER])
    place = p.sites[v, by]
    n_days = p.days.shape[0]
    for i in range(n_days):
        if s.visits[i, -1] == 0 or not p.holds[r, p.days[i, DAY]] or p.may[i, v] == 0:
            continue
        if s.member[i, v] or p.days[i, LOCK] == FROZEN:
            continue
        n_places = _places_of(p, s, i, by, place, places)
        gain = gain_of(p, s, i, v)
        for k in range(-1, n_days):
            cost, n = -gain, 0
            if k >= 0:
                if k == i or s.visits[k, -1] == 0 or p.days[k, LOCK] == FROZEN:
                    continue
                if abs(p.days[i, DAY] - p.days[k, DAY]) > _NEAR_DAYS:
                    continue
                coming, n = _cost_of_coming(p, s, i, k, v, by, place)
                cost += coming
            if cost >= limit:
                continue
            for z in range(-1 if n > 0 else 0, n_places):
                other = places[z] if z >= 0 else np.int64(-1)
                for thrown in range(1 if k < 0 else 0, 2 if k < 0 or (n > 0 and z >= 0) else 1):
                    total = _lay_out(p, s, i, k, v, by, place, other, thrown == 1, cost, limit, trial)
                    if total < limit:
                        total = _fit_in(p, s, i, trial[0], v, total, limit, work)
                    if total < limit and k >= 0:
                        total = _fit_in(p, s, k, trial[1], v, total, limit, work)
                    if total < limit and _shelf_allows(p, s, i, k, trial):
                        limit = total
                        trial[0, _WHERE] = i
                        trial[1, _WHERE] = k
                        for a in range(trial.shape[1]):
                            two[0, a] = trial[0, a]
                            two[1, a] = trial[1, a]
    return limit


@compiled_inner
def make_exchange(p, s, two, held):
    """Make the exchange that `find_exchange` found."""
    for at in range(2):
        i = two[at, _WHERE]
        n = s.visits[i, -1] if i >= 0 else 0
        for a in range(n):
            held[a] = s.visits[i, a]
        for a in range(n):
            stays = False
            for z in range(two[at, _COUNT]):
                stays |= two[at, z] == held[a]
            if not stays:
                change(p, s, i, held[a], -1)
    for at in range(2):
        i = two[at, _WHERE]
        for z in range(two[at, _COUNT] if i >= 0 else 0):
            if not s.member[i, two[at, z]]:
                change(p, s, i, two[at, z], 1)
