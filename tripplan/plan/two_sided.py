"""
Compiled exact pricing: trips are grown from both ends and joined in the middle of the day.

A trip is cut where its last loop ends that ends by the middle. What lies before is a label grown forward
in time; what lies after is one grown backward, and but for its first loop all of it starts after the
middle. Grown from one end, labels multiply with every loop; from two ends only half of the loops do that.
Both halves remember sites by the same rule, so that a join is allowed exactly where growing on would
have been, and the best join is the best trip of the relaxation [1]_.

Where time costs, each half pays for its own, and the join for the way between them. Waiting is free, so that
neither half needs to know when the other begins.

References
----------
.. [1] G. Righini and M. Salani, "Symmetry helps: bounded bi-directional dynamic programming for the
   elementary shortest path problem with resource constraints," Discrete Optimization 3(3), 255-273, 2006.
   The memory: R. Baldacci, A. Mingozzi and R. Roberti, Operations Research 59(5), 1269-1283, 2011.
"""

# Compiled in: df769ba8dc93

from __future__ import annotations

import numpy as np

from tripplan.plan.compiled import compiled, compiled_part
from tripplan.plan.completions import (
    STEP_S,
    completion_table,
    make_sojourns,
    settle_tolls,
    sojourn_worth,
    what_follows,
)
from tripplan.plan.label_growth import grow_labels

__all__ = ["best_trips"]

_MOST_LOOPS = 40
_TOLL_ROUNDS = 24
"""Rounds at the most in which tolls are settled."""

_FIRST_SEARCH = 0.5
"""Where between what is wanted and what no trip exceeds the search begins."""

_FORWARD_SHARE = 60
"""Where the day is cut: the backward half also makes the loops that reach over the cut. [%]"""


