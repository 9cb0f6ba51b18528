"""
The things of a fleet: sites, packs, crews, access, records.

Everything here is a frozen dataclass that `tripplan.inputs` has checked: cross-references hold,
numbers are finite and in range, voltage, plug and polarity fit. Later steps never check again.
Dates are local to the fleet; clock times are minutes after local midnight.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from functools import cached_property
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from tripplan.wishes import Wish

__all__ = [
    "AccessRule",
    "Cause",
    "Charger",
    "Chemistry",
    "Climate",
    "Crew",
    "DateSpan",
    "Done",
    "DriveSettings",
    "Fleet",
    "Found",
    "InPlace",
    "Job",
    "Leg",
    "Money",
    "MonthDay",
    "Pack",
    "PackState",
    "PackType",
    "PlanSettings",
    "Profile",
    "Reading",
    "Site",
    "SparesSettings",
    "VisitRecord",
    "WalkSettings",
]

SHELF = "shelf"


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


class Found(StrEnum):
    """How a visit found the site."""

    RUNNING = "running"
    SILENT = "silent"
    DARK = "dark"
    MISSING = "missing"
    NOT_REACHED = "not reached"


class Cause(StrEnum):
    """Cause of a fault found on a visit."""

    FLAT = "flat"
    CORD = "cord"
    PLUG = "plug"
    FUSE = "fuse"
    WATER = "water"
    DEVICE = "device"
    CARD = "card"
    SIGNAL = "signal"
    THEFT = "theft"
    UNKNOWN = "unknown"


class Done(StrEnum):
    """What a visit did."""

    SWAPPED = "swapped"
    LEFT = "left"
    REPAIRED = "repaired"
    INSTALLED = "installed"
    REMOVED = "removed"


@dataclass(frozen=True, order=True)
class DateSpan:
    """A span of dates, both ends included; a single date has equal ends."""

    first: date
    last: date

    def __contains__(self, day: object) -> bool:
        """Tell whether a date lies in the span."""
        return isinstance(day, date) and self.first <= day <= self.last


@dataclass(frozen=True, order=True)
class MonthDay:
    """A day of every year; 29 February counts as the 28th."""

    month: int
    day: int


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
class PlanSettings:
    """The ``[plan]`` table."""

    weeks: int = 26
    risk: float = 0.05
    daylight_margin_minutes: float = 30.0
    reserve_minutes: float = 30.0
    fallback_dates: int = 1


@dataclass(frozen=True)
class DriveSettings:
    """The ``[drive]`` table."""

    speed_kmh: float = 50.0
    detour: float = 1.3
    park_minutes: float = 5.0


@dataclass(frozen=True)
class WalkSettings:
    """The ``[walk]`` table; `rule` names a published walking rule."""

    detour: float = 1.2
    speed_factor: float = 0.7
    rule: str = "naismith"


@dataclass(frozen=True)
class Climate:
    """
    Twelve monthly values, January first.

    Attributes
    ----------
    mean_c : tuple of float, length 12
        Monthly mean temperature. [deg C]
    sd_c : tuple of float, length 12
        Spread of single days about the month's mean. [deg C]
    sun_kwh : tuple of float, length 12, or empty
        Sun on level ground on a usual day of each month, as measured; empty: from the clear sky. [kWh/m2]
    """

    mean_c: tuple[float, ...]
    sd_c: tuple[float, ...]
    sun_kwh: tuple[float, ...] = ()


@dataclass(frozen=True)
class Profile:
    """
    How a kind of device draws; named once, used by many sites.

    Attributes
    ----------
    draw_mah_per_day : float or None
        Average, at the device's own supply voltage; None: quiescent current and events. [mAh/day]
    quiescent_ma : float
        Current between events. [mA]
    events_per_day, mah_per_event : float
        Average number of events, and the charge of one. [1/day], [mAh]
    activity : tuple of float, length 12, or empty
        Draw of each month against the average, January first; empty: the same all year.
    """

    name: str
    draw_mah_per_day: float | None = None
    quiescent_ma: float = 0.0
    events_per_day: float = 0.0
    mah_per_event: float = 0.0
    activity: tuple[float, ...] = ()

    @property
    def device_draw_mah_per_day(self) -> float | None:
        """What the device draws at its own voltage; None where the profile says nothing. [mAh/day]."""
        if self.draw_mah_per_day is not None:
            return self.draw_mah_per_day
        parts = self.quiescent_ma * 24.0 + self.events_per_day * self.mah_per_event
        return parts if parts > 0.0 else None


@dataclass(frozen=True)
class SparesSettings:
    """
    The ``[spares]`` table.

    Attributes
    ----------
    chance : float
        Wanted chance that a trip does not run short of packs. [-]
    retire_below : float
        Share of the rated capacity below which a pack is retired. [-]
    shelf_c : float
        Temperature where the spares stand. [deg C]
    detour_minutes : float
        How far off its way a trip turns aside for a site that has gone dark. [min]
    lead_days : int
        From ordering a pack to having it, built and charged. [day]
    """

    chance: float = 0.95
    retire_below: float = 0.6
    shelf_c: float = 20.0
    detour_minutes: float = 15.0
    lead_days: int = 14


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


@dataclass(frozen=True)
class Money:
    """The ``[money]`` table; what is None was not given."""

    per_km: float | None = None
    per_trip: float | None = None
    per_hour: float | None = None
    prices: Mapping[str, float] = field(default_factory=dict)


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

    def waits_for_setting_out(self, swap_by: date, on: date) -> bool:
        """
        Tell whether a site comes into service only after the pack standing there has had its day.

        Such a site is not planned: whoever sets it out brings a charged pack, which is no swap.

        Parameters
        ----------
        swap_by : datetime.date
            Swap-by date of the pack standing there.
        on : datetime.date
            First date of the season.

        Returns
        -------
        bool
            False for a site in service on `on`, and for one whose pack lasts into its service.
        """
        return self.active_from is not None and self.active_from > on and swap_by < self.active_from

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
class VisitRecord:
    """One row of visits.csv; volts are rested, at the battery's terminals. [V]."""

    day: date
    site_id: str
    found: Found | None = None
    cause: Cause | None = None
    done: Done | None = None
    pack_out: str = ""
    volts_out: float | None = None
    pack_in: str = ""
    volts_in: float | None = None
    minutes: float | None = None
    notes: str = ""
    row: int = 0


