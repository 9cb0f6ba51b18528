"""What one run says about its load: a likelihood over the grid of `tripplan.forecast.learning`."""

from __future__ import annotations

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.crossing import PanelSums, WeatherSums
from tripplan.forecast.history import Run
from tripplan.forecast.learning import CELLS, EDGES, MIDDLES, WIDTH

__all__ = ["NOTHING", "NOTICED_DAYS", "RunEvidence", "run_evidence"]

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
    """

    signs: NDArray[np.float64]
    left: NDArray[np.float64]
    charges: NDArray[np.float64]

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
        numpy.ndarray, shape (CELLS,)
            At most 1.
        """
        if not len(self.charges):
            return np.ones(CELLS)
        # readings of one run share the pack's own error: together they never count for more than two
        sd *= max(1.0, len(self.charges) / 2.0) ** 0.5
        apart = (np.clip(self.left, 0.0, 1.0) + offset - self.charges[:, None]) / sd
        # what reads full is at least that full, what reads empty at most that
        apart = np.where((self.charges[:, None] >= 1.0) & (apart > 0.0), 0.0, apart)
        apart = np.where((self.charges[:, None] <= 0.0) & (apart < 0.0), 0.0, apart)
        found = (1.0 - _WRONG_READINGS) * np.exp(-0.5 * apart**2) + _WRONG_READINGS
        return np.asarray(found.prod(axis=0), dtype=np.float64)

    def everything(self, offset: float, sd: float) -> NDArray[np.float64]:
        """Return the likelihood of all of it, shape (CELLS,); see `readings`."""
        return self.signs * self.readings(offset, sd)


NOTHING = RunEvidence(np.ones(CELLS), np.empty((0, CELLS)), np.empty(0))


def run_evidence(run: Run, base: float, sums: WeatherSums, first: date) -> RunEvidence:
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

    Returns
    -------
    RunEvidence
        Over the grid of `tripplan.forecast.learning`.
    """
    alive_age = (run.alive_on - run.start).days
    dark_age = None if run.dark_by is None else (run.dark_by - run.start).days + 1
    if alive_age <= 0 and dark_age is None and not run.charges:
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
    if not run.charges or isinstance(sums, PanelSums):
        return RunEvidence(signs, NOTHING.left, NOTHING.charges)
    ages = np.array([(day - run.start).days for day, _ in run.charges])
    left = sums.likely_charge(np.exp(base + MIDDLES), start, ages, run.charge_in).T
    return RunEvidence(signs, left, np.array([charge for _, charge in run.charges]))
