"""Limits on the trips between two dates: every plan keeps to them, and they lift a linear value that was broken."""

from __future__ import annotations

import numpy as np
import pytest

from tripplan.forecast import forecast_fleet
from tripplan.plan import intervals
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.effort import Effort
from tripplan.plan.intervals import tighten
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.rows import SpanRow
from tripplan.plan.run import Run
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _tightened(root, target, turns=2):
    risen = []
    found = tighten(root, target, turns=turns, rounds=8, go_on=lambda: True, report=risen.append)
    return found, risen


def _draw_intervals(monkeypatch, rng, each=6):
    """Take limits in between any dates, whether the linear programme breaks them or not."""

    def any_intervals(master):
        days = [day.day for day in master.season.days]
        return sorted({tuple(sorted(rng.choice(days, 2).tolist())) for _ in range(each)})

    monkeypatch.setattr(intervals, "_intervals", any_intervals)
    monkeypatch.setattr(intervals, "_may_break", lambda *_: True)
    monkeypatch.setattr(intervals, "_made", lambda *_: 0.0)


@pytest.mark.no_cover  # its time goes into the enumeration
@pytest.mark.parametrize("most", [4, pytest.param(60, marks=pytest.mark.slow)])
def test_no_limits_lift_the_bound_above_the_best_plan(random_fleets, best_of_tiny, monkeypatch, most):
    from brute_force import TooLargeError

    checked = limits = tight = 0
    for seed in range(1600):
        fleet, outlook = random_fleets.tiny_season(seed)
        try:
            best = best_of_tiny(seed)
        except TooLargeError:
            continue
        if best.late_sites or best.trips < 2:
            continue
        season = build_season(fleet, outlook, measure_travel(fleet))
        rows = build_windows(season, fleet.plan.fallback_dates).bound_rows
        root = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
        root.generate(4, go_on=lambda: True, report=lambda: None)
        with monkeypatch.context() as patch:
            _draw_intervals(patch, np.random.default_rng(seed))
            found, _ = _tightened(root, best.trips + 1)
        assert found.whole_bound <= best.trips, f"WRONG BOUND, tiny {seed}"
        assert found.value <= best.trips + 1e-6, f"WRONG LIMIT, tiny {seed}"
        checked += 1
        limits += len(found.spans)
        tight += found.whole_bound == best.trips
        if checked == most:
            break
    assert checked == most
    assert limits >= 3 * checked, f"only {limits} limits"
    assert tight >= 0.5 * checked, f"meets {tight} of {checked}"


def _begun(seed, n_sites, n_weeks):
    from season_instances import TODAY, make_fleet

    fleet = make_fleet(seed, n_sites, n_weeks)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
    run = Run(season, build_windows(season, 0), Clock(None), Effort(), 1, None)
    run.search.offer({})
    return run


def test_every_plan_makes_the_trips_that_the_limits_ask_for(monkeypatch):
    run = _begun(2, 12, 26)
    run.master.generate(8, go_on=lambda: True, report=lambda: None)
    with monkeypatch.context() as patch:
        _draw_intervals(patch, np.random.default_rng(1), each=30)
        found, _ = _tightened(run.master, 99)
    assert len(found.spans) >= 8
    assert max(span.least for span in found.spans) >= 2
    plans = 0
    for k in range(12):
        trips = run.search.build(noise=0.2 * k, whole=k % 2 == 0)
        if run.judge.missed(trips):
            continue
        fewer = run.squeezer.fewer(trips, len(trips) - 1, 2000, k, lambda: True) or trips
        for plan in (trips, fewer):
            plans += 1
            for span in found.spans:
                assert sum(index in span.indices for index in plan) >= span.least
    assert plans >= 6


def test_a_value_that_breaks_limits_rises():
    run = _begun(3, 24, 26)
    run.master.generate(24, go_on=lambda: True, report=lambda: None, target=9)
    before = run.master.value
    found, risen = _tightened(run.master, 9, turns=1)
    assert before < 7.95
    assert found.value > before + 0.02
    assert found.bound > before
    assert found.whole_bound == 8
    assert risen == [8]


def test_a_stop_is_heard_and_leaves_what_was_known():
    run = _begun(3, 15, 26)
    run.master.generate(2, go_on=lambda: True, report=lambda: None)
    found = tighten(run.master, 99, turns=3, rounds=8, go_on=lambda: False, report=lambda _: None)
    assert found is run.master


def test_forgiven_sites_are_refused():
    run = _begun(3, 12, 20)
    rows = run.windows.bound_rows
    master = Master(run.season, rows, (), run.book, run.pricer, (), 1)
    with pytest.raises(ValueError, match="forgiven"):
        _tightened(master, 9)


def test_limits_of_shorter_intervals_count_in_longer_ones():
    run = _begun(2, 12, 26)
    run.master.generate(8, go_on=lambda: True, report=lambda: None)
    days = sorted({day.day for day in run.season.days})
    inside, outside = (days[4], days[20]), (days[10], days[40])
    limits = tuple(
        SpanRow(intervals._indices(run.master, *ends), least=5 + k)
        for k, ends in enumerate((inside, outside))
    )
    part = intervals._between(run.master, days[2], days[30], limits)
    assert part.spans == limits[:1]
    part.generate(8, go_on=lambda: True, report=lambda: None)
    assert part.whole_bound == 5
    assert intervals._holds_one(run.master, (days[2], days[30]), limits)
    assert not intervals._holds_one(run.master, (days[12], days[30]), limits)


def test_an_interval_that_cannot_break_is_not_built_again(monkeypatch):
    run = _begun(2, 12, 26)
    run.master.generate(8, go_on=lambda: True, report=lambda: None)
    days = sorted({day.day for day in run.season.days})
    broken, whole = (days[0], days[30]), (days[31], days[40])
    built, between = [], intervals._between

    def count(known, first, last, more):
        built.append((first, last))
        return between(known, first, last, more)

    monkeypatch.setattr(intervals, "_intervals", lambda _: [broken, whole])
    monkeypatch.setattr(intervals, "_may_break", lambda _, ends, __: ends == broken)
    monkeypatch.setattr(intervals, "_made", lambda *_: 0.0)
    monkeypatch.setattr(intervals, "_between", count)
    _tightened(run.master, 99, turns=3)
    assert built == [broken, whole, broken, broken]


def test_a_plan_far_from_its_bound_has_limits_looked_for():
    run = _begun(3, 24, 26)
    run.search.offer(run.search.build())
    run.master.generate(24, go_on=lambda: True, report=lambda: None, target=9)
    before = run.master.value
    assert run._is_far()
    run._tighten(1)
    assert run._tight is not None
    assert run._tight.spans
    assert run._tight.value > before
    assert run.master.whole_bound == run._tight.whole_bound == 8
