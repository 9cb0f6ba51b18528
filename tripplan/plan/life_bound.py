"""
A lower bound on the life thrown away in a season: stage 4, site by site.

Each site's visits are a chain that misses no window, and what a chain throws away is known visit by visit.
No plan throws away less than the cheapest chains of all sites together, whatever trips they are put on; that
trips are few, and must be short, is left out. Sites whose device is set out or taken in, or where some visit
does not swap, count as throwing away nothing; where any k sites may be late, the k dearest chains do too.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from tripplan.plan.loops import FAR
from tripplan.plan.season import Season, Window

__all__ = ["Chain", "chains_of", "least_life_days"]


@dataclass(frozen=True)
class Chain:
    """
    What a site's chains of visits throw away.

    Attributes
    ----------
    task : int
        Task index.
    days : tuple of int
        Days on which it can be visited.
    likely : tuple of int
        Likely flat day of the pack in place, then of one put in on each of the days.
    limit : tuple of int
        For the same packs the place in `days` past the last next visit that misses no window.
    ends : tuple of bool
        For the same packs whether no later visit is owed.
    """

    task: int
    days: tuple[int, ...]
    likely: tuple[int, ...]
    limit: tuple[int, ...]
    ends: tuple[bool, ...]

    @property
    def least(self) -> float:
        """Days thrown away by the cheapest chain; infinite where none misses no window. [day]."""
        n = len(self.days)
        days = np.array(self.days, np.float64)
        value = np.full(n + 1, math.inf)
        for k in range(n, -1, -1):
            best = 0.0 if self.ends[k] else math.inf
            upto = self.limit[k]
            if upto > k:
                lost = np.maximum(0.0, self.likely[k] - days[k:upto])
                best = min(best, float((lost + value[k + 1 : upto + 1]).min()))
            value[k] = best
        return float(value[0])


def chains_of(season: Season, rows: tuple[Window, ...]) -> list[Chain]:
    """
    Return the sites whose chains are reckoned with.

    Parameters
    ----------
    season : Season
        The problem.
    rows : tuple of Window
        Windows that must each hold a visit.

    Returns
    -------
    list of Chain
        Those with a window, where every visit swaps and the device stays out.
    """
    found = []
    for s, task in enumerate(season.tasks):
        windows = [row for row in rows if row.site == s]
        days = task.possible
        if not windows or task.at_home or min(task.take_from, task.first_by) < FAR:
            continue
        if not all(task.pays[d] for d in days):
            continue  # for a job the pack may be left in, also where a fresh one lasts just as long
        limit, ends = [], []
        for after in (-1, *days):
            open_ones = [row.days[-1] for row in windows if row.days[0] > after]
            limit.append(bisect_right(days, min(open_ones)) if open_ones else len(days))
            ends.append(not open_ones)
        likely = (task.likely_in_place, *(int(task.likely[d]) for d in days))
        found.append(Chain(s, days, likely, tuple(limit), tuple(ends)))
    return found


def least_life_days(season: Season, rows: tuple[Window, ...], forgiven: int = 0) -> int:
    """
    Return a bound on the life thrown away.

    Parameters
    ----------
    season : Season
        The problem.
    rows : tuple of Window
        Windows that must each hold a visit.
    forgiven : int, default 0
        Sites of which no window counts, whichever they are.

    Returns
    -------
    int
        Days that no plan can undercut; 0 where some window cannot be held. [day]
    """
    least = sorted(chain.least for chain in chains_of(season, rows))
    kept = least[: max(0, len(least) - forgiven)]
    return int(sum(kept)) if all(math.isfinite(days) for days in kept) else 0
