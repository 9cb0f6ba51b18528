"""Battery and load against what others printed; the publication stands beside each number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tripplan.fleet import Chemistry, PackType, Profile, Site
from tripplan.forecast.battery import (
    battery_of,
    capacity_share,
    freezing_point_c,
    rate_share,
    self_discharge_per_day,
)
from tripplan.forecast.chemistries import BATTERIES
from tripplan.forecast.crossing import WeatherSums
from tripplan.forecast.load import pack_draw_mah_per_day
from tripplan.units import charge_from_energy_mah, draw_from_current_mah_per_day

LEAD = BATTERIES[Chemistry.SEALED_LEAD_ACID]


def test_peukert_worked_example():
    """Peukert (1897), worked in electrotechnik.net 2010/01: Cp 100 on a 1-A basis, k 1.2, 5 A: 14.5 h."""
    battery = replace(LEAD, peukert_k=1.2, rated_hours=100.0)
    hours = 100.0 * rate_share(battery, 100.0, 5000.0) / 5.0
    assert hours == pytest.approx(14.4956, abs=1e-3)


def test_peukert_invents_no_charge_at_milliamps():
    """Carried down to 1.8 mA the law would make 9.1, 11.9 or 15.4 Ah of a 7 Ah pack (computed)."""
    for k in (1.05, 1.10, 1.15):
        unclamped = 7.0 * (350.0 / 1.8) ** (k - 1.0)
        assert unclamped > 9.0
        assert rate_share(replace(LEAD, peukert_k=k), 7.0, 1.8) == 1.0


@pytest.mark.parametrize(("temp_c", "share"), [(30, 1.03), (25, 1.0), (10, 0.90), (-10, 0.74)])
def test_capacity_in_the_cold_maker_sheet(temp_c, share):
    """Maker's sheet, sealed 12 V 40 Ah, at the 20-hour rate."""
    assert capacity_share(LEAD, temp_c) == pytest.approx(share)


@pytest.mark.parametrize(
    ("temp_c", "change"), [(0, -16), (5, -12), (10, -10), (15, -6), (20, -1), (30, 3), (35, 4), (40, 5)]
)
def test_capacity_table_of_percent_adjustments(temp_c, change):
    """A maker's table, row "more than 60 min"; agrees with the sheet above at 10, 25 and 30 C."""
    assert capacity_share(LEAD, temp_c) == pytest.approx(1.0 + change / 100.0)


@pytest.mark.parametrize("temp_c", [0.0, -5.0, -10.0, -15.0, -20.0, -30.0])
def test_cold_lies_above_the_sizing_factors_of_ieee_485(temp_c):
    """IEEE Std 485 (quoted as a polynomial in T/100, standby cells): the pessimistic bound, at most 0.2 below."""
    x = temp_c / 100.0
    sizing = 1.0 / (-2.8117 * x**3 + 4.1916 * x**2 - 2.4941 * x + 1.405)
    share = float(capacity_share(LEAD, temp_c))
    assert sizing - 0.01 <= share <= sizing + 0.2


def test_self_discharge_halves_for_ten_degrees():
    """Handbook of a power-electronics maker, 2.5.10: calcium grids 3 %/month at 20 C, 1.5 at 10 C."""
    per_month = self_discharge_per_day(LEAD, [20.0, 10.0]) * 30.4375
    assert per_month == pytest.approx([0.03, 0.015])
    # 7 Ah: 0.287 and 0.144 mA, computed with 730.5 h a month
    assert per_month * 7000.0 / 730.5 == pytest.approx([0.287, 0.144], abs=1e-3)


def test_one_pack_standing_for_a_year():
    """From memory, typical 7 Ah sheets: 91 % after 3, 82 after 6, 64 % after 12 months at 20 C."""
    sums = WeatherSums(LEAD, np.full((1, 400), 20.0))
    for months, left in ((3, 0.91), (6, 0.82), (12, 0.64)):
        found = sums.likely_charge(np.array([0.0]), 0, np.array([round(months * 30.4375)]))[0, 0]
        # the sheets' curve bends a little more than a constant rate does
        assert found == pytest.approx(left, abs=0.06)


@pytest.mark.parametrize(("charge", "temp_c"), [(1.0, -59), (0.75, -37), (0.25, -16)])
def test_freezing_of_lead_acid(charge, temp_c):
    """US Army OD1002, p. 54: densities 1.265, 1.225 and about 1.155 freeze at -59, -37 and -16 C."""
    assert freezing_point_c(charge) == pytest.approx(temp_c, abs=1.0)


def test_3gpp_battery_life_cases():
    """3GPP TR 45.820, 7.3.6.4: 5 Wh; idle 0.015 mW 38 years; 200 B every 2 h 1.7 years; 50 B a day 18.1."""
    volts = 3.6
    capacity_mah = 5.0 / volts * 1000.0

    def years(events_per_day, joules):
        profile = Profile("radio", None, 0.015 / volts, events_per_day, charge_from_energy_mah(joules, volts))
        site = Site("A", 0, 0, "T", volts, "p", 0, 0, profile="radio")
        draw = pack_draw_mah_per_day(site, PackType("T", volts, "p"), profile)
        return capacity_mah / draw / 365.25

    assert years(0, 0.0) == pytest.approx(38.05, abs=0.05)
    # the energy of one report as recomputed from the published lives, so these two check the sum only
    assert years(12, 2.31) == pytest.approx(1.7, rel=0.02)
    assert years(1, 1.43) == pytest.approx(18.1, rel=0.02)
    # transmitting all the time at 500 mW
    assert pytest.approx(capacity_mah / draw_from_current_mah_per_day(500.0 / volts) * 24.0) == 5.0 / 0.5


@pytest.mark.parametrize(("draw", "days"), [(15.0, 160), (30.0, 80)])
def test_gsm_sensor_life(draw, days):
    """Paller, Szarmes, Elo 2015 (SENSORNETS): 15 to 30 mAh/day empty 2400 mAh in 160 to 80 days."""
    limits = WeatherSums(None, np.zeros((1, 400))).limits(0, 400)[0]
    assert int(np.argmax(limits <= np.log(draw / 2400.0) + 1e-12)) + 1 == days


def test_duty_cycle_worked_example():
    """A published worked case for a low-power radio: 40 mA for 6 s, 18 times a day, 1 uA asleep: 1.224 mAh/day."""
    profile = Profile("radio", None, 0.001, 18.0, 40.0 * 6.0 / 3600.0)
    assert profile.device_draw_mah_per_day == pytest.approx(1.224, abs=1e-3)
    assert 6000.0 / profile.device_draw_mah_per_day == pytest.approx(4902, abs=1.0)


def test_every_number_of_every_chemistry_has_a_source():
    for battery in BATTERIES.values():
        named = set(battery.sources)
        for name in vars(battery):
            if name in {"sources", "temps_c", "rested_charges", "reserve_share"}:
                continue
            assert name in named or (name == "rested_volts_per_cell" and not battery.rested_charges), name


def test_a_pack_type_overrides_what_it_names():
    kind = PackType("A", 12.0, "p", parameters={"self_discharge_per_month": 0.15, "controller_idle_ma": 4.0})
    assert battery_of(kind).self_discharge_per_month == 0.15
    assert battery_of(kind).capacity_shares == LEAD.capacity_shares
    with pytest.raises(ValueError, match="no such battery parameter: colour"):
        battery_of(PackType("A", 12.0, "p", parameters={"colour": 1.0}))
