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
from tripplan.forecast.weather import cold_scores

__all__ = ["LoadGrid", "PanelSums", "WeatherSums", "flat_share", "grid_over", "quantile_days"]

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
        self.temps_c = temps_c
        if battery is None:
            loss = np.zeros_like(temps_c)
            self.usable = np.ones_like(temps_c)
        else:
            loss = self_discharge_per_day(battery, temps_c)
            self.usable = _usable(battery, temps_c)
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

    def limits(self, start: int, n_ages: int, charge: float = 1.0) -> NDArray[np.float64]:
        """
        Return the logarithm of the least load that has crossed by the end of each day.

        Parameters
        ----------
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

        >>> limits = WeatherSums(None, np.zeros((1, 200))).limits(0, 200)
        >>> int(np.argmax(limits[0] <= np.log(0.01) + 1e-12)) + 1
        100
        """
        stop = min(start + n_ages, self.n_days)
        since = self.lost[:, start + 1 : stop + 1] - self.lost[:, start : start + 1]
        # exp(-lost at start) brings the running sum to the start of this pack
        drawn = (self.drawn[:, start + 1 : stop + 1] - self.drawn[:, start : start + 1]) * np.exp(
            -self.lost[:, start : start + 1]
        )
        spare = charge - (1.0 - self.usable[:, start:stop]) * np.exp(since)
        with np.errstate(divide="ignore", invalid="ignore"):
            load = np.where(drawn > 0.0, np.maximum(spare, 0.0) / drawn, np.where(spare > 0.0, np.inf, 0.0))
        limit: NDArray[np.float64] = np.log(np.clip(np.minimum.accumulate(load, axis=1), _LEAST_LOAD, 1e9))
        return _held(limit, n_ages)

    def likely_charge(
        self, load: NDArray[np.float64], start: int, ages: NDArray[np.int64], charge: float = 1.0
    ) -> NDArray[np.float64]:
        """
        Return the share of charge left at some ages, averaged over the weathers.

        Parameters
        ----------
        load : numpy.ndarray, shape (n,)
            The day's draw as a share of the pack. [1/day]
        start : int
            Index of the day on which the pack goes in.
        ages : numpy.ndarray, shape (n_ages,)
            Days since, rising.
        charge : float, default 1
            Share of its charge with which it goes in.

        Returns
        -------
        numpy.ndarray, shape (n, n_ages)
            May lie below 0 where the pack would be more than empty.
        """
        ends = np.minimum(start + ages, self.n_days)
        kept = np.exp(self.lost[:, start, None] - self.lost[:, ends])
        drawn = (self.drawn[:, ends] - self.drawn[:, start, None]) * np.exp(-self.lost[:, start, None])
        return np.asarray(
            charge * kept.mean(axis=0) - load[:, None] * (kept * drawn).mean(axis=0), dtype=np.float64
        )


