"""The numbers that describe a chemistry, and which of them a user may set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["OVERRIDABLE", "Battery"]


@dataclass(frozen=True)
class Battery:
    """
    The numbers of one chemistry.

    Attributes
    ----------
    temps_c, capacity_shares : tuple of float
        Usable charge at a slow discharge against temperature, as a share of that at 25 deg C; straight
        lines between, the end values beyond. [deg C], [-]
    cold_sd : float
        Spread, between makes of pack, of the logarithm of what the cold takes away. [-]
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
        Capacity lost by a year of standing at 25 deg C and by a full cycle, of its logarithm.
        [1/year], [1/cycle]
    empty_volts_per_cell, nominal_volts_per_cell : float
        End of discharge, and the voltage that the cell is sold by. [V]
    soc_reading_sd : float
        Spread of the charge read from one rested voltage, as a share; infinite where volts say nothing. [-]
    rested_charges, rested_volts_per_cell : tuple of float
        Share of charge against the voltage of a cell at rest for hours, both rising. [-], [V]
    charge_from_c : float
        Temperature below which the pack must not be charged. [deg C]
    reserve_share : float
        Share of charge still there when the device or the pack's protection cuts off: 0 unless the user
        says otherwise, since at some milliamps a cell gives nearly all it has. [-]
    sources : mapping of str to str
        Where each number comes from.
    """

    temps_c: tuple[float, ...]
    capacity_shares: tuple[float, ...]
    cold_sd: float
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
    reserve_share: float = 0.0
    sources: Mapping[str, str] = field(default_factory=dict, compare=False)


#: What a user may set in ``[pack_types.NAME]`` in place of the table's number.
OVERRIDABLE = (
    "temps_c",
    "capacity_shares",
    "cold_sd",
    "self_discharge_per_month",
    "doubling_c",
    "peukert_k",
    "rated_hours",
    "usual_health",
    "health_sd",
    "fade_per_year",
    "fade_per_cycle",
    "empty_volts_per_cell",
    "nominal_volts_per_cell",
    "rested_charges",
    "rested_volts_per_cell",
    "soc_reading_sd",
    "charge_from_c",
    "reserve_share",
)
