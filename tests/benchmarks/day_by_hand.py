"""
One crew's day worked out apart from the package's solver and checker: hours, loops, exact best order.

A day is a tuple of stops, a stop a tuple of loops, a loop a tuple of site ids. All durations are
whole seconds, rounded up, as plans have them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise, permutations, product
from typing import Any

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import Crew, Fleet
from tripplan.plan.document import Loop, Stop, Trip, Visit, VisitKind
from tripplan.travel import open_spans, usable_daylight

__all__ = ["Call", "Country", "TimedDay", "best_day", "every_day_plan", "time_day", "write_trip"]

Day = tuple[tuple[tuple[str, ...], ...], ...]


@dataclass(frozen=True)
class Call:
    """What is to be done at a site: seconds of work, and what happens to pack and device."""

    work_s: int
    kind: VisitKind = VisitKind.SWAP

    @property
    def puts_in(self) -> bool:
        """Whether a charged pack goes in."""
        return self.kind in (VisitKind.SWAP, VisitKind.SET_OUT)

    @property
    def carries(self) -> bool:
        """Whether a pack is carried, out or back."""
        return self.kind is not VisitKind.CALL


@dataclass(frozen=True)
class TimedDay:
    """A day with its best hours: latest departure among the shortest. [s]."""

    day: Day
    leave: int
    back: int
    windows: tuple[tuple[int, int], ...]

    @property
    def seconds(self) -> int:
        """Crew time. [s]."""
        return self.back - self.leave


class Country:
    """Whole seconds and daylight of a fleet, looked up once."""

    def __init__(self, fleet: Fleet, travel: Any) -> None:
        self.fleet, self.travel = fleet, travel
        self.park = _up(fleet.drive.park_minutes)
        self._light: dict[Any, Any] = {}
        self._open: dict[Any, Any] = {}
        self._walk: dict[Any, int] = {}

    def drive(self, a: int, b: int) -> int:
        return _up(float(self.travel.drive_minutes[a, b]))

    def walk(self, a: str | None, b: str | None) -> int:
        if (a, b) not in self._walk:
            self._walk[a, b] = _up(self.travel.walk_minutes(a, b))
        return self._walk[a, b]

    def light(self, site_id: str, day: date) -> tuple[int, int, int] | None:
        """Return first leave, last back, last back of a trip's last loop. [s]."""
        place = self.travel.place_of_site[site_id]
        if (place, day) not in self._light:
            fleet, spot = self.fleet, self.travel.places[place]
            span = usable_daylight(spot.lat, spot.lon, day, fleet.zone, fleet.plan.daylight_margin_minutes)
            found = None
            if span is not None:
                whole = (local_moment(day, 0, fleet.zone), local_moment(day, 1440, fleet.zone)) == span
                reserve = 0.0 if whole else fleet.plan.reserve_minutes * 60
                found = (math.ceil(span[0]), math.floor(span[1]), math.floor(span[1] - reserve))
            self._light[place, day] = found
        return self._light[place, day]

    def open(self, site_id: str, crew: Crew, day: date) -> tuple[tuple[int, int], ...]:
        key = (site_id, crew.name, day)
        if key not in self._open:
            self._open[key] = open_spans(self.fleet, self.fleet.sites_by_id[site_id], crew.name, day)
        return self._open[key]

    def weight(self, site_id: str, call: Call) -> float:
        site = self.fleet.sites_by_id[site_id]
        if call.kind is VisitKind.CALL:
            return 0.0
        device = site.device_kg if call.kind in (VisitKind.SET_OUT, VisitKind.TAKE_IN) else 0.0
        return self.fleet.pack_types[site.pack_type].weight_kg + device


def _up(minutes: float) -> int:
    return math.ceil(minutes * 60)


def time_day(
    country: Country, crew: Crew, day: date, stops: Day, calls: Mapping[str, Call]
) -> TimedDay | None:
    """
    Return the best hours of a day whose order is settled, or None where it cannot be done.

    A label is (earliest moment now, latest departure, windows chosen); the seconds without waiting are
    the same for all. A label that is neither earlier nor leaves later than another one goes.
    """
    fleet, travel = country.fleet, country.travel
    if sum(calls[s].carries for stop in stops for loop in stop for s in loop) > crew.packs_aboard:
        return None
    begins = local_moment(day, crew.day_start_minute, fleet.zone)
    ends = local_moment(day, crew.day_end_minute, fleet.zone)
    labels: list[tuple[int, int, tuple[tuple[int, int], ...]]] = [(begins, 10**12, ())]
    spent, place = 0, travel.place_of_crew[crew.name]

    def pass_time(seconds: int) -> None:
        nonlocal spent, labels
        spent += seconds
        labels = [(now + seconds, latest, used) for now, latest, used in labels]

    def keep(earliest: int, last: int) -> None:
        """Let the moment now lie in a span; waiting is allowed before it."""
        nonlocal labels
        found = []
        for now, latest, used in labels:
            then, leave = max(now, earliest), min(latest, last - spent)
            if then <= last and leave >= begins:
                found.append((then, leave, used))
        labels = found

    for number, stop in enumerate(stops):
        here = travel.place_of_site[stop[0][0]]
        pass_time(country.drive(place, here) + country.park)
        light = country.light(stop[0][0], day)
        if light is None:
            return None
        for turn, loop in enumerate(stop):
            if sum(country.weight(s, calls[s]) for s in loop) > crew.carry_kg:
                return None
            keep(light[0], 10**12)
            at: str | None = None
            for site_id in loop:
                pass_time(country.walk(at, site_id))
                work = calls[site_id].work_s
                branched = []
                before = labels
                for span in country.open(site_id, crew, day):
                    labels = before
                    keep(span[0], span[1] - work)
                    branched += [(now, latest, (*used, span)) for now, latest, used in labels]
                labels = _undominated(branched)
                pass_time(work)
                at = site_id
            pass_time(country.walk(at, None))
            last_loop = number == len(stops) - 1 and turn == len(stop) - 1
            keep(0, light[2] if last_loop else light[1])
            if not labels:
                return None
        place = here
    pass_time(country.drive(place, travel.place_of_crew[crew.name]))
    keep(0, ends)
    if not labels:
        return None
    now, latest, used = min(labels, key=lambda label: (max(label[0] - label[1], spent), -label[1]))
    return TimedDay(stops, latest, max(now, latest + spent), used)


