"""
Plans of random fleets and the independent checker; tiny seasons and the enumeration of everything.

Reduced counts run always; the full counts of the claims are marked ``slow``.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from tripplan.fleet import Fleet
from tripplan.plan import check_plan, plan_season
from tripplan.plan.document import Plan, Status
from tripplan.plan.effort import Effort
from tripplan.travel import measure_travel

pytestmark = pytest.mark.no_cover  # the same code over and over


def _refused_of_solver(random_fleets, seeds, effort: Effort | None = None) -> dict[int, list[str]]:
    """Return what the checker says against the solver's plans, by seed."""
    refused = {}
    for seed in seeds:
        fleet, outlook = random_fleets.random_fleet(seed)
        travel = measure_travel(fleet)
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=effort)
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


@pytest.mark.parametrize(
    ("seeds", "effort"), [(range(40), Effort().short()), (range(40, 48), None)], ids=["short", "full"]
)
def test_plans_of_the_solver_pass(random_fleets, seeds, effort):
    assert _refused_of_solver(random_fleets, seeds, effort) == {}


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_1000_plans_of_the_solver_pass(random_fleets):
    assert _refused_of_solver(random_fleets, range(1000)) == {}


@dataclass
class _Comparison:
    """How plans compare with the enumeration; `wrong` must stay empty."""

    wrong: list[str] = field(default_factory=list)
    bent: int = 0
    full: int = 0
    full_equal: int = 0
    partial: int = 0
    partial_equal: int = 0
    slower: list[float] = field(default_factory=list)
    time_bounds: list[float] = field(default_factory=list)
    life_bounds: list[float] = field(default_factory=list)

    @property
    def counts(self) -> str:
        return (
            f"nothing late: {self.full_equal} of {self.full} equal on all stages; something late: "
            f"{self.partial_equal} of {self.partial} equal on stages 1 and 2; {self.bent} with a visit named "
            f"for its fallback; crew time above the best, where it is: {self.slower}; "
            f"bounds on crew time {_spread(self.time_bounds)} and on life {_spread(self.life_bounds)} of the best"
        )


def _spread(shares: list[float]) -> str:
    return f"{min(shares)} to {max(shares)}, median {statistics.median(shares)}" if shares else "none"


def _compare_with_force(
    random_fleets,
    best_of_tiny,
    wanted: int,
    only: Callable[[Fleet], bool] = lambda _: True,
    *,
    devices: bool = False,
) -> _Comparison:
    """
    Compare plans with the enumeration, over so many seasons that can be enumerated.

    Being in time comes before the fallback: a plan may name a visit for which no joint plan leaves the
    fallback dates. The enumeration takes the fallback literally, so that it can only be later there.
    """
    from brute_force import TooLargeError, stage_values, untried_visits

    result, compared, seed = _Comparison(), 0, -1
    while compared < wanted:
        seed += 1
        fleet, outlook = random_fleets.tiny_season(seed)
        if not only(fleet):
            continue
        if devices:
            fleet, outlook = random_fleets.with_devices(fleet, outlook, seed)
        travel = measure_travel(fleet)
        try:
            best = best_of_tiny(seed, devices=devices)
        except TooLargeError:
            continue
        compared += 1
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
        found = stage_values(plan, fleet)
        untried = untried_visits(fleet, outlook, travel, plan)
        wrong = [str(refusal) for refusal in check_plan(fleet, outlook, travel, plan)]
        wrong += [f"{v.site_id} is not named" for v in untried if v.fallback_possible is not False]
        if untried:
            result.bent += 1
            if found.late_sites > best.late_sites:
                wrong.append("later than with every fallback kept")
        elif plan.status is Status.NO_FULL_PLAN:
            result.partial += 1
            result.partial_equal += found[:3] == best[:3]
            if found[:2] < best[:2]:
                wrong.append("less late than can be")
        else:
            result.full += 1
            result.full_equal += found == best
            if found[:3] != best[:3]:
                wrong.append("stages 1 and 2 differ")
            if found[3:] != best[3:] and found[:3] == best[:3]:
                result.slower.append(round(found.crew_seconds / max(1, best.crew_seconds) - 1, 4))
                if not best.crew_seconds <= found.crew_seconds <= 1.01 * best.crew_seconds:
                    wrong.append("crew time more than 1 % above the best, or below it")
        if not untried and found[:2] == best[:2] and plan.lower_bound > best.trips:
            wrong.append("WRONG BOUND")
        if not untried and found[:3] == best[:3]:
            if plan.crew_seconds_bound > best.crew_seconds:
                wrong.append(f"WRONG BOUND on crew time: {plan.crew_seconds_bound}")
            if plan.life_days_bound > best.life_days:
                wrong.append(f"WRONG BOUND on life thrown away: {plan.life_days_bound}")
            result.time_bounds.append(round(plan.crew_seconds_bound / max(1, best.crew_seconds), 3))
            result.life_bounds.append(round(plan.life_days_bound / max(1, best.life_days), 3))
            if plan.life_days != found.life_days:
                wrong.append(f"life thrown away is said to be {plan.life_days}")
        if wrong:
            result.wrong.append(
                f"tiny {seed}: enumeration {tuple(best)}, solver {tuple(found)} {plan.status.value}, "
                f"bound {plan.lower_bound}: {wrong}"
            )
    return result


def _assert_good(result: _Comparison) -> None:
    assert result.wrong == [], result.counts
    assert result.full_equal >= 0.95 * result.full, result.counts


def test_the_solver_agrees_with_trying_everything(random_fleets, best_of_tiny):
    _assert_good(_compare_with_force(random_fleets, best_of_tiny, 40))


def test_the_solver_agrees_with_trying_everything_where_devices_are_set_out_and_taken_in(
    random_fleets, best_of_tiny
):
    _assert_good(_compare_with_force(random_fleets, best_of_tiny, 15, devices=True))


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_the_solver_agrees_with_trying_everything_in_100_seasons_of_devices(random_fleets, best_of_tiny):
    result = _compare_with_force(random_fleets, best_of_tiny, 100, devices=True)
    print(result.counts)
    _assert_good(result)


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_the_solver_agrees_with_trying_everything_in_200_seasons(random_fleets, best_of_tiny):
    result = _compare_with_force(random_fleets, best_of_tiny, 200)
    print(result.counts)
    _assert_good(result)


def _brings_back_no_spare(fleet: Fleet) -> bool:
    from greedy_plan import pack_back

    return any(pack_back(fleet, site, first=True) != site.pack_type for site in fleet.sites)


def test_the_solver_agrees_where_packs_come_back_as_no_spares(random_fleets, best_of_tiny):
    result = _compare_with_force(random_fleets, best_of_tiny, 10, _brings_back_no_spare)
    assert result.wrong == [], result.counts
    assert result.full + result.partial > result.bent


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_the_solver_agrees_in_60_seasons_where_packs_come_back_as_no_spares(random_fleets, best_of_tiny):
    result = _compare_with_force(random_fleets, best_of_tiny, 60, _brings_back_no_spare)
    print(result.counts)
    assert result.wrong == [], result.counts
