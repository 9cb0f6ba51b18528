"""Dives: what they find can be planned, and they leave the linear programme as it was."""

from __future__ import annotations

import numpy as np

from tripplan.plan import plan_season
from tripplan.plan.build import build_season
from tripplan.plan.charging import charge_schedule
from tripplan.plan.cover import choose_cover
from tripplan.plan.dive import dive
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.thin import thin_visits
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _masters(random_fleets, seeds):
    for seed in seeds:
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=6)
        season = build_season(fleet, outlook, measure_travel(fleet))
        rows = build_windows(season, 0).rows
        if not rows:
            continue
        master = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
        master.generate(6, go_on=lambda: True, report=lambda: None)
        yield seed, season, master


def _fills(master, trips, windows):
    days = {}
    for index, visits in trips.items():
        for s in visits:
            days.setdefault(s, set()).add(master.season.days[index].day)
    return [row for row in windows if not days.get(row.site, set()) & set(row.days)]


def test_dives_and_choices_fill_every_window_with_trips_that_fit(random_fleets):
    found = 0
    for seed, season, master in _masters(random_fleets, range(10)):
        for spread in (0.0, 0.4):
            trips = dive(master, np.random.default_rng(seed), 99, go_on=lambda: True, spread=spread)
            if trips is None:
                continue
            found += 1
            assert _fills(master, trips, master.rows) == [], f"seed {seed}"
            assert len(trips) >= master.whole_bound, f"WRONG BOUND, seed {seed}"
            for index, visits in trips.items():
                assert master.book.fits(index, visits)
                assert not any(clash in trips for clash in season.conflicts[index])
        chosen = choose_cover(master, 99, nodes=5, most_columns=500, seconds=None, go_on=lambda: True)
        if chosen is not None:
            assert _fills(master, chosen, master.rows) == []
            assert len(chosen) >= master.whole_bound, f"WRONG BOUND, seed {seed}"
    assert found >= 8


def test_a_dive_that_gives_up_leaves_nothing_behind(random_fleets):
    for seed, _, master in _masters(random_fleets, range(5)):
        master.solve()
        before = master.value
        assert dive(master, np.random.default_rng(0), 1, go_on=lambda: True, spread=0.4) is None
        master.solve()
        assert master.value <= before + 1e-6, f"seed {seed}: a trip is still forced in or kept out"
        assert (master._fixed, master._sheds, master._loose) == ([], [], False)


def test_thinned_trips_fill_the_same_windows_within_the_shelf(random_fleets):
    thinner = 0
    for seed, season, master in _masters(random_fleets, range(12)):
        trips = dive(master, np.random.default_rng(seed), 99, go_on=lambda: True, spread=0.0)
        thin = None if trips is None else thin_visits(season, master.rows, master.stock, trips, 0.5)
        if trips is None or thin is None:
            continue
        assert _fills(master, thin, master.rows) == []
        assert all(thin[index] <= trips[index] for index in thin)
        thinner += sum(map(len, thin.values())) < sum(map(len, trips.values()))
        used = {}
        for index, visits in thin.items():
            day = season.days[index].day
            for s in visits:
                if season.tasks[s].swaps[day]:
                    per_day = used.setdefault(season.tasks[s].site.pack_type, {})
                    per_day[day] = per_day.get(day, 0) + 1
        for row in master.stock:
            taken = sum(n for d, n in used.get(row.pack_type, {}).items() if row.first <= d <= row.last)
            assert taken <= row.cap
        charge_schedule(season.fleet, season.first, used)
    assert thinner


def test_a_seed_gives_one_plan(random_fleets):
    for seed in range(3):
        fleet, outlook = random_fleets.random_fleet(seed)
        travel = measure_travel(fleet)
        first = plan_season(fleet, outlook, travel, made_on=outlook.on, seed=seed)
        again = plan_season(fleet, outlook, travel, made_on=outlook.on, seed=seed)
        assert first.to_json() == again.to_json()
