"""The lower bound: no multipliers may ever lift it above a plan that exists; pricing never prices too low."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain, combinations

import numpy as np
import pytest

from tripplan.plan import master as master_module
from tripplan.plan import narrow, plan_season, pricing, two_sided
from tripplan.plan.build import build_season
from tripplan.plan.charging import most_charged
from tripplan.plan.effort import Effort
from tripplan.plan.loops import FAR
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel

_BOUND_ONLY = replace(Effort().short(), pricing_rounds=24, branches=8)
"""Search briefly, and price as long as a whole run does."""


def _shelf_gives(season, index, visits):
    """Tell whether the shelf can hold the trip's packs: the most that could be charged, type by type."""
    fleet, day = season.fleet, season.days[index].day
    if not fleet.stock_is_kept:
        return True
    counts = {}
    for s in visits:
        if season.tasks[s].pays[day]:
            name = season.tasks[s].site.pack_type
            counts[name] = counts.get(name, 0) + 1
    return all(
        count <= most_charged(fleet, season.first, name, day, day, season.coming_in(name, day))
        for name, count in counts.items()
    )


def _subsets(sites):
    return chain.from_iterable(combinations(sites, n) for n in range(1, len(sites) + 1))


def _small_seasons(random_fleets, seeds):
    for seed in seeds:
        fleet, outlook = random_fleets.tiny_season(seed)
        season = build_season(fleet, outlook, measure_travel(fleet))
        if season.tasks:
            yield seed, season


@pytest.mark.parametrize("counts", ["all packs", "scarce types"])
def test_exact_pricing_is_never_below_the_best_real_trip(random_fleets, monkeypatch, counts):
    if counts == "scarce types":
        monkeypatch.setattr(pricing, "_FEW_PACKS", -1)  # as where a trip can take many packs
    checked = exact = 0
    for seed, season in _small_seasons(random_fleets, range(25)):
        rng = np.random.default_rng(seed)
        pricer, book = Pricer(season), TripBook(season)
        for index, day in enumerate(season.days):
            if not day.spans:
                continue
            for _ in range(3):
                prize = rng.uniform(-0.3, 1.0, len(season.tasks))
                real = max(
                    (
                        prize[list(v)].sum()
                        for v in _subsets(day.spans)
                        if book.fits(index, v) and _shelf_gives(season, index, v)
                    ),
                    default=0,
                )
                priced = pricer.price((index,), prize, 0.2, near_parks=int(rng.integers(1, 5)))
                assert priced.complete
                assert priced.best >= real - 1e-9, f"seed {seed}, {season.date_of(day.day)}: {real}"
                nearly = max(
                    0.05, real - 1e-6
                )  # where all but the best trips are cut off before they are grown
                best = pricer.price((index,), prize, nearly, near_parks=int(rng.integers(1, 5)))
                assert best.complete
                assert best.best >= real - 1e-9, f"seed {seed}, {season.date_of(day.day)}: {real}"
                narrow = pricer.price((index,), prize, 0.2, width=4)
                assert not narrow.complete, "a narrow search proves nothing"
                assert narrow.best <= max(0.2, real) + 1e-9, "a narrow search finds real trips only"
                checked += 1
                exact += abs(priced.best - max(0.2, real)) < 1e-9
    assert checked > 200
    assert exact > 0.6 * checked, f"pricing is loose: exact in {exact} of {checked}"


def test_of_many_packs_the_scarce_types_count(random_fleets, monkeypatch):
    """Counting none bounds from above as well, but not as near."""
    monkeypatch.setattr(pricing, "_FEW_PACKS", -1)
    nearer = priced = 0
    for seed, season in _small_seasons(random_fleets, range(25)):
        prize = np.random.default_rng(seed).uniform(0.2, 1.0, len(season.tasks))
        for index in range(len(season.days)):
            best = []
            for few in (-1, 4):
                monkeypatch.setattr(pricing, "_FEW_OF_TYPE", few)
                found = Pricer(season).price((index,), prize, 0.1)
                assert found.complete
                best.append(found.best)
            assert best[1] <= best[0] + 1e-9
            nearer += best[1] < best[0] - 1e-9
            priced += 1
    assert nearer >= 0.1 * priced, f"nearer on {nearer} of {priced}"


