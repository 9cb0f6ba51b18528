"""
A lower bound on the crew time of a season: stage 3, given the number of trips that stage 2 reached.

The linear programme over trips again, but each trip costs its seconds, and there are at most N trips. For
any multipliers ``y >= 0`` of the windows and ``v >= 0`` of the stock rows, and any scale ``t`` in [0, 1], no
plan of L to N trips that fills every window takes less crew time than

    t (sum y - sum v * cap) - the most that L to N of the terms t * G - (1 - t) * c sum up to

where G is the most that a trip of a crew and date gains (its prizes less its seconds) and c the least that
any of its trips lasts: a trip of c' >= c seconds gains at most t (G + c') - c' with prizes scaled by t. Of
crews that share a person only the largest term counts. Waiting is left out of the seconds, and durations are
rounded down. Only a complete pricing gives G; what it could not end is bounded by all prizes that a trip
might collect.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.central import Central
from tripplan.plan.master import Master
from tripplan.plan.narrow import Job
from tripplan.plan.pricing import EASY_WORK, SURE_NEAR, Priced
from tripplan.plan.rows import SpanRow

__all__ = ["CrewTime", "least_visit_seconds"]

_UNIT_S = 36_000.0
"""What the linear programme counts in: ten hours, so that a window missed costs ten times that. [s]"""

_TRIP_BEYOND = 0.1
"""What a trip beyond the most costs in a linear programme of many windows, in its unit. Where hardly fewer
trips will do, their limit is worth days; multipliers of that size need many rounds until they bound well."""

_ROUNDING_S = 2.0
_NEAR_S, _NEAR_SHARE = 2.0, 1e-3

_MOST_KNOWN = 3
_SMOOTHING = 0.4
_OFFERS = 12
_SLOW_FALL = 0.003
"""With many windows, trips known are offered to other dates until the value falls by a smaller share."""

_USED = 1e-6
_WIDTH, _KEEP = 6, 12
_WIDE, _KEEP_WIDE = 40, 40


@dataclass
class CrewTime(Master):
    """
    Column generation for the least crew time with at most so many trips.

    Attributes
    ----------
    least_trips, most_trips : int
        Trips that are needed, and trips at the most.
    barred : frozenset of int
        Day indices on which others go; a bound is for a season in which nobody can go then.
    seconds : float
        Best bound proved so far. [s]
    work : int
        What pricing cost so far, as `Priced.work` counts.
    """

    least_trips: int = 0
    most_trips: int = 0
    barred: frozenset[int] = frozenset()
    seconds: float = 0.0
    work: int = 0
    few_trips: int = 1000
    idle_turns: int = 1
    _relaxed: dict[tuple[int, tuple[int, ...]], int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        every = frozenset(range(len(self.season.days)))
        self.spans = (SpanRow(every, most=self.most_trips), SpanRow(every, least=self.least_trips))
        super().__post_init__()
        self._middle: NDArray[np.float64] | None = None
        self._costs = np.zeros(0)  # of each trip, where there are many windows

    def add(self, index: int, visits: tuple[int, ...], *, usable: bool) -> bool:
        """
        Add a trip as a column, but none on a date on which others go.

        Parameters
        ----------
        index : int
            Day index.
        visits : tuple of int
            Task indices.
        usable : bool
            Whether the trip can be planned as it is.

        Returns
        -------
        bool
            As `Programme.add`.
        """
        return index not in self.barred and super().add(index, visits, usable=usable)

    def cost_s(self, index: int, visits: tuple[int, ...]) -> int:
        """
        Return what a column costs.

        Parameters
        ----------
        index : int
            Day index.
        visits : tuple of int
            A trip that was added.

        Returns
        -------
        int
            Crew time; of a relaxed trip what its pricing said. [s]
        """
        relaxed = self._relaxed.get((index, visits))
        if relaxed is not None:
            return relaxed
        shape = self.book.best(index, visits)
        if shape is None:
            raise ValueError(f"trip on day index {index} does not fit")
        return shape.seconds

    def _flush(self) -> None:
        begin = len(self.columns) - self._waiting
        super()._flush()
        for k in range(begin, len(self.columns)):
            column = self.columns[k]
            cost = self.cost_s(column.index, column.visits) / _UNIT_S
            self._lp.changeColCost(int(self._at[k]), cost)

    @property
    def value_s(self) -> float:
        """Value of the linear programme. [s]."""
        return self.value * _UNIT_S

    def settle(self, go_on: Callable[[], bool]) -> NDArray[np.float64]:
        """
        Solve the linear programme, offering the trips known to other dates.

        Parameters
        ----------
        go_on : callable
            False stops.

        Returns
        -------
        numpy.ndarray, shape (n_rows,)
            Dual values, as `solve` returns them.
        """
        duals = self.multipliers()
        for _ in range(_OFFERS):
            last = self.value
            if not go_on() or self._offer_known(duals) < _MOST_KNOWN:
                break
            duals = self.multipliers()
            if self.many_windows and last - self.value < _SLOW_FALL * self.value:
                break
        return duals

    @cached_property
    def _central(self) -> Central:
        return Central(self.book_of_rows, _TRIP_BEYOND)

    def _column_costs(self) -> NDArray[np.float64]:
        new = [self.cost_s(c.index, c.visits) / _UNIT_S for c in self.columns[len(self._costs) :]]
        self._costs = np.append(self._costs, new)
        return self._costs

    def reduced_seconds(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return what each column lasts beyond what it collects.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        numpy.ndarray, shape (n_columns,)
            Crew time; infinite for trips that cannot be planned. [s]
        """
        lasts = [self.cost_s(c.index, c.visits) if c.usable else math.inf for c in self.columns]
        # in the programme of trips each costs one
        return np.asarray(np.array(lasts) + _UNIT_S * (self.reduced_costs(duals) - 1.0))

    def add_shorter(self, duals: NDArray[np.float64], within: float = 0.0) -> int:
        """
        Add trips that collect more than they last, found narrowly, and trips in use less one visit.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.
        within : float, default 0
            How much longer than it collects a trip may last. [s]

        Returns
        -------
        int
            Columns added, all of which can be planned.
        """
        prize = self.prizes(duals) * _UNIT_S
        toll = [self._toll(duals, index) * _UNIT_S for index in range(len(self.season.days))]
        used = [self.columns[k] for k in np.flatnonzero(self.weights > _USED)]
        found = [(c.index, tuple(x for x in c.visits if x != s)) for c in used if c.usable for s in c.visits]
        jobs = [
            Job((index,), prize[self.season.days[index].day], toll[index] - within)
            for index in range(len(self.season.days))
            if self.season.days[index].spans
            and index not in self.barred
            and float(prize[self.season.days[index].day].clip(min=0).sum()) > toll[index] - within + 1.0
        ]
        width, keep = (_WIDE, _KEEP_WIDE) if within > 0 else (_WIDTH, _KEEP)
        narrow = partial(self._narrow_gain, width=width, keep=keep)
        for job, priced in zip(jobs, self.at_once(narrow, jobs), strict=True):
            found.extend((job.indices[0], tuple(sorted(set(trip)))) for trip in priced.trips)
        added = 0
        for index, visits in found:
            if not visits or not self.book.fits(index, visits):
                continue
            gain = float(prize[self.season.days[index].day, list(visits)].sum())
            if gain - self.cost_s(index, visits) > toll[index] - within + 1.0:
                added += self.add(index, visits, usable=True)
        return added

    def _narrow_gain(self, job: Job, *, width: int, keep: int) -> Priced:
        return self.pricer.price(job.indices, job.prize, job.bonus + 1.0, width=width, keep=keep, rate=1.0)

    def raise_seconds(self, rounds: int, max_work: int, go_on: Callable[[], bool]) -> None:
        """
        Generate trips and raise the bound until it meets the linear value, or the effort is spent.

        Parameters
        ----------
        rounds : int
            Pricing rounds at the most.
        max_work : int
            Work of pricing at the most.
        go_on : callable
            False stops.
        """
        self._add_shortest()
        for _ in range(rounds):
            # where solving again takes as long as pricing, trips found exactly serve better than those known
            duals = self.multipliers() if self.many_windows else self.settle(go_on)
            if not go_on():
                return
            middle = self._middle
            mixed = duals if middle is None else _SMOOTHING * middle + (1 - _SMOOTHING) * duals
            before = self.seconds
            added = self._price(mixed, max_work, go_on) + self._left_out
            near_value = self.seconds >= self.value_s - self._near_s and self.missed < 1e-6
            if not go_on() or self.work >= max_work or near_value:
                return
            if not added and self.seconds <= before + 1.0:
                if self._middle is None or middle is None:
                    return
                self._middle = None

    @property
    def _near_s(self) -> float:
        """How near to the linear value is near enough; from the middle it is known roughly. [s]."""
        return max(_NEAR_S, _NEAR_SHARE * self.value_s) if self.many_windows else _NEAR_S

    def _add_shortest(self) -> None:
        """
        Add the shortest trip of each crew-date.

        Without one the multiplier of the trips that are needed may stand for all crew time: it says then that
        no trip is shorter than the plan's are on average, which pricing by gains cannot deny.
        """
        for index, day in enumerate(self.season.days):
            shapes = ((self.book.best(index, (s,)), s) for s in day.spans)
            alone = ((shape.seconds, s) for shape, s in shapes if shape is not None)
            found = min(alone, default=None)
            if found is not None:
                self.add(index, (found[1],), usable=True)

    def _toll(self, duals: NDArray[np.float64], index: int) -> float:
        """Return what a trip must gain to be worth while on a crew-date."""
        tolls = sum(min(0.0, float(duals[r])) for r in self._clique_rows.get(index, ()))
        return -tolls - self.bonus(duals, index)

    def _offer_known(self, duals: NDArray[np.float64]) -> int:
        """Offer the trips known to every other date."""
        if not self._members:
            return 0
        prize = self.prizes(duals)[self._day_numbers]
        shapes = list(self._shapes)
        least = np.array([self._least_of(shape) for shape in shapes]) / _UNIT_S
        worth = np.array(self._members) @ prize.T - least[:, None]
        added = 0
        for index in range(len(self.season.days)):
            toll = self._toll(duals, index)
            column = worth[:, index]
            good = np.flatnonzero(column > toll + 1e-5)
            taken = 0
            for k in good[np.argsort(-column[good], kind="stable")][:8]:
                visits = tuple(sorted(shapes[k]))
                if (index, visits) not in self._have and self.book.fits(index, visits):
                    taken += self.add(index, visits, usable=True)
                if taken >= 2:
                    break
            added += taken
        return added

    def _least_of(self, shape: frozenset[int]) -> int:
        """Return what a set of visits cost where it was first seen. [s]."""
        if shape not in self._seen_s:
            self._seen_s = {
                frozenset(c.visits): self.cost_s(c.index, c.visits)
                for c in reversed(self.columns)
                if c.usable
            }
        return self._seen_s[shape]

    _seen_s: dict[frozenset[int], int] = field(default_factory=dict)

    def _price(self, duals: NDArray[np.float64], max_work: int, go_on: Callable[[], bool]) -> int:
        """Price every crew and date, raise the bound, add the trips found."""
        prize = np.maximum(self.prizes(duals), 0.0) * _UNIT_S
        jobs: list[Job] = []
        for group in self._groups:
            alike: dict[bytes, list[int]] = {}
            for index in group:
                key = np.append(prize[self.season.days[index].day], self._toll(duals, index))
                alike.setdefault(key.round(6).tobytes(), []).append(index)
            for indices in alike.values():
                # no trip gains less than it lasts at the least, whatever it visits
                floor = max(-self._least_trip_s[index] for index in indices)
                toll = max(floor, self._toll(duals, indices[0]) * _UNIT_S)
                row = prize[[self.season.days[index].day for index in indices]].max(axis=0)
                jobs.append(Job(tuple(indices), row, toll))
        best: dict[int, float] = {}
        added = 0
        most_work = max(1, min(EASY_WORK, (max_work - self.work) // max(1, len(jobs))))
        gains = self.at_once(lambda job: self._gain(job, most_work) if go_on() else None, jobs)
        for job, priced in zip(jobs, gains, strict=False):
            if priced is None:
                return added
            self.work += priced.work
            for index in job.indices:
                best[index] = priced.best
                for visits, seconds in zip(priced.trips, priced.seconds, strict=True):
                    added += self._add_relaxed(index, visits, seconds)
        value = self._value(duals, best)
        if value > self.seconds:
            self.seconds = value
            self._middle = duals.copy()
        return added

    def _gain(self, job: Job, most_work: int) -> Priced:
        """Return what trips of some dates gain at the most; `Job.bonus` is the gain that is wanted."""
        near, work = self.near_parks, 0
        while True:
            found = self.pricer.price(
                job.indices, job.prize, job.bonus, near_parks=near, max_work=most_work, rate=1.0
            )
            work += found.work
            if found.complete:
                return replace(found, work=work)
            if near == 1:
                break
            near = min(near - 1, SURE_NEAR)
        open_sites = sorted({s for index in job.indices for s in self.season.days[index].spans})
        return Priced(max(job.bonus, float(job.prize[open_sites].sum())), complete=True, trips=(), work=work)

    def _add_relaxed(self, index: int, visits: tuple[int, ...], seconds: int) -> int:
        ordered = tuple(sorted(visits))
        usable = len(set(visits)) == len(visits) and self.book.fits(index, visits)
        if not usable:
            self._relaxed.setdefault((index, ordered), seconds)
        return int(self.add(index, ordered, usable=usable))

    def _value(self, duals: NDArray[np.float64], best: Mapping[int, float]) -> float:
        """Return the bound that multipliers and gains prove. [s]."""
        n = len(self.rows)
        of_site = np.zeros(len(self.season.tasks))
        np.add.at(of_site, self.book_of_rows.window_site, np.maximum(0.0, duals[:n]))
        total = float(np.sort(of_site)[: len(of_site) - self.forgiven].sum())
        at = self.book_of_rows.stock_at
        for k, row in enumerate(self.stock):
            total -= max(0.0, -float(duals[at + k])) * row.cap
        total *= _UNIT_S
        least = self._least_trip_s
        parts = [
            (max(best[i] for i in part if i in best), min(least[i] for i in part if i in best))
            for part in self._apart
            if any(i in best for i in part)
        ]
        scales = {1.0, *(c / (gain + c) for gain, c in parts if gain > 0 and gain + c > 0)}
        value = 0.0
        for scale in sorted(scales):
            terms = np.sort([scale * gain - (1 - scale) * c for gain, c in parts])[::-1]
            sums = np.concatenate([[0.0], np.cumsum(terms)])[self.least_trips : self.most_trips + 1]
            value = max(value, scale * total - float(sums.max(initial=0.0 if not len(sums) else -math.inf)))
        return value

    @cached_property
    def _least_trip_s(self) -> list[float]:
        """Return the least seconds that any trip of each crew-date lasts."""
        found = []
        base = len(self.season.park_places)
        for index, day in enumerate(self.season.days):
            table = self.season.loop_table(index, loose=True)
            move = self.season.move_down[day.crew]
            whole = move[base, table.park] + table.d + move[table.park, base]
            found.append(float(whole.min()) if len(table.specs) else 0.0)
        return found

    @property
    def whole_seconds(self) -> int:
        """Seconds that no such plan can undercut, a little taken off for rounding in the sums. [s]."""
        return max(0, math.floor(self.seconds - _ROUNDING_S))


def least_visit_seconds(master: Master, least_trips: int) -> int:
    """
    Return a bound on crew time that needs no pricing.

    Every window of a chain without common days holds a visit of its own, which takes at least its share of a
    loop; every trip drives out and back.

    Parameters
    ----------
    master : Master
        With the windows that must hold a visit, none forgiven.
    least_trips : int
        Trips that are needed.

    Returns
    -------
    int
        Crew time that no plan can undercut. [s]
    """
    season = master.season
    if master.forgiven:
        return 0
    share = np.full(len(season.tasks), math.inf)
    drive = math.inf
    base = len(season.park_places)
    for index, day in enumerate(season.days):
        table = season.loop_table(index, loose=True)
        if not len(table.specs):
            continue
        move = season.move_down[day.crew]
        drive = min(drive, float((move[base, table.park] + move[table.park, base]).min()))
        per_site = table.d / np.maximum(1, table.member.sum(axis=1))
        share = np.minimum(share, np.where(table.member, per_site[:, None], math.inf).min(axis=0))
    visits = [master.rows[r].site for r in master.book_of_rows.first_windows()]
    total = sum(float(share[s]) for s in visits if math.isfinite(share[s]))
    return math.floor(total + (least_trips * drive if math.isfinite(drive) else 0.0))
