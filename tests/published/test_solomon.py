"""Many routes on one date against Solomon's instances; figures and source in ``solomon.py``."""

from __future__ import annotations

import pytest
from solomon import RECORD, read_instance, require_kept

from tripplan.plan.routes import solve_routes


@pytest.mark.parametrize(
    ("name", "longer"),
    [("C101", 0.0), ("C201", 0.0), ("R101", 0.01), ("RC106", 0.04), ("RC201", 0.06), ("R207", 0.1)],
)
def test_the_records_vehicles_are_reached(name, longer):
    """With a small budget, so that the distance may be longer by a few hundredths; never shorter."""
    problem = read_instance(name)
    plan = solve_routes(problem, iterations=150_000)
    vehicles, distance = RECORD[name]
    assert len(plan.routes) == vehicles
    assert require_kept(problem, plan) == pytest.approx(plan.cost, abs=1e-6)
    # the record is printed to two decimals; a shorter distance would be an error of ours
    assert distance - 0.006 <= plan.cost <= distance * (1 + longer) + 0.006
    assert plan.at_least <= vehicles


@pytest.mark.slow
@pytest.mark.parametrize("name", ["R112", "R211"])
def test_the_hardest_fleets_but_one_are_reached(name):
    """R104 wants luck: its 9 vehicles came up in some of the seeds tried only, and are not asked for here."""
    problem = read_instance(name)
    plan = solve_routes(problem, iterations=2_000_000)
    require_kept(problem, plan)
    assert len(plan.routes) == RECORD[name][0]


def test_no_bound_lies_above_the_record():
    from tripplan.plan.routes import fewest_routes

    bounds = {name: fewest_routes(read_instance(name)) for name in RECORD}
    assert all(bounds[name] <= vehicles for name, (vehicles, _) in RECORD.items())
    # the bound is worth something: it proves the fewest vehicles of at least this many of the 56
    assert sum(bounds[name] == vehicles for name, (vehicles, _) in RECORD.items()) >= 20


def test_the_record_is_whole():
    assert len(RECORD) == 56
    assert sum(vehicles for vehicles, _ in RECORD.values()) == 405
    assert sum(distance for _, distance in RECORD.values()) == pytest.approx(57_187, abs=1)