class PanelSums(WeatherSums):
    """
    The same with a panel, which fills the pack again: followed day by day for a set of loads.

    Parameters
    ----------
    battery : Battery
        Numbers of the chemistry.
    temps_c : numpy.ndarray, shape (n_weathers, n_days)
        The day's mean. [deg C]
    harvest : numpy.ndarray, shape (n_days,)
        What the panel brings on each day as a share of the pack. [1/day]
    base : float
        Logarithm of the load about which loads are followed. [ln 1/day]
    activity : numpy.ndarray, shape (n_days,), optional
        Draw of each day against the average.
    """

    #: Steps of the logarithm of the load, and how far on either side of the base.
    STEP = 0.05
    REACH = 2.4
    #: Starts are followed from the first day of their week: up to six days on the safe side. [day]
    EVERY = 7

    def __init__(
        self,
        battery: Battery,
        temps_c: NDArray[np.float64],
        harvest: NDArray[np.float64],
        base: float,
        activity: NDArray[np.float64] | None = None,
    ) -> None:
        # a few weathers in mirrored pairs: the sun decides here, not the single cold day
        pairs = len(temps_c) // 2
        few = temps_c[[*range(min(4, pairs)), *range(pairs, pairs + min(4, pairs))]] if pairs else temps_c
        super().__init__(battery, few, activity)
        self.activity = np.ones(few.shape[1]) if activity is None else activity
        self.harvest = np.where(few >= battery.charge_from_c, harvest[None, :], 0.0)
        self.loads = base + self.STEP * np.arange(
            -round(self.REACH / self.STEP), round(self.REACH / self.STEP) + 1
        )
        self._followed: dict[tuple[int, float], NDArray[np.float64]] = {}

    def limits(self, start: int, n_ages: int, charge: float = 1.0) -> NDArray[np.float64]:
        """
        Return the logarithm of the least load that has crossed by the end of each day.

        Parameters
        ----------
        start, n_ages, charge
            As in `WeatherSums.limits`.

        Returns
        -------
        numpy.ndarray, shape (n_weathers, n_ages)
            Never rises along a row; a step above the highest load followed where none has crossed.
        """
        early = start - start % self.EVERY
        self._follow([early], start - early + n_ages, charge)
        return self._followed[early, charge][:, start - early : start - early + n_ages]

    def prepare(self, first: int, last: int, n_ages: int) -> None:
        """
        Follow the packs of many starts at once, which is much quicker than one after another.

        Parameters
        ----------
        first, last : int
            Indices of the first and last day on which packs go in.
        n_ages : int
            Days to follow each.
        """
        early = first - first % self.EVERY
        self._follow(range(early, last + 1, self.EVERY), n_ages + self.EVERY, 1.0)

    def likely_charge(
        self, load: NDArray[np.float64], start: int, ages: NDArray[np.int64], charge: float = 1.0
    ) -> NDArray[np.float64]:
        """
        Return the share of charge left at some ages, averaged over the weathers.

        Parameters
        ----------
        load, start, ages, charge
            As in `WeatherSums.likely_charge`.

        Returns
        -------
        numpy.ndarray, shape (n, n_ages)
            Never below 0.
        """
        left = np.full((len(self.usable), len(load)), charge)
        course = np.empty((len(load), len(ages)))
        day = start
        for place, age in enumerate(ages):
            for next_day in range(day, min(start + int(age), self.n_days)):
                left = self._next_day(left, load[None, :], next_day)
                day = next_day + 1
            course[:, place] = np.maximum(left, 0.0).mean(axis=0)
        return course

    def _next_day(
        self, left: NDArray[np.float64], load: NDArray[np.float64], day: int
    ) -> NDArray[np.float64]:
        left = left * (1.0 - self.loss[:, day, None]) - load * self.activity[day]
        return np.asarray(np.minimum(left + self.harvest[:, day, None], 1.0), dtype=np.float64)

    def _follow(self, starts: Sequence[int], n_ages: int, charge: float) -> None:
        new = [
            start
            for start in starts
            if (start, charge) not in self._followed or self._followed[start, charge].shape[1] < n_ages
        ]
        if not new:
            return
        load = np.exp(self.loads)[None, :]
        left = np.full((len(new), len(self.usable), len(self.loads)), charge)
        alive = np.ones(left.shape, dtype=bool)
        limits = np.full((len(new), len(self.usable), n_ages), np.nan)
        begun = 0
        for day in range(new[0], min(new[-1] + n_ages, self.n_days)):
            while begun < len(new) and new[begun] <= day:
                begun += 1
            left[:begun] = self._next_day(left[:begun], load, day)
            alive[:begun] &= left[:begun] > 1.0 - self.usable[:, day, None]
            # the loads rise, so those alive come first
            top = self.loads[0] + self.STEP * (alive[:begun].sum(axis=2) - 0.5)
            for place in range(begun):
                if day - new[place] < n_ages:
                    limits[place, :, day - new[place]] = top[place]
        for place, start in enumerate(new):
            followed = limits[place][:, ~np.isnan(limits[place, 0])]
            self._followed[start, charge] = _held(np.minimum.accumulate(followed, axis=1), n_ages)


def _usable(battery: Battery, temps_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the usable share in each weather; in each the cold bites as hard as in some makes of pack."""
    share = capacity_share(battery, temps_c)
    bite = np.exp(battery.cold_sd * cold_scores(len(temps_c)) - battery.cold_sd**2 / 2.0)
    return np.asarray(np.where(share < 1.0, np.maximum(1.0 - (1.0 - share) * bite[:, None], 0.0), share))


def _held(limit: NDArray[np.float64], n_ages: int) -> NDArray[np.float64]:
    """Hold the last limit to the end of the days wanted."""
    missing = n_ages - limit.shape[1]
    if missing <= 0:
        return limit
    return np.concatenate([limit, np.repeat(limit[:, -1:], missing, axis=1)], axis=1)


def flat_share(limits: NDArray[np.float64], grid: LoadGrid) -> NDArray[np.float64]:
    """
    Return, for each cell of the load, the chance of being flat by the end of each day.

    Parameters
    ----------
    limits : numpy.ndarray, shape (n_weathers, n_ages)
        From `WeatherSums.limits`.
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
    # the chance never falls, so the days below the target come first
    below = np.count_nonzero(chance < target, axis=0)
    at = np.minimum(below, n_ages - 1)
    columns = np.arange(n)
    here = chance[at, columns]
    before = np.where(at > 0, chance[np.maximum(at - 1, 0), columns], 0.0)
    rise = here - before
    within = np.divide(target - before, rise, out=np.ones(n), where=rise > 0)
    return np.where(below < n_ages, at + np.clip(within, 0.0, 1.0), float(n_ages))
