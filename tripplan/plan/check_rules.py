"""
The names of the rules, what a refusal is, and what the checks look up again and again.

Nothing here or in the other ``check`` modules comes from a solver: they read the fleet, the
outlook, the travel tables and the plan, and count for themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum

from tripplan.clock import MINUTES_PER_DAY, local_moment, moment_to_local
from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Visit, VisitKind
from tripplan.travel import Travel, crew_dates, open_spans, usable_daylight

__all__ = ["Context", "Daylight", "Refusal", "Rule", "exact_seconds", "minutes_text"]

_JITTER_S = 1e-6  # floating-point noise of minutes x 60; a real second is a million times longer


class Rule(StrEnum):
    """Stable names of the rules that a plan can break."""

    HEADER = "header"
    DATE_IN_SEASON = "date in season"
    CREW_DAY = "crew day"
    ONE_TRIP = "one trip a crew and date"
    SHARED_PEOPLE = "shared people"
    TRIP_ORDER = "order of trips"
    TRIP_ID = "trip id"
    UNKNOWN_CREW = "unknown crew"
    UNKNOWN_SITE = "unknown site"
    VISITED_TWICE = "visited twice"
    EMPTY = "empty trip"
    SET_BY = "set by"
    CLOCK = "clock"
    CREW_HOURS = "crew hours"
    DRIVE = "drive minutes"
    PARK = "park minutes"
    WALK = "walk minutes"
    WORK = "work minutes"
    WAITING = "waiting"
    SUMS = "sums"
    DAYLIGHT = "daylight"
    RESERVE = "reserve"
    LATEST_LEAVE = "latest leave"
    ACTIVE = "active dates"
    ACCESS = "access window"
    CARRY = "carry weight"
    ABOARD = "packs aboard"
    PARKING = "parking"
    VOLTAGE = "voltage"
    PLUG = "plug"
    PACK_TYPE = "pack type"
    PACK_IDENTITY = "pack identity"
    JOBS = "jobs"
    CALL = "call without a swap"
    NEEDLESS = "needless swap"
    DEVICE = "device out or in"
    CHAIN = "swap-by chain"
    FLAT_DATES = "flat dates"
    LEFT_OUT = "site left out"
    LATE_DAYS = "late days"
    FALLBACK = "fallback dates"
    STOCK = "stock"
    CHARGING = "charging"
    STATUS = "status"
    LOWER_BOUND = "lower bound"
    LIFE_DAYS = "life thrown away"
    PROVED = "said to be proved"
    TRIP_COUNT = "trip count"
    DARK_DAYS = "expected dark days"
    WISH = "wish"
    FORMAT = "format"


@dataclass(frozen=True, order=True)
class Refusal:
    """
    One rule that a plan breaks in one place.

    Parameters
    ----------
    rule : str
        One of `Rule`.
    where : str
        Trip, site or part of the plan.
    text : str
        What is wrong, with the sum that shows it.

    Examples
    --------
    >>> print(Refusal("crew hours", "2026-12-05-A", "back 17:41, the crew's day ends 17:30"))
    2026-12-05-A: back 17:41, the crew's day ends 17:30 (rule: crew hours)
    """

    rule: str
    where: str
    text: str

    def __str__(self) -> str:
        """Return the one line that a user reads."""
        return f"{self.where}: {self.text} (rule: {self.rule})"


def exact_seconds(minutes: float) -> tuple[int, int]:
    """
    Return the whole seconds that a plan may give to a duration.

    A plan rounds durations up to the second. Both numbers are that second; they differ only where
    the duration lies within a microsecond of a whole second, so that the noise of multiplying
    by 60 decides which way it rounds.

    Parameters
    ----------
    minutes : float
        Duration before rounding. [min]

    Returns
    -------
    tuple of int
        Fewest and most seconds. [s]

    Examples
    --------
    >>> exact_seconds(10.001), exact_seconds(5.0), exact_seconds(0.1 + 0.2)
    ((601, 601), (300, 300), (18, 19))
    """
    seconds = minutes * 60
    if seconds == round(seconds):
        return round(seconds), round(seconds)
    return math.ceil(seconds - _JITTER_S), math.ceil(seconds + _JITTER_S)


def minutes_text(seconds: float) -> str:
    """
    Return a duration as a user reads it.

    Parameters
    ----------
    seconds : float
        Duration. [s]

    Returns
    -------
    str
        Minutes, and seconds where they are not whole minutes.

    Examples
    --------
    >>> minutes_text(5400), minutes_text(61), minutes_text(-30)
    ('90 min', '1 min 1 s', '-30 s')
    """
    whole = round(abs(seconds))
    sign = "-" if seconds < 0 and whole else ""
    minutes, rest = divmod(whole, 60)
    if not rest:
        return f"{sign}{minutes} min"
    return f"{sign}{minutes} min {rest} s" if minutes else f"{sign}{rest} s"


@dataclass(frozen=True)
class Daylight:
    """
    Usable daylight at one parking on one date.

    Attributes
    ----------
    first, last : float
        Earliest moment at which a loop leaves and latest at which it is back. [s]
    unlimited : bool
        True in the polar day, where nothing is kept free before dusk.
    """

    first: float
    last: float
    unlimited: bool

    def last_for_final_loop(self, reserve_minutes: float) -> float:
        """
        Return the latest moment at which a trip's last loop is back.

        Parameters
        ----------
        reserve_minutes : float
            Time kept free before the end of usable daylight. [min]

        Returns
        -------
        float
            Epoch seconds. [s]
        """
        return self.last if self.unlimited else self.last - reserve_minutes * 60


@dataclass
class Context:
    """The inputs of a check, with what was looked up already."""

    fleet: Fleet
    outlook: Outlook
    travel: Travel
    _daylight: dict[tuple[int, date], Daylight | None] = field(default_factory=dict)
    _spans: dict[tuple[str, str, date], tuple[tuple[int, int], ...]] = field(default_factory=dict)
    _dates: dict[str, tuple[date, ...]] = field(default_factory=dict)

    def moment(self, clock: datetime) -> int:
        """Return epoch seconds; a clock time without offset is read as local. [s]."""
        aware = clock if clock.tzinfo is not None else clock.replace(tzinfo=self.fleet.zone)
        return round(aware.timestamp())

    def at(self, day: date, minute: float) -> int:
        """Return the moment at which the local clock shows a minute of a day. [s]."""
        return local_moment(day, minute, self.fleet.zone)

    def clock_text(self, moment: float) -> str:
        """Return a moment as hours and minutes, with seconds where there are any."""
        shown = moment_to_local(moment, self.fleet.zone)
        return f"{shown:%H:%M:%S}" if shown.second else f"{shown:%H:%M}"

    def place_of(self, site: Site) -> int:
        """Return the row of a site's parking in the travel tables."""
        return self.travel.place_of_site[site.site_id]

    def daylight(self, place: int, day: date) -> Daylight | None:
        """Return the usable daylight at a parking; None where no loop is possible."""
        key = (place, day)
        if key not in self._daylight:
            spot = self.travel.places[place]
            margin = self.fleet.plan.daylight_margin_minutes
            span = usable_daylight(spot.lat, spot.lon, day, self.fleet.zone, margin)
            midnights = (self.at(day, 0), self.at(day, MINUTES_PER_DAY))
            self._daylight[key] = (
                None if span is None else Daylight(span[0], span[1], unlimited=tuple(span) == midnights)
            )
        return self._daylight[key]

    def spans(self, site: Site, crew: Crew, day: date) -> tuple[tuple[int, int], ...]:
        """Return when a crew may work at a site on a date. [s]."""
        key = (site.site_id, crew.name, day)
        if key not in self._spans:
            self._spans[key] = tuple(open_spans(self.fleet, site, crew.name, day))
        return self._spans[key]

    def dates_of(self, crew: Crew) -> tuple[date, ...]:
        """Return the dates of the season on which a crew may go."""
        if crew.name not in self._dates:
            self._dates[crew.name] = tuple(crew_dates(self.fleet, crew, self.outlook.on, self.outlook.to))
        return self._dates[crew.name]

    def is_at_home(self, site: Site) -> bool:
        """Tell whether the device stands at home as the season begins."""
        return self.outlook.sites[site.site_id].at_home

    def in_by(self, site: Site) -> date | None:
        """Return the last day in time for taking a device in; None where the season does not owe that."""
        if site.active_to is None:
            return None
        last = site.active_to + timedelta(days=self.fleet.plan.take_in_days)
        return last if last < self.outlook.to else None

    def first_date(self, site: Site) -> date:
        """Return the first date on which a visit finds a device, or may set it out."""
        if site.active_from is None:
            return date.min
        ahead = self.fleet.plan.set_out_days if self.is_at_home(site) else 0
        return site.active_from - timedelta(days=ahead)

    def load_kg(self, visit: Visit) -> float:
        """Return what a visit adds to the load of its loop: a pack, and the device that it moves. [kg]."""
        if visit.kind is VisitKind.CALL:
            return 0.0
        site = self.fleet.sites_by_id[visit.site_id]
        kind = self.fleet.pack_types.get(visit.pack_type)
        return (kind.weight_kg if kind else 0.0) + (site.device_kg if visit.moves_device else 0.0)

    def work_minutes(self, site: Site, *, with_jobs: bool) -> float:
        """Return the work at a site: the swap, and its open jobs on the first visit. [min]."""
        jobs = self.fleet.open_jobs.get(site.site_id, ()) if with_jobs else ()
        return site.work_minutes + sum(job.minutes for job in jobs)
