"""
Coverage of the forecast on simulated fleets whose truth comes from another model than its own.

Run ``python tests/benchmarks/forecast_coverage.py [FLEETS] [FIRST_SEED] [WHAT_IS_WRONG]``; it prints the table kept in
DEVELOPERS.md. One case is one site on one day: what would be said of the pack in place, known to run today, against the day
on which it would have gone flat had nobody come. The row "knows the law" is a forecaster that knows the simulator's law
and hidden numbers (`forecast_perfect`): what it misses in a group of cases, nobody can cover. WHAT_IS_WRONG, one of `WRONG`,
spoils what the keeper states or writes down; ``all`` prints one line for each.
"""

from __future__ import annotations

import importlib.util
import math
import sys
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
from scipy.special import ndtr, ndtri

from tripplan.fleet import Cause, Climate, Done, Fleet, Found, PackType, Site, VisitRecord
from tripplan.forecast import forecast_fleet
from tripplan.forecast.in_place import flat_quantiles

_HERE = Path(__file__).parent
LEVELS = np.array([0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95])
PERFECT = "knows the law"


@dataclass(frozen=True)
class Wrong:
    """What is wrong with a world or with what its keeper states and writes down."""

    drift_per_year: float = 0.15
    swapped_share: float = 0.75
    volts_off: float = 0.0
    stated_draw: float = 1.0
    stated_capacity: float = 1.0
    has_climate: bool = True
    has_profiles: bool = True
    states_draw: bool = True


WRONG = {
    "nothing": Wrong(),
    "voltmeter reads 0.1 V high": Wrong(volts_off=0.1),
    "voltmeter reads 0.1 V low": Wrong(volts_off=-0.1),
    "stated draw three times too high": Wrong(stated_draw=3.0),
    "stated draw a third": Wrong(stated_draw=1.0 / 3.0),
    "stated capacity 5 Ah of 7": Wrong(stated_capacity=5.0 / 7.0),
    "stated capacity 10 Ah of 7": Wrong(stated_capacity=10.0 / 7.0),
    "draw drifts 40 % a year": Wrong(drift_per_year=0.40),
    "97 % of runs end by a swap": Wrong(swapped_share=0.97),
    "no climate given": Wrong(has_climate=False),
    "device settings mixed up": Wrong(has_profiles=False),
    "only a usual life given": Wrong(states_draw=False),
}


