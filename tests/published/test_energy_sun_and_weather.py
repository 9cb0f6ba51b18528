"""Sun and temperature against published normals and a reference library."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from tripplan.fleet import Climate
from tripplan.forecast.sun import clear_sky_kwh, declination_deg, panel_mah_per_day
from tripplan.forecast.weather import daily_means, temperature_weathers
from tripplan.units import fahrenheit_to_celsius

# Winnipeg Richardson Int'l A, Environment and Climate Change Canada, normals 1971-2000 [deg C]
WINNIPEG = (-17.8, -13.6, -6.1, 4.0, 12.0, 17.0, 19.5, 18.5, 12.3, 5.3, -5.3, -14.4)
WINNIPEG_SD_OF_MONTHLY_MEAN = (3.9, 4.2, 3.5, 2.7, 2.5, 1.8, 1.5, 1.8, 1.4, 1.6, 3.3, 4.2)
# Lebanon Municipal Airport, NH, USW00094765, NOAA/NCEI monthly normals 1991-2020 [deg F]
LEBANON_F = (19.8, 22.4, 31.9, 44.3, 56.7, 65.1, 70.3, 68.6, 60.7, 48.6, 37.2, 26.8)
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


@pytest.mark.parametrize(
    "normals", [WINNIPEG, tuple(fahrenheit_to_celsius(value) for value in LEBANON_F)], ids=["ECCC", "NOAA"]
)
def test_the_yearly_course_keeps_the_published_monthly_means(normals):
    course = daily_means(normals, date(2027, 1, 1), 365)
    ends = np.cumsum(MONTH_DAYS)
    means = [course[end - days : end].mean() for end, days in zip(ends, MONTH_DAYS, strict=True)]
    assert means == pytest.approx(normals, abs=1e-9)
    # the coldest day lies in January, some degrees below the month's mean at most
    assert 0 <= int(np.argmin(course)) < 45
    assert normals[0] - 3.0 < course.min() < normals[0]


def test_winter_months_differ_between_years_as_at_winnipeg():
    """ECCC 1971-2000: January's mean has a spread of 3.9 deg C between years, July's 1.5."""
    climate = Climate(WINNIPEG, (7.0, 7.0, 6.0, 4.5, 4.5, 3.5, 2.8, 3.0, 3.5, 4.0, 5.5, 7.0))
    weathers = temperature_weathers(climate, date(2027, 1, 1), 365, 200)
    january, july = weathers[:, :31].mean(axis=1), weathers[:, 181:212].mean(axis=1)
    assert january.mean() == pytest.approx(-17.8, abs=0.01)
    # spreads of single days are assumed, so only the order of size can agree
    assert january.std() == pytest.approx(WINNIPEG_SD_OF_MONTHLY_MEAN[0], rel=0.25)
    assert july.std() == pytest.approx(WINNIPEG_SD_OF_MONTHLY_MEAN[6], rel=0.25)


def test_single_days_stray_as_the_settings_say():
    climate = Climate((0.0,) * 12, (6.0,) * 12)
    weathers = temperature_weathers(climate, date(2027, 1, 1), 730, 200)
    assert weathers.std() == pytest.approx(6.0, rel=0.05)
    day, next_day = weathers[:, :-1].ravel(), weathers[:, 1:].ravel()
    assert np.corrcoef(day, next_day)[0, 1] == pytest.approx(0.83, abs=0.03)


def test_declination_against_the_example_of_nrel():
    """Reda & Andreas, NREL/TP-560-34302: 17 October 2003, 12:30:30 UTC-7: declination -9.31434 degrees."""
    assert declination_deg(290 + 19.51 / 24.0) == pytest.approx(-9.314, abs=0.25)


@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear")  # the library's own, not ours
@pytest.mark.parametrize("lat", [35.0, 49.9, 60.0])
def test_clear_sky_energy_against_a_reference_library(lat):
    """pvlib, Ineichen and Perez (2002) with its built-in turbidity; ours is Haurwitz (1945), which knows none."""
    pandas = pytest.importorskip("pandas")
    location = pytest.importorskip("pvlib.location").Location(lat, -97.2, "Etc/GMT+6", 239.0)
    for month in range(1, 13):
        times = pandas.date_range(f"2015-{month:02d}-15", periods=288, freq="5min", tz="Etc/GMT+6")
        wanted = float(location.get_clearsky(times)["ghi"].sum()) / 12.0 / 1000.0
        assert clear_sky_kwh(lat, month) == pytest.approx(wanted, rel=0.15, abs=0.12)


def test_make_up_of_a_small_panel():
    """Worked on assumed sun (computed): 30 mAh/day at a ratio of 1.2 and one sun hour need 36 mA; 1 W at 18 V is 55 mA."""
    december = clear_sky_kwh(49.9, 12)
    # one sun hour a day in December, without losses
    brings = panel_mah_per_day(49.9, 1.0, 12.0, 1.0 / december)[11] / 0.7
    assert brings == pytest.approx(55.6, abs=0.1)
    assert brings > 36.0
    assert panel_mah_per_day(49.9, 1.0, 12.0, 0.3 / december)[11] / 0.7 < 36.0
    assert panel_mah_per_day(49.9, 1.0, 12.0, None)[11] == 0.0
    assert panel_mah_per_day(-40.0, 1.0, 12.0, None)[5] == 0.0
