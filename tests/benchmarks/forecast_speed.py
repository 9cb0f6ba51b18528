"""
Speed of the forecast: 10 000 sites, 365 days, with uncertainty.

Run ``python tests/benchmarks/forecast_speed.py [SITES] [RUNS_PER_SITE]``; it prints seconds and the most memory used.
"""

from __future__ import annotations

import resource
import sys
import time
from datetime import date, timedelta

import numpy as np

from tripplan.fleet import Cause, Climate, Done, Fleet, Found, PackType, Site, VisitRecord
from tripplan.forecast import forecast_fleet

ON = date(2026, 11, 25)


def make_fleet(n_sites: int, runs_per_site: int) -> Fleet:
    rng = np.random.default_rng(1)
    sites, visits = [], []
    for k in range(n_sites):
        since = ON - timedelta(days=int(rng.integers(0, 150)))
        sites.append(
            Site(
                f"S{k:05d}", 50.0, 10.0, "SLA", 12.0, "p", 50.0, 10.0, row=k + 2,
                draw_mah_per_day=float(rng.uniform(15.0, 70.0)) if k % 3 else None, swapped_on=since,
            )
        )  # fmt: skip
        day = since
        for _ in range(runs_per_site):
            dark = bool(rng.random() < 0.25)
            visits.append(
                VisitRecord(
                    day, f"S{k:05d}", done=Done.SWAPPED, volts_out=round(float(rng.uniform(11.8, 12.6)), 2),
                    found=Found.DARK if dark else Found.RUNNING, cause=Cause.FLAT if dark else None,
                    row=len(visits) + 2,
                )
            )  # fmt: skip
            day -= timedelta(days=int(rng.integers(80, 200)))
    climate = Climate(
        (-17.8, -13.6, -6.1, 4.0, 12.0, 17.0, 19.5, 18.5, 12.3, 5.3, -5.3, -14.4),
        (6.0, 6.0, 5.0, 4.0, 4.0, 3.0, 3.0, 3.0, 3.0, 4.0, 5.0, 6.0),
    )
    types = {"SLA": PackType("SLA", 12.0, "p", usual_months=5.0)}
    return Fleet("speed", "UTC", (), tuple(sites), types, climate=climate, visits=tuple(visits))


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:]]
    fleet = make_fleet(numbers[0] if numbers else 10_000, numbers[1] if len(numbers) > 1 else 0)
    began, worked = time.perf_counter(), time.process_time()
    outlook = forecast_fleet(fleet, ON, 52)
    took, worked = time.perf_counter() - began, time.process_time() - worked
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"{len(outlook.sites)} sites, {(outlook.to - outlook.on).days} days: {took:.1f} s, "
        f"{worked:.1f} s of processor, {peak:.0f} MB at most"
    )
