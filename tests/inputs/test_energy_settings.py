"""Draw profiles, a pack type's own battery numbers, and the weather table."""

from __future__ import annotations

from datetime import date

import pytest

from tripplan.errors import InputError
from tripplan.forecast import Basis, forecast_fleet
from tripplan.inputs import read_fleet

SETTINGS = """
[fleet]
name = "Test"
timezone = "Europe/Paris"
[[crew]]
name = "One"
base_lat = 48.0
base_lon = 7.0
[pack_types.SLA]
volts = 12.0
plug = "5.5x2.1 centre +"
"""
SITES = "site_id,lat,lon,pack_type,swapped_on,profile\nA,48.1001,7.1001,SLA,2026-10-01,ridge\n"
TODAY = date(2026, 11, 25)


def read(folder, settings="", sites=SITES, weather=None):
    (folder / "tripplan.toml").write_text(SETTINGS + settings, encoding="utf-8")
    (folder / "sites.csv").write_text(sites, encoding="utf-8")
    if weather is not None:
        (folder / "weather.csv").write_text(weather, encoding="utf-8")
    return read_fleet(folder, TODAY)


def faults(folder, *args, **values):
    with pytest.raises(InputError) as caught:
        read(folder, *args, **values)
    return str(caught.value)


def test_a_profile_is_named_once_and_used_by_its_sites(tmp_path):
    settings = "[profiles.ridge]\nquiescent_ma = 0.5\nevents_per_day = 12\nmah_per_event = 1.5\n"
    fleet = read(tmp_path, settings)
    assert fleet.profiles["ridge"].device_draw_mah_per_day == pytest.approx(30.0)
    forecast = forecast_fleet(fleet, TODAY, 4).sites["A"]
    assert forecast.basis is Basis.MODEL
    assert forecast.because.startswith("30 mAh/day")


def test_a_profile_that_the_settings_do_not_know_is_refused(tmp_path):
    settings = "[profiles.crag]\ndraw_mah_per_day = 30\n[profiles.lake]\ndraw_mah_per_day = 20\n"
    assert faults(tmp_path, settings) == (
        "sites.csv, row 2, column profile: unknown profile (found 'ridge'). Known: crag, lake."
    )


def test_a_profile_is_found_whatever_its_capitals_and_spaces(tmp_path):
    sites = SITES.replace("ridge", " RIDGE ")
    fleet = read(tmp_path, "[profiles.ridge]\ndraw_mah_per_day = 30\n", sites)
    assert fleet.sites[0].profile == "ridge"


def test_without_profiles_in_the_settings_the_column_only_sorts_devices(tmp_path):
    assert read(tmp_path).sites[0].profile == "ridge"


def test_a_profile_of_both_kinds_is_refused(tmp_path):
    settings = "[profiles.ridge]\ndraw_mah_per_day = 30\nquiescent_ma = 0.5\n"
    assert faults(tmp_path, settings) == (
        "tripplan.toml, setting [profiles.ridge] draw_mah_per_day: the profile gives both an average and its parts "
        "(found '30'). Keep draw_mah_per_day, or quiescent_ma with events_per_day and mah_per_event."
    )


def test_an_activity_of_eleven_months_is_refused(tmp_path):
    settings = f"[profiles.ridge]\ndraw_mah_per_day = 30\nactivity = {[1.0] * 11}\n"
    assert "activity: there are 11 months instead of twelve" in faults(tmp_path, settings)


def test_a_pack_type_sets_its_own_numbers(tmp_path):
    assert read(tmp_path, "usual_health = 0.7\ncontroller_idle_ma = 6\n").pack_types["SLA"].parameters == {
        "usual_health": 0.7, "controller_idle_ma": 6.0,
    }  # fmt: skip


def test_a_health_beyond_reason_is_refused(tmp_path):
    assert "usual_health: must lie between 0.2 and 1.3" in faults(tmp_path, "usual_health = 70\n")