def _one_way(season, seed):
    """The same season where ways out are longer than ways back, or the other way round."""
    rng, n = np.random.default_rng(seed), len(season.park_places)
    longer = rng.uniform(1.0, 2.5, (n + 1, n + 1))
    ways = {}
    for crew, move in season.move_up.items():
        way = np.floor(np.minimum(move * np.where(np.eye(n + 1, dtype=bool), 1.0, longer), FAR))
        for via in range(n + 1):
            way = np.minimum(way, way[:, [via]] + way[[via]])
        ways[crew] = np.where(np.eye(n + 1, dtype=bool), move, way).astype(np.int32)
    return replace(season, move_up=ways, move_down=ways)


@pytest.mark.parametrize("one_way", [False, True], ids=["alike", "one way"])
@pytest.mark.parametrize("rate", [0.0, 1.0], ids=["prizes", "prizes less time"])
def test_no_limit_cuts_off_the_best_trip(random_fleets, rate, one_way):
    """What is asked for rises to the best real trip: bounds on what may still be collected cut ever more."""
    checked = exact = 0
    for seed in range(60):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=6)
        season = build_season(fleet, outlook, measure_travel(fleet))
        season = _one_way(season, seed) if one_way else season
        rng, pricer, book = np.random.default_rng(seed), Pricer(season), TripBook(season)
        for index in [i for i, day in enumerate(season.days) if day.spans][:6]:
            prize = rng.uniform(0.1, 1.0, len(season.tasks)) * (9000.0 if rate else 1.0)
            real = max(
                (
                    prize[list(v)].sum() - rate * shape.seconds
                    for v in _subsets(season.days[index].spans)
                    if (shape := book.best(index, v)) is not None and _shelf_gives(season, index, v)
                ),
                default=0.0,
            )
            found = []
            for share in (0.0, 0.5, 0.9, 0.99, 1 - 1e-6):
                near = int(rng.integers(1, len(season.park_places) + 1))
                priced = pricer.price((index,), prize, share * max(0.0, real), near_parks=near, rate=rate)
                assert priced.complete
                assert priced.best >= real - 1e-6, (seed, index, share)
                found.append(priced.best)
            checked += real > 0
            exact += real > 0 and min(found) <= real * 1.02 + 60 * rate
    assert checked >= 200
    assert exact >= 0.5 * checked  # the rest is rounding, waiting, and jobs that may be done before


def test_dates_priced_together_are_never_below_one_of_them(random_fleets):
    for _, season in _small_seasons(random_fleets, range(25)):
        book, pricer = TripBook(season), Pricer(season)
        prize = np.linspace(0.4, 0.9, len(season.tasks))
        for group in Master(season, (), (), book, pricer)._twin_days():
            together = pricer.price(tuple(group), prize, 0.1)
            assert together.complete
            for index in group:
                sites = season.days[index].spans
                real = [
                    prize[list(v)].sum()
                    for v in _subsets(sites)
                    if book.fits(index, v) and _shelf_gives(season, index, v)
                ]
                assert together.best >= max(real, default=0.0) - 1e-9


def test_pricing_that_is_cut_short_says_so(random_fleets, monkeypatch):
    monkeypatch.setattr(pricing, "_MAX_LABELS", 2)
    cut = 0
    for _, season in _small_seasons(random_fleets, range(12)):
        prize = np.ones(len(season.tasks))
        for index, day in enumerate(season.days):
            if len(day.spans) >= 3:
                sets = [v for v in _subsets(day.spans) if TripBook(season).fits(index, v)]
                if len(sets) > 3:
                    assert not Pricer(season).price((index,), prize, 0.5).complete
                    cut += 1
    assert cut > 3


def test_pricing_gives_up_at_the_work_that_it_is_told(random_fleets):
    cut = 0
    for _, season in _small_seasons(random_fleets, range(12)):
        prize = np.ones(len(season.tasks))
        for index, day in enumerate(season.days):
            if len(day.spans) >= 3:
                whole = Pricer(season).price((index,), prize, 0.5)
                short = Pricer(season).price((index,), prize, 0.5, max_work=1)
                assert whole.complete
                cut += not short.complete
                assert not short.complete or short.best == pytest.approx(whole.best)
    assert cut > 3


@pytest.mark.parametrize(
    ("seeds", "effort"),
    [(8, _BOUND_ONLY), pytest.param(40, Effort(), marks=pytest.mark.slow)],
    ids=["short", "full"],
)
@pytest.mark.parametrize("spoil", ["labels", "work"])
def test_no_bound_rests_on_pricing_that_is_cut_short(random_fleets, monkeypatch, spoil, seeds, effort):
    """With truncated pricing a bound may fall, and must not rise above the plan found with whole pricing."""
    for seed in range(seeds):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=6)
        travel = measure_travel(fleet)
        whole = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=effort)
        with monkeypatch.context() as patch:
            patch.setattr(pricing, "_MAX_LABELS" if spoil == "labels" else "_MAX_WORK", 5)
            cut = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=effort)
        if (cut.late_sites, cut.late_days) == (whole.late_sites, whole.late_days):
            assert cut.lower_bound <= min(whole.trip_count, cut.trip_count), f"seed {seed}"


