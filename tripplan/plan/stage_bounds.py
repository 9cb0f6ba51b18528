"""Bounds of stages 3 and 4, for plans as good as the one found in the stages before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tripplan.plan.crew_time import CrewTime, least_visit_seconds
from tripplan.plan.document import Trip, VisitKind
from tripplan.plan.least_time import MOST_TRIPS, trips_worth_most
from tripplan.plan.life_bound import least_life_days
from tripplan.plan.loops import FAR
from tripplan.plan.pairs import stretched_windows
from tripplan.plan.parts import is_large
from tripplan.plan.run import Run
from tripplan.plan.season import Window

__all__ = ["StageBounds", "bound_stages", "thrown_away_days"]


_ANY_WORK = 1 << 62

_ROUNDS_IF_LARGE = 4
"""Pricing rounds of a season that goes base by base; its windows are stretched to pairs of dates for them."""


@dataclass(frozen=True)
class StageBounds:
    """
    What no plan that is as good in stages 1 and 2 can undercut.

    Attributes
    ----------
    crew_seconds : int
        Stage 3, with no more trips. [s]
    life_days : int
        Stage 4. [day]
    """

    crew_seconds: int = 0
    life_days: int = 0


def bound_stages(run: Run, least_trips: int, *, price: bool = True) -> StageBounds:
    """
    Bound crew time and life thrown away.

    Parameters
    ----------
    run : Run
        A finished search.
    least_trips : int
        Trips that are needed, as it was proved.
    price : bool, default True
        Whether to spend effort on pricing trips; without it the bound on crew time is weaker.

    Returns
    -------
    StageBounds
        Zeros where nothing was proved.
    """
    trips = run.search.best
    rows, forgiven = run.owed
    if not trips or not rows:
        return StageBounds()
    crew_time = _crew_time(run, rows, forgiven, least_trips)
    floor = least_visit_seconds(crew_time, least_trips)
    rounds, work = run.effort.time_rounds, run.effort.time_work
    if is_large(run.season):
        rounds = min(rounds, _ROUNDS_IF_LARGE)
        crew_time = _crew_time(run, stretched_windows(run.season, rows), forgiven, least_trips)
    try:
        if price and rounds and run.clock.go_on():
            for index, visits in trips.items():
                crew_time.add(index, tuple(sorted(visits)), usable=True)
            for index, known in _to_begin_with(run):
                crew_time.add(index, known, usable=True)
            work = work if run.clock.time_limit_s is None else _ANY_WORK
            crew_time.raise_seconds(rounds, work, run.clock.go_on)
    except KeyboardInterrupt:
        run.clock.stopped = True
    return StageBounds(max(floor, crew_time.whole_seconds), least_life_days(run.season, rows, forgiven))


def _to_begin_with(run: Run) -> list[tuple[int, tuple[int, ...]]]:
    """Return trips for the linear programme of crew time: day index and visits."""
    if not is_large(run.season):
        return trips_worth_most(run.master)[:MOST_TRIPS]
    # which of them are worth most takes long to tell
    near = (run.late_master or run.master).nearly_worth_while()
    return [(column.index, column.visits) for column in near if column.usable][-MOST_TRIPS:]


def _crew_time(run: Run, rows: tuple[Window, ...], forgiven: int, least_trips: int) -> CrewTime:
    return CrewTime(
        run.season,
        rows,
        run.master.stock,
        run.book,
        run.pricer,
        forgiven=forgiven,
        least_trips=least_trips,
        most_trips=len(run.search.best),
    )


def thrown_away_days(run: Run, trips: Sequence[Trip]) -> int:
    """
    Return the likely life that a plan throws away, and the days that devices are out beside their service.

    Parameters
    ----------
    run : Run
        The search that it came from.
    trips : sequence of Trip
        The plan's trips.

    Returns
    -------
    int
        Stage 4 of the plan. [day]
    """
    season = run.season
    take_from = {task.site.site_id: task.take_from for task in season.tasks if task.take_from < FAR}
    lost = 0
    for trip in trips:
        for visit in trip.visits:
            if visit.kind is VisitKind.TAKE_IN:
                lost += season.day_number(trip.date) - take_from[visit.site_id]
            elif visit.swap:
                lost += max(0, (visit.flat_likely - trip.date).days)
    return lost
