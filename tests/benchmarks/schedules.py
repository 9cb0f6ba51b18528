"""
What a season's trips come to, whoever planned them: one count of trips, hours, late and dark days for all.

A schedule is nothing but dates, the sites visited on each, and the crew time. Nothing here is taken from the
package's solver or checker; the forecast alone says when a pack is flat.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from greedy_plan import ChargingRoom

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan

__all__ = ["Outing", "Tally", "of_plan", "tally"]


@dataclass(frozen=True)
class Outing:
    """One trip: its sites, and from leaving the base to being back. [s]."""

    site_ids: tuple[str, ...]
    seconds: float


Schedule = Mapping[date, Outing]


@dataclass(frozen=True)
class Tally:
    """
    What a schedule comes to.

    Attributes
    ----------
    trips : int
        Outings.
    hours : float
        Crew time. [h]
    late_sites, late_days : int
        Sites, and days over all sites, on which a pack is in after its swap-by date.
    dark_days : float
        Expected site-days without power: each day's chance of being dark, summed. [day]
    short : int
        Packs swapped in that the shelf did not have, charged as soon as a charger is free.
    """

    trips: int
    hours: float
    late_sites: int
    late_days: int
    dark_days: float
    short: int


def of_plan(plan: Plan) -> dict[date, Outing]:
    """Return the schedule of a plan with one crew."""
    return {
        trip.date: Outing(
            tuple(visit.site_id for visit in trip.visits), (trip.back - trip.leave).total_seconds()
        )
        for trip in plan.trips
    }


def tally(fleet: Fleet, outlook: Outlook, schedule: Schedule) -> Tally:
    """
    Count a schedule in which every visit swaps a pack.

    Parameters
    ----------
    fleet : Fleet
        Devices that stay out all season; no jobs.
    outlook : Outlook
        Its forecast.
    schedule : mapping of date to Outing
        One crew.

    Returns
    -------
    Tally
        One count for all planners.
    """
    late: Counter[str] = Counter()
    dark = 0.0
    for site in fleet.sites:
        name = site.site_id
        put_in: date | None = None
        due = outlook.sites[name].swap_by
        for day in sorted(d for d, outing in schedule.items() if name in outing.site_ids):
            late[name] += max(0, (day - due).days) if due < outlook.to else 0
            dark += outlook.expected_dark_days(name, put_in, day)
            put_in = day
            due = date.fromordinal(int(outlook.renewals[name].swap_by[(day - outlook.on).days]))
        late[name] += max(0, (outlook.to - due).days)
        dark += outlook.expected_dark_days(name, put_in, outlook.to)
    return Tally(
        trips=len(schedule),
        hours=sum(outing.seconds for outing in schedule.values()) / 3600,
        late_sites=sum(days > 0 for days in late.values()),
        late_days=late.total(),
        dark_days=dark,
        short=_short(fleet, outlook, schedule),
    )


def _short(fleet: Fleet, outlook: Outlook, schedule: Schedule) -> int:
    room = ChargingRoom(fleet, outlook.on)
    short = 0
    for day in sorted(schedule):
        taken = Counter(fleet.sites_by_id[name].pack_type for name in schedule[day].site_ids)
        for kind, count in sorted(taken.items()):
            there = room.charged(kind, day)
            short += max(0, count - there)
            room.used[kind, day] += count
            for _ in range(count):
                room.take_back(kind, day)
    return short


def every_date(first: date, last: date) -> list[date]:
    """Return the dates from the first to the last, both included."""
    return [first + timedelta(days=k) for k in range((last - first).days + 1)]
