"""
Solomon's 56 instances: fewest vehicles first, then distance, beside general solvers with the same time.

    python tests/benchmarks/solomon_routes.py --seconds 60 --rivals
    python tests/benchmarks/solomon_routes.py --seconds 10 R101 RC204

The rivals are OR-Tools routing (a dependency already), PyVRP and VROOM (`pip install pyvrp pyvroom`); each is
asked for few vehicles by a fixed cost of a vehicle. Their routes are played by the record's rules like ours.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "published"))

from solomon import RECORD, read_instance, require_kept

from tripplan.plan.routes import RouteProblem, Routes, solve_routes

Solver = Callable[[RouteProblem, float], tuple[tuple[int, ...], ...]]
_SCALE = 1000
_VEHICLE_COST = 10_000 * _SCALE


def _tripplan(problem: RouteProblem, seconds: float) -> tuple[tuple[int, ...], ...]:
    return solve_routes(problem, time_limit_s=seconds).routes


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
    search.time_limit.FromMilliseconds(int(seconds * 1000))
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
    from pyvrp.stop import MaxRuntime

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
    found = model.solve(stop=MaxRuntime(seconds), display=False)
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
    found = model.solve(exploration_level=5, nb_threads=1, timeout=timedelta(seconds=seconds))
    table = found.routes
    if found.summary.unassigned:
        return ()
    routes = []
    for _, steps in table[table["type"] == "job"].groupby("vehicle_id", sort=False):
        routes.append(tuple(int(c) for c in steps["id"]))
    return tuple(routes)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    asked.add_argument("names", nargs="*", default=sorted(RECORD))
    asked.add_argument("--seconds", type=float, default=60.0, help="for each solver and instance")
    asked.add_argument("--rivals", action="store_true")
    given = asked.parse_args()
    solvers: dict[str, Solver] = {"tripplan": _tripplan}
    if given.rivals:
        solvers |= {"OR-Tools": _ortools, "PyVRP": _pyvrp, "VROOM": _vroom}
    totals = {name: [0, 0.0, 0, 0] for name in solvers}
    proved = 0
    _tripplan(read_instance("C101"), 0.5)  # compiles
    for name in given.names:
        problem = read_instance(name)
        vehicles, distance = RECORD[name]
        line = [f"{name:6s} record {vehicles:2d} {distance:8.2f}"]
        for solver, solve in solvers.items():
            began = time.monotonic()
            routes = solve(problem, given.seconds)
            took = time.monotonic() - began
            total = totals[solver]
            if not routes:
                total[3] += 1
                line.append(f"{solver}  -        -     {took:5.1f} s")
                continue
            plan = Routes(routes, 0.0, 0)
            driven = require_kept(problem, plan)
            total[0] += len(routes)
            total[1] += driven
            total[2] += len(routes) <= vehicles
            line.append(f"{solver} {len(routes):2d} {driven:8.2f} {took:5.1f} s")
            if solver == "tripplan":
                from tripplan.plan.routes import fewest_routes

                proved += fewest_routes(problem) == len(routes)
        print(" | ".join(line), flush=True)
    print(
        f"record: {sum(RECORD[n][0] for n in given.names)} vehicles, {sum(RECORD[n][1] for n in given.names):.0f}"
    )
    for solver, (count, driven, reached, failed) in totals.items():
        print(
            f"{solver}: {count} vehicles, {driven:.0f}; the record's vehicles in {reached} of {len(given.names)}; "
            f"no plan in {failed}"
        )
    print(f"fewest vehicles proved by the simple bound: {proved} of {len(given.names)}")


if __name__ == "__main__":
    main()
