"""A site's ended runs beside what would have been said of them, and packs that age fast."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tripplan.forecast.basis import Evidence
from tripplan.forecast.crossing import flat_chance, grid_over, quantile_days, with_early_failures
from tripplan.forecast.learning import MIDDLES, SiteLearned
from tripplan.forecast.outlook import FOLLOWED_DAYS, PastRun
from tripplan.forecast.pool import Physics, SiteKnowledge

__all__ = ["pack_notes", "past_runs"]

_SHOWN = 5
_LEVELS = np.array([0.05, 0.5, 0.95])
#: Standard deviations by which a pack must fall short.
_CLEARLY = 2.0


def past_runs(item: Evidence, physics: Physics, learned: SiteLearned) -> tuple[PastRun, ...]:
    """
    Return a site's last ended runs with the interval that the fleet and its earlier runs gave.

    Parameters
    ----------
    item : Evidence
        Of the site.
    physics : Physics
        Weather and batteries.
    learned : SiteLearned
        Of the site; the fleet's spreads in it rest on all records, the site's own level on earlier runs only.

    Returns
    -------
    tuple of PastRun
        At most five, oldest first.
    """
    shown: list[PastRun] = []
    first_shown = max(0, len(item.history.past) - _SHOWN)
    for place in range(first_shown, len(item.history.past)):
        run, load, cells = item.history.past[place], item.past_loads[place], learned.before[place]
        start = (run.start - physics.first).days
        if start < 0:
            continue
        base, mass = np.array([load.log_mean]), cells[None, :]
        grid = grid_over(base, mass)
        limits = physics.sums(item, load).limits(start, FOLLOWED_DAYS, run.charge_in)
        chance = with_early_failures(flat_chance(limits, grid, grid.masses(base, mass)[:, 0])[:, None])
        early, likely, late = (
            math.floor(days) for days in quantile_days(np.repeat(chance, len(_LEVELS), axis=1), _LEVELS)
        )
        days = run.days
        if run.dark_by is not None:
            # it died at some time before it was found, mostly not long before
            days = max(run.days, (run.dark_by - run.start).days)
        shown.append(PastRun(run.start, days, run.dark_by is not None, early, likely, late, run.pack_id))
    return tuple(shown)


def pack_notes(evidence: Sequence[Evidence], known: Mapping[str, SiteKnowledge]) -> tuple[str, ...]:
    """
    Return a note for each pack that ages faster than its kin.

    Parameters
    ----------
    evidence : sequence of Evidence
        One for each site.
    known : mapping of str to SiteKnowledge
        What was learned.

    Returns
    -------
    tuple of str
        Packs of which two runs or more, at whatever sites, fell clearly short of what was foreseen.
    """
    moves: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for item in evidence:
        knowledge = known[item.site.site_id]
        for run, foreseen, likelihood in zip(
            item.history.past, knowledge.learned.before, knowledge.likelihoods, strict=False
        ):
            if run.pack_id and np.ptp(likelihood) > 1e-3:
                moves[run.pack_id].append(_moved(foreseen, likelihood))
    notes: list[str] = []
    for pack_id, found in sorted(moves.items()):
        total, variance = (sum(part) for part in zip(*found, strict=True))
        if len(found) >= 2 and variance > 0.0 and total / math.sqrt(variance) > _CLEARLY:
            short = -math.expm1(-total / len(found))
            notes.append(
                f"pack {pack_id} lasts about {short:.0%} less than its kin over {len(found)} runs: test it"
            )
    return tuple(notes)


def _moved(foreseen: NDArray[np.float64], likelihood: NDArray[np.float64]) -> tuple[float, float]:
    """Return how far a run moved what was foreseen of its load, and the variance that this may have."""
    seen = foreseen * (likelihood + 1e-3)
    seen = seen / seen.sum()
    before, after = float(foreseen @ MIDDLES), float(seen @ MIDDLES)
    spread = float(foreseen @ (MIDDLES - before) ** 2) - float(seen @ (MIDDLES - after) ** 2)
    return after - before, max(spread, 1e-4)
