"""
The battery: what it holds in the cold, what it loses by standing, how it ages.

One row of numbers for each chemistry, each with its source in `Battery.sources`; "from memory" and
"assumption" are said where they are the truth. A pack type may override any of them by name.

Charge is counted as a share of what the pack itself holds full at 25 deg C. Cold does not destroy
charge, it makes the last part of it unusable until the pack warms again: a pack that holds the
share ``q`` can run its device while ``q > 1 - capacity_share(T)``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tripplan.fleet import PackType
from tripplan.forecast.cell_numbers import OVERRIDABLE, Battery
from tripplan.forecast.chemistries import BATTERIES
from tripplan.units import DAYS_PER_MONTH

__all__ = [
    "OVERRIDABLE",
    "Battery",
    "battery_of",
    "capacity_share",
    "charge_from_rested_volts",
    "charge_that_freezes",
    "freezing_point_c",
    "rate_share",
    "self_discharge_per_day",
    "standing_health",
]


#: What else stands there: the device's cut-off, converter and panel.
_NOT_OF_THE_CELL = frozenset(
    {"cutoff_volts", "controller_idle_ma", "converter_efficiency", "converter_idle_ma", "panel_yield"}
)


def battery_of(kind: PackType) -> Battery:
    """
    Return the numbers of a pack type: its chemistry's, with the user's own in their place.

    Parameters
    ----------
    kind : PackType
        The type; `PackType.parameters` may hold any name of `OVERRIDABLE`.

    Returns
    -------
    Battery
        Equal for types that share every number.

    Raises
    ------
    ValueError
        If a name is not known.

    Notes
    -----
    ``cutoff_volts`` of the pack, where the device or a protection gives up, becomes the charge that a rested
    pack of that voltage still holds: at some milliamps the terminals show the voltage of rest.

    Examples
    --------
    >>> from tripplan.fleet import PackType
    >>> battery_of(PackType("A", 12.0, "p", parameters={"usual_health": 0.7})).usual_health
    0.7
    """
    unknown = sorted(set(kind.parameters) - set(OVERRIDABLE) - _NOT_OF_THE_CELL)
    if unknown:
        raise ValueError(f"no such battery parameter: {', '.join(unknown)}")
    battery = BATTERIES[kind.chemistry]
    own: dict[str, Any] = {name: kind.parameters[name] for name in OVERRIDABLE if name in kind.parameters}
    if own:
        battery = replace(battery, **own)
    cutoff = kind.parameters.get("cutoff_volts")
    if isinstance(cutoff, float | int) and "reserve_share" not in own:
        left = charge_from_rested_volts(battery, kind.nominal_volts, cutoff)
        battery = replace(battery, reserve_share=left or 0.0)
    return battery


def capacity_share(battery: Battery, temp_c: ArrayLike) -> NDArray[np.float64]:
    """
    Return the usable charge at a temperature as a share of that at 25 deg C.

    Parameters
    ----------
    battery : Battery
        Numbers of the chemistry.
    temp_c : array_like, shape (...)
        Temperature of the pack. [deg C]

    Returns
    -------
    numpy.ndarray, shape (...)
        Share, straight lines between the table's points. [-]

    Examples
    --------
    >>> from tripplan.forecast.chemistries import BATTERIES
    >>> from tripplan.fleet import Chemistry
    >>> capacity_share(BATTERIES[Chemistry.SEALED_LEAD_ACID], [-10.0, 12.5, 25.0]).round(3).tolist()
    [0.74, 0.92, 1.0]
    """
    return np.interp(np.asarray(temp_c, dtype=np.float64), battery.temps_c, battery.capacity_shares)


def self_discharge_per_day(battery: Battery, temp_c: ArrayLike) -> NDArray[np.float64]:
    """
    Return the share of the charge held that is lost in a day by standing.

    Parameters
    ----------
    battery : Battery
        Numbers of the chemistry.
    temp_c : array_like, shape (...)
        Temperature of the pack. [deg C]

    Returns
    -------
    numpy.ndarray, shape (...)
        Rate, doubling every `Battery.doubling_c`. [1/day]

    Examples
    --------
    >>> from tripplan.forecast.chemistries import BATTERIES
    >>> from tripplan.fleet import Chemistry
    >>> lead = BATTERIES[Chemistry.SEALED_LEAD_ACID]
    >>> (self_discharge_per_day(lead, [10.0, 20.0, 30.0]) * 30.4375).round(3).tolist()
    [0.015, 0.03, 0.06]
    """
    warmth = (np.asarray(temp_c, dtype=np.float64) - 20.0) / battery.doubling_c
    return battery.self_discharge_per_month / DAYS_PER_MONTH * np.exp2(warmth)


#: Share of charge of a sealed lead-acid pack against the temperature at which it may freeze.
_FREEZING_CHARGES = (0.0, 0.25, 0.5, 0.75, 1.0)
_FREEZING_C = (-5.0, -16.0, -24.0, -37.0, -59.0)


def freezing_point_c(charge: ArrayLike) -> NDArray[np.float64]:
    """
    Return the temperature at which a sealed lead-acid pack may freeze and crack.

    Parameters
    ----------
    charge : array_like, shape (...)
        Share of charge held. [-]

    Returns
    -------
    numpy.ndarray, shape (...)
        Temperature; a flat sealed pack is short of acid and is warned of from -5 (trade practice, no
        source), the rest after US Army OD1002, p. 54, with densities 1.265 full to 1.155 at a quarter.
        [deg C]

    Examples
    --------
    >>> freezing_point_c([0.0, 0.25, 0.5, 1.0]).tolist()
    [-5.0, -16.0, -24.0, -59.0]
    """
    return np.interp(np.asarray(charge, dtype=np.float64), _FREEZING_CHARGES, _FREEZING_C)


def charge_that_freezes(temp_c: ArrayLike) -> NDArray[np.float64]:
    """
    Return the share of charge under which a sealed lead-acid pack may freeze at a temperature.

    Parameters
    ----------
    temp_c : array_like, shape (...)
        Temperature of the pack. [deg C]

    Returns
    -------
    numpy.ndarray, shape (...)
        The inverse of `freezing_point_c`; -1 where not even a flat pack freezes. [-]

    Examples
    --------
    >>> charge_that_freezes([10.0, -4.0, -16.0, -70.0]).tolist()
    [-1.0, -1.0, 0.25, 1.0]
    """
    cold = np.asarray(temp_c, dtype=np.float64)
    share = np.interp(-cold, [-c for c in _FREEZING_C], _FREEZING_CHARGES)
    return np.where(cold < _FREEZING_C[0], share, -1.0)


def rate_share(battery: Battery, capacity_ah: float, current_ma: float) -> float:
    """
    Return the charge that a current draws as a share of the rated capacity.

    Peukert's law, t = H (C / (I H))^k, held at 1 below the rated current: carried down to milliamps
    it would make 9 to 15 Ah out of a 7 Ah pack.

    Parameters
    ----------
    battery : Battery
        Numbers of the chemistry.
    capacity_ah : float
        Rated capacity. [Ah]
    current_ma : float
        Average current. [mA]

    Returns
    -------
    float
        Share, at most 1. [-]

    References
    ----------
    W. Peukert, "Ueber die Abhaengigkeit der Kapazitaet von der Entladestromstaerke bei
    Bleiakkumulatoren," Elektrotechnische Zeitschrift 20, 1897.

    Examples
    --------
    >>> from tripplan.forecast.chemistries import BATTERIES
    >>> from tripplan.fleet import Chemistry
    >>> lead = BATTERIES[Chemistry.SEALED_LEAD_ACID]
    >>> rate_share(lead, 7.0, 1.8)
    1.0
    >>> round(7.0 * rate_share(lead, 7.0, 1400.0), 2)
    6.09
    """
    rated_ma = capacity_ah * 1000.0 / battery.rated_hours
    return 1.0 if current_ma <= rated_ma else float((rated_ma / current_ma) ** (battery.peukert_k - 1.0))


def standing_health(battery: Battery, years: float, cycles: int = 0) -> float:
    """
    Return what a pack still holds after so many years and cycles.

    Parameters
    ----------
    battery : Battery
        Numbers of the chemistry.
    years : float
        Since it was new or tested. [year]
    cycles : int, default 0
        Full cycles since then.

    Returns
    -------
    float
        Share of what it held then. [-]

    Examples
    --------
    >>> from tripplan.forecast.chemistries import BATTERIES
    >>> from tripplan.fleet import Chemistry
    >>> round(standing_health(BATTERIES[Chemistry.SEALED_LEAD_ACID], 7.0), 2)
    0.8
    """
    return float(np.exp(-battery.fade_per_year * max(0.0, years) - battery.fade_per_cycle * cycles))


def charge_from_rested_volts(battery: Battery, pack_volts: float, volts: float) -> float | None:
    """
    Return the share of charge that a rested voltage stands for.

    Parameters
    ----------
    battery : Battery
        Numbers of the chemistry.
    pack_volts : float
        Nominal voltage of the pack. [V]
    volts : float
        Measured after hours of rest. [V]

    Returns
    -------
    float or None
        Share, 0 to 1, good to about `Battery.soc_reading_sd`; None where volts say nothing in this chemistry,
        or cannot be those of such a pack.

    Examples
    --------
    >>> from tripplan.forecast.chemistries import BATTERIES
    >>> from tripplan.fleet import Chemistry
    >>> round(charge_from_rested_volts(BATTERIES[Chemistry.SEALED_LEAD_ACID], 12.0, 12.26), 2)
    0.5
    >>> charge_from_rested_volts(BATTERIES[Chemistry.LITHIUM_IRON_PHOSPHATE], 12.8, 13.1) is None
    True
    """
    if not battery.rested_charges:
        return None
    cells = max(1, round(pack_volts / battery.nominal_volts_per_cell))
    per_cell = volts / cells
    if not 0.4 * battery.nominal_volts_per_cell < per_cell < 1.3 * battery.nominal_volts_per_cell:
        return None
    return float(np.interp(per_cell, battery.rested_volts_per_cell, battery.rested_charges))
