"""
A pack behind a small panel: the first crossing, followed day by day, since a panel fills the pack again.

For each weather and each of a set of loads the charge is followed; the loads that have crossed by a day are
the heavier ones, so a limit stands between them as in `tripplan.forecast.crossing`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.battery import Battery
from tripplan.forecast.crossing import WeatherSums, held
from tripplan.forecast.weather import cold_scores

__all__ = ["SUN_SD", "PanelSums"]

#: Spread of the logarithm of what reaches a panel: the sun's share of a site is a guess, and years
#: differ. Assumption.
SUN_SD = 0.3


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
        # in each weather the sun is as kind as in some years and places; not in step with the cold
        sun = np.exp(SUN_SD * np.roll(cold_scores(len(few)), 1) - SUN_SD**2 / 2.0)[:, None]
        self.harvest = np.where(few >= battery.charge_from_c, harvest[None, :] * sun, 0.0)
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
            self._followed[start, charge] = held(np.minimum.accumulate(followed, axis=1), n_ages)
