"""Windows that must hold a visit, against every set of visits of random single sites."""

from __future__ import annotations

import random
from itertools import chain, combinations
from types import SimpleNamespace

import numpy as np

from tripplan.fleet import Site
from tripplan.plan.season import SiteTask, Wanted
from tripplan.plan.windows import build_windows, last_leaving


def _task(rng: random.Random, *, job: bool) -> SiteTask:
    """Draw a site with up to nine dates on which it can be reached, and lives that never fall."""
    n_days = rng.randint(12, 40)
    days = tuple(sorted(rng.sample(range(n_days), rng.randint(1, 9))))
    in_place = rng.randrange(-3, n_days)
    life = rng.randint(1, 25)
    fresh = np.maximum.accumulate(np.array([d + life + rng.randint(-3, 3) for d in range(n_days)]))
    swaps = fresh >= in_place
    return SiteTask(
        site=Site("S", 0.0, 0.0, "P", volts=12.0, plug="-", park_lat=0.0, park_lon=0.0),
        due=min(in_place, rng.randrange(n_days)) if job else in_place,
        in_place=in_place,
        renewed=np.where(swaps, fresh, in_place),
        swaps=swaps,
        likely_in_place=in_place + 5,
        likely=fresh + 5,
        job_minutes=0.0,
        reach=tuple(d for d in days if swaps[d]),
        reach_later=tuple(d for d in days if swaps[d]),
        pays=swaps,
        possible=days,
        end=n_days - 1,
    )


def _in_time(task: SiteTask, visits: tuple[int, ...], spare: int = 0) -> bool:
    """Follow the chain of packs; with `spare` every visit leaves so many dates where that is possible."""
    due, flat, before = task.due, task.in_place, -1
    for day in visits:
        if day > due:
            return False
        if spare and flat < task.end:
            window = [d for d in task.reach if before < d <= flat]
            if len(window) > spare and sum(d > day for d in window) < spare:
                return False
        due = flat = int(task.renewed[day])
        before = day
    return due >= task.end


def _sets_of_visits(days: tuple[int, ...]):
    return chain.from_iterable(combinations(days, n) for n in range(len(days) + 1))


def _hit(windows, visits) -> bool:
    return all(any(d in row.days for d in visits) for row in windows.rows)


def test_visits_are_in_time_exactly_where_every_window_holds_one():
    seen = {True: 0, False: 0}
    sure = 0
    for seed in range(300):
        task = _task(random.Random(f"windows {seed}"), job=seed % 3 == 0)
        if task.due >= task.end:
            continue
        windows = build_windows(SimpleNamespace(wanted=Wanted(), tasks=(task,)), 0)
        in_time = [visits for visits in _sets_of_visits(task.possible) if _in_time(task, visits)]
        if windows.sure_late:
            sure += 1
            assert in_time == [], f"seed {seed}: called late in every plan, but {in_time[0]} is in time"
            continue
        assert in_time, f"seed {seed}: no set of visits is in time, but nothing is called late for sure"
        assert not any(row.stretched for row in windows.rows)
        for visits in _sets_of_visits(task.possible):
            good = _in_time(task, visits)
            assert _hit(windows, visits) == good, f"seed {seed}: {visits}"
            seen[good] += 1
    assert min(*seen.values(), sure) > 30, f"too few of a kind: {seen}, {sure} surely late"


def test_no_plan_that_keeps_its_fallback_dates_misses_a_window():
    """With fallback dates a window may be wider than the rule, never narrower: bounds rest on it."""
    kept = 0
    for seed in range(300):
        task = _task(random.Random(f"fallback {seed}"), job=False)
        if task.due >= task.end:
            continue
        for spare in (1, 2):
            windows = build_windows(SimpleNamespace(wanted=Wanted(), tasks=(task,)), spare)
            if windows.sure_late:
                continue
            for visits in _sets_of_visits(task.possible):
                if _in_time(task, visits, spare):
                    assert _hit(windows, visits), f"seed {seed}, {spare} fallback dates: {visits}"
                    kept += 1
    assert kept > 1000


def test_bent_sites_leave_no_fallback():
    task = _task(random.Random("fallback 1"), job=False)
    season = SimpleNamespace(wanted=Wanted(), tasks=(task,))
    assert build_windows(season, 2, frozenset({0})) == build_windows(season, 0)


def test_no_window_holds_another():
    for seed in range(100):
        task = _task(random.Random(f"minimal {seed}"), job=False)
        rows = build_windows(SimpleNamespace(wanted=Wanted(), tasks=(task,)), seed % 3).rows
        for row in rows:
            assert not any(set(other.days) < set(row.days) for other in rows)
        assert len({row.days for row in rows}) == len(rows)


def test_last_day_that_leaves_dates_by_hand():
    reach = (3, 4, 10, 11, 17)
    assert last_leaving(reach, -1, 12, 0) == 12  # nothing asked for
    assert last_leaving(reach, -1, 12, 1) == 10  # 10 leaves the 11th; the days up to it too
    assert last_leaving(reach, -1, 12, 2) == 9  # 4 ... 9 leave the 10th and 11th
    assert last_leaving(reach, 4, 12, 2) == 12  # after day 4 no date leaves two: nothing is asked
    assert last_leaving((), -1, 12, 1) == 12
