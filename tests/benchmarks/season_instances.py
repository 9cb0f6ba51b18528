"""
Seeded season instances and what the planner makes of them.

The law: max(3, n/5) clusters 8 to 45 km from the base, two parkings each; walks 0.15 to 1.8 km; work
10 to 20 min; draw 24 to 40 mAh/day on 7 Ah 12 V packs, a fifth of the sites 6 V; 57 degrees north; one
crew, Saturdays and Sundays, 07:30 to 17:30, carries 9 kg, 14 packs aboard; n/4 spares, two chargers;
packs put in 20 to 90 days ago.

Run one size over all seeds; processor seconds are given beside those of the clock, and what a greedy
rule makes of it (go when the first site is due, take along what fits)::

    python tests/benchmarks/season_instances.py --sites 24 --weeks 26 --seeds 10 --time-limit 60

Several bases: the same law around each, one crew and two chargers a base, one shelf for all::

    python tests/benchmarks/season_instances.py --sites 400 --bases 4 --weeks 26 --seeds 1 --time-limit 600
"""

from __future__ import annotations

import argparse
import math
import random
import statistics
import time
from datetime import date, timedelta

from greedy_plan import greedy_plan

from tripplan.fleet import Charger, Climate, Crew, Fleet, Pack, PackState, PackType, PlanSettings, Site
from tripplan.forecast import forecast_fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan import check_plan, plan_season
from tripplan.plan.clock import Progress
from tripplan.plan.document import Plan
from tripplan.travel import Travel, measure_travel

TODAY = date(2026, 11, 25)
BASE = (57.0, -4.0)
_KM_OF_LAT = 111.2

APART_KM = 200.0
"""Then a crew's day just reaches the nearest sites of the next base. [km]"""


