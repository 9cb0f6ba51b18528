"""
A season on few of its dates, which the linear programme chooses, for the search of plans.

Where several dates serve alike, the linear programme uses each for a part of a trip. The dates that it uses
least are dropped, some at a time, and it is solved again: down to about one and a half times as many dates as
trips its value hardly rises, while a search that has so few dates to choose from finds the same number of
trips many times sooner. What is found there is a plan of the season; that nothing is found proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.charging import Shortage
from tripplan.plan.master import Master
from tripplan.plan.parts import Part, cut_part, make_pricer
from tripplan.plan.programme import Column
from tripplan.plan.rows import StockRow
from tripplan.plan.sampling import sample_trips
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Trips
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import least_windows

__all__ = ["FewDates", "SomeDates", "keep_to_dates", "on_few_dates", "search_on_few_dates", "windows_on"]

_LEFT = 0.5
"""Share of the dates that one step leaves at least."""

_MOST_COLUMNS = 4000
_ROUNDS = 2
"""Rounds of narrow pricing after each step."""

_NOISE = 0.05
"""What chance adds to the use of a date, so that each choice is another one. [trips]"""

_MOST_FAILED = 6
"""Choices of dates that proved too few at the most; each drops fewer dates at once than the one before."""

_SURE = 0.97
"""A date used so much stays. [trips]"""

_MISSED = 1e-3


def windows_on(rows: Sequence[Window], days: frozenset[int]) -> tuple[Window, ...] | None:
    """
    Narrow windows to some days; those that hold another one of their site go.

    Parameters
    ----------
    rows : sequence of Window
        Windows.
    days : frozenset of int
        Day numbers.

    Returns
    -------
    tuple of Window or None
        By site, then by first day; None where a window holds none of the days.
    """
    left = [(row.site, frozenset(row.days) & days) for row in rows]
    return least_windows(left) if all(some for _, some in left) else None


@dataclass(frozen=True)
class SomeDates:
    """
    A season on some of its dates, with a search of its own.

    Attributes
    ----------
    part : Part
        All sites on some crew-dates.
    squeezer : Squeeze
        The search among these dates; its windows are those of the season as far as they hold such dates.
    """

    part: Part
    squeezer: Squeeze

    def inside(self, trips: Trips) -> dict[int, frozenset[int]]:
        """Return trips of the whole season on these dates, in the numbers of the part."""
        at = self.part.day_at
        return {at[i]: visits for i, visits in trips.items() if i in at}

    def whole(self, trips: Trips) -> dict[int, frozenset[int]]:
        """Return trips of the part in the numbers of the whole season."""
        return {self.part.days[i]: visits for i, visits in trips.items()}


@dataclass(frozen=True)
class FewDates(SomeDates):
    """
    A season on some of its dates, with a linear programme too.

    Attributes
    ----------
    master : Master
        Solved, for the windows of the search.
    """

    master: Master

    def draw(self, random: np.random.Generator) -> dict[int, frozenset[int]]:
        """Draw trips from the linear programme, in the numbers of the part."""
        return sample_trips(self.master, random)


def keep_to_dates(
    season: Season,
    rows: Sequence[Window],
    stock: tuple[StockRow, ...],
    days: Sequence[int],
    shortages: Callable[[Trips], tuple[Shortage, ...]],
) -> SomeDates | None:
    """
    Cut a season down to some of its crew-dates.

    Parameters
    ----------
    season : Season
        The whole.
    rows : sequence of Window
        Windows to fill.
    stock : tuple of StockRow
        Most packs by type and days.
    days : sequence of int
        Day indices, ascending.
    shortages : callable
        Tells where the shelf runs short of what trips of the whole season take.

    Returns
    -------
    SomeDates or None
        None where some window holds none of the dates.
    """
    left = windows_on(rows, frozenset(season.days[i].day for i in days))
    if left is None:
        return None
    part = cut_part(season, range(len(season.tasks)), days)

    def short(trips: Trips) -> tuple[Shortage, ...]:
        return shortages({part.days[i]: visits for i, visits in trips.items()})

    return SomeDates(part, Squeeze(part.season, left, stock, short))


def on_few_dates(
    season: Season,
    rows: Sequence[Window],
    stock: tuple[StockRow, ...],
    days: Sequence[int],
    columns: Sequence[Column],
    shortages: Callable[[Trips], tuple[Shortage, ...]],
) -> FewDates | None:
    """
    Cut a season down to some of its crew-dates, with a linear programme.

    Parameters
    ----------
    season : Season
        The whole.
    rows : sequence of Window
        Windows to fill.
    stock : tuple of StockRow
        Most packs by type and days.
    days : sequence of int
        Day indices, ascending.
    columns : sequence of Column
        Trips known in the whole season; those on other dates, and those that only bound, are left out.
    shortages : callable
        Tells where the shelf runs short of what trips of the whole season take.

    Returns
    -------
    FewDates or None
        Its linear programme not yet solved; None where some window holds none of the dates.
    """
    some = keep_to_dates(season, rows, stock, days, shortages)
    if some is None:
        return None
    part, left = some.part, some.squeezer.rows
    master = Master(part.season, left, stock, TripBook(part.season), make_pricer(part.season))
    for column in columns:
        if column.usable and column.index in part.day_at:
            master.add(part.day_at[column.index], column.visits, usable=True)
    return FewDates(part, some.squeezer, master)


def search_on_few_dates(
    known: Master,
    rows: Sequence[Window],
    shares: Sequence[float],
    most: int,
    random: np.random.Generator,
    shortages: Callable[[Trips], tuple[Shortage, ...]],
    go_on: Callable[[], bool],
) -> tuple[FewDates, ...]:
    """
    Choose ever fewer dates by how much the linear programme uses them.

    Parameters
    ----------
    known : Master
        The linear programme of the season, solved; its trips begin each step.
    rows : sequence of Window
        Windows to fill.
    shares : sequence of float
        Dates wanted, as multiples of the linear value, falling.
    most : int
        Trips at the most: dates are dropped only as far as the linear value allows so many.
    random : numpy.random.Generator
        For the choice among dates used alike.
    shortages : callable
        Tells where the shelf runs short of what trips of the whole season take.
    go_on : callable
        False stops.

    Returns
    -------
    tuple of FewDates
        One for each share that was reached; none where the linear programme has no solution to go by.
    """
    season = known.season
    if not math.isfinite(known.value) or not len(known.weights):
        return ()
    columns, weights = known.columns, known.weights
    days = [i for i, day in enumerate(season.days) if day.spans]
    use = _use(len(season.days), columns, weights)[days]
    columns = _heaviest(columns, weights)
    wanted = [math.ceil(share * known.value) for share in shares]
    found: list[FewDates] = []
    limits, spared, failed = known.limits, frozenset[int](), 0
    at_once = len(days)
    while wanted and failed <= _MOST_FAILED and go_on():
        fewer = days
        if len(days) > wanted[0]:
            left = max(wanted[0], math.ceil(_LEFT * len(days)), len(days) - at_once)
            fewer = _without_least_used(season, days, use, left, random, spared)
            if len(fewer) == len(days):
                break
        one = on_few_dates(season, rows, known.stock, fewer, columns, shortages)
        duals = np.zeros(0) if one is None else _priced(one.master, limits, go_on)
        if one is None or one.master.missed > _MISSED or one.master.value > most:
            gone = set(days) - set(fewer)
            if len(gone) <= 1:  # other dates go instead
                spared |= gone
            at_once = max(1, len(gone) // 2)
            failed += 1 if gone else _MOST_FAILED + 1
            continue
        days, master = fewer, one.master
        limits = master.limits
        use = _use(len(days), master.columns, master.weights)
        best = np.argsort(master.reduced_costs(duals), kind="stable")[:_MOST_COLUMNS]
        cheap = [master.columns[k] for k in best]
        columns = [Column(days[column.index], column.visits, usable=True) for column in cheap]
        if len(days) <= wanted[0]:
            found.append(one)
            wanted.pop(0)
    return tuple(found)


def _priced(master: Master, limits: Sequence[int], go_on: Callable[[], bool]) -> NDArray[np.float64]:
    """Solve a linear programme with narrow trips; return its dual values."""
    master.expect(limits)
    for _ in range(_ROUNDS):
        duals = master.multipliers()
        if not go_on() or master.add_known(duals) + master.add_narrow(duals) == 0:
            break
    return master.multipliers()


def _use(n_days: int, columns: Sequence[Column], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the trips that the linear programme makes on each crew-date."""
    use = np.zeros(n_days)
    for column, weight in zip(columns, weights, strict=False):  # those added since have none
        use[column.index] += weight
    return use


