"""Near plans spliced at a date: counted again the slow way, only new ones, on the dates of both parents."""

from __future__ import annotations

import math

import numpy as np
import pytest
from begun_runs import begin_run

from tripplan.plan import patient
from tripplan.plan.few_dates import keep_to_dates
from tripplan.plan.splice import NearPlans
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.tries import Try, try_for_fewer


@pytest.fixture(scope="module")
def begun():
    return begin_run()


def _near(run, many=12):
    """Plans that lack some windows: short searches for too few trips."""
    rows = run.judge.filled(run.search.best)
    near, plans = NearPlans(run.season, tuple(rows)), []
    for seed in range(many):
        most = len(run.search.best) - 2 - seed % 2
        start = {} if seed % 3 else run.search.best
        found = run.squeezer.fewer(start, most, 400, seed, lambda: True, every=True, partly=True)
        assert found is not None
        plans.append((found, near.take(found)))
    return near, plans


def _open(run, rows, trips):
    visits = {(run.season.days[i].day, s) for i, chosen in trips.items() for s in chosen}
    return sum(not any((day, row.site) in visits for day in row.days) for row in rows)


def test_open_windows_are_those_that_no_visit_fills(begun):
    near, plans = _near(begun)
    assert any(n_open for _, n_open in plans)
    for trips, n_open in plans:
        assert n_open == _open(begun, near.rows, trips)


def test_a_splice_is_the_best_cut_of_two_plans_and_counted_right(begun):
    near, plans = _near(begun)
    most = len(begun.search.best) - 1
    days = begun.season.days
    cuts = sorted({day.day for day in days})[1:]
    seen = set()
    while some := near.splices(most, 3, np.random.default_rng(1)):
        assert len(some) <= 3
        for splice in some:
            assert len(splice.trips) <= most
            assert splice.n_open == _open(begun, near.rows, splice.trips)
            parents = [
                (one, other, cut)
                for one, _ in plans
                for other, _ in plans
                for cut in cuts
                if one is not other
                and splice.trips
                == {i: v for i, v in one.items() if days[i].day < cut}
                | {i: v for i, v in other.items() if days[i].day >= cut}
                and splice.dates == tuple(sorted({*one, *other}))
            ]
            assert parents, "no two plans give it"
            one, other, _ = parents[0]
            best = min(
                _open(begun, near.rows, joined)
                for cut in cuts
                if (first := {i: v for i, v in one.items() if days[i].day < cut}) is not None
                and (then := {i: v for i, v in other.items() if days[i].day >= cut}) is not None
                and len(joined := first | then) <= most
                and min(len(first), len(then)) >= 0.2 * most
            )
            assert splice.n_open == best
            seen.add((tuple(sorted(one)), tuple(sorted(other)), tuple(sorted(splice.trips.items()))))
    assert len(seen) > 10, "each pair of plans is spliced once, and there are many"


def test_of_plans_much_alike_the_better_one_is_kept(begun):
    rows = tuple(begun.judge.filled(begun.search.best))
    near, best = NearPlans(begun.season, rows), begun.search.best
    index = max(best, key=lambda i: len(best[i]))
    some = min(best[index])
    fewer = {**best, index: best[index] - {some}}
    n_open = near.take(fewer)
    assert len(near) == 1
    assert near.take(best) == 0
    assert len(near) == 1
    assert near.take(fewer) == n_open  # known already, and better
    assert len(near) == 1


def test_few_plans_give_no_splice(begun):
    near, _ = _near(begun, many=3)
    assert near.splices(99, 2, np.random.default_rng(0)) == []


def test_the_search_from_a_splice_keeps_to_the_dates_of_both(begun):
    near, _ = _near(begun)
    most = len(begun.search.best) - 1
    for splice in near.splices(most, 2, np.random.default_rng(2)):
        short = begun.judge.shortages
        on = keep_to_dates(begun.season, near.rows, begun.stock, splice.dates, short)
        assert on is not None
        assert on.whole(on.inside(splice.trips)) == splice.trips
        found = on.squeezer.fewer(
            on.inside(splice.trips), most, 2000, 1, lambda: True, every=True, partly=True
        )
        trips = on.whole(found)
        assert set(trips) <= set(splice.dates)
        assert _open(begun, near.rows, trips) <= splice.n_open


def test_what_tries_end_with_is_spliced_in_its_turn(monkeypatch):
    """Also: the same plans on one core and on two."""
    ends = []
    for cores in (1, 2):
        monkeypatch.setattr("tripplan.plan.workers._cores", lambda cores=cores: cores)
        run = begin_run()
        beginnings = run.beginnings
        kinds = []
        for _ in range(14):
            most = run.search.value.trips - 1
            tries = beginnings.tries(most, lambda: True)
            assert 1 <= len(tries) <= 2
            kinds.append([one.on is not None and not hasattr(one.on, "master") for one in tries])
            better = try_for_fewer(
                run.search, run.squeezer, tries, most, 400, lambda: True, near=beginnings.take
            )
            assert run.judge.missed(run.search.best) == []
            beginnings.failed += not better
        assert any(any(some) for some in kinds), "nothing was spliced"
        ends.append((run.search.best, run.search.value, len(beginnings.near), kinds))
    assert ends[0] == ends[1]


def test_a_plan_with_windows_open_is_taken_in_and_not_offered(monkeypatch):
    run = begin_run()
    best, taken = run.search.best, []
    partial = dict(list(best.items())[:-2])
    monkeypatch.setattr(Squeeze, "fewer", lambda *_, **__: partial)

    def near(trips):
        taken.append(trips)
        return True

    monkeypatch.setattr(run.search, "offer", lambda *_, **__: pytest.fail("it was offered"))
    assert not try_for_fewer(run.search, run.squeezer, [Try(best)], 1, 1, lambda: True, near=near)
    assert taken == [partial]


def test_where_other_windows_count_near_plans_are_forgotten(monkeypatch):
    run = begin_run()
    first = run.beginnings.tries(1, lambda: True)
    assert first
    run.beginnings.take(dict(list(run.search.best.items())[:-1]))
    assert len(run.beginnings.near) == 1
    rows = run.judge.filled(run.search.best)[:-1]
    monkeypatch.setattr(run.judge, "filled", lambda _: rows)
    monkeypatch.setattr(patient, "search_on_few_dates", lambda *_: ())
    assert run.beginnings.tries(1, lambda: True)
    assert len(run.beginnings.near) == 0


def test_some_tries_let_the_first_or_the_last_trips_be():
    run = begin_run()
    days = sorted(run.search.best, key=lambda i: (run.season.days[i].day, i))
    n, seen = len(days), set()
    for failed in range(48):
        run.beginnings.failed = failed
        for one in run.beginnings.tries(n - 1, lambda: True):
            if one.frozen:
                k = len(one.frozen)
                assert one.trips == run.search.best
                assert one.on is None
                assert math.ceil(n / 4) <= k <= math.ceil(n / 2)
                is_first = one.frozen == frozenset(days[:k])
                assert is_first or one.frozen == frozenset(days[n - k :])
                seen.add(is_first)
    assert seen == {True, False}
