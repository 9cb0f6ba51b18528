"""
The packs in place: the chance that each is flat by the end of each day, given its signs of life.

Sites that share battery, weather and the day on which their pack went in are worked out side by side.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.basis import Evidence, Load, find_evidence
from tripplan.forecast.crossing import LoadGrid, flat_share, grid_over, quantile_days, with_early_failures
from tripplan.forecast.history import read_history
from tripplan.forecast.panel import PanelSums
from tripplan.forecast.pool import Physics, SiteKnowledge, learn_fleet, physics_for
from tripplan.forecast.renewals import Items, ages_to_follow, stacked

__all__ = ["Cohort", "chances_in_place", "cohorts_in_place", "flat_quantiles"]

#: A pack that fewer than one in a hundred would have outlived by today is not taken to run on.
_BELIEVED = 0.01
#: Chance that a running site stays silent for several reports: signal, card, device. Assumption.
_SILENT_THOUGH_RUNNING = 0.1


@dataclass(frozen=True)
class Cohort:
    """
    Packs in place that went in on one day and share battery and weather.

    Attributes
    ----------
    items : list of (Evidence, Load)
        Their sites.
    since : datetime.date
        Day on which they went in.
    charge_in : float
        Share of charge with which they went in.
    limits : numpy.ndarray, shape (n_weathers, n_ages)
        Least loads that have crossed by age.
    grid : LoadGrid
        Cells of the load.
    mass : numpy.ndarray, shape (n_cells, n_items)
        What is known of each load, that the pack runs today not included.
    flat : numpy.ndarray, shape (n_ages, n_cells)
        Chance of being flat for each load.
    chance : numpy.ndarray, shape (n_ages, n_items)
        Chance of being flat by the end of the day the pack went in, the next, ..., given all signs.
    """

    items: list[tuple[Evidence, Load]]
    since: date
    charge_in: float
    limits: NDArray[np.float64]
    grid: LoadGrid
    mass: NDArray[np.float64]
    flat: NDArray[np.float64]
    chance: NDArray[np.float64]


def cohorts_in_place(
    physics: Physics, evidence: Sequence[Evidence], known: Mapping[str, SiteKnowledge], on: date
) -> Iterator[Cohort]:
    """
    Yield the packs in place, cohort by cohort.

    Parameters
    ----------
    physics : Physics
        Weather and batteries.
    evidence : sequence of Evidence
        One for each site; those with a given date are passed over.
    known : mapping of str to SiteKnowledge
        What was learned.
    on : datetime.date
        Day of the forecast.

    Yields
    ------
    Cohort
        Each site stands in one.
    """
    groups: dict[tuple[object, ...], Items] = defaultdict(list)
    for item in evidence:
        if item.in_place is not None:
            mass = known[item.site.site_id].learned.now
            groups[physics.key(item, item.in_place)].append((item, item.in_place, mass))
    for key, group in groups.items():
        sums = physics.sums(group[0][0], group[0][1])
        bases, cells = stacked(group)
        grid = grid_over(bases, cells)
        masses = grid.masses(bases, cells)
        n_ages = ages_to_follow(
            bases, cells, 1e-5, has_panel=isinstance(sums, PanelSums), has_seasons=bool(key[-1])
        )
        starts: dict[tuple[date, float], list[int]] = defaultdict(list)
        for place, (item, _, _) in enumerate(group):
            charge_in = 1.0 if item.history.now is None else item.history.now.charge_in
            starts[item.since or on, charge_in].append(place)
        for (since, charge_in), places in starts.items():
            first = (since - physics.first).days
            limits = sums.limits(first, (on - since).days + n_ages, charge_in)
            flat = with_early_failures(flat_share(limits, grid))
            mass = masses[:, places]
            chance = flat @ mass
            items = [(group[place][0], group[place][1]) for place in places]
            for column, (item, _) in enumerate(items):
                chance[:, column] = _given_signs(chance[:, column], since, item, on)
            yield Cohort(items, since, charge_in, limits, grid, mass, flat, chance)


def chances_in_place(fleet: Fleet, on: date) -> dict[str, tuple[date, NDArray[np.float64]]]:
    """
    Return the chance of each pack in place being flat, for tests of the forecast against what came.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast; later records are not used.

    Returns
    -------
    dict of str to (datetime.date, numpy.ndarray)
        By site, the day the pack went in and the chance of being flat by the end of that day, the next, ...
        Sites with a given date are absent.
    """
    history = read_history(fleet, on)
    evidence = find_evidence(fleet, history, on)
    physics = physics_for(fleet, evidence, on, on)
    known = learn_fleet(evidence, physics, on)
    return {
        item.site.site_id: (cohort.since, cohort.chance[:, column])
        for cohort in cohorts_in_place(physics, evidence, known, on)
        for column, (item, _) in enumerate(cohort.items)
    }


def flat_quantiles(fleet: Fleet, on: date, levels: Sequence[float]) -> dict[str, NDArray[np.float64]]:
    """
    Return quantiles of the days until the pack in place is flat.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast; later records are not used.
    levels : sequence of float
        Chances wanted.

    Returns
    -------
    dict of str to numpy.ndarray, shape (n_levels,)
        Days from the start of `on`, by site; sites with a given date are absent. [day]
    """
    wanted = np.asarray(levels, dtype=np.float64)
    return {
        site_id: quantile_days(np.repeat(chance[:, None], len(wanted), axis=1), wanted) - (on - since).days
        for site_id, (since, chance) in chances_in_place(fleet, on).items()
    }


def _given_signs(chance: NDArray[np.float64], since: date, item: Evidence, on: date) -> NDArray[np.float64]:
    """Return the chance of being flat by the end of each day, given the signs of life."""

    def flat_before(day: date) -> float:
        at = (day - since).days - 1
        return float(chance[min(at, len(chance) - 1)]) if at >= 0 else 0.0

    now = item.history.now
    if now is not None and now.silent_since is not None and item.dark_on is None:
        return _given_silence(chance, flat_before(now.silent_since), flat_before(on), (on - since).days)
    if item.dark_on is None or now is None:
        low = flat_before(on)
        if 1.0 - low < _BELIEVED:
            return chance
        return np.clip((chance - low) / (1.0 - low), 0.0, 1.0)
    low, high = flat_before(now.alive_on), flat_before(item.dark_on + timedelta(days=1))
    if high - low < 1e-9:
        # found dark where the model expects nothing: flat on the day it was found
        return (np.arange(len(chance)) >= (item.dark_on - since).days).astype(np.float64)
    return np.clip((chance - low) / (high - low), 0.0, 1.0)


def _given_silence(
    chance: NDArray[np.float64], at_report: float, today: float, age: int
) -> NDArray[np.float64]:
    """Weigh a flat pack against every other cause of silence: evidence of dark, not proof."""
    if 1.0 - at_report < 1e-9:
        return chance
    flat = (today - at_report) / (1.0 - at_report)
    dark = flat / (flat + _SILENT_THOUGH_RUNNING * (1.0 - flat)) if flat > 0.0 else 0.0
    before = dark * np.clip((chance - at_report) / max(today - at_report, 1e-12), 0.0, 1.0)
    after = dark + (1.0 - dark) * np.clip((chance - today) / max(1.0 - today, 1e-12), 0.0, 1.0)
    return np.where(np.arange(len(chance)) < age, before, after)
