"""
Sunrise, sunset and the daylight in which people may be on foot.

The sun's place follows the short series of Meeus [1]_, chapter 25, with the largest terms of the
planets and the moon from his earlier handbook [2]_ (constants from memory; measured, they halve the
error); sidereal time follows chapter 12. Rise and set are the crossings of -0.833 degrees by the
sun's centre over a sea-level horizon, found by bracketing, so that high latitudes need no special
formula. Against the algorithm of Reda and Andreas [3]_, every date of 2020-2040: within 2 s between
65 S and 65 N; up to 70 N within 2.5 s on 99 days of 100, and within 50 s on the few days of the year
on which the sun grazes the horizon (``tests/published/test_sun.py`` holds it to that).

Air that bends light more or less than usual, height above the sea and hills around the place
shift the real event by minutes; the daylight margin is there for that.

References
----------
.. [1] J. Meeus, *Astronomical Algorithms*, 2nd ed. Richmond, VA, USA: Willmann-Bell, 1998.
.. [2] J. Meeus, *Astronomical Formulae for Calculators*, 3rd ed. Richmond, VA, USA:
   Willmann-Bell, 1985, ch. 18.
.. [3] I. Reda and A. Andreas, "Solar position algorithm for solar radiation applications,"
   *Solar Energy*, vol. 76, no. 5, pp. 577-589, 2004, doi: 10.1016/j.solener.2003.12.003.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from functools import lru_cache
from zoneinfo import ZoneInfo

from tripplan.clock import MINUTES_PER_DAY, local_moment

__all__ = ["HORIZON_DEG", "SunKind", "SunTimes", "sun_height", "sun_times", "usable_daylight"]

HORIZON_DEG = -0.833  # centre of the sun at rise and set: 34' of refraction and 16' of radius
_J2000 = 946_728_000.0  # 2000-01-01T12:00Z [s]
_DAY_S = 86_400.0
_TT_AHEAD_S = 71.0  # terrestrial minus universal time in 2020-2040, to a few seconds: worth 0.2 s here
_CLOSE_S = 0.01
_FLAT_DEG = 1e-7  # under a thousandth of a second wherever the sun does not graze the horizon


class SunKind(StrEnum):
    """What the sun does on a date."""

    NORMAL = "normal"
    POLAR_DAY = "polar day"
    POLAR_NIGHT = "polar night"


@dataclass(frozen=True)
class SunTimes:
    """
    Rise and set of the daylight that belongs to one local date.

    Attributes
    ----------
    rise, set : float or None
        Epoch seconds; None where the sun does not cross the horizon on that side of noon. On the
        first and last day of a polar day one of them may be None while `kind` is normal: there is
        then no limit on that side. [s]
    kind : SunKind
        ``normal``, ``polar day`` (always above) or ``polar night`` (never above).
    """

    rise: float | None
    set: float | None
    kind: SunKind


def _sun_place(moment: float) -> tuple[float, float, float]:
    """Return right ascension, declination and Greenwich apparent sidereal time. [rad, rad, rad]."""
    days = (moment - _J2000) / _DAY_S
    century = (days + _TT_AHEAD_S / _DAY_S) / 36_525.0
    mean_long = 280.46646 + century * (36_000.76983 + century * 0.0003032)
    anomaly = math.radians(357.52911 + century * (35_999.05029 - century * 0.0001537))
    centre = (
        (1.914602 - century * 0.004817) * math.sin(anomaly)
        + (0.019993 - century * 0.000101) * math.sin(2 * anomaly)
        + 0.000289 * math.sin(3 * anomaly)
    )
    node = math.radians(125.04452 - 1_934.136261 * century)
    nutation_long = -0.00478 * math.sin(node)
    longitude = math.radians(mean_long + centre - 0.00569 + nutation_long + _perturbation(century))
    obliquity = math.radians(23.4392911 - 0.0130042 * century + 0.00256 * math.cos(node))
    ascension = math.atan2(math.cos(obliquity) * math.sin(longitude), math.cos(longitude))
    declination = math.asin(math.sin(obliquity) * math.sin(longitude))
    sidereal = 280.46061837 + 360.98564736629 * days + 0.000387933 * century * century
    return ascension, declination, math.radians(sidereal + nutation_long * math.cos(obliquity))


def _perturbation(century: float) -> float:
    """
    Return what Venus, Jupiter, the moon and a term of 1800 years add to the sun's longitude. [deg].

    Largest terms only, counted from 1900 as in the literature before J2000; with them the longitude
    stays within 0.005 degrees of the full theory in 2020-2040 (without: 0.010).
    """
    since_1900 = century + 1.0
    return (
        0.00134 * math.cos(math.radians(153.23 + 22_518.7541 * since_1900))
        + 0.00154 * math.cos(math.radians(216.57 + 45_037.5082 * since_1900))
        + 0.00200 * math.cos(math.radians(312.69 + 32_964.3577 * since_1900))
        + 0.00179 * math.sin(math.radians(350.74 + 445_267.1142 * since_1900))
        + 0.00178 * math.sin(math.radians(231.19 + 20.20 * since_1900))
    )


def _hour_angle(moment: float, lon: float) -> float:
    """Return the sun's local hour angle, -180 to 180, west positive. [deg]."""
    ascension, _, sidereal = _sun_place(moment)
    return (math.degrees(sidereal - ascension) + lon + 180.0) % 360.0 - 180.0


