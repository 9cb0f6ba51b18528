"""Packs and what they stand for: types, chemistries, single packs, the pack at a site, chargers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from tripplan.units import seconds_of_hours

__all__ = ["AT_HOME", "SHELF", "Charger", "Chemistry", "InPlace", "Pack", "PackState", "PackType"]

SHELF = "shelf"
AT_HOME = "at home"


class Chemistry(StrEnum):
    """Cell chemistry of a pack or of backup cells."""

    SEALED_LEAD_ACID = "sealed lead-acid"
    LITHIUM_IRON_PHOSPHATE = "lithium iron phosphate"
    LITHIUM_IRON_DISULFIDE = "lithium iron disulfide"
    ALKALINE = "alkaline"
    NICKEL_METAL_HYDRIDE = "nickel metal hydride"


class PackState(StrEnum):
    """State of a pack in packs.csv."""

    CHARGED = "charged"
    FLAT = "flat"
    CHARGING = "charging"
    IN_USE = "in use"
    SUSPECT = "suspect"
    RETIRED = "retired"


@dataclass(frozen=True)
class PackType:
    """
    A kind of pack; packs of one type can replace each other.

    Attributes
    ----------
    name : str
        The user's name of the type.
    volts : float
        Output at the plug, after a converter in the box if there is one. [V]
    plug : str
        Size and polarity, for example ``5.5x2.1 centre +``.
    chemistry : Chemistry
        Cell chemistry.
    capacity_ah : float
        Rated capacity. [Ah]
    weight_kg : float
        With box and lead. [kg]
    usual_months : float or None
        Usual life in this fleet, where known. [months of 730.5 h]
    shelf_charged : int or None
        Charged packs on the shelf, for those who keep no packs.csv; None where the file says nothing.
    battery_volts : float or None
        Nominal volts of the battery itself where a converter in the box changes them; None: `volts`. [V]
    parameters : mapping of str to (float or tuple of float)
        The user's own numbers in place of those of the chemistry, by the names of the battery's table.
    """

    name: str
    volts: float
    plug: str
    chemistry: Chemistry = Chemistry.SEALED_LEAD_ACID
    capacity_ah: float = 7.0
    weight_kg: float = 3.0
    usual_months: float | None = None
    shelf_charged: int | None = None
    battery_volts: float | None = None
    parameters: Mapping[str, float | tuple[float, ...]] = field(default_factory=dict, hash=False)

    @property
    def nominal_volts(self) -> float:
        """Nominal volts of the battery itself, before a converter in the box. [V]."""
        return self.volts if self.battery_volts is None else self.battery_volts

    def number(self, name: str, default: float) -> float:
        """Return one of the user's own numbers, or what is taken without it."""
        value = self.parameters.get(name, default)
        return default if isinstance(value, tuple) else float(value)


@dataclass(frozen=True)
class Pack:
    """One row of packs.csv; `where` is a site_id, ``shelf`` or empty."""

    pack_id: str
    pack_type: str
    bought: date | None = None
    tested_ah: float | None = None
    tested_on: date | None = None
    where: str = SHELF
    since: date | None = None
    state: PackState = PackState.CHARGED
    row: int = 0


@dataclass(frozen=True)
class InPlace:
    """
    The pack now at a site.

    Attributes
    ----------
    since : datetime.date or None
        When it went in; None where only ``flat_on`` is known.
    source : str
        ``packs.csv``, ``visits.csv``, ``swapped_on`` or ``flat_on``; ``at home`` where no device stands.
    pack : Pack or None
        The pack itself where packs.csv knows it.
    """

    since: date | None
    source: str
    pack: Pack | None = None


@dataclass(frozen=True)
class Charger:
    """
    One charger; it takes one pack at a time, only of its types.

    Attributes
    ----------
    hours_per_pack : float
        From flat, as given or reckoned from `amps`. [h]
    amps : float or None
        Its current, where given. [A]
    """

    types: tuple[str, ...]
    hours_per_pack: float = 12.0
    changeovers_per_day: int = 1
    amps: float | None = None

    @property
    def seconds_per_pack(self) -> int:
        """Whole seconds on the charger, rounded up. [s]."""
        return seconds_of_hours(self.hours_per_pack)
