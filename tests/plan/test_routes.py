"""Routes of one date against enumeration, on instances that break the triangle inequality too."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest

from tripplan.plan.routes import RouteProblem, fewest_routes, solve_routes


def _random_problem(seed: int, n: int = 6, *, bent: bool = False) -> RouteProblem:
    rng = np.random.default_rng(seed)
    at = rng.uniform(0, 60, (n + 1, 2))
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    travel = apart * rng.uniform(1, 3, apart.shape) if bent else apart
    service = np.r_[0.0, rng.uniform(2, 12, n)]
    ready = np.r_[0.0, rng.uniform(0, 90, n)]
    alone = travel[0] + 1
    due = np.r_[600.0 if bent else 260.0, np.maximum(ready[1:] + rng.uniform(5, 80, n), alone[1:])]
    demand = np.r_[0.0, rng.integers(1, 5, n)].astype(float)
    return RouteProblem(travel, apart, service, ready, due, demand, 9.0)


def _kept(problem: RouteProblem, route: tuple[int, ...]) -> bool:
    if sum(problem.demand[c] for c in route) > problem.capacity:
        return False
    at, clock = 0, problem.ready[0]
    for c in (*route, 0):
        clock = max(clock + problem.service[at] + problem.travel[at, c], problem.ready[c])
        if clock > problem.due[c] + 1e-7:
            return False
        at = c
    return True


def _best(problem: RouteProblem) -> tuple[int, float]:
    """Enumerate every route, then every way to cover all visits with them."""
    n = len(problem.service) - 1
    cheapest: dict[int, float] = {}
    for size in range(1, n + 1):
        for route in permutations(range(1, n + 1), size):
            if _kept(problem, route):
                mask = sum(1 << (c - 1) for c in route)
                way = (0, *route, 0)
                cost = sum(problem.cost[a, b] for a, b in pairwise(way))
                cheapest[mask] = min(cost, cheapest.get(mask, np.inf))
    best = {0: (0, 0.0)}
    for mask in range(1, 1 << n):
        low = mask & -mask
        options = [
            (best[mask & ~part][0] + 1, best[mask & ~part][1] + cost)
            for part, cost in cheapest.items()
            if part & low and not part & ~mask and (mask & ~part) in best
        ]
        if options:
            best[mask] = min(options)
    return best[(1 << n) - 1]


@pytest.mark.parametrize("bent", [False, True])
def test_few_visits_agree_with_enumeration(bent):
    for seed in range(20):
        problem = _random_problem(seed, bent=bent)
        plan = solve_routes(problem, iterations=12_000, seed=seed)
        routes, cost = _best(problem)
        assert all(_kept(problem, route) for route in plan.routes)
        assert sorted(c for route in plan.routes for c in route) == list(range(1, 7))
        assert len(plan.routes) == routes, f"seed {seed}"
        assert plan.cost == pytest.approx(cost, abs=1e-6), f"seed {seed}"
        assert plan.at_least <= routes, f"seed {seed}"


def test_the_same_seed_gives_the_same_routes():
    problem = _random_problem(5, n=30)
    assert solve_routes(problem, iterations=8_000, seed=3) == solve_routes(problem, iterations=8_000, seed=3)


def test_a_visit_out_of_reach_is_named():
    problem = _random_problem(1)
    due = problem.due.copy()
    due[4] = problem.travel[0, 4] - 1
    with pytest.raises(ValueError, match=r"visits \[4\] cannot be made even by a route of their own"):
        solve_routes(replace(problem, due=due), iterations=100)


def test_the_bound_counts_load_and_visits_that_no_route_can_share():
    problem = _random_problem(2)
    heavy = replace(problem, demand=np.r_[0.0, np.full(6, 5.0)])
    assert fewest_routes(heavy) == 6
    light = replace(problem, demand=np.zeros(7), due=np.full(7, 1e6), ready=np.zeros(7))
    assert fewest_routes(light) == 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"service": np.ones(7)}, "the base takes no work"),
        ({"demand": np.full(7, np.nan)}, "every number is finite"),
        ({"demand": np.full(7, -1.0)}, "times and demands are not negative"),
        ({"ready": np.zeros(3)}, "service, ready, due and demand have one entry for each place"),
        ({"travel": np.zeros((3, 3))}, "travel and cost are square, with the base and at least one visit"),
    ],
)
def test_a_callers_mistake_is_named(change, message):
    with pytest.raises(ValueError, match=message):
        replace(_random_problem(3), **change)
