"""
Finding plans: build, choose among known trips, destroy and repair, polish.

Nothing here proves anything; every result is valued by `tripplan.plan.solution.Judge` and its trips
by `tripplan.plan.trips.TripBook`. Random choices come from one seeded generator, and the integer
programmes run on one worker with a deterministic budget, so that a seed gives one plan.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.choose import Candidate, choose_trips
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, Trips, Value
from tripplan.plan.tidy import Tidy
from tripplan.plan.trips import MOST_ITEMS, TripBook

__all__ = ["Search"]

_SHARE_TRIED = 0.6
_MANY_SITES = 128
_NEAR_SITES = 40


@dataclass
class Search:
    """
    The search for a plan; `best` and `value` hold the incumbent.

    Attributes
    ----------
    go_on : callable
        False stops at the next safe point.
    report : callable
        Called when the incumbent improves.
    """

    season: Season
    rows: tuple[Window, ...]
    book: TripBook
    pricer: Pricer
    judge: Judge
    master: Master
    seed: int
    go_on: Callable[[], bool]
    report: Callable[[], None]
    best: dict[int, frozenset[int]] = field(default_factory=dict)
    value: Value | None = None

    def __post_init__(self) -> None:
        self.tidy = Tidy(self.season, self.rows, self.master.stock, self.book, self.judge)
        self.random = np.random.default_rng(self.seed)
        self._rows_at: list[dict[int, list[int]]] = [{} for _ in self.season.tasks]
        for r, window in enumerate(self.rows):
            for day in window.days:
                self._rows_at[window.site].setdefault(day, []).append(r)
        self._nearest: dict[tuple[int, int], NDArray[np.bool_]] = {}
        self._pool: dict[tuple[int, frozenset[int]], frozenset[int]] = {}

    # ---- the incumbent -------------------------------------------------------------------------

    def offer(self, trips: Trips, *, thin: bool = False) -> bool:
        """
        Take a plan as the incumbent if it is better and the shelf can feed it.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index; trips must fit.
        thin : bool, default False
            Where the shelf is short, look for visits to drop.

        Returns
        -------
        bool
            Whether it was taken.
        """
        tidy = self.tidy
        trips = tidy.sensible(tidy.once_a_day(trips))
        trimmed = tidy.thinned(trips) if thin else tidy.trimmed(trips)
        value = self.judge.value(trimmed)
        if self.value is not None and value >= self.value:
            return False
        if any(self.season.tasks[s].senseless(when) for s, when in self.judge.visit_days(trimmed).items()):
            return False  # a trip that fits only with a visit that cannot be made
        if self.season.fleet.stock_is_kept and self.judge.shortages(trimmed):
            return False
        better_count = self.value is None or (value.unmet, value.late_sites, value.late_days, value.trips) < (
            self.value.unmet,
            self.value.late_sites,
            self.value.late_days,
            self.value.trips,
        )
        self.best, self.value = dict(trimmed), value
        if better_count:
            self.report()
        return True

    def known(self) -> list[tuple[tuple[int, frozenset[int]], frozenset[int]]]:
        """Return the trips remembered, with the windows that each fills."""
        return list(self._pool.items())

    def remember(self, index: int, visits: Iterable[int]) -> None:
        """Keep a trip that fits for later choices."""
        wanted = frozenset(visits)
        key = (index, wanted)
        if key not in self._pool and self.book.fits(index, wanted):
            day = self.season.days[index].day
            self._pool[key] = frozenset(r for s in wanted for r in self._rows_at[s].get(day, ()))

    # ---- building ------------------------------------------------------------------------------

    def build(
        self, *, noise: float = 0.0, start: Trips | None = None, whole: bool = False
    ) -> dict[int, frozenset[int]]:
        """
        Build a plan row by row: the window that closes first sets the next trip.

        Parameters
        ----------
        noise : float, default 0
            Relative random change of the visits' worth.
        start : mapping of int to frozenset of int, optional
            Trips to begin with; a window that they miss first tries to ride along on one of them.
        whole : bool, default False
            Build to the end even when the time is up: some plan is better than the start of one.

        Returns
        -------
        dict
            Visits by day index; may miss windows.
        """
        trips: dict[int, frozenset[int]] = dict(start or {})
        open_rows = set(range(len(self.rows)))
        for index, visits in trips.items():
            open_rows -= self._covered(index, visits)
        for indices in self.season.wanted.must_run:
            self._go(trips, indices, open_rows, noise)
        haste = 21.0 * noise * self.random.random(len(self.rows))
        while open_rows and (whole or self.go_on()):
            r = min(open_rows, key=lambda q: (self.rows[q].days[-1] + haste[q], len(self.rows[q].days), q))
            window = self.rows[r]
            along = None if start is None else self._ride_along(trips, window)
            if along is not None:
                trips[along] |= {window.site}
                open_rows -= self._covered(along, trips[along])
                continue
            options = [
                index
                for day in window.days
                for index in self.season.days_by_number.get(day, ())
                if index not in trips
                and window.site in self.season.days[index].spans
                and not any(other in trips for other in self.season.conflicts[index])
            ]
            best: tuple[float, int, frozenset[int]] | None = None
            for index in options[-4:]:
                prize = self._worth(self.season.days[index].day, open_rows, noise)
                prize *= self._near(window.site, self.season.days[index].crew)
                prize[window.site] += 50.0
                for trip in (
                    *self.pricer.price((index,), prize, 40.0, width=4, keep=2).trips,
                    (window.site,),
                ):
                    visits = self._fitting(trip, window.site)
                    if window.site in visits and self.book.fits(index, visits):
                        gain = float(sum(prize[s] for s in visits))
                        if best is None or gain > best[0]:
                            best = (gain, index, visits)
            if best is None:
                open_rows.discard(r)
                continue
            visits = self._shelf_allows(trips, best[1], best[2], window.site)
            if not visits:
                open_rows.discard(r)
                continue
            trips[best[1]] = visits
            self.remember(best[1], visits)
            open_rows -= self._covered(best[1], visits)
        return trips

    def _go(
        self, trips: dict[int, frozenset[int]], indices: tuple[int, ...], open_rows: set[int], noise: float
    ) -> None:
        """Put a trip on a date to go, as useful as can be."""
        if any(index in trips for index in indices):
            return
        best: tuple[float, int, frozenset[int]] | None = None
        for index in indices:
            if any(other in trips for other in self.season.conflicts[index]):
                continue
            prize = self._worth(self.season.days[index].day, open_rows, noise)
            alone = sorted(self.season.days[index].spans, key=lambda s: (-prize[s], s))
            for trip in (
                *self.pricer.price((index,), prize, 1e-6, width=4, keep=2).trips,
                *((s,) for s in alone),
            ):
                first = trip[0]
                visits = self._fitting(trip, first)
                if not visits or not self.book.fits(index, visits):
                    continue
                visits = self._shelf_allows(trips, index, visits, first)
                gain = float(sum(prize[s] for s in visits))
                if visits and (best is None or gain > best[0]):
                    best = (gain, index, visits)
                if best is not None and len(trip) == 1:
                    break
        if best is not None:
            trips[best[1]] = best[2]
            self.remember(best[1], best[2])
            open_rows -= self._covered(best[1], best[2])

    def _ride_along(self, trips: Trips, window: Window) -> int | None:
        """Return the trip inside a window that takes its site along at the least crew time."""
        found: list[tuple[int, int]] = []
        for index, visits in trips.items():
            day = self.season.days[index]
            if day.day not in window.days or window.site not in day.spans or window.site in visits:
                continue
            shape, before = self.book.best(index, visits | {window.site}), self.book.best(index, visits)
            if shape is None or before is None:
                continue
            trial = {**trips, index: visits | {window.site}}
            if not (self.season.fleet.stock_is_kept and self.judge.shortages(trial)):
                found.append((shape.seconds - before.seconds, index))
        return min(found)[1] if found else None

    def _fitting(self, trip: tuple[int, ...], wanted: int) -> frozenset[int]:
        """Shorten a trip with more stops than the exact order takes, keeping the wanted site."""
        parks: list[int] = []
        for s in (wanted, *trip):
            if self.season.park_of[s] not in parks:
                parks.append(self.season.park_of[s])
        kept = set(parks[:MOST_ITEMS])
        return frozenset(s for s in trip if self.season.park_of[s] in kept)

    def _shelf_allows(self, trips: Trips, index: int, visits: frozenset[int], wanted: int) -> frozenset[int]:
        """Drop visits, those that can wait longest first, until the shelf can feed the trip."""
        if not self.season.fleet.stock_is_kept:
            return visits
        kept = set(visits)
        day = self.season.days[index].day
        while kept:
            short = self.judge.shortages({**trips, index: frozenset(kept)})
            if not short:
                return frozenset(kept)
            name = short[0].pack_type
            options = [s for s in kept if self.season.tasks[s].site.pack_type == name and s != wanted]
            if not options:
                return frozenset()
            kept.discard(
                max(
                    options,
                    key=lambda s: (
                        min(
                            (self.rows[r].days[-1] for r in self._rows_at[s].get(day, ())),
                            default=10**6,
                        ),
                        s,
                    ),
                )
            )
        return frozenset()

    def _near(self, site: int, crew: int) -> NDArray[np.bool_]:
        """Tell which sites are looked at for a trip to one of them: in large fleets only those near it."""
        season = self.season
        if len(season.tasks) <= _MANY_SITES:
            return np.ones(len(season.tasks), np.bool_)
        if (site, crew) not in self._nearest:
            gaps = season.move_down[crew][season.park_of[site], list(season.park_of)]
            near = np.zeros(len(gaps), np.bool_)
            near[np.argsort(gaps, kind="stable")[:_NEAR_SITES]] = True
            self._nearest[site, crew] = near
        return self._nearest[site, crew]

    def _covered(self, index: int, visits: Iterable[int]) -> set[int]:
        day = self.season.days[index].day
        return {r for s in visits for r in self._rows_at[s].get(day, ())}

    def _worth(self, day: int, open_rows: set[int], noise: float) -> NDArray[np.float64]:
        prize = np.zeros(len(self.season.tasks))
        for s in range(len(prize)):
            for r in self._rows_at[s].get(day, ()):
                if r in open_rows:
                    prize[s] += 1.0 / (1.0 + (self.rows[r].days[-1] - day) / 21.0)
        if noise:
            prize *= 1.0 + noise * (self.random.random(len(prize)) - 0.5)
        return prize

    # ---- choosing ------------------------------------------------------------------------------

    def _choose(
        self,
        options: list[tuple[int, frozenset[int]]],
        needed: set[int],
        fixed: dict[int, frozenset[int]],
        effort: float,
        *,
        fewer_than: int | None = None,
        by_time: bool = False,
    ) -> bool:
        blocked = {other for index in fixed for other in (index, *self.season.conflicts[index])}
        must = {index for indices in self.season.wanted.must_run for index in indices}
        candidates = []
        for index, visits in dict.fromkeys(options):
            if index in blocked:
                continue
            rows = (self._pool.get((index, visits)) or frozenset(self._covered(index, visits))) & needed
            if rows or index in must:
                shape = self.book.best(index, visits)
                if shape is not None:
                    candidates.append(Candidate(index, visits, frozenset(rows), shape.seconds))
        picked = choose_trips(
            self.season,
            candidates,
            needed,
            self.master.stock,
            fixed,
            effort,
            seed=int(self.random.integers(1 << 30)),
            fewer_than=fewer_than,
            by_time=by_time,
            last=self.judge.last,
        )
        if picked is None:
            return False
        return self.offer({**fixed, **{c.index: c.visits for c in picked}})

    # ---- destroy and repair --------------------------------------------------------------------

    def repair_rounds(
        self, rounds: int, effort: float, target: Callable[[], int], *, by_time: bool = False
    ) -> None:
        """
        Take out the trips around a date and ask for fewer, round after round.

        Parameters
        ----------
        rounds : int
            Rounds at the most.
        effort : float
            Deterministic budget of each integer programme.
        target : callable
            Trips at which to stop (the lower bound).
        by_time : bool, default False
            Keep the count and ask for less crew time instead.
        """
        idle = 0
        for _ in range(rounds):
            if self.value is None or not self.go_on():
                return
            done = self.value.late_sites == 0 or not self.judge.missed(self.best)
            if not by_time and done and self.value.trips <= target():
                return
            idle = 0 if self._repair(effort, 4 + min(idle // 8, 4), by_time=by_time) else idle + 1

    def _repair(self, effort: float, most: int, *, by_time: bool) -> bool:
        season, trips = self.season, self.best
        if not trips:
            return False
        pick = int(self.random.integers(3, most + 1))
        missed = self.judge.missed(trips)
        if missed and self.random.random() < 0.7:
            row = missed[int(self.random.integers(len(missed)))]
            center = row.days[int(self.random.integers(len(row.days)))]
        else:
            center = int(self.random.integers(season.n_days))
        near = sorted(trips, key=lambda i: abs(season.days[i].day - center) + 14 * self.random.random())[
            :pick
        ]
        fixed = {index: visits for index, visits in trips.items() if index not in near}
        done: set[int] = set()
        for index, visits in fixed.items():
            done |= self._covered(index, visits)
        needed = set(range(len(self.rows))) - done
        span = [season.days[i].day for i in near] + [center]
        lo, hi = min(span) - 28, max(span) + 28
        indices = [
            i for i, day in enumerate(season.days) if lo <= day.day <= hi and day.spans and i not in fixed
        ]
        options = [(index, trips[index]) for index in near]
        for index in indices:
            base = self._worth(season.days[index].day, needed, 0.0)
            if base.max(initial=0.0) <= 0:
                continue
            for _ in range(3):
                prize = base * self.random.random(len(base))
                if by_time:  # the least crew time wants trips that leave sites to others
                    prize = np.where(self.random.random(len(base)) < _SHARE_TRIED, prize, 0.0)
                for trip in self.pricer.price((index,), prize, 1e-6, width=4, keep=2).trips:
                    visits = frozenset(trip)
                    if self.book.fits(index, visits):
                        self.remember(index, visits)
                        options.append((index, visits))
        inside = set(indices)
        known = sorted(
            (
                (-len(rows & needed), index, tuple(sorted(visits)))
                for (index, visits), rows in self._pool.items()
                if index in inside
            ),
        )[:600]
        options.extend((index, frozenset(visits)) for _, index, visits in known)
        return self._choose(
            options,
            needed,
            fixed,
            effort,
            fewer_than=None if by_time or missed else len(near),
            by_time=by_time,
        )
