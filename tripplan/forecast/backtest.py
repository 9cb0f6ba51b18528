"""
The forecast against a fleet's own past: each ended run is foreseen from what was known when it began.

A run that ended by a swap says only that the pack lived longer; it counts for an interval by the chance
that its end, wherever it would have been, lies in it. Below twenty runs there is too little history to judge.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.errors import InputError
from tripplan.fleet import Fleet
from tripplan.forecast.evidence import NOTICED_DAYS
from tripplan.forecast.history import Run, read_history
from tripplan.forecast.in_place import chances_in_place

__all__ = ["ENOUGH_RUNS", "BackTest", "back_test", "wilson_interval"]

#: Fewer runs than this say nothing about coverage.
ENOUGH_RUNS = 20
_INTERVALS = (0.5, 0.8, 0.9)


@dataclass(frozen=True)
class BackTest:
    """
    Coverage of the forecast on a fleet's own runs.

    Attributes
    ----------
    n_runs, n_flat : int
        Runs judged, and how many of them ended flat.
    coverage : tuple of float, length 3
        Share of runs inside the 50, 80 and 90 % interval.
    coverage_low, coverage_high : tuple of float, length 3
        What chance alone leaves open about each, at 95 %.
    outlived_q10 : float
        Share of packs that outlived the 10 % quantile; 0.9 is right.
    """

    n_runs: int
    n_flat: int
    coverage: tuple[float, ...]
    coverage_low: tuple[float, ...]
    coverage_high: tuple[float, ...]
    outlived_q10: float

    @property
    def is_enough(self) -> bool:
        """Whether there are runs enough to judge by."""
        return self.n_runs >= ENOUGH_RUNS

    def lines(self) -> tuple[str, ...]:
        """Return the result in a practitioner's words."""
        if not self.is_enough:
            little = f"Too little history to judge the forecast: {self.n_runs} ended runs, "
            return (f"{little}{self.n_flat} of them flat; about {ENOUGH_RUNS} are needed.",)
        shown = [
            f"{interval:.0%} interval: {found:.0%} of runs lay in it ({low:.0%} to {high:.0%} by chance)"
            for interval, found, low, high in zip(
                _INTERVALS, self.coverage, self.coverage_low, self.coverage_high, strict=True
            )
        ]
        return (
            f"{self.n_runs} ended runs, {self.n_flat} of them flat, foreseen from the records before each.",
            *shown,
            f"{self.outlived_q10:.0%} outlived the date that nine in ten should outlive.",
        )


def back_test(fleet: Fleet, on: date, progress: Callable[[int, int], None] | None = None) -> BackTest:
    """
    Foresee each ended run of a fleet from the records before it, and compare.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Later records are not used.
    progress : callable, optional
        Called with how many dates are done, and how many there are.

    Returns
    -------
    BackTest
        Of all runs of the sites in use; those before a change of their site included.
    """
    by_start: dict[date, list[Run]] = defaultdict(list)
    for site in read_history(fleet, on).sites.values():
        for run in site.past:
            by_start[run.start].append(run)
    spans: list[tuple[float, float, bool]] = []
    for done, start in enumerate(sorted(by_start)):
        if progress is not None:
            progress(done, len(by_start))
        try:
            said = chances_in_place(_as_known_on(fleet, start), start)
        except InputError:
            # too little stood in the records of that day
            continue
        spans.extend(
            _span(run, said[run.site_id][1])
            for run in by_start[start]
            if run.site_id in said and said[run.site_id][0] == start
        )
    if progress is not None:
        progress(len(by_start), len(by_start))
    return _judge(spans)


def _as_known_on(fleet: Fleet, day: date) -> Fleet:
    visits = tuple(visit for visit in fleet.visits if visit.day <= day)
    swapped = {visit.site_id for visit in visits}
    sites = tuple(
        replace(site, flat_on=None)
        for site in fleet.sites
        if site.site_id in swapped or (site.swapped_on is not None and site.swapped_on <= day)
    )
    readings = tuple(
        reading for reading in fleet.readings if reading.when.astimezone(fleet.zone).date() < day
    )
    return replace(fleet, visits=visits, sites=sites, readings=readings, packs=None)


def _span(run: Run, chance: NDArray[np.float64]) -> tuple[float, float, bool]:
    """Return between which chances the run ended, and whether it ended flat."""

    def flat_by(age: int) -> float:
        return float(chance[min(age, len(chance)) - 1]) if age > 0 else 0.0

    low = flat_by(run.days)
    if run.dark_by is None:
        return low, 1.0, False
    dark_age = (run.dark_by - run.start).days + 1
    low = flat_by(max(run.days, dark_age - NOTICED_DAYS))
    return low, max(low, flat_by(dark_age)), True


def _judge(spans: list[tuple[float, float, bool]]) -> BackTest:
    n_runs = len(spans)
    coverage: list[float] = []
    bounds: list[tuple[float, float]] = []
    for interval in _INTERVALS:
        inside = [_share_inside(low, high, (1 - interval) / 2, (1 + interval) / 2) for low, high, _ in spans]
        coverage.append(float(np.mean(inside)) if spans else math.nan)
        bounds.append(wilson_interval(coverage[-1], n_runs) if spans else (math.nan, math.nan))
    outlived = [_share_inside(low, high, 0.1, 1.0) for low, high, _ in spans]
    return BackTest(
        n_runs,
        sum(flat for _, _, flat in spans),
        tuple(coverage),
        tuple(low for low, _ in bounds),
        tuple(high for _, high in bounds),
        float(np.mean(outlived)) if spans else math.nan,
    )


def _share_inside(low: float, high: float, first: float, last: float) -> float:
    """Return the chance that an end, equally likely anywhere between two chances, lies in an interval."""
    if high - low < 1e-9:
        return float(first <= low <= last)
    return max(0.0, min(high, last) - max(low, first)) / (high - low)


def wilson_interval(share: float, count: int, z: float = 1.96) -> tuple[float, float]:
    """
    Return what chance leaves open about a share (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927).

    Parameters
    ----------
    share : float
        Found among `count`.
    count : int
        At least 1.
    z : float, default 1.96
        Quantile of the standard normal distribution; 1.96 for 95 %.

    Returns
    -------
    tuple of float
        Low and high.

    Examples
    --------
    >>> [round(end, 4) for end in wilson_interval(0.8, 100)]
    [0.7112, 0.8666]
    """
    middle = share + z**2 / (2 * count)
    reach = z * math.sqrt(share * (1 - share) / count + z**2 / (4 * count**2))
    return (middle - reach) / (1 + z**2 / count), (middle + reach) / (1 + z**2 / count)
