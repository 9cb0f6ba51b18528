"""
Plans of random fleets and the independent checker; tiny seasons and the enumeration of everything.

Reduced counts run always; the full counts of the claims are marked ``slow``.
"""

from __future__ import annotations

import pytest

from tripplan.plan import check_plan, plan_season
from tripplan.plan.document import Plan, Status
from tripplan.travel import measure_travel


def _refused_of_solver(random_fleets, seeds) -> dict[int, list[str]]:
    """Return what the checker says against the solver's plans, by seed."""
    refused = {}
    for seed in seeds:
        fleet, outlook = random_fleets.random_fleet(seed)
        travel = measure_travel(fleet)
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
        found = check_plan(fleet, outlook, travel, plan)
        if found:
            refused[seed] = [str(refusal) for refusal in found]
    return refused


def test_plans_of_the_simple_planner_pass(random_fleets):
    from greedy_plan import greedy_plan

    for seed in range(1000, 1060):
        fleet, outlook = random_fleets.random_fleet(seed)
        travel = measure_travel(fleet)
        assert check_plan(fleet, outlook, travel, greedy_plan(fleet, outlook, travel)) == (), f"seed {seed}"


def test_the_simple_planner_serves_the_demo_and_passes(valley_fleet):
    from greedy_plan import greedy_plan

    from tripplan.forecast import forecast_fleet
    from tripplan.pipeline.demo import DEMO_TODAY

    outlook, travel = forecast_fleet(valley_fleet, DEMO_TODAY), measure_travel(valley_fleet)
    plan = greedy_plan(valley_fleet, outlook, travel)
    assert check_plan(valley_fleet, outlook, travel, plan) == ()
    assert plan.trip_count > 0


def test_a_plan_passes_again_after_its_file(random_fleets):
    """Rounding in the file (minutes to four decimals, kilometres to three) never makes a plan wrong."""
    import json

    from greedy_plan import greedy_plan

    for seed in range(2000, 2030):
        fleet, outlook = random_fleets.random_fleet(seed)
        travel = measure_travel(fleet)
        text = json.dumps(greedy_plan(fleet, outlook, travel).to_json())
        assert check_plan(fleet, outlook, travel, Plan.from_json(json.loads(text))) == (), f"seed {seed}"


def test_plans_of_the_solver_pass(random_fleets):
    assert _refused_of_solver(random_fleets, range(12)) == {}


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_1000_plans_of_the_solver_pass(random_fleets):
    assert _refused_of_solver(random_fleets, range(1000)) == {}


def _compare_with_force(random_fleets, wanted: int) -> list[str]:
    """Return where the solver differs from the enumeration, over so many seasons that can be enumerated."""
    from brute_force import TooLargeError, solve_by_force, stage_values

    differs, compared, seed = [], 0, 0
    while compared < wanted:
        fleet, outlook = random_fleets.tiny_season(seed)
        seed += 1
        travel = measure_travel(fleet)
        try:
            best = solve_by_force(fleet, outlook, travel)
        except TooLargeError:
            continue
        compared += 1
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
        found = stage_values(plan)
        refused = check_plan(fleet, outlook, travel, plan)
        served = plan.status is Status.NO_FULL_PLAN or best.late_sites == 0
        bound_holds = plan.lower_bound <= best.trips or found[:2] != best[:2]
        if refused or found != best or not served or not bound_holds:
            differs.append(
                f"tiny {seed - 1}: enumeration {best}, solver {found}, bound {plan.lower_bound}, {refused}"
            )
    return differs


def test_the_solver_agrees_with_trying_everything(random_fleets):
    assert _compare_with_force(random_fleets, 12) == []


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_the_solver_agrees_with_trying_everything_in_200_seasons(random_fleets):
    assert _compare_with_force(random_fleets, 200) == []
