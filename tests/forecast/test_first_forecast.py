"""The order of evidence, the contract's formulas for given dates, and the promises of the outlook."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from statistics import NormalDist

import numpy as np
import pytest

from tripplan.errors import InputError
from tripplan.fleet import (
    Cause,
    Climate,
    Done,
    Fleet,
    Found,
    PackType,
    PlanSettings,
    Reading,
    Site,
    VisitRecord,
)
from tripplan.forecast import Basis, forecast_fleet, outlook_to_json

ON = date(2026, 11, 25)
# Winnipeg, ECCC normals 1971-2000: monthly means; the spread of single days is an assumption
COLD = Climate(
    (-17.8, -13.6, -6.1, 4.0, 12.0, 17.0, 19.5, 18.5, 12.3, 5.3, -5.3, -14.4),
    (6.0, 6.0, 5.0, 4.0, 4.0, 3.0, 3.0, 3.0, 3.0, 4.0, 5.0, 6.0),
)


def make_site(site_id="A", **values):
    return Site(
        **{
            "site_id": site_id, "lat": 49.9, "lon": -97.2, "pack_type": "SLA", "volts": 12.0, "plug": "p",
            "park_lat": 49.9, "park_lon": -97.2, "row": 2, **values,
        }
    )  # fmt: skip


def make_fleet(*sites, climate=COLD, kind=None, **values):
    kind = kind or PackType("SLA", 12.0, "p", usual_months=5.0)
    return Fleet("test", "Europe/Berlin", (), tuple(sites), {"SLA": kind}, climate=climate, **values)


def only(fleet, on=ON, weeks=None):
    return next(iter(forecast_fleet(fleet, on, weeks).sites.values()))


@pytest.mark.parametrize("spread", [0.0, 3.0, 10.0, 21.5])
@pytest.mark.parametrize("backup", [0.0, 2.5, 14.0])
@pytest.mark.parametrize("risk", [0.01, 0.05, 0.2])
def test_a_given_date_follows_the_contract(spread, backup, risk):
    given = date(2027, 1, 10)
    site = make_site(flat_on=given, flat_on_sd_days=spread, backup_days=backup, risk=risk)
    forecast = only(make_fleet(site))

    def z(level):
        return NormalDist().inv_cdf(level)

    assert forecast.swap_by == given + timedelta(days=-1 + math.floor(spread * z(risk) + backup))
    assert forecast.flat_early == given + timedelta(days=math.floor(spread * z(0.05)))
    assert forecast.flat_likely == given
    assert forecast.flat_late == given + timedelta(days=math.floor(spread * z(0.95)))
    assert forecast.basis is Basis.GIVEN_DATE
    assert forecast.charge_left is None


def test_a_given_date_in_the_past_is_late_and_dark():
    forecast = only(make_fleet(make_site(flat_on=ON - timedelta(days=5))))
    assert forecast.swap_by == ON - timedelta(days=6)
    assert forecast.chance_dark_today == 1.0


def test_a_given_date_of_today_is_dark_by_tonight_and_of_tomorrow_is_not():
    assert only(make_fleet(make_site(flat_on=ON))).chance_dark_today == 1.0
    assert only(make_fleet(make_site(flat_on=ON + timedelta(days=1)))).chance_dark_today == 0.0


def test_a_given_date_rules_the_pack_in_place_only():
    site = make_site(flat_on=date(2027, 1, 10), draw_mah_per_day=30.0)
    outlook = forecast_fleet(make_fleet(site), ON)
    assert outlook.sites["A"].basis is Basis.GIVEN_DATE
    assert outlook.renewals["A"].basis is Basis.MODEL
    usual = forecast_fleet(make_fleet(make_site(flat_on=date(2027, 1, 10))), ON)
    assert usual.renewals["A"].basis is Basis.USUAL_LIFE


def test_without_any_usual_life_the_given_dates_make_one():
    kind = PackType("SLA", 12.0, "p")
    site = make_site(flat_on=date(2027, 1, 10), swapped_on=date(2026, 9, 12))
    renewal = forecast_fleet(make_fleet(site, kind=kind), ON).renewals["A"]
    assert abs(int(renewal.flat_likely[0]) - (ON.toordinal() + 120)) <= 1


def test_what_nothing_is_known_of_is_a_fault():
    kind = PackType("SLA", 12.0, "p")
    with pytest.raises(InputError) as caught:
        forecast_fleet(make_fleet(make_site(swapped_on=date(2026, 9, 12)), kind=kind), ON)
    assert str(caught.value) == (
        "sites.csv, row 2, column usual_months: nothing says how long a charged pack lasts at this site. "
        "Give draw_mah_per_day or usual_months for the site, or usual_months in [pack_types.SLA]."
    )
    with pytest.raises(InputError, match="nothing says when the pack went in"):
        forecast_fleet(make_fleet(make_site()), ON)


def life_quantile(level, median=5.0 * 30.4375, sd=0.25, age=0.0):
    """Of a log-normal life of which one in fifty lasts half as long, given that it has lasted to `age`."""
    normal = NormalDist(math.log(median), sd)

    def flat(day):
        return 0.98 * normal.cdf(math.log(day)) + 0.02 * normal.cdf(math.log(2.0 * day)) if day > 0 else 0.0

    wanted, low, high = flat(age) + level * (1.0 - flat(age)), 1.0, 5000.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if flat(middle) < wanted else (low, middle)
    return low


def test_usual_life_is_log_normal_about_the_months_given():
    renewal = forecast_fleet(make_fleet(make_site(swapped_on=ON)), ON).renewals["A"]
    for got, level in (
        (renewal.flat_early[0], 0.05),
        (renewal.flat_likely[0], 0.5),
        (renewal.flat_late[0], 0.95),
    ):
        assert abs(int(got) - ON.toordinal() - life_quantile(level)) <= 1.5
    own = forecast_fleet(make_fleet(make_site(swapped_on=ON, usual_months=3.0)), ON)
    assert abs((own.sites["A"].flat_likely - ON).days - life_quantile(0.5, 3.0 * 30.4375)) <= 1.5


def test_a_running_pack_is_not_expected_flat_before_today():
    forecast = only(make_fleet(make_site(swapped_on=ON - timedelta(days=170))))
    assert ON <= forecast.flat_early <= forecast.flat_likely <= forecast.flat_late
    assert abs((forecast.flat_likely - ON).days + 170 - life_quantile(0.5, age=170.0)) <= 1.5
    assert 0.005 < forecast.chance_dark_today < 0.05


def test_a_pack_far_beyond_belief_is_late_and_probably_dark():
    forecast = only(make_fleet(make_site(swapped_on=ON - timedelta(days=600))))
    assert forecast.swap_by < ON
    assert forecast.chance_dark_today > 0.99
    assert "may well be dark" in forecast.because


def test_found_dark_and_left_is_dark():
    since = ON - timedelta(days=150)
    visit = VisitRecord(ON - timedelta(days=3), "A", found=Found.DARK, cause=Cause.FLAT, done=Done.LEFT)
    forecast = only(make_fleet(make_site(swapped_on=since), visits=(visit,)))
    assert forecast.chance_dark_today == 1.0
    assert forecast.flat_late <= visit.day
    assert forecast.swap_by < visit.day


def test_dark_for_another_cause_is_no_flat_pack():
    since = ON - timedelta(days=60)
    visit = VisitRecord(ON - timedelta(days=3), "A", found=Found.DARK, cause=Cause.PLUG, done=Done.LEFT)
    with_fault = only(make_fleet(make_site(swapped_on=since), visits=(visit,)))
    without = only(make_fleet(make_site(swapped_on=since)))
    assert with_fault.flat_likely == without.flat_likely


def test_a_report_after_a_dark_visit_is_a_sign_of_life():
    since = ON - timedelta(days=60)
    visit = VisitRecord(ON - timedelta(days=9), "A", found=Found.DARK, cause=Cause.FLAT, done=Done.LEFT)
    reading = Reading(datetime(2026, 11, 20, 12, tzinfo=UTC), "A")
    fleet = make_fleet(make_site(swapped_on=since), visits=(visit,), readings=(reading,))
    assert only(fleet).chance_dark_today < 0.01


def test_cold_shortens_and_no_climate_is_said():
    site = make_site(swapped_on=date(2026, 9, 1), draw_mah_per_day=30.0)
    cold = only(make_fleet(site), on=date(2026, 9, 1))
    mild = only(make_fleet(site, climate=None), on=date(2026, 9, 1))
    assert cold.flat_likely < mild.flat_likely
    assert mild.because.endswith("no climate given: 10 C all year")
    assert cold.basis is Basis.MODEL


def test_winter_trap_for_an_autumn_install_at_one_and_a_quarter_milliamps():
    """Common practice, no source: an autumn pack dies in the deep cold with charge that spring would return."""
    site = make_site(swapped_on=date(2026, 9, 20), draw_mah_per_day=30.0)
    outlook = forecast_fleet(make_fleet(site), date(2026, 9, 20))
    forecast = outlook.sites["A"]
    assert date(2026, 12, 1) <= forecast.flat_likely <= date(2027, 2, 15)
    # half the loads cross in December to February; between mid-March and May hardly any does
    chance = outlook.dark_chance_in_place["A"]

    def by(day):
        return chance[(day - outlook.on).days]

    assert by(date(2027, 2, 28)) - by(date(2026, 12, 1)) > 0.5
    assert by(date(2027, 3, 19)) - by(date(2027, 3, 10)) < 0.01


@pytest.mark.parametrize("draw", [22.0, 30.0, 38.0])
def test_four_to_eight_months_and_less_in_deep_cold(draw):
    """Common practice, no source: one 12 V 7 Ah pack runs a cellular camera 4 to 6, sometimes 8 months."""
    site = make_site(swapped_on=ON, draw_mah_per_day=draw)
    outlook = forecast_fleet(make_fleet(site), date(2026, 4, 1), weeks=52)
    starts = outlook.on.toordinal() + np.arange(len(outlook.renewals["A"].flat_likely))
    months = (outlook.renewals["A"].flat_likely - starts) / 30.4375
    assert months[:60].min() >= 4.0
    assert months.max() <= 9.0
    assert months.min() >= 1.5


def test_backup_moves_the_swap_by_date_and_not_the_flat_date():
    plain = make_site(swapped_on=ON, draw_mah_per_day=30.0)
    backed = make_site("B", swapped_on=ON, draw_mah_per_day=30.0, backup_days=10.0)
    sites = forecast_fleet(make_fleet(plain, backed), ON).sites
    assert sites["B"].flat_likely == sites["A"].flat_likely
    assert sites["B"].swap_by == sites["A"].swap_by + timedelta(days=10)


def test_a_converter_shortens_and_a_panel_lengthens():
    def likely(**values):
        return only(
            make_fleet(make_site(swapped_on=date(2026, 4, 1), draw_mah_per_day=30.0, **values)),
            date(2026, 4, 1),
        ).flat_likely

    assert likely(converter_idle_ma=0.3) < likely() < likely(panel_w=0.5, sun_fraction=0.2)


def test_risk_of_a_site_overrides_the_fleet():
    sites = (make_site(swapped_on=ON), make_site("B", swapped_on=ON, risk=0.3))
    outlook = forecast_fleet(make_fleet(*sites, plan=PlanSettings(weeks=8, risk=0.02)), ON)
    assert outlook.sites["A"].risk == 0.02
    assert outlook.sites["B"].risk == 0.3
    assert outlook.sites["A"].swap_by < outlook.sites["B"].swap_by


def test_arrays_have_the_promised_shape_and_never_fall():
    sites = (
        make_site(swapped_on=date(2026, 9, 1), draw_mah_per_day=30.0),
        make_site("B", swapped_on=date(2026, 9, 1)),
        make_site("C", flat_on=ON, backup_days=3.0),
        make_site("D", swapped_on=date(2026, 9, 1), draw_mah_per_day=24.0, panel_w=1.0),
    )
    outlook = forecast_fleet(make_fleet(*sites), ON, weeks=30)
    n_days = (outlook.to - outlook.on).days + 1
    assert list(outlook.sites) == list(outlook.renewals) == ["A", "B", "C", "D"]
    for site_id, renewal in outlook.renewals.items():
        for array in (renewal.swap_by, renewal.flat_early, renewal.flat_likely, renewal.flat_late):
            assert array.shape == (n_days,)
            assert array.dtype == np.int64
            assert (np.diff(array) >= 0).all()
        assert (renewal.flat_early <= renewal.flat_likely).all()
        assert (renewal.flat_likely <= renewal.flat_late).all()
        chance = outlook.dark_chance_in_place[site_id]
        assert chance.shape == (n_days,)
        assert (np.diff(chance) >= -1e-12).all()
        table = outlook.dark_chance_by_age[site_id]
        assert table.shape == (len(range(0, n_days, outlook.dark_step)), n_days)
        assert (np.diff(table, axis=1) >= -1e-12).all()


def test_swap_by_keeps_the_accepted_risk():
    site = make_site(swapped_on=date(2026, 9, 1), draw_mah_per_day=30.0)
    outlook = forecast_fleet(make_fleet(site), date(2026, 9, 1))
    chance = outlook.dark_chance_in_place["A"]
    day = (outlook.sites["A"].swap_by - outlook.on).days
    assert chance[day] <= 0.05 < chance[day + 2]


def test_expected_dark_days_sum_the_chances():
    outlook = forecast_fleet(make_fleet(make_site(flat_on=date(2026, 12, 1))), ON)
    assert outlook.expected_dark_days("A", None, date(2026, 12, 5)) == 4.0
    assert outlook.expected_dark_days("A", None, date(2026, 11, 30)) == 0.0


def test_the_same_fleet_gives_the_same_dates_and_tomorrow_hardly_others():
    site = make_site(swapped_on=date(2026, 9, 1), draw_mah_per_day=30.0)
    first, again = only(make_fleet(site)), only(make_fleet(site))
    assert first == again
    tomorrow = only(make_fleet(site), on=ON + timedelta(days=1))
    assert abs((tomorrow.flat_likely - first.flat_likely).days) <= 1


def test_json_follows_the_contract():
    data = outlook_to_json(forecast_fleet(make_fleet(make_site(swapped_on=ON)), ON))
    assert data["format"] == "tripplan-forecast/1"
    assert data["on"] == "2026-11-25"
    assert set(data["sites"][0]) >= {
        "site_id", "flat_early", "flat_likely", "flat_late", "swap_by", "chance_dark_today", "charge_left", "basis",
    }  # fmt: skip
    assert data["sites"][0]["basis"] == "usual life"
