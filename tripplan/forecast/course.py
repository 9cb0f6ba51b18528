"""The course of the charge of the packs in place: for the picture, and for the danger of freezing."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Chemistry
from tripplan.forecast.crossing import flat_share
from tripplan.forecast.in_place import Cohort
from tripplan.forecast.learning import MIDDLES
from tripplan.forecast.panel import PanelSums
from tripplan.forecast.pool import Physics, SiteKnowledge

__all__ = ["charge_courses", "freezing_dates"]

Course = tuple[tuple[float, ...], ...]


def charge_courses(
    physics: Physics,
    cohort: Cohort,
    known: Mapping[str, SiteKnowledge],
    flat_ages: NDArray[np.float64],
    on: date,
    to: date,
) -> list[Course]:
    """
    Return the usable charge left, week by week, in the early, likely and late case of each site.

    Parameters
    ----------
    physics : Physics
        Weather and batteries.
    cohort : Cohort
        The packs.
    known : mapping of str to SiteKnowledge
        What was learned; used behind a panel, where a date does not fix the load.
    flat_ages : numpy.ndarray, shape (3, n_items)
        Early, likely and late. [day]
    on, to : datetime.date
        Day of the forecast and the season's last.

    Returns
    -------
    list of tuple of three tuple of float
        Share of what the cold of that week leaves usable, 0 to 1; empty where no model says.
    """
    item, load = cohort.items[0]
    if load.battery is None:
        return []
    sums = physics.sums(item, load)
    if isinstance(sums, PanelSums):
        learned = np.cumsum(known[item.site.site_id].learned.now)
        loads = np.exp(load.log_mean + MIDDLES[np.searchsorted(learned, (0.95, 0.5, 0.05))])[:, None]
    else:
        ends = np.clip(np.floor(flat_ages).astype(np.int64) - 1, 0, cohort.limits.shape[1] - 1)
        wanted, place = np.unique(ends, return_inverse=True)
        loads = np.exp(np.median(cohort.limits[:, wanted], axis=0))[place].reshape(ends.shape)
    first, age = (cohort.since - physics.first).days, (on - cohort.since).days
    ages = np.maximum(0, age + np.arange(0, (to - on).days + 1, 7))
    left = sums.likely_charge(loads.ravel(), first, ages, cohort.charge_in)
    usable = np.maximum(sums.usable[:, np.minimum(first + ages, sums.n_days - 1)].mean(axis=0), 1e-3)
    share = np.clip((left - (1.0 - usable)) / usable, 0.0, 1.0).reshape(*loads.shape, len(ages))
    return [tuple(tuple(case) for case in site) for site in share.transpose(1, 0, 2).tolist()]


def freezing_dates(
    physics: Physics, cohort: Cohort, risks: NDArray[np.float64], on: date, to: date
) -> list[date | None]:
    """
    Return the day by which each pack left in place would have frozen, with the accepted risk.

    Freezing is a crossing as darkness is: the charge falls under what the day's temperature would freeze. A
    device that goes on drawing below its cut-off is assumed, which is the safe side.

    Parameters
    ----------
    physics : Physics
        Weather and batteries.
    cohort : Cohort
        The packs.
    risks : numpy.ndarray, shape (n_items,)
        Chances accepted.
    on, to : datetime.date
        Days looked at.

    Returns
    -------
    list of (datetime.date or None)
        None where the chemistry does not freeze, or not within these days.
    """
    nothing: list[date | None] = [None] * len(cohort.items)
    item, load = cohort.items[0]
    kind, sums = physics.fleet.pack_types[item.site.pack_type], physics.sums(item, load)
    # behind a panel the charge of a cold day is not known well enough to say
    if load.battery is None or isinstance(sums, PanelSums) or cohort.since > on:
        return nothing
    first, age = (cohort.since - physics.first).days, (on - cohort.since).days
    begin, stop = first + age, min(first + age + (to - on).days + 1, sums.n_days)
    if kind.chemistry is not Chemistry.SEALED_LEAD_ACID or sums.temps_c[:, begin:stop].min() >= -5.0:
        return nothing
    limits = sums.freeze_limits(first, age, stop - begin, cohort.charge_in, sums.frozen_under())
    frozen = flat_share(limits, cohort.grid)
    mass = cohort.mass
    if age > 0:
        # it runs today
        running = 1.0 - cohort.flat[age - 1][:, None] * np.array(
            [item.dark_on is None for item, _ in cohort.items]
        )
        mass = mass * np.maximum(running, 1e-9)
        mass = mass / mass.sum(axis=0)
    above = frozen @ mass > risks
    return [on + timedelta(days=int(np.argmax(days))) if days.any() else None for days in above.T]
