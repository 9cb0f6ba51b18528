"""What the records teach, and what they must not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from tripplan.fleet import Cause, Climate, Done, Fleet, Found, Pack, PackType, Reading, Site, VisitRecord
from tripplan.forecast import Basis, forecast_fleet
from tripplan.forecast.backtest import back_test
from tripplan.forecast.history import read_history

ON = date(2026, 11, 25)
MILD = Climate((12.0,) * 12, (3.0,) * 12)
TYPES = {"SLA": PackType("SLA", 12.0, "p", usual_months=5.0)}


def make_site(site_id, **values):
    base = Site(site_id, 50.0, 10.0, "SLA", 12.0, "p", 50.0, 10.0, draw_mah_per_day=35.0, row=2)
    return replace(base, **values)


def swaps(site_id, lives, *, dark=(), end=ON - timedelta(days=20), **values):
    """Visits that end runs of these lives, the last one on `end`; the first visit begins the first run."""
    days = [end]
    for life in reversed(lives):
        days.append(days[-1] - timedelta(days=life))
    days.reverse()
    visits = [VisitRecord(days[0], site_id, done=Done.SWAPPED, row=1)]
    for place, day in enumerate(days[1:]):
        is_dark = place in dark
        visits.append(
            VisitRecord(
                day, site_id, found=Found.DARK if is_dark else Found.RUNNING,
                cause=Cause.FLAT if is_dark else None, done=Done.SWAPPED, row=place + 2, **values,
            )
        )  # fmt: skip
    return visits


def make_fleet(sites, visits=(), readings=(), packs=None, climate=MILD):
    visits = tuple(replace(visit, row=row) for row, visit in enumerate(visits, 2))
    return Fleet(
        "test", "UTC", (), tuple(sites), TYPES, climate=climate, visits=visits, readings=tuple(readings),
        packs=packs,
    )  # fmt: skip


def likely_life(fleet, site_id="A"):
    renewal = forecast_fleet(fleet, ON, 2).renewals[site_id]
    return int(renewal.flat_likely[0]) - ON.toordinal()


def test_runs_begin_and_end_at_swaps():
    visits = swaps("A", [150, 160], dark=(1,))
    history = read_history(make_fleet([make_site("A")], visits), ON).sites["A"]
    assert [(run.end - run.start).days for run in history.past] == [150, 160]
    assert [run.dark_by is not None for run in history.past] == [False, True]
    assert history.now.start == ON - timedelta(days=20)


def test_short_lives_shorten_and_long_ones_lengthen():
    base = likely_life(make_fleet([make_site("A", swapped_on=ON)]))
    short = likely_life(make_fleet([make_site("A")], swaps("A", [90, 90, 90], dark=(0, 1, 2))))
    long = likely_life(make_fleet([make_site("A")], swaps("A", [260, 260])))
    assert short < 0.8 * base < base < long


def test_a_swap_is_not_taken_for_an_empty_pack():
    site = make_site("A")
    dark = likely_life(make_fleet([site], swaps("A", [90, 90, 90], dark=(0, 1, 2))))
    swapped = likely_life(make_fleet([site], swaps("A", [90, 90, 90])))
    base = likely_life(make_fleet([make_site("A", swapped_on=ON)]))
    assert dark < swapped
    # alive after 90 of some 150 days, three times: little news, and good
    assert base <= swapped < 1.2 * base


def test_low_rested_volts_shorten_and_high_ones_lengthen():
    low = likely_life(make_fleet([make_site("A")], swaps("A", [90, 90, 90], volts_out=11.95)))
    high = likely_life(make_fleet([make_site("A")], swaps("A", [90, 90, 90], volts_out=12.55)))
    assert low < 0.85 * high


@pytest.mark.parametrize(
    "cause", [Cause.CORD, Cause.PLUG, Cause.FUSE, Cause.WATER, Cause.THEFT, Cause.DEVICE]
)
def test_other_faults_never_count_as_a_flat_pack(cause):
    visits = [
        replace(visit, cause=cause) if visit.cause is Cause.FLAT else visit
        for visit in swaps("A", [60, 60, 60], dark=(0, 1, 2))
    ]
    base = likely_life(make_fleet([make_site("A", swapped_on=ON)]))
    assert likely_life(make_fleet([make_site("A")], visits)) == pytest.approx(base, rel=0.03)


def test_a_dark_site_with_a_pack_above_half_charge_is_no_flat_pack():
    visits = swaps("A", [60, 60], dark=(0, 1), volts_out=12.6)
    fleet = make_fleet([make_site("A")], visits)
    outlook = forecast_fleet(fleet, ON, 2)
    assert all(run.dark_by is None for run in read_history(fleet, ON).sites["A"].past)
    assert outlook.notes[0] == (
        "visits.csv, row 3, site A: found dark and flat, but 12.6 V is above half charge; left out of the learning"
    )


def test_a_report_after_the_dark_visit_is_a_contradiction_that_is_named():
    since = ON - timedelta(days=100)
    visit = VisitRecord(ON - timedelta(days=40), "A", found=Found.DARK, cause=Cause.FLAT, done=Done.LEFT)
    end = VisitRecord(ON - timedelta(days=10), "A", done=Done.SWAPPED)
    reading = Reading(datetime(2026, 11, 5, tzinfo=UTC), "A")
    fleet = make_fleet([make_site("A", swapped_on=since)], [visit, end], [reading])
    assert "but it reported on 2026-11-05; left out" in forecast_fleet(fleet, ON, 2).notes[0]


def test_regular_reports_date_the_darkness():
    start = ON - timedelta(days=130)
    readings = [
        Reading(datetime.combine(start + timedelta(days=k), datetime.min.time(), UTC), "A")
        for k in range(0, 100, 5)
    ]
    end = VisitRecord(ON - timedelta(days=5), "A", found=Found.DARK, cause=Cause.FLAT, done=Done.SWAPPED)
    fleet = make_fleet([make_site("A", swapped_on=start)], [end], readings)
    run = read_history(fleet, ON).sites["A"].past[0]
    assert run.alive_on == start + timedelta(days=95)
    assert run.dark_by == start + timedelta(days=95 + 15)


def test_a_percent_is_never_a_charge():
    readings = [Reading(datetime(2026, 11, 20, tzinfo=UTC), "A", percent=3.0)]
    with_percent = make_fleet([make_site("A", swapped_on=ON - timedelta(days=60))], (), readings)
    bare = make_fleet(
        [make_site("A", swapped_on=ON - timedelta(days=60))], (), [replace(readings[0], percent=None)]
    )
    assert (
        forecast_fleet(with_percent, ON, 2).sites["A"].flat_likely
        == forecast_fleet(bare, ON, 2).sites["A"].flat_likely
    )


def test_a_change_starts_the_learning_afresh():
    visits = swaps("A", [60, 60, 60], dark=(0, 1, 2))
    changed = [*visits[:-1], replace(visits[-1], notes="Changed: camera moved to the ridge")]
    fleet = make_fleet([make_site("A")], changed)
    history = read_history(fleet, ON).sites["A"]
    assert history.past == ()
    assert history.before_change == 3
    assert forecast_fleet(fleet, ON, 2).sites["A"].basis is Basis.MODEL


def test_a_new_site_starts_at_the_fleet_and_an_old_one_speaks_for_itself():
    visits, sites = [], []
    for k in range(8):
        sites.append(make_site(f"B{k}"))
        visits += swaps(f"B{k}", [95 + 4 * k, 100 + 3 * k, 98], dark=(0, 1, 2))
    sites += [make_site("new", swapped_on=ON - timedelta(days=5)), make_site("long")]
    visits += swaps("long", [190, 195, 200, 185])
    outlook = forecast_fleet(make_fleet(sites, visits), ON, 2)
    alone = likely_life(make_fleet([make_site("A", swapped_on=ON)]))
    new = int(outlook.renewals["new"].flat_likely[0]) - ON.toordinal()
    long = int(outlook.renewals["long"].flat_likely[0]) - ON.toordinal()
    assert 95 < new < 0.85 * alone
    assert long > 180
    assert outlook.sites["new"].own_share < 0.05
    assert outlook.sites["long"].own_share > 0.7
    assert outlook.sites["new"].basis is Basis.MODEL
    assert "the fleet's runs say +" in outlook.sites["new"].because
    assert outlook.sites["long"].basis is Basis.HISTORY


def test_more_runs_make_the_site_surer():
    few = forecast_fleet(make_fleet([make_site("A")], swaps("A", [150], dark=(0,))), ON, 2).renewals["A"]
    many = forecast_fleet(
        make_fleet([make_site("A")], swaps("A", [150, 152, 148, 151, 149], dark=range(5))), ON, 2
    ).renewals["A"]
    assert many.flat_late[0] - many.flat_early[0] < few.flat_late[0] - few.flat_early[0]


def test_profiles_are_pooled_apart():
    visits, sites = [], []
    for k in range(6):
        sites += [make_site(f"Q{k}", profile="quiet"), make_site(f"L{k}", profile="loud")]
        visits += swaps(f"Q{k}", [230, 235], dark=(0, 1)) + swaps(f"L{k}", [90, 95], dark=(0, 1))
    sites += [
        make_site("nq", profile="quiet", swapped_on=ON), make_site("nl", profile="loud", swapped_on=ON),
    ]  # fmt: skip
    outlook = forecast_fleet(make_fleet(sites, visits), ON, 2)
    quiet, loud = (int(outlook.renewals[s].flat_likely[0]) - ON.toordinal() for s in ("nq", "nl"))
    assert quiet > 180
    assert loud < 120


def test_a_last_run_outside_its_interval_is_flagged():
    outlook = forecast_fleet(
        make_fleet([make_site("A")], swaps("A", [150, 150, 150, 150, 45], dark=range(5))), ON, 2
    )
    forecast = outlook.sites["A"]
    assert [run.days for run in forecast.last_runs] == [150, 150, 150, 150, 45]
    assert forecast.last_runs[-1].is_outside
    assert forecast.flags[0].startswith("its last run lies outside what was said")


def test_a_pack_that_ages_faster_than_its_kin_is_flagged():
    sites, visits = [], []
    for k in range(12):
        sites.append(make_site(f"S{k}"))
        # pack P0 goes round: the short runs are its own
        is_weak = k % 3 == 0
        runs = swaps(f"S{k}", [150, 152, 80 if is_weak else 148], dark=(0, 1, 2))
        runs[2] = replace(runs[2], pack_in="P0" if is_weak else f"P{k}")
        visits += runs
    packs = (Pack("P0", "SLA", where="shelf"),)
    notes = forecast_fleet(make_fleet(sites, visits, packs=packs), ON, 2).notes
    assert len(notes) == 1
    assert notes[0].startswith("pack P0 lasts about")
    assert notes[0].endswith("less than its kin over 4 runs: test it")


def test_a_pack_that_went_in_half_charged_dies_sooner():
    full = make_fleet([make_site("A")], [VisitRecord(ON, "A", done=Done.SWAPPED, volts_in=12.8)])
    half = make_fleet([make_site("A")], [VisitRecord(ON, "A", done=Done.SWAPPED, volts_in=12.25)])
    lives = [(forecast_fleet(f, ON, 2).sites["A"].flat_likely - ON).days for f in (full, half)]
    assert lives[1] < 0.7 * lives[0]


def test_the_back_test_says_when_there_is_too_little():
    found = back_test(make_fleet([make_site("A")], swaps("A", [150, 160], dark=(0, 1))), ON)
    assert not found.is_enough
    assert found.lines() == (
        "Too little history to judge the forecast: 2 ended runs, 2 of them flat; about 20 are needed.",
    )


def test_the_back_test_covers_an_orderly_fleet():
    sites, visits = [], []
    for k in range(12):
        sites.append(make_site(f"S{k:02d}"))
        lives = [140 + (37 * k + 53 * j) % 60 for j in range(3)]
        visits += swaps(f"S{k:02d}", lives, dark=(0, 1, 2), end=ON - timedelta(days=10 + 3 * k))
    steps = []
    found = back_test(make_fleet(sites, visits), ON, lambda done, total: steps.append((done, total)))
    assert found.n_runs == 36
    assert found.n_flat == 36
    assert steps[-1][0] == steps[-1][1]
    # lives within a fifth of each other lie inside a wide interval
    assert found.coverage[2] > 0.85
    assert found.is_enough
    assert "foreseen from the records before each" in found.lines()[0]


def reports(site_id, start, days, **values):
    return [
        Reading(datetime.combine(start + timedelta(days=k), datetime.min.time(), UTC), site_id, **values)
        for k in days
    ]


def test_silence_is_evidence_of_dark_and_no_proof():
    since = ON - timedelta(days=150)
    site = make_site("A", swapped_on=since)
    reporting = make_fleet([site], (), reports("A", since, range(0, 150, 2)))
    silent = make_fleet([site], (), reports("A", since, range(0, 130, 2)))
    sites = [forecast_fleet(fleet, ON, 2).sites["A"] for fleet in (reporting, silent)]
    assert sites[0].chance_dark_today < 0.05
    assert 0.3 < sites[1].chance_dark_today < 0.99
    assert sites[1].swap_by < ON <= sites[0].swap_by
    assert f"silent since {(since + timedelta(days=128)).isoformat()}" in sites[1].because


def test_silence_of_a_young_pack_is_hardly_the_pack():
    since = ON - timedelta(days=40)
    fleet = make_fleet([make_site("A", swapped_on=since)], (), reports("A", since, range(0, 20, 2)))
    assert forecast_fleet(fleet, ON, 2).sites["A"].chance_dark_today < 0.1


def test_a_low_percent_warns_and_its_own_history_says_what_it_means():
    since = ON - timedelta(days=60)
    low = make_fleet([make_site("A", swapped_on=since)], (), reports("A", since, [55], percent=15.0))
    assert forecast_fleet(low, ON, 2).sites["A"].flags == (
        "its device says 15 %; what that means here is not known yet, so keep an eye on it",
    )
    visits = swaps("A", [150, 150], dark=(0, 1), end=since)
    readings = reports("A", since - timedelta(days=300), [140], percent=42.0)
    readings += reports("A", since - timedelta(days=150), [140], percent=38.0)
    readings += reports("A", since, [55], percent=40.0)
    known = make_fleet([make_site("A")], visits, readings)
    assert "its device says 40 %, and its last 2 flat packs ended at 38 to 42 %" in (
        forecast_fleet(known, ON, 2).sites["A"].flags
    )


def test_a_tested_pack_is_foreseen_more_sharply():
    since = ON - timedelta(days=10)
    pack = Pack("P1", "SLA", tested_ah=6.0, tested_on=since, where="A", since=since)
    tested = forecast_fleet(make_fleet([make_site("A")], packs=(pack,)), ON, 2).sites["A"]
    untested = forecast_fleet(
        make_fleet([make_site("A")], packs=(replace(pack, tested_ah=None, tested_on=None),)), ON, 2
    )
    wide = untested.sites["A"]
    assert (tested.flat_late - tested.flat_early) < (wide.flat_late - wide.flat_early)
    assert "at 86% health" in tested.because