def sun_height(lat: float, lon: float, moment: float) -> float:
    """
    Return how high the sun's centre stands, without refraction and parallax.

    Parameters
    ----------
    lat, lon : float
        Place; north and east positive. [deg]
    moment : float
        Epoch seconds. [s]

    Returns
    -------
    float
        Height above the sea-level horizon. [deg]

    Examples
    --------
    >>> round(sun_height(0.0, 0.0, 1_774_008_000.0), 1)  # noon, near the March equinox of 2026
    88.1
    """
    ascension, declination, sidereal = _sun_place(moment)
    angle = sidereal + math.radians(lon) - ascension
    phi = math.radians(lat)
    sine = math.sin(phi) * math.sin(declination) + math.cos(phi) * math.cos(declination) * math.cos(angle)
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def _extreme(lat: float, lon: float, near: float, *, upper: bool) -> float:
    """Return the moment of the sun's greatest or least height next to a moment. [s]."""
    moment = near
    for _ in range(3):
        before, after = _sun_place(moment - 1800.0)[1], _sun_place(moment + 1800.0)[1]
        drift = (after - before) / 3600.0 / (2 * math.pi / _DAY_S)  # per radian of hour angle
        declination = (before + after) / 2
        tilt = math.tan(math.radians(lat)) - (1 if upper else -1) * math.tan(declination)
        shift = math.degrees(math.asin(max(-1.0, min(1.0, drift * tilt))))
        target = shift if upper else 180.0 - shift
        short = (target - _hour_angle(moment, lon) + 180.0) % 360.0 - 180.0
        moment += short / 360.0 * _DAY_S
    return moment


def _crossing(height: Callable[[float], float], below: float, above: float) -> float:
    """Return where a height crosses zero between a moment below and a moment at or above it. [s]."""
    low, high = height(below), height(above)
    same_side = 0  # false position, the standing end halved (the Illinois rule)
    while abs(above - below) > _CLOSE_S:
        middle = below + (above - below) * low / (low - high)
        here = height(middle)
        if abs(here) < _FLAT_DEG:
            return middle
        if here < 0:
            below, low = middle, here
            high = high / 2 if same_side < 0 else high
            same_side = -1
        else:
            above, high = middle, here
            low = low / 2 if same_side > 0 else low
            same_side = 1
    return (below + above) / 2


@lru_cache(maxsize=131_072)
def _sun_times(lat: float, lon: float, day: date, zone: ZoneInfo) -> SunTimes:
    def height(moment: float) -> float:
        return sun_height(lat, lon, moment) - HORIZON_DEG

    midday = float(local_moment(day, MINUTES_PER_DAY / 2, zone))
    noon = _extreme(lat, lon, midday, upper=True)
    if height(noon) < 0:
        return SunTimes(None, None, SunKind.POLAR_NIGHT)
    before = _extreme(lat, lon, noon - _DAY_S / 2, upper=False)
    after = _extreme(lat, lon, noon + _DAY_S / 2, upper=False)
    rise = _crossing(height, before, noon) if height(before) < 0 else None
    down = _crossing(height, after, noon) if height(after) < 0 else None
    kind = SunKind.POLAR_DAY if rise is None and down is None else SunKind.NORMAL
    return SunTimes(rise, down, kind)


def sun_times(lat: float, lon: float, day: date, zone: ZoneInfo) -> SunTimes:
    """
    Return when the sun rises and sets on a local date.

    The daylight of a date is the one whose noon lies nearest to 12:00 on that date's local clock,
    so that rise comes before set even where the clock runs far from the sun: in a far northern
    summer the set may fall after midnight, on the next date.

    Parameters
    ----------
    lat, lon : float
        Place; taken to five decimals. [deg]
    day : datetime.date
        Local date, not the date in universal time.
    zone : zoneinfo.ZoneInfo
        Time zone of the fleet.

    Returns
    -------
    SunTimes
        Crossings of -0.833 degrees.

    Raises
    ------
    ValueError
        If the place is not on the globe.

    Examples
    --------
    >>> from tripplan.clock import moment_to_local
    >>> paris = ZoneInfo("Europe/Paris")
    >>> sun = sun_times(48.8566, 2.3522, date(2026, 12, 21), paris)
    >>> [moment_to_local(t, paris).strftime("%H:%M") for t in (sun.rise, sun.set)]
    ['08:41', '16:56']
    """
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        raise ValueError(f"no such place: lat {lat}, lon {lon}")
    return _sun_times(round(lat, 5), round(lon, 5), day, zone)


def usable_daylight(
    lat: float, lon: float, day: date, zone: ZoneInfo, margin_minutes: float
) -> tuple[float, float] | None:
    """
    Return the span in which people may be away from the vehicle on foot.

    Parameters
    ----------
    lat, lon : float
        Parking. [deg]
    day : datetime.date
        Local date.
    zone : zoneinfo.ZoneInfo
        Time zone of the fleet.
    margin_minutes : float
        Time kept free after sunrise and before sunset. [min]

    Returns
    -------
    tuple of float, or None
        Epoch seconds from sunrise + margin to sunset - margin; None where nothing is left (polar night,
        or a day shorter than both margins). Where the sun does not cross the horizon there is no
        limit, and the span runs from or to local midnight without a margin. [s]

    Examples
    --------
    >>> usable_daylight(70.0, 25.0, date(2026, 12, 21), ZoneInfo("Europe/Oslo"), 30) is None
    True
    """
    sun = sun_times(lat, lon, day, zone)
    if sun.kind is SunKind.POLAR_NIGHT:
        return None
    margin = margin_minutes * 60.0
    start = float(local_moment(day, 0, zone)) if sun.rise is None else sun.rise + margin
    end = float(local_moment(day, MINUTES_PER_DAY, zone)) if sun.set is None else sun.set - margin
    return (start, end) if start < end else None
