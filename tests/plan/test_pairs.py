"""Windows on pairs of dates: every plan that fills the windows fills them too, and they bound from below."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tripplan.forecast import forecast_fleet
from tripplan.plan.build import build_season
from tripplan.plan.master import Master
from tripplan.plan.pairs import stretched_limits, stretched_windows
from tripplan.plan.pricing import Pricer
from tripplan.plan.rows import StockRow
from tripplan.plan.season import Window
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _season(seed=2, n_sites=10, n_weeks=26):
    from season_instances import TODAY, make_fleet

    fleet = make_fleet(seed, n_sites, n_weeks)
    return build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))


def _weekends(season):
    days = sorted({day.day for day in season.days})
    return [pair for pair in pairwise(days) if pair[1] - pair[0] == 1]


def _bounds(season, rows, stock):
    master = Master(season, rows, stock, TripBook(season), Pricer(season))
    master.generate(24, go_on=lambda: True, report=lambda: None)
    return master


def test_both_dates_of_a_weekend_lie_in_the_same_windows():
    season = _season()
    rows = build_windows(season, 0).bound_rows
    found = stretched_windows(season, rows)
    weekends = _weekends(season)
    assert len(weekends) >= 25
    assert len(found) < len(rows)
    for window in found:
        for saturday, sunday in weekends:
            assert (saturday in window.days) == (sunday in window.days)
    assert list(found) == sorted(found, key=lambda w: (w.site, w.days))


def test_each_window_stretched_holds_a_whole_one_and_none_holds_another():
    season = _season()
    rows = build_windows(season, 0).bound_rows
    found = stretched_windows(season, rows)
    for window in found:
        assert any(row.site == window.site and set(row.days) <= set(window.days) for row in rows)
        others = [set(w.days) for w in found if w.site == window.site and w is not window]
        assert not any(other <= set(window.days) for other in others)
    # whatever fills the windows fills these: each row lies in some window stretched, or holds one
    for row in rows:
        assert any(w.site == row.site and set(row.days) & set(w.days) for w in found)


def test_limits_that_split_a_weekend_go():
    season = _season()
    (saturday, sunday), (later, last) = _weekends(season)[1:3]
    whole = StockRow("SLA12", saturday, last, 4)
    from_start = StockRow("SLA12", 0, sunday, 3)
    split = (StockRow("SLA12", sunday, last, 4), StockRow("SLA12", saturday, later, 2))
    assert stretched_limits(season, (split[0], whole, split[1], from_start)) == (whole, from_start)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_bound_on_pairs_is_below_and_near(seed):
    season = _season(seed)
    rows, stock = build_windows(season, 0).bound_rows, stock_rows(season)
    whole = _bounds(season, rows, stock)
    pairs = _bounds(season, stretched_windows(season, rows), stretched_limits(season, stock))
    assert 0.93 * whole.value <= pairs.value <= whole.value + 1e-6
    assert pairs.bound <= whole.value + 1e-6


def test_no_multipliers_lift_the_bound_on_pairs_above_the_best_plan(random_fleets, best_of_tiny):
    from brute_force import TooLargeError

    checked = 0
    rng = np.random.default_rng(1)
    for seed in range(200):
        fleet, outlook = random_fleets.tiny_season(seed)
        try:
            best = best_of_tiny(seed)
        except TooLargeError:
            continue
        if best.late_sites or not best.trips:
            continue
        season = build_season(fleet, outlook, measure_travel(fleet))
        rows = stretched_windows(season, build_windows(season, fleet.plan.fallback_dates).bound_rows)
        stock = stretched_limits(season, stock_rows(season))
        master = Master(season, rows, stock, TripBook(season), Pricer(season))
        for _ in range(4):
            duals = np.zeros(master._n_rows)
            duals[: len(rows)] = rng.uniform(0, 1, len(rows)) * (rng.random(len(rows)) < 0.7)
            master.improve_bound(duals, add=False)
        master.generate(10, go_on=lambda: True, report=lambda: None)
        assert master.bound <= best.trips + 1e-6, f"WRONG BOUND, tiny {seed}"
        checked += 1
        if checked == 12:
            break
    assert checked == 12


def test_a_window_may_name_a_day_on_which_nobody_goes():
    season = _season()
    saturday, sunday = _weekends(season)[1]
    found = stretched_windows(season, (Window(0, (saturday - 1, saturday)),))
    assert found == (Window(0, (saturday - 1, saturday, sunday)),)
