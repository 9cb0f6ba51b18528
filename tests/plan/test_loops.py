"""Foot loops worked out by hand, and against every order and every moment of leaving."""

from __future__ import annotations

import random
from itertools import permutations

import pytest

from tripplan.plan.loops import FootTimes, enumerate_loops, relaxed_loops

HOUR = 3600


def _two_sites(weight_kg=(3.0, 3.0), spans=(None, None)) -> FootTimes:
    """Site 7 lies 10 min out, site 9 15 min; from 7 to 9 it is 5 min, back uphill 7 min; work takes 15 min."""
    return FootTimes((7, 9), (600, 900), (600, 900), ((0, 300), (420, 0)), (900, 900), weight_kg, spans)


def test_durations_and_the_better_order_by_hand():
    assert [(loop.sites, loop.d) for loop in enumerate_loops(_two_sites(), 6.0, 12)] == [
        ((7,), 600 + 900 + 600),
        ((9,), 900 + 900 + 900),
        ((7, 9), 600 + 900 + 300 + 900 + 900),
    ]


@pytest.mark.parametrize(
    ("carry_kg", "weight_kg", "sets"),
    [
        (6.0, (3.0, 3.0), [{7}, {9}, {7, 9}]),
        (5.9, (3.0, 3.0), [{7}, {9}]),
        (2.9, (3.0, 3.0), []),
        (3.0, (3.0, 0.0), [{7}, {9}, {7, 9}]),  # a call without a swap carries nothing
        (0.3, (0.1, 0.2), [{7}, {9}, {7, 9}]),  # 0.1 + 0.2 is a hair above 0.3 in binary
    ],
)
def test_what_the_crew_can_carry(carry_kg, weight_kg, sets):
    assert [set(loop.sites) for loop in enumerate_loops(_two_sites(weight_kg), carry_kg, 12)] == sets


def test_longest_loop_asked_for():
    assert [loop.sites for loop in enumerate_loops(_two_sites(), 6.0, 1)] == [(7,), (9,)]


def test_opening_hours_keep_both_orders_where_neither_is_better():
    """Site 9 opens from nine to noon: 7 first is shorter, 9 first may leave the vehicle later."""
    found = enumerate_loops(_two_sites(spans=(None, ((9 * HOUR, 12 * HOUR),))), 6.0, 12)
    both = {loop.sites: (loop.d, loop.e, loop.l) for loop in found if len(loop.sites) == 2}
    assert both == {
        (7, 9): (3600, 9 * HOUR + 900 + 900, 12 * HOUR - 900 - (600 + 900 + 300)),
        (9, 7): (3720, 9 * HOUR + 900 + 420 + 900 + 600, 12 * HOUR - 900 - 900),
    }
    alone = [loop for loop in found if loop.sites == (9,)]
    assert [(loop.d, loop.e, loop.l) for loop in alone] == [(2700, 9 * HOUR + 1800, 12 * HOUR - 1800)]


def test_two_spells_make_two_loops_and_a_spell_too_short_for_the_work_none():
    spells = ((8 * HOUR, 10 * HOUR), (11 * HOUR, 11 * HOUR + 899), (13 * HOUR, 15 * HOUR))
    found = [
        loop for loop in enumerate_loops(_two_sites(spans=(spells, None)), 6.0, 12) if loop.sites == (7,)
    ]
    assert [(loop.e, loop.l) for loop in found] == [
        (8 * HOUR + 1500, 10 * HOUR - 1500),
        (13 * HOUR + 1500, 15 * HOUR - 1500),
    ]


def _random_foot(rng: random.Random, n: int) -> FootTimes:
    def spans():
        if rng.random() < 0.4:
            return None
        cuts = sorted(rng.sample(range(80), 2 * rng.randint(1, 2)))
        return tuple(zip(cuts[::2], cuts[1::2], strict=True))

    return FootTimes(
        tuple(range(n)),
        tuple(rng.randint(0, 9) for _ in range(n)),
        tuple(rng.randint(0, 9) for _ in range(n)),
        tuple(tuple(0 if i == j else rng.randint(0, 9) for j in range(n)) for i in range(n)),
        tuple(rng.randint(0, 6) for _ in range(n)),
        tuple(rng.choice((0.0, 1.0, 2.5)) for _ in range(n)),
        tuple(spans() for _ in range(n)),
    )


def _walk(foot: FootTimes, order: tuple[int, ...], leave: int) -> int | None:
    """Return when a loop left at a moment is over, each visit as early as its spans let it."""
    at, before = leave, None
    for j in order:
        at += foot.out[j] if before is None else foot.between[before][j]
        spans = foot.spans[j]
        if spans is not None:
            begins = [max(at, a) for a, b in spans if max(at, a) + foot.work[j] <= b]
            if not begins:
                return None
            at = min(begins)
        at += foot.work[j]
        before = j
    return at + foot.back[before]


def test_loops_are_over_as_early_as_any_order_at_any_moment():
    """For each set of sites and each moment of leaving: the earliest end, and none where there is none."""
    ends_found = 0
    for seed in range(60):
        rng = random.Random(f"loops {seed}")
        foot = _random_foot(rng, rng.randint(1, 3))
        carry_kg = rng.choice((2.5, 4.0, 10.0))
        loops = enumerate_loops(foot, carry_kg, 12)
        n = len(foot.sites)
        for mask in range(1, 1 << n):
            group = [j for j in range(n) if mask >> j & 1]
            fits = sum(foot.weight_kg[j] for j in group) <= carry_kg
            for leave in range(-10, 80):
                ends = [_walk(foot, order, leave) for order in permutations(group)] if fits else []
                best = min((end for end in ends if end is not None), default=None)
                shown = min(
                    (
                        max(leave + loop.d, loop.e)
                        for loop in loops
                        if set(loop.sites) == set(group) and leave <= loop.l
                    ),
                    default=None,
                )
                assert shown == best, f"seed {seed}, sites {group}, leaving at {leave}"
                ends_found += best is not None
    assert ends_found > 1000


def test_relaxed_loops_of_crowded_parkings_never_take_longer_than_real_ones():
    for seed in range(60):
        rng = random.Random(f"relaxed {seed}")
        foot = _random_foot(rng, 4)
        share = {loop.sites[0]: loop.d for loop in relaxed_loops(foot)}
        assert set(share) == set(foot.sites)
        for loop in enumerate_loops(foot, 100.0, 12):
            assert sum(share[s] for s in loop.sites) <= loop.d, f"seed {seed}, {loop}"
