"""
A simulated world for testing the forecast: it imports nothing from the package that it tests.

Its law: the day's temperature is a first-order autoregression about the monthly mean (r 0.8, spread 6 deg C in
winter, 3 in summer, each site a little warmer or colder); each site's draw is log-normal about its type's
(spread 0.3) and drifts as a log-normal random walk (15 % a year), with noise from day to day; what a pack holds is
uniform from 70 to 105 % of its rating; 2 % of packs fail early; three runs of four end by a swap before the
pack is flat, on dates that know nothing of the pack; half of the voltages are missing. Cold takes away a share of
the charge by a curve of its own, whose strength differs from fleet to fleet; self-discharge follows Arrhenius.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

CLIMATES = {
    "cold continental": (-17.8, -13.6, -6.1, 4.0, 12.0, 17.0, 19.5, 18.5, 12.3, 5.3, -5.3, -14.4),
    "cold upland": (-6.8, -5.3, -0.1, 6.8, 13.7, 18.4, 21.3, 20.3, 15.9, 9.2, 2.9, -2.9),
    "mild": (2.5, 3.0, 5.5, 8.5, 12.0, 15.0, 17.0, 16.8, 14.2, 10.2, 6.0, 3.3),
}
SPREADS = (6.0, 6.0, 5.25, 4.5, 3.75, 3.0, 3.0, 3.0, 3.75, 4.5, 5.25, 6.0)
DAYS = 2400
RATED_MAH = 7000.0
NOMINAL_DRAWS = {"quiet": 20.0, "usual": 30.0, "busy": 45.0}


@dataclass
class RunTruth:
    site: int
    start: int
    flat: float  # day on which it is flat, whether anyone waited for that or not
    end: int | None  # day of the swap
    volts: float | None
    found_dark: bool
    is_early_failure: bool


@dataclass
class World:
    climate: str
    origin: date
    temps: np.ndarray  # (n_sites, DAYS)
    profiles: list[str]
    stated_draws: list[float]
    runs: list[list[RunTruth]] = field(default_factory=list)
    swap_scale: float = 1.0
    draws: np.ndarray | None = None  # (n_sites, DAYS)
    cold: float = 1.0
    typical: list[float] = field(default_factory=list)  # what the type of each site really draws
    strays: np.ndarray | None = None  # (DAYS,): the weather's departure from the monthly mean, in spreads

    def fresh_life(self, rng: np.random.Generator, site: int, start: int) -> float:
        """Return how long a charged pack put in on a day would last."""
        holds = RATED_MAH * rng.uniform(0.70, 1.05)
        days, _ = _discharge(self.temps[site, start:], self.draws[site, start:], holds, self.cold)
        return float(rng.uniform(0.05, 0.6)) * days if rng.random() < 0.02 else days

    def day(self, k: int) -> date:
        return self.origin + timedelta(days=int(k))


def make_world(
    seed: int,
    n_sites: int = 30,
    years: float = 4.0,
    climate: str | None = None,
    *,
    drift_per_year: float = 0.15,
    swapped_share: float = 0.75,
) -> World:
    rng = np.random.default_rng(seed)
    climate = climate or list(CLIMATES)[seed % len(CLIMATES)]
    origin = date(2020, 1, 1) + timedelta(days=int(rng.integers(0, 365)))
    regional, strays = _temperatures(rng, climate, origin)
    temps = regional[None, :] + rng.normal(0.0, 1.0, n_sites)[:, None]
    names = list(NOMINAL_DRAWS)
    profiles = [names[k] for k in rng.integers(0, len(names), n_sites)]
    # what the keeper states for a type is itself a little off
    wrong = {name: rng.normal(0.0, 0.1) for name in names}
    typical = {name: NOMINAL_DRAWS[name] * np.exp(wrong[name]) for name in names}
    level = rng.normal(0.0, 0.3, n_sites)
    drift = np.cumsum(rng.normal(0.0, drift_per_year / np.sqrt(365.25), (n_sites, DAYS)), axis=1)
    daily = rng.normal(0.0, 0.25, (n_sites, DAYS))
    draws = np.array([typical[name] for name in profiles])[:, None] * np.exp(level[:, None] + drift + daily)
    cold = rng.uniform(0.85, 1.2)
    world = World(climate, origin, temps, profiles, [NOMINAL_DRAWS[name] for name in profiles])
    world.draws, world.cold, world.strays = draws, float(cold), strays
    world.typical = [float(typical[name]) for name in profiles]
    last = int(years * 365.25)

    def life(site: int, start: int) -> tuple[float, bool, np.ndarray]:
        holds = RATED_MAH * rng.uniform(0.70, 1.05)
        is_early = bool(rng.random() < 0.02)
        flat, charge = _discharge(temps[site, start:], draws[site, start:], holds, cold)
        if is_early:
            flat = float(rng.uniform(0.05, 0.6)) * flat
        return flat, is_early, charge

    # how long keepers leave packs in: one scale for the fleet such that three runs of four end by a swap
    trial = [life(k % n_sites, int(rng.integers(0, last)))[0] for k in range(200)]
    guess = rng.uniform(0.4, 1.2, 200)
    usual = np.median(trial)
    scales = np.linspace(0.3, 1.6, 53)
    kept = [np.mean(scale * guess * usual < trial) for scale in scales]
    world.swap_scale = float(scales[int(np.argmin(np.abs(np.array(kept) - swapped_share)))] * usual)
    for site in range(n_sites):
        runs: list[RunTruth] = []
        start = int(rng.integers(0, 120))
        while start < last:
            days, is_early, charge = life(site, start)
            planned = int(world.swap_scale * rng.uniform(0.4, 1.2))
            if planned < days:
                end, dark = start + planned, False
            else:
                end, dark = start + int(days) + int(rng.integers(0, 15)) + 1, True
            at = min(end - start, len(charge)) - 1
            volts = None
            if rng.random() < 0.5:
                left = 0.02 if dark else float(np.clip(charge[max(at, 0)], 0.0, 1.0))
                volts = round(float(11.75 + 1.05 * left + rng.normal(0.0, 0.09)), 2)
            runs.append(RunTruth(site, start, start + days, end, volts, dark, is_early))
            start = end
        world.runs.append(runs)
    return world


def _temperatures(rng: np.random.Generator, climate: str, origin: date) -> tuple[np.ndarray, np.ndarray]:
    stray = np.empty(DAYS)
    state = rng.normal()
    temps = np.empty(DAYS)
    for k in range(DAYS):
        state = 0.8 * state + 0.6 * rng.normal()
        stray[k] = state
        mean, spread = usual_weather(climate, origin + timedelta(days=k))
        temps[k] = mean + spread * state
    return temps, stray


def usual_weather(climate: str, day: date) -> tuple[float, float]:
    """Return a day's usual mean and spread: between mid-months by a straight line."""
    means, spreads = CLIMATES[climate], SPREADS
    place = day.month - 1 + (day.day - 15.5) / 30.5
    low, share = int(np.floor(place)), place - np.floor(place)
    mean = (1 - share) * means[low % 12] + share * means[(low + 1) % 12]
    return mean, (1 - share) * spreads[low % 12] + share * spreads[(low + 1) % 12]


