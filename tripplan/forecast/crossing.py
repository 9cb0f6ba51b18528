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

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.battery import (
    Battery,
    capacity_share,
    charge_that_freezes,
    self_discharge_per_day,
)
from tripplan.forecast.learning import CELLS, EDGES, STRAY_SHARE, WIDTH
from tripplan.forecast.weather import cold_scores

__all__ = [
    "LoadGrid",
    "WeatherSums",
    "flat_chance",
    "flat_share",
    "grid_over",
    "held",
    "quantile_days",
    "quantiles_by_site",
    "with_early_failures",
]

_LEAST_LOAD = 1e-9
#: Days between those for which all sites are worked out. [day]
_COARSE = 8


class LoadGrid:
    """
    Cells of the width `WIDTH` over the logarithm of the load; a site's uncertainty is a mass in each.

    Parameters
    ----------
    low : float
        Left edge of the first cell.
    n_cells : int
        Number of cells.
    """

    def __init__(self, low: float, n_cells: int) -> None:
        self.low = low
        self.n_cells = n_cells

    @property
    def edges(self) -> NDArray[np.float64]:
        """Edges, shape (n_cells + 1,)."""
        return np.asarray(self.low + WIDTH * np.arange(self.n_cells + 1), dtype=np.float64)

    @property
    def middles(self) -> NDArray[np.float64]:
        """Middles, shape (n_cells,)."""
        return np.asarray(self.low + WIDTH * (np.arange(self.n_cells) + 0.5), dtype=np.float64)

    def masses(self, bases: NDArray[np.float64], cells: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return the mass in each cell of loads known on the grid of what the model got wrong.

        Parameters
        ----------
        bases : numpy.ndarray, shape (n,)
            Logarithms of the loads that the model expects. [ln 1/day]
        cells : numpy.ndarray, shape (n, CELLS)
            Mass over `tripplan.forecast.learning.EDGES`.

        Returns
        -------
        numpy.ndarray, shape (n_cells, n)
            Columns sum to 1; what lies beyond the grid is in its outer cells.

        Examples
        --------
        >>> even = np.full((1, CELLS), 1.0 / CELLS)
        >>> LoadGrid(0.0, 3).masses(np.array([WIDTH / 2.0]), even).sum(axis=0).round(9).tolist()
        [1.0]
        """
        known = np.zeros((len(bases), CELLS + 1))
        np.cumsum(cells, axis=1, out=known[:, 1:])
        # both grids have cells of one width, so each edge divides its cell in the same ratio
        place = (self.low - bases) / WIDTH + CELLS / 2.0
        whole = np.floor(place).astype(np.int64)
        share = (place - whole)[:, None]
        at = whole[:, None] + np.arange(self.n_cells + 1)
        rows = np.arange(len(bases))[:, None]
        left = known[rows, np.clip(at, 0, CELLS)]
        cdf = left + share * (known[rows, np.clip(at + 1, 0, CELLS)] - left)
        cdf[:, 0], cdf[:, -1] = 0.0, 1.0
        return np.ascontiguousarray(np.diff(cdf, axis=1).T)


def grid_over(bases: NDArray[np.float64], cells: NDArray[np.float64]) -> LoadGrid:
    """
    Return a grid wide enough for some sites.

    Parameters
    ----------
    bases : numpy.ndarray, shape (n,)
        Logarithms of the loads that the model expects. [ln 1/day]
    cells : numpy.ndarray, shape (n, CELLS)
        Mass of what the model got wrong.

    Returns
    -------
    LoadGrid
        All but a hundred-thousandth of each site's mass lies inside.
    """
    cdf = np.cumsum(cells, axis=1)
    first = (cdf < 1e-5).sum(axis=1)
    last = np.minimum((cdf < 1.0 - 1e-5).sum(axis=1) + 1, CELLS)
    low, high = float((bases + EDGES[first]).min()), float((bases + EDGES[last]).max())
    return LoadGrid(low, max(1, int(np.ceil((high - low) / WIDTH))))


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
        self._frozen_under: NDArray[np.float64] | None = None
        self._last: tuple[tuple[int, float], NDArray[np.float64]] | None = None

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
        last = self._last
        if last is not None and last[0] == (start, charge) and last[1].shape[1] >= n_ages:
            return last[1][:, :n_ages]
        # a little further than asked for: runs that began on one day ask for different lengths
        load = self._least_loads(start, 0, -(-n_ages // 64) * 64, charge, 1.0 - self.usable)
        limits = _as_limits(load)
        self._last = ((start, charge), limits)
        return held(limits, n_ages)[:, :n_ages]

    def frozen_under(self) -> NDArray[np.float64]:
        """Return the share of charge under which a lead-acid pack freezes, for each weather and day."""
        if self._frozen_under is None:
            self._frozen_under = charge_that_freezes(self.temps_c)
        return self._frozen_under

    def freeze_limits(
        self, start: int, first_age: int, n_ages: int, charge: float, bar: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """
        Return the logarithm of the least load that lets the charge fall under a bar on some days.

        Parameters
        ----------
        start : int
            Index of the day on which the pack goes in.
        first_age : int
            Days since then from which it counts.
        n_ages : int
            Days from there on.
        charge : float
            Share of its charge with which the pack goes in.
        bar : numpy.ndarray, shape (n_weathers, n_days)
            Share of charge under which a pack freezes on each day; negative where none does.

        Returns
        -------
        numpy.ndarray, shape (n_weathers, n_ages)
            Never rises along a row.
        """
        return held(_as_limits(self._least_loads(start, first_age, n_ages, charge, bar)), n_ages)

    def _least_loads(
        self, start: int, first_age: int, n_ages: int, charge: float, bar: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        begin, stop = start + first_age, min(start + first_age + n_ages, self.n_days)
        since = self.lost[:, begin + 1 : stop + 1] - self.lost[:, start : start + 1]
        # exp(-lost at start) brings the running sum to the start of this pack
        drawn = (self.drawn[:, begin + 1 : stop + 1] - self.drawn[:, start : start + 1]) * np.exp(
            -self.lost[:, start : start + 1]
        )
        spare = charge - bar[:, begin:stop] * np.exp(since)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(drawn > 0.0, np.maximum(spare, 0.0) / drawn, np.where(spare > 0.0, np.inf, 0.0))

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
    place = np.clip((limits - grid.low) / WIDTH, 0.0, float(grid.n_cells))
    cell = np.minimum(place.astype(np.int64), grid.n_cells - 1)
    share = place - cell
    at = np.arange(n_ages)[None, :] * (grid.n_cells + 1) + cell
    size = n_ages * (grid.n_cells + 1)
    steps = np.bincount(at.ravel(), weights=(1.0 - share).ravel(), minlength=size)
    steps += np.bincount(at.ravel() + 1, weights=share.ravel(), minlength=size)
    table = np.cumsum(steps.reshape(n_ages, grid.n_cells + 1), axis=1)[:, : grid.n_cells]
    return np.asarray(table / n_weathers, dtype=np.float64)


def flat_chance(
    limits: NDArray[np.float64], grid: LoadGrid, mass: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Return one site's chance of being flat by the end of each day.

    Parameters
    ----------
    limits : numpy.ndarray, shape (n_weathers, n_ages)
        From `WeatherSums.limits`.
    grid : LoadGrid
        Cells; within one the mass is spread evenly.
    mass : numpy.ndarray, shape (n_cells,)
        What is known of the site's load.

    Returns
    -------
    numpy.ndarray, shape (n_ages,)
        As ``flat_share(limits, grid) @ mass``, without the table in between.

    Examples
    --------
    >>> limits, grid = np.array([[0.08, 0.05], [0.07, 0.01]]), LoadGrid(0.0, 3)
    >>> mass = np.array([0.2, 0.5, 0.3])
    >>> bool(np.allclose(flat_chance(limits, grid, mass), flat_share(limits, grid) @ mass, atol=1e-15))
    True
    """
    place = np.clip((limits - grid.low) / WIDTH, 0.0, float(grid.n_cells))
    above = 1.0 - np.concatenate([[0.0], np.cumsum(mass)])
    cell = np.minimum(place.astype(np.int64), grid.n_cells - 1)
    chance = above[cell] - (place - cell) * (above[cell] - above[cell + 1])
    return np.asarray(np.clip(chance.mean(axis=0), 0.0, 1.0), dtype=np.float64)


def with_early_failures(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Add the few packs that fail early: they last half as long as the others would.

    Parameters
    ----------
    table : numpy.ndarray, shape (n_ages, n)
        Chance of being flat by the end of each day.

    Returns
    -------
    numpy.ndarray, shape (n_ages, n)
        The same with one pack in fifty failing.
    """
    double = np.minimum(2 * np.arange(len(table)) + 1, len(table) - 1)
    return np.asarray((1.0 - STRAY_SHARE) * table + STRAY_SHARE * table[double], dtype=np.float64)


def quantiles_by_site(
    table: NDArray[np.float64], mass: NDArray[np.float64], levels: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Return the ages at which sites reach some chances of being flat.

    The product of table and mass is only worked out for every eighth day, and then where it is needed.

    Parameters
    ----------
    table : numpy.ndarray, shape (n_ages, n_cells)
        From `flat_share`; never falls along a column.
    mass : numpy.ndarray, shape (n_cells, n)
        From `LoadGrid.masses`.
    levels : numpy.ndarray, shape (n_levels, n)
        Chances wanted.

    Returns
    -------
    numpy.ndarray, shape (n_levels, n)
        As `quantile_days` of ``table @ mass``. [day]
    """
    n_ages, n = len(table), mass.shape[1]
    coarse = table[_COARSE - 1 :: _COARSE] @ mass
    by_site = np.ascontiguousarray(mass.T)

    def chance(ages: NDArray[np.int64]) -> NDArray[np.float64]:
        rows = table[np.minimum(ages, n_ages - 1)]
        return np.asarray(np.einsum("sc,sc->s", rows, by_site), dtype=np.float64)

    found = np.empty(levels.shape)
    for place, level in enumerate(levels):
        low = _COARSE * np.count_nonzero(coarse < level, axis=0)
        high = np.minimum(low + _COARSE - 1, n_ages)
        while True:
            # the first age that reaches the level lies in low .. high
            middle = (low + high) // 2
            is_open = low < high
            if not is_open.any():
                break
            reached = chance(middle) >= level
            high = np.where(is_open & reached, middle, high)
            low = np.where(is_open & ~reached, middle + 1, low)
        here = chance(low)
        before = np.where(low > 0, chance(np.maximum(low - 1, 0)), 0.0)
        rise = here - before
        within = np.divide(level - before, rise, out=np.ones(n), where=rise > 0)
        is_reached = (low < n_ages) & (here >= level)
        found[place] = np.where(is_reached, low + np.clip(within, 0.0, 1.0), float(n_ages))
    return found


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


def _usable(battery: Battery, temps_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the usable share in each weather; in each the cold bites as hard as in some makes of pack."""
    share = capacity_share(battery, temps_c)
    bite = np.exp(battery.cold_sd * cold_scores(len(temps_c)) - battery.cold_sd**2 / 2.0)
    share = np.where(share < 1.0, np.maximum(1.0 - (1.0 - share) * bite[:, None], 0.0), share)
    return np.asarray(np.maximum(share - battery.reserve_share, 0.0), dtype=np.float64)


def _as_limits(load: NDArray[np.float64]) -> NDArray[np.float64]:
    lowest = np.minimum.accumulate(load, axis=1)
    return np.asarray(np.log(np.clip(lowest, _LEAST_LOAD, 1e9)), dtype=np.float64)


def held(limit: NDArray[np.float64], n_ages: int) -> NDArray[np.float64]:
    """Hold the last limit to the end of the days wanted."""
    missing = n_ages - limit.shape[1]
    if missing <= 0:
        return limit
    return np.concatenate([limit, np.repeat(limit[:, -1:], missing, axis=1)], axis=1)
