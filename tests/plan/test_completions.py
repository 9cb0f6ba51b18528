"""Bounds on what a trip may still collect: by hand, and against every order of sojourns."""

from __future__ import annotations

from itertools import pairwise, permutations

import numpy as np
import pytest

from tripplan.plan.completions import STEP_S, completion_table, make_sojourns, settle_tolls, sojourn_worth

HOUR = 3600


class Day:
    """Parkings with single-site loops, on a day of so many hours from time 0."""

    def __init__(self, parks, hours, move, loop_hours):
        self.parks, self.move = parks, np.array(move, np.int64)
        self.loop_d = np.array([round(hours_of * HOUR) for hours_of in loop_hours], np.int64)
        self.n_sites = sum(parks)
        self.first_loop = np.concatenate([[0], np.cumsum(parks)]).astype(np.int64)
        sites = np.arange(self.n_sites)
        self.sojourns = make_sojourns(
            self.move, self.first_loop, self.loop_d, np.arange(self.n_sites + 1), sites, self.n_sites
        )
        self.n_steps = round(hours * HOUR) // STEP_S + 1
        n = len(parks)
        self.ends = np.full(n, self.n_steps - 1)
        self.begins = np.zeros(n, np.int64)

    def settle(self, prize, wanted=0.0, packs=None, most_packs=(10**6,), rounds=200, rate=0.0):
        """Return the bound, the tolls on visits and those on packs."""
        _, group, first, again, until, seconds, first_site, sites = self.sojourns
        packs = np.zeros((self.n_sites, len(most_packs)), np.int32) if packs is None else packs
        free = np.zeros(len(self.parks))
        return settle_tolls(
            self.move // STEP_S, rate * self.move, free, free, self.begins, self.ends, self.begins, self.ends,
            self.n_steps, group, first, again, until, seconds // STEP_S, first_site, sites, rate * seconds, prize,
            packs, np.array(most_packs, np.int32), wanted, rounds,
        )  # fmt: skip

    def best(self, prize, wanted_packs=None, most=10**6, rate=0.0):
        """Return what the best trip collects that visits no site twice, less the cost of its time."""
        park_of = np.repeat(np.arange(len(self.parks)), self.parks)
        found = 0.0
        for size in range(1, self.n_sites + 1):
            for order in permutations(range(self.n_sites), size):
                ways = sum(
                    self.move[park_of[a], park_of[b]] for a, b in pairwise(order) if park_of[a] != park_of[b]
                )
                packs = 0 if wanted_packs is None else sum(wanted_packs[s] for s in order)
                lasts = ways + self.loop_d[list(order)].sum()
                if lasts <= (self.n_steps - 1) * STEP_S and packs <= most:
                    found = max(found, prize[list(order)].sum() - rate * lasts)
        return found


def test_tolls_hold_down_a_site_that_would_be_visited_again_and_again():
    day = Day([8], 3.0, [[0]], [1.0] * 8)
    prize = np.array([1.0] + [0.1] * 7)
    assert day.settle(prize, rounds=1)[0] == pytest.approx(3.0)  # the best site three times
    most, toll, _ = day.settle(prize)
    assert 1.2 - 1e-9 <= most < 1.3
    assert toll[0] == pytest.approx(0.9, abs=0.05)


def test_tolls_hold_down_packs():
    day = Day([4], 10.0, [[0]], [1.0] * 4)
    prize = np.ones(4)
    packs = np.ones((4, 1), np.int32)
    assert day.settle(prize, rounds=1)[0] == pytest.approx(4.0)
    most, _, pack_toll = day.settle(prize, packs=packs, most_packs=(2,))
    assert 2.0 - 1e-9 <= most < 2.1
    assert pack_toll[0] > 0.5


@pytest.mark.parametrize("seed", range(12))
def test_the_bound_is_never_below_the_best_trip(seed):
    rng = np.random.default_rng(seed)
    parks = [int(k) for k in rng.integers(1, 4, 3)][:3]
    parks = parks[:2] if sum(parks) > 6 else parks
    n, sites = len(parks), sum(parks)
    at = rng.uniform(0, 1.5 * HOUR, (n, 2))
    move = np.floor(np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))).astype(np.int64) + STEP_S
    day = Day(parks, 5.0, move, rng.uniform(0.3, 1.6, sites))
    assert day.sojourns[0]
    prize, packs = rng.uniform(0, 1, sites), rng.integers(0, 2, (sites, 1)).astype(np.int32)
    for rate in (0.0, 0.2 / HOUR):
        real = day.best(prize, packs[:, 0], 2, rate)
        for rounds in (1, 2, 5, 40):
            assert day.settle(prize, 0.0, packs, (2,), rounds, rate)[0] >= real - 1e-9
        assert day.settle(prize, 0.0, packs, (2,), 200, rate)[0] <= 1.6 * real + 0.05


def test_what_can_be_collected_falls_with_the_hours_left():
    day = Day([3], 3.0, [[0]], [1.0] * 3)
    _, group, first, again, until, seconds, first_site, sites = day.sojourns
    worth = sojourn_worth(
        first_site,
        sites,
        np.zeros(len(seconds)),
        np.ones(3),
        np.zeros(3),
        np.zeros((3, 1), np.int32),
        np.zeros(1),
    )
    arrive, leave, _, _ = completion_table(
        day.move // STEP_S,
        np.zeros((1, 1)),
        np.zeros(1),
        day.ends,
        day.begins,
        day.ends,
        day.n_steps,
        group,
        first,
        again,
        until,
        seconds // STEP_S,
        worth,
    )
    an_hour = HOUR // STEP_S
    assert [arrive[0, k * an_hour] for k in range(3)] == [3.0, 2.0, 1.0]
    assert arrive[0, 3 * an_hour] < 0
    assert leave[0, 3 * an_hour] == 0.0


def test_where_time_would_stand_still_it_says_so():
    assert not Day([2], 3.0, [[0]], [1.0, 0.0]).sojourns[0]
