"""Packs put in later: how long a charged pack would last from each day of the season."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.basis import Evidence, Load
from tripplan.forecast.crossing import (
    LoadGrid,
    PanelSums,
    WeatherSums,
    flat_share,
    grid_over,
    quantile_days,
)
from tripplan.forecast.learning import EDGES, STRAY_SHARE
from tripplan.forecast.outlook import Basis, Renewal
from tripplan.forecast.pool import FAR_DAYS, Physics, SiteKnowledge

__all__ = ["LEVELS", "Items", "accepted_risk", "ages_to_follow", "forecast_renewals", "with_early_failures"]

#: Early, likely and late.
LEVELS = (0.05, 0.5, 0.95)
_DARK_STEP = 7
#: Fleets above this size are worked out for every seventh day, and in lots of this size.
_LARGE_FLEET = 1000
_LARGE_DARK_STEP = 28
#: Numbers held at once while packs put in later are followed.
_BLOCK_SIZE = 2_000_000

Items = list[tuple[Evidence, Load, NDArray[np.float64]]]


def accepted_risk(fleet: Fleet, item: Evidence) -> float:
    """Return the accepted chance of being dark: the site's own, else the fleet's."""
    return fleet.plan.risk if item.site.risk is None else item.site.risk


def ages_to_follow(group: Items, tail: float, *, has_seasons: bool) -> int:
    """Return the days after which all but a tail of each site's packs must be flat."""
    if group[0][0].site.panel_w is not None:
        return FAR_DAYS
    least = min(
        load.log_mean + EDGES[int(np.searchsorted(np.cumsum(cells), tail))] for _, load, cells in group
    )
    # the usable share is at most 1.05, and self-discharge only shortens; a year evens out the seasons
    longest = math.ceil(1.06 * math.exp(-least)) + 2
    return min(FAR_DAYS, longest + (365 if has_seasons else 0))


def with_early_failures(chance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Add the few packs that fail early: they last half as long as the others would."""
    double = np.minimum(2 * np.arange(len(chance)) + 1, len(chance) - 1)
    return np.asarray((1.0 - STRAY_SHARE) * chance + STRAY_SHARE * chance[double], dtype=np.float64)


def forecast_renewals(
    physics: Physics,
    evidence: Sequence[Evidence],
    known: Mapping[str, SiteKnowledge],
    on: date,
    to: date,
) -> tuple[dict[str, Renewal], dict[str, NDArray[np.float64]], int]:
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
    by_age: dict[str, NDArray[np.float64]] = {}
    is_large = len(evidence) > _LARGE_FLEET
    groups: dict[tuple[object, ...], Items] = defaultdict(list)
    for item in evidence:
        mass = known[item.site.site_id].learned.later
        groups[physics.key(item, item.renewal)].append((item, item.renewal, mass))
    for key, members in groups.items():
        # light and heavy loads apart, so that each lot needs few days and few cells
        members.sort(key=lambda member: member[1].log_mean)
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
    by_age: dict[str, NDArray[np.float64]],
    *,
    is_large: bool,
) -> None:
    n_days, first = (to - on).days + 1, (on - physics.first).days
    step, dark_step = (7, _LARGE_DARK_STEP) if is_large else (1, _DARK_STEP)
    grid = grid_over([load.log_mean for _, load, _ in lot], [cells for _, _, cells in lot])
    # followed until every site's late quantile is passed
    tail = 1.0 - LEVELS[-1] - 0.02
    n_ages = max(n_days, ages_to_follow(lot, tail, has_seasons=bool(key[-1])))
    mass = np.stack([grid.mass(load.log_mean, cells) for _, load, cells in lot], axis=1)
    risks = np.array([accepted_risk(physics.fleet, item) for item, _, _ in lot])
    backups = np.array([item.site.backup_days for item, _, _ in lot])
    sums = physics.sums(lot[0][0], lot[0][1])
    if isinstance(sums, PanelSums):
        sums.prepare(first, first + n_days - 1, n_ages)
    table = np.empty((4, n_days, len(lot)), dtype=np.int64)
    rows: list[NDArray[np.float64]] = []
    starts = range(0, n_days, step)
    for k, chance in zip(starts, _chances_by_start(sums, first, starts, n_ages, grid, mass), strict=True):
        start = on.toordinal() + k
        # between the days worked out, the date of the earlier one stands: the safe side
        days = slice(k, k + step)
        swap_by = start - 1 + np.floor(quantile_days(chance, risks) + backups + 1e-9)
        table[0, days] = swap_by.astype(np.int64)
        for place, level in enumerate(LEVELS, start=1):
            table[place, days] = start + np.floor(quantile_days(chance, level) + 1e-9).astype(np.int64)
        if k % dark_step == 0:
            rows.append(_dark_row(chance, backups, n_days))
    # an earlier day is lowered where a later one does worse: again the safe side
    table = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
    dark = np.stack(rows)
    for column, (item, load, _) in enumerate(lot):
        site_id = item.site.site_id
        basis = Basis.HISTORY if known[site_id].has_runs else load.basis
        swap_by, early, likely, late = np.ascontiguousarray(table[:, :, column])
        renewals[site_id] = Renewal(site_id, swap_by, early, likely, late, basis)
        by_age[site_id] = np.ascontiguousarray(dark[:, :, column])


def _chances_by_start(
    sums: WeatherSums,
    first: int,
    starts: Sequence[int],
    n_ages: int,
    grid: LoadGrid,
    mass: NDArray[np.float64],
) -> Iterator[NDArray[np.float64]]:
    """Yield, for packs put in on some days, the chance of being flat: shape (n_ages, n_sites)."""
    # several days in one product: a small one costs more in waiting than in work
    block = max(1, _BLOCK_SIZE // (n_ages * max(grid.n_cells, mass.shape[1])))
    for begin in range(0, len(starts), block):
        some = starts[begin : begin + block]
        tables = [flat_share(sums.limits(first + k, n_ages), grid) for k in some]
        chances = np.concatenate(tables) @ mass
        for chance in chances.reshape(len(some), n_ages, mass.shape[1]):
            yield with_early_failures(chance)


def _dark_row(chance: NDArray[np.float64], backups: NDArray[np.float64], n_days: int) -> NDArray[np.float64]:
    """Return the chance of being dark by the end of each day: flat, and the backup cells used up."""
    dark = chance[:n_days].copy()
    ages = np.arange(len(chance) + 1)
    for column in np.flatnonzero(backups):
        flat = np.concatenate([[0.0], chance[:, column]])
        dark[:, column] = np.interp(np.arange(n_days) + 1.0 - backups[column], ages, flat)
    return dark