@compiled_part
def _joined(
    between, back, start_at, close_by, back_start, back_close, middle, first_loop, loop_mask, loop_prize,
    loop_d, loop_e, loop_l, loop_packs, memory, most_packs, move_cost, start_cost, end_cost, site_here,
    site_far, site_share, site_word, site_bit, site_park, site_kind, site_top, back_order, back_far,
    back_share, top_at, arrive_f, after_f, arrive_b, after_b, byte_toll, loop_toll, pack_toll, tolls,
    threshold, width, max_labels, max_work, keep,
):  # fmt: skip
    """
    Grow labels from both ends and join them; see `best_trips`.

    Returns
    -------
    best : float
        The largest prize found, or `threshold`.
    complete : bool
        False where labels or comparisons ran out.
    trips : numpy.ndarray, shape (keep, 40)
    work : int
        Comparisons, and two for each label.
    """
    n_parks = first_loop.shape[0] - 1
    kinds = most_packs.shape[0]
    out = np.full((keep, _MOST_LOOPS), -1, np.int32)
    done_f, n_f, work, t_f, park_f, f0, f1, prize_f, packs_f, parent_f, via_f, alive_f = grow_labels(
        between, start_at, close_by, middle, middle, first_loop, loop_mask, loop_prize, loop_d, loop_e,
        loop_l, loop_packs, memory, most_packs, move_cost, start_cost, end_cost.min(), site_here, site_far,
        site_share, site_word, site_bit, site_park, site_kind, site_top, threshold, width, max_labels,
        max_work, arrive_f, after_f, byte_toll, loop_toll, pack_toll, tolls,
    )  # fmt: skip
    work += 2 * n_f
    if not done_f:
        return threshold, False, out, work
    done_b, n_b, work_b, t_b, park_b, b0, b1, prize_b, packs_b, parent_b, via_b, alive_b = grow_labels(
        back, back_start, back_close, -middle - 1, np.int64(1 << 30), first_loop,
        loop_mask, loop_prize, loop_d, -loop_l, -loop_e, loop_packs, memory, most_packs,
        np.ascontiguousarray(move_cost.T), end_cost, start_cost.min(), site_here[back_order],
        back_far[back_order], back_share[back_order], site_word[back_order], site_bit[back_order],
        site_park[back_order], site_kind[back_order], top_at, threshold, width, max_labels, max_work,
        arrive_b, after_b, byte_toll, loop_toll, pack_toll, tolls,
    )  # fmt: skip
    work += work_b + 2 * n_b
    if not done_b:
        return threshold, False, out, work
    # labels of the second half by parking, dearest first
    live_b = np.flatnonzero(alive_b[:n_b])
    live_b = live_b[np.argsort(-prize_b[live_b], kind="mergesort")]
    first_b = np.zeros(n_parks + 1, np.int64)
    for j in live_b:
        first_b[park_b[j] + 1] += 1
    for p in range(n_parks):
        first_b[p + 1] += first_b[p]
    at_b = first_b[:n_parks].copy()
    sorted_b = np.empty(len(live_b), np.int64)
    for j in live_b:
        sorted_b[at_b[park_b[j]]] = j
        at_b[park_b[j]] += 1
    best_of = np.full(n_parks + 1, threshold)  # the last: nothing before the middle
    left_of = np.full(n_parks + 1, -1, np.int64)
    right_of = np.full(n_parks + 1, -1, np.int64)
    joins = 0
    live_f = np.flatnonzero(alive_f[:n_f])
    live_f = live_f[np.argsort(-prize_f[live_f], kind="mergesort")]
    for i in live_f:
        p = park_f[i]
        if t_f[i] <= close_by[p] and prize_f[i] - end_cost[p] > best_of[p]:
            best_of[p] = prize_f[i] - end_cost[p]
            left_of[p] = i
            right_of[p] = -1
        for q in range(n_parks):
            until = -(np.int64(t_f[i]) + (np.int64(0) if q == p else np.int64(between[p, q])))
            net = prize_f[i] - (0.0 if q == p else move_cost[p, q])
            for r in range(first_b[q], first_b[q + 1]):
                j = sorted_b[r]
                if net + prize_b[j] <= best_of[p]:
                    break
                joins += 1
                if t_b[j] > until or (f0[i] & b0[j]) != 0 or (f1[i] & b1[j]) != 0:
                    continue
                allowed = True
                for z in range(kinds):
                    if packs_f[i, z] + packs_b[j, z] > most_packs[z]:
                        allowed = False
                        break
                if allowed:
                    best_of[p] = net + prize_b[j]
                    left_of[p] = i
                    right_of[p] = j
                    break
        if joins > max_work:
            return threshold, False, out, work + joins
    for q in range(n_parks):
        for r in range(first_b[q], first_b[q + 1]):
            j = sorted_b[r]
            if prize_b[j] - start_cost[q] <= best_of[n_parks]:
                break
            if t_b[j] <= back_close[q]:
                best_of[n_parks] = prize_b[j] - start_cost[q]
                left_of[n_parks] = -1
                right_of[n_parks] = j
                break
    best = threshold
    ranks = np.argsort(-best_of, kind="mergesort")
    row = 0
    for p in ranks:
        if best_of[p] <= threshold or (left_of[p] < 0 and right_of[p] < 0):
            continue
        best = max(best, best_of[p])
        if row >= keep:
            continue
        length = 0
        walk = left_of[p]
        while walk != -1:
            length += 1
            walk = parent_f[walk]
        pos = length - 1
        walk = left_of[p]
        while walk != -1:
            if pos < _MOST_LOOPS:
                out[row, pos] = via_f[walk]
            pos -= 1
            walk = parent_f[walk]
        pos = length
        walk = right_of[p]
        while walk != -1 and pos < _MOST_LOOPS:
            out[row, pos] = via_b[walk]
            pos += 1
            walk = parent_b[walk]
        row += 1
    return best, True, out, work + joins