def _bound_of_random_multipliers(season, rows, rng, rounds, forgiven=0):
    """Return the highest bound over random multipliers of windows and stock."""
    book, pricer = TripBook(season), Pricer(season)
    master = Master(season, rows, stock_rows(season), book, pricer, forgiven=forgiven)
    n_rows = master._n_rows
    for _ in range(rounds):
        duals = np.zeros(n_rows)
        duals[: len(rows)] = rng.uniform(0, rng.choice((0.5, 1.0, 2.0)), len(rows))
        duals[: len(rows)] *= rng.random(len(rows)) < 0.7
        duals[len(rows) :] = -rng.uniform(0, 0.4, n_rows - len(rows)) * (rng.random(n_rows - len(rows)) < 0.3)
        master.improve_bound(duals, add=False)
    master.generate(10, go_on=lambda: True, report=lambda: None)
    return master.bound


def test_no_multipliers_lift_the_bound_above_the_best_plan(random_fleets, best_of_tiny):
    from brute_force import TooLargeError

    checked = tight = 0
    for seed in range(60):
        fleet, outlook = random_fleets.tiny_season(seed)
        travel = measure_travel(fleet)
        try:
            best = best_of_tiny(seed)
        except TooLargeError:
            continue
        if best.late_sites or not best.trips:
            continue
        season = build_season(fleet, outlook, travel)
        windows = build_windows(season, fleet.plan.fallback_dates)
        assert not windows.sure_late, f"tiny {seed}: called late, but a plan is in time"
        bound = _bound_of_random_multipliers(season, windows.rows, np.random.default_rng(seed), 30)
        assert bound <= best.trips + 1e-6, f"WRONG BOUND, tiny {seed}: {bound} above {best.trips} trips"
        checked += 1
        tight += np.ceil(bound - 1e-5) == best.trips
        if checked == 12:
            break
    assert checked == 12
    assert tight >= 0.8 * checked, f"the bound meets {tight} of {checked} seasons"


def test_devices_set_out_and_taken_in_lift_no_bound_above_the_best_plan(random_fleets, best_of_tiny):
    """Setting out and taking in are windows as any: no multipliers may lift the bound above a plan that exists."""
    from brute_force import TooLargeError

    checked = tight = moved = 0
    for seed in range(120):
        fleet, outlook = random_fleets.with_devices(*random_fleets.tiny_season(seed), seed)
        travel = measure_travel(fleet)
        try:
            best = best_of_tiny(seed, devices=True)
        except TooLargeError:
            continue
        if best.late_sites or not best.trips:
            continue
        season = build_season(fleet, outlook, travel)
        windows = build_windows(season, fleet.plan.fallback_dates)
        assert not windows.sure_late, f"tiny {seed}: called late, but a plan is in time"
        bound = _bound_of_random_multipliers(season, windows.rows, np.random.default_rng(seed), 30)
        assert bound <= best.trips + 1e-6, f"WRONG BOUND, tiny {seed}: {bound} above {best.trips} trips"
        checked += 1
        tight += np.ceil(bound - 1e-5) == best.trips
        moved += sum(task.at_home or task.take_by < FAR for task in season.tasks)
        if checked == 12:
            break
    assert checked == 12
    assert moved >= 12
    assert tight >= 0.8 * checked, f"the bound meets {tight} of {checked} seasons"


@pytest.mark.parametrize("most", [14, pytest.param(60, marks=pytest.mark.slow)])
def test_where_sites_are_late_no_multipliers_lift_the_bound_above_the_best_plan(
    random_fleets, best_of_tiny, most
):
    """The bound of plans that serve the sites equally well: any so many sites may be late."""
    from brute_force import TooLargeError

    checked = above_one = some_choice = 0
    for seed in range(400):
        fleet, outlook = random_fleets.tiny_season(seed)
        travel = measure_travel(fleet)
        try:
            best = best_of_tiny(seed)
        except TooLargeError:
            continue
        if not best.late_sites or not best.trips:
            continue
        season = build_season(fleet, outlook, travel)
        windows = build_windows(season, 0)
        rows = tuple(row for row in windows.rows if row.site not in windows.sure_late)
        forgiven = best.late_sites - len(windows.sure_late)
        assert forgiven >= 0, f"tiny {seed}: called late, but a plan is in time there"
        bound = _bound_of_random_multipliers(season, rows, np.random.default_rng(seed), 15, forgiven)
        assert bound <= best.trips + 1e-6, f"WRONG BOUND, tiny {seed}: {bound} above {best.trips} trips"
        checked += 1
        some_choice += forgiven > 0
        above_one += bound > 1 + 1e-6
        if checked == most:
            break
    assert checked == most
    assert above_one >= 1
    assert some_choice >= 1


