"""Trips drawn from the linear programme: ones that can be driven, as many as it makes, the same for a seed."""

from __future__ import annotations

import numpy as np
import pytest

from tripplan.forecast import forecast_fleet
from tripplan.plan.build import build_season
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.sampling import sample_trips
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


@pytest.fixture(scope="module")
def solved():
    from season_instances import TODAY, make_fleet

    fleet = make_fleet(3, 15, 26)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet), frozenset())
    rows = build_windows(season, 0).bound_rows
    master = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
    master.generate(6, go_on=lambda: True, report=lambda: None)
    master.solve()
    return master


def test_trips_drawn_can_be_driven_and_are_as_many_as_the_programme_makes(solved):
    season = solved.season
    relaxed = 0
    for seed in range(40):
        trips = sample_trips(solved, np.random.default_rng(seed))
        assert solved.value - 3 <= len(trips) <= solved.value + 1  # two on one date give one
        for index, visits in trips.items():
            assert solved.book.fits(index, tuple(sorted(visits)))
            assert not any(clash in trips for clash in season.conflicts[index])
            own = {frozenset(c.visits) for c in solved.columns if c.index == index}
            relaxed += visits not in own
            assert any(visits <= shape for shape in own)
    # trips that only bound are in the solution too, and lose visits here
    assert relaxed or all(c.usable for c, w in zip(solved.columns, solved.weights, strict=False) if w > 1e-6)


def test_a_date_is_drawn_as_often_as_its_weight_says(solved):
    season = solved.season
    weight = np.zeros(season.n_days)
    for column, share in zip(solved.columns, solved.weights, strict=False):
        weight[season.days[column.index].day] += share
    drawn = np.zeros(season.n_days)
    draws = 400
    for seed in range(draws):
        for index in sample_trips(solved, np.random.default_rng(seed)):
            drawn[season.days[index].day] += 1 / draws
    # four standard errors of a share of 400 draws, at most 0.1
    assert np.abs(drawn - np.minimum(weight, 1.0)).max() < 0.1


def test_a_seed_draws_the_same_trips(solved):
    one, two = (sample_trips(solved, np.random.default_rng(7)) for _ in range(2))
    assert one == two
    others = {frozenset(sample_trips(solved, np.random.default_rng(k)).items()) for k in range(10)}
    assert len(others) > 1


def test_nothing_is_drawn_before_the_programme_was_solved(solved):
    fresh = Master(solved.season, solved.rows, solved.stock, solved.book, solved.pricer)
    assert fresh.add(0, (0,), usable=True)
    assert sample_trips(fresh, np.random.default_rng(1)) == {}
