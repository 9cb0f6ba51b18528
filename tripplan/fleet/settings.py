"""The tables of tripplan.toml that hold numbers only, and how devices draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Climate", "DriveSettings", "Money", "PlanSettings", "Profile", "SparesSettings", "WalkSettings"]


@dataclass(frozen=True)
class PlanSettings:
    """
    The ``[plan]`` table.

    Attributes
    ----------
    set_out_days : int
        A device is set out on its site's ``active_from`` or at most so many days before. [day]
    take_in_days : int
        A device is taken in on its site's ``active_to`` or at most so many days after. [day]
    """

    weeks: int = 26
    risk: float = 0.05
    daylight_margin_minutes: float = 30.0
    reserve_minutes: float = 30.0
    fallback_dates: int = 1
    set_out_days: int = 14
    take_in_days: int = 14


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
class Money:
    """The ``[money]`` table; what is None was not given."""

    per_km: float | None = None
    per_trip: float | None = None
    per_hour: float | None = None
    prices: Mapping[str, float] = field(default_factory=dict)
