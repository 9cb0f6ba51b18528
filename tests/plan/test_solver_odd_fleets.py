"""Odd fleets: the bound stays below what enumeration finds, no crash, no plan that the checker refuses."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import pytest
from typed_seasons import (
    ON,
    SATURDAYS,
)
from typed_seasons import lasting as _lasting
from typed_seasons import make_fleet as _fleet
from typed_seasons import make_outlook as _outlook
from typed_seasons import make_site as _site
from typed_seasons import plan_checked as _plan

from tripplan.fleet import (
    AccessRule,
    DateSpan,
    DriveSettings,
    Job,
    Leg,
)
from tripplan.forecast.at_home import forecast_at_home, is_to_be_set_out
from tripplan.plan import check_plan, plan_season, solve
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.document import Status, VisitKind
from tripplan.plan.master import Master
from tripplan.plan.trips import TripBook
from tripplan.travel import measure_travel

_BY_WAY_OF_B = (
    Leg("N", "C", 200.0, 100.0, 2),
    Leg("N", "B", 20.0, 10.0, 3),
    Leg("B", "C", 20.0, 10.0, 4),
    Leg("N", "D", 100.0, 50.0, 5),
    Leg("D", "C", 400.0, 50.0, 6),
    Leg("B", "D", 300.0, 50.0, 7),
)


@pytest.mark.parametrize(
    ("due_of_b", "weeks", "renewed"),
    [
        (300, 4, lambda _, put_in: put_in + 400),
        (30, 6, lambda name, put_in: put_in + 200 if name != "B" else 30 if put_in < 12 else 300),
    ],
)
def test_given_legs_that_make_a_needless_visit_pay_never_lift_the_bound(due_of_b, weeks, renewed):
    """B is nobody's business that week, but on the way by B a trip reaches both C and D."""
    from brute_force import solve_by_force

    sites = (_site("C", 0.2), _site("D", -0.2), _site("B", 0.1))
    fleet = _fleet(sites, legs=_BY_WAY_OF_B, weeks=weeks)
    outlook = _outlook(fleet, {"C": 10, "D": 10, "B": due_of_b}, renewed)
    plan, travel = _plan(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert best.late_sites == plan.late_sites == 0
    assert plan.lower_bound <= best.trips
    assert plan.status is not Status.PROVED or plan.trip_count == best.trips


@pytest.mark.parametrize("walk_m", [6000.0, 12000.0, 15000.0])
def test_a_given_walk_longer_than_the_way_by_a_neighbour_never_lifts_the_bound(walk_m):
    from brute_force import solve_by_force

    far = _site("A", 0.13, park_lon=0.1, walk_m=walk_m)
    near = _site("B", 0.129, park_lon=0.1, walk_m=500.0)
    legs = (Leg("N", "A", 20.0, 10.0, 2), Leg("N", "D", 85.0, 40.0, 3), Leg("A", "D", 105.0, 50.0, 4))
    fleet = _fleet((far, near, _site("D", -0.2)), legs=legs)
    outlook = _outlook(fleet, {"A": 10, "B": 300, "D": 10}, _lasting(400))
    plan, travel = _plan(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert plan.late_sites == best.late_sites == 0
    assert plan.lower_bound <= best.trips


def test_a_site_that_needless_visits_make_reachable_is_not_called_impossible():
    from brute_force import solve_by_force

    legs = (
        Leg("N", "C", 400.0, 100.0, 2),
        Leg("N", "B", 20.0, 10.0, 3),
        Leg("B", "C", 20.0, 10.0, 4),
        Leg("C", "E", 20.0, 5.0, 5),
        Leg("N", "E", 20.0, 5.0, 6),
        Leg("B", "E", 5.0, 5.0, 7),
    )
    fleet = _fleet((_site("C", 0.2), _site("B", 0.1), _site("E", 0.11)), legs=legs)
    outlook = _outlook(fleet, {"C": 10, "B": 300, "E": 300}, _lasting(400))
    plan, travel = _plan(fleet, outlook)
    assert solve_by_force(fleet, outlook, travel).late_sites == 0
    assert not any(one.proved for one in plan.unserved)


def test_calls_that_may_do_without_a_swap_take_no_pack_in_the_bound():
    """A fresh pack would last just as long: the job may be done without a swap, so one pack aboard is enough."""
    from brute_force import solve_by_force

    jobs = tuple(Job(name, "clean", due_by=ON + timedelta(days=8), minutes=5.0) for name in ("E", "G"))
    crew = replace(SATURDAYS, packs_aboard=1, weekdays=frozenset({4, 5}))
    fleet = _fleet((_site("E", 0.1), _site("G", 0.11)), (crew,), weeks=6, jobs=jobs)
    outlook = _outlook(fleet, {"E": 20, "G": 20}, lambda _, put_in: 20 if put_in < 13 else put_in + 100)
    plan, travel = _plan(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert (plan.late_sites, best.late_sites) == (0, 0)
    assert plan.lower_bound <= best.trips


@pytest.mark.parametrize("life", [16, 20, 24, 30])
def test_a_job_that_fits_no_day_leaves_its_site_unserved(life):
    jobs = (Job("A", "rebuild the mast", minutes=560.0),)
    fleet = _fleet((_site("A", 0.1),), weeks=5, fallback=1, jobs=jobs)
    plan, _ = _plan(fleet, _outlook(fleet, {"A": 8}, _lasting(life)))
    assert (plan.trip_count, plan.late_sites, plan.late_days) == (0, 1, 35 - 8)


@pytest.mark.parametrize("lat", [65.5, 65.7, 65.9, 66.5])
def test_the_reserve_holds_where_the_sun_sets_after_midnight(lat):
    crew = replace(
        SATURDAYS, base_lat=lat, base_lon=25.0, day_start_minute=1080, day_end_minute=1440, carry_kg=6.0
    )
    fleet = _fleet((_site("A", 25.1, lat), _site("B", 25.1, lat, walk_m=300.0)), (crew,), weeks=2)
    fleet = replace(
        fleet, timezone="Europe/Helsinki", plan=replace(fleet.plan, reserve_minutes=300.0, fallback_dates=0)
    )
    on = date(2027, 6, 14)
    _plan(fleet, _outlook(fleet, {"A": 8, "B": 9}, _lasting(200), on))


_FOUR = tuple(_site(f"S{k}", 0.1, lat=0.0, park_lat=0.0, walk_m=200.0 * k) for k in range(4))
_WEAK = replace(SATURDAYS, name="W", carry_kg=1.0, people=("Ada",))


@pytest.mark.parametrize(
    ("fleet", "due", "renewed"),
    [
        pytest.param(_fleet(_FOUR[:1]), 9, _lasting(200), id="one site"),
        pytest.param(_fleet(_FOUR), 99, _lasting(200), id="none due"),
        pytest.param(
            _fleet(_FOUR, (replace(SATURDAYS, away=(DateSpan(ON, ON + timedelta(days=90)),)),)),
            9,
            _lasting(200),
            id="no dates",
        ),
        pytest.param(_fleet(_FOUR), -30, _lasting(200), id="dark for a month"),
        pytest.param(_fleet(_FOUR), -30, _lasting(3), id="lives shorter than the gaps"),
        pytest.param(_fleet(_FOUR), 5, _lasting(0), id="packs that last a day"),
        pytest.param(
            _fleet(
                tuple(replace(site, work_minutes=0.0, walk_m=0.0) for site in _FOUR),
                drive=DriveSettings(park_minutes=0.0),
            ),
            9,
            _lasting(200),
            id="no work, no walk, no parking",
        ),
        pytest.param(
            _fleet(
                tuple(replace(site, work_minutes=0.0, walk_m=0.0, park_lon=0.0) for site in _FOUR),
                drive=DriveSettings(park_minutes=0.0),
            ),
            9,
            _lasting(200),
            id="a trip of no time at all",
        ),
        pytest.param(
            _fleet(_FOUR, (replace(SATURDAYS, packs_aboard=1),)), 20, _lasting(200), id="one aboard"
        ),
        pytest.param(_fleet(_FOUR, (_WEAK,)), 9, _lasting(200), id="packs too heavy"),
        pytest.param(
            _fleet(_FOUR, (_WEAK, replace(SATURDAYS, people=(" ada",)))),
            9,
            _lasting(200),
            id="weak and strong share a person",
        ),
        pytest.param(_fleet(_FOUR, weeks=1), 3, _lasting(200), id="one week"),
        pytest.param(
            _fleet(_FOUR, jobs=(Job("S0", "x", due_by=ON - timedelta(days=5), minutes=5.0),)),
            9,
            _lasting(200),
            id="a job due before the season",
        ),
        pytest.param(
            _fleet(
                tuple(
                    replace(site, active_to=ON + timedelta(days=d))
                    for site, d in zip(_FOUR, (0, 8, 9, 300), strict=True)
                )
            ),
            9,
            _lasting(5),
            id="sites taken in during the season",
        ),
        pytest.param(
            _fleet(
                (replace(_FOUR[0], access="never"), *_FOUR[1:]),
                access={"never": (AccessRule("never", is_open=False),)},
            ),
            9,
            _lasting(200),
            id="one never open",
        ),
        pytest.param(_fleet(_FOUR, legs=(Leg("N", "S0", 1e9, 1.0, 2),)), 9, _lasting(200), id="endless leg"),
        pytest.param(
            _fleet(_FOUR, legs=(Leg("N", "S0", 0.0, 0.0, 2),)), 9, _lasting(200), id="leg of no time"
        ),
    ],
)
def test_odd_fleets_are_planned_as_enumeration_does(fleet, due, renewed):
    from brute_force import solve_by_force, stage_values

    outlook = _outlook(fleet, {site.site_id: due for site in fleet.sites}, renewed)
    plan, travel = _plan(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert stage_values(plan, fleet)[:3] == best[:3]
    assert plan.lower_bound <= best.trips


@pytest.mark.parametrize("fallback", [0, 1, 2, 3])
def test_more_fallback_dates_never_need_fewer_trips_and_all_are_kept(fallback):
    fleet = _fleet(_FOUR, weeks=8, fallback=fallback)
    outlook = _outlook(fleet, {f"S{k}": 28 + k for k in range(4)}, _lasting(30))
    plan, _ = _plan(fleet, outlook)
    assert plan.status is Status.PROVED
    assert plan.trip_count == {0: 2, 1: 2, 2: 3, 3: 5}[fallback]


@pytest.mark.parametrize("count", [13, 16, pytest.param(20, marks=pytest.mark.slow)])
def test_more_sites_at_one_parking_than_are_enumerated(count):
    fleet = _fleet(
        tuple(_site(f"S{k}", 0.1, park_lat=0.0, walk_m=100.0 * (k % 5)) for k in range(count)),
        (replace(SATURDAYS, packs_aboard=30),),
        weeks=6,
    )
    plan, _ = _plan(fleet, _outlook(fleet, {f"S{k}": 20 for k in range(count)}, _lasting(100)))
    assert plan.late_sites == 0
    assert 1 <= plan.lower_bound <= plan.trip_count


@pytest.mark.parametrize(
    ("in_service", "at_home", "days"), [(10, False, 15), (15, False, 15), (16, True, 15)]
)
def test_a_site_in_service_later_keeps_a_pack_that_lasts_and_else_is_set_out(in_service, at_home, days):
    """Its pack is to be swapped by day 15, and Saturdays are days 1, 8, 15, 22: only day 15 serves it."""
    site = _site("2", 0.1, active_from=ON + timedelta(days=in_service))
    fleet = _fleet([_site("1", 0.2), site])
    outlook = _outlook(fleet, {"1": 1, "2": 15}, lambda _name, put_in: put_in + 60)
    assert is_to_be_set_out(site, outlook.sites["2"].swap_by, ON) is at_home
    outlook = _at_home(outlook, site) if at_home else outlook
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=ON, seed=1)
    assert check_plan(fleet, outlook, travel, plan) == ()
    assert plan.status is Status.PROVED
    found = {v.site_id: ((trip.date - ON).days, v.kind) for trip in plan.trips for v in trip.visits}
    kind = VisitKind.SET_OUT if at_home else VisitKind.SWAP
    assert found == {"1": (1, VisitKind.SWAP), "2": (days, kind)}


def _at_home(outlook, *sites):
    """Return the forecast with the devices of some sites at home."""
    said, dark = dict(outlook.sites), dict(outlook.dark_chance_in_place)
    for site in sites:
        found = forecast_at_home(site, outlook.risk, outlook.on, outlook.to)
        said[site.site_id], dark[site.site_id] = found
    return replace(outlook, sites=said, dark_chance_in_place=dark)


def _moves(plan):
    return [((trip.date - ON).days, v.site_id, str(v.kind)) for trip in plan.trips for v in trip.visits]


def test_devices_ride_along_on_trips_that_run_anyway_within_their_days():
    """Saturdays are days 1, 8, 15, ...: 1 is swapped on 15 at the latest; 2 may be set out from 8 on."""
    out = _site("2", 0.1, active_from=ON + timedelta(days=20))
    fetched = _site("3", 0.15, active_to=ON + timedelta(days=10))
    fleet = _fleet([_site("1", 0.2), out, fetched], weeks=6)
    outlook = _at_home(_outlook(fleet, {"1": 15, "2": 0, "3": 11}, _lasting(200)), out)
    plan, _ = _plan(fleet, outlook)
    assert plan.status is Status.PROVED
    assert plan.trip_count == 1
    assert sorted(_moves(plan)) == [(15, "1", "swap"), (15, "2", "set out"), (15, "3", "take in")]
    assert plan.trips[0].packs == {"P": 2}


@pytest.mark.parametrize(("ahead", "after", "trips"), [(14, 14, 1), (2, 14, 2), (14, 2, 2)])
def test_the_days_ahead_and_after_are_kept(ahead, after, trips):
    """A swap by day 15, set out by day 24, in service until day 7: 15 serves all, else each has its own."""
    out = _site("2", 0.1, active_from=ON + timedelta(days=24))
    fetched = _site("3", 0.15, active_to=ON + timedelta(days=7))
    fleet = _fleet([_site("1", 0.2), out, fetched], weeks=6)
    fleet = replace(fleet, plan=replace(fleet.plan, set_out_days=ahead, take_in_days=after))
    outlook = _at_home(_outlook(fleet, {"1": 15, "2": 0, "3": 8}, _lasting(200)), out)
    plan, _ = _plan(fleet, outlook)
    assert plan.late_sites == 0
    assert plan.trip_count == trips
    for day, site_id, kind in _moves(plan):
        if kind == "set out":
            assert site_id == "2"
            assert 24 - ahead <= day <= 24
        if kind == "take in":
            assert site_id == "3"
            assert 7 <= day <= 7 + after


def test_a_device_is_swapped_between_setting_out_and_taking_in_as_its_packs_need():
    """Packs last ten days: set out by day 10 at the latest, and a swap at least every ten days up to day 30."""
    site = _site("1", 0.1, active_from=ON + timedelta(days=10), active_to=ON + timedelta(days=30))
    fleet = _fleet([site], weeks=8)
    outlook = _at_home(_outlook(fleet, {"1": 0}, _lasting(10)), site)
    plan, _ = _plan(fleet, outlook)
    assert _moves(plan) == [(8, "1", "set out"), (15, "1", "swap"), (22, "1", "swap"), (36, "1", "take in")]
    assert plan.status is Status.PROVED


def test_a_device_out_after_its_last_day_is_fetched_on_the_first_date_and_named_late():
    site = _site("1", 0.1, active_to=ON - timedelta(days=30))
    fleet = _fleet([site])
    plan, _ = _plan(fleet, _outlook(fleet, {"1": -20}, _lasting(100)))
    assert _moves(plan) == [(1, "1", "take in")]
    (late,) = plan.unserved
    assert late.late_days == 17
    assert late.reason.startswith("it was to be taken in by ")
    assert any("record it as removed" in note for note in plan.notes)


def test_a_device_to_be_set_out_before_today_goes_out_on_the_first_date():
    site = _site("1", 0.1, active_from=ON - timedelta(days=3))
    fleet = _fleet([site])
    plan, _ = _plan(fleet, _at_home(_outlook(fleet, {"1": 0}, _lasting(100)), site))
    assert _moves(plan) == [(1, "1", "set out")]
    assert [(late.late_days, late.reason) for late in plan.unserved] == [
        (4, "it was to be set out by Tue 2 Mar 2027 (active_from), before the season began")
    ]
    assert plan.expected_dark_days >= 1.0  # it should run and does not


@pytest.mark.parametrize(
    ("better_from", "last", "moves"),
    [
        (15, 90, [(15, "1", "set out")]),
        (99, 90, []),
        (99, 12, []),
        (8, 12, [(8, "1", "set out"), (15, "1", "take in")]),
    ],
)
def test_a_device_is_not_set_out_with_a_pack_that_is_due_before_it_is_to_run(better_from, last, moves):
    """Packs put in before some day are due on day 2, even when put in later; the device is to run from day 3 on."""
    site = _site("1", 0.1, active_from=ON + timedelta(days=3), active_to=ON + timedelta(days=last))
    fleet = _fleet([site])
    lives = _outlook(fleet, {"1": 0}, lambda _, put_in: 2 if put_in < better_from else 100)
    plan, _ = _plan(fleet, _at_home(lives, site))
    assert _moves(plan) == moves
    (late,) = plan.unserved
    assert late.proved
    assert "would be due by Sun 7 Mar 2027, before the device is to run (Mon 8 Mar 2027)" in late.reason


def test_a_heavy_device_needs_a_loop_of_its_own():
    """Two packs of 3 kg go on one loop of 7 kg; with a camera of 2 kg they do not."""
    begin = ON + timedelta(days=8)
    sites = [
        _site("1", 0.1, park_lat=0.0, walk_m=100.0, active_from=begin, device_kg=kg) for kg in (0.0, 2.0)
    ]
    for site, loops in zip(sites, (1, 2), strict=True):
        fleet = _fleet(
            [site, _site("2", 0.1, park_lat=0.0, walk_m=100.0)], (replace(SATURDAYS, carry_kg=7.0),)
        )
        plan, _ = _plan(fleet, _at_home(_outlook(fleet, {"1": 0, "2": 8}, _lasting(100)), site))
        assert [len(stop.loops) for trip in plan.trips for stop in trip.stops] == [loops]
        assert sum(loop.carried_kg for loop in plan.trips[0].stops[0].loops) == 6.0 + site.device_kg


def test_a_pack_that_was_taken_in_goes_out_again_where_the_shelf_is_bare():
    """One pack is taken in on day 1 and set out elsewhere on day 8, though the shelf holds none."""
    fetched = _site("1", 0.1, active_to=ON + timedelta(days=1))
    out = _site("2", 0.1, active_from=ON + timedelta(days=9))
    fleet = _fleet([fetched, out])
    types = {name: replace(kind, shelf_charged=0) for name, kind in fleet.pack_types.items()}
    fleet = replace(fleet, pack_types=types, plan=replace(fleet.plan, fallback_dates=0))
    outlook = _at_home(_outlook(fleet, {"1": 60, "2": 0}, _lasting(100)), out)
    plan, _ = _plan(fleet, outlook)
    assert _moves(plan) == [(1, "1", "take in"), (8, "2", "set out")]
    later = replace(fetched, active_to=ON + timedelta(days=9))
    bare = replace(fleet, sites=(later, out))
    plan, _ = _plan(bare, outlook)
    assert [late.site_id for late in plan.unserved] == ["2"]


def test_a_date_with_more_stops_than_are_searched_exactly_is_one_trip():
    """Twenty stops that one crew makes in a day were two trips when a trip held 16."""
    rng = random.Random(1)
    sites = [
        _site(f"S{k:02d}", rng.uniform(-0.08, 0.08), rng.uniform(-0.08, 0.08), work_minutes=5.0)
        for k in range(20)
    ]
    fleet = _fleet(sites, crews=(replace(SATURDAYS, packs_aboard=30),), weeks=2)
    outlook = _outlook(fleet, {site.site_id: 10 for site in sites}, _lasting(100))
    plan, travel = _plan(fleet, outlook)  # the checker passes it
    assert (plan.status, plan.lower_bound, len(plan.trips)) == (Status.PROVED, 1, 1)
    season = build_season(fleet, outlook, travel)
    book = TripBook(season)
    quick, settled = book.best(0, range(20)), book.settled(0, range(20))
    assert settled.seconds <= quick.seconds
    assert settled.seconds == pytest.approx((plan.trips[0].back - plan.trips[0].leave).total_seconds(), abs=1)
    assert settled == book.settled(0, range(20))
    short = book.best(0, range(16))
    assert book.settled(0, range(16)) == short  # exact as it is


def test_little_time_is_not_spent_on_fallback_dates_that_cannot_be_had(monkeypatch):
    """Two sites, a trip each, due by the second Saturday: in time only without a fallback date of one of them."""
    limited = Clock(30.0)
    spent = []
    monkeypatch.setattr(Clock, "elapsed_s", property(lambda _: 30.0 * len(spent)))
    monkeypatch.setattr(solve, "Clock", lambda _: limited)
    generate = Master.generate

    def long(master, *args, **kwargs):
        spent.append(master)  # the first linear programme takes all the time
        generate(master, *args, **kwargs)

    monkeypatch.setattr(Master, "generate", long)
    crew = replace(SATURDAYS, packs_aboard=1)
    fleet = _fleet((_site("A", 0.1), _site("B", -0.1)), (crew,), fallback=1)
    plan, _ = _plan(fleet, _outlook(fleet, {"A": 10, "B": 10}, _lasting(400)))
    assert plan.late_sites == 0
    assert plan.trip_count == 2
