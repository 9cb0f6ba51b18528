"""Tries for fewer trips side by side: the first start that leads to something counts, on any number of cores."""

from __future__ import annotations

import threading
import time

import pytest

from tripplan.plan import run as run_module
from tripplan.plan import workers
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.effort import Effort
from tripplan.plan.rows import StockRow
from tripplan.plan.run import Run
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.tries import Try, try_for_fewer
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


@pytest.fixture(scope="module")
def season():
    from season_instances import TODAY, make_fleet

    from tripplan.forecast import forecast_fleet

    fleet = make_fleet(1, 12, 20)
    return build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))


def _begun(season):
    run = Run(season, build_windows(season, 0), Clock(None), Effort(), 1, None)
    run.search.offer({})
    run.search.offer(run.search.build(whole=True))
    assert run.search.value is not None
    return run


def test_one_core_and_more_take_the_same_plan(season, monkeypatch):
    ends = []
    for cores in (1, 2, 8):
        monkeypatch.setattr(workers, "_cores", lambda cores=cores: cores)
        run = _begun(season)
        better = 0
        for _ in range(12):
            best = run.search.best
            starts = [Try(best), Try(dict(list(best.items())[::2]))]
            most = len(best) - 1
            better += try_for_fewer(run.search, run.squeezer, starts, most, 400, lambda: True)
        assert better >= 1
        ends.append((run.search.best, run.search.value, tuple(run.squeezer.learned)))
    assert ends[0] == ends[1] == ends[2]


def test_the_first_start_that_leads_to_something_counts_and_stops_the_others(season, monkeypatch):
    monkeypatch.setattr(workers, "_cores", lambda: 2)
    run = _begun(season)
    best = run.search.best
    better = run.squeezer.fewer(best, len(best) - 1, 4000, 1, lambda: True)
    assert better is not None
    under_way, stopped = threading.Event(), []
    learned = StockRow("SLA12", 0, 0, 99)

    def fewer(self, start, *asked, **_):
        go_on = asked[-1]
        if start is best:
            assert under_way.wait(60), "the second start was not tried beside the first"
            self.learned.append(learned)
            return better
        under_way.set()
        until = time.monotonic() + 60
        while go_on() and time.monotonic() < until:
            time.sleep(0.001)
        stopped.append(not go_on())
        return None

    monkeypatch.setattr(Squeeze, "fewer", fewer)
    assert try_for_fewer(run.search, run.squeezer, [Try(best), Try({})], len(best) - 1, 1, lambda: True)
    assert stopped == [True]
    assert len(run.search.best) < len(best)
    assert learned in run.squeezer.learned


def test_what_cannot_be_driven_is_not_taken_and_the_next_start_counts(season, monkeypatch):
    run = _begun(season)
    best, value = run.search.best, run.search.value
    better = run.squeezer.fewer(best, len(best) - 1, 4000, 1, lambda: True)
    too_much = {next(iter(best)): frozenset(range(len(season.tasks)))}
    answers = {0: None, 1: too_much, 2: better}
    monkeypatch.setattr(Squeeze, "fewer", lambda _, start, *__, **___: answers[len(start)])
    some = list(best.items())
    tries = [Try(dict(some[:k])) for k in range(3)]
    assert not try_for_fewer(run.search, run.squeezer, tries[:2], 1, 1, lambda: True)
    assert (run.search.best, run.search.value) == (best, value)
    assert try_for_fewer(run.search, run.squeezer, tries, 1, 1, lambda: True)
    assert len(run.search.best) < len(best)


@pytest.mark.parametrize(
    ("beyond", "looks"), [(-0.03, False), (0.31, False), (0.66, True), (0.97, True), (float("inf"), False)]
)
def test_limits_are_looked_for_where_little_lacks_to_a_whole_trip(season, monkeypatch, beyond, looks):
    run, asked = _begun(season), []
    monkeypatch.setattr(run_module, "tighten", lambda *_, **__: asked.append(1))
    run.master.value = run.master.whole_bound + beyond
    assert run.search.value.trips > run.master.whole_bound + 1
    run._lift()
    assert bool(asked) is looks
    run.master.least = run.search.value.trips - 1  # a single trip is open: that is left to the cases
    run._lift()
    assert bool(asked) is looks
    assert len(asked) <= 1


class _Told(Clock):
    """A clock that goes on by a second whenever it is asked whether to go on, and else by what it is told."""

    now = 0.0

    @property
    def elapsed_s(self) -> float:
        return self.now

    def go_on(self, share: float = 1.0) -> bool:
        self.now += 1.0
        return super().go_on(share)


def test_where_several_trips_are_open_the_search_takes_its_whole_share_of_the_time(season, monkeypatch):
    """Without a limit it stops on its count of failed tries."""
    asked = {}
    for limit in (None, 400.0):
        run = Run(season, build_windows(season, 0), _Told(limit), Effort(more_squeezes=4), 1, None)
        pairs = asked.setdefault(limit, [])

        def no_try(*_, pairs=pairs, clock=run.clock, **more):
            if more["near"] is not None:
                pairs.append(clock.now)
            return False

        def at_once(*_, **__):
            pass

        monkeypatch.setattr(run_module, "try_for_fewer", no_try)
        for step in ("_lift", "_branch", "_dive", "_cover", "_finish"):
            monkeypatch.setattr(run, step, at_once)
        monkeypatch.setattr(run.search, "repair_rounds", at_once)
        monkeypatch.setattr(run, "_is_far", lambda: True)
        run.solve()
    assert len(asked[None]) == 2
    assert len(asked[400.0]) > 10
    assert asked[400.0][-1] > 0.7 * 400


@pytest.mark.parametrize(("cases_took", "ends_by"), [(10.0, 41.0), (60.0, 85.0), (75.0, 95.0)])
def test_tries_amid_cases_take_as_long_as_the_cases_and_keep_to_the_time_limit(
    season, monkeypatch, cases_took, ends_by
):
    clock, ended = _Told(100.0), []
    run = Run(season, build_windows(season, 0), clock, Effort(), 1, None)
    run.search.offer({})
    run.search.offer(run.search.build(whole=True))
    run.master.least = run.search.value.trips - 1
    run._tight = run.master
    monkeypatch.setattr(run_module, "_BRANCH_REACH", 10**6)

    def no_try(*_, **__):
        clock.go_on()
        return False

    def cases(*_, look, **__):
        clock.now += cases_took
        look()
        ended.append(clock.now)
        clock.now += cases_took
        look()  # nothing is left of the time for these, or as much as they took
        ended.append(clock.now)
        return 0

    monkeypatch.setattr(run_module, "try_for_fewer", no_try)
    monkeypatch.setattr(run_module, "branch", cases)
    clock.now = 20.0
    run._branch(80)
    assert ends_by - 3 <= ended[0] <= ends_by + 3
    assert ended[1] <= max(85.0, ended[0] + cases_took) + 3  # crew time gets the rest
