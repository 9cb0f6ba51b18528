"""
The season as one model for CP-SAT: a circuit of parkings for each date, windows that must hold a visit.

Each date has one circuit over the base and the parkings, all of them optional. At a parking the visits are
split into foot loops; each loop that the crew can carry packs to is one choice, in its best order, so that loops
and weight are exact. A trip that runs fits between first light and dusk less the reserve, and in the crew's
hours; packs aboard are counted. Windows are those of the season, fallback dates included. The fewest trips are
sought first, then, with what time is left, the least crew time.

What it leaves out: opening hours and jobs (refused), and what the chargers do from date to date; the shelf is
bounded only by the rows that the package's own linear programme has (so many packs at most in a span), which is
needed but not enough; sites that no plan can serve in time.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from ortools.sat.python import cp_model
from schedules import Outing

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.build import build_season
from tripplan.plan.season import Season
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.windows import build_windows
from tripplan.travel import Travel

__all__ = ["Answer", "circuits_schedule"]

_TRIPS_SHARE = 0.8


@dataclass(frozen=True)
class Answer:
    """
    What CP-SAT found.

    Attributes
    ----------
    schedule : dict of date to Outing, or None
        None where it found no plan.
    bound : int
        Trips that it proved to be needed.
    seconds : float
        By the clock. [s]
    booleans : int
        Choices in the model.
    """

    schedule: dict[date, Outing] | None
    bound: int
    seconds: float
    booleans: int


@dataclass
class _DayVariables:
    runs: Any
    seconds: Any
    visits: dict[int, Any]
    literals: list[Any] = field(default_factory=list)


def circuits_schedule(
    fleet: Fleet, outlook: Outlook, travel: Travel, *, seconds: float, workers: int = 2, seed: int = 1
) -> Answer:
    """
    Plan a season with one circuit a date.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        The inputs of planning; one crew.
    seconds : float
        Time by the clock, four fifths of it for the fewest trips. [s]
    workers : int, default 2
        Threads.
    seed : int, default 1
        Seed.

    Returns
    -------
    Answer
        Plan and bound.

    Raises
    ------
    ValueError
        If some site has opening hours or jobs, or there are several crews.
    """
    season = build_season(fleet, outlook, travel)
    windows = build_windows(season, fleet.plan.fallback_dates)
    if len(fleet.crews) != 1 or any(task.job_minutes for task in season.tasks):
        raise ValueError("jobs and several crews are not in this model")
    begun = time.perf_counter()
    model = cp_model.CpModel()
    days = {index: _add_day(model, season, index) for index, day in enumerate(season.days) if day.spans}
    at = {season.days[index].day: index for index in days}
    for row in windows.rows:
        if row.site in windows.sure_late:
            continue
        model.add_bool_or(
            [days[at[d]].visits[row.site] for d in row.days if d in at and row.site in days[at[d]].visits]
        )
    for row in stock_rows(season):
        taken = [
            literal
            for index, made in days.items()
            if row.first <= season.days[index].day <= row.last
            for s, literal in made.visits.items()
            if season.tasks[s].site.pack_type == row.pack_type
            and season.tasks[s].pays[season.days[index].day]
        ]
        if len(taken) > row.cap:
            model.add(sum(taken) <= row.cap)
    trips = sum(made.runs for made in days.values())
    model.minimize(trips)
    solver, status = _solve(model, _TRIPS_SHARE * seconds, workers, seed)
    booleans = sum(len(made.literals) for made in days.values())
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        spent = time.perf_counter() - begun
        return Answer(None, _whole(solver.best_objective_bound), spent, booleans)
    bound = _whole(solver.best_objective_bound)
    schedule = _read(season, days, solver)
    model.add(trips <= len(schedule))
    model.clear_hints()
    for made in days.values():
        for literal in made.literals:
            model.add_hint(literal, solver.value(literal))
    model.minimize(sum(made.seconds for made in days.values()))
    left = max(1.0, seconds - (time.perf_counter() - begun))
    second, status = _solve(model, left, workers, seed)
    if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        schedule = _read(season, days, second)
    return Answer(schedule, bound, time.perf_counter() - begun, booleans)


def _solve(model: cp_model.CpModel, seconds: float, workers: int, seed: int) -> tuple[cp_model.CpSolver, Any]:
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = seed
    return solver, solver.solve(model)


def _whole(bound: float) -> int:
    """Round a bound on whole trips up; whatever CP-SAT says before it has begun is no bound."""
    return max(0, int(-(-(bound - 1e-6) // 1)))


def _add_day(model: cp_model.CpModel, season: Season, index: int) -> _DayVariables:
    day = season.days[index]
    move = season.move_up[day.crew]
    n = len(season.park_places)
    close = season.close_by(day, loose=False)
    runs = model.new_bool_var(f"run {index}")
    made = _DayVariables(runs, None, {}, [runs])
    loops: dict[int, list[tuple[Any, int]]] = {}
    holding: dict[int, list[Any]] = {}
    parks = [p for p in range(n) if day.light[p] is not None]
    for p in parks:
        for spec in season.park_loops(day, p, loose=False):
            if any(day.spans[s] is not None for s in spec.sites):
                raise ValueError("opening hours are not in this model")
            literal = model.new_bool_var("")
            made.literals.append(literal)
            loops.setdefault(p, []).append((literal, spec.d))
            for s in spec.sites:
                holding.setdefault(s, []).append(literal)
    for s, literals in holding.items():
        visited = model.new_bool_var("")
        model.add(sum(literals) == visited)
        made.visits[s] = visited
        made.literals.append(visited)
    arcs: list[tuple[int, int, Any]] = [(0, 0, runs.Not())]
    between, out, first_light, last_end = [], [], [], []
    inner: list[Any] = [literal * d for options in loops.values() for literal, d in options]
    node = {p: k + 1 for k, p in enumerate(parks)}
    home: list[Any] = []
    for p, choices in loops.items():
        stays = model.new_bool_var("")
        made.literals.append(stays)
        arcs.append((node[p], node[p], stays.Not()))
        for literal, _ in choices:
            model.add_implication(literal, stays)
        model.add_bool_or([literal for literal, _ in choices]).only_enforce_if(stays)
        light = day.light[p]
        assert light is not None
        goes, comes = model.new_bool_var(""), model.new_bool_var("")
        made.literals += [goes, comes]
        arcs += [(0, node[p], goes), (node[p], 0, comes)]
        out.append(goes * int(move[n, p]))
        home.append(comes * int(move[p, n]))
        first_light.append(goes * max(int(-(-light[0] // 1)), day.start + int(move[n, p])))
        last_end.append(comes * int(close[p]))
        for q in loops:
            if q != p:
                literal = model.new_bool_var("")
                made.literals.append(literal)
                arcs.append((node[p], node[q], literal))
                between.append(literal * int(move[p, q]))
    if loops:
        model.add_circuit(arcs)
        # from the first loop's begin to the last one's end, without waiting
        model.add(sum(first_light) + sum(inner) + sum(between) <= sum(last_end))
    else:
        model.add(runs == 0)
    crew = season.fleet.crews[day.crew]
    model.add(sum(made.visits.values()) <= crew.packs_aboard * runs)
    made.seconds = sum(out) + sum(between) + sum(inner) + sum(home)
    return made


def _read(season: Season, days: dict[int, _DayVariables], solver: cp_model.CpSolver) -> dict[date, Outing]:
    found = {}
    for index, made in days.items():
        if solver.value(made.runs):
            names = tuple(
                season.tasks[s].site.site_id for s, literal in made.visits.items() if solver.value(literal)
            )
            found[season.date_of(season.days[index].day)] = Outing(names, solver.value(made.seconds))
    return found
