"""The sparse form of the linear programme: the same values as the plain one, and multipliers that bound."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tripplan.forecast import forecast_fleet
from tripplan.plan import central, narrow
from tripplan.plan.build import build_season
from tripplan.plan.central import Central
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.rows import SpanRow
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel

_SPANS = (SpanRow(frozenset(range(10)), least=1), SpanRow(frozenset(range(10, 30)), most=1))


@pytest.fixture(scope="module")
def season():
    from season_instances import TODAY, make_fleet

    fleet = make_fleet(3, 15, 26)
    outlook = forecast_fleet(fleet, TODAY)
    return build_season(fleet, outlook, measure_travel(fleet), frozenset())


def _master(season, spans=(), forgiven=0):
    rows = build_windows(season, season.fleet.plan.fallback_dates).bound_rows
    return Master(season, rows, stock_rows(season), TripBook(season), Pricer(season), spans, forgiven)


@pytest.mark.parametrize("forgiven", [0, 3])
@pytest.mark.parametrize("spans", [(), _SPANS], ids=["plain", "spans"])
def test_values_are_those_of_the_plain_form(season, spans, forgiven):
    master = _master(season, spans, forgiven)
    for _ in range(4):
        duals = master.solve()
        master.add_known(duals)
        master.add_narrow(duals)
        master.solve()
        n = len(master.columns)
        found = Central(master.book_of_rows).solve(master._index[:n], master._counts[:n], tolerance=1e-9)
        assert found.value == pytest.approx(master.value, abs=1e-5)
        assert found.missed == pytest.approx(master.missed, abs=1e-5)
        # no trip known costs less than it collects by these multipliers: they solve the dual programme
        assert master.reduced_costs(found.duals).min() > -1e-5
        assert found.duals[: len(master.rows)].min() > -1e-5
        assert found.weights.sum() + 10 * found.missed == pytest.approx(found.value, abs=1e-4)


def test_trips_generated_from_the_middle_need_no_step_from_vertex_to_vertex(season, monkeypatch):
    """Where the solver takes what the interior point found for no solution, each round takes seconds instead."""
    solved = central._solved
    iterations = []

    def watched(*of):
        solver = solved(*of)
        info = solver.getInfo()
        iterations.append((info.ipm_iteration_count, info.simplex_iteration_count))
        return solver

    monkeypatch.setattr(central, "_solved", watched)
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", 0)
    master = _master(season)
    master.generate(3, go_on=lambda: True, report=lambda: None)
    assert len(iterations) >= 5
    # presolving may leave nothing to do in the first of them, before there are trips worth a name
    assert all(inner > 0 and steps == 0 for inner, steps in iterations[2:])


def test_a_bound_from_the_middle_is_the_bound_from_the_vertex(season, monkeypatch):
    whole = _master(season)
    whole.generate(30, go_on=lambda: True, report=lambda: None)
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", 0)
    middle = _master(season)
    middle.generate(30, go_on=lambda: True, report=lambda: None)
    assert middle._central.book is middle.book_of_rows
    assert middle.whole_bound == whole.whole_bound
    assert middle.bound <= middle.value + 1e-6
    assert math.isfinite(middle.value)
    # and multipliers far from any solution never lift the bound above the value
    rng = np.random.default_rng(1)
    for scale in (0.01, 0.1, 1.0):
        middle.improve_bound(rng.random(middle.book_of_rows.n_rows) * scale, add=False)
        assert middle.bound <= middle.value + 1e-6
