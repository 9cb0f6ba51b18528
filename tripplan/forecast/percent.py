"""
What a device's own percentage means: nothing, until flat packs of its own show it.

For each run that ended flat the model knows how the charge fell; the percentages that the device gave on the
way are set beside it, and a straight line through them says what a percentage stands for, and how well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["PercentMeaning", "percent_meaning"]

_LEAST_RUNS, _LEAST_POINTS = 2, 6
#: Over which part of its scale a device must have been seen. [%]
_LEAST_SPAN = 25.0
#: A percentage that tells no more than this of the charge is left alone; it never tells more than the other.
_MOST_SD, _LEAST_SD = 0.2, 0.08


@dataclass(frozen=True)
class PercentMeaning:
    """
    What a device's percentage stands for.

    Attributes
    ----------
    at_zero, per_percent : float
        Share of charge at 0 %, and what each percent adds.
    sd : float
        Spread of the charge about that.
    n_runs : int
        Flat packs that showed it.
    """

    at_zero: float
    per_percent: float
    sd: float
    n_runs: int

    def charge(self, percent: float) -> float:
        """
        Return the share of charge that a percentage stands for.

        Parameters
        ----------
        percent : float
            As the device gives it. [%]

        Returns
        -------
        float
            0 to 1.
        """
        return float(np.clip(self.at_zero + self.per_percent * percent, 0.0, 1.0))


def percent_meaning(runs: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]]) -> PercentMeaning | None:
    """
    Return what a device's percentage stands for.

    Parameters
    ----------
    runs : sequence of (numpy.ndarray, numpy.ndarray)
        For each flat pack the percentages and the share of charge that the model gives for those days.

    Returns
    -------
    PercentMeaning or None
        None while too little is known, or where the percentage tells little of the charge.

    Examples
    --------
    >>> run = (np.array([90.0, 60.0, 30.0]), np.array([0.8, 0.5, 0.2]))
    >>> percent_meaning([run]) is None
    True
    >>> round(percent_meaning([run, run]).charge(50.0), 2)
    0.4
    """
    told = [(percents, left) for percents, left in runs if len(percents)]
    if len(told) < _LEAST_RUNS:
        return None
    percents = np.concatenate([each for each, _ in told])
    left = np.concatenate([each for _, each in told])
    if len(percents) < _LEAST_POINTS or np.ptp(percents) < _LEAST_SPAN:
        return None
    middle = percents - percents.mean()
    slope = float(middle @ left / (middle @ middle))
    at_zero = float(left.mean() - slope * percents.mean())
    apart = left - at_zero - slope * percents
    sd = float(np.sqrt(apart @ apart / (len(percents) - 2)))
    if slope <= 0.0 or sd > _MOST_SD:
        return None
    return PercentMeaning(at_zero, slope, max(sd, _LEAST_SD), len(told))
