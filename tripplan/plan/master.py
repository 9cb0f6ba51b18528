"""
The linear programme over trips, and the lower bound that exact pricing proves with its multipliers.

Columns are trips (a set of visits on one crew's date), rows the windows that must hold a visit, at
most one trip a crew and date, no two crews that share a person, what the shelf can give by each date,
and limits on the trips of a span. For any multipliers ``y >= 0`` of the windows, ``v >= 0`` of the
stock rows and ``w`` of the spans (``w >= 0`` for a fewest, ``w <= 0`` for a most), and any scale ``t`` in
[0, 1], no plan needs fewer trips than

    t (sum y - sum v * cap + sum w * limit) - sum over crew-dates of max(0, t * (P + W) - 1)

where P is the largest prize that a trip of that crew and date can collect and W the sum of its spans'
multipliers [1]_; of crew-dates of which only one can run only the largest term counts. Where k sites may
be late, whichever they are, the k largest of the sites' sums of y are taken off. Only a complete pricing
gives P; a truncated one gives no bound.

References
----------
.. [1] M. E. Luebbecke and J. Desrosiers, "Selected topics in column generation," Operations
   Research 53(6), 1007-1023, 2005 (Lagrangian bound); A. A. Farley, "A note on bounding a class of
   linear programming problems," Operations Research 38(5), 922-923, 1990 (the scale t).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.central import Central
from tripplan.plan.narrow import Job, Narrow
from tripplan.plan.pricing import EASY_WORK, SURE_NEAR
from tripplan.plan.programme import Column

__all__ = ["Master"]

_FEW_PARKS, _NEAR, _MOST_NEAR = 12, 7, 11
"""Parkings whose sites exact pricing remembers: all where they are few, else so many, and at the most."""

_NEAR_VALUE = 0.85
"""Smoothing begins once the bound has come this near to the linear value; a poor centre misleads."""

_SLOW_FALL = 0.002
_SLOW_TURNS = 3
"""Exact pricing comes once the value has fallen by less than this share so many times running."""

_PATIENT_TURNS = 12
"""So many times where some window is not filled yet: the value then stands still for a while."""

_NEAR_COST = 0.1
"""How much more than it collects a trip costs that may be left out of a large linear programme. [trips]"""

_LITTLE = 0.4
"""Less smoothing is wanted where a round closes a smaller share of what is open between bound and value."""

_MOST_NARROW = 10**6
_NEARLY = 2e-3
"""How near to its optimum the linear programme is solved from the middle. [trips]"""

_EPS = 1e-6
_ROUNDING = 1e-5


@dataclass(frozen=True)
class _Found:
    """The most that a trip can collect, and trips found exactly and narrowly."""

    most: float
    trips: tuple[tuple[int, ...], ...] = ()
    narrow: tuple[tuple[int, ...], ...] = ()


@dataclass
class Master(Narrow):
    """
    Column generation for the fewest trips of a season.

    Attributes
    ----------
    bound : float
        Best bound that pricing proved; `whole_bound` is it in whole trips.
    least : int
        Trips that were shown to be needed in another way, where every window is filled.
    rounds : int
        Exact pricing rounds so far.
    near_parks : int
        Parkings whose sites exact pricing remembers; 0 chooses by their number.
    few_trips, idle_turns : int
        Of more than so many trips, those that cost clearly more than they collect, so many times running, are
        left out of the linear programme of many windows until they are worth while again.
    """

    bound: float = 0.0
    least: int = 0
    rounds: int = 0
    near_parks: int = 0
    few_trips: int = 4000
    idle_turns: int = 3

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.near_parks:
            n_parks = len(self.season.park_places)
            self.near_parks = n_parks if n_parks <= _FEW_PARKS else _NEAR
        self._center: NDArray[np.float64] | None = None
        self._idle = np.zeros(0, np.int64)  # turns running that each trip was far from worth while
        self._left_out = 0  # trips worth while that are not in the linear programme just now

    @property
    def tells_repeats(self) -> bool:
        """
        Whether a trip that repeats a site is another one than the trip that does not.

        Else it stays out where the other is known, its worth goes unheard, and the bound stands still until
        pricing remembers more. That pays in small seasons, whose value stays higher; in large ones it takes
        too long.
        """
        return self.many_windows

    @cached_property
    def _central(self) -> Central:
        return Central(self.book_of_rows)

    @property
    def limits(self) -> tuple[int, ...]:
        """Numbers of the stock rows that were needed so far."""
        return self._central.limits if self.many_windows else self.stock_rows_in

    def expect(self, limits: Iterable[int]) -> None:
        """
        Bring stock rows in before they are broken, which saves solving again for each.

        Parameters
        ----------
        limits : iterable of int
            Their numbers among the stock rows.
        """
        if self.many_windows:
            self._central.expect(limits)
        else:
            self.bring_in_stock_rows(limits)

    # ---- the bound ---------------------------------------------------------------------------------

    def improve_bound(
        self, duals: NDArray[np.float64], *, add: bool = True, go_on: Callable[[], bool] | None = None
    ) -> int:
        """
        Price every crew and date exactly, raise the bound, add the trips found.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            Any multipliers; negative parts of the wrong sign are cut off.
        add : bool, default True
            Whether to add columns.
        go_on : callable, optional
            False stops, and then raises no bound.

        Returns
        -------
        int
            Columns added.
        """
        season = self.season
        go_on = go_on or self._go_on
        prize = self.prizes(duals)
        jobs: list[Job] = []
        for group in self._groups:
            alike: dict[bytes, list[int]] = {}
            for index in group:
                key = np.append(np.maximum(prize[season.days[index].day], 0), self.bonus(duals, index))
                alike.setdefault(key.round(9).tobytes(), []).append(index)
            jobs.extend(
                Job(tuple(indices), prize[season.days[indices[0]].day], self.bonus(duals, indices[0]))
                for indices in alike.values()
            )
        best: dict[int, float] = {}
        added = 0
        for job, priced in zip(jobs, self.at_once(lambda job: self._priced(job, go_on), jobs), strict=False):
            if priced is None:
                return added  # some dates were not priced: no bound rests on this
            for trip in priced.trips if add else ():
                added += self._add_priced(list(job.indices), trip)
            for trip in priced.narrow if add else ():
                added += self._add_priced([i for i in job.indices if self.book.fits(i, trip)], trip)
            for index in job.indices:
                best[index] = priced.most + job.bonus
        self._raise_bound(duals, best)
        return added

    def _priced(self, job: Job, go_on: Callable[[], bool]) -> _Found | None:
        """Price some dates exactly; None where the search is to stop."""
        if not go_on():
            return None
        cost = max(_EPS, 1.0 - job.bonus)
        open_sites = list(self.season.days[job.indices[0]].spans)
        most = float(job.prize[open_sites].clip(min=0).sum())
        if most <= cost:
            return _Found(most)
        narrow = self.pricer.price((job.indices[0],), job.prize, cost, width=2, keep=2)
        threshold = max(cost, narrow.best)
        near = self.near_parks
        most_work = EASY_WORK if near > SURE_NEAR else None
        priced = self.pricer.price(job.indices, job.prize, threshold, near_parks=near, max_work=most_work)
        while not priced.complete and near > 1:
            near = min(near - 1, SURE_NEAR)
            priced = self.pricer.price(job.indices, job.prize, threshold, near_parks=near)
        # where even the loosest pricing did not end, all that can be collected still bounds
        most = min(most, priced.best) if priced.complete else most
        return _Found(most, priced.trips, narrow.trips)

    def _add_priced(self, indices: list[int], trip: tuple[int, ...]) -> int:
        added = 0
        elementary = len(set(trip)) == len(trip)
        for index in indices:
            usable = elementary and self.book.fits(index, trip)
            added += self.add(index, tuple(sorted(trip)), usable=usable)
        return added

    def _raise_bound(self, duals: NDArray[np.float64], best: Mapping[int, float]) -> None:
        n = len(self.rows)
        of_site = np.zeros(len(self.season.tasks))
        np.add.at(of_site, self.book_of_rows.window_site, np.maximum(0.0, duals[:n]))
        total = float(np.sort(of_site)[: len(of_site) - self.forgiven].sum())
        at = self.book_of_rows.stock_at
        for k, row in enumerate(self.stock):
            total -= max(0.0, -float(duals[at + k])) * row.cap
        for k, span in enumerate(self.spans):
            limit = span.most if span.least is None else span.least
            total += self._span_dual(duals, self.book_of_rows.spans_at + k) * (limit or 0)
        prizes = [max((best.get(index, 0.0) for index in part), default=0.0) for part in self._apart]
        above = sorted((p for p in prizes if p > 1.0), reverse=True)
        scales = {1.0, *(1.0 / p for p in above)}
        for scale in scales:
            value = scale * total - sum(max(0.0, scale * p - 1.0) for p in above)
            if value > self.bound + 1e-9:
                self.bound = value
                self._center = duals.copy()

    @property
    def whole_bound(self) -> int:
        """Trips that no plan serving every window can undercut."""
        known = 0 if self.forgiven else max(self.apart, self.least)
        return max(known, math.ceil(self.bound - _ROUNDING))

    @cached_property
    def apart(self) -> int:
        """Windows that share no day, taken greedily: each needs a trip of its own."""
        count, last = 0, -1
        for row in sorted(self.rows, key=lambda row: row.days[-1]):
            if row.days[0] > last:
                count += 1
                last = row.days[-1]
        return count

    def generate(
        self,
        max_rounds: int,
        *,
        go_on: Callable[[], bool],
        report: Callable[[], None],
        target: int | None = None,
        narrow_turns: int = _MOST_NARROW,
    ) -> None:
        """
        Run column generation until the bound meets the value, or rounds or time are spent.

        Parameters
        ----------
        max_rounds : int
            Exact pricing rounds at the most; with none the bound stays, and narrow pricing ends where they
            would begin.
        go_on : callable
            False stops.
        report : callable
            Called after each bound.
        target : int or None
            Trips of the best plan known; the bound need not rise above it.
        narrow_turns : int, optional
            Narrow pricing at the most between two exact rounds.
        """
        before, self._go_on = self._go_on, go_on
        try:
            self._generate(max_rounds, go_on, report, target, narrow_turns)
        finally:
            self._go_on = before

    def _generate(
        self,
        max_rounds: int,
        go_on: Callable[[], bool],
        report: Callable[[], None],
        target: int | None,
        narrow_turns: int,
    ) -> None:
        smoothing = 0.6
        last, slow, turns = math.inf, 0, narrow_turns
        for _ in range(max(1, max_rounds) * 40):
            if not go_on():
                return
            duals = self.multipliers()
            nearly = _NEARLY if self.many_windows else _ROUNDING
            creeps = last - self.value < _SLOW_FALL * self.value
            slow = slow + 1 if creeps else 0
            last = self.value
            patience = _SLOW_TURNS if self.missed < nearly and max_rounds > 0 else _PATIENT_TURNS
            if slow < patience and turns > 0 and self._narrowly(duals) >= 3:
                turns -= 1
                continue
            if self.rounds >= max_rounds:
                return
            slow, turns = 0, narrow_turns
            self.rounds += 1
            center = self._center
            if center is None or smoothing < 0.02 or self.bound < _NEAR_VALUE * self.value:
                mixed = duals
            else:
                mixed = smoothing * center + (1 - smoothing) * duals
            before, open_before = self.bound, self.value - self.bound
            added = self.improve_bound(mixed) + self._left_out
            report()
            if math.ceil(self.bound - _ROUNDING) >= self.value - nearly and self.missed < nearly:
                return
            if target is not None and self.whole_bound >= target:
                return
            if self.rounds >= max_rounds:
                return
            if added == 0:
                if mixed is duals:
                    if self.near_parks >= _MOST_NEAR:
                        return
                    self.near_parks += 2
                    smoothing = 0.6
                    continue
                smoothing *= 0.3
            elif self.bound <= before + 1e-6:
                smoothing *= 0.7
            elif self.bound - before < _LITTLE * open_before:
                smoothing *= 0.5

    def multipliers(self) -> NDArray[np.float64]:
        """
        Solve the linear programme: with many windows from the middle, else as `solve`.

        Returns
        -------
        numpy.ndarray, shape (n_rows,)
            Dual values, as `solve` returns them.
        """
        if not self.many_windows:
            return self.solve()
        n = len(self.columns)
        self._idle = np.append(self._idle, np.zeros(n - len(self._idle), np.int64))
        costs = self._column_costs()
        used = (self._idle < self.idle_turns) if n > self.few_trips else np.ones(n, np.bool_)
        found = self._central.solve(self._index[:n][used], self._counts[:n][used], costs[used])
        self.value, self.missed, self.weights = found.value, found.missed, np.zeros(n)
        self.weights[used] = found.weights
        cost = self.reduced_costs(found.duals) - 1.0 + costs
        self._left_out = int((~used & (cost < -_EPS)).sum())
        self._idle = np.where(cost < np.where(used, _NEAR_COST, -_EPS), 0, self._idle + 1)
        return found.duals

    def _column_costs(self) -> NDArray[np.float64]:
        """Return what each trip costs in the linear programme."""
        return np.ones(len(self.columns))

    def nearly_worth_while(self) -> list[Column]:
        """
        Leave out the trips that were far from worth while for some turns.

        Returns
        -------
        list of Column
            The others.
        """
        new = len(self.columns) - len(self._idle)
        idle = np.append(self._idle, np.zeros(new, np.int64))
        return [column for column, turns in zip(self.columns, idle, strict=True) if turns < self.idle_turns]

    def _narrowly(self, duals: NDArray[np.float64]) -> int:
        """Take in trips that are found quickly, or were left out; return their number."""
        return self._left_out + self.add_known(duals) + self.add_narrow(duals)
