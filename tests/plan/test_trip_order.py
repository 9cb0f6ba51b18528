"""Order, loops and hours of one trip against every order and every moment of leaving."""

from __future__ import annotations

import random
from itertools import permutations

import numpy as np

from tripplan.plan.kernels import order_visits
from tripplan.plan.loops import FAR


def _solve(case, *, waiting_counts=True, max_labels=100_000):
    return order_visits(
        np.array(case["move"], np.int32),
        np.array([loop[0] for loop in case["loops"]], np.int32),
        np.array([loop[1] for loop in case["loops"]], np.int64),
        *(np.array([loop[k] for loop in case["loops"]], np.int32) for k in (2, 3, 4)),
        np.array(case["close"], np.int32),
        case["start"],
        case["end"],
        case["visits"],
        max_labels,
        waiting_counts,
    )


def _draw(rng: random.Random) -> dict:
    """Draw up to four visits at up to three parkings, some on foot together, some with two windows."""
    visits, parks = rng.randint(1, 4), rng.randint(1, 3)
    at = [rng.randrange(parks) for _ in range(visits)]
    loops = []
    for v in range(visits):
        for _ in range(rng.choice((1, 1, 2))):
            d = rng.randint(0, 6)
            ready = rng.choice((-FAR, rng.randint(0, 30)))
            loops.append((at[v], 1 << v, d, ready, rng.choice((FAR, rng.randint(0, 45)))))
    for a in range(visits):
        together = [b for b in range(a) if at[a] == at[b] and rng.random() < 0.7]
        loops += [(at[a], 1 << a | 1 << b, rng.randint(0, 9), -FAR, rng.randint(10, 60)) for b in together]
    return {
        "visits": visits,
        "loops": loops,
        "move": [[0 if a == b else rng.randint(0, 8) for b in range(parks + 1)] for a in range(parks + 1)],
        "close": [rng.randint(20, 60) for _ in range(parks)],
        "start": rng.randint(0, 10),
        "end": rng.randint(30, 70),
    }


def _drive(case, order, leave):
    """Return when a trip is back, and its travel and work alone; None where it breaks a limit."""
    base = len(case["close"])
    here, now, busy = base, leave, 0
    for k in order:
        park, _, d, ready, latest = case["loops"][k]
        gap = 0 if park == here else case["move"][here][park]
        now += gap
        if now > latest:
            return None
        now = max(now + d, ready)
        busy += gap + d
        here = park
    if now > case["close"][here] or now + case["move"][here][base] > case["end"]:
        return None
    return now + case["move"][here][base], busy + case["move"][here][base]


def _by_trial(case, *, waiting_counts=True):
    """Return the least duration and the latest leave with it, or None."""
    full = (1 << case["visits"]) - 1
    best = None
    for n in range(1, case["visits"] + 1):
        for order in permutations(range(len(case["loops"])), n):
            masks = [case["loops"][k][1] for k in order]
            if sum(masks) != full or sum(m.bit_count() for m in masks) != case["visits"]:
                continue
            for leave in range(case["start"], case["end"] + 1):
                trip = _drive(case, order, leave)
                if trip is not None:
                    key = (trip[0] - leave if waiting_counts else trip[1], -leave)
                    best = key if best is None else min(best, key)
    return best


def test_least_time_and_latest_leave_as_every_order_at_every_moment():
    feasible = 0
    for seed in range(250):
        case = _draw(random.Random(f"order {seed}"))
        best = _by_trial(case)
        seconds, leave, loops = _solve(case)
        if best is None:
            assert seconds == -1, f"seed {seed}: a trip is offered that breaks a limit"
            continue
        feasible += 1
        assert (seconds, -leave) == best, f"seed {seed}"
        trip = _drive(case, loops, leave)
        assert trip is not None, f"seed {seed}: the loops returned do not fit at the leave returned"
        assert trip[0] - leave == seconds
    assert 80 < feasible < 240, "too few of one kind"


def test_least_travel_where_waiting_is_free():
    for seed in range(150):
        case = _draw(random.Random(f"free {seed}"))
        best = _by_trial(case, waiting_counts=False)
        seconds = _solve(case, waiting_counts=False)[0]
        assert seconds == (-1 if best is None else best[0]), f"seed {seed}"


def test_two_visits_by_hand():
    """
    Two ways round, both 10 + 5 + 4 + 3 + 6 = 28 s without waiting; the one that may leave later wins.

    First visit first: its loop must leave by 40, so leave by 30; the last loop is over 22 s after leaving
    and must be by 50, so leave by 28. Second visit first: the other loop leaves 13 s on, so leave by 27.
    """
    case = {
        "visits": 2,
        "loops": [(0, 1, 5, 18, 40), (1, 2, 3, -FAR, FAR)],
        "move": [[0, 4, 10], [4, 0, 6], [10, 6, 0]],
        "close": [50, 50],
        "start": 0,
        "end": 60,
    }
    seconds, leave, loops = _solve(case)
    assert (seconds, leave) == (28, 28)
    assert [int(k) for k in loops] == [0, 1]


def test_too_few_labels_are_told_apart_from_no_trip():
    case = _draw(random.Random("order 3"))
    case |= {"visits": 4, "loops": [(0, 1 << v, 1, v, 40 - v) for v in range(4)], "end": 90, "start": 0}
    case |= {"close": [80] * len(case["close"])}
    assert _solve(case)[0] > 0
    assert _solve(case, max_labels=3)[0] == -2
