"""A charged pack on the shelf: what it loses, and when it must be charged again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, timedelta
from types import MappingProxyType

from tripplan.fleet import Chemistry, PackType
from tripplan.forecast.battery import Battery, battery_of, self_discharge_per_day
from tripplan.recharge import RECHARGE

__all__ = ["STORAGE_SHARE", "charge_after", "recharge_by", "resting_volts"]

#: Share of charge below which a stored pack is charged again.
STORAGE_SHARE: Mapping[Chemistry, float] = MappingProxyType(
    {
        # battery-education text: recharge when resting below 2.07 V a cell (12.42 V), about 70 %
        Chemistry.SEALED_LEAD_ACID: 0.70,
        # common practice, no source: never near empty, where the protection draws it flat
        Chemistry.LITHIUM_IRON_PHOSPHATE: 0.40,
        Chemistry.NICKEL_METAL_HYDRIDE: 0.50,
    }
)


def charge_after(kind: PackType, days: float, shelf_c: float) -> float:
    """
    Return the share of charge left after standing.

    Parameters
    ----------
    kind : PackType
        Type of the pack, charged full when it was put there.
    days : float
        Since then. [day]
    shelf_c : float
        Temperature of the shelf. [deg C]

    Returns
    -------
    float
        Share. [-]

    Examples
    --------
    >>> round(charge_after(PackType("p", 12.0, "x +"), 365.25 / 2, 20.0), 3)
    0.835
    """
    rate = float(self_discharge_per_day(battery_of(kind), shelf_c))
    return math.exp(-rate * max(0.0, days))


def recharge_by(kind: PackType, since: date, shelf_c: float) -> date | None:
    """
    Return the day by which a pack that stands charged must be charged again.

    Parameters
    ----------
    kind : PackType
        Type of the pack.
    since : datetime.date
        When it was charged full.
    shelf_c : float
        Temperature of the shelf. [deg C]

    Returns
    -------
    datetime.date or None
        Day on which it reaches the storage rule of its chemistry; None for primary cells, and where that
        lies more than five years ahead.

    Examples
    --------
    >>> recharge_by(PackType("p", 12.0, "x +"), date(2026, 1, 1), 20.0)
    datetime.date(2026, 12, 28)
    >>> recharge_by(PackType("p", 12.0, "x +"), date(2026, 1, 1), 30.0)
    datetime.date(2026, 6, 30)
    """
    share = STORAGE_SHARE.get(kind.chemistry)
    rate = float(self_discharge_per_day(battery_of(kind), shelf_c))
    if share is None or kind.chemistry not in RECHARGE or rate <= 0.0:
        return None
    days = math.floor(-math.log(share) / rate)
    return since + timedelta(days=days) if days <= 5 * 365 else None


def resting_volts(kind: PackType, charge: float) -> float | None:
    """
    Return what a rested pack with a share of charge would read.

    Parameters
    ----------
    kind : PackType
        Type of the pack.
    charge : float
        Share of charge. [-]

    Returns
    -------
    float or None
        At the battery's terminals; None where volts say nothing in this chemistry. [V]

    Examples
    --------
    >>> resting_volts(PackType("p", 12.0, "x +"), 0.7)
    12.45
    """
    import numpy as np

    battery: Battery = battery_of(kind)
    if not battery.rested_charges:
        return None
    cells = max(1, round(kind.nominal_volts / battery.nominal_volts_per_cell))
    per_cell = float(np.interp(charge, battery.rested_charges, battery.rested_volts_per_cell))
    return round(cells * per_cell, 2)
