"""The season's plan from end to end: build, bound, search, polish, explain."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.assemble import JobsDoNotFitError, assemble_trips, expected_dark_days
from tripplan.plan.build import build_season
from tripplan.plan.charging import charge_schedule, most_charged
from tripplan.plan.dive import dive
from tripplan.plan.document import Plan, Status
from tripplan.plan.effort import Effort
from tripplan.plan.master import Master, StockRow
from tripplan.plan.notes import plan_notes
from tripplan.plan.polish import polish, serve_late
from tripplan.plan.pricing import Pricer
from tripplan.plan.reasons import explain_late
from tripplan.plan.search import Search
from tripplan.plan.season import Season
from tripplan.plan.solution import Judge
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import WindowSet, build_windows
from tripplan.travel import Travel

__all__ = ["Progress", "plan_season"]


@dataclass(frozen=True)
class Progress:
    """
    How far planning is.

    Attributes
    ----------
    elapsed_s : float
        Since the start. [s]
    lower_bound : int
        Trips that no plan can undercut, as proved so far.
    trip_count : int or None
        Trips of the best plan found so far.
    """

    elapsed_s: float
    lower_bound: int
    trip_count: int | None


@dataclass
class _Clock:
    """Asks whether to go on; remembers Ctrl-C."""

    time_limit_s: float | None
    begun: float = field(default_factory=time.monotonic)
    stopped: bool = False

    @property
    def elapsed_s(self) -> float:
        return time.monotonic() - self.begun

    def go_on(self, share: float = 1.0) -> bool:
        return not self.stopped and (self.time_limit_s is None or self.elapsed_s < share * self.time_limit_s)


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
        Stop searching after this time. [s]
    progress : callable, optional
        Called with `Progress` now and then.
    effort : Effort, optional
        Counts at which to stop.

    Returns
    -------
    Plan
        Not yet checked; callers pass it to `tripplan.plan.check.check_plan`.
    """
    clock = _Clock(time_limit_s)
    effort = effort or Effort()
    jobs_always: frozenset[str] = frozenset()
    while True:
        season = build_season(fleet, outlook, travel, jobs_always)
        run = _best_run(season, clock, effort, seed, progress)
        try:
            trips = assemble_trips(season, outlook, run.book, run.search.best)
        except JobsDoNotFitError as short:
            jobs_always |= short.site_ids  # a first visit comes so late that its jobs were not reckoned with
            continue
        break
    shelf = charge_schedule(fleet, season.first, run.search.judge.swaps(run.search.best))
    late = explain_late(season, outlook, run.search.judge, run.search.best, run.windows)
    bound = min(run.bound, len(trips))
    status = Status.NO_FULL_PLAN if late else Status.PROVED if bound == len(trips) else Status.BEST_FOUND
    reserve = _reserve_cost(run, late=bool(late))
    return Plan(
        fleet=fleet.name,
        made_on=made_on,
        first=outlook.on,
        to=outlook.to,
        risk=outlook.risk,
        seed=seed,
        status=status,
        lower_bound=bound,
        trips=trips,
        late_sites=len(late),
        late_days=sum(one.late_days for one in late),
        expected_dark_days=expected_dark_days(season, outlook, trips),
        unserved=late,
        charging=shelf.slots,
        notes=(*reserve, *plan_notes(season, outlook, trips, stopped=clock.stopped)),
    )


def _best_run(
    season: Season,
    clock: _Clock,
    effort: Effort,
    seed: int,
    progress: Callable[[Progress], None] | None,
) -> _Run:
    """Search; where in time and fallback dates cannot both be had, being in time comes first."""
    spare = season.fleet.plan.fallback_dates
    bent: frozenset[int] = frozenset()
    best: _Run | None = None
    for _ in range(3):
        run = _Run(season, build_windows(season, spare, bent), clock, effort, seed, progress, bent)
        if best is not None:
            run.search.offer(best.search.best)
        run.solve()
        if best is None or run.late_key < best.late_key:
            best = run
        missed = frozenset(
            row.site for row in run.judge.missed(run.search.best) if row.site not in run.windows.sure_late
        )
        if not missed or spare == 0 or missed <= bent or not clock.go_on():
            return best
        bent |= missed
    return best if best is not None else run


