"""Seasons typed in by hand, for tests: sites along the equator, swap-by dates as given, every charged pack alike."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from tripplan.fleet import (
    AccessRule,
    Crew,
    DriveSettings,
    Fleet,
    Leg,
    PackType,
    PlanSettings,
    Site,
    WalkSettings,
)
from tripplan.forecast.outlook import Basis, Outlook, Renewal, SiteForecast
from tripplan.plan import check_plan, plan_season
from tripplan.travel import measure_travel

__all__ = [
    "ON",
    "PLUG",
    "SATURDAYS",
    "fleet_at_dusk",
    "lasting",
    "make_fleet",
    "make_outlook",
    "make_site",
    "plan_checked",
]

ON = date(2027, 3, 5)  # a Friday
PLUG = "5.5x2.1 centre +"
SATURDAYS = Crew(
    "N",
    0.0,
    0.0,
    weekdays=frozenset({5}),
    carry_kg=12.0,
    packs_aboard=9,
    day_start_minute=450,
    day_end_minute=1050,
)


def make_site(name: str, lon: float, lat: float = 0.0, **more) -> Site:
    """Return a 12 V site by the road."""
    usual = {"volts": 12.0, "plug": PLUG, "pack_type": "P", "park_lat": lat, "park_lon": lon}
    return Site(name, lat, lon, **(usual | {"walk_m": 0.0, "work_minutes": 15.0, "row": 2} | more))


def make_fleet(sites, crews=(SATURDAYS,), legs=(), *, weeks=4, fallback=0, **more) -> Fleet:
    """Return a fleet without margins, in UTC."""
    plan = PlanSettings(weeks, daylight_margin_minutes=0.0, reserve_minutes=0.0, fallback_dates=fallback)
    usual = {
        "timezone": "UTC",
        "pack_types": {"P": PackType("P", 12.0, PLUG, weight_kg=3.0)},
        "plan": plan,
        "drive": DriveSettings(park_minutes=5.0),
        "walk": WalkSettings(detour=1.0, speed_factor=1.0),
    }
    return Fleet(name="odd", crews=crews, sites=tuple(sites), legs=legs, **(usual | more))


def make_outlook(fleet: Fleet, due: dict[str, int], renewed, on: date = ON) -> Outlook:
    """Return an outlook with swap-by dates so many days on; `renewed` tells a fresh pack's by day of swap."""
    days = fleet.plan.weeks * 7 + 1
    sites, renewals = {}, {}
    for name, day in due.items():
        swap_by = on + timedelta(days=day)
        flat = [swap_by + timedelta(days=k) for k in (1, 10, 20)]
        sites[name] = SiteForecast(name, *flat, swap_by, 0.05, 0.01, None, Basis.USUAL_LIFE, "typed in")
        fresh = np.array([renewed(name, put_in) for put_in in range(days)], np.int64) + on.toordinal()
        renewals[name] = Renewal(name, fresh, fresh + 1, fresh + 10, fresh + 20, Basis.USUAL_LIFE)
    return Outlook(
        on,
        on + timedelta(days=days - 1),
        0.05,
        sites,
        renewals,
        {name: np.full(days, 0.01) for name in due},
        {name: np.full((days // 7 + 1, days), 0.001) for name in due},
        7,
    )


def plan_checked(fleet, outlook):
    """Plan, and have the plan checked; return it with the travel."""
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
    assert check_plan(fleet, outlook, travel, plan) == ()
    return plan, travel


def lasting(days: int):
    """Return what says that a pack lasts so many days."""
    return lambda _, put_in: put_in + days


def fleet_at_dusk() -> Fleet:
    """Return two sites, A open from 28 minutes before dusk on, B further west; 30 minutes are to be free at last."""
    sites = [make_site("A", 0.0, work_minutes=1.0, access="late"), make_site("B", -2.0, work_minutes=1.0)]
    fleet = make_fleet(
        sites,
        crews=(replace(SATURDAYS, day_end_minute=1440),),
        legs=(Leg("A", "B", 1.0, 1.0),),
        drive=DriveSettings(park_minutes=0.0, speed_kmh=2000.0),
        access={"late": (AccessRule("late", from_minute=1067, to_minute=1440),)},
    )
    return replace(fleet, plan=replace(fleet.plan, reserve_minutes=30.0))
