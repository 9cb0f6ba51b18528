"""Long trips: the labels with bounds agree with the plain labels on random trips with foot loops and windows."""

from __future__ import annotations

import random

import numpy as np
import pytest

from tripplan.plan.kernels import order_visits
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