def test_measured_days_are_read_and_shorten_in_the_cold(tmp_path):
    profile = "[profiles.ridge]\ndraw_mah_per_day = 30\n"
    usual = forecast_fleet(read(tmp_path, profile), TODAY, 4).sites["A"]
    days = "".join(f"2026-12-{day:02d},-30\n" for day in range(1, 32))
    fleet = read(tmp_path, profile, weather="date,temp_c\n" + days)
    assert len(fleet.weather) == 31
    assert forecast_fleet(fleet, TODAY, 4).sites["A"].flat_likely < usual.flat_likely


def test_a_day_twice_is_refused(tmp_path):
    assert faults(tmp_path, weather="date,temp_c\n2026-11-01,3\n2026-11-01,4\n") == (
        "weather.csv, row 3, column date: the day stands in row 2 already (found '2026-11-01'). Keep one row a day."
    )


def test_every_battery_number_and_curve_may_be_ones_own(tmp_path):
    own = (
        "temps_c = [-20, 0, 25]\ncapacity_shares = [0.5, 0.8, 1.0]\ncutoff_volts = 11.8\n"
        "rested_charges = [0, 0.5, 1]\nrested_volts_per_cell = [1.95, 2.03, 2.12]\nreserve_share = 0.1\n"
    )
    parameters = read(tmp_path, own).pack_types["SLA"].parameters
    assert parameters["temps_c"] == (-20.0, 0.0, 25.0)
    assert parameters["capacity_shares"] == (0.5, 0.8, 1.0)
    assert parameters["rested_volts_per_cell"] == (1.95, 2.03, 2.12)
    assert (parameters["cutoff_volts"], parameters["reserve_share"]) == (11.8, 0.1)


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ("temps_c = [0, 25]\n", "capacity_shares: the setting is missing"),
        ("temps_c = [0, 25]\ncapacity_shares = [0.8]\n", "must be a list of two or more numbers"),
        (
            "temps_c = [-20, 0, 25]\ncapacity_shares = [0.8, 1.0]\n",
            "capacity_shares: there are 2 values for 3 in temps_c",
        ),
        (
            "temps_c = [25, 0]\ncapacity_shares = [0.8, 1.0]\n",
            "temps_c: each value must lie above the one before it",
        ),
        ("temps_c = [0, 25]\ncapacity_shares = [80, 100]\n", "each value must lie between 0 and 1.5"),
        ('temps_c = "cold"\ncapacity_shares = [0.8, 1.0]\n', "must be a list of two or more numbers"),
        ("cold_sd = -1\n", "cold_sd: must lie between 0 and 1"),
        (
            'chemistry = "lithium iron phosphate"\ncutoff_volts = 11\nusual_months = 5\n',
            "cutoff_volts: volts say nothing of the charge left in lithium iron phosphate",
        ),
        ("capacity_ah = -7\n", "capacity_ah: must"),
    ],
)
def test_a_battery_number_that_cannot_be_is_refused(tmp_path, own, said):
    assert said in faults(tmp_path, own)


def test_every_number_of_the_batterys_table_has_its_setting():
    from tripplan.forecast.battery import OVERRIDABLE
    from tripplan.inputs.settings_profiles import BATTERY_CURVES, BATTERY_RANGES

    settings = {*BATTERY_RANGES, *(name for pair in BATTERY_CURVES for name, *_ in pair)}
    assert set(OVERRIDABLE) <= settings


def test_the_climate_may_hold_ones_own_sun_and_needs_twelve_months(tmp_path):
    months = f"[climate]\nmean_c = {[5.0] * 12}\nsd_c = {[3.0] * 12}\n"
    assert read(tmp_path, months + f"sun_kwh = {[2.0] * 12}\n").climate.sun_kwh == (2.0,) * 12
    assert read(tmp_path, months).climate.sun_kwh == ()
    assert "sun_kwh: there are 11 months" in faults(tmp_path, months + f"sun_kwh = {[2.0] * 11}\n")


def test_efficiency_without_a_converter_is_refused(tmp_path):
    sites = SITES.replace(",profile\n", ",profile,converter_efficiency\n").replace(",ridge\n", ",,0.8\n")
    assert "column converter_efficiency: there is no converter at this site" in faults(tmp_path, sites=sites)
