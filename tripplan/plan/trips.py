"""
One trip: for given visits of one crew and date the least crew time, with its loops.

Exact up to 16 stops. A longer trip is put in order quickly while plans are searched, so that one that just
fits may be missed, and exactly, as far as its labels reach, once it stands in a plan.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from tripplan.plan.kernels import order_visits
from tripplan.plan.long_trip import order_long_trip
from tripplan.plan.season import Season

__all__ = ["MOST_ITEMS", "TripBook", "TripShape"]

MOST_ITEMS = 62
"""Stops, and visits with opening hours, that one trip can hold; more is refused as not fitting."""

_EXACT_ITEMS = 16
_MAX_LABELS = 2_000_000
_LONG_LABELS = 300_000


@dataclass(frozen=True)
class TripShape:
    """
    The best way to make one trip.

    Attributes
    ----------
    seconds : int
        Back minus leave. [s]
    leave : int
        Latest leave with that duration, after local midnight. [s]
    loops : tuple of (int, tuple of int)
        Parking index and site order of each loop, in order.
    """

    seconds: int
    leave: int
    loops: tuple[tuple[int, tuple[int, ...]], ...]


@dataclass
class TripBook:
    """Looks up, and remembers, the best trip for a set of visits on a crew's date."""

    season: Season
    _known: dict[tuple[int, frozenset[int]], TripShape | None] = field(default_factory=dict)
    _settled: dict[tuple[int, frozenset[int]], TripShape | None] = field(default_factory=dict)
    _stops: dict[tuple[object, ...], tuple[int, tuple[tuple[int, ...], ...]] | None] = field(
        default_factory=dict
    )

    def best(self, index: int, visits: Iterable[int]) -> TripShape | None:
        """
        Return the trip of least crew time.

        Parameters
        ----------
        index : int
            Index into ``season.days``.
        visits : iterable of int
            Task indices.

        Returns
        -------
        TripShape or None
            None where the visits do not fit.
        """
        wanted = frozenset(visits)
        key = (index, wanted)
        if key not in self._known:
            self._known[key] = self._search(index, wanted)
        return self._known[key]

    def settled(self, index: int, visits: Iterable[int]) -> TripShape | None:
        """
        Return the trip of least crew time, looking longer where it has more stops than are searched exactly.

        Parameters
        ----------
        index : int
            Index into ``season.days``.
        visits : iterable of int
            Task indices.

        Returns
        -------
        TripShape or None
            None where the visits do not fit.
        """
        wanted = frozenset(visits)
        quick = self.best(index, wanted)
        if quick is None or len({self.season.park_of[s] for s in wanted}) <= _EXACT_ITEMS >= len(wanted):
            return quick
        key = (index, wanted)
        if key not in self._settled:
            exact = self._search(index, wanted, quick=False)
            better = exact is not None and (exact.seconds, -exact.leave) < (quick.seconds, -quick.leave)
            self._settled[key] = exact if better else quick
        return self._settled[key]

    def _search(self, index: int, wanted: frozenset[int], *, quick: bool = True) -> TripShape | None:
        season = self.season
        day = season.days[index]
        if not wanted or not all(s in day.spans for s in wanted):
            return None
        crew = season.fleet.crews[day.crew]
        if sum(season.tasks[s].carries(day.day, loose=False) for s in wanted) > crew.packs_aboard:
            return None
        by_park: dict[int, list[int]] = {}
        for s in sorted(wanted):
            by_park.setdefault(season.park_of[s], []).append(s)
        parks = sorted(by_park)
        items = 0
        rows: list[tuple[int, int, int, int, int]] = []
        walks: list[tuple[tuple[int, ...], ...]] = []
        for local, p in enumerate(parks):
            sites = by_park[p]
            if all(day.spans[s] is None for s in sites):
                stop = self._stop(index, p, tuple(sites))
                if stop is None:
                    return None
                light = day.light[p]
                if light is None:
                    return None
                a, b = int(np.ceil(light[0])), int(np.floor(light[1]))
                if a + stop[0] > b:
                    return None
                rows.append((local, 1 << items, stop[0], a + stop[0], b - stop[0]))
                walks.append(stop[1])
                items += 1
            else:
                bit = {s: 1 << (items + k) for k, s in enumerate(sites)}
                items += len(sites)
                table = season.loop_table(index, loose=False)
                for k in np.flatnonzero(table.park == p):
                    order = table.specs[k].sites
                    if all(s in bit for s in order):
                        mask = sum(bit[s] for s in order)
                        rows.append((local, mask, int(table.d[k]), int(table.e[k]), int(table.latest[k])))
                        walks.append((order,))
        if items > MOST_ITEMS:
            return None
        full = (1 << items) - 1
        covered = 0
        for row in rows:
            covered |= row[1]
        if covered != full:
            return None
        nodes = [*parks, len(season.park_places)]
        move = np.ascontiguousarray(season.move_up[day.crew][np.ix_(nodes, nodes)])
        close = np.ascontiguousarray(season.close_by(day, loose=False)[parks])
        columns = np.array(rows, np.int64)
        arrays = (
            move,
            columns[:, 0].astype(np.int32),
            columns[:, 1].copy(),
            columns[:, 2].astype(np.int32),
            columns[:, 3].astype(np.int32),
            columns[:, 4].astype(np.int32),
            close,
            day.start,
            day.end,
            items,
        )
        if items <= _EXACT_ITEMS:
            seconds, leave, order_found = order_visits(*arrays, _MAX_LABELS, True)  # noqa: FBT003
        else:
            seconds, leave, order_found = order_long_trip(
                *arrays,
                _LONG_LABELS,
                True,  # noqa: FBT003
                proof=False,
                quick=quick,
            )
        if seconds < 0:
            return None
        loops = tuple((parks[rows[k][0]], order) for k in order_found for order in walks[k])
        return TripShape(int(seconds), int(leave), loops)

    def _stop(
        self, index: int, park: int, sites: tuple[int, ...]
    ) -> tuple[int, tuple[tuple[int, ...], ...]] | None:
        """Split the sites of one parking without opening hours into loops of least total time."""
        season = self.season
        day = season.days[index]
        work = tuple(season.work_seconds(s, day.day, loose=False) for s in sites)
        carried = tuple(season.visit_kg(s, day.day, loose=False) for s in sites)
        key = (day.crew, park, sites, work, carried)
        if key in self._stops:
            return self._stops[key]
        bit = {s: 1 << k for k, s in enumerate(sites)}
        options = [
            (sum(bit[s] for s in spec.sites), spec.d, spec.sites)
            for spec in season.park_loops(day, park, loose=False)
            if all(s in bit for s in spec.sites)
        ]
        full = (1 << len(sites)) - 1
        best: list[tuple[int, tuple[tuple[int, ...], ...]] | None] = [None] * (full + 1)
        best[0] = (0, ())
        for mask in range(full):
            state = best[mask]
            if state is None:
                continue
            lowest = ~mask & (mask + 1)
            for bits, seconds, order in options:
                if bits & mask or not bits & lowest:
                    continue
                new = (state[0] + seconds, (*state[1], order))
                old = best[mask | bits]
                if old is None or new < old:
                    best[mask | bits] = new
        self._stops[key] = best[full]
        return best[full]

    def fits(self, index: int, visits: Iterable[int]) -> bool:
        """Tell whether the visits fit into one trip."""
        return self.best(index, visits) is not None
