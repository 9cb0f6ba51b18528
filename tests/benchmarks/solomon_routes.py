"""
Solomon's 56 instances: fewest vehicles first, then distance, beside general solvers with the same time.

    python tests/benchmarks/solomon_routes.py --seconds 60 --rivals
    python tests/benchmarks/solomon_routes.py --seconds 10 R101 RC204
    python tests/benchmarks/solomon_routes.py --seconds 60 --rivals --csv solomon_60.csv

With --csv each result is written down as it comes; the same command goes on where it was stopped.
Time is that of the processor, since others use the machine too; what each used is printed. VROOM can be stopped by
the clock only, so that it is given a hundred times as much of that and mostly ends by itself. The rivals are OR-Tools
routing (a dependency already), PyVRP and VROOM (`pip install pyvrp pyvroom`); each is asked for few vehicles by a
fixed cost of a vehicle. Their routes are played by the record's rules like ours.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import partial
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "published"))

from solomon import RECORD, read_instance, require_kept

from tripplan.plan.routes import RouteProblem, Routes, fewest_routes, solve_routes

Solver = Callable[[RouteProblem, float], tuple[tuple[int, ...], ...]]
_SCALE = 1000
_VEHICLE_COST = 10_000 * _SCALE


def _tripplan(problem: RouteProblem, seconds: float) -> tuple[tuple[int, ...], ...]:
    return solve_routes(problem, time_limit_s=seconds, clock=time.process_time).routes


def _scaled(values: np.ndarray, *, up: bool = True) -> np.ndarray:
    return (np.ceil if up else np.floor)(np.asarray(values) * _SCALE - (1e-6 if up else -1e-6)).astype(
        np.int64
    )


def _ortools(problem: RouteProblem, seconds: float) -> tuple[tuple[int, ...], ...]:
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    n = len(problem.service)
    most = 25
    index = pywrapcp.RoutingIndexManager(n, most, 0)
    model = pywrapcp.RoutingModel(index)
    drive, work = _scaled(problem.travel), _scaled(problem.service)
    time_of = [[int(drive[a, b] + work[a]) for b in range(n)] for a in range(n)]
    cost_of = drive.tolist()
    at = index.IndexToNode
    passing = model.RegisterTransitCallback(lambda a, b: time_of[at(a)][at(b)])
    model.SetArcCostEvaluatorOfAllVehicles(model.RegisterTransitCallback(lambda a, b: cost_of[at(a)][at(b)]))
    model.SetFixedCostOfAllVehicles(_VEHICLE_COST)
    horizon = int(_scaled(problem.due, up=False)[0])
    model.AddDimension(passing, horizon, horizon, False, "time")  # noqa: FBT003
    times = model.GetDimensionOrDie("time")
    ready, due = _scaled(problem.ready), _scaled(problem.due, up=False)
    for c in range(1, n):
        times.CumulVar(index.NodeToIndex(c)).SetRange(int(ready[c]), int(due[c]))
    demand = problem.demand.astype(int).tolist()
    loading = model.RegisterUnaryTransitCallback(lambda a: demand[at(a)])
    model.AddDimension(loading, 0, int(problem.capacity), True, "load")  # noqa: FBT003
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.time_limit.FromMilliseconds(int(seconds * 1_000_000))
    began = time.process_time()
    over = model.solver().CustomLimit(lambda: time.process_time() - began > seconds)
    model.AddSearchMonitor(over)
    found = model.SolveWithParameters(search)
    if found is None:
        return ()
    routes = []
    for vehicle in range(most):
        way, here = [], found.Value(model.NextVar(model.Start(vehicle)))
        while not model.IsEnd(here):
            way.append(at(here))
            here = found.Value(model.NextVar(here))
        if way:
            routes.append(tuple(way))
    return tuple(routes)


def _pyvrp(problem: RouteProblem, seconds: float) -> tuple[tuple[int, ...], ...]:
    from pyvrp import Model

    model = Model()
    drive, work = _scaled(problem.travel), _scaled(problem.service)
    ready, due = _scaled(problem.ready), _scaled(problem.due, up=False)
    places = [model.add_location(0, 0) for _ in work]
    model.add_depot(places[0], int(ready[0]), int(due[0]))
    for c in range(1, len(work)):
        model.add_client(
            places[c],
            delivery=int(problem.demand[c]),
            service_duration=int(work[c]),
            tw_early=int(ready[c]),
            tw_late=int(due[c]),
        )
    model.add_vehicle_type(
        25,
        capacity=int(problem.capacity),
        fixed_cost=_VEHICLE_COST,
        tw_early=int(ready[0]),
        tw_late=int(due[0]),
    )
    for a, start in enumerate(places):
        for b, end in enumerate(places):
            if a != b:
                model.add_edge(start, end, distance=int(drive[a, b]), duration=int(drive[a, b]))
    began = time.process_time()
    found = model.solve(stop=lambda _cost: time.process_time() - began > seconds, display=False)
    if not found.is_feasible():
        return ()
    return tuple(
        tuple(int(stop.idx) + 1 for stop in route if stop.is_client()) for route in found.best.routes()
    )


def _vroom(problem: RouteProblem, seconds: float) -> tuple[tuple[int, ...], ...]:
    from datetime import timedelta

    import vroom

    model = vroom.Input()
    drive = _scaled(problem.travel)
    model.set_durations_matrix("car", drive.astype(np.uint32))
    ready, due, work = _scaled(problem.ready), _scaled(problem.due, up=False), _scaled(problem.service)
    for k in range(25):
        model.add_vehicle(
            vroom.Vehicle(
                k,
                start=0,
                end=0,
                capacity=[int(problem.capacity)],
                time_window=vroom.TimeWindow(int(ready[0]), int(due[0])),
                costs=vroom.VehicleCosts(fixed=_VEHICLE_COST),
            )
        )
    for c in range(1, len(work)):
        model.add_job(
            vroom.Job(
                c,
                location=c,
                default_service=int(work[c]),
                delivery=[int(problem.demand[c])],
                time_windows=[vroom.TimeWindow(int(ready[c]), int(due[c]))],
            )
        )
    found = model.solve(exploration_level=5, nb_threads=1, timeout=timedelta(seconds=100 * seconds))
    table = found.routes
    if found.summary.unassigned:
        return ()
    routes = []
    for _, steps in table[table["type"] == "job"].groupby("vehicle_id", sort=False):
        routes.append(tuple(int(c) for c in steps["id"]))
    return tuple(routes)


@dataclass
class _Tally:
    """What one solver reached, over a class of instances."""

    vehicles: int = 0
    driven: float = 0.0
    reached: int = 0
    failed: int = 0
    used_s: float = 0.0

    def add(self, other: _Tally) -> None:
        for field in fields(self):
            setattr(self, field.name, getattr(self, field.name) + getattr(other, field.name))


def _play(solve: Solver, problem: RouteProblem, seconds: float, most: int) -> _Tally:
    """Solve, and play the routes by the record's rules."""
    used = time.process_time()
    routes = solve(problem, seconds)
    used = time.process_time() - used
    if not routes:
        return _Tally(failed=1, used_s=used)
    driven = require_kept(problem, Routes(routes, 0.0, 0))
    return _Tally(len(routes), driven, int(len(routes) <= most), 0, used)


