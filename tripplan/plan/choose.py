"""Choose among known trips with CP-SAT: cover the windows with the fewest, or the shortest, trips."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ortools.sat.python import cp_model

from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season
from tripplan.plan.solution import change_cost
from tripplan.plan.workers import to_the_end

__all__ = ["Candidate", "choose_trips", "solved"]

_CHANGE = 10**6
"""More crew time than a whole season holds, so that changes come first. [s]"""

_TRIP = 10**10
"""More than all changes together can come to. [s]"""


@dataclass(frozen=True)
class Candidate:
    """A trip that fits, the windows it would fill, its crew time. [s]."""

    index: int
    visits: frozenset[int]
    rows: frozenset[int]
    seconds: int


def choose_trips(
    season: Season,
    candidates: list[Candidate],
    needed: set[int],
    stock: tuple[StockRow, ...],
    fixed: Mapping[int, frozenset[int]],
    effort: float,
    *,
    seed: int,
    fewer_than: int | None,
    by_time: bool,
    last: Mapping[int, frozenset[int]] | None = None,
) -> list[Candidate] | None:
    """
    Choose trips that fill the needed windows.

    Parameters
    ----------
    season : Season
        For dates, shared people and pack types.
    candidates : list of Candidate
        Trips to choose from.
    needed : set of int
        Windows to fill; those that no candidate fills are left out.
    stock : tuple of StockRow
        Most packs by type and day, trips in `fixed` included.
    fixed : mapping of int to frozenset of int
        Trips that stay.
    effort : float
        Deterministic time of CP-SAT.
    seed : int
        Seed of CP-SAT.
    fewer_than : int or None
        If given, fill every window with fewer trips than this, or fail.
    by_time : bool
        Minimise crew time at the same count instead, after the changes against `last`.
    last : mapping of int to frozenset of int, optional
        The last plan's trips, to which changes are counted.

    Returns
    -------
    list of Candidate or None
        None where nothing was found.
    """
    if not candidates:
        return None
    model = cp_model.CpModel()
    take = [model.new_bool_var("") for _ in candidates]
    by_row: dict[int, list[cp_model.IntVar]] = {}
    by_index: dict[int, list[cp_model.IntVar]] = {}
    for candidate, var in zip(candidates, take, strict=True):
        by_index.setdefault(candidate.index, []).append(var)
        for r in candidate.rows:
            by_row.setdefault(r, []).append(var)
    missing = []
    for r in sorted(needed):
        if r not in by_row:
            continue
        if fewer_than is None and not by_time:
            miss = model.new_bool_var("")
            missing.append(miss)
            model.add_bool_or([*by_row[r], miss])
        else:
            model.add_bool_or(by_row[r])
    done: set[tuple[int, ...]] = set()
    for index in sorted(by_index):
        model.add_at_most_one(by_index[index])
        for other in season.conflicts[index]:
            pair = (min(index, other), max(index, other))
            if other in by_index and pair not in done:
                done.add(pair)
                model.add_at_most_one([*by_index[index], *by_index[other]])
    for indices in season.wanted.must_run:
        runs = [var for index in indices for var in by_index.get(index, ())]
        if runs and not any(index in fixed for index in indices):
            model.add_bool_or(runs)
    _limit_stock(season, model, candidates, take, stock, fixed)
    if fewer_than is not None:
        model.add(sum(take) <= fewer_than - 1)
        model.minimize(sum(take))
    elif by_time:
        model.minimize(
            sum((_TRIP + _change(c, last) + c.seconds) * var for c, var in zip(candidates, take, strict=True))
        )
    else:
        model.minimize(sum(take) + 100 * sum(missing))
    solver = solved(model, effort, seed)
    if solver is None:
        return None
    return [c for c, var in zip(candidates, take, strict=True) if solver.boolean_value(var)]


def solved(model: cp_model.CpModel, effort: float, seed: int = 0) -> cp_model.CpSolver | None:
    """
    Solve a model, with Ctrl-C heard at once and as before afterwards.

    Parameters
    ----------
    model : CpModel
        The model.
    effort : float
        Deterministic time at the most.
    seed : int, default 0
        Seed of CP-SAT.

    Returns
    -------
    CpSolver or None
        With a solution; None where none was found.
    """
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = effort
    solver.parameters.random_seed = seed
    # the solver's own handler would stand in the place of Python's from then on, and end the process
    solver.parameters.catch_sigint_signal = False
    status = to_the_end(lambda: solver.solve(model), solver.stop_search)
    return solver if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else None


def _change(candidate: Candidate, last: Mapping[int, frozenset[int]] | None) -> int:
    """Return what taking a trip adds to the changes against the last plan, or saves. [s]."""
    if last is None:
        return 0
    before = last.get(candidate.index)
    return _CHANGE * (change_cost(before, candidate.visits) - change_cost(before, None))


def _limit_stock(
    season: Season,
    model: cp_model.CpModel,
    candidates: list[Candidate],
    take: list[cp_model.IntVar],
    stock: tuple[StockRow, ...],
    fixed: Mapping[int, frozenset[int]],
) -> None:
    def packs(index: int, visits: frozenset[int], name: str) -> int:
        day = season.days[index].day
        return sum(
            season.tasks[s].site.pack_type == name and bool(season.tasks[s].swaps[day]) for s in visits
        )

    here = {c.index for c in candidates}
    numbers = {season.days[i].day for i in here}
    for row in stock:
        if not any(row.first <= number <= row.last for number in numbers):
            continue
        used = sum(
            packs(index, visits, row.pack_type)
            for index, visits in fixed.items()
            if row.first <= season.days[index].day <= row.last
        )
        terms = [
            packs(c.index, c.visits, row.pack_type) * var
            for c, var in zip(candidates, take, strict=True)
            if row.first <= season.days[c.index].day <= row.last
        ]
        if terms:
            model.add(sum(terms) <= max(0, row.cap - used))
