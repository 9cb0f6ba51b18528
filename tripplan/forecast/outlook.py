"""
What a forecast says: the tables that planning and outputs read.

`Outlook` is the one result of `tripplan.forecast.forecast_fleet`. Dates of packs yet to be put in
are kept as arrays of date ordinals (``datetime.date.toordinal``), one entry for each day of the
season, so that a solver can index them by day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FAR_DAYS",
    "FOLLOWED_DAYS",
    "Basis",
    "Outlook",
    "PackLearned",
    "PastRun",
    "Renewal",
    "SiteForecast",
]


#: How far a past run is foreseen; what is said of it ends here. [day]
FOLLOWED_DAYS = 2 * 365
#: No pack is followed longer than three years; a later flat date is given as this one. [day]
FAR_DAYS = 1096


class Basis(StrEnum):
    """What a site's dates rest on, best first."""

    GIVEN_DATE = "given date"
    HISTORY = "model and history"
    MODEL = "model"
    USUAL_LIFE = "usual life"


@dataclass(frozen=True)
class PastRun:
    """
    A run that has ended, beside what would have been said when it began.

    Attributes
    ----------
    start : datetime.date
        Day the pack went in.
    days : int
        Days it is known to have run. [day]
    was_flat : bool
        True where it then was flat; False where it could have run on.
    said_early, said_likely, said_late : int
        The 5, 50 and 95 % quantiles from the fleet and the site's earlier runs. [day]
    pack_id : str
        Empty where not known.
    """

    start: date
    days: int
    was_flat: bool
    said_early: int
    said_likely: int
    said_late: int
    pack_id: str = ""

    @property
    def is_outside(self) -> bool:
        """Whether it ended flat too early, or ran on too late, for the interval said."""
        return (self.was_flat and self.days < self.said_early) or self.days > self.said_late


@dataclass(frozen=True)
class PackLearned:
    """
    What a pack's own runs say of it.

    Attributes
    ----------
    health, health_sd : float
        Likely share of the rated capacity that it holds now, and the spread of its logarithm.
    prior_health, prior_sd : float
        The same from its test or age alone.
    runs : int
        Runs that said something about it.
    """

    health: float
    health_sd: float
    prior_health: float
    prior_sd: float
    runs: int


@dataclass(frozen=True)
class SiteForecast:
    """
    The forecast for the pack now at one site.

    Attributes
    ----------
    flat_early, flat_likely, flat_late : datetime.date
        The 5, 50 and 95 % quantiles of the flat date.
    swap_by : datetime.date
        Last day by whose end the chance of being dark is still within the accepted risk.
    risk : float
        That accepted risk.
    chance_dark_today : float
        Chance that the site is dark by the end of the day of the forecast.
    charge_left : float or None
        Share of the usable charge left in the likely case, 0 to 1; None where no model says.
    basis : Basis
        What the dates rest on.
    because : str
        One short clause in a practitioner's words, for example "5 usual months of type SLA12".
    own_share : float
        How much of what is known of its draw comes from the site's own runs, the rest from the fleet.
    last_runs : tuple of PastRun
        Its last ended runs, oldest first.
    flags : tuple of str
        Warnings about this site, each a clause.
    freezes_from : datetime.date or None
        First day by which a lead-acid pack left in place would have frozen, with the accepted risk; None
        where that is not within the season.
    charge_early, charge_likely, charge_late : tuple of float
        Course of the charge left, one value a week from the day of the forecast; empty where no model says.
    at_home : bool
        Whether the device stands at home and no pack runs down. All dates are then the day by whose end it
        is to be set out (``active_from``), or the season's last date where it is not to be set out.
    """

    site_id: str
    flat_early: date
    flat_likely: date
    flat_late: date
    swap_by: date
    risk: float
    chance_dark_today: float
    charge_left: float | None
    basis: Basis
    because: str = ""
    own_share: float = 0.0
    last_runs: tuple[PastRun, ...] = ()
    flags: tuple[str, ...] = ()
    freezes_from: date | None = None
    charge_early: tuple[float, ...] = ()
    charge_likely: tuple[float, ...] = ()
    charge_late: tuple[float, ...] = ()
    at_home: bool = False


@dataclass(frozen=True)
class Renewal:
    """
    What a charged pack put in at one site on each day of the season would do.

    Every array has shape (n_days,), entry k for a pack put in on day ``on + k``, and holds date
    ordinals. `swap_by` never falls as k rises, nor does any other array.
    """

    site_id: str
    swap_by: NDArray[np.int64]
    flat_early: NDArray[np.int64]
    flat_likely: NDArray[np.int64]
    flat_late: NDArray[np.int64]
    basis: Basis


@dataclass(frozen=True)
class Outlook:
    """
    Forecast of a whole fleet.

    Attributes
    ----------
    on : datetime.date
        Day of the forecast; the season's first date.
    to : datetime.date
        The season's last date.
    risk : float
        The fleet's accepted risk.
    sites : mapping of str to SiteForecast
        The packs now in place, in the order of sites.csv.
    renewals : mapping of str to Renewal
        The packs put in later.
    dark_chance_in_place : mapping of str to numpy.ndarray, shape (n_days,)
        Chance that the site is dark by the end of day ``on + k`` if nobody comes.
    dark_chance_by_age : mapping of str to numpy.ndarray, shape (n_days, n_ages)
        Row k: chance that a pack put in on ``on + k`` leaves the site dark by the end of that day + age.
        May be stored for a coarser set of days: row ``k // dark_step``.
    dark_step : int
        Days between the rows of `dark_chance_by_age`.
    notes : tuple of str
        What the user should know of the forecast as a whole, records left out of the learning included.
    packs : mapping of str to PackLearned
        What is known of each pack of packs.csv.
    """

    on: date
    to: date
    risk: float
    sites: Mapping[str, SiteForecast]
    renewals: Mapping[str, Renewal]
    dark_chance_in_place: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    dark_chance_by_age: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)
    dark_step: int = 7
    notes: tuple[str, ...] = ()
    packs: Mapping[str, PackLearned] = field(default_factory=dict)

    def expected_dark_days(self, site_id: str, put_in: date | None, until: date) -> float:
        """
        Return the expected number of dark days of one pack before it is swapped out.

        Parameters
        ----------
        site_id : str
            A site of the fleet.
        put_in : datetime.date or None
            Day the pack went in, within the season; None for the pack now in place.
        until : datetime.date
            Day of the swap, or the season's last day where nobody comes; not counted itself.

        Returns
        -------
        float
            Expected dark days from the day of the forecast (or `put_in`) up to, without, `until`. [day]
        """
        start = self.on if put_in is None else put_in
        days = max(0, (until - start).days)
        if put_in is None:
            chance = self.dark_chance_in_place.get(site_id)
            return 0.0 if chance is None else float(chance[:days].sum())
        table = self.dark_chance_by_age.get(site_id)
        if table is None:
            return 0.0
        row = min((put_in - self.on).days // self.dark_step, len(table) - 1)
        return float(table[row][:days].sum(dtype=np.float64))
