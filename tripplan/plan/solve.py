"""The season's plan from end to end: build, bound, search, polish, explain."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np

from tripplan.errors import NoPlanError
from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.assemble import JobsDoNotFitError, assemble_trips, expected_dark_days
from tripplan.plan.build import build_season
from tripplan.plan.charging import play_shelf
from tripplan.plan.clock import Clock, Progress
from tripplan.plan.contradict import AsWished, trips_as_wished
from tripplan.plan.document import Plan, Status
from tripplan.plan.effort import Effort
from tripplan.plan.moving import Moving
from tripplan.plan.notes import plan_notes
from tripplan.plan.parts import is_large
from tripplan.plan.polish import polish
from tripplan.plan.pricing import Pricer
from tripplan.plan.reasons import explain_late
from tripplan.plan.run import Run
from tripplan.plan.search import Search
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, shelf_moves
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.stage_bounds import bound_stages, thrown_away_days
from tripplan.plan.start import Start
from tripplan.plan.trips import TripBook
from tripplan.plan.wanted import bearing_wishes
from tripplan.plan.windows import build_windows
from tripplan.travel import Travel

__all__ = ["Progress", "plan_season"]

_BESIDE_DAYS, _FAR_BESIDE_DAYS = 14, 60
"""What is due up to so much later can make room for a site that is late. [day]"""


def plan_season(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    *,
    made_on: date,
    seed: int = 1,
    time_limit_s: float | None = None,
    progress: Callable[[Progress], None] | None = None,
    effort: Effort | None = None,
    last: Plan | None = None,
) -> Plan:
    """
    Plan a season in as few trips as can be found, and prove how few it must be.

    Without a time limit the search stops on counts, so that a seed gives one plan on any machine.
    Ctrl-C stops it at the next safe point and keeps the best plan.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    outlook : Outlook
        Its forecast; gives the season's dates.
    travel : Travel
        Minutes and metres.
    made_on : datetime.date
        Date written into the plan.
    seed : int, default 1
        Seed of every random choice.
    time_limit_s : float, optional
        Stop searching after this time; what a first run takes to compile the inner loops, and the first
        plan built, are not cut short. [s]
    progress : callable, optional
        Called with `Progress` now and then.
    effort : Effort, optional
        Counts at which to stop.
    last : Plan, optional
        Of plans with equally few trips, the one that changes least against this one is taken.

    Returns
    -------
    Plan
        Not yet checked; callers pass it to `tripplan.plan.check.check_plan`.

    Raises
    ------
    NoPlanError
        If the fleet's wishes contradict each other or cannot be met, or no plan that keeps them was
        found.
    """
    clock = Clock(time_limit_s)
    with clock.hearing():
        return _planned(fleet, outlook, travel, made_on, seed, clock, progress, effort or Effort(), last)


def _planned(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    made_on: date,
    seed: int,
    clock: Clock,
    progress: Callable[[Progress], None] | None,
    effort: Effort,
    last: Plan | None,
) -> Plan:
    """Plan as `plan_season` says."""
    wishes = bearing_wishes(fleet, outlook.on, outlook.to)
    wished = trips_as_wished(fleet, outlook, travel, wishes) if wishes else AsWished()
    start = Start(wished.trips, last)
    jobs_always: frozenset[str] = frozenset()
    while True:
        season = build_season(fleet, outlook, travel, jobs_always, wishes, wished.first_by)
        if not jobs_always:
            if progress is not None:
                progress(Progress(0.0, 0, None, ready=False))
            _make_ready(season)
            if progress is not None:
                progress(Progress(0.0, 0, None))
            clock.begun = time.monotonic()
        run = _best_run(season, clock, effort, seed, progress, start)
        if run.search.value is not None and run.search.value.unmet:
            raise NoPlanError(
                "No plan was found that keeps every wish, though nothing shows that there is none: "
                + "; ".join(str(wish) for wish in wishes)
                + ". Take one of them back, or give the search more time."
            )
        try:
            trips = assemble_trips(season, outlook, run.book, run.search.best)
        except JobsDoNotFitError as short:
            jobs_always |= short.site_ids  # a first visit comes so late that its jobs were not reckoned with
            continue
        break
    cut_short = not clock.go_on()
    run.step = "reasons"
    run.report()
    moving = Moving(
        season, run.windows.rows, run.judge, run.search.best, lambda: not clock.stopped, run.squeezer
    )
    order = sorted(run.search.best, key=lambda i: (season.days[i].day, season.days[i].crew))
    trips = tuple(
        replace(trip, moving=moving.sentences(index)) for trip, index in zip(trips, order, strict=True)
    )
    shelf = play_shelf(fleet, season.first, *shelf_moves(season, run.search.best))
    late = explain_late(season, outlook, run.search.judge, run.search.best, run.windows)
    bound = min(run.bound, len(trips))
    status = Status.NO_FULL_PLAN if late else Status.PROVED if bound == len(trips) else Status.BEST_FOUND
    stages = bound_stages(run, bound)
    reserve = _reserve_cost(run, late=bool(late))
    keeping = _keeping_cost(run) if last is not None else ()
    return Plan(
        fleet=fleet.name,
        made_on=made_on,
        first=outlook.on,
        to=outlook.to,
        risk=outlook.risk,
        seed=seed,
        status=status,
        lower_bound=bound,
        crew_seconds_bound=stages.crew_seconds,
        life_days=thrown_away_days(run, trips),
        life_days_bound=stages.life_days,
        trips=trips,
        late_sites=len(late),
        late_days=sum(one.late_days for one in late),
        expected_dark_days=expected_dark_days(season, outlook, trips),
        unserved=late,
        charging=shelf.slots,
        wishes=tuple(str(wish) for wish in wishes),
        notes=(
            *keeping,
            *reserve,
            *plan_notes(
                season,
                outlook,
                trips,
                stopped=clock.stopped,
                ended_after_s=clock.time_limit_s if cut_short and status is not Status.PROVED else None,
            ),
        ),
    )


def _make_ready(season: Season) -> None:
    """Have the inner loops compiled; a first run does so for seconds, which no time limit should pay for."""
    index = next((k for k, day in enumerate(season.days) if day.spans), None)
    if index is None:
        return
    site = min(season.days[index].spans)
    prize = np.zeros(len(season.tasks))
    prize[site] = 1.0
    Pricer(season).price((index,), prize, 0.0)
    TripBook(season).fits(index, (site,))
    Squeeze(season, (), (), lambda _: ()).fewer({index: frozenset((site,))}, 1, 1, 1, lambda: True)


def _best_run(
    season: Season,
    clock: Clock,
    effort: Effort,
    seed: int,
    progress: Callable[[Progress], None] | None,
    start: Start,
) -> Run:
    """Search; where in time and fallback dates cannot both be had, being in time comes first."""
    spare = season.fleet.plan.fallback_dates
    bent: frozenset[int] = frozenset()
    best: Run | None = None
    large = is_large(season)
    for tries_left in (3, 2, 1, 0) if large else (2, 1, 0):
        windows, may_bend = build_windows(season, spare, bent), spare > 0 and tries_left > 0
        run = Run(season, windows, clock, effort, seed, progress, start, bent, may_bend)
        if best is not None:
            run.search.offer(best.search.best)
        run.solve()
        # a large season's search breaks off where others will bend; the next one begins with its plan
        if best is None or run.late_key < best.late_key or (large and run.late_key == best.late_key):
            best = run
        missed = [row for row in run.judge.missed(run.search.best) if row.site not in windows.sure_late]
        more = frozenset(row.site for row in missed) - bent
        if large and missed and bent:  # some that bent are still late: what is due beside them makes room
            reach = _BESIDE_DAYS if tries_left > 1 else _FAR_BESIDE_DAYS
            more |= _due_beside(season, windows.rows, missed, reach) - bent
        if not missed or spare == 0 or (not more and not large) or not clock.go_on():
            return best
        bent |= more
    return best if best is not None else run


def _due_beside(season: Season, rows: tuple[Window, ...], missed: list[Window], reach: int) -> frozenset[int]:
    """Return sites with a window that ends near a missed one, and that some crew can reach too."""
    crews: dict[int, set[int]] = {}
    for day in season.days:
        for s in day.spans:
            crews.setdefault(s, set()).add(day.crew)
    none: set[int] = set()
    return frozenset(
        row.site
        for row in rows
        if any(
            late.days[0] - (reach - _BESIDE_DAYS) <= row.days[-1] <= late.days[-1] + reach
            and crews.get(late.site, none) & crews.get(row.site, none)
            for late in missed
        )
    )


def _keeping_cost(run: Run) -> tuple[str, ...]:
    """Say what keeping to the last plan costs in crew time, after looking for less without it."""
    value = run.search.value
    if value is None or not run.last or not run.clock.go_on():
        return ()
    judge = Judge(run.season, run.windows.rows, run.book)
    free = Search(
        run.season,
        run.windows.rows,
        run.book,
        run.pricer,
        judge,
        run.master,
        run.seed,
        run.clock.go_on,
        lambda: None,
    )
    free.offer(run.search.best)
    for (index, visits), _ in run.search.known():
        free.remember(index, visits)
    try:
        polish(free, run.effort.polish_passes)
        free.repair_rounds(run.effort.time_repairs, run.effort.repair, lambda: 0, by_time=True)
    except KeyboardInterrupt:
        run.clock.stopped = True
    found = free.value
    saved = 0 if found is None else (value.seconds - found.seconds) // 60
    if found is None or saved < 1 or (found.late_sites, found.trips) != (value.late_sites, value.trips):
        return ()
    both = f"{hours_text(value.seconds)} with, {hours_text(found.seconds)} without"
    text = f"Keeping to the dates and visits of the last plan costs {saved} min of crew time"
    return (f"{text}, as far as was found ({both}).",)


def hours_text(seconds: int) -> str:
    """
    Return a duration in hours and minutes.

    Parameters
    ----------
    seconds : int
        Duration. [s]

    Returns
    -------
    str
        Rounded up to the minute.

    Examples
    --------
    >>> hours_text(5401), hours_text(600)
    ('1 h 31 min', '10 min')
    """
    hours, minutes = divmod(-(-seconds // 60), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def _reserve_cost(run: Run, *, late: bool) -> tuple[str, ...]:
    """Say what the fallback dates cost in trips."""
    spare = run.season.fleet.plan.fallback_dates
    value = run.search.value
    if spare == 0 or late or value is None or not value.trips or not run.clock.go_on():
        return ()
    windows = build_windows(run.season, 0)
    free = Run(run.season, windows, run.clock, run.effort.short(), run.seed, None, run.start)
    free.search.offer(run.search.best)
    for column in run.master.columns:
        free.master.add(column.index, column.visits, usable=column.usable)
    free.solve()
    found = free.search.value
    if found is None or found.late_sites:
        return ()
    word = "date" if spare == 1 else "dates"
    saved = value.trips - found.trips
    if saved <= 0:
        sure = "costs no trip" if free.master.whole_bound >= value.trips else "costs no trip that was found"
        return (f"Keeping {spare} fallback {word} for each visit {sure}.",)
    exact = run.master.whole_bound == value.trips and free.master.whole_bound == found.trips
    count = f"{saved} {'trip' if saved == 1 else 'trips'}"
    known = "" if exact else ", as far as was found"
    text = f"Keeping {spare} fallback {word} for each visit costs {count}{known}"
    return (f"{text} ({value.trips} with, {found.trips} without).",)
