"""Packs put in later: how long a charged pack would last from each day of the season."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.backup import Backup
from tripplan.forecast.basis import Evidence, Load
from tripplan.forecast.crossing import flat_share, grid_over, quantiles_by_site, with_early_failures
from tripplan.forecast.learning import EDGES, MIDDLES
from tripplan.forecast.outlook import FAR_DAYS, Basis, Renewal
from tripplan.forecast.panel import PanelSums
from tripplan.forecast.pool import Physics, SiteKnowledge

__all__ = ["LEVELS", "Items", "accepted_risk", "ages_to_follow", "forecast_renewals", "stacked"]

#: Early, likely and late.
LEVELS = (0.05, 0.5, 0.95)
_DARK_STEP = 7
#: Fleets above this size are worked out for every seventh day, and in lots of this size.
_LARGE_FLEET = 1000
_LARGE_DARK_STEP = 28

Items = list[tuple[Evidence, Load, NDArray[np.float64]]]


def accepted_risk(fleet: Fleet, item: Evidence) -> float:
    """Return the accepted chance of being dark: the site's own, else the fleet's."""
    return fleet.plan.risk if item.site.risk is None else item.site.risk


def ages_to_follow(
    bases: NDArray[np.float64], cells: NDArray[np.float64], tail: float, *, has_panel: bool, has_seasons: bool
) -> int:
    """Return the days after which all but a tail of each site's packs must be flat."""
    if has_panel:
        return FAR_DAYS
    at = (np.cumsum(cells, axis=1) < tail).sum(axis=1)
    least = float((bases + EDGES[at]).min())
    # the usable share is at most 1.05, and self-discharge only shortens; a year evens out the seasons
    longest = math.ceil(1.06 * math.exp(-least)) + 2
    return min(FAR_DAYS, longest + (365 if has_seasons else 0))


def forecast_renewals(
    physics: Physics,
    evidence: Sequence[Evidence],
    known: Mapping[str, SiteKnowledge],
    on: date,
    to: date,
) -> tuple[dict[str, Renewal], dict[str, NDArray[np.float32]], int]:
    """
    Return how long packs put in on each day of the season would last.

    Parameters
    ----------
    physics : Physics
        Weather and batteries.
    evidence : sequence of Evidence
        One for each site.
    known : mapping of str to SiteKnowledge
        What was learned.
    on, to : datetime.date
        The season, both ends included.

    Returns
    -------
    renewals : dict of str to Renewal
        By site.
    by_age : dict of str to numpy.ndarray, shape (n_rows, n_days)
        Chance of being dark by age, for every `step`-th day.
    step : int
        Days between these rows. [day]
    """
    renewals: dict[str, Renewal] = {}
    by_age: dict[str, NDArray[np.float32]] = {}
    is_large = len(evidence) > _LARGE_FLEET
    groups: dict[tuple[object, ...], Items] = defaultdict(list)
    for item in evidence:
        mass = known[item.site.site_id].learned.later
        groups[physics.key(item, item.renewal)].append((item, item.renewal, mass))
    for key, members in groups.items():
        # light and heavy loads apart, so that each lot needs few days and few cells
        members.sort(key=lambda member: member[1].log_mean + float(MIDDLES @ member[2]))
        for first in range(0, len(members), _LARGE_FLEET):
            lot = members[first : first + _LARGE_FLEET]
            _forecast_lot(physics, key, lot, known, on, to, renewals, by_age, is_large=is_large)
    return renewals, by_age, _LARGE_DARK_STEP if is_large else _DARK_STEP


def _forecast_lot(
    physics: Physics,
    key: tuple[object, ...],
    lot: Items,
    known: Mapping[str, SiteKnowledge],
    on: date,
    to: date,
    renewals: dict[str, Renewal],
    by_age: dict[str, NDArray[np.float32]],
    *,
    is_large: bool,
) -> None:
    n_days, first = (to - on).days + 1, (on - physics.first).days
    step, dark_step = (7, _LARGE_DARK_STEP) if is_large else (1, _DARK_STEP)
    bases, cells = stacked(lot)
    grid = grid_over(bases, cells)
    sums = physics.sums(lot[0][0], lot[0][1])
    # followed until every site's late quantile is passed
    tail, has_panel = 1.0 - LEVELS[-1] - 0.02, isinstance(sums, PanelSums)
    n_ages = max(n_days, ages_to_follow(bases, cells, tail, has_panel=has_panel, has_seasons=bool(key[-1])))
    mass = grid.masses(bases, cells)
    risks = np.array([accepted_risk(physics.fleet, item) for item, _, _ in lot])
    levels = np.stack([risks, *(np.full(len(lot), level) for level in LEVELS)])
    backups = {
        column: physics.backup(item.site)
        for column, (item, _, _) in enumerate(lot)
        if item.site.backup_days > 0.0
    }
    if isinstance(sums, PanelSums):
        sums.prepare(first, first + n_days - 1, n_ages)
    table = np.empty((4, n_days, len(lot)), dtype=np.int64)
    rows: list[NDArray[np.float32]] = []
    for k in range(0, n_days, step):
        flat = with_early_failures(flat_share(sums.limits(first + k, n_ages), grid))
        ages = quantiles_by_site(flat, mass, levels)
        for column, backup in backups.items():
            ages[0, column] = backup.dark_age(float(ages[0, column]), first + k)
        # between the days worked out, the date of the earlier one stands: the safe side
        dates = on.toordinal() + k + np.floor(ages + 1e-9).astype(np.int64)
        dates[0] -= 1
        table[:, k : k + step] = dates[:, None, :]
        if k % dark_step == 0:
            rows.append(_dark_row(flat, mass, backups, first + k, n_days))
    # an earlier day is lowered where a later one does worse: again the safe side
    table = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
    # shape (n_sites, ...), so that each site's arrays lie together
    by_site, dark = np.ascontiguousarray(table.transpose(2, 0, 1)), np.stack(rows, axis=1)
    for column, (item, load, _) in enumerate(lot):
        site_id = item.site.site_id
        basis = Basis.HISTORY if known[site_id].has_runs else load.basis
        swap_by, early, likely, late = by_site[column]
        renewals[site_id] = Renewal(site_id, swap_by, early, likely, late, basis)
        by_age[site_id] = dark[column]


def _dark_row(
    flat: NDArray[np.float64],
    mass: NDArray[np.float64],
    backups: Mapping[int, Backup],
    start: int,
    n_days: int,
) -> NDArray[np.float32]:
    """Return the chance of being dark by the end of each day: flat, and the backup cells used up."""
    dark = np.ascontiguousarray((flat[:n_days] @ mass).T, dtype=np.float32)
    for column, backup in backups.items():
        chance = np.concatenate([[0.0], flat @ mass[:, column]])
        ages = backup.flat_ages(np.arange(n_days) + 1.0, start)
        dark[column] = np.interp(ages, np.arange(len(chance)), chance)
    return dark


def stacked(items: Items) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the logarithms of the loads, shape (n,), and what the model got wrong, shape (n, CELLS)."""
    return np.array([load.log_mean for _, load, _ in items]), np.stack([cells for _, _, cells in items])
