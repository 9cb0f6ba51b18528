"""Long trips: the labels with bounds agree with the plain labels on random trips with foot loops and windows."""

from __future__ import annotations

import random

import numpy as np
import pytest

from tripplan.plan.kernels import order_visits
from tripplan.plan.long_memory import relax_trip
from tripplan.plan.long_moves import measure_order, search_order
from tripplan.plan.long_trip import order_long_trip
from tripplan.plan.loops import FAR


def _random_trip(seed: int):
    """Return the arguments of both searches: up to four parkings, up to eight visits, loops of one or two."""
    rng = random.Random(f"long trip {seed}")
    n_parks = rng.randint(1, 4)
    n_visits = rng.randint(n_parks, 8)
    move = np.array(
        [[0 if a == b else rng.randint(300, 4000) for b in range(n_parks + 1)] for a in range(n_parks + 1)]
    )
    park_of = [*range(n_parks), *(rng.randrange(n_parks) for _ in range(n_visits - n_parks))]
    rows = []
    for i in range(n_visits):
        same = [j for j in range(i + 1, n_visits) if park_of[j] == park_of[i]]
        for mask in (1 << i, *(1 << i | 1 << j for j in same if rng.random() < 0.6)):
            for _ in range(rng.choice((1, 1, 2))):
                d = rng.randint(600, 2400) * mask.bit_count()
                late = rng.choice((FAR, rng.randint(20_000, 60_000)))
                early = rng.choice((-FAR, rng.randint(20_000, 40_000)))
                rows.append((park_of[i], mask, d, early, late))
    columns = np.array(rows, np.int64)
    close = np.array([rng.choice((70_000, rng.randint(40_000, 60_000))) for _ in range(n_parks)], np.int64)
    return (
        move.astype(np.int64),
        columns[:, 0].astype(np.int32),
        columns[:, 1].copy(),
        columns[:, 2].copy(),
        columns[:, 3].copy(),
        columns[:, 4].copy(),
        close,
        rng.choice((20_000, 27_000)),
        rng.choice((50_000, 64_000)),
        n_visits,
        500_000,
        rng.random() < 0.7,
    )


@pytest.mark.parametrize("first", range(0, 400, 50))
def test_both_searches_find_the_same_least_crew_time(first):
    feasible = 0
    for seed in range(first, first + 50):
        args = _random_trip(seed)
        plain, _, _ = order_visits(*args)
        found, leave, loops = order_long_trip(*args)
        assert found == plain, f"seed {seed}"
        if found < 0:
            continue
        feasible += 1
        covered = [int(args[2][k]) for k in loops]
        assert sum(covered) == (1 << args[9]) - 1  # every visit once
        assert leave >= args[7]
    assert feasible >= 5


@pytest.mark.parametrize("waiting_counts", [True, False])
def test_with_too_few_labels_nothing_is_claimed(waiting_counts):
    n = 12
    rng = np.random.default_rng(3)
    where = rng.random((n + 1, 2)) * 20_000
    move = np.hypot(*(where[:, None, :] - where[None, :, :]).transpose(2, 0, 1)).astype(np.int64)
    args = (
        move,
        np.arange(n, dtype=np.int32),
        1 << np.arange(n, dtype=np.int64),
        np.full(n, 600, np.int64),
        np.full(n, -FAR, np.int64),
        np.full(n, FAR, np.int64),
        np.full(n, FAR, np.int64),
        0,
        10**6,
        n,
    )
    assert order_long_trip(*args, 50, waiting_counts)[0] == -2
    found = order_long_trip(*args, 500_000, waiting_counts)[0]
    assert found == order_visits(*args, 500_000, waiting_counts)[0] > 0


def _seconds(args, loops) -> int:
    """Crew seconds of loops in this order, by trying every useful leave; FAR where an hour is broken."""
    move, park, _, d, e, late, close, start, end = args[:9]
    base = len(close)
    best = FAR
    for leave in range(start, end, 60):
        at, here, kept = leave, base, True
        for k in loops:
            at += 0 if here == park[k] else int(move[here, park[k]])
            kept = kept and at <= late[k]
            at, here = max(at + int(d[k]), int(e[k])), park[k]
        kept = kept and at <= close[here] and at + int(move[here, base]) <= end
        if kept:
            best = min(best, at + int(move[here, base]) - leave)
    return best


def test_a_quick_search_gives_trips_that_keep_every_hour_and_are_never_too_good():
    found = equal = 0
    for seed in range(120):
        args = (*_random_trip(seed)[:11], True)
        exact, _, _ = order_visits(*args)
        quick, leave, loops = order_long_trip(*args, proof=False, quick=True)
        if quick == -1:
            assert exact == -1, f"seed {seed}"
        if quick < 0:
            continue
        found += 1
        equal += quick == exact
        assert quick >= exact > 0, f"seed {seed}"
        assert sum(int(args[2][k]) for k in loops) == (1 << args[9]) - 1
        shifted = (*args[:7], leave, *args[8:])  # the leave told is one that gives the seconds told
        assert quick <= _seconds(shifted, loops) < quick + 60
    assert found > 30
    assert equal > 0.9 * found