@dataclass(frozen=True)
class Reading:
    """
    One row of readings.csv; without volts and percent it means only "it reported".

    `when` carries the fleet's zone; a row without a clock time stands at local midnight.
    """

    when: datetime
    site_id: str
    volts: float | None = None
    percent: float | None = None
    source: str = "pack"
    temp_c: float | None = None
    row: int = 0


@dataclass(frozen=True)
class Job:
    """One row of jobs.csv: other work that rides along on a visit."""

    site_id: str
    job: str
    due_by: date | None = None
    minutes: float = 0.0
    bring: str = ""
    done_on: date | None = None
    row: int = 0


@dataclass(frozen=True)
class Leg:
    """One row of legs.csv: driving between parkings or bases, without park minutes."""

    from_place: str
    to_place: str
    minutes: float
    km: float | None = None
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
        ``packs.csv``, ``visits.csv``, ``swapped_on`` or ``flat_on``.
    pack : Pack or None
        The pack itself where packs.csv knows it.
    """

    since: date | None
    source: str
    pack: Pack | None = None


@dataclass(frozen=True)
class Fleet:
    """
    All that one folder describes, checked.

    Attributes
    ----------
    sites : tuple of Site
        Sites in use, in the order of the file.
    weather : mapping of datetime.date to float
        The day's mean temperature where it was measured or is announced. [deg C]
    set_aside : tuple of str
        Ids of the rows with ``in_use = no``; every output names them.
    packs : tuple of Pack or None
        None where there is no packs.csv.
    language : str
        Language of what people carry: the field kit.
    units : str
        ``metric`` or ``imperial``, for people; inside and in tables everything is metric.
    folder : pathlib.Path or None
        Where it was read from.
    remarks : tuple of str
        What the reader decided (date order, decimal sign, ...) and warnings that are no faults.
    """

    name: str
    timezone: str
    crews: tuple[Crew, ...]
    sites: tuple[Site, ...]
    pack_types: Mapping[str, PackType]
    currency: str = "EUR"
    blocked: tuple[DateSpan, ...] = ()
    plan: PlanSettings = PlanSettings()
    drive: DriveSettings = DriveSettings()
    walk: WalkSettings = WalkSettings()
    climate: Climate | None = None
    chargers: tuple[Charger, ...] = ()
    spares: SparesSettings = SparesSettings()
    money: Money | None = None
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    access: Mapping[str, tuple[AccessRule, ...]] = field(default_factory=dict)
    packs: tuple[Pack, ...] | None = None
    visits: tuple[VisitRecord, ...] = ()
    readings: tuple[Reading, ...] = ()
    jobs: tuple[Job, ...] = ()
    legs: tuple[Leg, ...] = ()
    weather: Mapping[date, float] = field(default_factory=dict)
    wishes: tuple[Wish, ...] = ()
    set_aside: tuple[str, ...] = ()
    language: str = "en"
    units: str = "metric"
    folder: Path | None = None
    remarks: tuple[str, ...] = ()

    @cached_property
    def zone(self) -> ZoneInfo:
        """The fleet's time zone."""
        return ZoneInfo(self.timezone)

    @cached_property
    def sites_by_id(self) -> Mapping[str, Site]:
        """Sites in use, by id."""
        return {site.site_id: site for site in self.sites}

    @cached_property
    def crews_by_name(self) -> Mapping[str, Crew]:
        """Crews by name."""
        return {crew.name: crew for crew in self.crews}

    @cached_property
    def stock_is_kept(self) -> bool:
        """Whether the stock of charged packs limits the plan."""
        return self.packs is not None or any(
            kind.shelf_charged is not None for kind in self.pack_types.values()
        )

    @cached_property
    def open_jobs(self) -> Mapping[str, tuple[Job, ...]]:
        """Jobs not yet done, by site, in the order of the file; sites without any are absent."""
        found: dict[str, list[Job]] = {}
        for job in self.jobs:
            if job.done_on is None:
                found.setdefault(job.site_id, []).append(job)
        return {site_id: tuple(jobs) for site_id, jobs in found.items()}

    @cached_property
    def in_place(self) -> Mapping[str, InPlace]:
        """The pack now at each site: from packs.csv, else the last swap, else ``swapped_on``."""
        standing: dict[str, Pack] = {}
        known: dict[str, Pack] = {}
        for pack in self.packs or ():
            known[pack.pack_id] = pack
            if pack.since is not None:
                standing.setdefault(pack.where, pack)
        last: dict[str, VisitRecord] = {}
        for visit in self.visits:
            if visit.done in (Done.SWAPPED, Done.INSTALLED):
                before = last.get(visit.site_id)
                if before is None or (visit.day, visit.row) > (before.day, before.row):
                    last[visit.site_id] = visit
        found: dict[str, InPlace] = {}
        for site in self.sites:
            site_id = site.site_id
            if site_id in standing:
                found[site_id] = InPlace(standing[site_id].since, "packs.csv", standing[site_id])
            elif site_id in last:
                swap = last[site_id]
                found[site_id] = InPlace(swap.day, "visits.csv", known.get(swap.pack_in))
            elif site.swapped_on is not None:
                found[site_id] = InPlace(site.swapped_on, "swapped_on")
            else:
                found[site_id] = InPlace(None, "flat_on")
        return found

    @cached_property
    def pack_ends(self) -> Mapping[str, tuple[date, ...]]:
        """The days on which each pack came out of use at some site, by pack id, oldest first."""
        ends: dict[str, list[date]] = {}
        standing: dict[str, str] = {}
        for visit in sorted(self.visits, key=lambda visit: (visit.day, visit.row)):
            if visit.done in (Done.SWAPPED, Done.INSTALLED, Done.REMOVED):
                out = visit.pack_out or standing.get(visit.site_id, "")
                if out:
                    ends.setdefault(out, []).append(visit.day)
                standing[visit.site_id] = visit.pack_in
        return {pack_id: tuple(days) for pack_id, days in ends.items()}

    def charged_on_shelf(self, type_name: str) -> int:
        """
        Return how many packs of a type stand charged on the shelf today.

        Parameters
        ----------
        type_name : str
            Name of a pack type.

        Returns
        -------
        int
            From packs.csv where it exists, else ``shelf_charged``, else 0.
        """
        if self.packs is not None:
            return sum(
                pack.pack_type == type_name and pack.where == SHELF and pack.state is PackState.CHARGED
                for pack in self.packs
            )
        return self.pack_types[type_name].shelf_charged or 0

    def uncharged_on_shelf(self, type_name: str) -> int:
        """
        Return how many packs of a type stand on the shelf flat or on a charger.

        Parameters
        ----------
        type_name : str
            Name of a pack type.

        Returns
        -------
        int
            Packs that may be charged from this evening on; suspect and retired packs never count.
        """
        return sum(
            pack.pack_type == type_name
            and pack.where == SHELF
            and pack.state in (PackState.FLAT, PackState.CHARGING)
            for pack in self.packs or ()
        )
