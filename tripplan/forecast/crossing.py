"""
The first crossing: when the charge left falls under what the cold leaves usable.

Everything is counted per unit of what the pack holds. With the load ``x`` (the day's draw as a share
of the pack), self-discharge ``s(t)`` and usable share ``u(T)``, the charge after ``t`` days is

    q(t) = exp(-S(t)) (1 - x G(t)),   S = integral of s,   G = integral of exp(S) a(t)

and the site goes dark on the first day with ``q <= 1 - u(T)``, even if spring would give the rest back.
So each weather has a limit ``X(t)``, the least load that has crossed by ``t``, and the chance of being
flat is the chance that the load exceeds it: no simulation over loads is needed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.battery import Battery, capacity_share, self_discharge_per_day
from tripplan.forecast.learning import CELLS, EDGES, WIDTH

__all__ = ["LoadGrid", "WeatherSums", "flat_share", "grid_over", "limits_from", "quantile_days"]

_LEAST_LOAD = 1e-9


class LoadGrid:
    """
    Cells of equal width over the logarithm of the load; a site's uncertainty is a mass in each.

    Parameters
    ----------
    low : float
        Left edge of the first cell.
    width : float
        Width of a cell.
    n_cells : int
        Number of cells.
    """

    def __init__(self, low: float, width: float, n_cells: int) -> None:
        self.low = low
        self.width = width
        self.n_cells = n_cells

    @property
    def edges(self) -> NDArray[np.float64]:
        """Edges, shape (n_cells + 1,)."""
        return np.asarray(self.low + self.width * np.arange(self.n_cells + 1), dtype=np.float64)

    @property
    def middles(self) -> NDArray[np.float64]:
        """Middles, shape (n_cells,)."""
        return np.asarray(self.low + self.width * (np.arange(self.n_cells) + 0.5), dtype=np.float64)

    def mass(self, base: float, cells: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return the mass in each cell of a load known on the grid of what the model got wrong.

        Parameters
        ----------
        base : float
            Logarithm of the load that the model expects. [ln 1/day]
        cells : numpy.ndarray, shape (CELLS,)
            Mass over `tripplan.forecast.learning.EDGES`.

        Returns
        -------
        numpy.ndarray, shape (n_cells,)
            Sums to 1; what lies beyond the grid is in its outer cells.
        """
        cdf = np.interp(self.edges - base, EDGES, np.concatenate([[0.0], np.cumsum(cells)]))
        cdf[0], cdf[-1] = 0.0, 1.0
        return np.diff(cdf)


def grid_over(bases: Sequence[float], cells: Sequence[NDArray[np.float64]]) -> LoadGrid:
    """
    Return a grid wide enough for some sites.

    Parameters
    ----------
    bases : sequence of float
        Logarithms of the loads that the model expects. [ln 1/day]
    cells : sequence of numpy.ndarray, each shape (CELLS,)
        Mass of what the model got wrong.

    Returns
    -------
    LoadGrid
        All but a hundred-thousandth of each site's mass lies inside.
    """
    low, high = np.inf, -np.inf
    for base, mass in zip(bases, cells, strict=True):
        cdf = np.cumsum(mass)
        low = min(low, base + EDGES[int(np.searchsorted(cdf, 1e-5))])
        high = max(high, base + EDGES[min(int(np.searchsorted(cdf, 1.0 - 1e-5)) + 1, CELLS)])
    return LoadGrid(float(low), WIDTH, max(1, int(np.ceil((high - low) / WIDTH))))


class WeatherSums:
    """
    Running sums of self-discharge over some weathers, from which any start is quickly served.

    Parameters
    ----------
    battery : Battery or None
        None: neither cold nor self-discharge (a usual life already holds both).
    temps_c : numpy.ndarray, shape (n_weathers, n_days)
        The day's mean. [deg C]
    activity : numpy.ndarray, shape (n_days,), optional
        Draw of each day against the average.
    """

    def __init__(
        self,
        battery: Battery | None,
        temps_c: NDArray[np.float64],
        activity: NDArray[np.float64] | None = None,
    ) -> None:
        if battery is None:
            temps_c = temps_c[:1]
            loss = np.zeros_like(temps_c)
            self.usable = np.ones_like(temps_c)
        else:
            loss = self_discharge_per_day(battery, temps_c)
            self.usable = capacity_share(battery, temps_c)
        self.loss = loss
        zero = np.zeros((len(temps_c), 1))
        self.lost = np.concatenate([zero, np.cumsum(loss, axis=1)], axis=1)
        middle = np.exp(self.lost[:, :-1] + loss / 2.0)
        if activity is not None:
            middle = middle * activity
        self.drawn = np.concatenate([zero, np.cumsum(middle, axis=1)], axis=1)

    @property
    def n_days(self) -> int:
        """Days covered."""
        return int(self.usable.shape[1])


