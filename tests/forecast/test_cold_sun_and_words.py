"""Cold spells, freezing, small panels, seasons of activity, and what people read."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from tripplan.fleet import Chemistry, Climate, Fleet, PackType, Profile, Site
from tripplan.forecast import forecast_fleet, outlook_to_json
from tripplan.forecast.cold import forecast_cold
from tripplan.forecast.weather import ColdSpell
from tripplan.forecast.words import risk_text, track_record, why_moved
from tripplan.outputs.forecast_page import render_forecast_page

ON = date(2026, 11, 25)
COLD = Climate(
    (-17.8, -13.6, -6.1, 4.0, 12.0, 17.0, 19.5, 18.5, 12.3, 5.3, -5.3, -14.4),
    (6.0, 6.0, 5.0, 4.0, 4.0, 3.0, 3.0, 3.0, 3.0, 4.0, 5.0, 6.0),
)
MILD = Climate((12.0,) * 12, (3.0,) * 12)


def make_site(site_id="A", **values):
    base = Site(site_id, 49.9, -97.2, "SLA", 12.0, "p", 49.9, -97.2, draw_mah_per_day=30.0, row=2)
    return replace(base, swapped_on=ON - timedelta(days=60), **values)


def make_fleet(*sites, climate=COLD, chemistry=Chemistry.SEALED_LEAD_ACID, **values):
    kind = PackType("SLA", 12.0, "p", chemistry=chemistry, usual_months=5.0)
    return Fleet("test", "UTC", (), tuple(sites), {"SLA": kind}, climate=climate, **values)


def test_a_cold_spell_pulls_sites_forward_most_first():
    sites = [replace(make_site(f"S{k}"), swapped_on=ON - timedelta(days=40 + 20 * k)) for k in range(3)]
    effects = forecast_cold(make_fleet(*sites), ON, ColdSpell(-30.0, ON + timedelta(days=2), 7))
    assert effects
    assert [e.days_forward for e in effects] == sorted((e.days_forward for e in effects), reverse=True)
    for effect in effects:
        assert effect.swap_by <= effect.usual_swap_by
        assert effect.chance_dark >= effect.usual_chance_dark
    assert effects[0].days_forward > 0


def test_a_cold_spell_in_the_tropics_does_nothing_to_a_usual_life():
    site = replace(make_site(), draw_mah_per_day=None)
    assert forecast_cold(make_fleet(site), ON, ColdSpell(-30.0, ON + timedelta(days=2), 7)) == ()


def test_a_nearly_flat_lead_pack_may_freeze_and_a_lithium_one_not():
    site = replace(make_site(), swapped_on=ON - timedelta(days=110), backup_days=20.0)
    lead = forecast_fleet(make_fleet(site), ON, 10).sites["A"]
    assert lead.freezes_from is not None
    assert lead.flags == (
        f"freezing sets the date, not darkness: the pack could freeze from {lead.freezes_from.isoformat()}",
    )
    lithium = forecast_fleet(make_fleet(site, chemistry=Chemistry.LITHIUM_IRON_PHOSPHATE), ON, 10).sites["A"]
    assert lithium.freezes_from is None
    assert forecast_fleet(make_fleet(site, climate=MILD), ON, 10).sites["A"].freezes_from is None


def test_a_site_that_never_runs_flat_and_one_that_fails_in_winter():
    strong = forecast_fleet(make_fleet(make_site(panel_w=5.0, sun_fraction=0.4)), ON, 4).sites["A"]
    assert (strong.flat_likely - ON).days >= 1090
    assert any("the panel carries it" in flag for flag in strong.flags)
    # a pack that enters spring full dies in the dark months or not at all
    weak = replace(make_site(panel_w=0.7, sun_fraction=0.12), swapped_on=date(2026, 4, 1))
    outlook = forecast_fleet(make_fleet(weak), date(2026, 4, 1), 4)
    assert outlook.sites["A"].flat_likely.month in (11, 12, 1, 2)
    assert any("only in the dark months" in flag for flag in outlook.sites["A"].flags)


def test_lithium_iron_phosphate_takes_no_charge_below_freezing():
    site = replace(make_site(panel_w=3.0, sun_fraction=0.3), swapped_on=date(2026, 11, 1))
    lead = forecast_fleet(make_fleet(site), ON, 4).sites["A"]
    lithium = forecast_fleet(make_fleet(site, chemistry=Chemistry.LITHIUM_IRON_PHOSPHATE), ON, 4).sites["A"]
    assert lithium.charge_likely[-1] < 0.9 < lead.charge_likely[-1]


def test_a_controller_idle_current_can_empty_the_pack():
    kind = PackType("SLA", 12.0, "p", usual_months=5.0, parameters={"controller_idle_ma": 10.0})
    site = replace(make_site(panel_w=0.5, sun_fraction=0.05), swapped_on=ON)
    fleet = replace(make_fleet(site, climate=MILD), pack_types={"SLA": kind})
    # common practice: 10 mA alone empties 7 Ah in 29 days
    assert (forecast_fleet(fleet, ON, 4).sites["A"].flat_likely - ON).days < 29


def test_activity_moves_the_draw_between_seasons():
    busy_now = Profile("rut", 30.0, activity=(0.5, 0.5, 0.5, 0.5, 1, 1, 1, 1, 1.5, 2.5, 2.5, 0.5))
    steady = Profile("steady", 30.0)
    site = replace(make_site(), draw_mah_per_day=None, swapped_on=date(2026, 9, 1))
    lives = {}
    for profile in (busy_now, steady):
        fleet = make_fleet(
            replace(site, profile=profile.name), climate=MILD, profiles={profile.name: profile}
        )
        lives[profile.name] = (
            forecast_fleet(fleet, date(2026, 9, 1), 4).sites["A"].flat_likely - site.swapped_on
        ).days
    assert lives["rut"] < 0.7 * lives["steady"]


def test_the_charge_falls_week_by_week_and_its_band_is_ordered():
    forecast = forecast_fleet(make_fleet(make_site(), climate=MILD), ON, 20).sites["A"]
    early, likely, late = (
        np.array(c) for c in (forecast.charge_early, forecast.charge_likely, forecast.charge_late)
    )
    assert likely.shape == (21,)
    assert (early <= likely + 1e-9).all()
    assert (likely <= late + 1e-9).all()
    assert (np.diff(likely) <= 1e-3).all()
    assert forecast.charge_left == pytest.approx(likely[0])
    # 60 days of 30 mAh from some 6 Ah, and some self-discharge
    assert 0.55 < likely[0] < 0.75


def test_the_risk_in_peoples_terms():
    sites = [make_site(f"S{k:02d}") for k in range(30)]
    outlook = forecast_fleet(make_fleet(*sites), ON, 1)
    assert risk_text(outlook) == (
        "At 5 %, with 30 sites left until the swap-by date, expect one or two dark on arrival."
    )
    few = forecast_fleet(make_fleet(make_site()), ON, 1)
    assert risk_text(few) == (
        "At 5 %, with 1 site left until the swap-by date, expect about one dark on arrival in 20 such rounds."
    )
    assert track_record(few) == "Track record: no ended run yet."


def test_why_a_date_moved():
    fleet = make_fleet(make_site())
    before = outlook_to_json(forecast_fleet(fleet, ON, 1))
    assert why_moved(before, forecast_fleet(fleet, ON, 1)) == ()
    more = make_fleet(replace(make_site(), draw_mah_per_day=45.0))
    (line,) = why_moved(before, forecast_fleet(more, ON, 1))
    assert line.startswith("A: ")
    assert "days earlier; was: 30 mAh/day from 7 Ah" in line
    assert "now: 45 mAh/day from 7 Ah" in line


def test_the_page_is_complete_and_neutral():
    hostile = "</script><img src=http://x onerror=alert(1)> ${alert(1)} \u202e"
    sites = (replace(make_site(), name=hostile), replace(make_site("B"), draw_mah_per_day=None))
    fleet = replace(make_fleet(*sites), name=hostile)
    page = render_forecast_page(fleet, forecast_fleet(fleet, ON))
    assert page.count("<svg") == 2
    assert "<script" not in page
    assert "<img" not in page
    assert "\u202e" not in page
    assert "Swap by" in page
    assert page.count("<polyline") == 2


def test_alkaline_backup_in_deep_cold_is_not_to_be_counted_on():
    site = replace(make_site(), backup_days=10.0, backup_chemistry=Chemistry.ALKALINE)
    flags = forecast_fleet(make_fleet(site), ON, 2).sites["A"].flags
    assert any("alkaline" in flag for flag in flags)
    assert not any(
        "alkaline" in flag for flag in forecast_fleet(make_fleet(site, climate=MILD), ON, 2).sites["A"].flags
    )
