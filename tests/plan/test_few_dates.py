"""Seasons on few of their dates: the same windows, trips that can be driven, plans of the whole season."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from begun_runs import begin_run
from hypothesis import given
from hypothesis import strategies as st

from tripplan.plan import few_dates, workers
from tripplan.plan.clock import Clock
from tripplan.plan.effort import Effort
from tripplan.plan.few_dates import on_few_dates, search_on_few_dates, windows_on
from tripplan.plan.run import Run
from tripplan.plan.season import Window
from tripplan.plan.tries import Try, try_for_fewer

_SHARES = (1.8, 1.4)


@pytest.fixture(scope="module")
def begun():
    return begin_run()


def _few(run, most=10**6, shares=_SHARES, seed=1):
    rows = run.judge.filled(run.search.best)
    random = np.random.default_rng(seed)
    short = run.judge.shortages
    return search_on_few_dates(run.master, rows, shares, most, random, short, lambda: True)


@st.composite
def _windows_and_days(draw):
    n_days = draw(st.integers(1, 9))
    number = st.integers(0, n_days - 1)
    rows = []
    for site in range(draw(st.integers(1, 3))):
        for _ in range(draw(st.integers(1, 4))):
            first, last = sorted((draw(number), draw(number)))
            rows.append(Window(site, tuple(range(first, last + 1))))
    return rows, draw(st.frozensets(number, max_size=n_days)), draw(st.frozensets(number, max_size=n_days))


@given(_windows_and_days())
def test_visits_on_the_dates_fill_what_is_left_exactly_where_they_fill_all(case):
    rows, days, visited = case
    left = windows_on(rows, days)
    if left is None:
        assert any(days.isdisjoint(row.days) for row in rows)
        return
    for site in {row.site for row in rows}:
        all_filled = all(visited & days & set(row.days) for row in rows if row.site == site)
        left_filled = all(visited & set(row.days) for row in left if row.site == site)
        assert all_filled == left_filled
        own = [set(row.days) for row in left if row.site == site]
        assert not any(one <= other for k, one in enumerate(own) for j, other in enumerate(own) if j != k)
    for one, other in pairwise(left):  # as the search wants them: by site, both ends rising
        assert one.site < other.site or (one.site == other.site and one.days[0] < other.days[0])


def test_dates_are_as_few_as_asked_and_the_value_allows_the_trips(begun):
    few = _few(begun)
    assert len(few) == len(_SHARES)
    for one, share in zip(few, _SHARES, strict=True):
        assert len(one.part.days) <= np.ceil(share * begun.master.value)
        assert one.master.missed < 1e-3
        assert begun.master.value - 1e-6 <= one.master.value <= 1.1 * begun.master.value
    assert set(few[1].part.days) < set(few[0].part.days)
    # where even so few trips are out of reach, there is nothing to search on
    assert _few(begun, most=int(begun.master.value) - 1) == ()


def test_each_choice_is_another_one_and_a_seed_gives_it_again(begun):
    chosen = [tuple(one.part.days for one in _few(begun, seed=seed)) for seed in (1, 1, 2, 3)]
    assert chosen[0] == chosen[1]
    assert len(set(chosen)) > 1


def test_trips_drawn_are_trips_of_the_whole_season(begun):
    season = begun.season
    for one in _few(begun):
        for seed in range(5):
            drawn = one.draw(np.random.default_rng(seed))
            trips = one.whole(drawn)
            assert trips
            assert [season.days[i].day for i in trips] == [one.part.season.days[i].day for i in drawn]
            assert all(begun.book.fits(i, tuple(sorted(visits))) for i, visits in trips.items())
            assert one.squeezer.shortages(drawn) == begun.judge.shortages(trips)


def test_what_is_found_on_few_dates_is_a_plan_of_the_whole(monkeypatch):
    ends = []
    for cores in (1, 2):
        monkeypatch.setattr(workers, "_cores", lambda cores=cores: cores)
        run = begin_run()
        assert run.judge.missed(run.search.best) == []
        few = _few(run)
        allowed = set(few[0].part.days)
        for _ in range(8):
            tries = [Try(one.draw(run.search.random), one) for one in few]
            before = len(run.search.best)
            if try_for_fewer(run.search, run.squeezer, tries, before - 1, 4000, lambda: True):
                assert len(run.search.best) < before
                assert set(run.search.best) <= allowed
                assert run.judge.missed(run.search.best) == []
                assert run.judge.shortages(run.search.best) == ()
        ends.append((run.search.best, run.search.value))
    assert ends[0] == ends[1]
    assert set(ends[0][0]) <= allowed, "nothing was found on few dates"


def test_dates_that_leave_a_window_empty_are_refused(begun):
    season, row = begun.season, begun.windows.rows[0]
    days = [i for i, day in enumerate(season.days) if day.spans and day.day not in row.days]
    assert on_few_dates(season, begun.windows.rows, (), days, (), lambda _: ()) is None


def test_before_the_linear_programme_is_solved_there_is_nothing_to_go_by(begun):
    fresh = Run(begun.season, begun.windows, Clock(None), Effort(), 1, None)
    fresh.search.offer(begun.search.best)
    assert _few(fresh) == ()


def test_a_stop_is_heard_before_each_step(begun):
    rows = begun.judge.filled(begun.search.best)
    random, short = np.random.default_rng(1), begun.judge.shortages
    assert search_on_few_dates(begun.master, rows, _SHARES, 99, random, short, lambda: False) == ()


def test_where_too_many_dates_went_fewer_go_and_one_that_is_needed_stays(begun, monkeypatch):
    tried = []
    needed = _few(begun)[0].part.days[0]

    def on(season, rows, stock, days, *others):
        tried.append(set(days))
        if len(tried) == 1 or needed not in days:
            return None
        return on_few_dates(season, rows, stock, days, *others)

    monkeypatch.setattr(few_dates, "on_few_dates", on)
    few = _few(begun, shares=(1.4, 1.2))
    assert len(tried[1]) > len(tried[0])
    assert few
    assert all(needed in one.part.days for one in few)


def test_choices_end_where_none_is_enough(begun, monkeypatch):
    tried = []
    monkeypatch.setattr(few_dates, "on_few_dates", lambda *args: tried.append(args[3]))
    assert _few(begun) == ()
    assert 1 < len(tried) < 10
