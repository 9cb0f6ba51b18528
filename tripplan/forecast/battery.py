"""
The battery: what it holds in the cold, what it loses by standing, how it ages.

One row of numbers for each chemistry, each with its source in `Battery.sources`; "from memory" and
"assumption" are said where they are the truth. A pack type may override any of them by name.

Charge is counted as a share of what the pack itself holds full at 25 deg C. Cold does not destroy
charge, it makes the last part of it unusable until the pack warms again: a pack that holds the
share ``q`` can run its device while ``q > 1 - capacity_share(T)``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tripplan.fleet import Chemistry, PackType
from tripplan.units import DAYS_PER_MONTH

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "BATTERIES",
    "OVERRIDABLE",
    "Battery",
    "battery_of",
    "capacity_share",
    "charge_from_rested_volts",
    "rate_share",
    "self_discharge_per_day",
    "standing_health",
]


@dataclass(frozen=True)
class Battery:
    """
    The numbers of one chemistry.

    Attributes
    ----------
    temps_c, capacity_shares : tuple of float
        Usable charge at a slow discharge against temperature, as a share of that at 25 deg C; straight
        lines between, the end values beyond. [deg C], [-]
    self_discharge_per_month : float
        Share of the charge held that is lost in a month at 20 deg C. [1/month]
    doubling_c : float
        Warming that doubles the self-discharge. [deg C]
    peukert_k : float
        Peukert exponent; applied only to currents above the rated one. [-]
    rated_hours : float
        Hours of discharge at which the capacity is rated. [h]
    usual_health : float
        What a pack in service holds where no test says, as a share of the rated capacity. [-]
    health_sd : float
        Spread of that, of its logarithm. [-]
    fade_per_year, fade_per_cycle : float
        Capacity lost by a year of standing at 25 deg C and by a full cycle, of its logarithm. [1/year], [1/cycle]
    empty_volts_per_cell, nominal_volts_per_cell : float
        End of discharge, and the voltage that the cell is sold by. [V]
    soc_reading_sd : float
        Spread of the charge read from one rested voltage, as a share; infinite where volts say nothing. [-]
    rested_charges, rested_volts_per_cell : tuple of float
        Share of charge against the voltage of a cell at rest for hours, both rising. [-], [V]
    charge_from_c : float
        Temperature below which the pack must not be charged. [deg C]
    sources : mapping of str to str
        Where each number comes from.
    """

    temps_c: tuple[float, ...]
    capacity_shares: tuple[float, ...]
    self_discharge_per_month: float
    doubling_c: float
    peukert_k: float
    rated_hours: float
    usual_health: float
    health_sd: float
    fade_per_year: float
    fade_per_cycle: float
    empty_volts_per_cell: float
    nominal_volts_per_cell: float
    soc_reading_sd: float
    rested_charges: tuple[float, ...]
    rested_volts_per_cell: tuple[float, ...]
    charge_from_c: float
    sources: Mapping[str, str] = field(default_factory=dict, compare=False)


_SHEET = "maker's sheet, sealed 12 V 40 Ah"
_ASSUMED = "assumption"
_MEMORY = "from memory"

BATTERIES: Mapping[Chemistry, Battery] = MappingProxyType(
    {
        Chemistry.SEALED_LEAD_ACID: Battery(
            temps_c=(-40.0, -30.0, -20.0, -15.0, -10.0, 0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
            capacity_shares=(
                *(0.25, 0.38, 0.53, 0.65, 0.74, 0.84, 0.88, 0.90, 0.94, 0.99, 1.0, 1.03, 1.04, 1.05),
            ),
            self_discharge_per_month=0.03,
            doubling_c=10.0,
            peukert_k=1.10,
            rated_hours=20.0,
            usual_health=0.88,
            health_sd=0.12,
            fade_per_year=0.032,
            fade_per_cycle=0.0018,
            empty_volts_per_cell=1.75,
            nominal_volts_per_cell=2.0,
            soc_reading_sd=0.13,
            rested_charges=(0.0, 0.25, 0.50, 0.75, 1.0),
            rested_volts_per_cell=(1.967, 2.004, 2.043, 2.084, 2.126),
            charge_from_c=-20.0,
            sources=MappingProxyType(
                {
                    "capacity_shares": f"{_SHEET} (30, 25, 10, -10 C) and a maker's table of percent adjustments "
                    f"for more than 60 min (0 to 40 C); -15 C {_MEMORY}; below: {_ASSUMED}, between that and the "
                    "factors of IEEE Std 485 (standby cells, fitted and extrapolated)",
                    "self_discharge_per_month": "handbook of a power-electronics maker, sec. 2.5.10: calcium grids "
                    "3 %/month at 20 C, 1.5 at 10 C",
                    "doubling_c": "the same",
                    "peukert_k": "makers' pages: 1.05 to 1.15 for sealed cells",
                    "rated_hours": "JIS C 8702-1 (quoted)",
                    "usual_health": f"{_ASSUMED}: between new and the 80 % at which IEEE Std 1188 retires a pack",
                    "health_sd": f"{_ASSUMED}: 70 to 105 % covers nearly all packs in use",
                    "fade_per_year": f"{_SHEET}: 6 to 8 years at 25 C to 80 %",
                    "fade_per_cycle": f"{_SHEET}: 200 full cycles, taken as to 70 %",
                    "empty_volts_per_cell": _SHEET,
                    "nominal_volts_per_cell": "definition",
                    "rested_volts_per_cell": "mean of a maker's manual (2017, p. 57: 12.7 to 11.9 V) and the rule of "
                    "density plus 0.845 V per cell (12.66 to 11.79 V)",
                    "soc_reading_sd": "tables of resting voltage disagree by 10 to 20 % of charge at one voltage",
                    "charge_from_c": f"{_ASSUMED}; a frozen pack is never charged (US Army OD1002)",
                }
            ),
        ),
        Chemistry.LITHIUM_IRON_PHOSPHATE: Battery(
            temps_c=(-40.0, -30.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.10, 0.45, 0.70, 0.85, 1.0, 1.0),
            self_discharge_per_month=0.025,
            doubling_c=10.0,
            peukert_k=1.02,
            rated_hours=5.0,
            usual_health=0.94,
            health_sd=0.07,
            fade_per_year=0.02,
            fade_per_cycle=0.0001,
            empty_volts_per_cell=2.5,
            nominal_volts_per_cell=3.2,
            soc_reading_sd=float("inf"),
            rested_charges=(),
            rested_volts_per_cell=(),
            charge_from_c=0.0,
            sources=MappingProxyType(
                {
                    "capacity_shares": "makers' pages: 0.80 or 0.90 at 0 C, 0.70 at -20 C; "
                    f"below -20 C, the limit for discharge: {_ASSUMED}",
                    "self_discharge_per_month": f"2 to 3 %/month, {_MEMORY}",
                    "doubling_c": f"{_ASSUMED}, the ten-degree rule",
                    "peukert_k": _MEMORY,
                    "rated_hours": _MEMORY,
                    "usual_health": _ASSUMED,
                    "health_sd": _ASSUMED,
                    "fade_per_year": _MEMORY,
                    "fade_per_cycle": f"2000 cycles to 80 %, {_MEMORY}",
                    "empty_volts_per_cell": _MEMORY,
                    "nominal_volts_per_cell": "makers' pages",
                    "soc_reading_sd": f"volts say nothing between 20 and 90 %, {_MEMORY}",
                    "charge_from_c": "makers' pages: no charging below 0 C (plating)",
                }
            ),
        ),
        Chemistry.LITHIUM_IRON_DISULFIDE: Battery(
            temps_c=(-40.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.55, 0.87, 0.96, 1.0, 1.0),
            self_discharge_per_month=0.0006,
            doubling_c=10.0,
            peukert_k=1.02,
            rated_hours=100.0,
            usual_health=0.98,
            health_sd=0.05,
            fade_per_year=0.0,
            fade_per_cycle=0.0,
            empty_volts_per_cell=0.9,
            nominal_volts_per_cell=1.5,
            soc_reading_sd=float("inf"),
            rested_charges=(),
            rested_volts_per_cell=(),
            charge_from_c=float("inf"),
            sources=MappingProxyType(
                {
                    "capacity_shares": f"85 to 90 % at -20 C, 50 to 60 % at -40 C at a low drain, {_MEMORY}; "
                    "range -40 to 60 C: maker's manual",
                    "self_discharge_per_month": "90 % left after 15 years at 21 C (users' reports of makers' claims)",
                    "doubling_c": f"{_ASSUMED}, the ten-degree rule",
                    "peukert_k": "nearly flat with drain: maker's manual",
                    "rated_hours": _ASSUMED,
                    "usual_health": f"{_ASSUMED}: a fresh primary cell",
                    "health_sd": _ASSUMED,
                    "fade_per_year": "primary cell, its loss is the self-discharge",
                    "fade_per_cycle": "primary cell",
                    "empty_volts_per_cell": _MEMORY,
                    "nominal_volts_per_cell": "IEC 60086-2, FR6 (quoted)",
                    "soc_reading_sd": "flat, then a sudden end: voltage tells little",
                    "charge_from_c": "primary cell: never charged",
                }
            ),
        ),
        Chemistry.ALKALINE: Battery(
            temps_c=(-30.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.0, 0.48, 0.80, 1.0, 1.0),
            self_discharge_per_month=0.0033,
            doubling_c=7.0,
            peukert_k=1.15,
            rated_hours=100.0,
            usual_health=0.95,
            health_sd=0.08,
            fade_per_year=0.0,
            fade_per_cycle=0.0,
            empty_volts_per_cell=0.9,
            nominal_volts_per_cell=1.5,
            soc_reading_sd=0.15,
            rested_charges=(0.0, 0.25, 0.50, 0.75, 1.0),
            rested_volts_per_cell=(1.10, 1.22, 1.30, 1.39, 1.58),
            charge_from_c=float("inf"),
            sources=MappingProxyType(
                {
                    "capacity_shares": "1200 of 2500 mAh at -20 C, no use at -30 C (makers' and handbook pages); "
                    f"0 C: {_ASSUMED}",
                    "self_discharge_per_month": "85 % after 4 years at 21 C",
                    "doubling_c": "2 %/year at 21 C, 5 at 29, 25 at 38 C",
                    "peukert_k": "2500 to 2850 mAh at 25 mA, under 1000 at 1 A: 1.2 to 1.3 over all; fitted for "
                    "low drains",
                    "rated_hours": "25 mA from 2500 mAh",
                    "usual_health": f"{_ASSUMED}: a fresh primary cell",
                    "health_sd": _ASSUMED,
                    "fade_per_year": "primary cell, its loss is the self-discharge",
                    "fade_per_cycle": "primary cell",
                    "empty_volts_per_cell": _MEMORY,
                    "nominal_volts_per_cell": "IEC 60086-2, LR6 (quoted)",
                    "rested_volts_per_cell": f"sloping discharge, {_MEMORY}",
                    "soc_reading_sd": f"sloping discharge; spread {_ASSUMED}",
                    "charge_from_c": "primary cell: never charged",
                }
            ),
        ),
        Chemistry.NICKEL_METAL_HYDRIDE: Battery(
            temps_c=(-30.0, -20.0, 0.0, 25.0, 40.0),
            capacity_shares=(0.2, 0.50, 0.85, 1.0, 0.97),
            self_discharge_per_month=0.017,
            doubling_c=10.0,
            peukert_k=1.05,
            rated_hours=5.0,
            usual_health=0.92,
            health_sd=0.08,
            fade_per_year=0.04,
            fade_per_cycle=0.0004,
            empty_volts_per_cell=1.0,
            nominal_volts_per_cell=1.2,
            soc_reading_sd=float("inf"),
            rested_charges=(),
            rested_volts_per_cell=(),
            charge_from_c=0.0,
            sources=MappingProxyType(
                {
                    "capacity_shares": f"about 50 % at -20 C, {_MEMORY}; the rest {_ASSUMED}",
                    "self_discharge_per_month": "low self-discharge cells: 90 % at 6 months, 85 at 12 (makers' pages); "
                    "standard cells lose 15 %/month and more: set self_discharge_per_month for them",
                    "doubling_c": "three times faster at 40 than at 20 C",
                    "peukert_k": _MEMORY,
                    "rated_hours": "IEC 61951-2 (quoted)",
                    "usual_health": _ASSUMED,
                    "health_sd": _ASSUMED,
                    "fade_per_year": _ASSUMED,
                    "fade_per_cycle": f"500 cycles to 80 %, {_MEMORY}",
                    "empty_volts_per_cell": "IEC 61951-2 (quoted)",
                    "nominal_volts_per_cell": "definition",
                    "soc_reading_sd": "voltage-based warning does not work for this chemistry",
                    "charge_from_c": "makers' pages: charge from 0 to 40 C",
                }
            ),
        ),
    }
)


#: What a user may set in ``[pack_types.NAME]`` in place of the table's number.
OVERRIDABLE = (
    "self_discharge_per_month",
    "doubling_c",
    "peukert_k",
    "rated_hours",
    "usual_health",
    "health_sd",
    "fade_per_year",
    "fade_per_cycle",
    "soc_reading_sd",
    "charge_from_c",
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

    Examples
    --------
    >>> from tripplan.fleet import PackType
    >>> battery_of(PackType("A", 12.0, "p", parameters={"usual_health": 0.7})).usual_health
    0.7
    """
    unknown = sorted(set(kind.parameters) - set(OVERRIDABLE))
    if unknown:
        raise ValueError(f"no such battery parameter: {', '.join(unknown)}")
    battery = BATTERIES[kind.chemistry]
    return replace(battery, **kind.parameters) if kind.parameters else battery


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
    >>> lead = BATTERIES[Chemistry.SEALED_LEAD_ACID]
    >>> (self_discharge_per_day(lead, [10.0, 20.0, 30.0]) * 30.4375).round(3).tolist()
    [0.015, 0.03, 0.06]
    """
    warmth = (np.asarray(temp_c, dtype=np.float64) - 20.0) / battery.doubling_c
    return battery.self_discharge_per_month / DAYS_PER_MONTH * np.exp2(warmth)


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
