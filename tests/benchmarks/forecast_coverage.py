"""
Coverage of the forecast on simulated fleets whose truth comes from another model than its own.

Run ``python tests/benchmarks/forecast_coverage.py [FLEETS] [FIRST_SEED]``; it prints the table kept in DEVELOPERS.md. One case
is one site on one day: what would be said of the pack in place, known to run today, against the day on which
it would have gone flat had nobody come.
"""

from __future__ import annotations

import importlib.util
import math
import sys
import time
from datetime import date
from pathlib import Path

import numpy as np
from scipy.special import ndtr, ndtri

from tripplan.fleet import Cause, Climate, Done, Fleet, Found, PackType, Site, VisitRecord
from tripplan.forecast import forecast_fleet
from tripplan.forecast.fleet_forecast import flat_quantiles

_HERE = Path(__file__).parent
LEVELS = np.array([0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95])


def load_world_module():
    spec = importlib.util.spec_from_file_location("forecast_world", _HERE / "forecast_world.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["forecast_world"] = module
    spec.loader.exec_module(module)
    return module


def fleet_until(world, module, on_day: int) -> tuple[Fleet, dict[str, object]]:
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
                draw_mah_per_day=world.stated_draws[k], profile=world.profiles[k],
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
                volts_out=run.volts,
                row=len(visits) + 2,
            )
            for run in past
        )
    climate = Climate(module.CLIMATES[world.climate], module.SPREADS)
    types = {"SLA": PackType("SLA", 12.0, "p", capacity_ah=module.RATED_MAH / 1000.0, usual_months=5.0)}
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


def collect(n_fleets: int, first_seed: int = 1):
    module = load_world_module()
    rows: list[tuple] = []
    fresh: list[tuple[float, float, float, float, float]] = []
    for seed in range(first_seed, first_seed + n_fleets):
        world = module.make_world(seed)
        rng = np.random.default_rng(10_000 + seed)
        on_day = int(rng.integers(int(1.5 * 365), int(3.5 * 365)))
        fleet, now = fleet_until(world, module, on_day)
        on = world.day(on_day)
        alive = {site_id: run for site_id, run in now.items() if run.flat >= on_day}
        said = flat_quantiles(fleet, on, tuple(LEVELS))
        others = other_rules(world, on_day, now)
        fresh.extend(fresh_packs(world, fleet, on_day, rng))
        for site_id, run in alive.items():
            truth = run.flat - run.start
            rows.append(
                (
                    "tripplan", said[site_id] + (on_day - run.start), truth, run.found_dark,
                    world.day(run.start).month, on_day - run.start, world.climate, on.month,
                )
            )  # fmt: skip
            for name, table in others.items():
                if site_id in table:
                    rows.append(
                        (
                            name, table[site_id], truth, run.found_dark,
                            world.day(run.start).month, on_day - run.start, world.climate, on.month,
                        )
                    )  # fmt: skip
    return rows, fresh


def print_table(rows, fresh) -> None:
    header = f"{'':34s} {'50 %':>5s} {'80 %':>6s} {'90 %':>6s} {'q10 lived':>9s} {'q50 lived':>9s} {'width':>8s} {'cases':>6s}"

    def line(name, chosen):
        if chosen:
            print(
                f"{name:34s}",
                score(np.stack([row[1] for row in chosen]), np.array([row[2] for row in chosen])),
            )

    print(header)
    for name in ("tripplan", "fixed months", "each site alone", "swaps as empty"):
        line(name, [row for row in rows if row[0] == name])
    mine = [row for row in rows if row[0] == "tripplan"]
    print()
    line("run to the end (uncensored)", [row for row in mine if row[3]])
    line("ended by a swap (censored)", [row for row in mine if not row[3]])
    for climate in sorted({row[6] for row in mine}):
        line(climate, [row for row in mine if row[6] == climate])
    for low, high in ((0, 30), (30, 90), (90, 180), (180, 9999)):
        line(f"pack in place {low} to {high} days", [row for row in mine if low <= row[5] < high])
    early, likely, late, swap_by, life = np.array(fresh).T
    inside = np.mean((life >= early) & (life < late + 1))
    print(
        f"\nA pack put in on the day: {100 * inside:.1f} % inside the 90 % interval, "
        f"{100 * np.mean(life >= likely):.1f} % outlived the likely date, "
        f"{100 * np.mean(life >= swap_by + 1):.1f} % ran beyond the swap-by date of 5 % ({len(life)} cases)"
    )
    print()
    for month in range(1, 13):
        line(f"forecast made in {date(2020, month, 1):%B}", [row for row in mine if row[7] == month])
    for month in range(1, 13):
        line(f"pack put in in {date(2020, month, 1):%B}", [row for row in mine if row[4] == month])


if __name__ == "__main__":
    began = time.perf_counter()
    arguments = [int(text) for text in sys.argv[1:]]
    print_table(*collect(arguments[0] if arguments else 90, arguments[1] if len(arguments) > 1 else 1))
    print(f"{time.perf_counter() - began:.0f} s")
