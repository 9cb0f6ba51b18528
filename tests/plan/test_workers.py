"""Jobs done at once: in order, the same on any number of cores, and none begun after the caller stops."""

from __future__ import annotations

import threading
import time

import pytest

from tripplan.plan import narrow, workers
from tripplan.plan.build import build_season
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.plan.workers import in_order
from tripplan.travel import measure_travel


@pytest.fixture(params=[1, 2, 8])
def cores(request, monkeypatch):
    monkeypatch.setattr(workers, "_cores", lambda: request.param)


any_cores = pytest.mark.usefixtures("cores")


@any_cores
def test_results_come_in_the_order_of_the_jobs():
    def work(k):
        time.sleep(0.002 * (k % 3))
        return k * k

    assert list(in_order(work, range(20))) == [k * k for k in range(20)]
    assert list(in_order(work, [])) == []
    assert list(in_order(work, [3])) == [9]


def test_two_cores_work_at_once(monkeypatch):
    monkeypatch.setattr(workers, "_cores", lambda: 2)
    both = threading.Barrier(2, timeout=60)  # one alone would wait for the other until this fails
    assert [first >= 0 for first in in_order(lambda _: both.wait(), range(2))] == [True, True]


@any_cores
def test_a_failure_is_raised_and_what_was_not_begun_is_dropped():
    begun = []

    def work(k):
        begun.append(k)
        if k == 2:
            raise KeyboardInterrupt
        time.sleep(0.01)
        return k

    with pytest.raises(KeyboardInterrupt):
        list(in_order(work, range(200)))
    assert len(begun) < 200
    assert not any(thread.name.startswith("pricing") for thread in threading.enumerate())


def test_one_core_and_two_find_the_same_trips_and_the_same_bound(random_fleets, monkeypatch):
    monkeypatch.setattr(narrow, "_MANY_SITES", 0)
    priced = 0
    for seed in range(8):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=6)
        season = build_season(fleet, outlook, measure_travel(fleet))
        rows = build_windows(season, 0).bound_rows
        if not rows:
            continue
        found = []
        for count in (1, 2):
            monkeypatch.setattr(workers, "_cores", lambda count=count: count)
            master = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
            master.generate(12, go_on=lambda: True, report=lambda: None)
            found.append((master.bound, master.rounds, [(c.index, c.visits) for c in master.columns]))
        assert found[0] == found[1], f"seed {seed}"
        priced += found[0][1]
    assert priced >= 8


@any_cores
def test_no_bound_rises_where_the_search_stops_among_the_dates(random_fleets, monkeypatch):
    monkeypatch.setattr(narrow, "_MANY_SITES", 0)
    fleet, outlook = random_fleets.random_fleet(3, n_sites=6)
    season = build_season(fleet, outlook, measure_travel(fleet))
    rows = build_windows(season, 0).bound_rows
    master = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
    duals = master.solve()
    left = [2]

    def go_on():
        left[0] -= 1
        return left[0] > 0

    assert len(master._groups) > 2
    master.improve_bound(duals, go_on=go_on)
    assert master.bound == 0.0
    left[0] = 10**9
    master.improve_bound(duals, go_on=go_on)
    assert master.bound > 0.0
