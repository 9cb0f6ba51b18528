"""Where things are and who goes there: sites, when they may be entered, crews, given legs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from tripplan.fleet.dates import DateSpan, MonthDay
from tripplan.fleet.packs import Chemistry

__all__ = ["AccessRule", "Crew", "Leg", "Site"]


@dataclass(frozen=True)
class Site:
    """
    A place with one device.

    Attributes
    ----------
    volts, plug : float, str
        What the device takes. [V]
    converter_volts : float or None
        What a converter standing at the site takes in; None without one. [V]
    converter_idle_ma, converter_efficiency : float or None
        What it takes when nothing is drawn, and its power out over power in. [mA], [-]
    walk_m : float or None
        Walk from the parking; None: the geodesic times the walking detour. [m]
    climb_m : float
        Rise from the parking to the site, negative when the site lies lower. [m]
    work_minutes : float
        Time for the swap at the site. [min]
    risk : float or None
        Accepted chance of being dark; None: the fleet's.
    active_from, active_to : datetime.date or None
        First and last day on which the device is to run; set out by the one, taken in after the other.
    device_kg : float
        What the device adds to the load of whoever sets it out or takes it in. [kg]
    private : frozenset of str
        Which of ``name``, ``find`` and ``device_id`` stay at home; ``notes`` always do.
    row : int
        Row in sites.csv, for messages.
    """

    site_id: str
    lat: float
    lon: float
    pack_type: str
    volts: float
    plug: str
    park_lat: float
    park_lon: float
    name: str = ""
    walk_m: float | None = None
    climb_m: float = 0.0
    draw_mah_per_day: float | None = None
    usual_months: float | None = None
    swapped_on: date | None = None
    flat_on: date | None = None
    flat_on_sd_days: float = 0.0
    work_minutes: float = 15.0
    access: str = ""
    backup_days: float = 0.0
    backup_chemistry: Chemistry | None = None
    backup_cells: int | None = None
    converter_volts: float | None = None
    converter_idle_ma: float | None = None
    converter_efficiency: float | None = None
    panel_w: float | None = None
    sun_fraction: float | None = None
    risk: float | None = None
    active_from: date | None = None
    active_to: date | None = None
    device_kg: float = 0.0
    device_id: str = ""
    profile: str = ""
    find: str = ""
    notes: str = ""
    private: frozenset[str] = frozenset()
    row: int = 0

    def shared(self, column: Literal["name", "find", "device_id"]) -> str:
        """
        Return a text as others may read it.

        Parameters
        ----------
        column : str
            ``name``, ``find`` or ``device_id``.

        Returns
        -------
        str
            Empty where it is marked private.
        """
        return "" if column in self.private else str(getattr(self, column))

    @property
    def takes_volts(self) -> float:
        """What the pack's plug must deliver here. [V]."""
        return self.volts if self.converter_volts is None else self.converter_volts

    @property
    def parking_key(self) -> tuple[float, float]:
        """Coordinates of the parking to five decimals; sites with equal keys share it."""
        return (round(self.park_lat, 5), round(self.park_lon, 5))

    @property
    def label(self) -> str:
        """The id, with the name where there is one."""
        return f"{self.site_id} {self.name}" if self.name and self.name != self.site_id else self.site_id


@dataclass(frozen=True)
class AccessRule:
    """
    One row of access.csv.

    Attributes
    ----------
    is_open : bool
        True for a row that opens, False for one that closes (which wins).
    weekdays : frozenset of int
        Days on which the row holds; Monday is 0; all seven where the cell is empty.
    from_minute, to_minute : int
        Local clock span on those days, ends included. [min]
    season_from, season_to : MonthDay, datetime.date or None
        Season in which the row holds, ends included; may cross the year's end; None: all year.
    crews : tuple of str
        Who may enter; empty: everyone.
    """

    access: str
    is_open: bool = True
    weekdays: frozenset[int] = frozenset(range(7))
    from_minute: int = 0
    to_minute: int = 1440
    season_from: MonthDay | date | None = None
    season_to: MonthDay | date | None = None
    contact: str = ""
    notice_days: int | None = None
    crews: tuple[str, ...] = ()
    row: int = 0


@dataclass(frozen=True)
class Crew:
    """
    One or more people with a vehicle who set out from one base.

    Attributes
    ----------
    weekdays : frozenset of int
        Days on which the crew may go; Monday is 0.
    day_start_minute, day_end_minute : int
        Earliest leave and latest return, minutes after local midnight. [min]
    carry_kg : float
        What the whole crew carries on foot. [kg]
    packs_aboard : int
        Most packs in the vehicle.
    people : tuple of str
        Crews that share a person never go on the same date.
    away : tuple of DateSpan
        Dates on which this crew cannot go.
    """

    name: str
    base_lat: float
    base_lon: float
    weekdays: frozenset[int] = frozenset({5, 6})
    day_start_minute: int = 450
    day_end_minute: int = 1050
    carry_kg: float = 12.0
    packs_aboard: int = 20
    people: tuple[str, ...] = ()
    away: tuple[DateSpan, ...] = ()


@dataclass(frozen=True)
class Leg:
    """One row of legs.csv: driving between parkings or bases, without park minutes."""

    from_place: str
    to_place: str
    minutes: float
    km: float | None = None
    row: int = 0
