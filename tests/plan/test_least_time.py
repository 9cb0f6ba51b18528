"""Less crew time with no more trips: never worse, near the least, and left alone where other things come first."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import highspy
import numpy as np
import pytest
from season_instances import TODAY, make_fleet

from tripplan.forecast import forecast_fleet
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.cover import run_to_end
from tripplan.plan.crew_time import CrewTime
from tripplan.plan.effort import Effort
from tripplan.plan.least_time import shorten
from tripplan.plan.polish import polish
from tripplan.plan.run import Run
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _built(fleet, outlook):
    """A run whose plan was built and improved by small moves, nothing more."""
    season = build_season(fleet, outlook, measure_travel(fleet))
    run = Run(season, build_windows(season, 0), Clock(None), Effort(), 1, None)
    run.search.offer({})
    run.search.offer(run.search.build(whole=True))
    polish(run.search, 2)
    return run


def _shorten(run, **asked):
    return shorten(
        run.search, run.stock, **{"nodes": 4, "go_on": lambda: True, "seconds_left": lambda: None, **asked}
    )


def test_small_moves_stop_when_told(random_fleets):
    better = 0
    for seed in range(12):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=7)
        season = build_season(fleet, outlook, measure_travel(fleet))
        run = Run(season, build_windows(season, 0), Clock(None), Effort(), 1, None)
        run.search.offer({})
        run.search.offer(run.search.build(whole=True))
        built = run.search.value
        polish(run.search, 2, lambda: False)
        assert run.search.value == built
        polish(run.search, 2)
        better += run.search.value < built
    assert better, "nothing was there to be found"


def test_a_season_that_small_moves_leave_long_becomes_shorter_with_no_more_trips():
    fleet = make_fleet(2, 12, 20)
    run = _built(fleet, forecast_fleet(fleet, TODAY))
    before = run.search.value
    assert _shorten(run)
    after = run.search.value
    assert (after.unmet, after.late_sites, after.late_days) == (0, before.late_sites, before.late_days)
    assert after.trips <= before.trips
    assert after.seconds <= 0.97 * before.seconds
    assert not run.judge.shortages(run.search.best)
    assert all(run.book.fits(index, visits) for index, visits in run.search.best.items())
    bound = CrewTime(
        run.season, tuple(run.judge.filled(run.search.best)), run.stock, run.book, run.pricer,
        most_trips=after.trips,
    )  # fmt: skip
    bound.raise_seconds(12, 200_000_000, lambda: True)
    assert bound.seconds <= after.seconds <= 1.15 * bound.seconds


@pytest.mark.parametrize("seeds", [range(12)])
def test_no_plan_becomes_worse(random_fleets, seeds):
    better = 0
    for seed in seeds:
        run = _built(*random_fleets.random_fleet(seed, n_sites=7))
        before = run.search.value
        found = _shorten(run)
        assert found == (run.search.value < before)
        assert run.search.value <= before
        better += found
    assert better >= 2


def test_it_stops_when_told_and_does_nothing_where_changes_come_first(random_fleets):
    fleet, outlook = random_fleets.random_fleet(1, n_sites=7)
    run = _built(fleet, outlook)
    value = run.search.value
    assert not _shorten(run, go_on=lambda: False)
    assert not _shorten(run, nodes=0)
    run.judge.last = dict(run.search.best)
    assert not _shorten(run)
    assert run.search.value == value


def test_what_a_trip_lasts_beyond_what_it_collects_is_never_negative_in_the_end(random_fleets):
    fleet, outlook = random_fleets.random_fleet(2, n_sites=7)
    run = _built(fleet, outlook)
    crew_time = CrewTime(
        run.season, tuple(run.judge.filled(run.search.best)), run.stock, run.book, run.pricer,
        most_trips=len(run.search.best),
    )  # fmt: skip
    for index, visits in run.search.best.items():
        crew_time.add(index, tuple(sorted(visits)), usable=True)
    for _ in range(20):
        duals = crew_time.settle(lambda: True)
        if not crew_time.add_shorter(duals):
            break
    duals = crew_time.solve()
    costs = crew_time.reduced_seconds(duals)
    assert costs.min() >= -1e-3
    assert np.abs(costs[crew_time.weights > 1e-6]).max() <= 1e-3  # complementary slackness
    assert crew_time.value_s <= run.search.value.seconds + 1e-3


class _Callbacks(list):
    """Those of a solver, with the library's way to add one."""

    def __iadd__(self, callback):
        self.append(callback)
        return self


class _Endless:
    """A solver that goes on until one of its callbacks asks it to stop."""

    def __init__(self):
        self.cbSimplexInterrupt, self.cbMipInterrupt = _Callbacks(), _Callbacks()
        self.told = threading.Event()

    def interrupt(self):
        self.told.set()

    def run(self):
        until = time.monotonic() + 60
        while not self.told.is_set() and time.monotonic() < until:
            for callback in (*self.cbSimplexInterrupt, *self.cbMipInterrupt):
                callback(self)

    def resetGlobalScheduler(self, _):  # noqa: N802 - the library's name
        pass


def test_an_interrupt_ends_the_choice_of_trips():
    def interrupted():
        raise KeyboardInterrupt

    solver = _Endless()
    with pytest.raises(KeyboardInterrupt):
        run_to_end(solver, interrupted)
    assert solver.told.is_set()


def test_time_that_is_used_up_ends_the_choice_of_trips():
    solver = _Endless()
    run_to_end(solver, lambda: False)
    assert solver.told.is_set()


def test_what_a_solver_cannot_do_is_not_lost_in_its_thread():
    class Broken(_Endless):
        def run(self):
            raise RuntimeError("cannot")

    with pytest.raises(RuntimeError, match="cannot"):
        run_to_end(Broken(), lambda: True)


def test_several_choices_go_on_at_once():
    """The library's own threads take one problem at a time."""
    solvers = [highspy.Highs() for _ in range(4)]
    for solver in solvers:
        solver.silent()
        solver.addVar(1.0, 2.0)
        solver.changeColCost(0, 1.0)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda solver: run_to_end(solver, lambda: True), solvers))
    assert [solver.getSolution().col_value for solver in solvers] == [[1.0]] * 4
