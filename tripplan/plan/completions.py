"""
Compiled: what a trip may still collect from a place and a time on, at the most, less the cost of its time.

Trips are relaxed: whoever leaves a neighbourhood of parkings forgets what was visited there, and may
come back for more. That is held down by a toll on each visit of a site, paid back once for every site that
a trip does not remember to have visited, and by one on each pack. Whatever the tolls are, the sum bounds
what any real trip can still collect [1]_; a few steps along a subgradient make it a tight one [2]_. Labels
of exact pricing that cannot reach what is wanted are then never made.

References
----------
.. [1] N. Christofides, A. Mingozzi and P. Toth, "State-space relaxation procedures for the computation of
   bounds to routing problems," Networks 11(2), 145-164, 1981.
.. [2] B. T. Polyak, "Minimization of unsmooth functionals," USSR Computational Mathematics and Mathematical
   Physics 9(3), 14-29, 1969 (the length of a step).
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled_part
from tripplan.plan.neighbourhoods import MOST_SITES, neighbourhoods

__all__ = ["STEP_S", "completion_table", "make_sojourns", "settle_tolls", "sojourn_worth", "what_follows"]

STEP_S = 30
"""Length of a time step; every duration is rounded down to whole ones. [s]"""

_POOR_ROUNDS = 3
"""Rounds without much gain after which steps become shorter."""

_LEAST_SHARE = 0.1
"""Share of a full step below which the search for better tolls ends."""

_MOST_IN_SOJOURN = 128
"""More sites than any loop has."""

_NOTHING = -1.0e30
_NEVER = 1 << 40

_neighbourhoods = compiled_part(neighbourhoods)
"""In each all sets of sites are looked at; at a parking of more sites single loops, again and again."""


@compiled_part
def _with_room(ends, first_site, sites, count):
    """Return the lists of sojourns, with room for one more."""
    if count == len(ends):
        wider = np.empty((2 * count, 2), np.int64)
        wider[:count] = ends
        ends = wider
        firsts = np.zeros(2 * count + 1, np.int64)
        firsts[: count + 1] = first_site
        first_site = firsts
    used = first_site[count]
    if used + _MOST_IN_SOJOURN > len(sites):
        more = np.empty(2 * len(sites), np.int64)
        more[:used] = sites[:used]
        sites = more
    return ends, first_site, sites


@compiled_part
def make_sojourns(
    move,  # (P, P) seconds from parking to parking
    first_loop,  # (P + 1,)
    loop_d,  # (L,)
    loop_first,  # (L + 1,) sites of loop k are loop_site[loop_first[k]] .. loop_site[loop_first[k + 1] - 1]
    loop_site,
    n_sites,
):
    """
    List what can be done in one neighbourhood: sets of sites, in the least time between two of its parkings.

    Returns
    -------
    fine : bool
        False where something takes less than one step, so that time would stand still.
    group : numpy.ndarray, shape (P,)
        Neighbourhood of each parking.
    first : numpy.ndarray, shape (P + 1,)
        Sojourns that begin at parking p are first[p] .. first[p + 1] - 1.
    again : numpy.ndarray of bool, shape (P,)
        Whether these are single loops, after which the next may follow at the same parking.
    until : numpy.ndarray, shape (n_sojourns,)
        Where each ends.
    seconds : numpy.ndarray, shape (n_sojourns,)
        Time that each takes. [s]
    first_site, sites : numpy.ndarray
        Sites of each sojourn, as those of the loops.
    """
    n_parks = len(first_loop) - 1
    local = np.full(n_sites, -1, np.int64)
    sites_at = np.zeros(n_parks, np.int64)
    for p in range(n_parks):
        for k in range(first_loop[p], first_loop[p + 1]):
            for x in range(loop_first[k], loop_first[k + 1]):
                if local[loop_site[x]] < 0:
                    local[loop_site[x]] = 0
                    sites_at[p] += 1
    group = _neighbourhoods(move, sites_at)
    local[:] = -1
    taken = np.zeros(n_parks, np.int64)
    here = np.full((n_parks, MOST_SITES + 1), -1, np.int64)
    for p in range(n_parks):
        for k in range(first_loop[p], first_loop[p + 1]):
            for x in range(loop_first[k], loop_first[k + 1]):
                s = loop_site[x]
                if local[s] < 0:
                    g = group[p]
                    local[s] = taken[g]
                    if taken[g] <= MOST_SITES:
                        here[g, taken[g]] = s
                    taken[g] += 1
    first = np.zeros(n_parks + 1, np.int64)
    again = np.zeros(n_parks, np.bool_)
    ends = np.empty((64, 2), np.int64)
    first_site = np.zeros(65, np.int64)
    sites = np.empty(256, np.int64)
    count = 0
    fine = True
    for p in range(n_parks):
        g = group[p]
        again[p] = taken[g] > MOST_SITES
        n_sets = 1 if again[p] else 1 << taken[g]
        # least seconds to have visited a set, by the parking that the last loop is at
        least = np.full((n_sets, n_parks), _NEVER, np.int64)
        if again[p]:
            for k in range(first_loop[p], first_loop[p + 1]):
                ends, first_site, sites = _with_room(ends, first_site, sites, count)
                at = first_site[count]
                for x in range(loop_first[k], loop_first[k + 1]):
                    sites[at] = loop_site[x]
                    at += 1
                fine = fine and loop_d[k] >= STEP_S
                ends[count, 0] = p
                ends[count, 1] = loop_d[k]
                count += 1
                first_site[count] = at
        for chosen in range(1, n_sets):
            for q in range(n_parks):
                if group[q] != g:
                    continue
                for k in range(first_loop[q], first_loop[q + 1]):
                    inside = 0
                    for x in range(loop_first[k], loop_first[k + 1]):
                        inside |= 1 << local[loop_site[x]]
                    if (inside & chosen) != inside:
                        continue
                    before = chosen ^ inside
                    if before == 0:
                        if q == p:
                            least[chosen, q] = min(least[chosen, q], np.int64(loop_d[k]))
                        continue
                    for o in range(n_parks):
                        if least[before, o] < _NEVER:
                            way = np.int64(0) if o == q else np.int64(move[o, q])
                            least[chosen, q] = min(least[chosen, q], least[before, o] + way + loop_d[k])
            for q in range(n_parks):
                if least[chosen, q] >= _NEVER:
                    continue
                ends, first_site, sites = _with_room(ends, first_site, sites, count)
                at = first_site[count]
                for j in range(taken[g]):
                    if (chosen >> j) & 1:
                        sites[at] = here[g, j]
                        at += 1
                fine = fine and least[chosen, q] >= STEP_S
                ends[count, 0] = q
                ends[count, 1] = least[chosen, q]
                count += 1
                first_site[count] = at
        first[p + 1] = count
    until = ends[:count, 0].copy()
    seconds = ends[:count, 1].copy()
    return fine, group, first, again, until, seconds, first_site[: count + 1], sites


@compiled_part
def completion_table(
    move_steps,
    move_cost,
    end_cost,
    close_step,
    open_step,
    shut_step,
    n_steps,
    group,
    first,
    again,
    until,
    steps,
    worth,
):
    """
    Find the most that sojourns from each parking and step on can collect.

    Returns
    -------
    arrive : numpy.ndarray, shape (P, n_steps)
        By a sojourn that begins at a parking in a step, and what follows.
    leave : numpy.ndarray, shape (P, n_steps)
        By what follows a sojourn that ends there then; far below zero where the trip would be late.
    by_sojourn, by_park : numpy.ndarray of int32, shape (P, n_steps)
        The sojourn, and the next parking, with which to collect it; -1 for none.
    """
    n_parks = len(close_step)
    arrive = np.full((n_parks, n_steps), _NOTHING)
    leave = np.full((n_parks, n_steps), _NOTHING)
    by_sojourn = np.full((n_parks, n_steps), -1, np.int32)
    by_park = np.full((n_parks, n_steps), -1, np.int32)
    for m in range(n_steps - 1, -1, -1):
        for p in range(n_parks):
            most = -end_cost[p] if m <= min(close_step[p], shut_step[p]) else _NOTHING
            via = -1
            for q in range(n_parks if m <= shut_step[p] else 0):
                then = m + move_steps[p, q]
                if group[q] != group[p] and then < n_steps and arrive[q, then] - move_cost[p, q] > most:
                    most = arrive[q, then] - move_cost[p, q]
                    via = q
            leave[p, m] = most
            by_park[p, m] = via
            if m < open_step[p]:
                arrive[p, m] = arrive[p, min(open_step[p], n_steps - 1)]
                continue
            most = _NOTHING
            via = -1
            for k in range(first[p], first[p + 1]):
                then = m + steps[k]
                if then >= n_steps:
                    continue
                rest = leave[until[k], then]
                if again[p]:
                    rest = max(rest, arrive[p, then])
                if rest + worth[k] > most:
                    most = rest + worth[k]
                    via = k
            arrive[p, m] = most
            by_sojourn[p, m] = via
    return arrive, leave, by_sojourn, by_park


@compiled_part
def what_follows(arrive, leave, move_steps, move_cost, group):
    """
    Find the most that can be collected after a loop, which may end in the middle of a sojourn.

    Returns
    -------
    numpy.ndarray, shape (P, n_steps)
        By nothing more, by loops at other parkings of the neighbourhood or at the same one, or elsewhere.
    """
    n_parks, n_steps = arrive.shape
    most = np.maximum(arrive, leave)
    for p in range(n_parks):
        for q in range(n_parks):
            if q == p or group[q] != group[p]:
                continue
            for m in range(n_steps - move_steps[p, q]):
                most[p, m] = max(most[p, m], arrive[q, m + move_steps[p, q]] - move_cost[p, q])
    return most


@compiled_part
def sojourn_worth(first_site, sites, cost, prize, toll, site_packs, pack_toll):
    """
    Return what each sojourn collects when the cost of its time and tolls are taken off.

    Returns
    -------
    numpy.ndarray, shape (n_sojourns,)
        In what prizes count in.
    """
    net = prize - toll
    for k in range(len(pack_toll)):
        for s in range(len(net)):
            net[s] -= pack_toll[k] * site_packs[s, k]
    worth = -cost
    for k in range(len(worth)):
        for x in range(first_site[k], first_site[k + 1]):
            worth[k] += net[sites[x]]
    return worth


@compiled_part
def settle_tolls(
    move_steps,  # (P, P): whole steps from parking to parking
    move_cost,  # (P, P): what the way costs
    start_cost,  # (P,): what the way to a first sojourn costs
    end_cost,  # (P,): what the way from a last one costs
    start_step,  # (P,): a first sojourn at p begins no earlier
    close_step,  # (P,): a last sojourn at p ends no later
    open_step,  # (P,): no loop at p begins earlier
    shut_step,  # (P,): no loop at p ends later
    n_steps,
    group,
    first,
    again,
    until,
    steps,
    first_site,
    sites,  # sojourns, as `make_sojourns` lists them, with whole steps of time in place of seconds
    cost,  # (n_sojourns,): what the time of each costs
    prize,  # (S,)
    site_packs,  # (S, K): packs that a visit takes, in all and of each scarce type
    most_packs,  # (K,): what one trip can take of them
    wanted,  # float: only trips that collect more matter
    most_rounds,  # int
):
    """
    Choose tolls on visits and on packs so that the bound on any trip is small.

    Returns
    -------
    most : float
        What no trip can exceed.
    toll : numpy.ndarray, shape (S,)
        On the visit of each site, at least 0.
    pack_toll : numpy.ndarray, shape (K,)
        On each pack, at least 0.
    """
    n_parks = len(start_step)
    n_sites = len(prize)
    kinds = len(most_packs)
    toll = np.zeros(n_sites)
    pack_toll = np.zeros(kinds)
    best_toll = toll.copy()
    best_pack_toll = pack_toll.copy()
    best = 1.0e30
    visits = np.empty(n_sites, np.int64)
    over = np.empty(kinds)
    share = 1.0
    poor = 0
    for _ in range(most_rounds):
        total = toll.sum()
        for k in range(kinds):
            total += pack_toll[k] * most_packs[k]
        arrive, leave, by_sojourn, by_park = completion_table(
            move_steps, move_cost, end_cost, close_step, open_step, shut_step, n_steps, group, first, again,
            until, steps, sojourn_worth(first_site, sites, cost, prize, toll, site_packs, pack_toll),
        )  # fmt: skip
        most = _NOTHING
        p = -1
        for q in range(n_parks):
            if start_step[q] < n_steps and arrive[q, start_step[q]] - start_cost[q] > most:
                most = arrive[q, start_step[q]] - start_cost[q]
                p = q
        if most + total < best - 1e-2 * (best - wanted):
            poor = 0
        else:
            poor += 1
            if poor == _POOR_ROUNDS:
                share *= 0.5
                poor = 0
                if share < _LEAST_SHARE:
                    break
        if most + total < best:
            best = most + total
            best_toll[:] = toll
            best_pack_toll[:] = pack_toll
        if best <= wanted:
            break
        visits[:] = 0
        m = np.int64(0) if p < 0 else start_step[p]
        while p >= 0:
            m = max(m, open_step[p])
            k = by_sojourn[p, m]
            for x in range(first_site[k], first_site[k + 1]):
                visits[sites[x]] += 1
            m += steps[k]
            p = until[k]
            if again[p] and arrive[p, m] >= leave[p, m]:
                continue
            q = by_park[p, m]
            if q >= 0:
                m += move_steps[p, q]
            p = q
        norm = 0.0
        for s in range(n_sites):
            if visits[s] > 1 or toll[s] > 0.0:
                norm += (visits[s] - 1.0) ** 2
        for k in range(kinds):
            over[k] = -np.float64(most_packs[k])
            for s in range(n_sites):
                over[k] += visits[s] * site_packs[s, k]
            if over[k] > 0.0 or pack_toll[k] > 0.0:
                norm += over[k] ** 2
        if norm == 0.0:
            break
        length = share * (most + total - wanted) / norm
        for s in range(n_sites):
            toll[s] = max(0.0, toll[s] + length * (visits[s] - 1.0))
        for k in range(kinds):
            pack_toll[k] = max(0.0, pack_toll[k] + length * over[k])
    return best, best_toll, best_pack_toll
