"""
Minutes on foot: published walking rules, and the table of walks around each parking.

Which rule is used is the fleet's choice (``walk.rule``); each gives the time of an unladen walker on a
path, and ``walk.speed_factor`` slows it down for load and ground. A rise counts in the direction
walked. Out to a site the rise is its `climb_m`. On the way back the metres are the same and nothing
is climbed; a rule that counts descent then counts `climb_m` downhill. A site below its parking
therefore costs no climb on the way back; `tripplan.travel.measure_travel` remarks on such sites.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tripplan.fleet import Site, WalkSettings
from tripplan.travel.geodesic import geodesic_m

__all__ = [
    "WALK_RULES",
    "WalkTable",
    "din33466_minutes",
    "measure_walks",
    "naismith_minutes",
    "tobler_minutes",
    "walk_minutes_by_rule",
]

Floats = NDArray[np.float64]


def naismith_minutes(distance_m: ArrayLike, rise_m: ArrayLike) -> Floats:
    """
    Return walking time after Naismith [1]_: 5 km/h, and an hour for each 600 m climbed.

    Naismith wrote "an hour for every three miles on the map, with an additional hour for every 2000
    feet of ascent"; 5 km and 600 m are the usual metric reading. Descent costs nothing.

    Parameters
    ----------
    distance_m : array_like
        Length on the map. [m]
    rise_m : array_like
        Rise in the direction walked; descent, negative, counts as 0. [m]

    Returns
    -------
    numpy.ndarray
        Time. [min]

    References
    ----------
    .. [1] W. W. Naismith, "Cruach Ardran, Stobinian, and Ben More," *Scottish Mountaineering Club
       Journal*, vol. 2, p. 136, 1892.

    Examples
    --------
    >>> round(float(naismith_minutes(20_000, 1_600) / 60), 3)  # hours
    6.667
    """
    climb = np.maximum(0.0, np.asarray(rise_m, dtype=np.float64))
    return 60.0 * (np.asarray(distance_m, dtype=np.float64) / 5000.0 + climb / 600.0)


def tobler_minutes(distance_m: ArrayLike, rise_m: ArrayLike) -> Floats:
    """
    Return walking time after Tobler [1]_: 6 exp(-3.5 |slope + 0.05|) km/h along the map.

    His three fifths for walking off path are left to ``walk.speed_factor``.

    Parameters
    ----------
    distance_m : array_like
        Length on the map. [m]
    rise_m : array_like
        Rise in the direction walked, downhill negative. [m]

    Returns
    -------
    numpy.ndarray
        Time. [min]

    Raises
    ------
    ValueError
        If something is to be climbed or descended over no distance: the slope is then undefined.

    References
    ----------
    .. [1] W. R. Tobler, "Three presentations on geographical analysis and modeling," NCGIA, Santa
       Barbara, CA, USA, Tech. Rep. 93-1, Feb. 1993.

    Examples
    --------
    >>> float(tobler_minutes(5037.0, 0.0).round(1))
    60.0
    """
    distance, rise = np.broadcast_arrays(
        np.asarray(distance_m, dtype=np.float64), np.asarray(rise_m, dtype=np.float64)
    )
    if np.any((distance == 0) & (rise != 0)):
        raise ValueError("a rise over no distance has no slope")
    slope = np.divide(rise, distance, out=np.zeros_like(distance), where=distance > 0)
    speed_kmh = 6.0 * np.exp(-3.5 * np.abs(slope + 0.05))
    return np.asarray(60.0 * distance / 1000.0 / speed_kmh, dtype=np.float64)


def din33466_minutes(distance_m: ArrayLike, rise_m: ArrayLike) -> Floats:
    """
    Return walking time after DIN 33466 [1]_.

    4 km/h along the map, 300 m/h up, 500 m/h down; the larger of the time along and the time up or
    down, and half of the smaller.

    Parameters
    ----------
    distance_m : array_like
        Length on the map. [m]
    rise_m : array_like
        Rise in the direction walked, downhill negative. [m]

    Returns
    -------
    numpy.ndarray
        Time. [min]

    References
    ----------
    .. [1] DIN 33466, *Wegweiser für Wanderwege*. Berlin, Germany: Deutsches Institut für Normung
       (the rule as hiking guides quote it; the standard itself was not at hand).

    Examples
    --------
    >>> float(din33466_minutes(8_000, 900) / 60)  # hours
    4.0
    """
    rise = np.asarray(rise_m, dtype=np.float64)
    along = np.asarray(distance_m, dtype=np.float64) / 4000.0
    steep = np.where(rise >= 0, rise / 300.0, -rise / 500.0)
    return 60.0 * (np.maximum(along, steep) + np.minimum(along, steep) / 2.0)


WALK_RULES: Mapping[str, Callable[[ArrayLike, ArrayLike], Floats]] = MappingProxyType(
    {"naismith": naismith_minutes, "tobler": tobler_minutes, "din33466": din33466_minutes}
)


def walk_minutes_by_rule(settings: WalkSettings, distance_m: ArrayLike, rise_m: ArrayLike) -> Floats:
    """
    Return walking time by the fleet's rule and speed factor.

    Parameters
    ----------
    settings : WalkSettings
        Its `rule` is a key of `WALK_RULES`; its `speed_factor` divides the rule's time.
    distance_m : array_like
        Length on the map. [m]
    rise_m : array_like
        Rise in the direction walked, downhill negative. [m]

    Returns
    -------
    numpy.ndarray
        Time. [min]
    """
    return WALK_RULES[settings.rule](distance_m, rise_m) / settings.speed_factor


@dataclass(frozen=True)
class WalkTable:
    """
    Walks around one parking; index 0 is the parking, k its k-th site.

    Attributes
    ----------
    metres, minutes : numpy.ndarray, shape (n_sites + 1, n_sites + 1)
        From row to column. [m, min]
    """

    metres: Floats
    minutes: Floats


def measure_walks(sites: tuple[Site, ...], settings: WalkSettings) -> WalkTable:
    """
    Return every walk between a parking and its sites.

    Parameters
    ----------
    sites : tuple of Site
        All sites of one parking.
    settings : WalkSettings
        Detour, speed factor and rule.

    Returns
    -------
    WalkTable
        Read-only arrays.

    Raises
    ------
    ValueError
        If the rule cannot tell the time of a rise over no distance.
    """
    lat = np.array([site.lat for site in sites])
    lon = np.array([site.lon for site in sites])
    climb = np.array([site.climb_m for site in sites])
    size = len(sites) + 1
    metres, rise = np.zeros((size, size)), np.zeros((size, size))
    metres[1:, 1:] = geodesic_m(lat[:, None], lon[:, None], lat[None, :], lon[None, :]) * settings.detour
    np.fill_diagonal(metres, 0.0)
    rise[1:, 1:] = climb[None, :] - climb[:, None]
    park_lat = np.array([site.park_lat for site in sites])
    park_lon = np.array([site.park_lon for site in sites])
    straight = geodesic_m(park_lat, park_lon, lat, lon) * settings.detour
    given = np.array([np.nan if site.walk_m is None else site.walk_m for site in sites])
    metres[0, 1:] = metres[1:, 0] = np.where(np.isnan(given), straight, given)
    rise[0, 1:] = climb
    rise[1:, 0] = np.minimum(0.0, -climb)
    minutes = walk_minutes_by_rule(settings, metres, rise)
    metres.setflags(write=False)
    minutes.setflags(write=False)
    return WalkTable(metres, minutes)
