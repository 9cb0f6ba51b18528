"""
Latest times of a trip: when to turn back, when to set off on foot, what to leave out first.

A plain backward pass over the planned order, from being back at the base to the first stop. It
keeps what the day obeys: crew hours, usable daylight (with the reserve after the last loop) and the
access window in which each visit is planned. Waiting is given up first, work is never shortened.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import Fleet
from tripplan.plan.document import Loop, Stop, Trip, Visit, VisitKind
from tripplan.travel import Travel, open_spans, usable_daylight

__all__ = ["LoopTimes", "StopTimes", "latest_times", "skip_order"]


@dataclass(frozen=True)
class LoopTimes:
    """
    Latest times of one foot loop.

    Attributes
    ----------
    leave : datetime.datetime
        Setting off from the vehicle later than this, the loop as planned no longer fits.
    back : datetime.datetime
        Being back at the vehicle later than this, something after it no longer fits.
    """

    leave: datetime
    back: datetime


@dataclass(frozen=True)
class StopTimes:
    """
    Latest times of one stop.

    Attributes
    ----------
    arrive : datetime.datetime
        Arriving later than this, this stop or one after it no longer fits as planned.
    turn_back : datetime.datetime
        The latest time to drive off so that all that is planned after this stop still fits.
    straight_home : datetime.datetime
        The latest time to drive off so that the crew is back within its hours if all the rest is left out.
    loops : tuple of LoopTimes
        One for each loop of the stop.
    """

    arrive: datetime
    turn_back: datetime
    straight_home: datetime
    loops: tuple[LoopTimes, ...]


def latest_times(fleet: Fleet, travel: Travel, trip: Trip) -> tuple[StopTimes, ...]:
    """
    Return the latest times of every stop of a trip.

    Parameters
    ----------
    fleet : Fleet
        Whose trip it is.
    travel : Travel
        Minutes between its places.
    trip : Trip
        A trip that keeps the rules of the day.

    Returns
    -------
    tuple of StopTimes
        One for each stop, in order. Drives and walks count rounded up to the second, as in the plan.

    Raises
    ------
    ValueError
        If a planned visit lies in no access window, or a stop has no usable daylight: such a trip was
        never checked.
    """
    crew = fleet.crews_by_name[trip.crew]
    day_end = local_moment(trip.date, crew.day_end_minute, fleet.zone)
    base = travel.place_of_crew[trip.crew]
    places = [travel.place_of_site[stop.loops[0].visits[0].site_id] for stop in trip.stops]
    times: list[StopTimes] = []
    latest_next = day_end
    place_next = base
    for index in range(len(trip.stops) - 1, -1, -1):
        stop, place = trip.stops[index], places[index]
        turn_back = latest_next - _seconds(travel.drive_minutes[place, place_next])
        is_last = index == len(trip.stops) - 1
        loops, first = _loops_backward(fleet, travel, trip, stop, turn_back, is_last_stop=is_last)
        if is_last:
            turn_back = min(turn_back, loops[-1][1])
        arrive = first - _seconds(fleet.drive.park_minutes)
        home = day_end - _seconds(travel.drive_minutes[place, base])
        times.append(
            StopTimes(
                moment_to_local(arrive, fleet.zone),
                moment_to_local(turn_back, fleet.zone),
                moment_to_local(home, fleet.zone),
                tuple(
                    LoopTimes(moment_to_local(leave, fleet.zone), moment_to_local(back, fleet.zone))
                    for leave, back in loops
                ),
            )
        )
        latest_next, place_next = arrive, place
    return tuple(reversed(times))


def _loops_backward(
    fleet: Fleet, travel: Travel, trip: Trip, stop: Stop, turn_back: int, *, is_last_stop: bool
) -> tuple[list[tuple[int, int]], int]:
    """Return (leave, back) of each loop and the latest leave of the first."""
    light = usable_daylight(
        stop.park_lat, stop.park_lon, trip.date, fleet.zone, fleet.plan.daylight_margin_minutes
    )
    if light is None:
        raise ValueError(f"{trip.trip_id}: no usable daylight at {stop.park_lat}, {stop.park_lon}")
    dusk = math.floor(light[1])
    # Polar day: the light does not end, so nothing is reserved before its end.
    polar_day = light[0] <= local_moment(trip.date, 0, fleet.zone)
    reserve = 0 if polar_day else _seconds(fleet.plan.reserve_minutes)
    found: list[tuple[int, int]] = []
    latest = turn_back
    for index in range(len(stop.loops) - 1, -1, -1):
        is_last_loop = is_last_stop and index == len(stop.loops) - 1
        back = min(latest, dusk - (reserve if is_last_loop else 0))
        latest = _loop_backward(fleet, travel, trip, stop.loops[index], back)
        found.append((latest, back))
    found.reverse()
    return found, latest


def _loop_backward(fleet: Fleet, travel: Travel, trip: Trip, loop: Loop, back: int) -> int:
    """Return the latest moment to leave the vehicle so as to be back in time."""
    latest = back
    following: str | None = None
    for visit in reversed(loop.visits):
        latest -= _seconds(travel.walk_minutes(visit.site_id, following))
        latest = min(latest, _window_end(fleet, trip, visit)) - _work_seconds(visit)
        following = visit.site_id
    return latest - _seconds(travel.walk_minutes(None, following))


def _window_end(fleet: Fleet, trip: Trip, visit: Visit) -> int:
    start, finish = visit.start.timestamp(), visit.finish.timestamp()
    for first, last in open_spans(fleet, fleet.sites_by_id[visit.site_id], trip.crew, trip.date):
        if first <= start and finish <= last:
            return last
    raise ValueError(f"{trip.trip_id}: work at {visit.site_id} lies in no access window")


def _work_seconds(visit: Visit) -> int:
    return round((visit.finish - visit.start).total_seconds())


def _seconds(minutes: float) -> int:
    return math.ceil(round(minutes * 60, 6))


def skip_order(visits: Sequence[Visit], until: Mapping[str, date | None]) -> tuple[str, ...]:
    """
    Return the sites that can be left out if the day runs late, first to leave out first.

    Parameters
    ----------
    visits : sequence of Visit
        The trip's visits, or those still to come.
    until : mapping of str to datetime.date or None
        By site, until when its visit can wait; None where it cannot.

    Returns
    -------
    tuple of str
        Calls without a swap first, then those that can wait longest.
    """
    able = [(visit, by) for visit in visits if (by := until[visit.site_id]) is not None]
    able.sort(key=lambda one: (one[0].kind is not VisitKind.CALL, -one[1].toordinal(), one[0].site_id))
    return tuple(visit.site_id for visit, _ in able)
