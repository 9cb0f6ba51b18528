"""
How many are enough: exact distributions of counts, and the number that meets a wanted chance.

Everything here is arithmetic on distributions over 0, 1, 2, ...; what the counts stand for is said by
`tripplan.supply.carry` and `tripplan.supply.owning`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Rate",
    "beta_binomial",
    "expected_short",
    "fewest_for",
    "newsvendor_counts",
    "newsvendor_normal",
    "poisson_binomial",
    "poisson_counts",
    "together",
]

_TINY = 1e-13


@dataclass(frozen=True)
class Rate:
    """
    A chance that is itself uncertain: a beta distribution, updated by counting.

    Attributes
    ----------
    yes, no : float
        Weights of the two outcomes; of the prior as if so many had been seen.

    Examples
    --------
    >>> Rate(1.0, 49.0).seen(1, 50).mean
    0.02
    """

    yes: float
    no: float

    @property
    def mean(self) -> float:
        """Expected chance."""
        return self.yes / (self.yes + self.no)

    def seen(self, events: int, trials: int) -> Rate:
        """
        Return the chance after counting.

        Parameters
        ----------
        events, trials : int
            Outcomes of this kind among so many.

        Returns
        -------
        Rate
            Posterior.

        Raises
        ------
        ValueError
            If there are more events than trials, or fewer than none.
        """
        if not 0 <= events <= trials:
            raise ValueError(f"{events} events in {trials} trials")
        return Rate(self.yes + events, self.no + trials - events)


def poisson_binomial(chances: Sequence[float]) -> NDArray[np.float64]:
    """
    Return the distribution of how many of several independent events happen.

    Parameters
    ----------
    chances : sequence of float, length n
        Of each event.

    Returns
    -------
    numpy.ndarray, shape (n + 1,)
        Chance of 0, 1, ... n of them.

    Raises
    ------
    ValueError
        If a chance is not between 0 and 1.

    Examples
    --------
    >>> poisson_binomial([0.5, 0.2]).round(3).tolist()
    [0.4, 0.5, 0.1]
    """
    found = np.ones(1)
    for chance in chances:
        if not 0.0 <= chance <= 1.0:
            raise ValueError(f"{chance} is not a chance")
        longer = np.zeros(len(found) + 1)
        longer[:-1] += found * (1.0 - chance)
        longer[1:] += found * chance
        found = longer
    return found


def beta_binomial(trials: int, rate: Rate) -> NDArray[np.float64]:
    """
    Return the distribution of events in so many trials of one uncertain chance.

    Parameters
    ----------
    trials : int
        How many.
    rate : Rate
        The chance; what is not known of it makes the trials depend on each other.

    Returns
    -------
    numpy.ndarray, shape (trials + 1,)
        Chance of 0, 1, ... events.

    Examples
    --------
    >>> beta_binomial(2, Rate(1.0, 1.0)).round(6).tolist()
    [0.333333, 0.333333, 0.333333]
    """
    if trials <= 0:
        return np.ones(1)
    # by the ratio of each chance to the one before it: gamma functions of large weights would cancel
    events = np.arange(trials)
    steps = np.log((trials - events) * (rate.yes + events)) - np.log(
        (events + 1.0) * (rate.no + trials - events - 1.0)
    )
    chance = np.concatenate([[0.0], np.cumsum(steps)])
    chance = np.exp(chance - chance.max())
    return np.asarray(chance / chance.sum(), dtype=np.float64)


def poisson_counts(mean: float) -> NDArray[np.float64]:
    """
    Return a Poisson distribution as far as it matters.

    Parameters
    ----------
    mean : float
        Expected number.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Chance of 0, 1, ...; what lies beyond the last is below 1e-13.

    Raises
    ------
    ValueError
        If the mean is below zero or not finite.
    """
    from scipy.stats import poisson

    if not (math.isfinite(mean) and mean >= 0.0):
        raise ValueError(f"mean {mean} must not be below zero")
    most = int(poisson.isf(_TINY, mean)) + 1 if mean > 0.0 else 0
    return np.asarray(poisson.pmf(np.arange(most + 1), mean), dtype=np.float64)


def together(*counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Return the distribution of the sum of independent counts.

    Parameters
    ----------
    *counts : numpy.ndarray
        Distributions over 0, 1, ...

    Returns
    -------
    numpy.ndarray
        Their convolution.
    """
    found = np.ones(1)
    for one in counts:
        found = np.convolve(found, one)
    return found


def fewest_for(counts: NDArray[np.float64], chance: float) -> int:
    """
    Return the smallest number that is enough with a wanted chance.

    Parameters
    ----------
    counts : numpy.ndarray
        Distribution of the demand over 0, 1, ...
    chance : float
        Wanted chance that the demand is not higher.

    Returns
    -------
    int
        The quantile.

    Examples
    --------
    >>> fewest_for(poisson_counts(8.0), 0.90)
    12
    """
    enough = np.cumsum(counts) >= chance - 1e-12
    return int(np.argmax(enough)) if bool(enough.any()) else len(counts) - 1


def expected_short(counts: NDArray[np.float64], number: int) -> float:
    """
    Return how many are missing on average.

    Parameters
    ----------
    counts : numpy.ndarray
        Distribution of the demand over 0, 1, ...
    number : int
        How many there are.

    Returns
    -------
    float
        Expected shortfall.
    """
    over = np.maximum(np.arange(len(counts)) - number, 0)
    return float(over @ counts)


def newsvendor_counts(
    counts: NDArray[np.float64], *, short_cost: float, left_cost: float
) -> tuple[int, float]:
    """
    Return the number that costs least where both too few and too many cost something.

    Parameters
    ----------
    counts : numpy.ndarray
        Distribution of the demand over 0, 1, ...
    short_cost, left_cost : float
        Cost of each one missing, and of each one left over.

    Returns
    -------
    tuple of (int, float)
        The smallest number whose chance of being enough reaches short / (short + left), and its
        expected cost.

    References
    ----------
    L. V. Snyder and Z.-J. M. Shen, "Fundamentals of Supply Chain Theory," the newsvendor model.

    Examples
    --------
    >>> number, cost = newsvendor_counts(poisson_counts(6.0), short_cost=4.0, left_cost=1.0)
    >>> number, round(cost, 4)
    (8, 3.5701)
    """
    number = fewest_for(counts, short_cost / (short_cost + left_cost))
    short = expected_short(counts, number)
    mean = float(np.arange(len(counts)) @ counts)
    return number, short_cost * short + left_cost * (number - mean + short)


def newsvendor_normal(mean: float, sd: float, *, short_cost: float, left_cost: float) -> tuple[float, float]:
    """
    Return the level that costs least for a demand that is normally distributed.

    Parameters
    ----------
    mean, sd : float
        Of the demand.
    short_cost, left_cost : float
        Cost of each one missing, and of each one left over.

    Returns
    -------
    tuple of (float, float)
        Level and expected cost.

    References
    ----------
    As for `newsvendor_counts`.

    Examples
    --------
    >>> level, cost = newsvendor_normal(50.0, 8.0, short_cost=0.70, left_cost=0.18)
    >>> round(level, 3), round(cost, 4)
    (56.604, 1.9976)
    """
    from scipy.special import ndtri

    z = float(ndtri(short_cost / (short_cost + left_cost)))
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return mean + z * sd, (short_cost + left_cost) * density * sd
