"""One search for a season's plan, with its bound: build, generate trips, dive, repair, polish."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, partial

from tripplan.plan.all_parts import Parts
from tripplan.plan.branching import branch
from tripplan.plan.clock import Clock, Progress, Rounds, Step
from tripplan.plan.cover import choose_cover
from tripplan.plan.dive import dive
from tripplan.plan.effort import Effort
from tripplan.plan.intervals import tighten
from tripplan.plan.least_time import shorten
from tripplan.plan.master import Master
from tripplan.plan.owed import Owed, owed_by, owed_if_bent
from tripplan.plan.pairs import stretched_limits, stretched_windows
from tripplan.plan.parts import is_large, make_pricer
from tripplan.plan.patient import Beginnings
from tripplan.plan.polish import polish, serve_late
from tripplan.plan.rows import SpanRow, StockRow
from tripplan.plan.search import Search
from tripplan.plan.season import Season, Window
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.solution import Judge
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.start import Start
from tripplan.plan.tries import Try, try_for_fewer
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import WindowSet

__all__ = ["Run"]

_BOUND_SHARE = 0.6
"""Share of the time limit after which the bound is left as it is."""

_FIRST_SHARE, _LIMITS_SHARE = 0.64, 0.74
"""Shares of the time limit after which limits on the trips between two dates are looked for, and not any
more, where more than one trip is open."""

_BEND_SHARE = 0.25
"""Share of the time limit after which sites still late give up their fallback dates, where that may help."""

_SQUEEZE_SHARE = 0.78
"""Share of the time limit up to which fewer trips are sought where more than one is open."""

_TRIPS_SHARE = 0.8
"""Share of the time limit after which the number of trips stays as it is, and crew time is looked at."""

_SHORTENINGS = 3
"""Times at the most that trips are chosen anew for less crew time, with small moves after each."""

_CHOICES_PART, _CHOICES_OF_MANY = 0.45, 0.35
"""Parts of the time then left that go into the choice of trips for less crew time; with many windows."""

_FEW_WINDOWS, _LEAST_SHARE = 400, 0.125
"""Windows for which the turns of the search for fewer trips are meant; others take more or less in
proportion, but at least this share."""

_MOST_TURNS, _MOST_GROWTH = 16, 4
"""A patient search takes more turns after each failure: up to so many times as many, counted from no more
than are meant for 400 windows, or so many times its own where that is more."""

_PROBE_SHARE, _EARLY_SHARE, _BASES_SHARE, _BOUNDS_SHARE, _LATE_SHARE = 0.08, 0.2, 0.35, 0.7, 0.85
"""
Shares of the time limit after which bases fill no more windows before sites bend, are not searched before
the bound is sought, generate no more for the whole, bounds are left, and bases are not searched any more.
"""

_NARROW_TURNS = 1
"""Turns of narrow pricing between two exact rounds of a large season, which are dear."""

_PART_TURNS = 4
"""Parts are as large as whole seasons of others; their search takes so many more turns."""

_LIFT_REACH = 0.35
"""Limits lift a linear value to the next whole number and seldom beyond; where more lacks, the search makes
better use of the time. [trips]"""

_BRANCH_REACH = 0.25
"""Cases are looked at where the linear value is no further below what would prove the plan. [trips]"""

_ANY_NUMBER, _A_PAIR = 10**6, 2

_MORE_IF_LATE = 3
"""Trips by which a plan that misses something may grow at each try to miss nothing."""


@dataclass
class Run:
    """One search with its bound."""

    season: Season
    windows: WindowSet
    clock: Clock
    effort: Effort
    seed: int
    progress: Callable[[Progress], None] | None
    start: Start = field(default_factory=lambda: Start({}, None))
    bent: frozenset[int] = frozenset()
    may_bend: bool = False

    def __post_init__(self) -> None:
        self.late_master: Master | None = None
        self._late_owed = Owed((), 0, plain=False, bends=False, late=0)
        self._tight: Master | None = None
        self._failed_tries = 0  # patient ones
        self.step: Step = "fewer trips"
        self.book = TripBook(self.season)
        self.pricer = make_pricer(self.season)
        # a date to go is a limit on the trips of its crew-dates, in the bound as in the search
        must_run = self.season.wanted.must_run
        self.spans = tuple(SpanRow(frozenset(indices), least=1) for indices in must_run if indices)
        self.stock = stock = stock_rows(self.season)
        if self.bent and not is_large(self.season):
            # others may bend in plans as good: the bound counts no fallback date from the start
            self._late_owed = owed_if_bent(self.season)
            self.master = self.late_master = self._master_of(self._late_owed.rows, stock)
        else:
            self.master = self._master_of(self.windows.bound_rows, stock)
        self.witness, self.last = self.start.of_season(self.season, self.book)
        self.judge = Judge(self.season, self.windows.rows, self.book, self.last)
        self.squeezer = Squeeze(self.season, self.windows.rows, stock, self.judge.shortages)
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
        self.beginnings = Beginnings(self.search, self.master)

    def _master_of(self, rows: tuple[Window, ...], stock: tuple[StockRow, ...], forgiven: int = 0) -> Master:
        """Return the linear programme that bounds the whole season; of a large one on pairs of dates."""
        season = self.season
        if is_large(season):
            rows, stock = stretched_windows(season, rows), stretched_limits(season, stock)
        return Master(season, rows, stock, self.book, self.pricer, self.spans, forgiven)

    @property
    def late_key(self) -> tuple[int, int, int]:
        """Wishes not met, and stage 1, of the incumbent."""
        value = self.search.value
        return (10**9, 0, 0) if value is None else (value.unmet, value.late_sites, value.late_days)

    @property
    def owed(self) -> tuple[tuple[Window, ...], int]:
        """Windows that every plan as good holds, all but those of so many sites, whichever they are."""
        found = self._owed()
        return found.rows, found.forgiven

    @cached_property
    def bound(self) -> int:
        """
        Trips that no plan serving the sites equally well can undercut.

        Where no more sites are late than are late in every plan, every equally good plan serves all
        others in time, so that their windows still count. Where k more are late, any k may be: the
        windows of all but k of the others count, whichever they are.
        """
        trips = self.search.best
        owed = self._owed()
        rows, more = owed.rows, owed.forgiven
        if owed.plain:
            return self.master.whole_bound
        # a plan without any trip was looked at first, and is not as good
        least = 1 if trips and owed.late else 0
        if self.late_master is not None and owed.within(self._late_owed):
            return max(least, self.late_master.whole_bound)
        if not rows or not self.clock.go_on():
            return least
        master = self._master_of(rows, self.stock, more)
        for index, visits in trips.items():
            master.add(index, tuple(sorted(visits)), usable=True)
        try:
            master.generate(
                self.effort.pricing_rounds, go_on=self.clock.go_on, report=self.report, target=len(trips)
            )
        except KeyboardInterrupt:
            self.clock.stopped = True
        return max(least, master.whole_bound)

    def _owed(self) -> Owed:
        """Return what every plan owes that serves the sites as well as the best one found."""
        return owed_by(self.season, self.windows, self.judge, self.search.best, bent=bool(self.bent))

    def report(self) -> None:
        """Tell the caller how far it is."""
        if self.progress is not None:
            value = self.search.value
            trips, seconds = (None, None) if value is None else (value.trips, value.seconds)
            # elsewhere its windows are not those of every plan as good
            known = not (self.windows.sure_late or (self.bent and self.late_master is None))
            in_time = known and value is not None and not self.judge.missed(self.search.best)
            bound = (self.late_master or self.master).whole_bound if known else 0
            at, step = self.clock.elapsed_s, self.step
            self.progress(Progress(at, bound, trips, in_time, step=step, crew_seconds=seconds))

    def solve(self) -> None:
        """Search until proved, or until the effort is spent; Ctrl-C keeps what there is."""
        try:
            with self.clock.raising():
                self.search.offer({})
                self._solve()
        except KeyboardInterrupt:
            self.clock.stopped = True
        self.report()

    def _solve(self) -> None:
        search, master, effort, clock = self.search, self.master, self.effort, self.clock
        if not self.windows.rows and not self.season.wanted.must_run:
            return
        for start in filter(None, (self.witness, self.last)):
            search.offer(start)
            search.offer(search.build(start=start))
        parts = self._parts(self.windows.rows, self.stock)
        if parts.parts:
            self._solve_in_parts(parts)
            return
        for k in range(effort.builds):
            search.offer(search.build(noise=0.0 if k == 0 else 0.6, whole=k == 0))
        self.report()
        self._squeeze(effort.squeezes)
        if self._is_to_bend():
            return
        for index, visits in search.best.items():
            master.add(index, tuple(sorted(visits)), usable=True)
        if self._proved():
            self._finish()
            return
        master.generate(
            effort.pricing_rounds,
            go_on=lambda: clock.go_on(_BOUND_SHARE),
            report=self.report,
            target=None if search.value is None or self.judge.missed(search.best) else search.value.trips,
        )
        share = _FIRST_SHARE if self._is_far() else _SQUEEZE_SHARE
        self._squeeze(effort.more_squeezes, patient=True, share=share)
        while self._is_far() and clock.time_limit_s is not None and clock.go_on(_FIRST_SHARE):
            self._squeeze(_A_PAIR, patient=True, share=_FIRST_SHARE)  # there is time, and much to gain
        self._lift()
        if self._is_far() and clock.time_limit_s is not None:
            self._squeeze(_ANY_NUMBER, patient=True, share=_SQUEEZE_SHARE)
        self._branch(effort.branches)
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
        self._finish()

    def _is_to_bend(self) -> bool:
        """Tell whether sites stay late that may come before their fallback dates, and time is limited."""
        if not self.may_bend or self.clock.time_limit_s is None:
            return False
        if self._misses_too_much():
            self._squeeze(self.effort.more_squeezes, patient=True, share=_BEND_SHARE)
        return self._misses_too_much()

    def _misses_too_much(self) -> bool:
        """Tell whether a site misses windows that is not late whatever is done."""
        return not {row.site for row in self.judge.missed(self.search.best)} <= self.windows.sure_late.keys()

    def _parts(self, rows: tuple[Window, ...], stock: tuple[StockRow, ...]) -> Parts:
        """Split a large season by base."""
        if not is_large(self.season):
            return Parts(self.season, (), self.clock.go_on)
        return Parts.of(self.season, rows, stock, self.seed, self.clock.go_on)

    def _solve_in_parts(self, parts: Parts) -> None:
        """Search and bound a large season part by part, then bound the whole with all trips found."""
        search, effort, clock = self.search, self.effort, self.clock
        turns = effort.squeeze_turns * _PART_TURNS

        take = partial(search.offer, thin=True)
        parts.build(search.best, turns)
        take(parts.trips)
        self.report()
        if self.may_bend:
            parts.fill(turns, take, partial(clock.go_on, _PROBE_SHARE))
            if self._misses_too_much():
                return  # these come before their fallback dates; the next search begins with this plan
        early = partial(clock.go_on, _EARLY_SHARE)
        parts.squeeze(1, turns, take, early, shared=True)
        parts.squeeze(effort.squeezes, turns, take, early, shared=False)
        master = self._bound_in_parts(parts)
        if not self._proved():
            if not parts.add_up(master):
                self._bound_whole(master)
            late = partial(clock.go_on, _LATE_SHARE)
            parts.squeeze(effort.more_squeezes, turns, take, late, shared=False)
            self._squeeze(effort.squeezes, share=_LATE_SHARE)
        if search.value is not None and search.value.late_sites:
            search.offer(serve_late(search, search.best))
        self.step = "less crew time"
        self.report()
        parts.save_time(search.best, effort.polish_passes, effort.time_nodes, search.offer, clock)

    def _bound_in_parts(self, parts: Parts) -> Master:
        """
        Bound plans like the one found: for its windows, or for those that equally good plans all fill.

        Returns the linear programme of the whole, with the trips that the parts found.
        """
        search, effort, clock = self.search, self.effort, self.clock
        master, known = self.master, parts
        owed = self._owed()
        if not owed.plain:
            master = self._master_of(owed.rows, self.stock, owed.forgiven)
            self.late_master, self._late_owed = master, owed
        parts = self._parts(master.rows, master.stock)
        for index, visits in search.best.items():
            master.add(index, tuple(sorted(visits)), usable=True)
        used = 0.0 if clock.time_limit_s is None else clock.elapsed_s / clock.time_limit_s
        shares = used, _BOUNDS_SHARE if parts.add_up(master) else _BASES_SHARE
        parts.bound(master, effort.pricing_rounds, clock.go_on, shares, self.report, known)
        return master

    def _bound_whole(self, master: Master) -> None:
        """Generate trips of the whole, as long as rounds of exact pricing fit into the time."""
        rounds = Rounds(self.clock, _LATE_SHARE, _BOUNDS_SHARE)

        def report() -> None:
            rounds.ended()
            self.report()

        if rounds.go_on():
            master.generate(
                self.effort.pricing_rounds,
                go_on=rounds.go_on,
                report=report,
                target=len(self.search.best),
                narrow_turns=_NARROW_TURNS,
            )

    def _finish(self) -> None:
        """Save crew time."""
        search, effort = self.search, self.effort
        self.step = "less crew time"
        self.report()
        polish(search, effort.polish_passes)
        self.report()
        part = _CHOICES_OF_MANY if self.master.many_windows else _CHOICES_PART
        share = self.clock.with_part_of_rest(part)  # the bound gets the rest
        go_on, left = partial(self.clock.go_on, share), partial(self.clock.left, share)
        nodes = 0 if is_large(self.season) else effort.time_nodes
        for _ in range(_SHORTENINGS):
            if not shorten(search, self.stock, nodes=nodes, go_on=go_on, seconds_left=left):
                break
            polish(search, effort.polish_passes)
            self.report()
        if go_on():
            search.repair_rounds(effort.time_repairs, effort.repair, lambda: 0, by_time=True)
            polish(search, effort.polish_passes)

    def _squeeze(self, misses: int, *, patient: bool = False, share: float = 1.0) -> None:
        """
        Look for a plan that misses less, then for one trip fewer, until so many tries have failed.

        A patient search goes by the linear programme too, and by what it failed with before (`patient.py`);
        it takes more turns after each failure, and goes on from there when it is called again.
        """
        search = self.search
        go_on = partial(self.clock.go_on, share)
        while misses > 0 and go_on() and search.value is not None and not self._proved():
            late = bool(self.judge.missed(search.best))
            most = search.value.trips + (_MORE_IF_LATE if late else -1)
            if most < 1:
                return
            every = late and misses > 1  # the last try of a plan that misses something is for fewer trips
            most = most if every else search.value.trips - 1
            tries, near = [Try(search.best)], None
            if patient and not late and misses > 1 and (chosen := self.beginnings.tries(most, go_on)):
                tries, near = chosen, self.beginnings.take
            turns = self._turns(self._failed_tries if patient else 0)
            if try_for_fewer(search, self.squeezer, tries, most, turns, go_on, every=every, near=near):
                for index, visits in search.best.items():
                    self.master.add(index, tuple(sorted(visits)), usable=True)
                continue
            misses -= len(tries)
            if patient:
                self.beginnings.failed += 1
                self._failed_tries += len(tries)

    def _turns(self, failed: int) -> int:
        """Return the turns of a try after so many failed ones."""
        base = self.effort.squeeze_turns
        turns = round(base * max(_LEAST_SHARE, len(self.windows.rows) / _FEW_WINDOWS))
        return min(turns << min(failed, 40), max(_MOST_TURNS * min(base, turns), _MOST_GROWTH * turns))

    def _branch(self, nodes: int) -> None:
        """Bound the season case by case where a single trip is open."""
        search, master, clock = self.search, self.master, self.clock
        value = search.value
        if value is None or self._proved() or self.judge.missed(search.best) or not clock.go_on():
            return
        if value.trips - master.whole_bound > 1 or master.value < value.trips - 1 - _BRANCH_REACH:
            return
        if nodes and self._tight is None:
            self._tighten(self.effort.interval_turns)
        since = clock.elapsed_s

        def look() -> int:
            nonlocal since
            if clock.time_limit_s is None:
                self._squeeze(1)
            else:  # as long as the cases took
                share = (2 * clock.elapsed_s - since) / clock.time_limit_s
                self._squeeze(_ANY_NUMBER, patient=True, share=min(_TRIPS_SHARE, share))
            since = clock.elapsed_s
            return len(search.best)

        if not self._proved():
            nodes = nodes if clock.time_limit_s is None else _ANY_NUMBER
            root, rounds, rise = self._tight or master, self.effort.branch_rounds, self._rise
            go_on, most = partial(clock.go_on, _TRIPS_SHARE), value.trips
            rise(branch(root, most, nodes=nodes, rounds=rounds, go_on=go_on, look=look, report=rise))

    def _tighten(self, turns: int, share: float = 1.0) -> None:
        """Take limits on the trips between two dates into the linear programme of the season."""
        value = self.search.value
        if value is None or not turns or self._proved() or self.judge.missed(self.search.best):
            return
        go_on, rounds = partial(self.clock.go_on, share), self.effort.branch_rounds
        most, report = value.trips, self._rise
        self._tight = tighten(self.master, most, turns=turns, rounds=rounds, go_on=go_on, report=report)

    def _lift(self) -> None:
        """Look for limits between two dates where several trips are open and little lacks to a whole one."""
        value = self.master.value
        if not math.isfinite(value) or self.master.whole_bound >= math.ceil(value):
            return  # the next whole number is proved
        if self._is_far() and math.ceil(value) - value <= _LIFT_REACH:
            self._tighten(self.effort.interval_turns, _LIMITS_SHARE)

    def _rise(self, least: int) -> None:
        """Take in that no plan needs fewer trips."""
        self.master.least = max(self.master.least, least)
        self.report()

    def _is_far(self) -> bool:
        """Tell whether more than one trip is open."""
        value = self.search.value
        return value is not None and value.trips > self.master.whole_bound + 1

    def _cover(self) -> None:
        """Choose ever fewer of the trips known."""
        search, clock = self.search, self.clock
        while self.effort.cover_nodes and not self._proved() and clock.go_on(_TRIPS_SHARE):
            value = search.value
            if value is None:
                return
            most = len(search.best) if self.judge.missed(search.best) else value.trips - 1
            found = choose_cover(
                self.master,
                most,
                nodes=self.effort.cover_nodes,
                most_columns=self.effort.cover_columns,
                seconds=clock.left(),
                go_on=clock.go_on,
            )
            if found is None or not search.offer(found, thin=True):
                return

    def _dive(self, dives: int) -> None:
        """Round the linear programme again and again, until a plan meets the bound."""
        search, master, go_on = self.search, self.master, partial(self.clock.go_on, _TRIPS_SHARE)
        for k in range(dives):
            if (value := search.value) is None or self._proved() or not go_on():
                return
            limit = 10**9 if self.judge.missed(search.best) else value.trips
            if k % 2:  # steps back are few: every other dive spends them on a plan that would be proved
                limit = min(limit, master.whole_bound + 1)
            found = dive(master, search.random, limit, go_on=go_on, spread=0.0 if k == 0 else 0.4)
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
