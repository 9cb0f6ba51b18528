"""
One trip fewer: take a trip out of a plan, then fill what it leaves by throwing out what costs least.

The search itself is compiled (`tripplan.plan.squeeze_kernels`). It reckons each parking as one stop with
the least time on foot, which a real trip may undercut but never exceeds; the plan found is valued like
any other.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.charging import Shortage, most_charged
from tripplan.plan.loops import LoopSpec
from tripplan.plan.neighbourhoods import neighbourhoods
from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Trips
from tripplan.plan.squeeze_kernels import squeeze
from tripplan.plan.squeeze_tables import (
    BIT,
    CARRIES,
    CLOSE,
    COVER,
    END,
    FAR,
    FIRST,
    FREE,
    FROZEN,
    KIND,
    KIND_OF,
    LATEST,
    LOCK,
    LONG,
    OPEN,
    OVER,
    OWNER,
    PENALTY,
    PLACE,
    POOL,
    SINCE,
    STAYS,
    SWAPS,
    TABLE,
    UNTIL,
    USED,
    Problem,
    State,
)

__all__ = ["Squeeze"]

_MOST_OF_PARKING = 12
_MOST_VISITS = 64
_TURNS = 200
_STIR = 10
_KNOWN = 1 << 19
_MEMO = 1 << 16
_FULL_AFTER_DAYS = 28
"""Without a swap for so long the shelf is taken as full again, to learn what it lacks. [day]"""


@dataclass
class Squeeze:
    """
    The search for one trip fewer.

    Attributes
    ----------
    season : Season
        The problem.
    rows : tuple of Window
        Windows.
    stock : tuple of StockRow
        Most packs by type and days.
    shortages : callable
        Tells where the shelf runs short of what some trips take.
    """

    season: Season
    rows: tuple[Window, ...]
    stock: tuple[StockRow, ...]
    shortages: Callable[[Trips], tuple[Shortage, ...]]
    _order: list[int] = field(init=False)
    learned: list[StockRow] = field(default_factory=list, init=False)

    def __post_init__(self) -> None:
        self._order = sorted(range(len(self.rows)), key=lambda r: (self.rows[r].site, r))

    def renew(self, stock: tuple[StockRow, ...]) -> None:
        """
        Go by another shelf.

        Parameters
        ----------
        stock : tuple of StockRow
            Most packs by type and days; what was learned of the shelf before is forgotten.
        """
        self.stock = stock
        self.learned.clear()

    def apart(self) -> Squeeze:
        """Return the same search, to run beside this one: what it learns of the shelf is its own."""
        _ = self._plain  # made once, for both
        one = copy.copy(self)
        one.learned = list(self.learned)
        return one

    def learn_from(self, other: Squeeze) -> None:
        """
        Take over what a search beside this one learned of the shelf.

        Parameters
        ----------
        other : Squeeze
            From `apart`.
        """
        self.learned = list(dict.fromkeys((*self.learned, *other.learned)))

    def fewer(
        self,
        trips: Trips,
        most: int,
        turns: int,
        seed: int,
        go_on: Callable[[], bool],
        *,
        every: bool = False,
        partly: bool = False,
        like: Trips | None = None,
        barred: frozenset[int] = frozenset(),
        staying: int | None = None,
        frozen: frozenset[int] = frozenset(),
    ) -> dict[int, frozenset[int]] | None:
        """
        Look for a plan that fills the same windows with so few trips.

        Parameters
        ----------
        trips : mapping of int to frozenset of int
            Visits by day index.
        most : int
            Trips at the most; none may hold more than 64 visits.
        turns : int
            Turns of the search at the most.
        seed : int
            Seed.
        go_on : callable
            False stops.
        every : bool, default False
            Fill also the windows that the trips miss, but for those that nothing can fill in time.
        partly : bool, default False
            Where not all can be filled, return the plan that left the fewest open.
        like : mapping of int to frozenset of int, optional
            Fill the windows that these trips fill instead.
        barred : frozenset of int, default empty
            Day indices that run no trip.
        staying : int, optional
            Day index of the trips that keeps its trip, whatever it visits.
        frozen : frozenset of int, default empty
            Day indices of the trips that stay as they are.

        Returns
        -------
        dict of int to frozenset of int or None
            Visits by day index; None where none was found, which proves nothing.
        """
        if max((len(visits) for visits in trips.values()), default=0) > _MOST_VISITS:
            return None
        random = np.random.default_rng(seed)
        by_day = {(self.season.days[i].day, s) for i, visits in (like or trips).items() for s in visits}
        filled = [
            (every and not self.rows[r].stretched)
            or any((d, self.rows[r].site) in by_day for d in self.rows[r].days)
            for r in self._order
        ]
        plain = self._plain._replace(holds=self._plain.holds & np.array(filled, np.bool_)[:, None])
        if barred or frozen or staying is not None:
            days, may = plain.days.copy(), plain.may.copy()
            may[list(barred)] = 0
            if staying is not None:
                days[staying, LOCK] = max(STAYS, int(days[staying, LOCK]))
            days[list(frozen), LOCK] = FROZEN
            plain = plain._replace(days=days, may=may)
        state = self._begin(plain, _without(plain, trips, most, random), self.learned)
        nearest, fewest = None, len(self.rows)
        for _ in range(max(1, turns // _TURNS)):
            if squeeze(plain, state, most, _TURNS, _STIR, int(random.integers(1 << 30))) == 0:
                found = _trips_of(state)
                short = self._shortage(found)
                if short is None:
                    return found
                self.learned.append(short)
                state = self._again(plain, found, short, state)
            if partly and state.tally[OPEN] < fewest:
                nearest, fewest = _trips_of(state), int(state.tally[OPEN])
            if not go_on():
                break
        return nearest

    def _shortage(self, trips: Trips) -> StockRow | None:
        """
        Return a row that the shelf's first shortage breaks.

        Where more was taken since some date than the shelf can ever give, that is the row; else what was
        taken since the shelf was last full is too much.
        """
        season = self.season
        shortages = self.shortages(trips) if season.fleet.stock_is_kept else ()
        if not shortages:
            return None
        short = shortages[0]
        name, until = short.pack_type, short.day
        taken: dict[int, int] = {}
        for index, visits in trips.items():
            day = season.days[index].day
            count = sum(season.tasks[s].swaps[day] and season.tasks[s].site.pack_type == name for s in visits)
            if count and day <= until:
                taken[day] = taken.get(day, 0) + count
        days = sorted(taken)
        known = {
            (row.first, row.last): row.cap for row in (*self.stock, *self.learned) if row.pack_type == name
        }
        for since in reversed(days):
            cap = most_charged(season.fleet, season.first, name, since, until, season.coming_in(name, until))
            if sum(taken[d] for d in days if d >= since) > cap < known.get((since, until), FAR):
                return StockRow(name, since, until, cap)
        for since in reversed(days):
            cap = sum(taken[d] for d in days if d >= since) - 1
            before = days[days.index(since) - 1] if since != days[0] else -_FULL_AFTER_DAYS - 1
            if since - before > _FULL_AFTER_DAYS and known.get((since, until), cap + 1) > cap:
                return StockRow(name, since, until, cap)
        return StockRow(name, 0, until, sum(taken[d] for d in days) - 1)

    def _again(self, plain: Problem, trips: Trips, row: StockRow, before: State) -> State:
        """Take a visit out that the shelf cannot feed; the penalties stay."""
        tasks, days = self.season.tasks, self.season.days
        options = [
            (int(before.windows[plain.sites[s, FIRST] : plain.sites[s, END], PENALTY].sum()), i, s)
            for i, visits in sorted(trips.items())
            for s in sorted(visits)
            if row.first <= days[i].day <= row.last
            and tasks[s].site.pack_type == row.pack_type
            and (plain.days[i, LOCK] == FREE or (plain.days[i, LOCK] == STAYS and len(visits) > 1))
        ]
        left = dict(trips)
        if options:
            _, i, s = min(options)
            left[i] = left[i] - {s}
        state = self._begin(plain, {i: visits for i, visits in left.items() if visits}, self.learned)
        state.windows[:, PENALTY] = before.windows[:, PENALTY]
        return state

    def _begin(self, plain: Problem, trips: Trips, learned: list[StockRow]) -> State:
        n, n_rows = len(self.season.days), len(self.rows)
        visits = np.full((n, _MOST_VISITS + 1), -1, np.int32)
        visits[:, -1] = 0
        member = np.zeros((n, len(self.season.tasks)), np.bool_)
        windows = np.zeros((n_rows, 5), np.int64)
        windows[:, OWNER] = [self.rows[r].site for r in self._order]
        windows[:, [PLACE, POOL]] = -1
        windows[:, PENALTY] = 1
        stock = np.array(
            [
                (self._kinds.index(row.pack_type), row.first, row.last, row.cap, 0)
                for row in (*self.stock, *learned)
                if row.pack_type in self._kinds
            ],
            np.int64,
        ).reshape(-1, 5)
        for i, chosen in trips.items():
            day = self.season.days[i].day
            for s in sorted(chosen):
                visits[i, visits[i, -1]] = s
                visits[i, -1] += 1
                member[i, s] = True
                rows = slice(plain.sites[s, FIRST], plain.sites[s, END])
                windows[rows, COVER] += plain.holds[rows, day]
                if plain.may[i, s] & SWAPS:
                    stock[:, USED] += (
                        (stock[:, KIND_OF] == plain.sites[s, KIND])
                        & (stock[:, SINCE] <= day)
                        & (day <= stock[:, UNTIL])
                    )
        open_rows = np.flatnonzero(plain.holds.any(axis=1) & (windows[:, COVER] == 0))
        windows[: len(open_rows), POOL] = open_rows
        windows[open_rows, PLACE] = np.arange(len(open_rows))
        stock_at, stock_of = _rows_by_day(stock, len(self._kinds), self.season.n_days)
        return State(
            visits,
            member,
            windows,
            stock,
            stock_at,
            stock_of,
            np.array([len(open_rows), len(trips)], np.int64),
            np.ones(len(self.season.tasks), np.int64),
            np.zeros((_MEMO, 3), np.int64),
        )

    @cached_property
    def _kinds(self) -> list[str]:
        return sorted({task.site.pack_type for task in self.season.tasks})

    @cached_property
    def _plain(self) -> Problem:
        season = self.season
        n, n_tasks, n_parks = len(season.days), len(season.tasks), len(season.park_places)
        crews = season.fleet.crews
        days = np.array(
            [(day.day, day.crew, day.start, crews[day.crew].packs_aboard, FREE) for day in season.days],
            np.int32,
        ).reshape(-1, 5)
        for indices in season.wanted.must_run:
            days[list(indices), LOCK] = STAYS
        days[list(season.wanted.kept), LOCK] = FROZEN
        most = max((len(others) for others in season.conflicts.values()), default=0)
        clash = np.full((n, most), -1, np.int32)
        for i, others in season.conflicts.items():
            clash[i, : len(others)] = others
        owner = np.array([self.rows[r].site for r in self._order], np.int64)
        holds = np.zeros((len(self.rows), season.n_days), np.bool_)
        for k, r in enumerate(self._order):
            holds[k, list(self.rows[r].days)] = True
        at = np.bincount(np.asarray(season.park_of, np.int64), minlength=n_parks)
        around = neighbourhoods(np.asarray(season.move_up[0], np.int32), at)
        sites = np.zeros((n_tasks, 6), np.int32)
        seen: dict[int, int] = {}
        for s, task in enumerate(season.tasks):
            park = season.park_of[s]
            first, end = np.searchsorted(owner, (s, s + 1))
            kind = self._kinds.index(task.site.pack_type)
            sites[s] = park, seen.get(park, 0), kind, first, end, around[park]
            seen[park] = seen.get(park, 0) + 1
        may = np.zeros((n, n_tasks), np.int8)
        stops = np.full((n, n_parks, 4), -FAR, np.int32)
        stops[:, :, TABLE] = -1
        tables: list[NDArray[np.int32]] = []
        begins: dict[tuple[int, int], int] = {}
        total = 0
        for i, day in enumerate(season.days):
            if not day.spans:
                continue
            stops[i, :, CLOSE] = season.close_by(day, loose=False)
            by_park: dict[int, list[int]] = {}
            for s in sorted(day.spans):
                by_park.setdefault(season.park_of[s], []).append(s)
            for park, here in by_park.items():
                light = day.light[park]
                if light is None or seen[park] > _MOST_OF_PARKING:
                    continue
                loops = season.park_loops(day, park, loose=False)
                if (park, id(loops)) not in begins:
                    begins[park, id(loops)] = total
                    tables.append(_subsets(loops, sites[:, BIT], seen[park]))
                    total += len(tables[-1])
                stops[i, park] = (
                    int(np.ceil(light[0])),
                    int(np.floor(light[1])),
                    stops[i, park, CLOSE],
                    begins[park, id(loops)],
                )
                for s in here:
                    task = season.tasks[s]
                    carries = CARRIES * task.carries(day.day, loose=False)
                    may[i, s] = 1 + SWAPS * bool(task.swaps[day.day]) + carries
        return Problem(
            days,
            clash,
            stops,
            np.concatenate([np.zeros((0, 3), np.int32), *tables]),
            np.stack([np.asarray(season.move_up[c], np.int32) for c in range(len(crews))]),
            may,
            sites,
            holds,
            _near(sites, holds),
            np.random.default_rng(0).integers(1 << 62, size=n + n_tasks, dtype=np.int64),
            np.zeros(_KNOWN, np.int64),
        )


def _rows_by_day(
    stock: NDArray[np.int64], n_kinds: int, n_days: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    days = np.arange(n_days)
    holds = (stock[:, SINCE, None] <= days) & (days <= stock[:, UNTIL, None])
    kinds = stock[:, KIND_OF, None] == np.arange(n_kinds)
    kind, day, row = np.nonzero((kinds[:, :, None] & holds[:, None, :]).transpose(1, 2, 0))
    return np.searchsorted(kind * n_days + day, np.arange(n_kinds * n_days + 1)), np.ascontiguousarray(row)


def _near(sites: NDArray[np.int32], holds: NDArray[np.bool_]) -> NDArray[np.int32]:
    near = np.zeros((len(sites), holds.shape[1], 2), np.int32)
    for s, (first, end) in enumerate(sites[:, [FIRST, END]]):
        here = holds[first:end]
        hit = here.any(axis=0)
        if len(here):
            near[s, hit, 0] = first + here.argmax(axis=0)[hit]
            near[s, hit, 1] = end - here[::-1].argmax(axis=0)[hit]
    return near


def _without(
    plain: Problem, trips: Trips, most: int, random: np.random.Generator
) -> dict[int, frozenset[int]]:
    """Take out the trips with the fewest visits, with some chance."""
    left = dict(trips)
    while len(left) > most:
        options = [i for i in left if plain.days[i, LOCK] == FREE]
        if not options:
            break
        score = [len(left[i]) + 6.0 * float(random.random()) for i in options]
        del left[options[int(np.argmin(score))]]
    return left


def _trips_of(state: State) -> dict[int, frozenset[int]]:
    return {
        int(i): frozenset(state.visits[i, : state.visits[i, -1]].tolist())
        for i in np.flatnonzero(state.visits[:, -1])
    }


def _subsets(loops: list[LoopSpec], bit: NDArray[np.int32], n_sites: int) -> NDArray[np.int32]:
    """For each set of a parking's sites the loops of least time: seconds, earliest end, latest start."""
    found = np.zeros((1 << n_sites, 3), np.int32)
    found[:, [LONG, OVER, LATEST]] = FAR, -FAR, FAR
    found[0, LONG] = 0
    options = [(sum(1 << int(bit[s]) for s in spec.sites), spec.d, spec.e, spec.l) for spec in loops]
    for mask in range(1, 1 << n_sites):
        lowest = mask & -mask
        for bits, d, e, last in options:
            if bits & ~mask or not bits & lowest:
                continue
            long, over, latest = (int(value) for value in found[mask ^ bits])
            if long + d < found[mask, LONG] and over <= last:
                found[mask] = long + d, max(over + d, e, -FAR), min(latest, last - long, FAR)
    return found
