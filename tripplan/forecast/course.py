"""The course of the charge of the pack in place: for the picture, and for the danger of freezing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Chemistry
from tripplan.forecast.basis import Evidence, Load
from tripplan.forecast.battery import freezing_point_c
from tripplan.forecast.crossing import PanelSums, WeatherSums
from tripplan.forecast.learning import MIDDLES
from tripplan.forecast.pool import Physics

__all__ = ["charge_course", "fitting_loads", "freezes_from"]


def fitting_loads(
    sums: WeatherSums,
    load: Load,
    cells: NDArray[np.float64],
    limits: NDArray[np.float64],
    flat_ages: Sequence[float],
) -> NDArray[np.float64]:
    """
    Return the loads that end just on some dates.

    Parameters
    ----------
    sums : WeatherSums
        Battery and weather.
    load : Load
        What the model expects.
    cells : numpy.ndarray, shape (CELLS,)
        Mass of what it got wrong; used behind a panel, where a date does not fix the load.
    limits : numpy.ndarray, shape (n_weathers, n_ages)
        From `WeatherSums.limits`.
    flat_ages : sequence of three float
        Early, likely and late. [day]

    Returns
    -------
    numpy.ndarray, shape (3,)
        The day's draw as a share of the pack. [1/day]
    """
    if isinstance(sums, PanelSums):
        return np.exp(load.log_mean + MIDDLES[np.searchsorted(np.cumsum(cells), (0.95, 0.5, 0.05))])
    ends = [min(max(0, math.floor(days) - 1), limits.shape[1] - 1) for days in flat_ages]
    return np.asarray(np.exp(np.median(limits[:, ends], axis=0)), dtype=np.float64)


def charge_course(
    physics: Physics, item: Evidence, load: Load, loads: NDArray[np.float64], on: date, to: date
) -> tuple[tuple[float, ...], ...]:
    """
    Return the usable charge left, week by week.

    Parameters
    ----------
    physics : Physics
        Weather and batteries.
    item, load : Evidence, Load
        Site and what the model expects of it.
    loads : numpy.ndarray, shape (3,)
        Early, likely and late case. [1/day]
    on, to : datetime.date
        Day of the forecast and the season's last.

    Returns
    -------
    tuple of three tuple of float
        Share of what the cold of that week leaves usable, 0 to 1.
    """
    sums = physics.sums(item, load)
    since = item.since or on
    first, age = (since - physics.first).days, (on - since).days
    charge_in = 1.0 if item.history.now is None else item.history.now.charge_in
    ages = np.maximum(0, age + np.arange(0, (to - on).days + 1, 7))
    left = sums.likely_charge(loads, first, ages, charge_in)
    usable = np.maximum(sums.usable[:, np.minimum(first + ages, sums.n_days - 1)].mean(axis=0), 1e-3)
    share = np.clip((left - (1.0 - usable)) / usable, 0.0, 1.0)
    return tuple(tuple(course) for course in share.tolist())


def freezes_from(
    physics: Physics, item: Evidence, load: Load, likely_load: float, risk: float, on: date, to: date
) -> date | None:
    """
    Return the day by which a pack left in place would have frozen, with the accepted risk.

    Parameters
    ----------
    physics : Physics
        Weather and batteries.
    item, load : Evidence, Load
        Site and what the model expects of it.
    likely_load : float
        The likely case. [1/day]
    risk : float
        Chance accepted.
    on, to : datetime.date
        Days looked at.

    Returns
    -------
    datetime.date or None
        None where the chemistry does not freeze, or not within these days.
    """
    kind = physics.fleet.pack_types[item.site.pack_type]
    sums = physics.sums(item, load)
    if kind.chemistry is not Chemistry.SEALED_LEAD_ACID or item.since is None:
        return None
    if isinstance(sums, PanelSums) or to < on:
        return None
    first = (item.since - physics.first).days
    start, stop = (on - physics.first).days, (to - physics.first).days + 1
    charge_in = 1.0 if item.history.now is None else item.history.now.charge_in
    coldest = float(sums.temps_c[:, start:stop].min())
    end = sums.likely_charge(np.array([likely_load]), first, np.array([stop - first]), charge_in)[0, 0]
    if coldest >= float(freezing_point_c(end)):
        return None
    lost = sums.lost[:, start:stop] - sums.lost[:, first : first + 1]
    drawn = (sums.drawn[:, start:stop] - sums.drawn[:, first : first + 1]) * np.exp(
        -sums.lost[:, first : first + 1]
    )
    left = np.clip(np.exp(-lost) * (charge_in - likely_load * drawn), 0.0, 1.0)
    frozen = np.logical_or.accumulate(sums.temps_c[:, start:stop] < freezing_point_c(left), axis=1)
    days = np.flatnonzero(frozen.mean(axis=0) > risk)
    return on + timedelta(days=int(days[0])) if len(days) else None
