"""
Four ways to plan the same seeded seasons, counted by one count: trips, crew hours, late and dark days.

tripplan itself; one CP-SAT circuit per date (`circuits.py`); go when the first site is due and take along what
fits (`greedy_plan.py`); a fixed four-month round (`round_plan.py`)::

    python tests/benchmarks/side_by_side.py --sites 24 --weeks 26 --seeds 10 --seconds 60 --time-limit 60

prints a line for each seed and way, then a table of medians in Markdown.
"""

from __future__ import annotations

import argparse
import statistics
import time

from circuits import circuits_schedule
from greedy_plan import greedy_plan
from round_plan import round_schedule
from schedules import Tally, of_plan, tally
from season_instances import TODAY, make_fleet

from tripplan.forecast import forecast_fleet
from tripplan.plan import check_plan, plan_season
from tripplan.travel import measure_travel

WAYS = ("tripplan", "circuits", "greedy", "round")


def _text(count: Tally) -> str:
    return (
        f"{count.trips:3d} trips, {count.hours:6.1f} h, late {count.late_sites:2d}/{count.late_days:4d}, "
        f"dark {count.dark_days:6.1f}, packs short {count.short}"
    )


def main() -> None:
    """Plan every seed in every way, print a line each and the medians."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--sites", type=int, default=24)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=60.0, help="for CP-SAT, by the clock")
    parser.add_argument("--workers", type=int, default=2, help="threads for CP-SAT")
    parser.add_argument("--time-limit", type=float, default=None, help="for tripplan; none: by its counts")
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=list(WAYS))
    given = parser.parse_args()
    counts: dict[str, list[Tally]] = {way: [] for way in given.ways}
    bounds: dict[str, list[int]] = {}
    for seed in range(given.first, given.first + given.seeds):
        fleet = make_fleet(seed, given.sites, given.weeks)
        outlook, travel = forecast_fleet(fleet, TODAY), measure_travel(fleet)
        for way in given.ways:
            begun, bound, refused = time.perf_counter(), None, ""
            if way == "tripplan":
                plan = plan_season(
                    fleet, outlook, travel, made_on=TODAY, seed=seed, time_limit_s=given.time_limit
                )
                bound, schedule = plan.lower_bound, of_plan(plan)
                refused = f", refused {len(check_plan(fleet, outlook, travel, plan))}"
            elif way == "circuits":
                answer = circuits_schedule(
                    fleet, outlook, travel, seconds=given.seconds, workers=given.workers, seed=seed
                )
                bound = answer.bound
                refused = f", {answer.booleans} choices"
                if answer.schedule is None:
                    took = time.perf_counter() - begun
                    print(
                        f"seed {seed:2d} {way:9s} no plan, bound {bound}, {took:.1f} s{refused}", flush=True
                    )
                    bounds.setdefault(way, []).append(bound)
                    continue
                schedule = answer.schedule
            elif way == "greedy":
                schedule = of_plan(greedy_plan(fleet, outlook, travel))
            else:
                schedule = round_schedule(fleet, outlook, travel)
            took = time.perf_counter() - begun
            count = tally(fleet, outlook, schedule)
            counts[way].append(count)
            if bound is not None:
                bounds.setdefault(way, []).append(bound)
            known = "" if bound is None else f", bound {bound}"
            print(f"seed {seed:2d} {way:9s} {_text(count)}{known}, {took:.1f} s{refused}", flush=True)
    print("\n| way | seeds with a plan | trips | bound | crew hours | late sites | late days | dark days |")
    print("|---|---|---|---|---|---|---|---|")
    for way, found in counts.items():
        if not found:
            print(f"| {way} | 0 of {given.seeds} | | {_median(bounds.get(way, []))} | | | | |")
            continue
        cells = [
            _median([getattr(count, name) for count in found])
            for name in ("trips", "hours", "late_sites", "late_days", "dark_days")
        ]
        row = [f"{len(found)} of {given.seeds}", cells[0], _median(bounds.get(way, [])), *cells[1:]]
        print(f"| {way} | " + " | ".join(row) + " |")


def _median(values: list[float] | list[int]) -> str:
    return f"{statistics.median(values):.1f}".removesuffix(".0") if values else ""


if __name__ == "__main__":
    main()
