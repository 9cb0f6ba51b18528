"""
From the runs of a pack, at whatever sites, to how much it still holds.

A run's load has the logarithm ``base + v`` (see `tripplan.forecast.learning`); a pack that holds less than
was expected of it adds the same shift to every run of its own. What the site and the season add is known
from the forecast made before each run. The shift is found on a grid, so that runs that were still
alive when a swap ended them count for exactly what they say.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.basis import Evidence, HealthBook
from tripplan.forecast.battery import battery_of
from tripplan.forecast.learning import CELLS, MIDDLES, WIDTH
from tripplan.forecast.outlook import PackLearned
from tripplan.forecast.pool import SiteKnowledge

__all__ = ["learn_packs"]

#: A run whose likelihood is flatter than this says nothing.
_SAYS_NOTHING = 1e-3
#: A run is never owed to the pack alone: at least this share of its variance is the site's and season's.
_LEAST_REST = 0.25
#: Chance of a run that ended for a reason outside the model; assumption, as in the learning of sites.
_STRAY = 0.02
_MOST_CELLS = 18
_SHIFTS = WIDTH * np.arange(-_MOST_CELLS, _MOST_CELLS + 1)
_SPAN = WIDTH * (np.arange(CELLS + 2 * _MOST_CELLS) - _MOST_CELLS) + MIDDLES[0]


def learn_packs(
    fleet: Fleet, evidence: Sequence[Evidence], known: Mapping[str, SiteKnowledge], on: date
) -> Mapping[str, PackLearned]:
    """
    Say what each pack of packs.csv holds.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    evidence : sequence of Evidence
        One for each site.
    known : mapping of str to SiteKnowledge
        What was learned of the sites.
    on : datetime.date
        Day of the forecast.

    Returns
    -------
    mapping of str to PackLearned
        By pack id.
    """
    runs: dict[str, list[tuple[NDArray[np.float64], NDArray[np.float64]]]] = defaultdict(list)
    for item in evidence:
        site = known[item.site.site_id]
        for run, foreseen, likelihood in zip(
            item.history.past, site.learned.before, site.likelihoods, strict=False
        ):
            if run.pack_id and np.ptp(likelihood) > _SAYS_NOTHING:
                runs[run.pack_id].append((foreseen, likelihood))
    book = HealthBook(fleet)
    found: dict[str, PackLearned] = {}
    for pack in fleet.packs or ():
        kind = fleet.pack_types[pack.pack_type]
        health, spread = book.health(kind, pack, battery_of(kind), on)
        shift, sd = _shift(runs.get(pack.pack_id, ()), spread)
        found[pack.pack_id] = PackLearned(
            health=float(health * np.exp(-shift)),
            health_sd=sd,
            prior_health=health,
            prior_sd=spread,
            runs=len(runs.get(pack.pack_id, ())),
        )
    return found


def _shift(
    runs: Sequence[tuple[NDArray[np.float64], NDArray[np.float64]]], spread: float
) -> tuple[float, float]:
    """Return mean and spread of a pack's shift of the load, from a prior about zero."""
    if not runs or spread <= 0.0:
        return 0.0, spread
    mass = np.exp(-0.5 * (_SHIFTS / spread) ** 2)
    mass /= mass.sum()
    for foreseen, likelihood in runs:
        middle = float(foreseen @ MIDDLES)
        variance = float(foreseen @ (MIDDLES - middle) ** 2)
        rest = max(variance - spread**2, _LEAST_REST * variance, WIDTH**2 / 12.0)
        # the shifts are whole cells, so that all of them look at pieces of one bell
        bell = np.exp(-0.5 * (_SPAN - middle) ** 2 / rest)
        given = np.correlate(bell, likelihood)[::-1] / (np.correlate(bell, np.ones(CELLS))[::-1] + 1e-300)
        usual = float(foreseen @ likelihood)
        mass = mass * ((1.0 - _STRAY) * given + _STRAY * usual)
        mass /= mass.sum()
    shift = float(mass @ _SHIFTS)
    return shift, min(spread, float(np.sqrt(mass @ (_SHIFTS - shift) ** 2)))