def limits_from(sums: WeatherSums, start: int, n_ages: int, charge: float = 1.0) -> NDArray[np.float64]:
    """
    Return the logarithm of the least load that has crossed by the end of each day.

    Parameters
    ----------
    sums : WeatherSums
        Of a battery in some weathers.
    start : int
        Index of the day on which the pack goes in, full from the start of that day.
    n_ages : int
        Days to follow.
    charge : float, default 1
        Share of its charge with which the pack goes in.

    Returns
    -------
    numpy.ndarray, shape (n_weathers, n_ages)
        Never rises along a row.

    Examples
    --------
    With neither cold nor self-discharge a load of one hundredth a day lasts 100 days:

    >>> limits = limits_from(WeatherSums(None, np.zeros((1, 200))), 0, 200)
    >>> int(np.argmax(limits[0] <= np.log(0.01) + 1e-12)) + 1
    100
    """
    stop = min(start + n_ages, sums.n_days)
    since = sums.lost[:, start + 1 : stop + 1] - sums.lost[:, start : start + 1]
    # exp(-lost at start) brings the running sum to the start of this pack
    drawn = (sums.drawn[:, start + 1 : stop + 1] - sums.drawn[:, start : start + 1]) * np.exp(
        -sums.lost[:, start : start + 1]
    )
    spare = charge - (1.0 - sums.usable[:, start:stop]) * np.exp(since)
    with np.errstate(divide="ignore"):
        load = np.maximum(spare, 0.0) / drawn
    limit: NDArray[np.float64] = np.log(np.maximum(np.minimum.accumulate(load, axis=1), _LEAST_LOAD))
    if stop < start + n_ages:
        limit = np.concatenate([limit, np.repeat(limit[:, -1:], start + n_ages - stop, axis=1)], axis=1)
    return limit


def flat_share(limits: NDArray[np.float64], grid: LoadGrid) -> NDArray[np.float64]:
    """
    Return, for each cell of the load, the chance of being flat by the end of each day.

    Parameters
    ----------
    limits : numpy.ndarray, shape (n_weathers, n_ages)
        From `limits_from`.
    grid : LoadGrid
        Cells; within one the mass is spread evenly.

    Returns
    -------
    numpy.ndarray, shape (n_ages, n_cells)
        ``flat_share(...) @ mass`` is the chance for each site.
    """
    n_weathers, n_ages = limits.shape
    place = np.clip((limits - grid.low) / grid.width, 0.0, float(grid.n_cells))
    cell = np.minimum(place.astype(np.int64), grid.n_cells - 1)
    share = place - cell
    at = np.arange(n_ages)[None, :] * (grid.n_cells + 1) + cell
    size = n_ages * (grid.n_cells + 1)
    steps = np.bincount(at.ravel(), weights=(1.0 - share).ravel(), minlength=size)
    steps += np.bincount(at.ravel() + 1, weights=share.ravel(), minlength=size)
    table = np.cumsum(steps.reshape(n_ages, grid.n_cells + 1), axis=1)[:, : grid.n_cells]
    return np.asarray(table / n_weathers, dtype=np.float64)


def quantile_days(chance: NDArray[np.float64], level: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """
    Return the age at which a chance is reached.

    Parameters
    ----------
    chance : numpy.ndarray, shape (n_ages, n)
        Chance of being flat by the end of day 0, 1, ... after the pack went in; never falls along a column.
    level : float or numpy.ndarray, shape (n,)
        Chance wanted.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Age, straight lines within a day; ``n_ages`` where the chance is not reached. [day]

    Examples
    --------
    >>> quantile_days(np.array([[0.0], [0.2], [0.6], [1.0]]), 0.5).tolist()
    [2.75]
    """
    n_ages, n = chance.shape
    target = np.broadcast_to(np.asarray(level, dtype=np.float64), (n,))
    reached = chance >= target
    at = np.argmax(reached, axis=0)
    columns = np.arange(n)
    here = chance[at, columns]
    before = np.where(at > 0, chance[np.maximum(at - 1, 0), columns], 0.0)
    rise = here - before
    within = np.divide(target - before, rise, out=np.ones(n), where=rise > 0)
    return np.where(reached.any(axis=0), at + np.clip(within, 0.0, 1.0), float(n_ages))
