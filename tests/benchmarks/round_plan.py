"""
A fixed round: every site every four months, whatever the forecast says.

The first round begins when the oldest pack in place is four months old, each later one four months after the
one before it. Within a round the crew goes on the next date on which no pack at home waits for a charge, takes
the trip that reaches most of the sites still to be visited (of those the shortest; tried from every site, the
others put in where they cost least), and goes on until every site has had its turn. What falls dark meanwhile
falls dark.
"""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta

from day_by_hand import Call, Country, Day, TimedDay, time_day
from greedy_plan import ChargingRoom, work_seconds
from schedules import Outing, every_date

from tripplan.fleet import Crew, Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.travel import Travel, crew_dates

__all__ = ["ROUND_DAYS", "round_schedule"]

ROUND_DAYS = 122
"""Four months. [day]"""


def round_schedule(fleet: Fleet, outlook: Outlook, travel: Travel) -> dict[date, Outing]:
    """
    Return the outings of one crew that goes round every four months.

    Parameters
    ----------
    fleet : Fleet
        One crew; packs by identity, each with the day it went in.
    outlook : Outlook
        For the season's dates alone.
    travel : Travel
        Minutes between places.

    Returns
    -------
    dict of date to Outing
        A round that the season cuts short is left as far as it came.
    """
    country, crew = Country(fleet, travel), fleet.crews[0]
    room = ChargingRoom(fleet, outlook.on)
    free = set(crew_dates(fleet, crew, outlook.on, outlook.to))
    oldest = min(pack.since for pack in fleet.packs or () if pack.since is not None)
    begin = max(outlook.on, oldest + timedelta(days=ROUND_DAYS))
    owed: list[str] = []
    done: dict[date, Outing] = {}
    for day in every_date(outlook.on, outlook.to):
        if day == begin:
            owed += [site.site_id for site in fleet.sites if site.site_id not in owed]
            begin += timedelta(days=ROUND_DAYS)
        charged = {kind: room.charged(kind, day) for kind in fleet.pack_types}
        owns = {kind: fleet.charged_on_shelf(kind) for kind in fleet.pack_types}
        if day not in free or not owed or any(charged[k] < owns[k] for k in owns):
            continue
        timed = _fullest_trip(country, crew, day, owed, charged)
        if timed is None:
            continue
        names = [name for stop in timed.day for loop in stop for name in loop]
        done[day] = Outing(tuple(names), timed.seconds)
        owed = [name for name in owed if name not in names]
        for name in names:
            kind = fleet.sites_by_id[name].pack_type
            room.used[kind, day] += 1
            room.take_back(kind, day)
    return done


def _fullest_trip(
    country: Country, crew: Crew, day: date, owed: list[str], charged: dict[str, int]
) -> TimedDay | None:
    best: TimedDay | None = None
    most = (0, 0)
    for seed in owed:
        timed = _grown(country, crew, day, [seed, *(name for name in owed if name != seed)], charged)
        if timed is None:
            continue
        size = sum(len(loop) for stop in timed.day for loop in stop)
        if best is None or (size, -timed.seconds) > most:
            best, most = timed, (size, -timed.seconds)
    return best


def _grown(
    country: Country, crew: Crew, day: date, names: list[str], charged: dict[str, int]
) -> TimedDay | None:
    """Put in, again and again, the site that costs least; the first of them comes first."""
    fleet = country.fleet
    calls = {name: Call(work_seconds(fleet, fleet.sites_by_id[name], with_jobs=False)) for name in names}
    seed, rest = names[0], set(names[1:])
    if not charged[fleet.sites_by_id[seed].pack_type]:
        return None
    timed = time_day(country, crew, day, (((seed,),),), calls)
    taken = Counter([fleet.sites_by_id[seed].pack_type])
    while timed is not None:
        found = []
        for name in sorted(rest):
            kind = fleet.sites_by_id[name].pack_type
            if taken[kind] >= charged[kind]:
                continue
            options = (
                time_day(country, crew, day, stops, calls) for stops in _with(country, timed.day, name)
            )
            fits = [one for one in options if one is not None]
            if fits:
                shortest = min(fits, key=lambda one: one.seconds)
                found.append((shortest.seconds, name, shortest))
        if not found:
            return timed
        _, name, timed = min(found, key=lambda one: one[:2])
        rest.discard(name)
        taken[fleet.sites_by_id[name].pack_type] += 1
    return None


def _with(country: Country, stops: Day, name: str) -> list[Day]:
    """Return the day with one more site: in or beside a loop of its parking's stop, else as a stop of its own."""
    place = country.travel.place_of_site
    options: list[Day] = []
    for k, stop in enumerate(stops):
        if place[stop[0][0]] != place[name]:
            continue
        inside = [(*stop, (name,))]
        for n, loop in enumerate(stop):
            inside += [
                (*stop[:n], (*loop[:m], name, *loop[m:]), *stop[n + 1 :]) for m in range(len(loop) + 1)
            ]
        options += [(*stops[:k], one, *stops[k + 1 :]) for one in inside]
    if options:
        return options
    return [(*stops[:k], ((name,),), *stops[k:]) for k in range(len(stops) + 1)]
