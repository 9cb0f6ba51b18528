"""A site's ended runs beside what would have been said of them when they began, and what stands out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tripplan.forecast.basis import Evidence
from tripplan.forecast.crossing import flat_share, grid_over, quantile_days
from tripplan.forecast.learning import SiteLearned
from tripplan.forecast.outlook import PastRun
from tripplan.forecast.pool import FAR_DAYS, Physics

__all__ = ["past_runs", "site_flags"]

_SHOWN = 5
_FOLLOWED_DAYS = 2 * 365


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
        grid = grid_over([load.log_mean], [cells])
        n_ages = min(FAR_DAYS, _FOLLOWED_DAYS)
        limits = physics.sums(item, load).limits(start, n_ages, run.charge_in)
        chance = (flat_share(limits, grid) @ grid.mass(load.log_mean, cells))[:, None]
        early, likely, late = (int(np.floor(quantile_days(chance, level)[0])) for level in (0.05, 0.5, 0.95))
        days = run.days
        if run.dark_by is not None:
            # it died between the last sign of life and the day it was found
            days = (run.days + (run.dark_by - run.start).days) // 2
        shown.append(PastRun(run.start, days, run.dark_by is not None, early, likely, late, run.pack_id))
    return tuple(shown)


def site_flags(runs: Sequence[PastRun]) -> tuple[str, ...]:
    """
    Return what stands out in a site's last runs.

    Parameters
    ----------
    runs : sequence of PastRun
        Oldest first.

    Returns
    -------
    tuple of str
        Empty where nothing does.
    """
    last = list(runs)[-2:]
    if not last or not last[-1].is_outside:
        return ()
    count = sum(run.is_outside for run in last)
    what = "its last two runs lie" if count == 2 else "its last run lies"
    return (f"{what} outside what was said: look whether something changed there",)
