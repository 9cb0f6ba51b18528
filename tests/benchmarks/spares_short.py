"""
How often trips run short with the recommended spares, in a world of another make.

``python tests/benchmarks/spares_short.py 10000 1`` prints the share for several chances asked for.
"""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime

import numpy as np
from spares_world import make_world

from tripplan.fleet import Crew, Fleet, PackType
from tripplan.plan.document import Trip
from tripplan.supply.carry import BAD_PRIOR, FAULT_PRIOR, Need, TypeNeed, plan_spares

ASKED = (0.80, 0.90, 0.95, 0.99)
_NOON = datetime(2027, 3, 6, 12, tzinfo=UTC)


def share_short(trips: int, seed: int, asked: float) -> tuple[float, float]:
    """Return the share of trips that run short, and the spares taken on average."""
    rng = np.random.default_rng(seed)
    types = {name: PackType(name, 12.0, "5.5x2.1 centre +") for name in "ABC"}
    fleet = Fleet("world", "UTC", (Crew("crew", 0.0, 0.0, packs_aboard=100),), (), types)
    short = taken = 0
    for _ in range(trips):
        world = make_world(rng)
        asked_of = world.trip
        need = Need(
            tuple(
                TypeNeed(
                    name,
                    planned,
                    planned + asked_of.calls[name],
                    tuple((f"{name}{k}", chance) for k, chance in enumerate(asked_of.way[name])),
                )
                for name, planned in asked_of.planned.items()
            ),
            BAD_PRIOR.seen(world.record_bad, world.record_put_in),
            FAULT_PRIOR.seen(world.record_faults, world.record_visits),
        )
        trip = Trip(
            "t", date(2027, 3, 6), "crew", _NOON, _NOON, 0.0, 0.0, 0.0, 0.0, 0.0, dict(asked_of.planned), ()
        )
        spares = dict(plan_spares(fleet, need, trip, None, asked).take)
        taken += sum(spares.values())
        short += world.play(rng, spares)
    return short / trips, taken / trips


if __name__ == "__main__":
    count, start = int(sys.argv[1]), int(sys.argv[2])
    print(f"{count} trips, each of its own fleet, seed {start}")
    for chance in ASKED:
        share, mean = share_short(count, start, chance)
        print(
            f"asked for {chance:.0%}: {share:.2%} run short (at most {1 - chance:.0%}), {mean:.2f} spares a trip"
        )
