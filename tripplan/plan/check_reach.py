"""
The dates on which somebody could reach one site, and the latest hour at which a trip could leave.

Both questions are answered by playing the day forward, second by second of the contract's clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Crew, Site
from tripplan.plan.check_rules import Context, Daylight, exact_seconds
from tripplan.plan.document import Loop, Trip

__all__ = ["Reach", "latest_leave"]


@dataclass
class Reach:
    """Dates on which some crew alone could go out to one site only, and back."""

    context: Context
    _known: dict[tuple[str, bool], tuple[date, ...]] = field(default_factory=dict)

    def dates(self, site: Site, *, with_jobs: bool) -> tuple[date, ...]:
        """
        Return the dates of the season on which the site can be reached.

        Parameters
        ----------
        site : Site
            A site of the fleet.
        with_jobs : bool
            Whether it is the first visit: its open jobs are done too, and a device at home is set out.

        Returns
        -------
        tuple of datetime.date
            Sorted.
        """
        key = (site.site_id, with_jobs)
        if key not in self._known:
            crews = self.context.fleet.crews
            found = {day for crew in crews for day in self.dates_of(site, crew, with_jobs=with_jobs)}
            self._known[key] = tuple(sorted(found))
        return self._known[key]

    def dates_of(self, site: Site, crew: Crew, *, with_jobs: bool) -> tuple[date, ...]:
        """
        Return the dates of the season on which one crew can reach the site.

        Parameters
        ----------
        site : Site
            A site of the fleet.
        crew : Crew
            Who goes.
        with_jobs : bool
            As for `dates`.

        Returns
        -------
        tuple of datetime.date
            Sorted.
        """
        work, _ = exact_seconds(self.context.work_minutes(site, with_jobs=with_jobs))
        dates = self.context.dates_of(crew)
        return tuple(day for day in dates if self._can_go(site, crew, day, work, is_first=with_jobs))

    def _can_go(self, site: Site, crew: Crew, day: date, work: int, *, is_first: bool) -> bool:
        """Play the out-and-back trip that leaves as early as the crew may."""
        context = self.context
        fetches = site.active_to is not None and day >= site.active_to
        sets_out = is_first and context.is_at_home(site)
        weight = context.fleet.pack_types[site.pack_type].weight_kg
        weight += site.device_kg if fetches or sets_out else 0.0
        if weight > crew.carry_kg + 1e-9 or crew.packs_aboard < 1:
            return False
        if day < context.first_date(site) or (fetches and sets_out):
            return False
        spans = context.spans(site, crew, day)
        place = context.place_of(site)
        light = context.daylight(place, day)
        if not spans or light is None:
            return False
        base = context.travel.place_of_crew[crew.name]
        out, _ = exact_seconds(float(context.travel.drive_minutes[base, place]))
        home, _ = exact_seconds(float(context.travel.drive_minutes[place, base]))
        park, _ = exact_seconds(context.fleet.drive.park_minutes)
        up, _ = exact_seconds(context.travel.walk_minutes(None, site.site_id))
        down, _ = exact_seconds(context.travel.walk_minutes(site.site_id, None))
        ready = context.at(day, crew.day_start_minute) + out + park
        there = max(ready, math.ceil(light.first)) + up
        for opens, closes in spans:
            start = max(there, opens)
            if start + work <= closes:
                back = start + work + down
                in_light = back <= light.last_for_final_loop(context.fleet.plan.reserve_minutes)
                return in_light and back + home <= context.at(day, crew.day_end_minute)
        return False


def latest_leave(context: Context, trip: Trip, crew: Crew) -> int:
    """
    Return the latest departure that keeps a trip's order and is not longer than the trip.

    Every whole second from the planned departure to the end of the crew's day is played at once.

    Parameters
    ----------
    context : Context
        The inputs.
    trip : Trip
        A trip in which nothing else is wrong.
    crew : Crew
        Its crew.

    Returns
    -------
    int
        Epoch seconds; the planned departure where no later one serves. [s]
    """
    leave, back = context.moment(trip.leave), context.moment(trip.back)
    ends = context.at(trip.date, crew.day_end_minute)
    departures: NDArray[np.int64] = np.arange(leave, max(leave + 1, ends), dtype=np.int64)
    now = departures.copy()
    possible: NDArray[np.bool_] = np.ones(len(now), dtype=np.bool_)
    free = leave
    park, _ = exact_seconds(context.fleet.drive.park_minutes)
    for stop in trip.stops:
        here = context.place_of(context.fleet.sites_by_id[stop.loops[0].visits[0].site_id])
        light = context.daylight(here, trip.date)
        if light is None:
            return leave
        # The plan's own seconds for each leg: they were checked, and rounding is settled in them.
        now += context.moment(stop.arrive) - free + park
        for loop in stop.loops:
            final = stop is trip.stops[-1] and loop is stop.loops[-1]
            possible &= _play_loop(context, trip, crew, loop, light, now, final=final)
        free = context.moment(stop.leave)
    now += back - free
    possible &= (now <= ends) & (now - departures <= back - leave)
    return int(departures[possible][-1]) if possible.any() else leave


def _play_loop(
    context: Context,
    trip: Trip,
    crew: Crew,
    loop: Loop,
    light: Daylight,
    now: NDArray[np.int64],
    *,
    final: bool,
) -> NDArray[np.bool_]:
    """Move `now` from before one loop to after it; return for which departures that is allowed."""
    np.maximum(now, math.ceil(light.first), out=now)
    allowed: NDArray[np.bool_] = np.ones(len(now), dtype=np.bool_)
    left = context.moment(loop.leave)
    for visit in loop.visits:
        now += context.moment(visit.arrive) - left
        site = context.fleet.sites_by_id[visit.site_id]
        work = context.moment(visit.finish) - context.moment(visit.start)
        start = np.full(len(now), np.iinfo(np.int64).max, dtype=np.int64)
        for opens, closes in reversed(context.spans(site, crew, trip.date)):
            candidate = np.maximum(now, opens)
            np.copyto(start, candidate, where=candidate + work <= closes)
        reached = start < np.iinfo(np.int64).max
        allowed &= reached
        np.copyto(now, start, where=reached)
        now += work
        left = context.moment(visit.finish)
    now += context.moment(loop.back) - left
    limit = light.last_for_final_loop(context.fleet.plan.reserve_minutes) if final else light.last
    allowed &= now <= math.floor(limit)
    return allowed
