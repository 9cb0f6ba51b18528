"""
Backup cells: for how long they carry a device once its pack is flat.

The days that a user gives are days at room temperature. Where the cells' chemistry and the climate are known,
a cold day counts for less: the cells give only the share that its mean temperature leaves usable, on
average over the weathers that are possible.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tripplan.fleet import Site
from tripplan.forecast.battery import capacity_share
from tripplan.forecast.chemistries import BATTERIES

__all__ = ["Backup"]

#: The least that a cold day takes of the cells' days, so that a frozen spell cannot stop the count.
_LEAST_SHARE = 0.02


class Backup:
    """
    The backup cells of one site.

    Parameters
    ----------
    site : Site
        With its days of backup.
    temps_c : numpy.ndarray, shape (n_weathers, n_days), or None
        Possible weathers; None where no climate is given. [deg C]

    Examples
    --------
    >>> Backup(Site("A", 0, 0, "T", 12.0, "p", 0, 0, backup_days=10.0), None).dark_age(40.0, 0)
    50.0
    """

    def __init__(self, site: Site, temps_c: NDArray[np.float64] | None) -> None:
        self.days = site.backup_days
        self._spent: NDArray[np.float64] | None = None
        if self.days > 0.0 and site.backup_chemistry is not None and temps_c is not None:
            share = capacity_share(BATTERIES[site.backup_chemistry], temps_c).mean(axis=0)
            # a warm day never counts for more than one, a cold one takes more of the cells than it gives
            self._spent = np.concatenate([[0.0], np.cumsum(1.0 / np.clip(share, _LEAST_SHARE, 1.0))])

    def dark_age(self, flat_age: float, start: int) -> float:
        """
        Return the age at which the site goes dark.

        Parameters
        ----------
        flat_age : float
            Age at which its pack is flat. [day]
        start : int
            Index of the day on which the pack went in.

        Returns
        -------
        float
            Age. [day]
        """
        if self._spent is None:
            return flat_age + self.days
        ends = np.arange(len(self._spent), dtype=np.float64)
        used = float(np.interp(start + flat_age, ends, self._spent)) + self.days
        if used >= self._spent[-1]:
            return flat_age + self.days
        return float(np.interp(used, self._spent, ends)) - start

    def flat_ages(self, dark_ages: ArrayLike, start: int) -> NDArray[np.float64]:
        """
        Return the ages at which the pack must be flat for the site to be dark at some ages.

        Parameters
        ----------
        dark_ages : array_like, shape (n,)
            Ages, rising. [day]
        start : int
            Index of the day on which the pack went in.

        Returns
        -------
        numpy.ndarray, shape (n,)
            May lie below 0. [day]
        """
        ages = np.asarray(dark_ages, dtype=np.float64)
        if self._spent is None:
            return ages - self.days
        ends = np.arange(len(self._spent), dtype=np.float64)
        left = np.interp(start + ages, ends, self._spent) - self.days
        return np.asarray(np.interp(left, self._spent, ends) - start, dtype=np.float64)