def make_fleet(seed: int, sites: int, weeks: int, bases: int = 1, apart_km: float = APART_KM) -> Fleet:
    """
    Draw one instance.

    Parameters
    ----------
    seed : int
        Seed.
    sites, weeks : int
        Size.
    bases : int, default 1
        Bases with one crew each, on a square grid; the sites are shared out evenly. All take their packs
        from the one shelf that a fleet has.
    apart_km : float, default 200
        Between neighbouring bases. [km]

    Returns
    -------
    Fleet
        Invented; nothing in it is real.
    """
    rng = random.Random(f"{seed}/{sites}" if bases == 1 else f"{seed}/{sites}/{bases}")
    types = {
        "SLA12": PackType("SLA12", 12.0, "5.5x2.1 centre +"),
        "SLA6": PackType("SLA6", 6.0, "5.5x2.5 centre +", weight_kg=2.0),
    }
    found: list[Site] = []
    packs: list[Pack] = []
    crews = []
    across = math.ceil(math.sqrt(bases))
    for b in range(bases):
        east = (b % across - (across - 1) / 2) * apart_km
        north = (b // across - (math.ceil(bases / across) - 1) / 2) * apart_km
        base = (BASE[0] + north / _KM_OF_LAT, BASE[1] + east / _km_of_lon(BASE[0]))
        name = "one" if bases == 1 else f"base {b + 1}"
        crews.append(Crew(name, *base, carry_kg=9.0, packs_aboard=14))
        _draw_sites(rng, base, sites // bases + (b < sites % bases), types, found, packs)
    packs += [
        Pack(f"X{k + 1:03d}", "SLA6" if k % 5 == 4 else "SLA12", state=PackState.CHARGED)
        for k in range(sites // 4)
    ]
    mean = (2.5, 2.8, 4.2, 6.3, 9.1, 11.8, 13.7, 13.4, 11.2, 8.2, 4.9, 2.8)
    return Fleet(
        name=f"bench {seed} {sites}x{weeks} (invented)",
        timezone="Europe/London",
        crews=tuple(crews),
        sites=tuple(found),
        pack_types=types,
        plan=PlanSettings(weeks=weeks),
        climate=Climate(mean, (3.5,) * 12),
        chargers=(Charger(("SLA12",)), Charger(("SLA6",))) * bases,
        packs=tuple(packs),
    )


def _km_of_lon(lat: float) -> float:
    return _KM_OF_LAT * math.cos(math.radians(lat))


def _draw_sites(
    rng: random.Random,
    base: tuple[float, float],
    sites: int,
    types: dict[str, PackType],
    found: list[Site],
    packs: list[Pack],
) -> None:
    """Draw the sites around one base, each with its pack."""
    km_lat, km_lon = 1 / _KM_OF_LAT, 1 / _km_of_lon(base[0])
    clusters = []
    for _ in range(max(3, sites // 5)):
        angle, far = rng.uniform(0, 2 * math.pi), rng.uniform(8, 45)
        middle = (far * math.cos(angle), far * math.sin(angle))
        clusters.append([(middle[0] + rng.gauss(0, 1.5), middle[1] + rng.gauss(0, 1.5)) for _ in range(2)])
    for k in range(sites):
        x, y = rng.choice(clusters[k % len(clusters)])
        walk_m, angle = rng.uniform(150, 1800), rng.uniform(0, 2 * math.pi)
        straight = walk_m / 1200
        kind = types["SLA6" if k % 5 == 4 else "SLA12"]
        since = TODAY - timedelta(days=rng.randint(20, 90))
        number = len(found) + 1
        found.append(
            Site(
                site_id=f"S{number:03d}",
                lat=round(base[0] + (y + straight * math.sin(angle)) * km_lat, 6),
                lon=round(base[1] + (x + straight * math.cos(angle)) * km_lon, 6),
                pack_type=kind.name,
                volts=kind.volts,
                plug=kind.plug,
                park_lat=round(base[0] + y * km_lat, 5),
                park_lon=round(base[1] + x * km_lon, 5),
                walk_m=round(walk_m),
                draw_mah_per_day=round(rng.uniform(24, 40), 1),
                work_minutes=rng.randint(10, 20),
            )
        )
        packs.append(
            Pack(f"P{number:03d}", kind.name, where=f"S{number:03d}", since=since, state=PackState.IN_USE)
        )


def _greedy_text(fleet: Fleet, outlook: Outlook, travel: Travel) -> str:
    plan = greedy_plan(fleet, outlook, travel)
    hours = sum((trip.back - trip.leave).total_seconds() for trip in plan.trips) / 3600
    late = f"late {plan.late_sites}/{plan.late_days}"
    return f"greedy {plan.trip_count} trips, {hours:.1f} h, {late}, dark {plan.expected_dark_days:.1f}"


def _proved_s(told: list[Progress], plan: Plan) -> float:
    """Return after how long the number of trips was proved: infinite where it was not. [s]."""
    if plan.trip_count != plan.lower_bound:
        return math.inf
    when = [
        one.elapsed_s for one in told if one.trip_count == one.lower_bound == plan.trip_count and one.in_time
    ]
    return when[0] if when else math.inf


def _proved_text(told: list[Progress], plan: Plan) -> str:
    seconds = _proved_s(told, plan)
    return f" proved after {seconds:.1f} s" if math.isfinite(seconds) else " open"


def main() -> None:
    """Plan every seed of one size and print a row each."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sites", type=int, default=24)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--bases", type=int, default=1)
    parser.add_argument("--apart-km", type=float, default=APART_KM)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--time-limit", type=float, default=None)
    given = parser.parse_args()
    gaps, seconds, spent, settled, proved = [], [], [], [], 0
    for seed in range(given.first, given.first + given.seeds):
        fleet = make_fleet(seed, given.sites, given.weeks, given.bases, given.apart_km)
        outlook, travel = forecast_fleet(fleet, TODAY), measure_travel(fleet)
        begun, busy = time.perf_counter(), time.process_time()
        told: list[Progress] = []
        plan = plan_season(
            fleet,
            outlook,
            travel,
            made_on=TODAY,
            seed=seed,
            time_limit_s=given.time_limit,
            progress=told.append,
        )
        took, busy = time.perf_counter() - begun, time.process_time() - busy
        refused = check_plan(fleet, outlook, travel, plan)
        hours = sum((trip.back - trip.leave).total_seconds() for trip in plan.trips) / 3600
        print(
            f"seed {seed:2d}  {plan.status!s:12s} {plan.trip_count:3d} trips, bound {plan.lower_bound:3d}, "
            f"{hours:6.1f} h (bound {plan.crew_seconds_bound / 3600:.1f}), "
            f"late {plan.late_sites}/{plan.late_days}, trips{_proved_text(told, plan)}, all after {took:.1f} s, "
            f"processor {busy:6.1f} s, refused {len(refused)}, dark {plan.expected_dark_days:.1f}; "
            f"{_greedy_text(fleet, outlook, travel)}",
            flush=True,
        )
        gaps.append(plan.trip_count - plan.lower_bound)
        seconds.append(took)
        spent.append(busy)
        settled.append(_proved_s(told, plan))
        proved += plan.trip_count == plan.lower_bound and not plan.late_sites
    print(
        f"median gap {statistics.median(gaps)}, trips proved after {statistics.median(settled):.1f} s in the "
        f"median, all done after {statistics.median(seconds):.1f} s, "
        f"processor {statistics.median(spent):.1f} s, proved {proved}/{given.seeds}"
    )


if __name__ == "__main__":
    main()
