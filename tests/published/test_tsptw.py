"""
One trip through given visits against the published record of time-windowed tours.

J.-Y. Potvin, S. Bengio, "The vehicle routing problem with time windows part II: genetic search",
INFORMS Journal on Computing 8(2), 165-172, 1996, made one-vehicle instances from the routes of
Solomon's RC2 instances (Operations Research 35(2), 254-265, 1987). Their figures and the least travel times known
lie in ``data/tsptw_potvin_bengio_1996.json``; that these are optimal was proved by R. Baldacci, A. Mingozzi,
R. Roberti, INFORMS Journal on Computing 24(3), 356-371, 2012 (from memory: all 30), and is proved again here.

The record's rules are not tripplan's: travel time counts, waiting is free, service must only begin
inside its window. So every customer is a foot loop of no length at a parking of its own, with the window
as earliest end and latest leave, and the service time travels with the way out, as the record's matrix has it.
"""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tripplan.plan.kernels import order_visits
from tripplan.plan.long_trip import order_long_trip
from tripplan.plan.loops import FAR

INSTANCES = json.loads(
    (Path(__file__).parent / "data" / "tsptw_potvin_bengio_1996.json").read_text("utf-8"), parse_float=Decimal
)["instances"]
SCALE = 100_000
"""The record's figures have five decimals at most, so that this scale makes whole numbers of them."""

_TOLERANCE = Decimal("0.0075")
"""The record prints optima to two decimals (0.005), and most of up to 46 legs to four (46 x 0.00005)."""

pytestmark = pytest.mark.no_cover  # compiled code

_HARD = {
    "rc_203.2",
    "rc_203.3",
    "rc_204.1",
    "rc_204.2",
    "rc_207.1",
    "rc_207.2",
    "rc_207.3",
    "rc_208.1",
    "rc_208.2",
    "rc_208.3",
}
"""More than seven seconds of processor each."""

_LONG = {"rc_202.1", "rc_205.3", "rc_206.2", "rc_206.4"}
_LONG_WAITING = {"rc_202.4", "rc_204.3", "rc_206.3"}
"""Between 2.5 and six seconds each: with the hard ones among the slow tests."""


def _whole(figure: Decimal | int) -> int:
    scaled = Decimal(figure) * SCALE
    assert scaled == scaled.to_integral_value(), f"{figure} has more than five decimals"
    return int(scaled)


def best_tour(
    instance: dict[str, Any], *, waiting_counts: bool, solve: Any = order_long_trip
) -> tuple[int, list[int]]:
    """Return the tour's length as scaled and its customers in order; tripplan puts the base last."""
    matrix = [[_whole(entry) for entry in row] for row in instance["matrix"]]
    windows = [(_whole(ready), _whole(due)) for ready, due in instance["windows"]]
    n = len(matrix) - 1
    nodes = [*range(1, n + 1), 0]
    seconds, _, loops = solve(
        np.array([[matrix[a][b] for b in nodes] for a in nodes], np.int32),
        np.arange(n, dtype=np.int32),
        1 << np.arange(n, dtype=np.int64),
        np.zeros(n, np.int32),
        np.array([ready for ready, _ in windows[1:]], np.int32),
        np.array([due for _, due in windows[1:]], np.int32),
        np.full(n, FAR, np.int64),
        windows[0][0],
        windows[0][1],
        n,
        5_000_000,
        waiting_counts,
    )
    return int(seconds), [int(k) + 1 for k in loops]


def _drive_tour(instance: dict[str, Any], order: list[int]) -> Decimal:
    """Return the travel time of a tour in the record's own figures; every window must be kept."""
    at, now, travelled = 0, Decimal(instance["windows"][0][0]), Decimal(0)
    for node in [*order, 0]:
        leg = Decimal(instance["matrix"][at][node])
        travelled += leg
        ready, due = map(Decimal, instance["windows"][node])
        now = max(now + leg, ready)
        assert now <= due, f"node {node} is reached at {now}, due {due}"
        at = node
    return travelled


def _named(most: int, long: set[str]) -> list[Any]:
    """Names of the instances, those with more than so many nodes and a few hard and long ones marked slow."""
    return [
        pytest.param(name, marks=pytest.mark.slow)
        if len(one["matrix"]) > most or name in _HARD | long
        else name
        for name, one in sorted(INSTANCES.items())
    ]


def test_the_record_has_30_instances():
    assert len(INSTANCES) == 30


@pytest.mark.parametrize("name", _named(100, _LONG))
def test_the_best_order_is_the_proved_optimum(name):
    """The search is exact, and its answer is the least known, so both are optimal."""
    instance = INSTANCES[name]
    length, order = best_tour(instance, waiting_counts=False)
    assert sorted(order) == list(range(1, len(instance["matrix"])))
    assert _drive_tour(instance, order) == Decimal(length) / SCALE
    assert abs(Decimal(length) / SCALE - Decimal(instance["travel_time"])) <= _TOLERANCE


@pytest.mark.parametrize("name", [n for n, one in INSTANCES.items() if len(one["matrix"]) <= 16])
def test_both_exact_searches_agree(name):
    instance = INSTANCES[name]
    for waiting_counts in (False, True):
        long, _ = best_tour(instance, waiting_counts=waiting_counts)
        short, _ = best_tour(instance, waiting_counts=waiting_counts, solve=order_visits)
        assert long == short


@pytest.mark.parametrize("name", _named(30, _LONG_WAITING))
def test_with_waiting_counted_no_tour_is_shorter(name):
    """Tripplan's own rule: elapsed time from the latest useful start, waiting included."""
    instance = INSTANCES[name]
    travel, _ = best_tour(instance, waiting_counts=False)
    elapsed, order = best_tour(instance, waiting_counts=True)
    assert elapsed >= travel
    assert _drive_tour(instance, order) * SCALE >= travel


def test_a_window_that_cannot_be_reached_leaves_no_tour():
    instance = json.loads(json.dumps(INSTANCES["rc_207.4"], default=str))
    instance = {key: value for key, value in instance.items() if key != "travel_time"}
    windows = [[Decimal(a), Decimal(b)] for a, b in instance["windows"]]
    matrix = [[Decimal(x) for x in row] for row in instance["matrix"]]
    windows[1] = [Decimal(0), matrix[0][1] - 1]
    assert best_tour({"matrix": matrix, "windows": windows}, waiting_counts=False) == (-1, [])
