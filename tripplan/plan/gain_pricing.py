"""Trips that gain most on one crew and date, where visits have prizes and each second a cost: for bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.charging import most_charged
from tripplan.plan.gain_kernels import gain_trips
from tripplan.plan.loops import FAR
from tripplan.plan.season import Season

__all__ = ["Gain", "GainPricer"]

_MOST_BITS = 128
_FEW_PACKS = 8
"""Packs are counted where a trip can take at most this many: every count compared weakens dominance."""

_MAX_LABELS = 2_000_000


@dataclass(frozen=True)
class Gain:
    """
    Result of one pricing.

    Attributes
    ----------
    best : float
        Largest gain found, at least the threshold asked for.
    complete : bool
        Whether no real trip gains more than `best`.
    trips : tuple of (tuple of int, int)
        Task indices in visiting order, one of them perhaps twice in a relaxed trip, and the seconds without
        waiting.
    work : int
        Labels compared, and two for each label made: what the pricing cost.
    """

    best: float
    complete: bool
    trips: tuple[tuple[tuple[int, ...], int], ...]
    work: int = 0


@dataclass
class GainPricer:
    """Prices trips with relaxed rounding, so that the best gain bounds that of every real trip."""

    season: Season
    _memory: dict[tuple[int, int], NDArray[np.uint64]] = field(default_factory=dict)
    _limits: dict[tuple[int, ...], tuple[tuple[str, ...], NDArray[np.int32]]] = field(default_factory=dict)

    def price(
        self,
        indices: tuple[int, ...],
        prize: NDArray[np.float64],
        rate: float,
        threshold: float,
        *,
        near_parks: int = 3,
        keep: int = 6,
        max_work: int = 100_000_000,
    ) -> Gain:
        """
        Find the trips that gain most.

        Parameters
        ----------
        indices : tuple of int
            One day index, or several of one crew that share their loops; then a relaxation of each.
        prize : numpy.ndarray, shape (n_tasks,)
            Prize of a visit; those without a positive prize are left out, since leaving a visit out never
            makes a trip longer.
        rate : float
            What a second of crew time costs, waiting left out.
        threshold : float
            Only gains above it are wanted; at least as much as a trip without prizes loses.
        near_parks : int, default 3
            Parkings whose sites are remembered; more is tighter and slower.
        keep : int, default 6
            Trips returned at the most.
        max_work : int, default 100 000 000
            Label comparisons at the most.

        Returns
        -------
        Gain
            See there.
        """
        season = self.season
        day = season.days[indices[0]]
        active = prize > 1e-9
        table = season.loop_table(indices[0], loose=True)
        if not len(table.specs):
            return Gain(threshold, complete=True, trips=())
        chosen = np.flatnonzero(~(table.member & ~active[None, :]).any(axis=1))
        if not len(chosen):
            return Gain(threshold, complete=True, trips=())
        member, d = table.member[chosen], table.d[chosen]
        e, late = table.e[chosen], table.latest[chosen]
        close, start = season.close_by(day, loose=True), day.start
        for other in indices[1:]:
            twin = season.loop_table(other, loose=True)
            e, late = np.minimum(e, twin.e[chosen]), np.maximum(late, twin.latest[chosen])
            close = np.maximum(close, season.close_by(season.days[other], loose=True))
            start = min(start, season.days[other].start)
        move = season.move_down[day.crew]
        n_parks = len(season.park_places)
        names, most = self._most_packs(indices)
        bits = self._bits
        masks = np.zeros((len(chosen), 2), np.uint64)
        for word in range(2):
            masks[:, word] = np.bitwise_or.reduce(np.where(member, bits[None, :, word], np.uint64(0)), axis=1)
        tasks = season.tasks
        pays = np.array([bool(task.pays[day.day]) for task in tasks])
        carried = np.array([task.carries(day.day, loose=True) for task in tasks])
        types = np.array([task.site.pack_type for task in tasks])
        packs = np.stack(
            [member.astype(np.int32) @ which for which in (carried, *(pays & (types == n) for n in names))],
            axis=1,
        ).astype(np.int32)
        sites = np.flatnonzero(active & member.any(axis=0))
        per_site = d / np.maximum(1, member.sum(axis=1))
        near = np.array([per_site[member[:, s]].min() for s in sites])
        park_of = np.array(season.park_of, np.int64)
        into = move[:, :n_parks].astype(np.float64)
        into[np.arange(n_parks), np.arange(n_parks)] = FAR
        way_in = into.min(axis=0)
        crowd = np.bincount(park_of[sites], minlength=n_parks)
        share = np.maximum(1e-6, near + way_in[park_of[sites]] / crowd[park_of[sites]])
        net = prize[sites] - rate * near
        kind = np.array(
            [(names.index(types[s]) + 1 if types[s] in names else 0) if pays[s] else -1 for s in sites],
            np.int64,
        )
        by_net = np.argsort(-net, kind="stable")
        by_rate = np.argsort(-(prize[sites] - rate * share) / share, kind="stable")
        best, complete, found, work = gain_trips(
            move,
            np.searchsorted(table.park[chosen], np.arange(n_parks + 1)).astype(np.int32),
            masks,
            member @ np.where(active, prize, 0.0) - rate * d,
            d,
            e,
            late,
            np.ascontiguousarray(packs),
            self._memory_of(day.crew, near_parks),
            close,
            start,
            most,
            float(rate),
            net[by_net],
            np.ascontiguousarray(bits[sites[by_net]]),
            kind[by_net],
            prize[sites[by_rate]],
            share[by_rate],
            near[by_rate],
            np.ascontiguousarray(bits[sites[by_rate]]),
            park_of[sites[by_rate]],
            float(threshold),
            _MAX_LABELS,
            max_work,
            keep,
        )
        trips: dict[tuple[int, ...], int] = {}
        for row in found:
            loops = [chosen[k] for k in row if k >= 0]
            if loops:
                visits = tuple(s for k in loops for s in table.specs[k].sites)
                nodes = [n_parks, *(int(table.park[k]) for k in loops), n_parks]
                drive = sum(int(move[a, b]) for a, b in pairwise(nodes) if a != b)
                trips.setdefault(visits, drive + sum(int(table.d[k]) for k in loops))
        return Gain(float(best), bool(complete), tuple(trips.items()), int(work))

    @property
    def _bits(self) -> NDArray[np.uint64]:
        n = len(self.season.tasks)
        bits = np.zeros((n, 2), np.uint64)
        for s in range(min(n, _MOST_BITS)):
            bits[s, s // 64] = np.uint64(1) << np.uint64(s % 64)
        return bits

    def _memory_of(self, crew: int, near_parks: int) -> NDArray[np.uint64]:
        """Sites that a trip at each parking still remembers: those of the nearest parkings."""
        if (crew, near_parks) not in self._memory:
            move = self.season.move_down[crew]
            n_parks = len(self.season.park_places)
            park_of = np.array(self.season.park_of, np.int64)
            memory = np.zeros((n_parks, 2), np.uint64)
            for p in range(n_parks):
                gaps = move[:n_parks, p].astype(np.int64).copy()
                gaps[p] = -1
                near = np.argsort(gaps, kind="stable")[:near_parks]
                memory[p] = np.bitwise_or.reduce(
                    self._bits[np.isin(park_of, near)], axis=0, initial=np.uint64(0)
                )
            self._memory[crew, near_parks] = memory
        return self._memory[crew, near_parks]

    def _most_packs(self, indices: tuple[int, ...]) -> tuple[tuple[str, ...], NDArray[np.int32]]:
        """Packs that one trip can take at the most: in all, and of each type of which there are too few."""
        if indices not in self._limits:
            season = self.season
            fleet = season.fleet
            days = {season.days[i].day for i in indices}
            scarce: dict[str, int] = {}
            total = 0
            for name in sorted({task.site.pack_type for task in season.tasks}):
                sites = sum(task.site.pack_type == name for task in season.tasks)
                cap = sites
                if fleet.stock_is_kept:
                    cap = max(
                        most_charged(fleet, season.first, name, d, d, season.coming_in(name, d)) for d in days
                    )
                total += min(cap, sites) + season.coming_in(name, FAR)
                if cap < sites:
                    scarce[name] = cap
            aboard = min(fleet.crews[season.days[indices[0]].crew].packs_aboard, total)
            names = tuple(sorted(scarce, key=lambda name: scarce[name]))[:2]
            limits = np.array([aboard, *(scarce[name] for name in names)], np.int32)
            if aboard > _FEW_PACKS:
                names, limits = (), np.array([len(season.tasks)], np.int32)
            self._limits[indices] = (names, limits)
        return self._limits[indices]