def lost_in_a_day(temps: np.ndarray) -> np.ndarray:
    """Return the share of charge lost by standing, after Arrhenius."""
    return 0.031 / 30.4 * np.exp(-5600.0 * (1.0 / (temps + 273.15) - 1.0 / 293.15))


def unusable_share(temps: np.ndarray, cold: float) -> np.ndarray:
    """Return the share of charge that the cold takes away for as long as it lasts."""
    chill = np.maximum(0.0, 25.0 - temps)
    return cold * (0.0060 * chill + 0.00016 * np.maximum(0.0, 5.0 - temps) ** 2)


def _discharge(temps: np.ndarray, draws: np.ndarray, holds: float, cold: float) -> tuple[float, np.ndarray]:
    """Return the age at which the pack can no longer run its device, and the charge on each day."""
    loss, unusable = lost_in_a_day(temps), unusable_share(temps, cold)
    charge = np.empty(len(temps))
    left = 1.0
    flat = float(len(temps))
    for k in range(len(temps)):
        before = left
        left = left * (1.0 - loss[k]) - draws[k] / holds
        charge[k] = left
        if left <= unusable[k]:
            spent = before - left
            flat = k + float(np.clip((before - unusable[k]) / spent, 0.0, 1.0)) if spent > 0 else float(k)
            break
    charge[k + 1 :] = max(left, 0.0)
    return flat, charge