@compiled
def best_trips(
    move,  # (P + 1, P + 1) int32: seconds from place to place, park seconds included; base last
    first_loop,  # (P + 1,) int32: loops of parking p are first_loop[p] .. first_loop[p + 1] - 1
    loop_mask,  # (L, 2) uint64: sites of the loop
    loop_prize,  # (L,) float64
    loop_d,
    loop_e,
    loop_l,  # (L,) int32
    loop_packs,  # (L, K) int32: packs of the loop, in all and of each scarce type
    loop_first,  # (L + 1,) int64: where the sites of each loop begin in `loop_site`
    loop_site,  # int64: numbers among the S sites below
    memory,  # (P, 2) uint64: sites still remembered when standing at p
    close_by,  # (P,) int32: a trip whose last loop is at p must be off it by then
    day_start,  # int
    most_packs,  # (K,) int32: packs that one trip can take, in all and of each scarce type
    rate,  # float: what a second costs from leaving the base to being back, waiting left out
    site_prize,  # (S,) float64: sites by prize per second, best first
    site_share,  # (S,) float64: least seconds that a site takes of any trip
    site_word,  # (S,) int64 word of its bit, or -1 where it has none
    site_bit,  # (S,) uint64
    site_number,  # (S,) int64: number of that bit among both words, or -1
    site_park,  # (S,) int64
    site_packs,  # (S, K) int32: packs that its visit takes, as those of loops
    site_kind,  # (S,) int64: column of `most_packs` that counts its pack too; 0: none, -1: no pack
    site_near,  # (S,) float64: least seconds of walk and work alone
    site_top,  # (S,) int64: the same sites by prize less the cost of these, best first
    back_order,  # (S,) int64: the sites by prize per second of `back_share`
    back_share,  # (S,) float64: as `site_share`, with the way out in place of the way in
    threshold,  # float: only prizes above it are wanted
    width,  # int: 0 = exact; else labels kept beside better ones at a parking (a heuristic)
    max_labels,  # int
    max_work,  # int: label comparisons at the most
    keep,  # int: trips returned at the most
):
    """
    Find the trips of one crew and date that collect the largest prizes less the cost of their time, exactly.

    Every resource that can stop a label is compared: time, prize, packs, remembered sites. Sites
    outside the memory may be collected again, so that the best prize bounds that of every real trip.

    Returns
    -------
    best : float
        The most found, or `threshold` where no trip exceeds it.
    complete : bool
        Whether `best` is a valid upper bound (exact mode, labels and comparisons not exhausted).
    trips : numpy.ndarray, shape (keep, 40)
        Loop indices in order, of the best trips through each parking at the middle; -1 fills.
    work : int
        Comparisons, and two for each label: what the pricing cost.
    """
    n_parks = first_loop.shape[0] - 1
    n_sites = site_prize.shape[0]
    kinds = most_packs.shape[0]
    base = n_parks
    out = np.full((keep, _MOST_LOOPS), -1, np.int32)
    start_at = np.empty(n_parks, np.int32)
    back_start = np.empty(n_parks, np.int32)
    back_close = np.empty(n_parks, np.int32)
    earliest = np.int64(1 << 30)
    latest = np.int64(-(1 << 30))
    for p in range(n_parks):
        start_at[p] = day_start + move[base, p]
        back_start[p] = -close_by[p]
        back_close[p] = -start_at[p]
        earliest = min(earliest, np.int64(start_at[p]))
        latest = max(latest, np.int64(close_by[p]))
    middle = earliest + (latest - earliest) * _FORWARD_SHARE // 100
    between = np.ascontiguousarray(move[:n_parks, :n_parks])
    back = np.ascontiguousarray(between.T)
    move_cost = rate * between
    start_cost = rate * move[base, :n_parks]
    end_cost = rate * move[:n_parks, base]
    loop_net = loop_prize - rate * loop_d
    site_here = np.maximum(0.0, site_prize - rate * site_near)
    site_far = np.maximum(0.0, site_prize - rate * site_share)
    back_far = np.maximum(0.0, site_prize - rate * back_share)
    arrive_f = np.zeros((n_parks, 0))
    after_f = np.zeros((n_parks, 0))
    arrive_b = np.zeros((n_parks, 0))
    after_b = np.zeros((n_parks, 0))
    byte_toll = np.zeros((16, 256))
    loop_toll = np.zeros(first_loop[n_parks])
    pack_toll = np.zeros(kinds)
    tolls = 0.0
    most = 1.0e30
    if width == 0:
        fine, group, first, again, until, seconds, first_site, sites = make_sojourns(
            between, first_loop, loop_d, loop_first, loop_site, n_sites
        )
        move_steps = between.astype(np.int64) // STEP_S
        for p in range(n_parks):
            for q in range(n_parks):
                fine = fine and (p == q or move_steps[p, q] > 0)
        if fine and len(seconds) > 0 and earliest <= latest:
            # no loop at a parking begins before, or ends after
            opens = np.full(n_parks, latest)
            shuts = np.full(n_parks, earliest)
            for p in range(n_parks):
                for k in range(first_loop[p], first_loop[p + 1]):
                    opens[p] = min(opens[p], max(earliest, np.int64(loop_e[k]) - np.int64(loop_d[k])))
                    shuts[p] = max(shuts[p], min(latest, np.int64(loop_l[k]) + np.int64(loop_d[k])))
            n_steps = (latest - earliest) // STEP_S + 1
            start_step = (start_at - earliest) // STEP_S
            close_step = (close_by - earliest) // STEP_S
            open_step = (opens - earliest) // STEP_S
            shut_step = (shuts - earliest) // STEP_S
            steps = seconds // STEP_S
            cost = rate * seconds
            most, toll, pack_toll = settle_tolls(
                move_steps, move_cost, start_cost, end_cost, start_step, close_step, open_step, shut_step,
                n_steps, group, first, again, until, steps, first_site, sites, cost, site_prize, site_packs,
                most_packs, threshold, _TOLL_ROUNDS,
            )  # fmt: skip
            if most <= threshold + 1e-12:
                return threshold, True, out, len(seconds)
            worth = sojourn_worth(first_site, sites, cost, site_prize, toll, site_packs, pack_toll)
            arrive_f, leave, _, _ = completion_table(
                move_steps, move_cost, end_cost, close_step, open_step, shut_step, n_steps, group, first,
                again, until, steps, worth,
            )  # fmt: skip
            after_f = what_follows(arrive_f, leave, move_steps, move_cost, group)
            if (between != between.T).any():  # ways back take another time, and so do sojourns
                _, group, first, again, until, seconds, first_site, sites = make_sojourns(
                    back, first_loop, loop_d, loop_first, loop_site, n_sites
                )
                steps = seconds // STEP_S
                cost = rate * seconds
                worth = sojourn_worth(first_site, sites, cost, site_prize, toll, site_packs, pack_toll)
            back_steps = np.ascontiguousarray(move_steps.T)
            back_cost = np.ascontiguousarray(move_cost.T)
            arrive_b, leave, _, _ = completion_table(
                back_steps, back_cost, start_cost,
                (back_close + latest) // STEP_S, (latest - shuts) // STEP_S, (latest - opens) // STEP_S,
                n_steps, group, first, again, until, steps, worth,
            )  # fmt: skip
            after_b = what_follows(arrive_b, leave, back_steps, back_cost, group)
            for s in range(n_sites):
                tolls += toll[s]
                if site_number[s] >= 0:
                    byte = site_number[s] // 8
                    for value in range(256):
                        if (value >> (site_number[s] % 8)) & 1:
                            byte_toll[byte, value] += toll[s]
            for z in range(kinds):
                tolls += pack_toll[z] * most_packs[z]
            for k in range(len(loop_toll)):
                for x in range(loop_first[k], loop_first[k + 1]):
                    if site_number[loop_site[x]] >= 0:
                        loop_toll[k] += toll[loop_site[x]]
                for z in range(kinds):
                    loop_toll[k] += pack_toll[z] * loop_packs[k, z]
    # the same sites in the order of the way out
    top_at = np.empty(n_sites, np.int64)
    where = np.empty(n_sites, np.int64)
    for r in range(n_sites):
        where[back_order[r]] = r
    for r in range(n_sites):
        top_at[r] = where[site_top[r]]
    # the fewer trips exceed what is wanted, the fewer labels there are: look for the best ones first
    wanted = threshold
    if most < 1.0e29:
        wanted = threshold + _FIRST_SEARCH * (most - threshold)
    work = 0
    while True:
        best, complete, out, more = _joined(
            between, back, start_at, close_by, back_start, back_close, middle, first_loop, loop_mask,
            loop_net, loop_d, loop_e, loop_l, loop_packs, memory, most_packs, move_cost, start_cost, end_cost,
            site_here, site_far, site_share, site_word, site_bit, site_park, site_kind, site_top, back_order,
            back_far, back_share, top_at, arrive_f, after_f, arrive_b, after_b, byte_toll, loop_toll,
            pack_toll, tolls, wanted, width, max_labels, max_work, keep,
        )  # fmt: skip
        work += more
        if not complete:
            return threshold, False, out, work
        if best > wanted or wanted <= threshold:
            break
        wanted = threshold
    # what no trip exceeds may be less than what one that repeats a site collects
    return max(threshold, min(best, most)), width == 0, out, work
