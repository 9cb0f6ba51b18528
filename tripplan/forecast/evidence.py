"""What one run says about its load: a likelihood over the grid of `tripplan.forecast.learning`."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.crossing import PanelSums, WeatherSums
from tripplan.forecast.history import Run
from tripplan.forecast.learning import CELLS, EDGES, MIDDLES, WIDTH

__all__ = ["NOTICED_DAYS", "RunEvidence", "run_evidence"]

#: Share of rested voltages that are simply wrong (meter, wrong pack, not rested). Assumption.
_WRONG_READINGS = 0.05
#: A dark site is mostly noticed and visited within so many days; assumption. [day]
NOTICED_DAYS = 21
#: Weight of any earlier day since the last sign of life against one of these; assumption: half of the dark
#: sites are noticed, half are met on visits that come about every hundred days.
_UNNOTICED = 0.2

RunEvidence = tuple[NDArray[np.float64], NDArray[np.float64]]


def run_evidence(run: Run, base: float, sums: WeatherSums, first: date, soc_sd: float) -> RunEvidence:
    """
    Return the likelihood of a run over what the model got wrong.

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
    soc_sd : float
        Spread of a charge read from rested volts; infinite where volts say nothing.

    Returns
    -------
    tuple of two numpy.ndarray, each shape (CELLS,)
        Everything, and the readings alone.
    """
    alive_age = (run.alive_on - run.start).days
    dark_age = None if run.dark_by is None else (run.dark_by - run.start).days + 1
    if alive_age <= 0 and dark_age is None and not run.charges:
        return np.ones(CELLS), np.ones(CELLS)
    needed = max([alive_age, dark_age or 0, 1, *((day - run.start).days for day, _ in run.charges)])
    start = (run.start - first).days
    limits = sums.limits(start, needed, run.charge_in)

    def flat_by(age: int) -> NDArray[np.float64]:
        if age <= 0:
            return np.zeros(CELLS)
        place = (limits[:, age - 1, None] - base - EDGES[None, :-1]) / WIDTH
        return np.asarray(1.0 - np.clip(place, 0.0, 1.0).mean(axis=0), dtype=np.float64)

    if dark_age is None:
        signs = 1.0 - flat_by(alive_age)
    else:
        since_alive = flat_by(dark_age) - flat_by(alive_age)
        lately = flat_by(dark_age) - flat_by(max(alive_age, dark_age - NOTICED_DAYS))
        signs = (lately + _UNNOTICED * since_alive) / (1.0 + _UNNOTICED)
    readings = np.ones(CELLS)
    # behind a panel volts tell of the last sunny day, not of the draw
    if math.isfinite(soc_sd) and run.charges and not isinstance(sums, PanelSums):
        # readings of one run share the table's error: together they never count for more than two
        sd = soc_sd * math.sqrt(max(1.0, len(run.charges) / 2.0))
        load = np.exp(base + MIDDLES)
        for day, charge in run.charges:
            left = sums.likely_charge(load, start, np.array([(day - run.start).days]), run.charge_in)[:, 0]
            apart = (np.clip(left, 0.0, 1.0) - charge) / sd
            readings *= (1.0 - _WRONG_READINGS) * np.exp(-0.5 * apart**2) + _WRONG_READINGS
    return np.clip(signs, 0.0, 1.0) * readings, readings
