from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from tripplan.clock import local_moment
from tripplan.travel import SunKind, sun_times, usable_daylight

OSLO = ZoneInfo("Europe/Oslo")
TROMSO = (69.65, 18.96)


def test_margins_are_taken_off_both_ends():
    day = date(2026, 12, 5)
    sun = sun_times(52.0, -4.0, day, ZoneInfo("Europe/London"))
    assert usable_daylight(52.0, -4.0, day, ZoneInfo("Europe/London"), 30) == (
        sun.rise + 1800,
        sun.set - 1800,
    )


def test_polar_day_is_midnight_to_midnight():
    day = date(2026, 6, 21)
    assert sun_times(*TROMSO, day, OSLO).kind == "polar day"
    assert usable_daylight(*TROMSO, day, OSLO, 30) == (
        local_moment(day, 0, OSLO),
        local_moment(day, 1440, OSLO),
    )


def test_polar_night_allows_no_loops():
    sun = sun_times(*TROMSO, date(2026, 12, 21), OSLO)
    assert (sun.rise, sun.set, sun.kind) == (None, None, SunKind.POLAR_NIGHT)
    assert usable_daylight(*TROMSO, date(2026, 12, 21), OSLO, 0) is None


def test_day_shorter_than_both_margins_allows_no_loops():
    day = date(2026, 11, 26)
    sun = sun_times(*TROMSO, day, OSLO)
    assert sun.kind is SunKind.NORMAL
    half = (sun.set - sun.rise) / 120
    assert usable_daylight(*TROMSO, day, OSLO, half - 1) is not None
    assert usable_daylight(*TROMSO, day, OSLO, half + 1) is None


def test_first_and_last_day_of_the_polar_day_have_one_open_side():
    kinds = [
        (d, sun_times(*TROMSO, d, OSLO)) for d in (date(2026, 5, 1).replace(day=k) for k in range(1, 32))
    ]
    turning = [(d, sun) for d, sun in kinds if sun.kind is SunKind.NORMAL and None in (sun.rise, sun.set)]
    assert turning, "May holds Tromso's last sunrise before the polar day"
    for day, sun in turning:
        assert sun.set is None
        assert usable_daylight(*TROMSO, day, OSLO, 30) == (sun.rise + 1800, local_moment(day, 1440, OSLO))


def test_set_after_midnight_belongs_to_the_day_before():
    zone = ZoneInfo("America/Anchorage")  # the clock runs two hours ahead of the sun at Fairbanks
    sun = sun_times(64.84, -147.72, date(2026, 6, 21), zone)
    assert datetime.fromtimestamp(sun.rise, zone).day == 21
    assert datetime.fromtimestamp(sun.set, zone).day == 22
    assert 21 * 3600 < sun.set - sun.rise < 22.5 * 3600


@pytest.mark.parametrize(
    ("name", "lat", "lon"),
    [
        ("Pacific/Auckland", -41.3, 174.8),
        ("Pacific/Honolulu", 21.3, -157.9),
        ("Asia/Tokyo", 35.7, 139.7),
        ("America/Denver", 39.74, -105.18),
        ("Pacific/Kiritimati", 1.9, -157.5),
        ("Asia/Kashgar", 39.5, 76.0),
    ],
)
def test_rise_and_set_fall_on_the_local_date(name, lat, lon):
    # Where the universal date differs from the local one, a rise/set routine by universal date goes wrong.
    zone = ZoneInfo(name)
    for month in range(1, 13):
        day = date(2027, month, 17)
        sun = sun_times(lat, lon, day, zone)
        assert datetime.fromtimestamp(sun.rise, zone).date() == day
        assert datetime.fromtimestamp(sun.set, zone).date() == day
        assert 9 * 3600 < sun.set - sun.rise < 15.5 * 3600


def test_places_off_the_globe_are_refused():
    with pytest.raises(ValueError, match="no such place: lat 91"):
        sun_times(91.0, 0.0, date(2027, 1, 1), OSLO)


@pytest.mark.parametrize("lat", [-90.0, -89.9, 89.9, 90.0])
def test_the_poles_do_not_break(lat):
    months = (
        {7: SunKind.POLAR_DAY, 1: SunKind.POLAR_NIGHT}
        if lat > 0
        else {1: SunKind.POLAR_DAY, 7: SunKind.POLAR_NIGHT}
    )
    for month, kind in months.items():
        assert sun_times(lat, 0.0, date(2027, month, 1), ZoneInfo("UTC")).kind is kind