@dataclass
class _Run:
    """One search with its bound."""

    season: Season
    windows: WindowSet
    clock: _Clock
    effort: Effort
    seed: int
    progress: Callable[[Progress], None] | None
    bent: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        self.book = TripBook(self.season)
        self.pricer = Pricer(self.season)
        self.master = Master(self.season, self.windows.rows, _stock_rows(self.season), self.book, self.pricer)
        self.judge = Judge(self.season, self.windows.rows, self.book)
        self.search = Search(
            self.season,
            self.windows.rows,
            self.book,
            self.pricer,
            self.judge,
            self.master,
            self.seed,
            self.clock.go_on,
            self.report,
        )

    @property
    def late_key(self) -> tuple[int, int]:
        """Stage 1 of the incumbent."""
        value = self.search.value
        return (10**9, 0) if value is None else (value.late_sites, value.late_days)

    @cached_property
    def bound(self) -> int:
        """
        Trips that no plan serving the sites equally well can undercut.

        Where just those sites are late that are late in every plan, every equally good plan serves
        all others in time, so that their windows still count; else only one trip is sure.
        """
        trips = self.search.best
        days = self.judge.visit_days(trips)
        late = {s for s in days if self.judge.late_days_of(s, days[s])}
        if late - set(self.windows.sure_late):
            return 1 if trips else 0
        if not self.windows.sure_late and not self.bent:
            return self.master.whole_bound
        # where some sites bent, others might bend in an equally good plan: no fallback counts at all
        windows = build_windows(self.season, 0) if self.bent else self.windows
        rows = tuple(row for row in windows.rows if row.site not in windows.sure_late)
        if not rows:
            return 0
        master = Master(self.season, rows, self.master.stock, self.book, self.pricer)
        for index, visits in trips.items():
            master.add(index, tuple(sorted(visits)), usable=True)
        try:
            master.generate(
                self.effort.pricing_rounds, go_on=self.clock.go_on, report=self.report, target=len(trips)
            )
        except KeyboardInterrupt:
            self.clock.stopped = True
        return master.whole_bound

    def report(self) -> None:
        """Tell the caller how far it is."""
        if self.progress is not None:
            value = self.search.value
            self.progress(
                Progress(
                    self.clock.elapsed_s, self.master.whole_bound, None if value is None else value.trips
                )
            )

    def solve(self) -> None:
        """Search until proved, or until the effort is spent; Ctrl-C keeps what there is."""
        self.search.offer({})
        try:
            self._solve()
        except KeyboardInterrupt:
            self.clock.stopped = True
        self.report()

    def _solve(self) -> None:
        search, master, effort, clock = self.search, self.master, self.effort, self.clock
        if not self.windows.rows:
            return
        for k in range(effort.builds):
            search.offer(search.build(noise=0.0 if k == 0 else 0.6))
        self.report()
        for index, visits in search.best.items():
            master.add(index, tuple(sorted(visits)), usable=True)
        master.generate(
            effort.pricing_rounds,
            go_on=lambda: clock.go_on(0.5),
            report=self.report,
            target=None if search.value is None or self.judge.missed(search.best) else search.value.trips,
        )
        self._dive()
        if not self._proved() and clock.go_on():
            search.choose_all(effort.choose)
        search.repair_rounds(effort.repairs, effort.repair, lambda: master.whole_bound)
        if search.value is not None and search.value.late_sites:
            search.offer(serve_late(search, search.best))
            for _ in range(effort.late_builds):
                if clock.go_on():
                    search.offer(serve_late(search, search.build(noise=1.6)))
        polish(search, effort.polish_passes)
        search.repair_rounds(effort.time_repairs, effort.repair, lambda: 0, by_time=True)
        polish(search, effort.polish_passes)

    def _dive(self) -> None:
        """Round the linear programme again and again, until a plan meets the bound."""
        search, master = self.search, self.master
        for k in range(self.effort.dives):
            value = search.value
            if value is None or self._proved() or not self.clock.go_on():
                return
            limit = 10**9 if self.judge.missed(search.best) else value.trips
            found = dive(master, search.random, limit, go_on=self.clock.go_on, spread=0.0 if k == 0 else 0.4)
            if found is not None and all(search.book.fits(i, v) for i, v in found.items()):
                search.offer(found)
            self.report()

    def _proved(self) -> bool:
        value = self.search.value
        return (
            value is not None
            and not self.judge.missed(self.search.best)
            and value.trips <= self.master.whole_bound
        )


def _stock_rows(season: Season) -> tuple[StockRow, ...]:
    """Rows of the shelf that could bind: spans of at most three weeks, and all that begin on day 0."""
    fleet = season.fleet
    if not fleet.stock_is_kept:
        return ()
    days = sorted({day.day for day in season.days if day.spans})
    rows = []
    for name in sorted({task.site.pack_type for task in season.tasks}):
        sites = sum(task.site.pack_type == name for task in season.tasks)
        for a, since in enumerate(days):
            last_cap = -1
            for until in days[a:]:
                if until - since > 21:
                    break
                cap = most_charged(fleet, season.first, name, since, until)
                if cap < sites and cap != last_cap:
                    rows.append(StockRow(name, since, until, cap))
                elif cap < sites:
                    rows[-1] = StockRow(name, since, until, cap)
                last_cap = cap
        for until in days:
            cap = most_charged(fleet, season.first, name, 0, until)
            if cap < 2 * sites:
                rows.append(StockRow(name, 0, until, cap))
    return tuple(dict.fromkeys(rows))


def _reserve_cost(run: _Run, *, late: bool) -> tuple[str, ...]:
    """Say what the fallback dates cost in trips."""
    spare = run.season.fleet.plan.fallback_dates
    value = run.search.value
    if spare == 0 or late or value is None or not value.trips or not run.clock.go_on():
        return ()
    windows = build_windows(run.season, 0)
    free = _Run(run.season, windows, run.clock, run.effort.short(), run.seed, None)
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
