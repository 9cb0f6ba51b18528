"""
Solomon's instances under the record's own rules, as problems of `tripplan.plan.routes`.

M. M. Solomon, "Algorithms for the vehicle routing and scheduling problems with time window constraints",
Operations Research 35(2), 254-265, 1987. The instance files come with the package VRPSolverEasy 0.1.4 (MIT),
whose code is not loaded. ``data/solomon_1987_record.csv`` holds the fewest vehicles on record and, for these, the
shortest distance: 49 from the solution files of SINTEF's Transportation Optimization Portal, 7 from the tours
published with the LKH-3 report; 405 vehicles and 57 187 in all. Service may begin between ready time and due
date; distance and time are the real-valued Euclidean distance.
"""

from __future__ import annotations

import csv
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from tripplan.plan.routes import RouteProblem, Routes

with (Path(__file__).parent / "data" / "solomon_1987_record.csv").open(encoding="utf-8", newline="") as _file:
    RECORD = {
        row["instance"]: (int(row["vehicles"]), float(row["distance"])) for row in csv.DictReader(_file)
    }


def read_instance(name: str) -> RouteProblem:
    """Read one instance."""
    spec = find_spec("VRPSolverEasy")
    assert spec is not None, "the instance files come with VRPSolverEasy: pip install --editable '.[dev]'"
    assert spec.origin is not None
    text = (Path(spec.origin).parent / "demos" / "data" / "CVRPTW" / f"{name}.txt").read_text("ascii")
    lines = [line.split() for line in text.splitlines()]
    capacity = next(float(words[1]) for words in lines if len(words) == 2 and words[0].isdigit())
    table = np.array(
        [[float(word) for word in words] for words in lines if len(words) == 7 and words[0].isdigit()]
    )
    assert table.shape == (101, 7)
    apart = np.hypot(table[:, None, 1] - table[None, :, 1], table[:, None, 2] - table[None, :, 2])
    return RouteProblem(apart, apart, table[:, 6], table[:, 4], table[:, 5], table[:, 3], capacity)


def require_kept(problem: RouteProblem, plan: Routes) -> float:
    """Play the routes by the record's rules, in plain Python; return the distance driven."""
    assert sorted(c for route in plan.routes for c in route) == list(range(1, len(problem.service)))
    driven = 0.0
    for route in plan.routes:
        assert sum(problem.demand[c] for c in route) <= problem.capacity
        at, clock = 0, problem.ready[0]
        for c in (*route, 0):
            clock = max(clock + problem.service[at] + problem.travel[at, c], problem.ready[c])
            assert clock <= problem.due[c] + 1e-6, f"{c} is begun at {clock}, due {problem.due[c]}"
            driven += problem.cost[at, c]
            at = c
    return float(driven)
