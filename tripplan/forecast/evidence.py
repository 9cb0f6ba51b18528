"""What one run says about its load: a likelihood over the grid of `tripplan.forecast.learning`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.crossing import WeatherSums
from tripplan.forecast.history import Run
from tripplan.forecast.learning import CELLS, EDGES, MIDDLES, WIDTH
from tripplan.forecast.panel import PanelSums
from tripplan.forecast.percent import PercentMeaning, percent_meaning

__all__ = ["NOTHING", "NOTICED_DAYS", "RunEvidence", "RunsEvidence", "learn_percent", "run_evidence"]

#: Share of rested voltages that are simply wrong (meter, wrong pack, not rested). Assumption.
_WRONG_READINGS = 0.05
#: A dark site is mostly noticed and visited within so many days; assumption. [day]
NOTICED_DAYS = 21
#: Weight of any earlier day since the last sign of life against one of these; assumption: half of the dark
#: sites are noticed, half are met on visits that come about every hundred days.
_UNNOTICED = 0.2


@dataclass(frozen=True)
class RunEvidence:
    """
    What one run says, before it is settled what the voltages of this fleet are worth.

    Attributes
    ----------
    signs : numpy.ndarray, shape (CELLS,)
        Likelihood of the signs of life and of darkness.
    left : numpy.ndarray, shape (n_readings, CELLS)
        Charge that the model expects at each reading, for each load.
    charges : numpy.ndarray, shape (n_readings,)
        Charge that was read.
    sds : numpy.ndarray, shape (n_readings,)
        Spread of each reading that is no voltage; 0 for a voltage.
    """

    signs: NDArray[np.float64]
    left: NDArray[np.float64]
    charges: NDArray[np.float64]
    sds: NDArray[np.float64]


class RunsEvidence:
    """
    What the runs of one site say, side by side.

    Parameters
    ----------
    runs : sequence of RunEvidence
        Each run's own, at least one.

    Attributes
    ----------
    signs : numpy.ndarray, shape (n_runs, CELLS)
        Likelihood of each run's signs of life and of darkness.
    n_readings : numpy.ndarray, shape (n_runs,)
        Readings of each.
    """

    def __init__(self, runs: Sequence[RunEvidence]) -> None:
        self.signs = np.stack([run.signs for run in runs])
        self.n_readings = counts = np.array([len(run.charges) for run in runs])
        self._charges = np.concatenate([run.charges for run in runs])[:, None]
        self._left = np.clip(np.concatenate([run.left for run in runs]), 0.0, 1.0)
        self._sds = np.concatenate([run.sds for run in runs])
        # readings of one run share the pack's own error: together they never count for more than two
        self._wider = np.repeat(np.maximum(1.0, counts / 2.0) ** 0.5, counts)
        self._with_readings = np.flatnonzero(counts)
        self._firsts = (np.cumsum(counts) - counts)[self._with_readings]

    def readings(self, offset: float, sd: float) -> NDArray[np.float64]:
        """
        Return the likelihood of the readings alone.

        Parameters
        ----------
        offset : float
            By how much charges read in this fleet lie too high (its meter, its make of pack).
        sd : float
            Spread of one reading beside that.

        Returns
        -------
        numpy.ndarray, shape (n_runs, CELLS)
            At most 1.
        """
        found = np.ones_like(self.signs)
        if not len(self._firsts):
            return found
        is_volts = self._sds <= 0.0
        sds = np.where(is_volts, sd, self._sds) * self._wider
        high = np.where(is_volts, offset, 0.0)[:, None]
        apart = (self._left + high - self._charges) / sds[:, None]
        # what reads full is at least that full, what reads empty at most that
        apart = np.where((self._charges >= 1.0) & (apart > 0.0), 0.0, apart)
        apart = np.where((self._charges <= 0.0) & (apart < 0.0), 0.0, apart)
        each = (1.0 - _WRONG_READINGS) * np.exp(-0.5 * apart**2) + _WRONG_READINGS
        found[self._with_readings] = np.multiply.reduceat(each, self._firsts, axis=0)
        return found


NOTHING = RunEvidence(np.ones(CELLS), np.empty((0, CELLS)), np.empty(0), np.empty(0))


def run_evidence(
    run: Run, base: float, sums: WeatherSums, first: date, meaning: PercentMeaning | None = None
) -> RunEvidence:
    """
    Return what a run says about what the model got wrong.

    Parameters
    ----------
    run : Run
        Ended or in place.
    base : float
        Logarithm of the load that the model expects. [ln 1/day]
    sums : WeatherSums
        Battery and weather.
    first : datetime.date
        First day of `sums`.
    meaning : PercentMeaning, optional
        What the device's percentages stand for.

    Returns
    -------
    RunEvidence
        Over the grid of `tripplan.forecast.learning`.
    """
    alive_age = (run.alive_on - run.start).days
    dark_age = None if run.dark_by is None else (run.dark_by - run.start).days + 1
    read = [(day, charge, 0.0) for day, charge in run.charges]
    if meaning is not None:
        # of percentages that come daily the last of each month says it all
        months = {(day.year, day.month): (day, percent) for day, percent in run.percents}
        read += [(day, meaning.charge(percent), meaning.sd) for day, percent in months.values()]
    if alive_age <= 0 and dark_age is None and not read:
        return NOTHING
    start = (run.start - first).days
    limits = sums.limits(start, max(alive_age, dark_age or 0, 1), run.charge_in)

    def flat_by(age: int) -> NDArray[np.float64]:
        if age <= 0:
            return np.zeros(CELLS)
        place = (limits[:, age - 1, None] - base - EDGES[None, :-1]) / WIDTH
        return np.asarray(1.0 - np.clip(place, 0.0, 1.0).mean(axis=0), dtype=np.float64)

    alive = flat_by(alive_age)
    if dark_age is None:
        signs = 1.0 - alive
    else:
        dark = flat_by(dark_age)
        lately = dark - flat_by(max(alive_age, dark_age - NOTICED_DAYS))
        signs = (lately + _UNNOTICED * (dark - alive)) / (1.0 + _UNNOTICED)
    signs = np.clip(signs, 0.0, 1.0)
    # behind a panel volts tell of the last sunny day, not of the draw
    if not read or isinstance(sums, PanelSums):
        return RunEvidence(signs, NOTHING.left, NOTHING.charges, NOTHING.sds)
    ages = np.array([(day - run.start).days for day, _, _ in read])
    left = sums.likely_charge(np.exp(base + MIDDLES), start, ages, run.charge_in).T
    charges, sds = np.array([(charge, sd) for _, charge, sd in read]).T
    return RunEvidence(signs, left, charges, sds)


def learn_percent(runs: Sequence[Run], sums: Sequence[WeatherSums], first: date) -> PercentMeaning | None:
    """
    Return what the percentages of one site's device mean, from its own flat packs.

    Parameters
    ----------
    runs : sequence of Run
        Ended runs of the site.
    sums : sequence of WeatherSums
        Battery and weather of each.
    first : datetime.date
        First day of `sums`.

    Returns
    -------
    PercentMeaning or None
        None while too little is known.
    """
    told = []
    for run, each in zip(runs, sums, strict=True):
        if run.dark_by is None or not run.percents or isinstance(each, PanelSums):
            continue
        start, dark_age = (run.start - first).days, (run.dark_by - run.start).days
        # the load that ends on that day
        load = np.exp(np.median(each.limits(start, max(1, dark_age), run.charge_in)[:, -1]))
        ages = np.array([(day - run.start).days for day, _ in run.percents])
        left = each.likely_charge(np.array([load]), start, ages, run.charge_in)[0]
        told.append((np.array([percent for _, percent in run.percents]), np.clip(left, 0.0, 1.0)))
    return percent_meaning(told)
