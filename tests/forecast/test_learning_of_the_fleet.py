"""What the fleet's records teach of its meter, its drift and its devices, and records that contradict each other."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from tripplan.fleet import Cause, Climate, Done, Fleet, Found, PackType, Reading, Site, VisitRecord
from tripplan.forecast import forecast_fleet
from tripplan.forecast.basis import find_evidence
from tripplan.forecast.history import read_history
from tripplan.forecast.in_place import flat_quantiles
from tripplan.forecast.learning import (
    CELLS,
    DRIFT_PER_YEAR,
    MIDDLES,
    Chain,
    fit_fleet,
    learn_sites,
    normal_cells,
)
from tripplan.forecast.pool import learn_fleet, physics_for

ON = date(2026, 11, 25)
MILD = Climate((12.0,) * 12, (3.0,) * 12)
TYPES = {"SLA": PackType("SLA", 12.0, "p", usual_months=5.0)}


def make_site(site_id="A", **values):
    base = Site(site_id, 50.0, 10.0, "SLA", 12.0, "p", 50.0, 10.0, draw_mah_per_day=35.0, row=2)
    return replace(base, **values)


def make_fleet(sites, visits=(), readings=()):
    visits = tuple(replace(visit, row=row) for row, visit in enumerate(visits, 2))
    return Fleet("t", "UTC", (), tuple(sites), TYPES, climate=MILD, visits=visits, readings=tuple(readings))


def swap(days_ago, site_id="A", **values):
    return VisitRecord(ON - timedelta(days=days_ago), site_id, **{"done": Done.SWAPPED, **values})


def flat(days_ago, site_id="A", **values):
    return swap(days_ago, site_id, found=Found.DARK, cause=Cause.FLAT, **values)


def read(days_ago, site_id="A", **values):
    return Reading(
        datetime.combine(ON - timedelta(days=days_ago), datetime.min.time(), UTC), site_id, **values
    )


def seen(value, sd=0.03):
    mass = normal_cells(value, sd)
    return mass / mass.max()


# ---- the meter -----------------------------------------------------------------------------------


def metered(volts_at_half):
    """Sites whose packs last 150 days, read at half of that by a meter that shows `volts_at_half`."""
    sites, visits = [], []
    for k in range(10):
        site_id = f"S{k}"
        sites.append(make_site(site_id))
        visits += [
            swap(600 - k, site_id), flat(450 - k, site_id), swap(375 - k, site_id, volts_out=volts_at_half),
            flat(225 - k, site_id), swap(150 - k, site_id, volts_out=volts_at_half), flat(5 + k, site_id),
        ]  # fmt: skip
    return make_fleet(sites, visits)


def offset_of(fleet):
    evidence = find_evidence(fleet, read_history(fleet, ON), ON)
    known = learn_fleet(evidence, physics_for(fleet, evidence, ON, ON), ON)
    return known["S0"].volts


def test_a_meter_that_reads_high_is_found_out_by_the_packs_that_ran_flat():
    # 12.25 V is half of the charge by the table; 0.1 V is about a tenth of the charge
    right, high, low = offset_of(metered(12.25)), offset_of(metered(12.37)), offset_of(metered(12.13))
    assert abs(right.offset) < 0.06
    assert high.offset - right.offset == pytest.approx(0.12, abs=0.05)
    assert low.offset - right.offset == pytest.approx(-0.12, abs=0.05)
    assert right.offset_sd < 0.06


def test_and_the_dates_hardly_move_with_it():
    lives = [
        int(forecast_fleet(metered(volts), ON, 2).renewals["S0"].flat_likely[0]) - ON.toordinal()
        for volts in (12.13, 12.25, 12.37)
    ]
    assert max(lives) - min(lives) < 15
    assert any("check the meter" in note for note in forecast_fleet(metered(12.40), ON, 2).notes)
    assert not any("check the meter" in note for note in forecast_fleet(metered(12.25), ON, 2).notes)


def test_without_records_a_voltage_is_worth_thirteen_percent_of_charge():
    volts = offset_of(make_fleet([make_site("S0", swapped_on=ON)]))
    assert volts.offset == 0.0
    assert volts.reading_sd(0.13) == pytest.approx(0.13)


# ---- the drift -----------------------------------------------------------------------------------


def chains(step):
    """Sites whose level moves by a step between runs of half a year, up and down by turns of a fixed list."""
    moves = np.array([1, 1, -1, 1, -1, -1, 1, -1, 1, 1, -1, -1]) * step
    return [
        Chain("all", (*(seen(v) for v in np.cumsum(np.roll(moves, k))[:5]), np.ones(CELLS)), np.ones(CELLS),
              (0.5,) * 5, 0.25, 0.12)
        for k in range(12)
    ]  # fmt: skip


def test_a_fleet_whose_draws_drift_is_trusted_less():
    steady, restless = fit_fleet(chains(0.02)), fit_fleet(chains(0.35))
    assert steady.drift <= DRIFT_PER_YEAR < restless.drift
    widths = []
    for step, fit in ((0.02, steady), (0.35, restless)):
        later = learn_sites(chains(step), fit)[0].later
        widths.append(float(np.sqrt(later @ MIDDLES**2 - (later @ MIDDLES) ** 2)))
    assert widths[1] > 1.5 * widths[0]


# ---- percentages ---------------------------------------------------------------------------------


def percents(start_ago, life, at_full=95.0, at_empty=35.0):
    """A device that shows 95 % when full and 35 % when its pack ends."""
    return [
        read(start_ago - age, percent=round(at_full + (at_empty - at_full) * age / life, 1))
        for age in range(10, life, 20)
    ]


def test_a_percent_becomes_a_charge_once_flat_packs_of_its_own_have_shown_it():
    visits = [swap(400), flat(250), flat(100)]
    told = [*percents(400, 150), *percents(250, 150)]
    low, high = (make_fleet([make_site()], visits, [*told, read(1, percent=p)]) for p in (40.0, 75.0))
    dates = [forecast_fleet(fleet, ON, 2).sites["A"] for fleet in (low, high)]
    assert dates[0].flat_likely < dates[1].flat_likely - timedelta(days=10)
    assert dates[0].flags[0].startswith("its device says 40 %, which stands for about ")
    assert "as 2 flat packs of its own show" in dates[0].flags[0]


def test_a_percent_that_one_flat_pack_showed_only_warns():
    visits = [swap(250), flat(100)]
    low, high = (
        make_fleet([make_site()], visits, [*percents(250, 150), read(1, percent=p)]) for p in (15.0, 75.0)
    )
    dates = [forecast_fleet(fleet, ON, 2).sites["A"] for fleet in (low, high)]
    assert dates[0].flat_likely == dates[1].flat_likely
    assert "not known yet" in dates[0].flags[0]


def test_a_percent_that_says_nothing_of_the_charge_stays_a_warning():
    noise = [read(400 - age, percent=(37 * age) % 90.0 + 5.0) for age in range(10, 300, 12)]
    fleet = make_fleet([make_site()], [swap(400), flat(250), flat(100)], [*noise, read(1, percent=12.0)])
    assert not any("stands for" in flag for flag in forecast_fleet(fleet, ON, 2).sites["A"].flags)


# ---- contradictions ------------------------------------------------------------------------------


def left_out(fleet):
    history = read_history(fleet, ON)
    return history.left_out, history.sites["A"]


def test_running_after_flat_without_a_swap_is_named_and_left_out():
    dark = replace(flat(150), done=Done.LEFT)
    running = replace(swap(100), found=Found.RUNNING, done=Done.LEFT)
    notes, site = left_out(make_fleet([make_site()], [swap(250), dark, running, swap(40)]))
    (note,) = notes
    assert note == (
        "visits.csv, row 4, site A: found running, but found dark and flat on 2026-06-28 with no swap between; left out "
        "of the learning"
    )
    assert [run.days for run in site.past] == [0]
    assert all(run.dark_by is None for run in site.past)


def test_a_pack_that_came_out_without_having_gone_in_is_named_and_left_out():
    visits = [swap(250, pack_in="P1"), swap(100, pack_out="P2", pack_in="P3"), swap(20, pack_out="P3")]
    notes, site = left_out(make_fleet([make_site()], visits))
    assert notes == (
        "visits.csv, row 3, site A: pack P2 came out, but P1 went in on 2026-03-20; left out of the learning",
    )
    assert [run.pack_id for run in site.past] == ["P3"]


def test_a_charge_that_rises_without_a_swap_is_named_and_left_out():
    readings = [read(150, volts=11.95), read(140, volts=12.75)]
    fleet = make_fleet([make_site()], [swap(250), swap(40)], readings)
    notes, site = left_out(fleet)
    assert len(notes) == 1
    assert "rose from" in notes[0]
    assert "no swap on record" in notes[0]
    assert site.past[0].charges == ()
    # behind a panel it is the sun
    assert left_out(make_fleet([make_site(panel_w=1.0)], [swap(250), swap(40)], readings))[0] == ()


def test_what_was_left_out_is_said_to_the_user_and_moves_nothing():
    readings = [read(150, volts=11.95), read(140, volts=12.75)]
    with_it = forecast_fleet(make_fleet([make_site()], [swap(250), swap(40)], readings), ON, 2)
    assert "left out of the learning" in with_it.notes[0]
    bare = forecast_fleet(make_fleet([make_site(swapped_on=ON - timedelta(days=40))]), ON, 2)
    assert with_it.sites["A"].flat_likely == bare.sites["A"].flat_likely


# ---- odd fleets ----------------------------------------------------------------------------------


def test_a_wrong_stated_draw_is_found_out():
    visits, sites = [], []
    for k in range(8):
        sites.append(make_site(f"S{k}", draw_mah_per_day=105.0))
        visits += [swap(480 - k, f"S{k}"), flat(320 - k, f"S{k}"), flat(160 - k, f"S{k}"), swap(5, f"S{k}")]
    outlook = forecast_fleet(make_fleet(sites, visits), ON, 2)
    life = int(outlook.renewals["S0"].flat_likely[0]) - ON.toordinal()
    assert life == pytest.approx(158, abs=30)
    assert "the fleet's runs say -" in outlook.sites["S0"].because


def test_one_site_with_swaps_on_one_day_and_only_censored_runs():
    visits = [swap(300), swap(300), swap(150), swap(150, pack_in="P9"), swap(10)]
    outlook = forecast_fleet(make_fleet([make_site()], visits), ON, 2)
    one = outlook.sites["A"]
    assert [run.days for run in one.last_runs] == [150, 140]
    assert not any(run.was_flat for run in one.last_runs)
    assert one.flat_early < one.flat_likely < one.flat_late


def test_the_order_of_sites_and_records_changes_nothing():
    fleet = metered(12.3)
    turned = replace(fleet, sites=fleet.sites[::-1], visits=fleet.visits[::-1])
    levels = (0.05, 0.5, 0.95)
    first, second = flat_quantiles(fleet, ON, levels), flat_quantiles(turned, ON, levels)
    for site_id, quantiles in first.items():
        assert second[site_id] == pytest.approx(quantiles, abs=1e-6)
    assert forecast_fleet(fleet, ON, 2).sites == forecast_fleet(fleet, ON, 2).sites
