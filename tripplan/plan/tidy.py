"""
Visits that a plan can do without: second ones of a date, needless ones, those that spoil a wished one.

Trips found by rounding, building or choosing fill some windows twice; what nothing needs is left out before a
plan is valued, so that plans are compared by what they must do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, Trips
from tripplan.plan.thin import thin_visits
from tripplan.plan.trips import TripBook

__all__ = ["Tidy"]

_THIN_EFFORT = 0.2


@dataclass(frozen=True)
class Tidy:
    """
    Leaves out visits of a plan.

    Attributes
    ----------
    season : Season
        The problem.
    rows : tuple of Window
        Windows.
    stock : tuple of StockRow
        Most packs by type and days.
    book : TripBook
        Tells which visits fit into one trip.
    judge : Judge
        Tells which sites are late, and where the shelf runs short.
    """

    season: Season
    rows: tuple[Window, ...]
    stock: tuple[StockRow, ...]
    book: TripBook
    judge: Judge

    def once_a_day(self, trips: Trips) -> dict[int, frozenset[int]]:
        """
        Leave out a site's second visit of a date, by another crew.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index; trips must fit.

        Returns
        -------
        dict
            The same plan without them; a trip that fits only with one goes.
        """
        seen: dict[int, frozenset[int]] = {}
        kept: dict[int, frozenset[int]] = {}
        for index, visits in sorted(trips.items()):
            day = self.season.days[index].day
            rest = visits - seen.get(day, frozenset())
            if rest and (rest == visits or self.book.fits(index, rest)):
                kept[index] = rest
                seen[day] = seen.get(day, frozenset()) | rest
        return kept

    def sensible(self, trips: Trips) -> Trips:
        """
        Leave out visits that nobody asked for and that leave one asked for with nothing to do.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index; trips must fit.

        Returns
        -------
        mapping of int to frozenset of int
            The same plan without them, where every trip fits without.
        """
        wanted = self.season.wanted
        if not wanted.must_visit:
            return trips
        gone: set[tuple[int, int]] = set()
        for s, when in self.judge.visit_days(trips).items():
            idle = [d for d in self.season.tasks[s].senseless(when) if self._is_wished(s, [d], [])]
            gone |= {(d, s) for d in when if idle and d < idle[0] and not self._is_wished(s, [d], [])}
        if not gone:
            return trips
        rest = {
            index: visits - {s for s in visits if (self.season.days[index].day, s) in gone}
            for index, visits in trips.items()
        }
        fits = all(not visits or self.book.fits(index, visits) for index, visits in rest.items())
        return {index: visits for index, visits in rest.items() if visits} if fits else trips

    def thinned(self, trips: Trips) -> dict[int, frozenset[int]]:
        """
        Drop needless visits; where the shelf is short even so, look for fewer.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index; trips must fit.

        Returns
        -------
        dict
            A plan of visits among them, which the shelf may still not feed.
        """
        trimmed = self.trimmed(trips)
        if not self.season.fleet.stock_is_kept or not self.judge.shortages(trimmed):
            return trimmed
        thin = thin_visits(self.season, self.rows, self.stock, trips, _THIN_EFFORT)
        if thin is None:
            return trimmed
        return self._still_fitting(trips, self._trim(thin))

    def trimmed(self, trips: Trips) -> dict[int, frozenset[int]]:
        """
        Drop visits that no window and no late site needs, latest first, and empty trips.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index.

        Returns
        -------
        dict
            The same plan without them; a trip that fits only with all of its visits keeps them.
        """
        return self._still_fitting(trips, self._trim(trips))

    def _trim(self, trips: Trips) -> dict[int, frozenset[int]]:
        kept = {index: set(visits) for index, visits in trips.items()}
        for s, every in self.judge.visit_days(trips).items():
            needless = self.season.tasks[s].senseless(every)
            for index in kept if needless else ():
                if self.season.days[index].day in needless:
                    kept[index].discard(s)
            when = [day for day in every if day not in needless]
            late = self.judge.late_days_of(s, when)
            rows = [row for row in self.rows if row.site == s and not (late and row.stretched)]
            left = when
            for day in reversed(when):
                rest = [other for other in left if other != day]
                index = next(i for i in kept if self.season.days[i].day == day and s in kept[i])
                if self._is_wished(s, left, rest) or (len(kept[index]) == 1 and self._must_stay(index, kept)):
                    continue
                if self.judge.late_days_of(s, rest) > self.judge.late_days_of(s, left):
                    continue
                lost = [row for row in rows if _hits(row, left) and not _hits(row, rest)]
                if lost and self.judge.late_days_of(s, rest) == self.judge.late_days_of(s, left):
                    continue
                kept[index].discard(s)
                left = rest
        return {index: frozenset(visits) for index, visits in kept.items() if visits}

    def _still_fitting(self, trips: Trips, fewer: Trips) -> dict[int, frozenset[int]]:
        """Put back what was dropped from trips that only fit with it: given legs may be shorter so."""
        return {i: visits if self.book.fits(i, visits) else trips[i] for i, visits in fewer.items()}

    def _is_wished(self, s: int, left: list[int], rest: list[int]) -> bool:
        """Tell whether a wish wants the visit that `rest` lacks."""
        wanted = self.season.wanted
        asked = (row for row in (*wanted.must_visit, *wanted.before) if row.site == s)
        return any(_hits(row, left) and not _hits(row, rest) for row in asked)

    def _must_stay(self, index: int, trips: Mapping[int, set[int]]) -> bool:
        """Tell whether a date to go would have no trip without this one."""
        sets = (indices for indices in self.season.wanted.must_run if index in indices)
        return any(not any(trips.get(other) for other in indices if other != index) for indices in sets)


def _hits(row: Window, days: list[int]) -> bool:
    return any(day in row.days for day in days)
