"""The season's plan from end to end: build, bound, search, polish, explain."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

from tripplan.errors import NoPlanError
from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.assemble import JobsDoNotFitError, assemble_trips, expected_dark_days
from tripplan.plan.build import build_season
from tripplan.plan.charging import charge_schedule, most_charged
from tripplan.plan.contradict import Witness, trips_as_wished
from tripplan.plan.cover import choose_cover
from tripplan.plan.dive import dive
from tripplan.plan.document import Plan, Status
from tripplan.plan.effort import Effort
from tripplan.plan.master import Master
from tripplan.plan.moving import Moving
from tripplan.plan.notes import plan_notes
from tripplan.plan.polish import polish, serve_late
from tripplan.plan.pricing import Pricer
from tripplan.plan.reasons import explain_late
from tripplan.plan.rows import SpanRow, StockRow
from tripplan.plan.search import Search
from tripplan.plan.season import Season
from tripplan.plan.solution import Judge
from tripplan.plan.trips import TripBook
from tripplan.plan.wanted import bearing_wishes
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
    in_time : bool
        Whether that plan is in time everywhere with the fallback dates asked for; only then does the
        bound speak of plans like it.
    """

    elapsed_s: float
    lower_bound: int
    trip_count: int | None
    in_time: bool = True


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
        Stop searching after this time. [s]
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
    clock = _Clock(time_limit_s)
    effort = effort or Effort()
    wishes = bearing_wishes(fleet, outlook.on, outlook.to)
    start = _Start(trips_as_wished(fleet, outlook, travel, wishes) if wishes else {}, last)
    jobs_always: frozenset[str] = frozenset()
    while True:
        season = build_season(fleet, outlook, travel, jobs_always)
        run = _best_run(season, clock, effort, seed, progress, start)
        try:
            trips = assemble_trips(season, outlook, run.book, run.search.best)
        except JobsDoNotFitError as short:
            jobs_always |= short.site_ids  # a first visit comes so late that its jobs were not reckoned with
            continue
        break
    if run.search.value is not None and run.search.value.unmet:
        raise NoPlanError(
            "No plan was found that keeps every wish, though nothing shows that there is none: "
            + "; ".join(str(wish) for wish in wishes)
            + ". Take one of them back, or give the search more time."
        )
    moving = Moving(season, run.windows.rows, run.judge, run.search.best, lambda: not clock.stopped)
    moving.known = sorted((key for key, _ in run.search.known()), key=lambda key: (key[0], sorted(key[1])))
    moving.stock = run.master.stock
    order = sorted(run.search.best, key=lambda i: (season.days[i].day, season.days[i].crew))
    trips = tuple(
        replace(trip, moving=moving.sentences(index)) for trip, index in zip(trips, order, strict=True)
    )
    shelf = charge_schedule(fleet, season.first, run.search.judge.swaps(run.search.best))
    late = explain_late(season, outlook, run.search.judge, run.search.best, run.windows)
    bound = min(run.bound, len(trips))
    status = Status.NO_FULL_PLAN if late else Status.PROVED if bound == len(trips) else Status.BEST_FOUND
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
        trips=trips,
        late_sites=len(late),
        late_days=sum(one.late_days for one in late),
        expected_dark_days=expected_dark_days(season, outlook, trips),
        unserved=late,
        charging=shelf.slots,
        wishes=tuple(str(wish) for wish in wishes),
        notes=(*keeping, *reserve, *plan_notes(season, outlook, trips, stopped=clock.stopped)),
    )


def _best_run(
    season: Season,
    clock: _Clock,
    effort: Effort,
    seed: int,
    progress: Callable[[Progress], None] | None,
    start: _Start,
) -> _Run:
    """Search; where in time and fallback dates cannot both be had, being in time comes first."""
    spare = season.fleet.plan.fallback_dates
    bent: frozenset[int] = frozenset()
    best: _Run | None = None
    for _ in range(3):
        run = _Run(season, build_windows(season, spare, bent), clock, effort, seed, progress, start, bent)
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


@dataclass(frozen=True)
class _Start:
    """What a search begins with: trips that meet the wishes, and the last plan."""

    witness: Witness
    plan: Plan | None

    def of_season(
        self, season: Season, book: TripBook
    ) -> tuple[dict[int, frozenset[int]], dict[int, frozenset[int]] | None]:
        """Return both in the season's numbers; of the last plan's trips what still fits."""
        task_of = {task.site.site_id: s for s, task in enumerate(season.tasks)}
        index_of = {
            (season.date_of(day.day), season.fleet.crews[day.crew].name): index
            for index, day in enumerate(season.days)
        }
        witness = {
            index_of[key]: frozenset(task_of[site_id] for site_id in sites)
            for key, sites in self.witness.items()
        }
        if self.plan is None:
            return witness, None
        last = {}
        for trip in self.plan.trips:
            index = index_of.get((trip.date, trip.crew))
            if index is None or any(clash in last for clash in season.conflicts[index]):
                continue
            known = [task_of[v.site_id] for v in trip.visits if v.site_id in task_of]
            visits = frozenset(s for s in known if s in season.days[index].spans)
            while visits and not book.fits(index, visits):
                visits -= {max(visits, key=lambda s: (season.tasks[s].due, s))}
            if visits:
                last[index] = visits
        return witness, last