def _heaviest(columns: Sequence[Column], weights: NDArray[np.float64]) -> list[Column]:
    if len(columns) <= _MOST_COLUMNS:
        return list(columns)
    weight = np.zeros(len(columns))
    weight[: len(weights)] = weights
    weight[[not column.usable for column in columns]] = -1.0
    return [columns[k] for k in np.sort(np.argsort(-weight, kind="stable")[:_MOST_COLUMNS])]


def _without_least_used(
    season: Season,
    days: list[int],
    use: NDArray[np.float64],
    left: int,
    random: np.random.Generator,
    spared: frozenset[int],
) -> list[int]:
    """Drop dates, those used least first, but none spared and none beside one just dropped of the crew."""
    of_crew: dict[int, list[int]] = {}
    for i in days:
        of_crew.setdefault(season.days[i].crew, []).append(i)
    beside: dict[int, set[int]] = {i: set() for i in days}
    for own in of_crew.values():
        for one, other in pairwise(own):
            beside[one].add(other)
            beside[other].add(one)
    gone: set[int] = set()
    for k in np.argsort(use + _NOISE * random.random(len(use)), kind="stable"):
        i = days[int(k)]
        if len(days) - len(gone) <= left:
            break
        if use[k] <= _SURE and i not in spared and not beside[i] & gone:
            gone.add(i)
    return [i for i in days if i not in gone]
