"""Where a patient search for fewer trips begins, by turns: on few dates, spliced, in part, or anywhere."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from tripplan.plan.few_dates import FewDates, keep_to_dates, search_on_few_dates
from tripplan.plan.master import Master
from tripplan.plan.sampling import sample_trips
from tripplan.plan.search import Search
from tripplan.plan.solution import Trips
from tripplan.plan.splice import NearPlans
from tripplan.plan.tries import Try

__all__ = ["Beginnings"]

_DATES_PER_TRIP = (1.4, 1.2)
"""Dates on which plans are sought, as multiples of the linear value."""

_CHOSEN_ANEW, _ON_ALL_DATES = 12, 8
"""Failures after which few dates are chosen anew; one of so many pairs of tries is on all dates."""

_IN_PART = (2, 6)
"""Places among so many pairs of those that let some trips of the best plan be."""

_LEAST_LEFT, _MOST_LEFT = 0.25, 0.5
"""Share of the best plan's trips, the first or the last, that are let be."""

_AT_ONCE = 2


@dataclass
class Beginnings:
    """
    What the next searches for fewer trips begin with.

    Attributes
    ----------
    search : Search
        Holds the best plan.
    master : Master
        The linear programme of the season.
    failed : int
        Times that searches from such beginnings have failed.
    near : NearPlans
        What they ended with.
    """

    search: Search
    master: Master
    failed: int = 0
    near: NearPlans = field(init=False)
    _few_dates: tuple[FewDates, ...] = ()

    def __post_init__(self) -> None:
        self.near = NearPlans(self.search.season, ())

    def tries(self, most: int, go_on: Callable[[], bool]) -> list[Try]:
        """
        Choose what to begin with.

        Parameters
        ----------
        most : int
            Trips at the most.
        go_on : callable
            False stops the choice of dates.

        Returns
        -------
        list of Try
            Empty where wishes forbid all but the best plan.
        """
        search, season = self.search, self.search.season
        if season.wanted.must_run or season.wanted.kept:
            return []
        rows = search.judge.filled(search.best)
        if tuple(rows) != tuple(self.near.rows):
            self.near = NearPlans(season, tuple(rows))
        if self.failed % _CHOSEN_ANEW == 0:
            self._few_dates = search_on_few_dates(
                self.master, rows, _DATES_PER_TRIP, most, search.random, search.judge.shortages, go_on
            )
        turn = self.failed % _ON_ALL_DATES
        if turn % 2 and turn != _ON_ALL_DATES - 1 and (spliced := self._spliced(most)):
            return spliced
        if turn in _IN_PART:
            return [self._in_part() for _ in range(_AT_ONCE)]
        if turn != _ON_ALL_DATES - 1 and self._few_dates:
            return [Try(one.draw(search.random), one) for one in self._few_dates]
        return [Try(search.best), Try(sample_trips(self.master, search.random) or search.best)]

    def _in_part(self) -> Try:
        """Let the first or the last trips of the best plan be: what is left is sooner searched."""
        search = self.search
        days = sorted(search.best, key=lambda i: (search.season.days[i].day, i))
        n = len(days)
        left = int(search.random.integers(math.ceil(_LEAST_LEFT * n), math.ceil(_MOST_LEFT * n) + 1))
        frozen = days[:left] if search.random.random() < 0.5 else days[n - left :]
        return Try(search.best, frozen=frozenset(frozen))

    def _spliced(self, most: int) -> list[Try]:
        search, found = self.search, list[Try]()
        for one in self.near.splices(most, _AT_ONCE, search.random):
            on = keep_to_dates(
                search.season, self.near.rows, self.master.stock, one.dates, search.judge.shortages
            )
            if on is not None:
                found.append(Try(on.inside(one.trips), on))
        return found

    def take(self, trips: Trips) -> bool:
        """
        Take in what a search ended with.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index.

        Returns
        -------
        bool
            Whether windows stay open in it.
        """
        return self.near.take(trips) > 0