class _Results:
    """Results by solver, instance and seconds, kept in a CSV file if one is named."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.known: dict[tuple[str, str, str], _Tally] = {}
        if path is not None and path.exists():
            with path.open(encoding="utf-8", newline="") as file:
                for row in csv.DictReader(file):
                    key = (row["solver"], row["instance"], row["seconds"])
                    self.known[key] = _Tally(
                        int(row["vehicles"]),
                        float(row["distance"]),
                        int(row["reached"]),
                        int(row["failed"]),
                        float(row["used_s"]),
                    )

    def get(self, solver: str, name: str, seconds: float, play: Callable[[], _Tally]) -> _Tally:
        """Return what is written down, else play and write it down."""
        key = (solver, name, f"{seconds:g}")
        if key not in self.known:
            one = self.known[key] = play()
            if self.path is not None:
                fresh = not self.path.exists()
                with self.path.open("a", encoding="utf-8", newline="") as file:
                    rows = csv.writer(file)
                    if fresh:
                        rows.writerow(
                            (
                                "solver",
                                "instance",
                                "seconds",
                                "vehicles",
                                "distance",
                                "reached",
                                "failed",
                                "used_s",
                            )
                        )
                    rows.writerow(
                        (
                            *key,
                            one.vehicles,
                            f"{one.driven:.4f}",
                            one.reached,
                            one.failed,
                            f"{one.used_s:.2f}",
                        )
                    )
        return self.known[key]


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    asked.add_argument("names", nargs="*", default=sorted(RECORD))
    asked.add_argument(
        "--seconds", type=float, default=60.0, help="of processor, for each solver and instance"
    )
    asked.add_argument("--rivals", action="store_true")
    asked.add_argument("--csv", type=Path, help="write each result here, and go on from what it holds")
    given = asked.parse_args()
    results = _Results(given.csv)
    solvers: dict[str, Solver] = {"tripplan": _tripplan}
    if given.rivals:
        solvers |= {"OR-Tools": _ortools, "PyVRP": _pyvrp, "VROOM": _vroom}
    tallies: dict[tuple[str, str], _Tally] = {}
    proved = 0
    solve_routes(read_instance("R101"), iterations=20_000)  # compiles
    for name in given.names:
        problem = read_instance(name)
        vehicles, distance = RECORD[name]
        line = [f"{name:6s} record {vehicles:2d} {distance:8.2f}"]
        for solver, solve in solvers.items():
            one = results.get(
                solver, name, given.seconds, partial(_play, solve, problem, given.seconds, vehicles)
            )
            if solver == "tripplan":
                proved += fewest_routes(problem) == one.vehicles
            for group in (name.rstrip("0123456789") + name[-3], "all"):
                tallies.setdefault((group, solver), _Tally()).add(one)
            got = f"{one.vehicles:2d} {one.driven:8.2f}" if not one.failed else " -        -"
            line.append(f"{solver} {got} {one.used_s:5.1f} s")
        print(" | ".join(line), flush=True)
    for group in sorted({group for group, _ in tallies}, key=str.swapcase):
        inside = [n for n in given.names if group in ("all", n.rstrip("0123456789") + n[-3])]
        record = f"{sum(RECORD[n][0] for n in inside)} vehicles, {sum(RECORD[n][1] for n in inside):.0f}"
        print(f"{group} ({len(inside)} instances, record {record})")
        for solver in solvers:
            one = tallies[group, solver]
            print(
                f"  {solver:9s} {one.vehicles} vehicles, {one.driven:.0f}; the record's vehicles in {one.reached}; "
                f"no plan in {one.failed}; {one.used_s / len(inside):.1f} s of processor each"
            )
    print(f"fewest vehicles proved by the simple bound: {proved} of {len(given.names)}")


if __name__ == "__main__":
    main()