def load_module(name: str):
    spec = importlib.util.spec_from_file_location(name, _HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def load_world_module():
    return load_module("forecast_world")


def fleet_until(
    world, module, on_day: int, wrong: Wrong = WRONG["nothing"]
) -> tuple[Fleet, dict[str, object]]:
    """Return what a keeper would have written down by a day, and the run in place at each site."""
    sites, visits, now = [], [], {}
    for k, runs in enumerate(world.runs):
        site_id = f"S{k:02d}"
        past = [run for run in runs if run.end is not None and run.end <= on_day]
        here = [run for run in runs if run.start <= on_day and (run.end is None or run.end > on_day)]
        if not here:
            continue
        now[site_id] = here[0]
        sites.append(
            Site(
                site_id, 50.0, 10.0, "SLA", 12.0, "p", 50.0, 10.0,
                draw_mah_per_day=(
                    (world.stated_draws[k] if wrong.has_profiles else 30.0) * wrong.stated_draw
                    if wrong.states_draw
                    else None
                ),
                profile=world.profiles[k] if wrong.has_profiles else "",
                swapped_on=world.day(runs[0].start), row=k + 2,
            )
        )  # fmt: skip
        visits.extend(
            VisitRecord(
                world.day(run.end),
                site_id,
                found=Found.DARK if run.found_dark else None,
                cause=Cause.FLAT if run.found_dark else None,
                done=Done.SWAPPED,
                volts_out=None if run.volts is None else round(run.volts + wrong.volts_off, 2),
                row=len(visits) + 2,
            )
            for run in past
        )
    climate = Climate(module.CLIMATES[world.climate], module.SPREADS) if wrong.has_climate else None
    capacity = module.RATED_MAH / 1000.0 * wrong.stated_capacity
    types = {"SLA": PackType("SLA", 12.0, "p", capacity_ah=capacity, usual_months=5.0)}
    return Fleet("sim", "UTC", (), tuple(sites), types, climate=climate, visits=tuple(visits)), now


# ---- the rules it is compared with ---------------------------------------------------------------


def normal_quantiles(mean: float, sd: float, age: float) -> np.ndarray:
    """Quantiles of a log-normal life, given that it has lasted to `age`."""
    low = ndtr((math.log(age) - mean) / sd) if age > 0 else 0.0
    level = np.minimum(low + (1.0 - low) * LEVELS, 1.0 - 1e-12)
    return np.exp(mean + sd * ndtri(level))


def fit_log_normal(days: np.ndarray, flat: np.ndarray) -> tuple[float, float]:
    """Log-normal fit by maximum likelihood with right-censored lives, on a grid."""
    logs = np.log(np.maximum(days, 1.0))
    means = np.linspace(logs.min() - 0.5, logs.max() + 1.5, 121)[:, None, None]
    sds = np.linspace(0.08, 1.0, 24)[None, :, None]
    z = (logs - means) / sds
    like = np.where(flat, -0.5 * z**2 - np.log(sds), np.log(ndtr(-z) + 1e-300)).sum(axis=2)
    at = np.unravel_index(np.argmax(like), like.shape)
    return float(means[at[0], 0, 0]), float(sds[0, at[1], 0])


def other_rules(world, on_day: int, now: dict[str, object]) -> dict[str, dict[str, np.ndarray]]:
    by_type: dict[str, list[tuple[float, bool]]] = {}
    by_site: dict[str, list[tuple[float, bool]]] = {}
    for k, runs in enumerate(world.runs):
        for run in runs:
            if run.end <= on_day:
                # a flat pack was found some days after it died
                entry = (float(run.end - run.start), run.found_dark)
                by_type.setdefault(world.profiles[k], []).append(entry)
                by_site.setdefault(f"S{k:02d}", []).append(entry)
    result: dict[str, dict[str, np.ndarray]] = {
        "fixed months": {},
        "each site alone": {},
        "swaps as empty": {},
    }
    everyone = [entry for entries in by_type.values() for entry in entries]
    all_flats = [days for days, flat in everyone if flat] or [days for days, _ in everyone]
    for site_id, run in now.items():
        k, age = int(site_id[1:]), float(on_day - run.start)
        # one life for each type, as remembered from packs found flat, give or take a quarter
        flats = [days for days, flat in by_type.get(world.profiles[k], []) if flat] or all_flats
        result["fixed months"][site_id] = normal_quantiles(math.log(float(np.mean(flats))), 0.25, age)
        entries = by_site.get(site_id, [])
        if len(entries) >= 2:
            days, flat = np.array([d for d, _ in entries]), np.array([f for _, f in entries])
            result["each site alone"][site_id] = normal_quantiles(*fit_log_normal(days, flat), age)
        entries = by_type.get(world.profiles[k], [])
        if len(entries) >= 2:
            logs = np.log([max(d, 1.0) for d, _ in entries])
            result["swaps as empty"][site_id] = normal_quantiles(
                float(logs.mean()), float(logs.std(ddof=1)), age
            )
    return result


# ---- the table -----------------------------------------------------------------------------------


def score(quantiles: np.ndarray, truth: np.ndarray) -> str:
    low = [truth >= quantiles[:, k] for k in range(len(LEVELS))]
    inside = [np.mean(low[a] & (truth < quantiles[:, b])) for a, b in ((2, 4), (1, 5), (0, 6))]
    width = float(np.median(quantiles[:, 5] - quantiles[:, 1]))
    return (
        f"{100 * inside[0]:5.1f} {100 * inside[1]:6.1f} {100 * inside[2]:6.1f} {100 * np.mean(low[1]):9.1f} "
        f"{100 * np.mean(low[3]):9.1f} {width:8.0f} {len(truth):6d}"
    )


def fresh_packs(world, fleet, on_day: int, rng) -> list[tuple[float, float, float, float, float]]:
    """Return early, likely, late and swap-by age of a pack put in today, and how long it would last."""
    on = world.day(on_day)
    found = []
    for site_id, renewal in forecast_fleet(fleet, on, 1).renewals.items():
        life = world.fresh_life(rng, int(site_id[1:]), on_day)
        ages = (renewal.flat_early, renewal.flat_likely, renewal.flat_late, renewal.swap_by)
        found.append((*(float(days[0]) - on.toordinal() for days in ages), life))
    return found


def collect(
    n_fleets: int,
    first_seed: int = 1,
    wrong: Wrong = WRONG["nothing"],
    *,
    beside: bool = True,
    yardstick: bool = True,
):
    """Return one row a case and rule, and the packs put in on the day; `beside`: the other rules and yardstick."""
    module = load_world_module()
    perfect = load_module("forecast_perfect")
    rows: list[tuple] = []
    fresh: list[tuple[float, float, float, float, float]] = []
    for seed in range(first_seed, first_seed + n_fleets):
        world = module.make_world(
            seed, drift_per_year=wrong.drift_per_year, swapped_share=wrong.swapped_share
        )
        rng = np.random.default_rng(10_000 + seed)
        on_day = int(rng.integers(int(1.5 * 365), int(3.5 * 365)))
        fleet, now = fleet_until(world, module, on_day, wrong)
        on = world.day(on_day)
        alive = {site_id: run for site_id, run in now.items() if run.flat >= on_day}
        said = flat_quantiles(fleet, on, tuple(LEVELS))
        tables = {
            "tripplan": {site_id: said[site_id] + (on_day - run.start) for site_id, run in alive.items()}
        }
        if beside:
            tables |= other_rules(world, on_day, now)
            if yardstick:
                known = perfect.perfect_quantiles(world, module, on_day, LEVELS)
                tables[PERFECT] = {f"S{site:02d}": quantiles for site, quantiles in known.items()}
            fresh.extend(fresh_packs(world, fleet, on_day, rng))
        for name, table in tables.items():
            rows.extend(
                (
                    name, table[site_id], run.flat - run.start, run.found_dark,
                    world.day(run.start).month, on_day - run.start, world.climate, on.month,
                )
                for site_id, run in alive.items()
                if site_id in table
            )  # fmt: skip
    return rows, fresh


def print_table(rows, fresh) -> None:
    print(
        f"{'':44s} {'50 %':>5s} {'80 %':>6s} {'90 %':>6s} {'q10 lived':>9s} {'q50 lived':>9s} "
        f"{'width':>8s} {'cases':>6s}"
    )

    def line(name, chosen):
        if chosen:
            print(f"{name:44s}", score_of(chosen))

    for name in ("tripplan", PERFECT, "fixed months", "each site alone", "swaps as empty"):
        line(name, [row for row in rows if row[0] == name])
    both = {name: [row for row in rows if row[0] == name] for name in ("tripplan", PERFECT)}

    def pair(name, choose):
        print()
        line(name, [row for row in both["tripplan"] if choose(row)])
        line(f"  {PERFECT}", [row for row in both[PERFECT] if choose(row)])

    pair("runs that went on to the end (uncensored)", lambda row: row[3])
    pair("runs that a swap ended (censored)", lambda row: not row[3])
    for climate in sorted({row[6] for row in rows}):
        pair(climate, lambda row, climate=climate: row[6] == climate)
    for low, high in ((0, 30), (30, 90), (90, 180), (180, 9999)):
        pair(f"pack in place {low} to {high} days", lambda row, low=low, high=high: low <= row[5] < high)
    early, likely, late, swap_by, life = np.array(fresh).T
    inside = np.mean((life >= early) & (life < late + 1))
    print(
        f"\nA pack put in on the day: {100 * inside:.1f} % inside the 90 % interval, "
        f"{100 * np.mean(life >= likely):.1f} % outlived the likely date, "
        f"{100 * np.mean(life >= swap_by + 1):.1f} % ran beyond the swap-by date of 5 % ({len(life)} cases)"
    )
    for place, what in ((7, "forecast made in"), (4, "pack put in in")):
        months = sorted({row[place] for row in rows}, key=lambda m: _inside_90(both["tripplan"], place, m))
        for month in months:
            pair(
                f"{what} {date(2020, month, 1):%B}",
                lambda row, place=place, month=month: row[place] == month,
            )


def _inside_90(rows, place: int, month: int) -> float:
    chosen = [row for row in rows if row[place] == month]
    return float(np.mean([row[1][0] <= row[2] < row[1][6] for row in chosen]))


def score_of(chosen) -> str:
    return score(np.stack([row[1] for row in chosen]), np.array([row[2] for row in chosen]))


def main(arguments: list[str]) -> None:
    began = time.process_time()
    n_fleets = int(arguments[0]) if arguments else 90
    first_seed = int(arguments[1]) if len(arguments) > 1 else 1
    what = arguments[2] if len(arguments) > 2 else "nothing"
    if what == "all":
        for name, wrong in WRONG.items():
            rows, _ = collect(n_fleets, first_seed, wrong, beside=False)
            print(f"{name:44s}", score_of(rows), flush=True)
    else:
        print_table(*collect(n_fleets, first_seed, WRONG[what]))
    print(f"{time.process_time() - began:.0f} s of processor")


if __name__ == "__main__":
    main(sys.argv[1:])
