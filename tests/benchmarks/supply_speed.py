"""
How long the counting of packs takes: ``python tests/benchmarks/supply_speed.py [VISITS PACKS SITES]``.

The fleet is drawn, the plan a bare list of trips: planning itself is measured elsewhere. Asserts nothing.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np

from tripplan.fleet import (
    Charger,
    Climate,
    Crew,
    Done,
    Fleet,
    Found,
    Pack,
    PackState,
    PackType,
    Site,
    VisitRecord,
)
from tripplan.forecast import forecast_fleet
from tripplan.outputs.labels import labelled_packs, render_labels
from tripplan.plan.document import Loop, Plan, Status, Stop, Trip, Visit
from tripplan.supply.arrange import arrange, packs_ahead
from tripplan.supply.ordering import orders_for_year
from tripplan.supply.owning import stock_by_type
from tripplan.supply.register import build_register
from tripplan.travel import measure_travel

ON = date(2026, 11, 25)
PLUG = "5.5x2.1 centre +"


def drawn_fleet(visits: int, packs: int, sites: int) -> Fleet:
    """Draw a fleet whose packs went round its sites for years."""
    rng = np.random.default_rng(1)
    places = tuple(
        Site(
            f"S{k}",
            57.0 + 0.004 * (k // 20),
            -4.0 + 0.008 * (k % 20),
            "SLA12",
            12.0,
            PLUG,
            57.0 + 0.004 * (k // 20),
            -4.0 + 0.008 * (k % 20),
            draw_mah_per_day=float(rng.uniform(20, 40)),
            swapped_on=ON - timedelta(days=30),
            row=k + 2,
        )
        for k in range(sites)
    )
    rounds = max(1, visits // sites)
    standing = {k: k for k in range(sites)}
    free = list(range(sites, packs))
    records = []
    for lap in range(rounds):
        day = ON - timedelta(days=30 + 110 * (rounds - 1 - lap))
        for k in range(sites):
            new = free.pop(int(rng.integers(len(free)))) if free else standing[k]
            old = standing[k]
            records.append(
                VisitRecord(
                    day,
                    f"S{k}",
                    Found.RUNNING,
                    None,
                    Done.SWAPPED,
                    f"P{old}",
                    round(float(rng.uniform(11.8, 12.4)), 2),
                    f"P{new}",
                    row=len(records) + 2,
                )
            )
            free.append(old)
            standing[k] = new
    where = {pack: f"S{k}" for k, pack in standing.items()}
    owned = tuple(
        Pack(
            f"P{k}",
            "SLA12",
            date(2022, 1, 1),
            where=where.get(k, "shelf"),
            since=ON - timedelta(days=30),
            state=PackState.IN_USE if k in where else (PackState.CHARGED, PackState.FLAT)[k % 2],
            row=k + 2,
        )
        for k in range(packs)
    )
    return Fleet(
        "drawn",
        "UTC",
        (Crew("crew", 57.0, -4.0, packs_aboard=40),),
        places,
        {"SLA12": PackType("SLA12", 12.0, PLUG, usual_months=5.0)},
        climate=Climate((0.0,) * 6 + (10.0,) * 6, (3.0,) * 12),
        chargers=tuple(Charger(("SLA12",), 12.0, 2) for _ in range(12)),
        packs=owned,
        visits=tuple(records),
    )


def bare_plan(fleet: Fleet) -> Plan:
    """List trips of twelve sites each, one every few days."""
    ids = [site.site_id for site in fleet.sites]
    trips = []
    for number, start in enumerate(range(0, len(ids), 12)):
        day = ON + timedelta(days=3 + (175 * 12 * number) // max(1, len(ids)))
        at = datetime(day.year, day.month, day.day, 10, tzinfo=fleet.zone)
        some = ids[start : start + 12]
        visits = tuple(Visit(s, at, at, at, day, day, day, day, day, "SLA12") for s in some)
        stop = Stop(57.0, -4.0, at, at, (Loop(at, at, 0.0, 0.0, visits),))
        packs = {"SLA12": len(some)}
        trips.append(Trip(f"{day}-A", day, "crew", at, at, 0.0, 0.0, 0.0, 0.0, 0.0, packs, (stop,)))
    days = {trip.date for trip in trips}
    if len(days) < len(trips):
        raise SystemExit("too many sites for one crew's bare plan; take fewer")
    to = ON + timedelta(weeks=26)
    return Plan("drawn", ON, ON, to, 0.05, 1, Status.BEST_FOUND, 0, tuple(trips))


@contextmanager
def measured(what: str) -> Iterator[None]:
    """Print how long something took by the clock, and of the processor."""
    begun, worked = time.perf_counter(), time.process_time()
    yield
    print(f"{what:42s} {time.perf_counter() - begun:7.2f} s, processor {time.process_time() - worked:6.2f} s")


def main() -> None:
    """Measure every step once."""
    visits, packs, sites = (int(word) for word in (sys.argv[1:] or ("10000", "1000", "400")))
    fleet = drawn_fleet(visits, packs, sites)
    print(f"{len(fleet.visits)} visits, {len(fleet.packs or ())} packs, {sites} sites")
    with measured("forecast, with what the runs say of packs"):
        outlook = forecast_fleet(fleet, ON)
    with measured("the same, of packs alone (again)"):
        forecast_fleet(replace(fleet, packs=fleet.packs[:1] if fleet.packs else None), ON)
    with measured("register"):
        register = build_register(fleet, outlook)
    with measured("labels"):
        render_labels(fleet, labelled_packs(fleet))
    with measured("ways"):
        travel = measure_travel(fleet)
    plan = bare_plan(fleet)
    with measured("packs to sites, spares, charging"):
        arranged = arrange(fleet, outlook, travel, plan)
    with measured("packs of every trip of the season"):
        packs_ahead(fleet, outlook, travel, arranged, plan.to)
    with measured("packs to own"):
        stock = stock_by_type(fleet, arranged.plan, register, {"SLA12": 2})
    with measured("the list for the year"):
        orders_for_year(fleet, arranged.plan, register, stock)
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