def _enumerated(args) -> int:
    """Least driving and working seconds over every order of loops, waiting free; FAR where none fits."""
    move, park, mask, d, e, late, close, start, end, n_visits = args[:10]
    base, full = len(close), (1 << n_visits) - 1
    best = FAR

    def go_on(here: int, done: int, at: int, cost: int) -> None:
        nonlocal best
        if done == full:
            home = int(move[here, base])
            if at <= close[here] and at + home <= end:
                best = min(best, cost + home)
            return
        for k in range(len(park)):
            gap = 0 if here == park[k] else int(move[here, park[k]])
            if not int(mask[k]) & done and at + gap <= late[k]:
                after = max(at + gap + int(d[k]), int(e[k]))
                go_on(int(park[k]), done | int(mask[k]), after, cost + gap + int(d[k]))

    go_on(base, 0, start, 0)
    return best


def test_relaxed_trips_never_cost_more_than_the_best_trip_from_either_side_with_any_prize_and_memory():
    tight = fitting = 0
    for seed in range(100):
        args = _random_trip(seed)
        if args[9] > 5:
            continue
        best = _enumerated(args)
        rng = np.random.default_rng(seed)
        loops = [np.asarray(a, np.int64) for a in args[3:7]]
        trip = relax_trip(*args[:3], *loops, day_start=args[7], day_end=args[8], n_visits=args[9])
        for near in (1, 2, 9):
            prize = rng.integers(-900, 2000, args[9])
            memory = trip.near_memory(near)
            starts = trip.bound(memory, prize, 100_000, turned=True)
            rests = trip.bound(memory, prize, 100_000)
            for side in (starts, rests):
                assert side.complete
                if best < FAR:
                    assert side.cheapest + prize.sum() <= best, f"seed {seed}"
            if best == FAR:
                continue
            fitting += 1
            # cut short by the other side, with all visits remembered: the best trip itself is left
            everything = np.full_like(memory, (1 << args[9]) - 1)
            for turned, other in ((False, starts), (True, rests)):
                cut = trip.bound(everything, prize, 100_000, other=other, limit=best + 1, turned=turned)
                assert not cut.empty, f"seed {seed}"
                assert cut.cheapest + prize.sum() <= best, f"seed {seed}"
                way = trip.cheapest_trips(cut, 1, turned=turned)[0]
                assert (trip.members[way].sum(axis=0) == 1).all()
                tight += cut.cheapest + prize.sum() == best
            none = trip.bound(everything, prize, 100_000, other=starts, limit=best // 2)
            assert none.empty
    assert fitting > 30
    assert tight > 1.9 * fitting  # the start's bound leaves out closing hours of the last parking, else all


def test_a_memory_grows_along_the_way_between_two_visits_to_one_site():
    args = _random_trip(3)
    loops = [np.asarray(a, np.int64) for a in args[3:7]]
    trip = relax_trip(*args[:3], *loops, day_start=args[7], day_end=args[8], n_visits=args[9])
    singles = [int(np.flatnonzero(args[2] == 1 << i)[0]) for i in range(args[9])]
    memory = np.zeros(len(args[6]), np.int64)
    assert not trip.grow_memory(memory, [singles])
    assert not memory.any()
    twice = [*singles, singles[0]]
    assert trip.grow_memory(memory, [twice])
    between = {int(args[1][k]) for k in singles[1:]}
    assert [int(m) for m in memory] == [1 if q in between else 0 for q in range(len(memory))]
    assert not trip.grow_memory(memory, [twice])


def test_orders_found_by_moves_keep_every_hour():
    found = equal = 0
    for seed in range(120):
        args = (*_random_trip(seed)[:11], True)
        order = np.array([int(np.flatnonzero(args[2] == 1 << i)[0]) for i in range(args[9])], np.int64)
        kept = set(order.tolist())
        near = np.array([[*(order[order != r][: args[9] - 1]), r] for r in range(len(args[1]))], np.int64)
        hours = (*args[:2], *args[3:9], True)
        seconds = search_order(order, near[:, : max(1, args[9] - 1)], 40, seed, *hours)
        assert set(order.tolist()) == kept
        if seconds == FAR:
            continue
        found += 1
        again, leave = measure_order(order, *hours)
        assert again == seconds
        played = _seconds((*args[:7], leave, *args[8:]), order)
        assert seconds <= played < seconds + 60, f"seed {seed}"
        given = sorted(kept)
        exact = order_visits(args[0], *(column[given] for column in args[1:6]), *args[6:])[0]
        assert 0 < exact <= seconds
        equal += exact == seconds
    assert found > 30
    assert equal > 0.9 * found
