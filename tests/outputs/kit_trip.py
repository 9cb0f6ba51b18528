"""
One hand-made trip for the tests of the field kit: an invented fleet, three stops, seven sites.

The order is chosen by hand; only the clock times come from a plain forward pass over the measured
minutes, so nothing here depends on a solver.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import (
    AccessRule,
    Charger,
    Chemistry,
    Crew,
    DateSpan,
    DriveSettings,
    Fleet,
    Job,
    Pack,
    PackState,
    PackType,
    Site,
    WalkSettings,
)
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import ChargeSlot, Loop, Plan, Status, Stop, Trip, Visit, VisitKind
from tripplan.travel import Travel, measure_travel

TODAY = date(2027, 2, 24)
DAY = date(2027, 3, 6)  # a Saturday
PLUG = "5.5x2.1 centre +"
HOSTILE = (
    "</script><img src=x onerror=alert(1)>",
    "${alert(1)}`${alert(2)}`",
    "C:\\2019\\x \\u003cb\\u003e",
    "\"quotes\" 'and' <b>tags</b> &amp; &#60;",
    "=cmd()|' /C calc'!A0",
    "\u202etxet desrever\u202c \u200f\u05e9\u05dc\u05d5\u05dd\u200f",
    "bell\x07 nul\x00 line\u2028sep {{ 7*7 }} {% raw %}",
    "long " + "x" * 495,
)


@dataclass(frozen=True)
class KitCase:
    """What ``write_kit`` takes."""

    fleet: Fleet
    outlook: Outlook
    travel: Travel
    plan: Plan
    trip: Trip

    def arguments(self) -> tuple[Any, ...]:
        return self.fleet, self.outlook, self.travel, self.plan, self.trip


def hand_fleet() -> Fleet:
    """Return the invented fleet; its places mean nothing."""
    p1 = {"park_lat": 57.24004, "park_lon": -4.15293}
    p2 = {"park_lat": 57.29120, "park_lon": -4.20310}
    p3 = {"park_lat": 57.20510, "park_lon": -4.24020}
    at12: dict[str, Any] = {"pack_type": "SLA12", "volts": 12.0, "plug": PLUG}
    at6: dict[str, Any] = {"pack_type": "SLA6", "volts": 6.0, "plug": PLUG}
    sites = (
        Site(
            "C1",
            57.24152,
            -4.15766,
            name="Sheepfold",
            walk_m=430.0,
            climb_m=25.0,
            **at12,
            **p1,
            find="by the stone sheepfold left of the track; box under the flat slab",
            notes="PRIVATE-NOTE-1",
        ),
        Site(
            "C2",
            57.24457,
            -4.15946,
            name="Birch spur",
            walk_m=840.0,
            climb_m=70.0,
            **at12,
            **p1,
            find="up the birch spur to the lone rowan; post on its north side",
            device_id="K107",
        ),
        Site(
            "C3",
            57.24794,
            -4.14603,
            name="Lek",
            walk_m=1050.0,
            climb_m=115.0,
            **at6,
            **p1,
            find="over the stile, then 200 m along the fence",
            notes="PRIVATE-NOTE-2",
        ),
        Site(
            "D1",
            57.29420,
            -4.19840,
            name="Falls bridge",
            walk_m=610.0,
            climb_m=-15.0,
            access="gate",
            **at12,
            **p2,
            find="under the bridge, upstream side",
        ),
        Site(
            "D2",
            57.29640,
            -4.20950,
            name="Long meadow",
            walk_m=900.0,
            climb_m=40.0,
            access="gate",
            pack_type="LFP12",
            volts=6.0,
            plug=PLUG,
            converter_volts=12.0,
            **p2,
        ),
        Site(
            "E1", 57.20510, -4.24020, name="Roadside oak", **at12, **p3, find="the oak at the passing place"
        ),
        Site("E2", 57.20790, -4.23600, name="Old quarry", walk_m=560.0, climb_m=30.0, **at6, **p3),
        Site(
            "Z9",
            57.35000,
            -4.01000,
            name="NOT-THIS-TRIP",
            **at12,
            park_lat=57.35,
            park_lon=-4.01,
            find="SECRET-PLACE",
        ),
    )
    return Fleet(
        name="Glen survey (invented)",
        timezone="Europe/London",
        blocked=(DateSpan(date(2027, 3, 7), date(2027, 3, 7)),),  # else C2 could be visited the day after
        crews=(Crew("Merrin van", 57.25, -4.05, carry_kg=12.0, people=("Ruth",), day_end_minute=1080),),
        sites=sites,
        pack_types={
            "SLA12": PackType("SLA12", 12.0, PLUG, weight_kg=2.8, usual_months=5.0),
            "SLA6": PackType("SLA6", 6.0, PLUG, weight_kg=1.7, usual_months=5.0),
            "LFP12": PackType("LFP12", 12.0, PLUG, Chemistry.LITHIUM_IRON_PHOSPHATE, weight_kg=1.2, usual_months=6.0),
        },
        drive=DriveSettings(speed_kmh=45.0, detour=1.5),
        chargers=(Charger(("SLA12", "SLA6")), Charger(("SLA12", "LFP12"))),
        access={
            "gate": (
                AccessRule("gate", from_minute=540, to_minute=960, contact="Estate office, 0123 555 0199",
                           notice_days=2, row=2),
            )
        },
        packs=(
            Pack("B01", "SLA12", where="C1", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("B02", "SLA12", where="C2", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("S01", "SLA6", where="C3", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("B03", "SLA12", where="D1", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("L01", "LFP12", where="D2", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("B04", "SLA12", where="E1", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("S02", "SLA6", where="E2", since=date(2026, 10, 1), state=PackState.IN_USE),
            Pack("B09", "SLA12", where="Z9", since=date(2026, 10, 1), state=PackState.IN_USE),
            *(Pack(f"B1{k}", "SLA12") for k in range(4)),
            *(Pack(f"S1{k}", "SLA6") for k in range(2)),
            Pack("L11", "LFP12"),
            Pack("B99", "SLA12", state=PackState.SUSPECT),
        ),
        jobs=(
            Job("C2", "replace the chewed cord", minutes=10.0, bring="2 m cord with plug"),
            Job("E2", "clean the lens", minutes=5.0, bring="lens cloth"),
            Job("E1", "read the rain gauge", minutes=5.0),
        ),
        set_aside=("X1", "X2"),
    )  # fmt: skip


# Stops, loops, visits: (site id, whether its pack is swapped, swap-by date, later dates left).
ORDER: tuple[tuple[tuple[tuple[str, bool, date, int], ...], ...], ...] = (
    (
        (("C1", True, date(2027, 3, 20), 4), ("C2", True, date(2027, 3, 8), 0)),
        (("C3", True, date(2027, 4, 11), 10),),
    ),
    ((("D1", True, date(2027, 3, 14), 2), ("D2", True, date(2027, 3, 27), 6)),),
    ((("E1", False, date(2027, 5, 1), 16), ("E2", True, date(2027, 3, 21), 4)),),
)


Order = tuple[tuple[tuple[tuple[str, bool, date, int], ...], ...], ...]


def timed_trip(fleet: Fleet, travel: Travel, order: Order = ORDER) -> Trip:
    """Return the trip of an order with its clock, leaving the base at 08:00."""
    crew = fleet.crews[0]
    now = start = local_moment(DAY, 480, fleet.zone)
    drive_s = walk_s = work_s = 0
    drive_km = 0.0
    place = travel.place_of_crew[crew.name]
    stops = []
    packs: dict[str, int] = {}

    def clock(moment: int) -> datetime:
        return moment_to_local(moment, fleet.zone)

    for loops in order:
        here = travel.place_of_site[loops[0][0][0]]
        leg = _up(travel.drive_minutes[place, here])
        drive_km += float(travel.drive_km[place, here])
        now += leg
        arrive = now
        park = _up(fleet.drive.park_minutes)
        now += park
        drive_s += leg + park
        timed_loops = []
        for loop in loops:
            leave = now
            before = None
            metres = kilograms = 0.0
            visits = []
            for site_id, swap, swap_by, left in loop:
                site = fleet.sites_by_id[site_id]
                walk = _up(travel.walk_minutes(before, site_id))
                metres += travel.walk_m(before, site_id)
                now += walk
                walk_s += walk
                there = now
                if site.access:
                    now = max(now, local_moment(DAY, 540, fleet.zone))
                jobs = fleet.open_jobs.get(site_id, ())
                work = _up(site.work_minutes + sum(job.minutes for job in jobs))
                work_s += work
                visits.append(
                    Visit(
                        site_id,
                        clock(there),
                        clock(now),
                        clock(now + work),
                        swap_by,
                        date(2027, 9, 1) if swap else swap_by,
                        swap_by,
                        swap_by + timedelta(days=14),
                        swap_by + timedelta(days=28),
                        site.pack_type,
                        None,
                        VisitKind.SWAP if swap else VisitKind.CALL,
                        tuple(job.job for job in jobs),
                        left,
                    )
                )
                now += work
                if swap:
                    packs[site.pack_type] = packs.get(site.pack_type, 0) + 1
                    kilograms += fleet.pack_types[site.pack_type].weight_kg
                before = site_id
            walk = _up(travel.walk_minutes(before, None))
            metres += travel.walk_m(before, None)
            walk_s += walk
            now += walk
            timed_loops.append(Loop(clock(leave), clock(now), metres, kilograms, tuple(visits)))
        lat, lon = fleet.sites_by_id[loops[0][0][0]].park_lat, fleet.sites_by_id[loops[0][0][0]].park_lon
        stops.append(Stop(lat, lon, clock(arrive), clock(now), tuple(timed_loops)))
        place = here
    leg = _up(travel.drive_minutes[place, travel.place_of_crew[crew.name]])
    drive_km += float(travel.drive_km[place, travel.place_of_crew[crew.name]])
    drive_s += leg
    now += leg
    wait_s = now - start - drive_s - walk_s - work_s
    return Trip(
        f"{DAY}-A", DAY, crew.name, clock(start), clock(now), drive_s / 60, walk_s / 60, work_s / 60,
        wait_s / 60, drive_km, packs, tuple(stops), ("C2",),
    )  # fmt: skip


def hand_case(fleet: Fleet | None = None) -> KitCase:
    """Return the whole case."""
    fleet = fleet or hand_fleet()
    travel = measure_travel(fleet)
    trip = timed_trip(fleet, travel)
    evening = moment_to_local(local_moment(date(2027, 3, 2), 1080, fleet.zone), fleet.zone)
    next_evening = evening + timedelta(days=1)
    plan = Plan(
        fleet.name, TODAY, TODAY, date(2027, 8, 25), 0.05, 1, Status.PROVED, 1, (trip,),
        charging=(
            ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=12)),
            ChargeSlot("LFP12", 2, evening, evening + timedelta(hours=12)),
            ChargeSlot("SLA6", 1, next_evening, next_evening + timedelta(hours=12)),
            ChargeSlot("SLA12", 2, trip.back + timedelta(days=1), trip.back + timedelta(days=2)),
        ),
    )  # fmt: skip
    outlook = Outlook(
        TODAY,
        plan.to,
        0.05,
        {},
        {},
        dark_chance_in_place={"C2": np.linspace(0.0, 0.9, 182), "C1": np.zeros(182)},
    )
    return KitCase(fleet, outlook, travel, plan, trip)


def wide_case(n_sites: int) -> KitCase:
    """Return a trip of many sites, three to a stop, for measuring; their hours are not meant to be believed."""
    fleet = hand_fleet()
    kind = fleet.sites[0]
    sites = tuple(
        replace(
            kind,
            site_id=f"N{k:03d}",
            name=f"Site with a usual name {k}",
            lat=57.2 + 0.01 * (k // 30) + 0.001 * (k % 3),
            lon=-4.2 + 0.012 * (k // 3 % 10) + 0.001 * (k % 3),
            park_lat=57.2 + 0.01 * (k // 30),
            park_lon=-4.2 + 0.012 * (k // 3 % 10),
            walk_m=None,
            climb_m=0.0,
            work_minutes=0.5,
        )
        for k in range(n_sites)
    )
    packs = tuple(Pack(f"B{k:03d}", "SLA12", where=site.site_id, since=TODAY) for k, site in enumerate(sites))
    fast = {
        "drive": DriveSettings(speed_kmh=500.0, park_minutes=0.0),
        "walk": WalkSettings(speed_factor=20.0),
    }
    wide = replace(fleet, sites=sites, jobs=(), packs=packs, **fast)
    travel = measure_travel(wide)
    visits = [(site.site_id, True, date(2027, 4, 11), 3) for site in sites]
    order = tuple((tuple(visits[k : k + 3]),) for k in range(0, n_sites, 3))
    trip = timed_trip(wide, travel, order)
    plan = Plan(wide.name, TODAY, TODAY, date(2027, 8, 25), 0.05, 1, Status.PROVED, 1, (trip,))
    return KitCase(wide, Outlook(TODAY, plan.to, 0.05, {}, {}), travel, plan, trip)


def require_sketch_beside_last_site(case: KitCase, text: str) -> None:
    """
    Require, in a checklist's text by pages, that each stop's foot follows its last site on the same page.

    The foot holds the sketch of the stop and the room for notes, which is what the text shows of it.
    """
    pages = [" ".join(page.split()) for page in text.split("\f")]
    feet = [(k, at) for k, page in enumerate(pages) for at in _places(page, "Notes: weather, ground, gates")]
    assert len(feet) == len(case.trip.stops)
    for stop, (page, at) in zip(case.trip.stops, feet, strict=True):
        last = case.fleet.sites_by_id[stop.loops[-1].visits[-1].site_id].site_id
        assert last in pages[page][:at], f"the sketch of the stop with {last} stands alone on page {page + 1}"
    assert len(pages) > 3  # there was a page break that could have come between


def _places(text: str, words: str) -> list[int]:
    found, at = [], text.find(words)
    while at >= 0:
        found.append(at)
        at = text.find(words, at + 1)
    return found


def hostile_case() -> KitCase:
    """Return the same trip with hostile text in every free field."""
    fleet = hand_fleet()
    texts = HOSTILE
    renamed = {site.site_id: f"{site.site_id}{texts[k % len(texts)]}" for k, site in enumerate(fleet.sites)}
    types = {name: f"{name}{texts[k]}" for k, name in enumerate(fleet.pack_types)}
    sites = tuple(
        replace(
            site,
            name=texts[k % len(texts)],
            find=texts[(k + 1) % len(texts)],
            notes=texts[(k + 3) % len(texts)],
            plug=texts[3],
            device_id=texts[(k + 4) % len(texts)],
            profile=texts[(k + 5) % len(texts)],
        )
        for k, site in enumerate(fleet.sites)
    )
    crew = replace(fleet.crews[0], people=texts)
    rule = fleet.access["gate"][0]
    fleet = replace(
        fleet,
        name=" ".join(texts),
        sites=sites,
        crews=(crew,),
        packs=tuple(
            replace(p, pack_id=p.pack_id + texts[k % len(texts)]) for k, p in enumerate(fleet.packs or ())
        ),
        jobs=tuple(
            replace(j, job=texts[k], bring=texts[k + 3], minutes=j.minutes) for k, j in enumerate(fleet.jobs)
        ),
        access={"gate": tuple(replace(rule, contact=text) for text in texts)},
    )
    case = hand_case(fleet)
    return _rename(case, renamed, types, texts[1])


def _rename(case: KitCase, sites: dict[str, str], types: dict[str, str], crew: str) -> KitCase:
    """Give sites, pack types and the crew hostile names throughout."""
    fleet = case.fleet
    kinds = {types[n]: replace(k, name=types[n], plug=HOSTILE[3]) for n, k in fleet.pack_types.items()}
    fleet = replace(
        fleet,
        crews=(replace(fleet.crews[0], name=crew),),
        pack_types=kinds,
        sites=tuple(replace(s, site_id=sites[s.site_id], pack_type=types[s.pack_type]) for s in fleet.sites),
        packs=tuple(
            replace(p, pack_type=types[p.pack_type], where=sites.get(p.where, p.where))
            for p in fleet.packs or ()
        ),
        jobs=tuple(replace(j, site_id=sites[j.site_id]) for j in fleet.jobs),
        chargers=tuple(replace(c, types=tuple(types[t] for t in c.types)) for c in fleet.chargers),
    )
    trip = replace(
        case.trip,
        crew=crew,
        packs={types[name]: count for name, count in case.trip.packs.items()},
        stops=tuple(
            replace(
                stop,
                loops=tuple(
                    replace(
                        loop,
                        visits=tuple(
                            replace(v, site_id=sites[v.site_id], pack_type=types[v.pack_type])
                            for v in loop.visits
                        ),
                    )
                    for loop in stop.loops
                ),
            )
            for stop in case.trip.stops
        ),
    )
    plan = replace(
        case.plan,
        trips=(trip,),
        charging=tuple(replace(slot, pack_type=types[slot.pack_type]) for slot in case.plan.charging),
    )
    return KitCase(fleet, case.outlook, measure_travel(fleet), plan, trip)


def _up(minutes: float) -> int:
    return math.ceil(round(minutes * 60, 6))