@dataclass
class _Run:
    """One search with its bound."""

    season: Season
    windows: WindowSet
    clock: _Clock
    effort: Effort
    seed: int
    progress: Callable[[Progress], None] | None
    start: _Start = field(default_factory=lambda: _Start({}, None))
    bent: frozenset[int] = frozenset()

    def __post_init__(self) -> None:
        self.book = TripBook(self.season)
        self.pricer = Pricer(self.season)
        # a date to go is a limit on the trips of its crew-dates, in the bound as in the search
        must_run = self.season.wanted.must_run
        self.spans = tuple(SpanRow(frozenset(indices), least=1) for indices in must_run if indices)
        stock = _stock_rows(self.season)
        self.master = Master(self.season, self.windows.rows, stock, self.book, self.pricer, self.spans)
        self.witness, self.last = self.start.of_season(self.season, self.book)
        self.judge = Judge(self.season, self.windows.rows, self.book, self.last)
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
    def late_key(self) -> tuple[int, int, int]:
        """Wishes not met, and stage 1, of the incumbent."""
        value = self.search.value
        return (10**9, 0, 0) if value is None else (value.unmet, value.late_sites, value.late_days)

    @cached_property
    def bound(self) -> int:
        """
        Trips that no plan serving the sites equally well can undercut.

        Where no more sites are late than are late in every plan, every equally good plan serves all
        others in time, so that their windows still count. Where k more are late, any k may be: the
        windows of all but k of the others count, whichever they are.
        """
        trips = self.search.best
        days = self.judge.visit_days(trips)
        late = {s for s in days if self.judge.late_days_of(s, days[s])}
        more = len(late - set(self.windows.sure_late))
        if not more and not self.windows.sure_late and not self.bent:
            return self.master.whole_bound
        # where some sites bent, others might bend in an equally good plan: no fallback counts at all
        windows = build_windows(self.season, 0) if self.bent or more else self.windows
        more = len(late - set(windows.sure_late))
        rows = tuple(row for row in windows.rows if row.site not in windows.sure_late)
        # a plan without any trip was looked at first, and is not as good
        least = 1 if trips and late else 0
        if not rows or not self.clock.go_on():
            return least
        master = Master(self.season, rows, self.master.stock, self.book, self.pricer, self.spans, more)
        for index, visits in trips.items():
            master.add(index, tuple(sorted(visits)), usable=True)
        try:
            master.generate(
                self.effort.pricing_rounds, go_on=self.clock.go_on, report=self.report, target=len(trips)
            )
        except KeyboardInterrupt:
            self.clock.stopped = True
        return max(least, master.whole_bound)

    def report(self) -> None:
        """Tell the caller how far it is."""
        if self.progress is not None:
            value = self.search.value
            trips = None if value is None else value.trips
            in_time = value is not None and not self.judge.missed(self.search.best)
            self.progress(Progress(self.clock.elapsed_s, self.master.whole_bound, trips, in_time))

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
        if not self.windows.rows and not self.season.wanted.must_run:
            return
        if self.witness:
            search.offer(self.witness)
            search.offer(search.build(start=self.witness))
        if self.last:
            search.offer(self.last)
            search.offer(search.build(start=self.last))
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
        self._dive(effort.dives)
        self._cover()
        for column in master.columns:
            if column.usable:
                search.remember(column.index, column.visits)
        search.repair_rounds(effort.repairs, effort.repair, lambda: master.whole_bound)
        if search.value is not None and search.value.late_sites:
            search.offer(serve_late(search, search.best))
            for _ in range(effort.late_builds):
                if clock.go_on():
                    search.offer(serve_late(search, search.build(noise=1.6)))
        polish(search, effort.polish_passes)
        search.repair_rounds(effort.time_repairs, effort.repair, lambda: 0, by_time=True)
        polish(search, effort.polish_passes)

    def _cover(self) -> None:
        """Choose ever fewer of the trips known."""
        search, clock = self.search, self.clock
        while not self._proved() and clock.go_on():
            value = search.value
            if value is None:
                return
            most = len(search.best) if self.judge.missed(search.best) else value.trips - 1
            left = None if clock.time_limit_s is None else max(1.0, clock.time_limit_s - clock.elapsed_s)
            found = choose_cover(
                self.master,
                most,
                nodes=self.effort.cover_nodes,
                most_columns=self.effort.cover_columns,
                seconds=left,
            )
            if found is None or not search.offer(found, thin=True):
                return

    def _dive(self, dives: int) -> None:
        """Round the linear programme again and again, until a plan meets the bound."""
        search, master = self.search, self.master
        for k in range(dives):
            value = search.value
            if value is None or self._proved() or not self.clock.go_on():
                return
            limit = 10**9 if self.judge.missed(search.best) else value.trips
            if k % 2:  # steps back are few: every other dive spends them on a plan that would be proved
                limit = min(limit, master.whole_bound + 1)
            found = dive(master, search.random, limit, go_on=self.clock.go_on, spread=0.0 if k == 0 else 0.4)
            if found is not None and all(search.book.fits(i, v) for i, v in found.items()):
                search.offer(found, thin=True)
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


def _keeping_cost(run: _Run) -> tuple[str, ...]:
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


def _reserve_cost(run: _Run, *, late: bool) -> tuple[str, ...]:
    """Say what the fallback dates cost in trips."""
    spare = run.season.fleet.plan.fallback_dates
    value = run.search.value
    if spare == 0 or late or value is None or not value.trips or not run.clock.go_on():
        return ()
    windows = build_windows(run.season, 0)
    free = _Run(run.season, windows, run.clock, run.effort.short(), run.seed, None, run.start)
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
