"""One trip fewer: what the search offers can be driven, fills what it should, and keeps what it must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tripplan.plan.build import build_season
from tripplan.plan.charging import most_charged
from tripplan.plan.clock import Clock
from tripplan.plan.effort import Effort
from tripplan.plan.run import Run
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.solution import Judge
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _problems(random_fleets, seeds, n_sites=6):
    for seed in seeds:
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=n_sites)
        season = build_season(fleet, outlook, measure_travel(fleet))
        rows = build_windows(season, 0).rows
        if rows:
            yield seed, season, rows


def _lavish(season, book):
    """One trip for each crew-date on which something could be done, as full as it gets; no shelf looked at."""
    trips = {}
    for index, day in enumerate(season.days):
        if any(clash in trips for clash in season.conflicts[index]):
            continue
        visits = frozenset()
        for s in sorted(day.spans):
            if book.fits(index, visits | {s}):
                visits |= {s}
        if visits:
            trips[index] = visits
    return trips


def _filled(season, rows, trips):
    days = {(season.days[i].day, s) for i, visits in trips.items() for s in visits}
    return {r for r, row in enumerate(rows) if any((d, row.site) in days for d in row.days)}


def _fewer(season, rows, trips, most, seed=1, turns=600, **asked):
    judge = Judge(season, rows, TripBook(season))
    squeezer = Squeeze(season, rows, stock_rows(season), judge.shortages)
    return squeezer.fewer(trips, most, turns, seed, lambda: True, **asked)


def test_a_plan_with_fewer_trips_fills_the_same_windows_with_trips_that_can_be_driven(random_fleets):
    found = 0
    for seed, season, rows in _problems(random_fleets, range(8)):
        book = TripBook(season)
        start = _lavish(season, book)
        fewer = _fewer(season, rows, start, len(start) - 1)
        if fewer is None:
            continue
        found += 1
        assert 0 < len(fewer) < len(start), f"seed {seed}"
        assert _filled(season, rows, start) <= _filled(season, rows, fewer), f"seed {seed}"
        assert Judge(season, rows, book).shortages(fewer) == ()
        for index, visits in fewer.items():
            assert book.fits(index, visits), f"seed {seed}: reckoned as fitting, but it does not"
            assert not any(clash in fewer for clash in season.conflicts[index])
    assert found >= 3


def test_what_it_reckons_as_fitting_is_never_more_than_a_trip_can_hold(random_fleets):
    """Its own reckoning of a day (one stop a parking) against the exact one (`TripBook`)."""
    from tripplan.plan.squeeze_stops import in_time

    both, only_exact = 0, 0
    rng = np.random.default_rng(5)
    for seed, season, rows in _problems(random_fleets, range(8), n_sites=9):
        book, plain = TripBook(season), Squeeze(season, rows, (), lambda _: ())._plain
        work = np.zeros((514, 65), np.int64)
        for _ in range(60):
            index = int(rng.integers(len(season.days)))
            here = [s for s in sorted(season.days[index].spans) if plain.may[index, s]]
            if not here:
                continue
            visits = sorted(
                rng.choice(here, size=int(rng.integers(1, len(here) + 1)), replace=False).tolist()
            )
            parks = sorted({season.park_of[s] for s in visits})
            for k, park in enumerate(parks):
                work[0, k] = park
                work[1, k] = sum(1 << int(plain.sites[s, 1]) for s in visits if season.park_of[s] == park)
            packs = sum(plain.may[index, s] & 4 > 0 for s in visits)
            ours = packs <= plain.days[index, 3] and bool(in_time(plain, index, len(parks), work))
            exact = book.fits(index, visits)
            assert exact or not ours, f"seed {seed}, date {index}, visits {visits}"
            both += ours and exact
            only_exact += exact and not ours
    assert both >= 60
    assert only_exact <= 0.1 * both, f"{only_exact} trips that fit are not seen, {both} are"


def test_what_fits_does_not_depend_on_the_order_of_the_visits():
    """Searches side by side share what they know of trips, also of those whose orders are too many to look at."""
    from season_instances import TODAY, make_fleet

    from tripplan.forecast import forecast_fleet
    from tripplan.plan.squeeze_stops import MOST_STOPS, in_time

    fleet = make_fleet(1, 60, 6)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
    plain = Squeeze(season, build_windows(season, 0).rows, (), lambda _: ())._plain
    rng = np.random.default_rng(3)
    work = np.zeros((514, 65), np.int64)
    long_days = plain._replace(days=plain.days.copy(), stops=plain.stops.copy())
    fits = tried = 0
    for _ in range(400):
        index = int(rng.integers(len(season.days)))
        parks = [q for q in range(len(season.park_places)) if plain.stops[index, q, 3] >= 0]
        m = MOST_STOPS + int(rng.integers(1, 6))
        if len(parks) < m:
            continue
        # a day so much longer that some of these trips fit and others do not
        long_days.days[index, 2] = plain.days[index, 2] - int(rng.integers(10, 30)) * 3600
        long_days.stops[index] = plain.stops[index]
        long_days.stops[index, :, 0] -= 40 * 3600
        chosen = rng.choice(parks, size=m, replace=False)
        said = set()
        for _ in range(4):
            for k, q in enumerate(rng.permutation(chosen)):
                work[0, k], work[1, k] = q, 1
            said.add(bool(in_time(long_days, index, m, work)))
        assert len(said) == 1, f"{m} stops on date {index}"
        tried += 1
        fits += said.pop()
    assert tried >= 100
    assert 0.05 * tried < fits < 0.95 * tried


def test_a_trip_that_must_stay_stays_and_barred_dates_stay_free(random_fleets):
    tried = 0
    for seed, season, rows in _problems(random_fleets, range(8)):
        start = _lavish(season, TripBook(season))
        if len(start) < 4:
            continue
        order = sorted(start)
        barred = frozenset(order[::3])
        begin = {i: visits for i, visits in start.items() if i not in barred}
        kept = order[1]
        found = _fewer(season, rows, begin, len(begin) - 1, barred=barred, staying=kept)
        if found is None:
            continue
        tried += 1
        assert kept in found, f"seed {seed}"
        assert not barred & set(found), f"seed {seed}"
    assert tried >= 2


def test_frozen_trips_stay_as_they_are(random_fleets):
    tried = changed = 0
    for seed, season, rows in _problems(random_fleets, range(8)):
        start = _lavish(season, TripBook(season))
        if len(start) < 4:
            continue
        frozen = frozenset(sorted(start)[: len(start) // 3])
        found = _fewer(season, rows, start, len(start) - 1, frozen=frozen)
        if found is None:
            continue
        tried += 1
        assert len(found) < len(start), f"seed {seed}"
        assert {i: found.get(i) for i in frozen} == {i: start[i] for i in frozen}, f"seed {seed}"
        free = _fewer(season, rows, start, len(start) - 1)
        changed += free is not None and any(free.get(i) != start[i] for i in frozen)
    assert tried >= 2
    assert changed >= 1, "they stay as they are without that too"


def test_windows_that_the_plan_misses_are_filled_where_that_is_asked(random_fleets):
    filled = 0
    for seed, season, rows in _problems(random_fleets, range(16)):
        start = _lavish(season, TripBook(season))
        late = {i: visits for i, visits in start.items() if i != min(start)}
        owed = {r for r, row in enumerate(rows) if not row.stretched}
        if not owed - _filled(season, rows, late):
            continue
        found = _fewer(season, rows, late, len(start), every=True)
        if found is not None:
            filled += 1
            assert owed <= _filled(season, rows, found), f"seed {seed}"
    assert filled >= 1


def test_a_seed_gives_one_plan(random_fleets):
    for _, season, rows in _problems(random_fleets, range(4)):
        start = _lavish(season, TripBook(season))
        first = _fewer(season, rows, start, max(1, len(start) - 2), seed=7)
        assert first == _fewer(season, rows, start, max(1, len(start) - 2), seed=7)


def test_built_plans_of_bench_seasons_lose_trips_and_stay_in_time():
    from season_instances import TODAY, make_fleet

    from tripplan.forecast import forecast_fleet

    saved = 0
    for seed in (1, 2, 3):
        fleet = make_fleet(seed, 12, 20)
        season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
        run = Run(season, build_windows(season, 0), Clock(None), Effort(squeeze_turns=400), seed, None)
        run.search.offer({})
        run.search.offer(run.search.build(whole=True))
        before = run.search.value
        run._squeeze(2)
        after = run.search.value
        assert before is not None
        assert after is not None
        assert after <= before, f"seed {seed}"
        assert after.trips == len(run.search.best)
        assert run.judge.shortages(run.search.best) == ()
        saved += before.trips - after.trips
    assert saved >= 2


def _taken(season, rows, trips):
    """How many packs the trips take that each row of the shelf counts."""
    return [
        sum(
            bool(season.tasks[s].swaps[season.days[i].day])
            and season.tasks[s].site.pack_type == row.pack_type
            for i, visits in trips.items()
            if row.first <= season.days[i].day <= row.last
            for s in visits
        )
        for row in rows
    ]


def test_no_turn_and_no_free_move_takes_more_from_the_shelf_than_it_can_give():
    """From a plan without trips on, looked at every few turns; four packs of each type for a dozen sites."""
    from season_instances import TODAY, make_fleet

    from tripplan.forecast import forecast_fleet
    from tripplan.plan.squeeze_kernels import squeeze
    from tripplan.plan.squeeze_tables import USED

    tight = 0
    for seed in (1, 2, 3):
        fleet = make_fleet(seed, 12, 20)
        kinds = {name: replace(kind, shelf_charged=4) for name, kind in fleet.pack_types.items()}
        fleet = replace(fleet, pack_types=kinds)
        season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
        stock = stock_rows(season)
        squeezer = Squeeze(season, build_windows(season, 0).rows, stock, lambda _: ())
        plain = squeezer._plain
        state = squeezer._begin(plain, {}, [])
        for turn in range(100):
            squeeze(plain, state, 4, 20, 10, turn)
            trips = {
                i: frozenset(state.visits[i, : state.visits[i, -1]].tolist()) for i in range(len(season.days))
            }
            taken = _taken(season, stock, trips)
            assert taken == state.stock[:, USED].tolist(), f"seed {seed}, turn {turn}"
            over = [row for row, used in zip(stock, taken, strict=True) if used > row.cap]
            assert not over, f"seed {seed}, turn {turn}"
            tight += sum(used == row.cap for row, used in zip(stock, taken, strict=True))
    assert tight > 1000, "hardly a row is full: what overdraws the shelf would not be seen"


def test_what_is_learned_of_the_shelf_is_what_it_can_never_give(random_fleets):
    """Where no plan may take so much, the row itself is learned, not what a plan happened to take."""
    learned = 0
    for seed, season, rows in _problems(random_fleets, range(40)):
        judge = Judge(season, rows, TripBook(season))
        trips = _lavish(season, TripBook(season))
        short = Squeeze(season, rows, (), judge.shortages)._shortage(trips)
        if short is None:
            assert judge.shortages(trips) == ()
            continue
        (taken,) = _taken(season, [short], trips)
        assert taken > short.cap, f"seed {seed}: the row forbids nothing"
        until = short.last
        coming = season.coming_in(short.pack_type, until)
        most = most_charged(season.fleet, season.first, short.pack_type, short.first, until, coming)
        learned += short.cap == most
    assert learned >= 5


@pytest.mark.parametrize("most", [0, 1])
def test_too_few_trips_end_in_none(random_fleets, most):
    for _, season, rows in _problems(random_fleets, range(3), n_sites=8):
        start = _lavish(season, TripBook(season))
        if (
            _filled(season, rows, start)
            and Run(season, build_windows(season, 0), Clock(None), Effort().short(), 1, None).master.apart
            > most
        ):
            assert _fewer(season, rows, start, most, turns=200) is None


def test_few_stops_fit_exactly_where_some_order_of_them_does():
    from itertools import permutations

    from season_instances import TODAY, make_fleet

    from tripplan.forecast import forecast_fleet
    from tripplan.plan.loops import FAR
    from tripplan.plan.squeeze_stops import in_time

    fleet = make_fleet(1, 40, 8)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
    plain = Squeeze(season, build_windows(season, 0).rows, (), lambda _: ())._plain
    rng = np.random.default_rng(5)
    work = np.zeros((514, 65), np.int64)
    sizes = np.bincount(plain.sites[:, 0], minlength=len(season.park_places))

    def some_order(i, stops):
        move = plain.move[plain.days[i, 1]]
        for order in permutations(stops):
            now, here = int(plain.days[i, 2]), len(move) - 1
            for park, sites in order:
                dawn, dusk, close, table = (int(value) for value in plain.stops[i, park])
                long, over, latest = (int(value) for value in plain.loops[table + sites])
                begin = max(now + int(move[here, park]), dawn)
                now, here = max(begin + long, over), park
                if long >= FAR or begin > latest or now > dusk:
                    break
            else:
                if now <= close:
                    return True
        return False

    said = []
    for _ in range(400):
        i = int(rng.integers(len(season.days)))
        parks = [q for q in range(len(sizes)) if plain.stops[i, q, 3] >= 0]
        m = int(rng.integers(2, 6))
        if len(parks) < m:
            continue
        stops = [(int(q), int(rng.integers(1, 1 << sizes[q]))) for q in rng.choice(parks, m, replace=False)]
        for k, (q, sites) in enumerate(stops):
            work[0, k], work[1, k] = q, sites
        said.append(some_order(i, stops))
        assert bool(in_time(plain, i, m, work)) == said[-1], f"date {i}, stops {stops}"
    assert 50 <= sum(said) <= len(said) - 50
