"""
Fleets and trips of another make: what a trip really asks of its spares.

Imports nothing from tripplan and shares no formula with it. A pack is bad when the resistance that
it has grown lies beyond what its device stands; resistances are lognormal about a mean of the fleet's own that
nobody knows. Cords are gnawed at by animals that come in bursts (a gamma-mixed Poisson process, so
faults cluster in bad seasons). Sites go dark when a Weibull life runs out; whoever forecasts knows the
life's mean and spread, not its shape, and knows the mean only roughly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

__all__ = ["TripAsked", "World", "make_world"]

_MOST_RESISTANCE = 1.0


@dataclass(frozen=True)
class TripAsked:
    """One trip as it is planned: swaps by type, and by type the sites on the way with their forecast chance."""

    planned: dict[str, int]
    calls: dict[str, int]
    way: dict[str, list[float]]
    lives: dict[str, list[tuple[float, float, float]]]  # true scale, shape, age of each of them


@dataclass(frozen=True)
class World:
    """One fleet's hidden truth, and what its records show."""

    log_resistance: float
    gnawing: float
    record_put_in: int
    record_bad: int
    record_visits: int
    record_faults: int
    trip: TripAsked

    def play(self, rng: np.random.Generator, spares: dict[str, int]) -> bool:
        """Go on the trip once; tell whether it runs short of some type."""
        for name, planned in self.trip.planned.items():
            carried = planned + spares.get(name, 0)
            good = int((_resistances(rng, self.log_resistance, carried) < _MOST_RESISTANCE).sum())
            wanted = planned
            wanted += sum(_gnawed(rng, self.gnawing) for _ in range(planned + self.trip.calls[name]))
            for scale, shape, age in self.trip.lives[name]:
                wanted += scale * rng.weibull(shape) < age
            if wanted > good:
                return True
        return False


def _resistances(rng: np.random.Generator, log_mean: float, number: int) -> np.ndarray:
    return rng.lognormal(log_mean, 0.45, size=number)


def _gnawed(rng: np.random.Generator, rate: float) -> bool:
    """Whether animals came since the last visit: a burst rate drawn for each site."""
    return bool(rng.poisson(rate * rng.gamma(2.0, 0.5)) > 0)


def make_world(rng: np.random.Generator) -> World:
    """Draw a fleet, its records and one of its trips."""
    # about 2 % of packs are bad on average, from hardly any to one in ten
    log_resistance = rng.normal(-1.05, 0.22)
    gnawing = float(rng.gamma(1.2, 0.012))
    put_in = int(rng.integers(0, 150))
    bad = int((_resistances(rng, log_resistance, put_in) >= _MOST_RESISTANCE).sum())
    visits = int(rng.integers(0, 200))
    faults = sum(_gnawed(rng, gnawing) for _ in range(visits))
    types = ["A", "B", "C"][: int(rng.integers(1, 4))]
    planned = {name: int(rng.integers(0, 9)) for name in types}
    calls = {name: int(rng.integers(0, 2)) for name in types}
    way: dict[str, list[float]] = {}
    lives: dict[str, list[tuple[float, float, float]]] = {}
    for name in types:
        way[name], lives[name] = [], []
        for _ in range(int(rng.integers(0, 5))):
            shape = float(rng.uniform(2.5, 6.0))
            scale = float(rng.uniform(90.0, 240.0))
            age = scale * float(rng.uniform(0.1, 0.85))
            lives[name].append((scale, shape, age))
            way[name].append(_forecast(rng, scale, shape, age))
    return World(log_resistance, gnawing, put_in, bad, visits, faults, TripAsked(planned, calls, way, lives))


def _forecast(rng: np.random.Generator, scale: float, shape: float, age: float) -> float:
    """Forecast the chance of being dark: a normal life of about the right mean, its error counted in."""
    mean = scale * math.gamma(1.0 + 1.0 / shape)
    sd = scale * math.sqrt(math.gamma(1.0 + 2.0 / shape) - math.gamma(1.0 + 1.0 / shape) ** 2)
    guessed = mean * float(rng.lognormal(0.0, 0.10))
    spread = math.hypot(sd, 0.10 * mean)
    return 0.5 * (1.0 + math.erf((age - guessed) / spread / math.sqrt(2.0)))