def test_a_master_may_leave_out_rows_until_they_are_broken(random_fleets):
    """What comes out fills every window and keeps to the shelf, though only some rows were brought in."""
    lazy = 0
    for seed in range(6):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=6)
        season = build_season(fleet, outlook, measure_travel(fleet))
        rows = build_windows(season, 0).rows
        master = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
        master.generate(6, go_on=lambda: True, report=lambda: None)
        master.solve()
        counted = master.book_of_rows
        columns = np.arange(len(master.columns))
        for row in range(counted.n_rows):
            used = float(
                counted.weights(row, master._index[columns], master._counts[columns]) @ master.weights
            )
            least, most = counted.sense(row)
            assert most is None or used <= most + 1e-6
            assert least is None or used + master.missed >= least - 1e-6
        lazy += len(master._lp_row) < counted.n_rows
    assert lazy


def test_relaxed_trips_may_repeat_a_site_and_so_only_bound(random_fleets):
    """A trip that counts a site twice is no plan; it may stand in the linear programme all the same."""
    fleet, outlook = random_fleets.random_fleet(0, n_sites=6)
    season = build_season(fleet, outlook, measure_travel(fleet))
    rows = build_windows(season, 0).rows
    master = Master(season, rows, (), TripBook(season), Pricer(season))
    master.generate(6, go_on=lambda: True, report=lambda: None)
    for column in master.columns:
        if column.usable:
            assert len(set(column.visits)) == len(column.visits)
            assert master.book.fits(column.index, column.visits)


@pytest.mark.parametrize("many", [True, False])
def test_in_large_seasons_a_trip_that_repeats_a_site_stands_beside_the_one_that_does_not(
    random_fleets, monkeypatch, many
):
    """Taken for the same, it was never added, and the bound stood still below the linear value."""
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", 1 if many else 10**6)
    _, season = next(_small_seasons(random_fleets, range(3)))
    rows = build_windows(season, 0).rows
    master = Master(season, rows, (), TripBook(season), Pricer(season))
    index, (a, b) = next((i, sorted(d.spans)[:2]) for i, d in enumerate(season.days) if len(d.spans) > 1)
    assert master.add(index, (a, b), usable=True)
    assert master.add(index, (a, a, b), usable=False) == many
    assert not master.add(index, (a, b, a), usable=False)
    assert not master.add(index, (b, a), usable=True)
    assert [c.visits for c in master.columns] == [(a, b), *[(a, a, b)] * many]


def test_the_kernel_leaves_its_inputs_alone(random_fleets, monkeypatch):
    fleet, outlook = random_fleets.random_fleet(1, n_sites=6)
    season = build_season(fleet, outlook, measure_travel(fleet))
    real = two_sided.best_trips

    def watched(*args):
        before = [np.copy(a) for a in args if isinstance(a, np.ndarray)]
        result = real(*args)
        after = [a for a in args if isinstance(a, np.ndarray)]
        assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))
        return result

    monkeypatch.setattr(pricing, "best_trips", watched)
    for index in range(len(season.days)):
        Pricer(season).price((index,), np.ones(len(season.tasks)), 0.5)


def test_trips_left_out_of_the_linear_programme_come_back(random_fleets, monkeypatch):
    monkeypatch.setattr(narrow, "_MANY_WINDOWS", 0)
    left_out = 0
    for _, season in _small_seasons(random_fleets, range(100)):
        windows, stock, values = build_windows(season, 1, frozenset()).bound_rows, stock_rows(season), []
        for few in (10**9, 0):
            monkeypatch.setattr(master_module, "_NEAR_COST", 1e-3)
            book, pricer = TripBook(season), Pricer(season)
            master = Master(season, windows, stock, book, pricer, few_trips=few, idle_turns=1)
            master.generate(60, go_on=lambda: True, report=lambda: None)
            values.append(master.value)
            left_out += int((master._idle > 0).sum()) if few == 0 else 0
        assert values[1] == pytest.approx(values[0], abs=0.02)
    assert left_out > 5
