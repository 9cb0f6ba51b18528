"""Bounds on crew time and on life thrown away: no multipliers lift them above a plan that exists."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from itertools import chain as chained
from itertools import combinations

import numpy as np
import pytest
from season_instances import TODAY, make_fleet

from tripplan.forecast import forecast_fleet
from tripplan.plan import check_plan, narrow, plan_season
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.crew_time import CrewTime, least_visit_seconds
from tripplan.plan.document import Plan
from tripplan.plan.effort import Effort
from tripplan.plan.least_time import shorten
from tripplan.plan.life_bound import Chain, chains_of, least_life_days
from tripplan.plan.pricing import Pricer
from tripplan.plan.proof import stages_text
from tripplan.plan.run import Run
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _subsets(things):
    return chained.from_iterable(combinations(things, n) for n in range(1, len(things) + 1))


def _small_seasons(random_fleets, seeds):
    for seed in seeds:
        fleet, outlook = random_fleets.tiny_season(seed)
        travel = measure_travel(fleet)
        season = build_season(fleet, outlook, travel)
        if season.tasks:
            yield seed, season, (fleet, outlook, travel)


def test_pricing_of_gains_is_never_below_the_best_real_trip(random_fleets):
    checked = exact = 0
    for seed, season, _ in _small_seasons(random_fleets, range(20)):
        rng = np.random.default_rng(seed)
        pricer, book = Pricer(season), TripBook(season)
        for index, day in enumerate(season.days):
            for near in (1, 3) if day.spans else ():
                prize = rng.uniform(-1000, 9000, len(season.tasks))
                gains = [
                    sum(prize[s] for s in visits) - shape.seconds
                    for visits in _subsets(sorted(day.spans))
                    if (shape := book.best(index, visits)) is not None
                    and _shelf_gives(pricer, season, index, visits)
                ]
                best = max(gains, default=0.0)
                found = pricer.price((index,), prize, 0.0, near_parks=near, rate=1.0)
                assert found.complete
                assert found.best >= best - 1e-6, (seed, index)
                checked += best > 0
                exact += best > 0 and found.best <= best + 60
    assert checked >= 40
    assert exact >= 0.5 * checked  # what is left is rounding, waiting, and sites met twice


def _shelf_gives(pricer, season, index, visits):
    names, most = pricer._most_packs((index,))
    day = season.days[index].day
    pays = [season.tasks[s].site.pack_type for s in visits if season.tasks[s].pays[day]]
    return all(pays.count(name) <= cap for name, cap in zip(names, most[1:], strict=True))


def _crew_time(season, plan):
    rows = build_windows(season, season.fleet.plan.fallback_dates).bound_rows
    book = TripBook(season)
    return CrewTime(
        season,
        rows,
        stock_rows(season),
        book,
        Pricer(season),
        least_trips=plan.lower_bound,
        most_trips=plan.trip_count,
    )


def test_no_multipliers_lift_the_bound_on_crew_time_above_a_plan(random_fleets):
    tried, near = 0, 0.0
    for seed, season, inputs in _small_seasons(random_fleets, range(40)):
        plan = plan_season(*inputs, made_on=inputs[1].on)
        if str(plan.status) != "proved" or not plan.trips or _bends(plan):
            continue
        bound = _crew_time(season, plan)
        rng = np.random.default_rng(seed)
        n = bound.book_of_rows.n_rows
        for _ in range(6):
            duals = np.zeros(n)
            duals[: len(bound.rows)] = rng.exponential(0.1, len(bound.rows)) * (
                rng.random(len(bound.rows)) < 0.5
            )
            at = bound.book_of_rows.stock_at
            duals[at : at + len(bound.stock)] = -rng.exponential(0.02, len(bound.stock)) * rng.integers(2)
            bound._price(duals, 10**8, lambda: True)
            tried += 1
        near = max(near, bound.seconds / plan.crew_seconds)
        assert bound.seconds <= plan.crew_seconds + 1e-6, seed
        assert least_visit_seconds(bound, plan.lower_bound) <= plan.crew_seconds, seed
    assert tried >= 40
    assert near > 0.5  # the multipliers are not so poor that nothing was tried


def _bends(plan):
    return any(not visit.fallback_possible for trip in plan.trips for visit in trip.visits)


@pytest.mark.parametrize("many_windows", [800, 0])
def test_the_bounds_of_the_planner_come_near_its_plans_and_never_above(
    random_fleets, monkeypatch, many_windows
):
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", many_windows)
    shares = []
    for seed, _, inputs in _small_seasons(random_fleets, range(30, 60)):
        plan = plan_season(*inputs, made_on=inputs[1].on)
        assert 0 <= plan.crew_seconds_bound <= plan.crew_seconds, seed
        assert 0 <= plan.life_days_bound <= plan.life_days, seed
        if str(plan.status) == "proved" and plan.trips:
            shares.append(plan.crew_seconds_bound / plan.crew_seconds)
    assert len(shares) >= 8
    assert float(np.median(shares)) > 0.9


def _by_trying_all(chain: Chain, windows) -> float:
    best = np.inf
    for days in chained([()], _subsets(chain.days)):
        if all(any(first <= d <= last for d in days) for first, last in windows):
            lost, likely = 0.0, chain.likely[0]
            for d in days:
                lost += max(0, likely - d)
                likely = chain.likely[chain.days.index(d) + 1]
            best = min(best, lost)
    return best


def test_the_cheapest_chain_is_the_best_of_all_chains(random_fleets):
    compared = 0
    for _, season, (fleet, _, _) in _small_seasons(random_fleets, range(40)):
        rows = build_windows(season, fleet.plan.fallback_dates).bound_rows
        total = 0.0
        for chain in chains_of(season, rows):
            windows = [(row.days[0], row.days[-1]) for row in rows if row.site == chain.task]
            total += chain.least
            assert chain.least == _by_trying_all(chain, windows)
            compared += 1
        if np.isfinite(total):
            assert least_life_days(season, rows) == total
            assert least_life_days(season, rows, forgiven=len(season.tasks)) == 0
    assert compared >= 40


def _planned(random_fleets):
    for seed in range(60):
        fleet, outlook = random_fleets.tiny_season(seed)
        travel = measure_travel(fleet)
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
        if str(plan.status) == "proved" and plan.trip_count > 1 and plan.life_days > plan.life_days_bound > 0:
            return (fleet, outlook, travel), plan
    pytest.fail("no such plan among the tiny seasons")


def test_the_checker_refuses_bounds_that_the_plan_refutes(random_fleets):
    inputs, plan = _planned(random_fleets)
    assert check_plan(*inputs, plan) == ()
    for bad, rule in (
        (replace(plan, crew_seconds_bound=plan.crew_seconds + 60), "lower bound"),
        (replace(plan, crew_seconds_bound=-1), "lower bound"),
        (replace(plan, life_days_bound=plan.life_days + 1), "lower bound"),
        (replace(plan, life_days_bound=-1), "lower bound"),
        (replace(plan, life_days=plan.life_days + 1), "life thrown away"),
    ):
        assert [str(refusal.rule) for refusal in check_plan(*inputs, bad)] == [rule]


def test_the_bounds_stand_in_the_plan_file_and_old_files_are_read(random_fleets):
    _, plan = _planned(random_fleets)
    document = json.loads(json.dumps(plan.to_json()))
    again = Plan.from_json(document)
    for name in ("crew_seconds_bound", "life_days", "life_days_bound"):
        assert getattr(again, name) == getattr(plan, name)
    for name in ("crew_minutes_bound", "life_days", "life_days_bound"):
        del document[name]
    assert Plan.from_json(document).life_days_bound == 0


def test_the_words_say_what_is_proved_and_no_more(random_fleets):
    _, plan = _planned(random_fleets)
    trip = replace(
        plan.trips[0],
        leave=datetime.fromisoformat("2026-12-05T08:00:00+00:00"),
        back=datetime.fromisoformat("2026-12-05T14:10:00+00:00"),
    )
    one = replace(plan, trips=(trip,), crew_seconds_bound=5 * 3600, life_days=12, life_days_bound=3)
    assert stages_text(one) == (
        "Crew time 6 h 10 min; with 1 trip at the most it cannot be less than 5 h 00 min. "
        "Life thrown away 12 days over all swaps; at least 3 in any plan as good."
    )
    best = replace(one, crew_seconds_bound=6 * 3600 + 599, life_days_bound=12)
    assert stages_text(best) == (
        "Crew time 6 h 10 min; with 1 trip at the most it cannot be less than 6 h 09 min. "
        "Life thrown away 12 days over all swaps, the least there can be."
    )
    assert stages_text(replace(one, crew_seconds_bound=6 * 3600 + 600, life_days=0, life_days_bound=0)) == (
        "Crew time 6 h 10 min; no plan as good does it with less in 1 trip."
    )
    nothing = replace(one, crew_seconds_bound=0, life_days_bound=0)
    assert stages_text(nothing) == "Crew time 6 h 10 min. Life thrown away 12 days over all swaps."
    assert stages_text(replace(one, trips=())) == ""


@pytest.mark.parametrize("many_windows", [800, 0])
def test_a_plan_of_least_crew_time_does_not_hide_its_own_bound(monkeypatch, many_windows):
    """With as many trips needed as allowed, their multiplier alone makes up the value of the plan's trips."""
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", many_windows)
    fleet = make_fleet(6, 12, 26)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
    run = Run(season, build_windows(season, 0), Clock(None), Effort(), 1, None)
    run.search.offer({})
    run.search.offer(run.search.build(whole=True))
    run._squeeze(2)
    shorten(run.search, run.stock, nodes=30, go_on=lambda: True, seconds_left=lambda: None)
    n = len(run.search.best)
    bound = CrewTime(
        season,
        tuple(run.judge.filled(run.search.best)),
        run.stock,
        run.book,
        run.pricer,
        least_trips=n,
        most_trips=n,
    )
    for index, visits in run.search.best.items():
        bound.add(index, tuple(sorted(visits)), usable=True)
    bound.raise_seconds(12, 200_000_000, lambda: True)
    assert 0.96 * run.search.value.seconds <= bound.seconds <= run.search.value.seconds
