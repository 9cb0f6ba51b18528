"""Batteries, loads, weather and sun by the user's own numbers, each read from files and seen in the dates."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from tripplan.fleet import (
    Chemistry,
    Climate,
    Done,
    Fleet,
    Pack,
    PackState,
    PackType,
    Profile,
    Site,
    VisitRecord,
)
from tripplan.forecast import forecast_fleet
from tripplan.forecast.backup import Backup
from tripplan.forecast.basis import pack_health
from tripplan.forecast.battery import (
    battery_of,
    capacity_share,
    charge_that_freezes,
    freezing_point_c,
    standing_health,
)
from tripplan.forecast.crossing import WeatherSums, flat_share, grid_over, quantile_days, quantiles_by_site
from tripplan.forecast.learning import CELLS, EDGES, normal_cells
from tripplan.forecast.load import pack_draw_mah_per_day
from tripplan.forecast.weather import climate_of, temperature_weathers, with_measured_days

ON = date(2026, 11, 25)
COLD = Climate(
    (-17.8, -13.6, -6.1, 4.0, 12.0, 17.0, 19.5, 18.5, 12.3, 5.3, -5.3, -14.4),
    (6.0, 6.0, 5.0, 4.0, 4.0, 3.0, 3.0, 3.0, 3.0, 4.0, 5.0, 6.0),
)
MILD = Climate((12.0,) * 12, (3.0,) * 12)


def make_site(**values):
    base = Site("A", 49.9, -97.2, "T", 12.0, "p", 49.9, -97.2, draw_mah_per_day=30.0, swapped_on=ON, row=2)
    return replace(base, **values)


def make_fleet(*sites, kind=None, climate=MILD, **values):
    return Fleet("f", "UTC", (), sites, {"T": kind or PackType("T", 12.0, "p")}, climate=climate, **values)


def life(fleet):
    return (forecast_fleet(fleet, ON, 1).sites["A"].flat_likely - ON).days


def test_every_number_of_the_table_can_be_ones_own():
    own = {
        "temps_c": (-20.0, 25.0), "capacity_shares": (0.4, 1.0), "cold_sd": 0.0, "self_discharge_per_month": 0.1,
        "doubling_c": 8.0, "peukert_k": 1.2, "rated_hours": 10.0, "usual_health": 0.7, "health_sd": 0.2,
        "fade_per_year": 0.1, "fade_per_cycle": 0.01, "empty_volts_per_cell": 1.8, "nominal_volts_per_cell": 2.1,
        "soc_reading_sd": 0.2, "rested_charges": (0.0, 1.0), "rested_volts_per_cell": (1.9, 2.15),
        "charge_from_c": 0.0, "reserve_share": 0.1,
    }  # fmt: skip
    battery = battery_of(PackType("T", 12.0, "p", parameters=own))
    for name, value in own.items():
        assert getattr(battery, name) == value
    assert set(own) == {name for name in vars(battery) if name != "sources"}
    assert capacity_share(battery, 2.5) == pytest.approx(0.7)


def test_a_cut_off_above_empty_costs_what_rested_volts_say():
    # 12.0 V at rest is about a quarter of charge: it stays in the pack
    kind = PackType("T", 12.0, "p", parameters={"cutoff_volts": 12.0})
    assert battery_of(kind).reserve_share == pytest.approx(0.24, abs=0.02)
    assert life(make_fleet(make_site(), kind=kind)) < 0.8 * life(make_fleet(make_site()))
    low = PackType("T", 12.0, "p", parameters={"cutoff_volts": 10.5})
    assert life(make_fleet(make_site(), kind=low)) == life(make_fleet(make_site()))


def test_efficiency_and_idle_of_a_converter():
    profile = Profile("cam", 40.0)
    kind = PackType("T", 12.0, "p")
    site = make_site(draw_mah_per_day=None, profile="cam", volts=6.0, converter_volts=12.0)
    assert pack_draw_mah_per_day(
        replace(site, converter_efficiency=0.8, converter_idle_ma=0.5), kind, profile
    ) == pytest.approx(40.0 * 6.0 / (12.0 * 0.8) + 12.0)
    boxed = PackType(
        "T", 6.0, "p", battery_volts=12.0,
        parameters={"converter_efficiency": 0.9, "converter_idle_ma": 1.0},
    )  # fmt: skip
    plain = replace(site, converter_volts=None, volts=6.0)
    assert pack_draw_mah_per_day(plain, boxed, profile) == pytest.approx(40.0 * 6.0 / (12.0 * 0.9) + 24.0)


def test_cycles_wear_a_pack_out():
    battery = battery_of(PackType("T", 12.0, "p"))
    # maker's sheet: 200 full cycles, taken as to 70 %
    assert standing_health(battery, 0.0, 200) == pytest.approx(0.70, abs=0.01)
    pack = Pack("P", "T", bought=date(2025, 1, 1), where="A", since=ON)
    fresh = make_fleet(make_site(), packs=(pack,))
    visits = []
    for k in range(20):
        day = date(2025, 2, 1) + timedelta(days=30 * k)
        visits += [
            VisitRecord(day, "A", done=Done.SWAPPED, pack_in="P", row=2 * k + 2),
            VisitRecord(day + timedelta(days=9), "A", done=Done.SWAPPED, pack_out="P", row=2 * k + 3),
        ]
    worn = replace(fresh, visits=tuple(visits))
    assert len(worn.pack_ends["P"]) == 20
    kind = fresh.pack_types["T"]
    before, after = (pack_health(fleet, kind, pack, battery, ON)[0] for fleet in (fresh, worn))
    assert after == pytest.approx(before * np.exp(-20 * battery.fade_per_cycle))


def test_a_future_pack_is_one_of_this_fleets_usual_health_with_its_spread():
    battery = battery_of(PackType("T", 12.0, "p"))

    def usual(*shares):
        packs = tuple(
            Pack(f"P{k}", "T", tested_ah=7.0 * share, tested_on=date(2026, 7, 1))
            for k, share in enumerate(shares)
        )
        fleet = make_fleet(make_site(), packs=packs)
        return pack_health(fleet, fleet.pack_types["T"], None, battery, date(2026, 7, 1))

    none, weak, alike, apart = usual(), usual(*[0.6] * 12), usual(*[0.88] * 12), usual(*[0.6, 1.1] * 6)
    assert none == pytest.approx((battery.usual_health, battery.health_sd))
    assert weak[0] == pytest.approx(0.6, abs=0.06)
    assert alike[1] < 0.6 * none[1] < apart[1]
    # a retired pack is none that goes out again
    retired = tuple(
        Pack(f"P{k}", "T", tested_ah=3.0, tested_on=date(2026, 7, 1), state=PackState.RETIRED)
        for k in range(9)
    )
    fleet = make_fleet(make_site(), packs=retired)
    assert pack_health(fleet, fleet.pack_types["T"], None, battery, ON) == pytest.approx(none)


def test_a_daily_file_makes_a_climate_where_it_covers_the_year():
    days = {
        date(2025, 1, 1) + timedelta(days=k): -10.0 if k < 59 or k > 330 else 15.0 + k % 5 for k in range(365)
    }
    with_file = make_fleet(make_site(), climate=None, weather=days)
    climate = climate_of(with_file)
    assert climate.mean_c[0] == -10.0
    assert climate.mean_c[6] == pytest.approx(17.0, abs=0.2)
    # a life that ends in the cold
    site = make_site(draw_mah_per_day=60.0)
    assert life(replace(with_file, sites=(site,))) < life(make_fleet(site, climate=None))
    outlook = forecast_fleet(with_file, ON, 1)
    assert outlook.notes == ("no [climate] given: it was made of the days in weather.csv",)
    assert "no climate given" not in outlook.sites["A"].because
    few = make_fleet(make_site(), climate=None, weather={date(2026, 11, 1): -3.0})
    outlook = forecast_fleet(few, ON, 1)
    assert "no climate could be made of it" in outlook.notes[0]
    assert outlook.sites["A"].because.endswith("no climate given: 10 C all year")


def test_after_a_measured_day_the_weather_parts_again_slowly():
    temps = temperature_weathers(MILD, ON, 60)
    cold = with_measured_days(temps, ON, {ON: -20.0})
    assert (cold[:, 0] == -20.0).all()
    # an autoregression of 0.8: of 32 degrees some 13 are left after four days, none after a month
    assert (cold[:, 4] - temps[:, 4]).mean() == pytest.approx(-32.0 * 0.8**4, abs=1.5)
    assert np.array_equal(cold[:, 30:], temps[:, 30:])
    assert cold[:, 10].std() > 0.5 * temps[:, 10].std()


def test_a_table_of_ones_own_sun():
    none = Climate(MILD.mean_c, MILD.sd_c, sun_kwh=(0.0,) * 12)
    much = Climate(MILD.mean_c, MILD.sd_c, sun_kwh=(3.0,) * 12)
    site = make_site(panel_w=2.0)
    bare = make_fleet(replace(site, panel_w=None))
    dark, bright = make_fleet(site, climate=none), make_fleet(site, climate=much)
    # followed from the first day of its week
    assert abs(life(dark) - life(bare)) <= 7
    assert any("the panel carries it" in f for f in forecast_fleet(bright, ON, 1).sites["A"].flags)
    # its own table counts in December too
    assert life(bright) > 1000
    less = PackType("T", 12.0, "p", parameters={"panel_yield": 0.05})
    assert life(make_fleet(site, kind=less, climate=much)) < 600


def test_south_of_the_line_june_is_dark():
    north = make_site(panel_w=0.7, sun_fraction=0.12, swapped_on=date(2026, 4, 1))
    south = replace(north, lat=-49.9, swapped_on=date(2026, 10, 1))
    turned = Climate(COLD.mean_c[6:] + COLD.mean_c[:6], COLD.sd_c[6:] + COLD.sd_c[:6])
    here = forecast_fleet(make_fleet(north, climate=COLD), date(2026, 4, 1), 2).sites["A"]
    there = forecast_fleet(make_fleet(south, climate=turned), date(2026, 10, 1), 2).sites["A"]
    assert here.flat_likely.month in (11, 12, 1, 2)
    assert there.flat_likely.month in (5, 6, 7, 8)
    assert any("only in the dark months" in flag for flag in there.flags)


def test_backup_days_are_shorter_in_the_cold():
    site = make_site(backup_days=20.0, swapped_on=date(2026, 9, 1))

    def gained(chemistry, climate):
        with_backup = replace(site, backup_chemistry=chemistry)
        sites = forecast_fleet(make_fleet(with_backup, climate=climate), ON, 4).sites
        bare = forecast_fleet(make_fleet(replace(site, backup_days=0.0), climate=climate), ON, 4).sites
        return (sites["A"].swap_by - bare["A"].swap_by).days

    # unknown cells: the days as given
    assert gained(None, COLD) == 20
    # from memory: alkaline cells give about half at -20 C, lithium iron disulfide nine tenths
    assert gained(Chemistry.ALKALINE, COLD) < 14
    assert gained(Chemistry.LITHIUM_IRON_DISULFIDE, COLD) in (17, 18, 19)
    assert gained(Chemistry.ALKALINE, Climate((25.0,) * 12, (0.0,) * 12)) == 20


def test_backup_forward_and_back_agree():
    temps = temperature_weathers(COLD, ON, 400)
    backup = Backup(make_site(backup_days=12.0, backup_chemistry=Chemistry.ALKALINE), temps)
    for flat_age in (0.0, 3.5, 60.0, 200.25):
        dark = backup.dark_age(flat_age, 5)
        assert flat_age < dark <= flat_age + 12.0 + 1e-9
        assert float(backup.flat_ages([dark], 5)[0]) == pytest.approx(flat_age, abs=1e-6)


def test_freezing_before_darkness_is_found_with_the_whole_spread_of_loads():
    assert charge_that_freezes(freezing_point_c([0.1, 0.4, 0.9])).round(9).tolist() == [0.1, 0.4, 0.9]
    site = make_site(swapped_on=ON - timedelta(days=100), backup_days=30.0)
    arctic = Climate(tuple(mean - 12.0 for mean in COLD.mean_c), COLD.sd_c)
    found = forecast_fleet(make_fleet(site, climate=arctic), ON, 10).sites["A"]
    assert found.freezes_from is not None
    assert found.freezes_from <= found.swap_by
    # who accepts more sees it later
    bolder = forecast_fleet(make_fleet(replace(site, risk=0.3), climate=arctic), ON, 10).sites["A"]
    assert bolder.freezes_from > found.freezes_from


@pytest.mark.parametrize("seed", range(5))
def test_quantiles_site_by_site_are_those_of_the_whole_product(seed):
    rng = np.random.default_rng(seed)
    bases, cells = rng.normal(-5.0, 0.5, 7), np.stack([normal_cells(m, 0.3) for m in rng.normal(0, 0.3, 7)])
    grid = grid_over(bases, cells)
    mass = grid.masses(bases, cells)
    for column in range(7):
        known = np.concatenate([[0.0], np.cumsum(cells[column])])
        cdf = np.interp(grid.edges - bases[column], EDGES, known)
        assert np.cumsum(mass[:, column])[:-1] == pytest.approx(cdf[1:-1], abs=1e-12)
    assert mass.sum(axis=0) == pytest.approx(np.ones(7))
    temps = temperature_weathers(COLD, ON, 500)
    battery = battery_of(PackType("T", 12.0, "p"))
    table = flat_share(WeatherSums(battery, temps).limits(int(rng.integers(0, 90)), 333), grid)
    levels = np.stack([rng.uniform(0.01, 0.99, 7) for _ in range(3)])
    found = quantiles_by_site(table, mass, levels)
    for row, level in enumerate(levels):
        assert found[row] == pytest.approx(quantile_days(table @ mass, level), abs=1e-6)
    assert cells.shape[1] == CELLS


@pytest.mark.parametrize("draw", [1e-3, 1.0, 500.0, 1e5])
@pytest.mark.parametrize("capacity", [0.05, 7.0, 1000.0])
@pytest.mark.parametrize("chemistry", list(Chemistry))
def test_no_number_in_range_breaks_the_forecast(draw, capacity, chemistry):
    kind = PackType("T", 12.0, "p", chemistry, capacity_ah=capacity)
    site = make_site(draw_mah_per_day=draw, swapped_on=ON - timedelta(days=3))
    outlook = forecast_fleet(make_fleet(site, kind=kind, climate=COLD), ON, 2)
    one, renewal = outlook.sites["A"], outlook.renewals["A"]
    assert one.flat_early <= one.flat_likely <= one.flat_late
    assert 0.0 <= one.chance_dark_today <= 1.0
    for array in (renewal.swap_by, renewal.flat_early, renewal.flat_likely, renewal.flat_late):
        assert (np.diff(array) >= 0).all()
    assert np.isfinite(outlook.dark_chance_by_age["A"]).all()