def _undominated(labels: list[tuple[int, int, Any]]) -> list[tuple[int, int, Any]]:
    kept: list[tuple[int, int, Any]] = []
    for label in sorted(labels, key=lambda label: (label[0], -label[1])):
        if not kept or label[1] > kept[-1][1]:
            kept.append(label)
    return kept


def every_day_plan(country: Country, site_ids: Sequence[str]) -> Iterator[Day]:
    """
    Yield every order, every way to cut it into loops; neighbours at one parking make one stop.

    Yields
    ------
    Day
        Each order and cutting once.
    """
    parking = {s: country.travel.place_of_site[s] for s in site_ids}
    for order in permutations(site_ids):
        joints = [parking[a] == parking[b] for a, b in pairwise(order)]
        for cuts in product(*[(False, True) if same else (True,) for same in joints]):
            stops: list[list[list[str]]] = [[[order[0]]]]
            for site_id, same, cut in zip(order[1:], joints, cuts, strict=True):
                if not same:
                    stops.append([[site_id]])
                elif cut:
                    stops[-1].append([site_id])
                else:
                    stops[-1][-1].append(site_id)
            yield tuple(tuple(tuple(loop) for loop in stop) for stop in stops)


def best_day(country: Country, crew: Crew, day: date, calls: Mapping[str, Call]) -> TimedDay | None:
    """Return the shortest day that makes all calls, by trying every order and every cutting."""
    best: TimedDay | None = None
    for stops in every_day_plan(country, sorted(calls)):
        timed = time_day(country, crew, day, stops, calls)
        if timed is not None and (best is None or timed.seconds < best.seconds):
            best = timed
    return best


def write_trip(
    country: Country,
    crew: Crew,
    day: date,
    timed: TimedDay,
    calls: Mapping[str, Call],
    facts: Mapping[str, Mapping[str, Any]],
) -> Trip:
    """
    Write a timed day as the plan has it; `facts` holds each visit's dates and other fields.

    Waiting happens in the vehicle before first light and at the site before its window opens.
    """
    fleet, travel = country.fleet, country.travel

    def clock(moment: int) -> datetime:
        return moment_to_local(moment, fleet.zone)

    base = place = travel.place_of_crew[crew.name]
    now = timed.leave
    drive = walk = work = 0
    km = 0.0
    windows = iter(timed.windows)
    packs: dict[str, int] = {}
    stops = []
    for stop in timed.day:
        here = travel.place_of_site[stop[0][0]]
        drive += country.drive(place, here) + country.park
        km += float(travel.drive_km[place, here])
        arrive = now = now + country.drive(place, here)
        now += country.park
        light = country.light(stop[0][0], day)
        assert light is not None
        loops = []
        for loop in stop:
            out = now = max(now, light[0])
            at: str | None = None
            metres, kilos, visits = 0.0, 0.0, []
            for site_id in loop:
                metres += travel.walk_m(at, site_id)
                walk += country.walk(at, site_id)
                there = now + country.walk(at, site_id)
                start = max(there, next(windows)[0])
                now = start + calls[site_id].work_s
                work += calls[site_id].work_s
                kind = fleet.sites_by_id[site_id].pack_type
                if calls[site_id].puts_in:
                    packs[kind] = packs.get(kind, 0) + 1
                kilos += country.weight(site_id, calls[site_id])
                visits.append(
                    Visit(
                        site_id=site_id,
                        arrive=clock(there),
                        start=clock(start),
                        finish=clock(now),
                        pack_type=kind,
                        kind=calls[site_id].kind,
                        **facts[site_id],
                    )
                )
                at = site_id
            metres += travel.walk_m(at, None)
            walk += country.walk(at, None)
            now += country.walk(at, None)
            loops.append(Loop(clock(out), clock(now), metres, kilos, tuple(visits)))
        site = fleet.sites_by_id[stop[0][0]]
        stops.append(Stop(*site.parking_key, clock(arrive), clock(now), tuple(loops)))
        place = here
    drive += country.drive(place, base)
    km += float(travel.drive_km[place, base])
    now += country.drive(place, base)
    assert now == timed.back, (now, timed)
    letter = "ABCDEFGHIJ"[[other.name for other in fleet.crews].index(crew.name)]
    return Trip(
        trip_id=f"{day.isoformat()}-{letter}",
        date=day,
        crew=crew.name,
        leave=clock(timed.leave),
        back=clock(now),
        drive_minutes=drive / 60,
        walk_minutes=walk / 60,
        work_minutes=work / 60,
        wait_minutes=(timed.back - timed.leave - drive - walk - work) / 60,
        drive_km=km,
        packs=packs,
        stops=tuple(stops),
    )
