"""
The sun on a small panel: clear-sky energy by month and what a site's share of it brings.

Clear-sky energy is an upper bound; cloud, trees and snow take most of it at the places where cameras
hang, which is why the share that reaches the panel (`sun_fraction`) is a site's own number.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

__all__ = ["DEFAULT_SUN_FRACTION", "PANEL_YIELD", "clear_sky_kwh", "declination_deg", "panel_mah_per_day"]

#: Share of the clear-sky energy where a site gives none: open woods and cloud. Assumption.
DEFAULT_SUN_FRACTION = 0.25
#: Voltage of the panel's best point against the pack's nominal voltage: 18 V on 12 V. Makers' pages.
_PANEL_VOLTS_RATIO = 1.5
#: Dust, wiring, controller and coulomb efficiency together: K of the usual plain formula, about 0.7.
PANEL_YIELD = 0.7


def declination_deg(day_of_year: float) -> float:
    """
    Return the sun's declination, after Spencer.

    Parameters
    ----------
    day_of_year : float
        1 January is 1.

    Returns
    -------
    float
        Good to about 0.1 degree in most years. [deg]

    References
    ----------
    J. W. Spencer, "Fourier series representation of the position of the sun," Search 2(5), 1971.

    Examples
    --------
    >>> round(declination_deg(172), 1), round(declination_deg(355), 1)
    (23.5, -23.4)
    """
    angle = 2.0 * math.pi * (day_of_year - 1.0) / 365.0
    return math.degrees(
        0.006918
        - 0.399912 * math.cos(angle)
        + 0.070257 * math.sin(angle)
        - 0.006758 * math.cos(2 * angle)
        + 0.000907 * math.sin(2 * angle)
        - 0.002697 * math.cos(3 * angle)
        + 0.00148 * math.sin(3 * angle)
    )


@lru_cache(maxsize=4096)
def clear_sky_kwh(lat: float, month: int) -> float:
    """
    Return the clear-sky energy on level ground in the middle of a month, after Haurwitz.

    Parameters
    ----------
    lat : float
        Latitude. [deg]
    month : int
        January is 1.

    Returns
    -------
    float
        Energy of one day. [kWh/m2]

    References
    ----------
    B. Haurwitz, "Insolation in relation to cloudiness and cloud density," J. Meteorology 2, 1945, in the
    form 1098 cos(z) exp(-0.057 / cos(z)) W/m2.

    Examples
    --------
    >>> round(clear_sky_kwh(49.9, 6), 1), round(clear_sky_kwh(49.9, 12), 1)
    (8.7, 1.2)
    """
    day = round(30.4375 * (month - 0.5))
    declination = math.radians(declination_deg(day))
    hour = np.radians((np.arange(288) + 0.5) * 1.25 - 180.0)
    height = math.sin(math.radians(lat)) * math.sin(declination) + math.cos(math.radians(lat)) * math.cos(
        declination
    ) * np.cos(hour)
    up = height[height > 0.01]
    return float(np.sum(1098.0 * up * np.exp(-0.057 / up)) * (24.0 / 288.0) / 1000.0)


def panel_mah_per_day(
    lat: float,
    panel_w: float,
    pack_volts: float,
    sun_fraction: float | None,
    *,
    sun_kwh: tuple[float, ...] = (),
    panel_yield: float = PANEL_YIELD,
) -> tuple[float, ...]:
    """
    Return what a panel brings into the pack on an average day of each month.

    Parameters
    ----------
    lat : float
        Latitude. [deg]
    panel_w : float
        Rated power. [W]
    pack_volts : float
        Nominal voltage of the pack. [V]
    sun_fraction : float or None
        Share of the energy that reaches the panel; None: `DEFAULT_SUN_FRACTION`, and nothing in the darkest
        month (snow on the panel, woods in December: trade practice). With the user's own table None means
        all of it.
    sun_kwh : tuple of float, length 12, or empty
        The user's own table: sun on a usual day of each month; empty: that of the clear sky. [kWh/m2]
    panel_yield : float, default PANEL_YIELD
        What dust, wiring, controller and charging leave of it. [-]

    Returns
    -------
    tuple of float, length 12
        Charge, January first. [mAh/day]

    Examples
    --------
    >>> [round(q) for q in panel_mah_per_day(49.9, 1.0, 12.0, None)][::3]
    [15, 63, 81, 33]
    """
    usual_share = 1.0 if sun_kwh else DEFAULT_SUN_FRACTION
    share = usual_share if sun_fraction is None else sun_fraction
    per_kwh = panel_w * share * panel_yield / (pack_volts * _PANEL_VOLTS_RATIO) * 1000.0
    if sun_kwh:
        return tuple(energy * per_kwh for energy in sun_kwh)
    darkest = 12 if lat >= 0 else 6
    return tuple(
        0.0 if sun_fraction is None and month == darkest else clear_sky_kwh(lat, month) * per_kwh
        for month in range(1, 13)
    )
