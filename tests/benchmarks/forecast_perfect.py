"""
A yardstick: a forecaster that knows the law of the simulated world and its hidden numbers.

It is told what no keeper knows (what each type really draws, how strongly the cold bites in this fleet, the weather that was) and
sees the same records: dates, packs found dark, voltages. Only each site's level, its drift, each pack's health and the
weather to come are hidden from it. They are followed as particles: moved by the law, weighed by each record, drawn
anew at each swap. What it cannot cover in a group of cases, no honest forecast covers.
"""

from __future__ import annotations

import numpy as np

PARTICLES = 1500
_STEP = 7  # the drift moves once a week
_VOLTS_SD = 0.09
_FOUND_WITHIN = 15  # a dark site is found within so many days


class _Cloud:
    """Particles of all sites side by side: arrays of shape (n_sites, PARTICLES)."""

    def __init__(self, world, module, rng: np.random.Generator, drift_per_year: float) -> None:
        self.world, self.module, self.rng = world, module, rng
        self.shape = (len(world.runs), PARTICLES)
        # what varies from day to day has a mean above its middle
        typical = np.array(world.typical)[:, None] * np.exp(0.25**2 / 2.0)
        self.level = np.log(typical) + rng.normal(0.0, 0.3, self.shape)
        self.drift = drift_per_year * np.sqrt(_STEP / 365.25)
        self.left, self.holds = np.ones(self.shape), np.ones(self.shape)
        self.flat = np.full(self.shape, np.inf)

    def put_in(self, sites: list[int]) -> None:
        rng, size = self.rng, (len(sites), PARTICLES)
        holds = self.module.RATED_MAH * rng.uniform(0.70, 1.05, size)
        # an early failure at a share of the life is taken as a pack that holds that share
        early = rng.random(size) < 0.02
        self.holds[sites] = np.where(early, rng.uniform(0.05, 0.6, size), 1.0) * holds
        self.left[sites], self.flat[sites] = 1.0, np.inf

    def move(self) -> None:
        self.level += self.rng.normal(0.0, self.drift, self.shape)

    def spend(self, day: int, temps: np.ndarray) -> None:
        module = self.module
        self.left *= 1.0 - module.lost_in_a_day(temps)
        spent = np.exp(self.level) / self.holds
        self.left -= spent
        bar = module.unusable_share(temps, self.world.cold)
        crossed = (self.left <= bar) & np.isinf(self.flat)
        if crossed.any():
            share = np.clip((self.left + spent - bar) / spent, 0.0, 1.0)
            self.flat = np.where(crossed, day + share, self.flat)

    def weigh(self, site: int, weights: np.ndarray) -> None:
        """Draw a site's particles anew by their weights; where none is left, they stay as they are."""
        total = weights.sum()
        if total <= 0.0:
            return
        at = (np.arange(PARTICLES) + self.rng.random()) / PARTICLES
        chosen = np.minimum(np.searchsorted(np.cumsum(weights / total), at), PARTICLES - 1)
        for array in (self.level, self.left, self.holds, self.flat):
            array[site] = array[site, chosen]


def perfect_quantiles(
    world, module, on_day: int, levels: np.ndarray, drift_per_year: float = 0.15
) -> dict[int, np.ndarray]:
    """Return quantiles of the age at which the pack in place is flat, by site."""
    rng = np.random.default_rng(on_day)
    cloud = _Cloud(world, module, rng, drift_per_year)
    starts = [[run.start for run in runs] for runs in world.runs]
    ended: dict[int, list[tuple[int, object]]] = {}
    for site, runs in enumerate(world.runs):
        for run in runs:
            ended.setdefault(run.end, []).append((site, run))
    for day in range(on_day + 1):
        for site, run in ended.get(day, ()):
            cloud.weigh(site, _weights(cloud, site, run, day))
        cloud.put_in([site for site, days in enumerate(starts) if day in days])
        if day == on_day:
            break
        if day % _STEP == 0:
            cloud.move()
        cloud.spend(day, world.temps[:, day, None])
    now = [max((day for day in days if day <= on_day), default=None) for days in starts]
    for site in range(len(now)):
        cloud.weigh(site, (cloud.flat[site] >= on_day).astype(float))
    # the weather to come: an autoregression from today's
    offset = (world.temps[:, on_day] - world.temps[:, on_day].mean())[:, None]
    regional = world.temps[:, on_day].mean()
    mean, spread = module.usual_weather(world.climate, world.day(on_day))
    offset = offset + regional - (mean + spread * world.strays[on_day])
    stray = np.full(cloud.shape, world.strays[on_day - 1])
    for day in range(on_day, module.DAYS):
        if day % _STEP == 0:
            cloud.move()
        stray = 0.8 * stray + 0.6 * rng.standard_normal(cloud.shape)
        mean, spread = module.usual_weather(world.climate, world.day(day))
        cloud.spend(day, mean + spread * stray + offset)
        if np.isfinite(cloud.flat).mean() > 0.995:
            break
    last = np.where(np.isfinite(cloud.flat), cloud.flat, module.DAYS)
    return {
        site: np.quantile(last[site], levels) - start for site, start in enumerate(now) if start is not None
    }


def _weights(cloud: _Cloud, site: int, run, day: int) -> np.ndarray:
    flat = np.floor(cloud.flat[site])
    if run.found_dark:
        lately = (flat >= day - _FOUND_WITHIN) & (flat <= day - 1)
        # nobody had planned to come earlier
        planned = np.clip(1.2 - (flat - run.start) / cloud.world.swap_scale, 0.0, 0.8)
        return np.where(lately, planned + 1e-9, 0.0)
    weights = np.isinf(cloud.flat[site]).astype(float)
    if run.volts is not None:
        apart = (run.volts - 11.75 - 1.05 * np.clip(cloud.left[site], 0.0, 1.0)) / _VOLTS_SD
        weights = weights * np.exp(-0.5 * apart**2)
    return weights
