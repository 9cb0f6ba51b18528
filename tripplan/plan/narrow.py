"""
What trips are worth by the multipliers of the linear programme, and trips for it found narrowly.

Nothing here proves anything: a trip found is offered to the linear programme, and where none is found
there may still be one. `tripplan.plan.master` prices exactly and rests its bound on that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.programme import Programme
from tripplan.plan.workers import in_order

__all__ = ["Job", "Narrow"]

_MANY_SITES = 24
"""Sites from which on dates are priced two at a time; with fewer, handing them over costs what it saves."""

_MANY_WINDOWS = 800
"""Windows from which on the linear programme is solved from the middle while trips are generated."""

_KEEP, _KEEP_OF_MANY = 4, 12
"""Trips that narrow pricing offers for each date: with many windows more, since each round takes longer."""

_WORTH = 1e-4
"""What a trip must collect beyond its cost to be taken in. [trips]"""

_TINY_PRIZE = 2e-4
"""Prize of a visit that fills a window worth nothing just now, so that trips come out full."""


_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def _always() -> bool:
    return True


@dataclass(frozen=True)
class Job:
    """Day indices priced together, with the prizes of their visits and what limits on spans add."""

    indices: tuple[int, ...]
    prize: NDArray[np.float64]
    bonus: float


@dataclass
class Narrow(Programme):
    """
    A linear programme that finds trips for itself.

    A search may be stopped by what `_go_on` says, which pricing asks before each date.
    """

    def __post_init__(self) -> None:
        super().__post_init__()
        self._next_group = 0
        self._go_on: Callable[[], bool] = _always

    @cached_property
    def _groups(self) -> list[list[int]]:
        return self._twin_days()

    def _twin_days(self) -> list[list[int]]:
        """Group neighbouring dates of one crew whose loops are the same but for daylight."""
        groups: dict[object, list[int]] = {}
        for index, day in enumerate(self.season.days):
            if not day.spans:
                continue
            table = self.season.loop_table(index, loose=True)
            key = (
                day.crew,
                day.day // 7 if all(v is None for v in day.spans.values()) else -1 - index,
                table.member.tobytes(),
                table.d.tobytes(),
                table.packs.tobytes(),
                self.book_of_rows.pays[:, day.day].tobytes(),
            )
            groups.setdefault(key, []).append(index)
        return list(groups.values())

    @property
    def many_windows(self) -> bool:
        """Whether the linear programme is large."""
        return len(self.rows) >= _MANY_WINDOWS

    def at_once(self, work: Callable[[_Job], _Done], jobs: Sequence[_Job]) -> Iterator[_Done]:
        """Do jobs of a large season on the cores at hand, as `in_order`; those of a small one in turn."""
        return in_order(work, jobs) if len(self.season.tasks) >= _MANY_SITES else map(work, jobs)

    def prizes(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return what each visit is worth on each day.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        numpy.ndarray, shape (n_days, n_tasks)
            Trips saved by a visit, net of what its pack is worth elsewhere.
        """
        season = self.season
        out = np.zeros((season.n_days, len(season.tasks)))
        rows, days, sites = self._flat
        np.add.at(out, (days, sites), np.maximum(0.0, duals[rows]))
        if self._stock_rows:
            toll: dict[str, NDArray[np.float64]] = {}
            for name, entries in self._stock_rows.items():
                cost = np.zeros(season.n_days)
                for since, until, row in entries:
                    if duals[row] < 0:
                        cost[since : until + 1] -= duals[row]
                toll[name] = cost
            for s, task in enumerate(season.tasks):
                cost = toll.get(task.site.pack_type, np.zeros(season.n_days))
                out[:, s] -= np.where(task.pays, cost, 0.0)
        return np.asarray(out)

    def bonus(self, duals: NDArray[np.float64], index: int) -> float:
        """
        Return what the limits on spans add to each trip of a crew-date.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            Multipliers; parts of the wrong sign are cut off.
        index : int
            Day index.

        Returns
        -------
        float
            Trips.
        """
        return sum(self._span_dual(duals, row) for row in self._span_rows.get(index, ()))

    def _span_dual(self, duals: NDArray[np.float64], row: int) -> float:
        span = self.spans[row - self.book_of_rows.spans_at]
        return min(0.0, float(duals[row])) if span.least is None else max(0.0, float(duals[row]))

    def reduced_costs(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Return what each column costs beyond what it collects.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        numpy.ndarray, shape (n_columns,)
            Trips.
        """
        n = len(self.columns)
        prize = self.prizes(duals)[self._day_numbers]
        cost = np.array([self._cost(duals, index) for index in range(len(self.season.days))])
        worth = np.einsum("ks,ks->k", self._counts[:n].astype(np.float64), prize[self._index[:n]])
        return np.asarray(cost[self._index[:n]] - worth)

    def _cost(self, duals: NDArray[np.float64], index: int) -> float:
        """Return what a trip must collect to be worth while on a crew-date."""
        tolls = sum(min(0.0, float(duals[r])) for r in self._clique_rows.get(index, ()))
        return 1.0 - tolls - self.bonus(duals, index)

    def add_known(self, duals: NDArray[np.float64]) -> int:
        """
        Offer the trips already known to every other date: one matrix product before any pricing.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.

        Returns
        -------
        int
            Columns added.
        """
        if not self._members:
            return 0
        season = self.season
        prize = self.prizes(duals)[self._day_numbers]
        shapes = list(self._shapes)
        worth = np.array(self._members) @ prize.T
        added = 0
        for index in range(len(season.days)):
            cost = self._cost(duals, index)
            column = worth[:, index]
            good = np.flatnonzero(column > cost + _WORTH)
            taken = 0
            for k in good[np.argsort(-column[good], kind="stable")][:12]:
                visits = tuple(sorted(shapes[k]))
                if (index, visits) not in self._have and self.book.fits(index, visits):
                    taken += self.add(index, visits, usable=True)
                if taken >= 2:
                    break
            added += taken
        return added

    def add_narrow(self, duals: NDArray[np.float64], *, width: int = 1, enough: int | None = None) -> int:
        """
        Add trips of negative reduced cost found by narrow pricing, date by date.

        Parameters
        ----------
        duals : numpy.ndarray, shape (n_rows,)
            As `solve` returns them.
        width : int, default 1
            Labels kept at each parking.
        enough : int, optional
            Stop once so many were added; the next call goes on with the date after.

        Returns
        -------
        int
            Columns added.
        """
        prize = self.prizes(duals)
        added = 0
        groups = [
            self._groups[(self._next_group + step) % len(self._groups)] for step in range(len(self._groups))
        ]
        jobs = [self._narrow_jobs(group, duals, prize) for group in groups]
        narrow = partial(self._narrow_trips, width=width)
        found = self.at_once(narrow, jobs) if enough is None else map(narrow, jobs)
        for step, trips in enumerate(found):
            for index, visits in trips:
                if self.book.fits(index, visits):
                    added += self.add(index, visits, usable=True)
            if enough is not None and added >= enough:
                self._next_group = (self._next_group + step + 1) % len(groups)
                break
        return added

    def _narrow_jobs(
        self, group: list[int], duals: NDArray[np.float64], prize: NDArray[np.float64]
    ) -> list[Job]:
        """Return the dates of a group that differ and on which a trip could be worth while."""
        season = self.season
        jobs: dict[bytes, Job] = {}
        for index in group:
            day = season.days[index]
            row = prize[day.day]
            cost = self._cost(duals, index)
            if row[list(day.spans)].clip(min=0).sum() > cost + _WORTH:
                jobs.setdefault(np.append(row, cost).round(7).tobytes(), Job((index,), row, 1.0 - cost))
        return list(jobs.values())

    def _narrow_trips(self, jobs: list[Job], width: int) -> list[tuple[int, tuple[int, ...]]]:
        """Return day indices and visits worth while, found narrowly; nothing once the search is to stop."""
        trips = list[tuple[int, tuple[int, ...]]]()
        keep = _KEEP_OF_MANY if self.many_windows else _KEEP
        for job in jobs if self._go_on() else ():
            (index,), cost = job.indices, 1.0 - job.bonus
            tiny = _TINY_PRIZE * self._useful[self.season.days[index].day]
            filled = np.where((job.prize > -1e-9) & (tiny > 0), np.maximum(job.prize, 0.0) + tiny, job.prize)
            priced = self.pricer.price((index,), filled, cost + _WORTH, width=width, keep=keep)
            for trip in priced.trips:
                visits = tuple(sorted(set(trip)))
                if job.prize[list(visits)].sum() > cost + _WORTH:
                    trips.append((index, visits))
        return trips
