"""A season's trips while they are being searched: values of stages 1 to 4, chains of visits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tripplan.fleet import Site
from tripplan.plan.charging import Shortage, play_shelf
from tripplan.plan.season import Season, Window
from tripplan.plan.trips import TripBook

__all__ = ["Judge", "Moves", "Trips", "Value", "change_cost", "shelf_moves"]

Trips = Mapping[int, frozenset[int]]
"""Visits (task indices) by day index."""


@dataclass(frozen=True, order=True)
class Value:
    """
    Wishes not met, then stages 1 to 4 in order; smaller is better.

    Between the fewest trips and the least crew time stand the changes against the last plan.
    """

    unmet: int
    late_sites: int
    late_days: int
    trips: int
    changes: int
    seconds: int
    life_days: int


def change_cost(before: frozenset[int] | None, after: frozenset[int] | None) -> int:
    """
    Return what one crew-date adds to the changes between two plans.

    Parameters
    ----------
    before, after : frozenset of int or None
        Its visits; None or empty where it does not run.

    Returns
    -------
    int
        100 if it runs in one of both only, and 1 for each visit in one only.
    """
    here, there = before or frozenset(), after or frozenset()
    return 100 * (bool(here) != bool(there)) + len(here ^ there)


Moves = tuple[list[tuple[int, Site]], list[tuple[int, Site]], list[tuple[int, Site]]]
"""Day number and site of each swap, each device set out, each taken in."""


def shelf_moves(season: Season, trips: Trips) -> Moves:
    """
    Return what trips take from the shelf and bring to it.

    Parameters
    ----------
    season : Season
        The problem.
    trips : mapping of int to frozenset of int
        Visits by day index.

    Returns
    -------
    tuple of three lists of (int, Site)
        As `tripplan.plan.charging.play_shelf` takes them.
    """
    swapped: list[tuple[int, Site]] = []
    set_out: list[tuple[int, Site]] = []
    taken_in: list[tuple[int, Site]] = []
    out: set[int] = set()
    for index in sorted(trips, key=lambda i: (season.days[i].day, i)):
        day = season.days[index].day
        for s in trips[index]:
            task = season.tasks[s]
            if task.takes_in(day):
                taken_in.append((day, task.site))
            elif task.swaps[day]:
                first = task.at_home and s not in out
                (set_out if first else swapped).append((day, task.site))
                out.add(s)
    return swapped, set_out, taken_in


@dataclass
class Judge:
    """Values trips; the only place that knows what a stage counts."""

    season: Season
    rows: tuple[Window, ...]
    book: TripBook
    last: Trips | None = None
    _rows_of: dict[int, list[Window]] = field(init=False)

    def __post_init__(self) -> None:
        self._rows_of = {}
        for row in self.rows:
            self._rows_of.setdefault(row.site, []).append(row)

    def visit_days(self, trips: Trips) -> dict[int, list[int]]:
        """Return the days on which each task is visited, ascending."""
        found: dict[int, list[int]] = {s: [] for s in range(len(self.season.tasks))}
        for index in sorted(trips, key=lambda i: (self.season.days[i].day, i)):
            for s in trips[index]:
                found[s].append(self.season.days[index].day)
        return found

    def late_days_of(self, task: int, days: list[int]) -> int:
        """
        Return the late days of one site.

        Parameters
        ----------
        task : int
            Task index.
        days : list of int
            Its visit days, ascending.

        Returns
        -------
        int
            Sum over its packs of the days after the swap-by day on which they are still in, and over its
            device of the days after the last in time on which it is still out, or not out yet. [day]
        """
        what = self.season.tasks[task]
        late, due = 0, what.due
        last = self.season.last_day
        for day in days:
            late += max(0, day - due) if due < what.end else 0
            if what.takes_in(day):
                return late + max(0, day - what.take_by)
            due = int(what.renewed[day])
        if due < what.end:
            late += max(0, last - due)
        never_out = what.at_home and not days
        return late if never_out else late + max(0, last - what.take_by)

    def missed(self, trips: Trips) -> list[Window]:
        """Return the windows without a visit."""
        days = self.visit_days(trips)
        return [row for row in self.rows if not any(d in row.days for d in days[row.site])]

    def filled(self, trips: Trips) -> list[Window]:
        """Return the windows with a visit."""
        days = self.visit_days(trips)
        return [row for row in self.rows if any(d in row.days for d in days[row.site])]

    def shortages(self, trips: Trips) -> tuple[Shortage, ...]:
        """Return where the shelf runs short."""
        return play_shelf(self.season.fleet, self.season.first, *shelf_moves(self.season, trips)).shortages

    def unmet(self, trips: Trips) -> int:
        """Return how many wishes the trips do not meet."""
        wanted = self.season.wanted
        asked = (*wanted.must_visit, *wanted.before)
        days = self.visit_days(trips) if asked else {}
        missed = sum(not any(d in row.days for d in days[row.site]) for row in asked)
        return missed + wanted.unmet_runs(trips)

    def changes(self, trips: Trips) -> int:
        """
        Return how much the trips differ from the last plan.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index.

        Returns
        -------
        int
            100 for each crew-date that runs in one of both only, and 1 for each visit in one only.
        """
        if self.last is None:
            return 0
        return sum(change_cost(self.last.get(i), trips.get(i)) for i in {*self.last, *trips})

    def life_days(self, task: int, days: list[int]) -> int:
        """Return the likely life thrown away at one site, days out before and after service too. [day]."""
        what = self.season.tasks[task]
        lost, likely = 0, what.likely_in_place
        for day in days:
            if what.takes_in(day):
                return lost + day - what.take_from
            if what.swaps[day]:
                lost += max(0, likely - day)
                likely = int(what.likely[day])
        return lost

    def value(self, trips: Trips) -> Value:
        """
        Return the stages' values.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Every trip must fit its day.

        Returns
        -------
        Value
            Stages 1 to 4.

        Raises
        ------
        ValueError
            If a trip does not fit.
        """
        seconds = 0
        for index, visits in trips.items():
            shape = self.book.best(index, visits)
            if shape is None:
                raise ValueError(f"trip on day index {index} does not fit")
            seconds += shape.seconds
        days = self.visit_days(trips)
        late = {s: self.late_days_of(s, days[s]) for s in days}
        return Value(
            self.unmet(trips),
            sum(value > 0 for value in late.values()),
            sum(late.values()),
            len(trips),
            self.changes(trips),
            seconds,
            sum(self.life_days(s, days[s]) for s in days),
        )
