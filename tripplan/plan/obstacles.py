"""
What stands between a crew and a site on a date: one limit or several, each as a sum or a clause.

A limit is named only after the out-and-back trip has been played without it: if the trip fits once
that limit is gone, it is what binds; if it takes several to go, all of them are named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import combinations

from tripplan.clock import local_moment
from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.travel import (
    Travel,
    VisitSum,
    may_be_visited,
    open_spans,
    single_visit_sum,
    sun_times,
    usable_daylight,
)

__all__ = [
    "Limit",
    "Obstacle",
    "crew_obstacle",
    "fits_alone",
    "fresh_too_short",
    "obstacles",
    "visit_load_kg",
]

_DAY_NAMES = ("Mondays", "Tuesdays", "Wednesdays", "Thursdays", "Fridays", "Saturdays", "Sundays")
_FAR = 10**12
_KG_SLACK = 1e-9


class Limit(StrEnum):
    """What can forbid a trip to one site."""

    DAY = "day"
    WEIGHT = "weight"
    ABOARD = "packs aboard"
    ACCESS = "access"
    HOURS = "hours"
    DAYLIGHT = "daylight"


@dataclass(frozen=True)
class Obstacle:
    """
    The limits that bind together, and what they say.

    Attributes
    ----------
    limits : tuple of Limit
        Without all of them the trip fits; with any one of them it does not.
    text : str
        A clause for each, with the sum that shows it.
    short_minutes : float
        Minutes missing where hours or daylight bind; else 0. [min]
    """

    limits: tuple[Limit, ...]
    text: str
    short_minutes: float = 0.0


def crew_obstacle(fleet: Fleet, crew: Crew, day: date) -> str:
    """
    Return why a crew does not go on a date.

    Parameters
    ----------
    fleet : Fleet
        For blocked dates and wishes.
    crew : Crew
        Who.
    day : datetime.date
        When.

    Returns
    -------
    str
        A clause; empty where it can go.
    """
    if day.weekday() not in crew.weekdays:
        goes = [_DAY_NAMES[number] for number in sorted(crew.weekdays)]
        listed = goes[0] if len(goes) == 1 else f"{', '.join(goes[:-1])} and {goes[-1]}"
        return f"{crew.name} can go on {listed} only"
    for span in fleet.blocked:
        if day in span:
            return f"{_day(day)} is blocked"
    for span in crew.away:
        if day in span:
            return f"{crew.name}: away from {_day(span.first)} to {_day(span.last)}"
    if any(wish.forbids(crew.name, day) for wish in fleet.wishes):
        return f"{crew.name}: asked to stay home on {_day(day)}"
    return ""


def fits_alone(
    fleet: Fleet,
    travel: Travel,
    crew: Crew,
    site: Site,
    day: date,
    without: frozenset[Limit] = frozenset(),
    *,
    moves_device: bool = False,
) -> bool:
    """
    Play the out-and-back trip to one site that leaves as early as the crew may.

    Parameters
    ----------
    fleet, travel : Fleet, Travel
        As planned with.
    crew : Crew
        Who goes.
    site : Site
        Where to.
    day : datetime.date
        When.
    without : frozenset of Limit, default empty
        Limits to leave out.
    moves_device : bool, default False
        Whether the device is carried too, out or back.

    Returns
    -------
    bool
        Whether it keeps every other limit. Stock and the dates of packs are not looked at.
    """
    if Limit.DAY not in without and crew_obstacle(fleet, crew, day):
        return False
    load = visit_load_kg(fleet, site, moves_device=moves_device)
    if Limit.WEIGHT not in without and load > crew.carry_kg + _KG_SLACK:
        return False
    if Limit.ABOARD not in without and crew.packs_aboard < 1:
        return False
    total = single_visit_sum(fleet, travel, crew, site, day)
    place = travel.places[travel.place_of_site[site.site_id]]
    light = usable_daylight(place.lat, place.lon, day, fleet.zone, fleet.plan.daylight_margin_minutes)
    start: float = local_moment(day, crew.day_start_minute, fleet.zone)
    end: float = local_moment(day, crew.day_end_minute, fleet.zone)
    if Limit.HOURS in without:
        start, end = start - _FAR, end + _FAR
    dawn, dusk = 0.0, float(_FAR)
    if Limit.DAYLIGHT not in without:
        if light is None:
            return False
        endless = sun_times(place.lat, place.lon, day, fleet.zone).set is None
        dawn, dusk = light[0], light[1] - (0.0 if endless else fleet.plan.reserve_minutes * 60)
    at = max(start + (total.drive_out + total.park) * 60, dawn) + total.walk_out * 60
    spans: tuple[tuple[float, float], ...] = open_spans(fleet, site, crew.name, day)
    if Limit.ACCESS in without:
        spans = ((-float(_FAR), float(_FAR)),)
    for first, last in spans:
        done = max(at, first) + total.work * 60
        back = done + total.walk_back * 60
        if done <= last and back <= dusk and back + total.drive_back * 60 <= end:
            return True
    return False


def visit_load_kg(fleet: Fleet, site: Site, *, moves_device: bool) -> float:
    """
    Return what a visit to a site has carried.

    Parameters
    ----------
    fleet : Fleet
        Pack types.
    site : Site
        Where.
    moves_device : bool
        Whether the device is set out or taken in.

    Returns
    -------
    float
        A pack, and the device where that is moved. [kg]
    """
    return fleet.pack_types[site.pack_type].weight_kg + (site.device_kg if moves_device else 0.0)


def obstacles(
    fleet: Fleet, travel: Travel, crew: Crew, site: Site, day: date, *, moves_device: bool = False
) -> Obstacle | None:
    """
    Return what keeps a crew from a site on a date.

    Parameters
    ----------
    fleet, travel : Fleet, Travel
        As planned with.
    crew : Crew
        Who would go.
    site : Site
        Where to.
    day : datetime.date
        When.
    moves_device : bool, default False
        As for `fits_alone`.

    Returns
    -------
    Obstacle or None
        The fewest limits without which the trip fits, tried one by one, then together; None where it
        fits as it is.
    """
    if fits_alone(fleet, travel, crew, site, day, moves_device=moves_device):
        return None
    for size in range(1, len(Limit) + 1):
        for limits in combinations(Limit, size):
            if fits_alone(fleet, travel, crew, site, day, frozenset(limits), moves_device=moves_device):
                total = single_visit_sum(fleet, travel, crew, site, day)
                load = visit_load_kg(fleet, site, moves_device=moves_device)
                text = "; ".join(_texts(fleet, crew, site, day, total, limits, load))
                timed = {Limit.HOURS, Limit.DAYLIGHT} & set(limits)
                return Obstacle(limits, text, max(0.0, total.short_by) if timed else 0.0)
    raise ValueError(f"no limit keeps {crew.name} from {site.site_id} on {day}, yet the trip does not fit")


def _texts(
    fleet: Fleet,
    crew: Crew,
    site: Site,
    day: date,
    total: VisitSum,
    limits: tuple[Limit, ...],
    load_kg: float,
) -> Iterator[str]:
    walks = (("walk", total.walk_out), ("work", total.work), ("walk", total.walk_back))
    foot = _sum_text(walks, total.on_foot)
    drives = (("drive", total.drive_out), ("park", total.park), *walks, ("drive", total.drive_back))
    whole = _sum_text(drives, total.total)
    for limit in limits:
        match limit:
            case Limit.DAY:
                yield crew_obstacle(fleet, crew, day)
            case Limit.WEIGHT:
                kind = fleet.pack_types[site.pack_type]
                with_it = "" if load_kg == kind.weight_kg else " with the device"
                yield (
                    f"a pack of type {kind.name}{with_it} weighs {load_kg:g} kg; "
                    f"{crew.name} can carry {crew.carry_kg:g} at the most"
                )
            case Limit.ABOARD:
                yield f"{crew.name} can take no pack aboard"
            case Limit.ACCESS:
                yield _access_text(fleet, crew, site, day, total)
            case Limit.HOURS if total.total > total.crew_minutes:
                yield f"{whole}; the crew's hours leave {total.crew_minutes:.0f}"
            case Limit.DAYLIGHT if total.on_foot > total.daylight_minutes:
                yield f"{foot}; daylight leaves {total.daylight_minutes:.0f}"
            case _:
                yield (
                    f"{foot}; between the drives, daylight and the crew's hours "
                    f"leave {total.loop_room_minutes:.0f}"
                )


def _sum_text(parts: Sequence[tuple[str, float]], total: float) -> str:
    """Write whole minutes that add up: those nearest to the next minute are rounded up, as need be."""
    shown = [math.floor(minutes) for _, minutes in parts]
    order = sorted(range(len(parts)), key=lambda k: shown[k] - parts[k][1])
    for k in order[: round(total) - sum(shown)]:
        shown[k] += 1
    said = " + ".join(f"{what} {minutes}" for (what, _), minutes in zip(parts, shown, strict=True))
    return f"{said} = {sum(shown)} min"


def _access_text(fleet: Fleet, crew: Crew, site: Site, day: date, total: VisitSum) -> str:
    if site.active_from is not None and not may_be_visited(fleet, site, day, at_home=True):
        ahead = f"active_from {_day(site.active_from)}, at most {fleet.plan.set_out_days} days before"
        return f"{site.site_id} is not set out yet on {_day(day)} ({ahead})"
    spans = open_spans(fleet, site, crew.name, day)
    if not spans:
        if any(open_spans(fleet, site, other.name, day) for other in fleet.crews):
            return f"{site.site_id} is not open to {crew.name} on {_day(day)}"
        return f"{site.site_id} is closed on {_day(day)}"
    if total.work > total.open_minutes:
        return f"work {total.work:.0f} min; access leaves {total.open_minutes:.0f}"
    return f"{site.site_id} is open at other hours of {_day(day)} than the trip can be there"


def fresh_too_short(outlook: Outlook, site: Site, day: date) -> str:
    """
    Return why a swap on a date would make things worse.

    Parameters
    ----------
    outlook : Outlook
        The forecast.
    site : Site
        Where.
    day : datetime.date
        A date of the season.

    Returns
    -------
    str
        A clause; empty where a fresh pack lasts at least as long as the one in place.
    """
    now = outlook.sites[site.site_id]
    in_place = now.swap_by
    fresh = date.fromordinal(int(outlook.renewals[site.site_id].swap_by[(day - outlook.on).days]))
    if fresh >= in_place:
        return ""
    if now.at_home:
        return (
            f"a pack set out on {_day(day)} would be due by {_day(fresh)}, before the device is to run "
            f"({_day(in_place)})"
        )
    return (
        f"a fresh pack put in on {_day(day)} would be due by {_day(fresh)}, "
        f"before the one in place ({_day(in_place)})"
    )


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
