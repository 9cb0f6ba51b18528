"""
The sum of minutes of a trip that serves one site alone.

This is the arithmetic that messages print, so that a user can follow why a site fits a day or not.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from tripplan.clock import local_moment
from tripplan.fleet import Crew, Fleet, Site
from tripplan.travel.access import open_spans
from tripplan.travel.measure import Travel
from tripplan.travel.sun import sun_times, usable_daylight

__all__ = ["VisitSum", "single_visit_sum"]


@dataclass(frozen=True)
class VisitSum:
    """
    Minutes of an out-and-back trip to one site, and the minutes at hand on that date.

    Attributes
    ----------
    drive_out, park, walk_out, work, walk_back, drive_back : float
        In the order they happen; `work` includes the minutes of open jobs, unrounded. [min]
    daylight_minutes : float
        Usable daylight at the parking less the reserve: what the walk out, the work and the walk back
        must fit into. 0 where there is none. [min]
    crew_minutes : float
        From the crew's first to its last clock time: what `total` must fit into. [min]
    loop_room_minutes : float
        What is left for walk, work and walk when daylight and the crew's hours bind together. [min]
    open_minutes : float
        Longest span in which this crew may work at the site; 0 where it is closed. [min]
    """

    drive_out: float
    park: float
    walk_out: float
    work: float
    walk_back: float
    drive_back: float
    daylight_minutes: float
    crew_minutes: float
    loop_room_minutes: float
    open_minutes: float

    @property
    def on_foot(self) -> float:
        """Walk out, work and walk back. [min]."""
        return self.walk_out + self.work + self.walk_back

    @property
    def total(self) -> float:
        """From leaving the base to being back, without waiting. [min]."""
        return self.drive_out + self.park + self.on_foot + self.drive_back

    @property
    def short_by(self) -> float:
        """Minutes missing against the tightest limit; 0 or less where none is missing. [min]."""
        return max(
            self.total - self.crew_minutes,
            self.on_foot - self.daylight_minutes,
            self.on_foot - self.loop_room_minutes,
            self.work - self.open_minutes,
        )

    def __str__(self) -> str:
        """Return the sum, and the limit it runs against."""
        foot = f"walk {self.walk_out:.0f} + work {self.work:.0f} + walk {self.walk_back:.0f}"
        whole = (
            f"drive {self.drive_out:.0f} + park {self.park:.0f} + {foot} + drive {self.drive_back:.0f}"
            f" = {self.total:.0f} min"
        )
        if self.open_minutes <= 0:
            return f"{whole}; the site is closed that day"
        if self.work > self.open_minutes:
            return f"work {self.work:.0f} min; access leaves {self.open_minutes:.0f}"
        if self.total > self.crew_minutes:
            return f"{whole}; the crew's hours leave {self.crew_minutes:.0f}"
        if self.on_foot > self.daylight_minutes:
            return f"{foot} = {self.on_foot:.0f} min; daylight leaves {self.daylight_minutes:.0f}"
        if self.on_foot > self.loop_room_minutes:
            return (
                f"{foot} = {self.on_foot:.0f} min; between the drives, daylight and the crew's hours "
                f"leave {self.loop_room_minutes:.0f}"
            )
        return whole


def single_visit_sum(fleet: Fleet, travel: Travel, crew: Crew, site: Site, day: date) -> VisitSum:
    """
    Return the sum of a trip that serves one site alone.

    Parameters
    ----------
    fleet : Fleet
        For daylight margin, reserve, park minutes, open jobs and access.
    travel : Travel
        As `measure_travel` gives it.
    crew : Crew
        Who goes.
    site : Site
        Where to.
    day : datetime.date
        When; whether the crew goes on that weekday at all is not looked at.

    Returns
    -------
    VisitSum
        Unrounded. That every limit by itself leaves enough does not prove that the visit fits: the open
        span may lie at the wrong end of the day.
    """
    base, park = travel.place_of_crew[crew.name], travel.place_of_site[site.site_id]
    place, zone, settings = travel.places[park], fleet.zone, fleet.plan
    drive_out, drive_back = float(travel.drive_minutes[base, park]), float(travel.drive_minutes[park, base])
    work = site.work_minutes + sum(job.minutes for job in fleet.open_jobs.get(site.site_id, ()))
    start = local_moment(day, crew.day_start_minute, zone)
    end = local_moment(day, crew.day_end_minute, zone)
    light = usable_daylight(place.lat, place.lon, day, zone, settings.daylight_margin_minutes)
    daylight = room = 0.0
    if light is not None:
        no_sunset = sun_times(place.lat, place.lon, day, zone).set is None
        dusk = light[1] - (0.0 if no_sunset else settings.reserve_minutes * 60.0)
        daylight = max(0.0, dusk - light[0]) / 60.0
        first = max(light[0], start + (drive_out + fleet.drive.park_minutes) * 60.0)
        room = max(0.0, min(dusk, end - drive_back * 60.0) - first) / 60.0
    return VisitSum(
        drive_out=drive_out,
        park=fleet.drive.park_minutes,
        walk_out=travel.walk_minutes(None, site.site_id),
        work=work,
        walk_back=travel.walk_minutes(site.site_id, None),
        drive_back=drive_back,
        daylight_minutes=daylight,
        crew_minutes=(end - start) / 60.0,
        loop_room_minutes=room,
        open_minutes=max((b - a for a, b in open_spans(fleet, site, crew.name, day)), default=0) / 60.0,
    )
