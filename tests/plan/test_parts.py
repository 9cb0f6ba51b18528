"""Seasons planned base by base: the bound holds where bases overlap, the plans are real, nothing is random."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from itertools import chain, combinations

import numpy as np
import pytest

from tripplan.plan import check_plan, narrow, parts, plan_season, pricing, workers
from tripplan.plan import run as run_module
from tripplan.plan.all_parts import Parts
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.effort import Effort
from tripplan.plan.part_search import PartSearch
from tripplan.plan.pricing import Pricer
from tripplan.plan.run import Run
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel

_SHORT = Effort(
    builds=1,
    squeezes=1,
    more_squeezes=1,
    squeeze_turns=200,
    pricing_rounds=6,
    dives=0,
    cover_nodes=0,
    repairs=0,
    late_builds=0,
    time_repairs=0,
)


@pytest.fixture
def by_base(monkeypatch):
    """Plan seasons of any size base by base."""
    monkeypatch.setattr(parts, "_MOST_WHOLE", 0)


def _two_bases(random_fleets, seeds):
    """Yield tiny seasons of two crews that share nobody, each with its base at a site of its own."""
    for seed in seeds:
        fleet, outlook = random_fleets.tiny_season(seed)
        ends = fleet.sites[0], fleet.sites[-1]
        if len(fleet.crews) == 2 and len(fleet.sites) > 2:
            crews = tuple(
                replace(crew, people=(), base_lat=site.lat + 0.002, base_lon=site.lon)
                for crew, site in zip(fleet.crews, ends, strict=True)
            )
            yield seed, replace(fleet, crews=crews), outlook


def _overlapping(sites, weeks, seed=1, apart_km=60.0):
    from season_instances import TODAY, make_fleet

    from tripplan.forecast import forecast_fleet

    fleet = make_fleet(seed, sites, weeks, 2, apart_km)
    return fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet)


def _run(fleet, outlook, travel, seed=1, spare=0):
    season = build_season(fleet, outlook, travel)
    return Run(season, build_windows(season, spare), Clock(None), _SHORT, seed, None)


def _compare_with_force(random_fleets, seeds, monkeypatch):
    from brute_force import TooLargeError, solve_by_force, stage_values, untried_visits

    compared = equal = tight = 0
    for seed, fleet, outlook in _two_bases(random_fleets, seeds):
        travel = measure_travel(fleet)
        if len(parts.base_parts(build_season(fleet, outlook, travel))) < 2:
            continue
        try:
            best = solve_by_force(fleet, outlook, travel)
        except TooLargeError:
            continue
        compared += 1
        monkeypatch.setattr(narrow, "_MANY_WINDOWS", 800 * (seed % 2))  # every other one as if it were large
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=_SHORT)
        assert check_plan(fleet, outlook, travel, plan) == (), f"seed {seed}"
        if untried_visits(fleet, outlook, travel, plan):
            continue
        found = stage_values(plan, fleet)
        assert found[:2] >= best[:2], f"seed {seed}: less late than can be"
        if found[:2] == best[:2]:
            assert plan.lower_bound <= best.trips, f"WRONG BOUND, seed {seed}"
            assert plan.crew_seconds_bound <= best.crew_seconds, f"WRONG BOUND on crew time, seed {seed}"
            equal += 1
            tight += plan.lower_bound == best.trips
    return compared, equal, tight


@pytest.mark.no_cover  # its time goes into the enumeration
@pytest.mark.usefixtures("by_base")
def test_the_bound_over_two_bases_is_never_above_the_best_of_all_plans(random_fleets, monkeypatch):
    compared, equal, tight = _compare_with_force(random_fleets, range(160), monkeypatch)
    assert compared >= 8
    assert equal >= 0.5 * compared, f"{equal} of {compared}"
    assert tight >= 0.5 * equal, f"{tight} of {equal}"


@pytest.mark.slow
@pytest.mark.timeout(7200)
@pytest.mark.usefixtures("by_base")
def test_the_bound_over_two_bases_against_all_plans_of_many_seasons(random_fleets, monkeypatch):
    counts = _compare_with_force(random_fleets, range(2000), monkeypatch)
    print("compared, as little late, bound met:", counts)
    assert counts[0] > 80


@pytest.mark.usefixtures("by_base")
def test_crew_time_of_overlapping_bases_is_bounded_by_pricing(monkeypatch):
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", 0)
    fleet, outlook, travel = _overlapping(12, 16, 4)
    fleet = replace(fleet, sites=tuple(s for s in fleet.sites if s.site_id not in {"S005", "S011"}))
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=_SHORT)
    assert not plan.late_sites
    unpriced = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=replace(_SHORT, time_rounds=0))
    assert unpriced.crew_seconds_bound < plan.crew_seconds_bound <= plan.crew_seconds


@pytest.mark.usefixtures("by_base")
def test_no_multipliers_lift_the_bound_of_overlapping_bases_above_a_plan():
    """Those of the linear programme and any others: sites that two bases reach are priced for the crews of both."""
    shared = 0
    for seed in (1, 2, 3):
        run = _run(*_overlapping(12, 12, seed))
        run.search.offer({})
        run.search.offer(run.search.build(whole=True))
        run._squeeze(2)
        assert not run.judge.missed(run.search.best)
        split = run._parts(run.master.rows, run.master.stock)
        assert len(split.parts) == 2
        shared += not split.apart
        split.bound(run.master, 6, lambda _: True, (0.0, 1.0), lambda: None, split)
        assert run.master.bound == 0.0, "nothing of the whole was priced yet"
        run.master.generate(6, go_on=lambda: True, report=lambda: None)
        assert 0 < run.master.whole_bound <= run.search.value.trips, f"WRONG BOUND, seed {seed}"
        random = np.random.default_rng(seed)
        for _ in range(5):
            run.master.improve_bound(random.exponential(0.3, run.master.book_of_rows.n_rows))
            assert run.master.whole_bound <= run.search.value.trips, f"WRONG BOUND, seed {seed}"
    assert shared == 3, "the bases were to overlap"


@pytest.mark.usefixtures("by_base")
def test_bounds_of_bases_that_share_no_site_add_up():
    run = _run(*_overlapping(12, 16, 2, apart_km=600.0))
    run.search.offer({})
    run.search.offer(run.search.build(whole=True))
    run._squeeze(2)
    split = run._parts(run.master.rows, run.master.stock)
    assert split.apart
    assert split.add_up(run.master)
    split.bound(run.master, 6, lambda _: True, (0.0, 1.0), lambda: None, split)
    assert run.master.least == sum(one.master.whole_bound for one in split.parts)
    assert 2 <= run.master.least <= run.search.value.trips


@pytest.mark.usefixtures("by_base")
@pytest.mark.parametrize("forgiven", [0, 1])
def test_a_season_of_bases_apart_is_bounded_with_any_site_late(forgiven, monkeypatch):
    """Where one site may be late, whichever, no base has to fill all its windows: the whole is bounded."""
    run = _run(*_overlapping(12, 16, 2, apart_km=600.0))
    owed = run_module.Owed(run.windows.rows, forgiven, plain=False, bends=False, late=forgiven)
    monkeypatch.setattr(Run, "_owed", lambda _: owed)
    split = run._parts(run.windows.rows, run.stock)
    bounded = []
    monkeypatch.setattr(Run, "_bound_whole", lambda _, master: bounded.append(master))
    run._solve_in_parts(split)
    master = run.late_master
    assert split.add_up(master) == (not forgiven)
    assert bounded == ([master] if forgiven else [])
    assert (master.least > 0) == (not forgiven)


def test_crews_are_priced_as_on_the_whole(random_fleets):
    compared = 0
    for seed in range(40):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=7)
        season = build_season(fleet, outlook, measure_travel(fleet))
        if not season.tasks:
            continue
        whole, by_crew = Pricer(season), parts.CrewPricer(season)
        prize = np.random.default_rng(seed).uniform(-0.2, 1.0, len(season.tasks))
        for index in range(0, len(season.days), 5):
            if not season.days[index].spans:
                continue
            here, there = (one.price((index,), prize, 0.3, near_parks=9) for one in (whole, by_crew))
            assert here.complete
            assert there.complete
            assert here.best == pytest.approx(there.best), f"seed {seed}, {index}"
            for trip in there.trips:
                assert prize[list(trip)].sum() <= there.best + 1e-9
            compared += 1
    assert compared > 50


def test_sites_without_a_memory_bit_only_make_the_bound_weaker(random_fleets, monkeypatch):
    monkeypatch.setattr(pricing, "_MOST_BITS", 2)
    checked = 0
    for seed in range(30):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=6)
        season = build_season(fleet, outlook, measure_travel(fleet))
        if len(season.tasks) < 4 or fleet.stock_is_kept:
            continue
        pricer, book = Pricer(season), TripBook(season)
        prize = np.random.default_rng(seed).uniform(0.1, 1.0, len(season.tasks))
        for index, day in [*enumerate(season.days)][::5]:
            sets = chain.from_iterable(combinations(day.spans, n) for n in range(1, len(day.spans) + 1))
            real = [prize[list(visits)].sum() for visits in sets if book.fits(index, visits)]
            if real:
                assert pricer.price((index,), prize, 0.05).best >= max(real) - 1e-9, f"seed {seed}"
                checked += 1
    assert checked > 5


@pytest.mark.usefixtures("by_base")
def test_a_season_by_base_is_in_time_and_the_same_each_time_on_any_number_of_cores(monkeypatch):
    fleet, outlook, travel = _overlapping(20, 14)
    made = []
    for cores in (1, 2, 2):
        monkeypatch.setattr(workers, "_cores", lambda cores=cores: cores)
        made.append(plan_season(fleet, outlook, travel, made_on=outlook.on, effort=_SHORT, seed=3))
    assert made[0] == made[1] == made[2]
    assert check_plan(fleet, outlook, travel, made[0]) == ()
    assert {trip.crew for trip in made[0].trips} == {"base 1", "base 2"}
    assert 0 < made[0].lower_bound <= made[0].trip_count


@pytest.mark.usefixtures("by_base")
def test_trips_of_each_base_are_chosen_anew_for_less_crew_time():
    run = _run(*_overlapping(20, 14))
    split = run._parts(run.windows.rows, run.stock)
    split.build({}, 1000)
    split.squeeze(1, 1000, lambda _: None, lambda: True, shared=False)
    before, better = split.trips, []
    split.save_time(before, 0, 30, better.append, Clock(None))
    was, now = run.judge.value(before), run.judge.value(better[-1])
    assert (now.late_sites, now.late_days) == (was.late_sites, was.late_days)
    assert now.trips <= was.trips
    assert now.seconds < was.seconds
    assert run.judge.shortages(better[-1]) == ()


@pytest.mark.usefixtures("by_base")
def test_bases_whose_crews_share_a_person_are_searched_together():
    fleet, outlook, travel = _overlapping(10, 10)
    ada = tuple(replace(crew, people=("Ada",)) for crew in fleet.crews)
    shared = replace(fleet, crews=ada)
    assert len(parts.base_parts(build_season(fleet, outlook, travel))) == 2
    assert len(parts.base_parts(build_season(shared, outlook, travel))) == 1
    plan = plan_season(shared, outlook, travel, made_on=outlook.on, effort=_SHORT)
    assert check_plan(shared, outlook, travel, plan) == ()
    assert len({trip.date for trip in plan.trips}) == plan.trip_count


@pytest.mark.parametrize("where", ["squeeze", "bound", "save_time"])
@pytest.mark.usefixtures("by_base")
def test_an_interrupt_keeps_the_best_plan_and_its_bound(monkeypatch, where):
    fleet, outlook, travel = _overlapping(12, 12)
    whole = getattr(Parts, where)

    def stopped(*args, **kwargs):
        whole(*args, **kwargs)
        raise KeyboardInterrupt

    monkeypatch.setattr(Parts, where, stopped)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=_SHORT)
    assert check_plan(fleet, outlook, travel, plan) == ()
    assert plan.trip_count > 0
    assert any("stopped" in note.casefold() for note in plan.notes), plan.notes
    if where != "squeeze":
        assert plan.lower_bound > 1


@pytest.mark.usefixtures("by_base")
def test_no_bound_rests_on_dates_that_were_not_priced():
    run = _run(*_overlapping(12, 12))
    duals = np.full(run.master.book_of_rows.n_rows, 0.2)
    run.master.improve_bound(duals, go_on=iter([True, True, False]).__next__)
    assert run.master.bound == 0.0


@pytest.mark.usefixtures("by_base")
def test_time_that_is_used_up_stops_search_and_bound(monkeypatch):
    """With the clock always at its end there is the first plan, and no bound beyond what is seen at once."""
    monkeypatch.setattr(run_module.Clock, "go_on", lambda *_: False)
    fleet, outlook, travel = _overlapping(12, 12)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=_SHORT)
    assert check_plan(fleet, outlook, travel, plan) == ()
    assert plan.trip_count > 0
    assert plan.lower_bound <= 3


@pytest.mark.usefixtures("by_base")
def test_the_shelf_of_a_fleet_is_shared_out_at_first():
    fleet, outlook, travel = _overlapping(20, 14)
    run = _run(fleet, outlook, travel)
    split = run._parts(run.windows.rows, run.stock)
    rows = stock_rows(run.season)
    assert rows
    for one in split.parts:
        one.share(run.season)
    for k, row in enumerate(rows):
        assert sum(one.judge.share[k].cap for one in split.parts) <= row.cap


def _improve_once(split):
    return lambda k, go_on: split.parts[k].improve(1, go_on)


def _packs_by_day(one):
    """For each day a trip of a part that swaps all packs of the larger type that fit, with its index."""
    season, book = one.part.season, one.search.book
    found = {}
    for index, day in enumerate(season.days):
        visits = frozenset()
        for s in sorted(day.spans):
            task = season.tasks[s]
            if task.swaps[day.day] and task.site.pack_type == "SLA12" and book.fits(index, visits | {s}):
                visits |= {s}
        found[day.day] = index, visits
    return found


@pytest.mark.usefixtures("by_base")
@pytest.mark.parametrize("mended", [True, False])
def test_what_two_bases_found_at_once_is_not_both_taken_where_the_shelf_feeds_one(mended, monkeypatch):
    fleet, outlook, travel = _overlapping(20, 14)
    kinds = {name: replace(kind, shelf_charged=3) for name, kind in fleet.pack_types.items()}
    fleet = replace(fleet, pack_types=kinds, chargers=())
    run = _run(fleet, outlook, travel)
    split = run._parts(run.windows.rows, run.stock)
    can = [_packs_by_day(one) for one in split.parts]
    day = max(can[0].keys() & can[1].keys(), key=lambda d: min(len(some[d][1]) for some in can))
    assert min(len(some[day][1]) for some in can) >= 2, "the shelf would feed both"

    def improve(self, *_):
        """Take up to three packs on that day: the shelf feeds each part alone."""
        index, visits = _packs_by_day(self)[day]
        self.search.best = {index: frozenset(sorted(visits)[:3])}
        return True

    for one in split.parts:
        one.search.offer({})
    before = [one.search.best for one in split.parts]
    monkeypatch.setattr(PartSearch, "improve", improve)
    if not mended:
        monkeypatch.setattr(PartSearch, "meet", lambda *_: None)
    found = list(split._beside_others((0, 1), _improve_once(split), lambda: True, shared=False))
    assert found == [(0, True), (1, mended)]
    assert split.parts[0].search.best != before[0]
    assert (split.parts[1].search.best != before[1]) == mended
    assert run.judge.shortages(split.trips) == ()


@pytest.mark.usefixtures("by_base")
def test_an_interrupt_stops_the_searches_of_both_bases_at_once(monkeypatch):
    monkeypatch.setattr(workers, "_cores", lambda: 2)
    run = _run(*_overlapping(12, 12))
    split = run._parts(run.windows.rows, run.stock)
    first = split.parts[0]
    other_runs, ends = threading.Event(), []

    def improve(self, _, go_on):
        if self is first:
            assert other_runs.wait(60)
            raise KeyboardInterrupt
        other_runs.set()
        until = time.monotonic() + 60
        while go_on() and time.monotonic() < until:
            time.sleep(0.001)
        ends.append(not go_on())
        return False

    for one in split.parts:
        one.search.offer({})
    monkeypatch.setattr(PartSearch, "improve", improve)
    with pytest.raises(KeyboardInterrupt):
        list(split._beside_others((0, 1), _improve_once(split), lambda: True, shared=True))
    assert ends == [True]


@pytest.mark.usefixtures("by_base")
def test_two_crews_never_visit_one_site_on_one_date(random_fleets):
    """The search for fewer trips may put a site on two trips of a date; the plan never does."""
    fleet, outlook = random_fleets.random_fleet(3337)
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=_SHORT)
    assert check_plan(fleet, outlook, travel, plan) == ()
    season = build_season(fleet, outlook, travel)
    run = Run(season, build_windows(season, 0), Clock(None), _SHORT, 1, None)
    pairs = [pair for pair in season.days_by_number.values() if len(pair) > 1]
    both = next(
        (a, b, s)
        for a, b, *_ in pairs
        for s in season.days[a].spans
        if run.book.fits(a, {s}) and run.book.fits(b, {s})
    )
    assert run.search.tidy.once_a_day({i: frozenset({both[2]}) for i in both[:2]}) == {
        both[0]: frozenset({both[2]})
    }
