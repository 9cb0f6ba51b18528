"""
The weather of a pack in its box: the day's mean, by month, with the chance of cold spells.

A pack of 2 to 3 kg in a box follows the mean of the day, not the low of the night (trade practice,
no source). Single days stray from the month's mean as a first-order autoregression; part of the
spread changes slowly, so that a whole month, or winter, may be cold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Climate, Fleet

__all__ = [
    "LEAST_DAYS_A_MONTH",
    "MILD_C",
    "N_WEATHERS",
    "ColdSpell",
    "climate_of",
    "cold_scores",
    "daily_means",
    "daily_spreads",
    "temperature_weathers",
    "with_cold_spell",
    "with_measured_days",
]

#: Taken all year where a fleet gives no climate; said beside each date that rests on it. Assumption. [deg C]
MILD_C = 10.0
#: Possible weathers carried along with every forecast.
N_WEATHERS = 24
#: Day-to-day correlation of the fast part; common practice for daily mean temperature, no source.
_FAST_R = 0.8
#: The slow part forgets within about two months; assumption.
_SLOW_R = float(np.exp(-1.0 / 60.0))
#: Share of the variance that is slow: makes January's mean differ between years by about 0.6 of the
#: spread of single days, as the ECCC normals 1971-2000 of Winnipeg do (3.9 against about 6 deg C).
_SLOW_SHARE = 0.15
_WARM_UP_DAYS = 180
#: Days after which a measured day is forgotten.
_FADE_DAYS = 21
_SEED = 20090


#: A climate is made of a daily file only where it has so many days of each month.
LEAST_DAYS_A_MONTH = 20


def climate_of(fleet: Fleet) -> Climate | None:
    """
    Return a fleet's climate: its own, else one made of its daily temperatures.

    Parameters
    ----------
    fleet : Fleet
        With ``[climate]``, or a daily file that covers every month of the year.

    Returns
    -------
    Climate or None
        None where neither is there.

    Examples
    --------
    >>> from dataclasses import replace
    >>> days = {date(2026, 1, 1) + timedelta(days=k): 5.0 for k in range(365)}
    >>> climate_of(Fleet("f", "UTC", (), (), {}, weather=days)).mean_c[:2]
    (5.0, 5.0)
    >>> climate_of(Fleet("f", "UTC", (), (), {}, weather={date(2026, 1, 1): 5.0})) is None
    True
    """
    if fleet.climate is not None or not fleet.weather:
        return fleet.climate
    months: list[list[float]] = [[] for _ in range(12)]
    for day, temp_c in fleet.weather.items():
        months[day.month - 1].append(temp_c)
    if min(len(month) for month in months) < LEAST_DAYS_A_MONTH:
        return None
    return Climate(
        tuple(float(np.mean(month)) for month in months),
        # days of one month run together, so that their spread about its mean comes out too small
        tuple(max(1.0, 1.15 * float(np.std(month))) for month in months),
    )


@dataclass(frozen=True)
class ColdSpell:
    """
    Some days as cold as a forecast of the weather says.

    Attributes
    ----------
    temp_c : float
        The days' mean. [deg C]
    first : datetime.date
        First day.
    days : int
        How many.
    """

    temp_c: float
    first: date
    days: int


def with_cold_spell(temps_c: NDArray[np.float64], first: date, spell: ColdSpell) -> NDArray[np.float64]:
    """
    Return courses of temperature with a cold spell in them.

    Parameters
    ----------
    temps_c : numpy.ndarray, shape (n_weathers, n_days)
        The day's mean. [deg C]
    first : datetime.date
        First day of the courses.
    spell : ColdSpell
        Days outside the courses are passed over.

    Returns
    -------
    numpy.ndarray, shape (n_weathers, n_days)
        At most the spell's temperature on its days.

    Examples
    --------
    >>> with_cold_spell(np.zeros((1, 4)), date(2027, 1, 1), ColdSpell(-25.0, date(2027, 1, 2), 2)).tolist()
    [[0.0, -25.0, -25.0, 0.0]]
    """
    start = max(0, (spell.first - first).days)
    stop = max(start, (spell.first - first).days + spell.days)
    colder = temps_c.copy()
    colder[:, start:stop] = np.minimum(colder[:, start:stop], spell.temp_c)
    return colder


def with_measured_days(
    temps_c: NDArray[np.float64], first: date, measured: Mapping[date, float]
) -> NDArray[np.float64]:
    """
    Return courses of temperature that are the same on the days that were measured.

    Parameters
    ----------
    temps_c : numpy.ndarray, shape (n_weathers, n_days)
        The day's mean. [deg C]
    first : datetime.date
        First day of the courses.
    measured : mapping of datetime.date to float
        Days outside the courses are passed over. [deg C]

    Returns
    -------
    numpy.ndarray, shape (n_weathers, n_days)
        After the last of a row of measured days the courses part again, as weather does.

    Examples
    --------
    >>> with_measured_days(np.zeros((1, 4)), date(2027, 1, 1), {date(2027, 1, 2): -10.0}).tolist()
    [[0.0, -10.0, -8.0, -6.4]]
    """
    found = temps_c.copy()
    known = {(day - first).days: temp_c for day, temp_c in measured.items()}
    n_days = temps_c.shape[1]
    for place, temp_c in known.items():
        if not 0 <= place < n_days:
            continue
        found[:, place] = temp_c
        if place + 1 not in known:
            ahead = [k for k in range(1, _FADE_DAYS) if place + k < n_days and place + k not in known]
            fade = _FAST_R ** np.array(ahead, dtype=np.float64)
            found[:, [place + k for k in ahead]] += (temp_c - temps_c[:, place])[:, None] * fade
    return found


def daily_means(monthly: tuple[float, ...], first: date, n_days: int) -> NDArray[np.float64]:
    """
    Return a smooth yearly course whose monthly averages are those given.

    Parameters
    ----------
    monthly : tuple of float, length 12
        Monthly means, January first.
    first : datetime.date
        First day wanted.
    n_days : int
        Number of days.

    Returns
    -------
    numpy.ndarray, shape (n_days,)
        Straight lines between mid-months, their corners moved so that each month's average holds.

    Examples
    --------
    >>> course = daily_means((-18, -14, -6, 4, 12, 17, 20, 18, 12, 5, -5, -14), date(2027, 1, 1), 365)
    >>> round(float(course[:31].mean()), 6), round(float(course[181:212].mean()), 6)
    (-18.0, 20.0)
    """
    year = _month_weights(np.arange(365))
    months = np.array([(date(2027, 1, 1) + timedelta(days=k)).month - 1 for k in range(365)])
    averages = np.stack([year[months == month].mean(axis=0) for month in range(12)])
    corners = np.linalg.solve(averages, np.asarray(monthly, dtype=np.float64))
    return np.asarray((year @ corners)[_days_of_year(first, n_days)], dtype=np.float64)


def daily_spreads(monthly: tuple[float, ...], first: date, n_days: int) -> NDArray[np.float64]:
    """
    Return the spread of single days, straight lines between mid-months.

    Parameters
    ----------
    monthly : tuple of float, length 12
        Spreads, January first.
    first : datetime.date
        First day wanted.
    n_days : int
        Number of days.

    Returns
    -------
    numpy.ndarray, shape (n_days,)
        Spread about the yearly course.

    Examples
    --------
    >>> daily_spreads((6.0,) * 12, date(2027, 1, 1), 3).tolist()
    [6.0, 6.0, 6.0]
    """
    year = _month_weights(np.arange(365)) @ np.asarray(monthly, dtype=np.float64)
    return np.asarray(year[_days_of_year(first, n_days)], dtype=np.float64)


def temperature_weathers(
    climate: Climate | None, first: date, n_days: int, n_weathers: int = N_WEATHERS
) -> NDArray[np.float64]:
    """
    Return possible courses of the day's mean temperature.

    The same day always gets the same courses, whatever `first` is, so that dates do not jitter from
    one forecast to the next.

    Parameters
    ----------
    climate : Climate or None
        Monthly means and spreads; None: `MILD_C` all year.
    first : datetime.date
        First day wanted.
    n_days : int
        Number of days.
    n_weathers : int, default N_WEATHERS
        Number of courses, even; they come in pairs that mirror each other about the mean.

    Returns
    -------
    numpy.ndarray, shape (n_weathers, n_days)
        Temperatures; one row only where no climate is given. [deg C]

    Examples
    --------
    >>> temperature_weathers(None, date(2027, 1, 1), 3).tolist()
    [[10.0, 10.0, 10.0]]
    """
    if climate is None:
        return np.full((1, n_days), MILD_C)
    strays = _strays(first, n_days, n_weathers)
    course = daily_means(climate.mean_c, first, n_days)
    return np.asarray(course + daily_spreads(climate.sd_c, first, n_days) * strays, dtype=np.float64)


def cold_scores(n_weathers: int) -> NDArray[np.float64]:
    """
    Return for each weather how hard the cold bites there, as a standard normal score.

    Parameters
    ----------
    n_weathers : int
        1, or even as in `temperature_weathers`.

    Returns
    -------
    numpy.ndarray, shape (n_weathers,)
        Their mean is 0; mirrored weathers have opposite scores.

    Examples
    --------
    >>> cold_scores(1).tolist(), round(float(cold_scores(24).std()), 2)
    ([0.0], 0.95)
    """
    from scipy.special import ndtri

    half = n_weathers // 2
    if half == 0:
        return np.zeros(n_weathers)
    scores = np.asarray(ndtri((np.arange(half) + 0.5) / half), dtype=np.float64)
    scores = scores[np.random.default_rng(_SEED).permutation(half)]
    return np.concatenate([scores, -scores])


def _strays(first: date, n_days: int, n_weathers: int) -> NDArray[np.float64]:
    start = first.toordinal() - _WARM_UP_DAYS
    total = n_days + _WARM_UP_DAYS
    years = range(date.fromordinal(start).year, date.fromordinal(start + total - 1).year + 1)
    half = n_weathers // 2
    blocks = [np.random.default_rng([_SEED, year]).standard_normal((366, 2, half)) for year in years]
    offset = start - date(years[0], 1, 1).toordinal()
    lengths = [(date(year + 1, 1, 1) - date(year, 1, 1)).days for year in years]
    noise = np.concatenate([block[:length] for block, length in zip(blocks, lengths, strict=True)])
    noise = noise[offset : offset + total]
    keep = np.array([_FAST_R, _SLOW_R])[:, None]
    push = np.sqrt(1.0 - keep**2)
    state = np.zeros((2, half))
    states = np.empty((total, 2, half))
    for k in range(total):
        state = keep * state + push * noise[k]
        states[k] = state
    mixed = np.sqrt(1.0 - _SLOW_SHARE) * states[:, 0] + np.sqrt(_SLOW_SHARE) * states[:, 1]
    mixed = mixed[_WARM_UP_DAYS:].T
    return np.concatenate([mixed, -mixed])


def _days_of_year(first: date, n_days: int) -> NDArray[np.int64]:
    places = np.empty(n_days, dtype=np.int64)
    for k in range(n_days):
        day = first + timedelta(days=k)
        # 29 February takes the place of the 28th; a common year has 365 places
        is_leap_day = (day.month, day.day) == (2, 29)
        places[k] = date(2027, day.month, 28 if is_leap_day else day.day).timetuple().tm_yday - 1
    return places


def _month_weights(places: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return, for each day of the year, the weights of the twelve mid-month corners."""
    starts = [date(2027, month, 1).toordinal() for month in range(1, 13)] + [date(2028, 1, 1).toordinal()]
    origin = starts[0]
    middle = np.array([(a + b) / 2 - origin for a, b in pairwise(starts)])
    corners = np.concatenate([[middle[-1] - 365.0], middle, [middle[0] + 365.0]])
    at = places + 0.5
    left = np.clip(np.searchsorted(corners, at, side="right") - 1, 0, 12)
    share = (at - corners[left]) / (corners[left + 1] - corners[left])
    weights = np.zeros((len(places), 12))
    rows = np.arange(len(places))
    weights[rows, (left - 1) % 12] += 1.0 - share
    weights[rows, left % 12] += share
    return weights
