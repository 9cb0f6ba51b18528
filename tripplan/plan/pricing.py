"""Trips of the largest prize for one crew and date: exact for bounds, narrow for ideas."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.charging import most_charged
from tripplan.plan.loops import FAR
from tripplan.plan.season import LoopTable, Season
from tripplan.plan.two_sided import best_trips

__all__ = ["EASY_WORK", "SURE_NEAR", "Priced", "Pricer"]

SURE_NEAR = 3
"""Parkings that are remembered on every date."""

EASY_WORK = 20_000_000
"""More are remembered only on dates that take no more work, as `Priced.work` counts. [labels compared]"""

_MOST_BITS = 128
_MOST_KINDS = 3
_FEW_PACKS = 8
"""Exact pricing counts all packs where a trip can take at most this many."""

_FEW_OF_TYPE = 4
"""Where it can take more, exact pricing counts those types of which it can take at most this many."""

_ANY_NUMBER = np.iinfo(np.int32).max

_MAX_LABELS = 3_000_000
_MAX_WORK = 300_000_000


@dataclass(frozen=True)
class Priced:
    """
    Result of one pricing run.

    Attributes
    ----------
    best : float
        Largest prize of any trip found, less the cost of its time, at least the threshold asked for.
    complete : bool
        Whether no real trip can collect more than `best`.
    trips : tuple of tuple of int
        Task indices in visiting order; a task may stand twice in a relaxed trip.
    seconds : tuple of int
        Where time costs, how long each trip lasts, waiting left out. [s]
    work : int
        Labels compared, and two for each label made: what the pricing cost.
    """

    best: float
    complete: bool
    trips: tuple[tuple[int, ...], ...]
    seconds: tuple[int, ...] = ()
    work: int = 0


@dataclass
class Pricer:
    """Prices trips; prepares arrays once for each crew and date."""

    season: Season
    _memory: dict[tuple[int, int], NDArray[np.uint64]] = field(default_factory=dict)
    _limits: dict[tuple[int, ...], tuple[tuple[str, ...], NDArray[np.int32]]] = field(default_factory=dict)
    _bits: NDArray[np.uint64] = field(init=False)
    _one_at_a_time: Lock = field(default_factory=Lock, repr=False)

    def __post_init__(self) -> None:
        n = len(self.season.tasks)
        self._bits = np.zeros((n, 2), np.uint64)
        for s in range(min(n, _MOST_BITS)):
            self._bits[s, s // 64] = np.uint64(1) << np.uint64(s % 64)

    def _number(self, prize: NDArray[np.float64]) -> None:
        """Give the bits to the sites with the largest prizes; others may be collected again and again."""
        self._bits[:] = 0
        self._memory.clear()
        for k, s in enumerate(np.argsort(-prize, kind="stable")[:_MOST_BITS]):
            self._bits[s, k // 64] = np.uint64(1) << np.uint64(k % 64)

    def _memory_of(self, crew: int, near_parks: int) -> NDArray[np.uint64]:
        """Sites that a trip at each parking still remembers: those of the nearest parkings."""
        if (crew, near_parks) in self._memory:
            return self._memory[crew, near_parks]
        move = self.season.move_down[crew]
        n_parks = len(self.season.park_places)
        memory = np.zeros((n_parks, 2), np.uint64)
        for p in range(n_parks):
            gaps = move[:n_parks, p].astype(np.int64).copy()
            gaps[p] = -1
            near = set(np.argsort(gaps, kind="stable")[:near_parks].tolist())
            for s, park in enumerate(self.season.park_of):
                if park in near:
                    memory[p] |= self._bits[s]
        self._memory[crew, near_parks] = memory
        return memory

    def price(
        self,
        indices: tuple[int, ...],
        prize: NDArray[np.float64],
        threshold: float,
        *,
        width: int = 0,
        near_parks: int = 3,
        keep: int = 8,
        max_work: int | None = None,
        rate: float = 0.0,
    ) -> Priced:
        """
        Find the trips with the largest prizes.

        Parameters
        ----------
        indices : tuple of int
            One day index, or several of one crew that share their loops; then a relaxation that
            bounds each of them.
        prize : numpy.ndarray, shape (n_tasks,)
            Prize of a visit; visits without a positive prize are left out.
        threshold : float
            Only prizes above it, the cost of time taken off, are wanted.
        width : int, default 0
            0: exact, with relaxed rounding; else a narrow search over plannable trips.
        near_parks : int, default 3
            Parkings whose sites are remembered (exact mode); more is tighter and slower.
        keep : int, default 8
            Trips returned at the most.
        max_work : int, optional
            Labels compared at which to give up, which leaves the result incomplete.
        rate : float, default 0
            What a second costs from leaving the base to being back, waiting left out.

        Returns
        -------
        Priced
            See there.
        """
        loose = width == 0
        with self._one_at_a_time:  # several threads price at once; only the labels grow side by side
            ready = self._get_ready(indices, prize, near_parks, rate, loose=loose)
        if ready is None:
            return Priced(threshold, complete=loose, trips=())
        table, chosen, arrays = ready
        work = _MAX_WORK if max_work is None else min(max_work, _MAX_WORK)
        best, complete, found, spent = best_trips(*arrays, threshold, width, _MAX_LABELS, work, keep)
        trips: dict[tuple[int, ...], int] = {}
        for row in found:
            loops = [chosen[k] for k in row if k >= 0]
            if loops:
                visits = tuple(s for k in loops for s in table.specs[k].sites)
                lasts = self._least_seconds(indices[0], table, loops, loose=loose) if rate else 0
                trips.setdefault(visits, lasts)
        seconds = tuple(trips.values()) if rate else ()
        return Priced(float(best), bool(complete), tuple(trips), seconds, int(spent))

    def _least_seconds(self, index: int, table: LoopTable, loops: list[int], *, loose: bool) -> int:
        """Return how long a trip lasts, waiting left out. [s]."""
        season = self.season
        move = (season.move_down if loose else season.move_up)[season.days[index].crew]
        base = len(season.park_places)
        places = [base, *(int(table.park[k]) for k in loops), base]
        drive = sum(int(move[a, b]) for a, b in pairwise(places) if a != b)
        return drive + sum(int(table.d[k]) for k in loops)

    def _get_ready(
        self,
        indices: tuple[int, ...],
        prize: NDArray[np.float64],
        near_parks: int,
        rate: float,
        *,
        loose: bool,
    ) -> tuple[LoopTable, NDArray[np.int64], tuple[Any, ...]] | None:
        """Return the loops, those that can be walked for a prize, and what the labels need; None for none."""
        season = self.season
        if len(season.tasks) > _MOST_BITS:
            self._number(prize)
        day = season.days[indices[0]]
        active = prize > 1e-9
        table = season.loop_table(indices[0], loose=loose)
        if not len(table.specs) or not active.any():
            return None
        use = ~(table.member & ~active[None, :]).any(axis=1)
        chosen = np.flatnonzero(use)
        if not len(chosen):
            return None
        e, late = table.e[chosen], table.latest[chosen]
        close = season.close_by(day, loose=loose)
        start = day.start
        kinds, most = self._most_packs(indices)
        if loose and most[0] > _FEW_PACKS:
            kinds, most = _scarcest(kinds, most)
        for other in indices[1:]:
            twin = season.loop_table(other, loose=loose)
            e = np.minimum(e, twin.e[chosen])
            late = np.maximum(late, twin.latest[chosen])
            close = np.maximum(close, season.close_by(season.days[other], loose=loose))
            start = min(start, season.days[other].start)
        member = table.member[chosen]
        move = (season.move_down if loose else season.move_up)[day.crew]
        n_parks = len(season.park_places)
        first = np.searchsorted(table.park[chosen], np.arange(n_parks + 1)).astype(np.int32)
        masks = np.zeros((len(chosen), 2), np.uint64)
        for word in range(2):
            masks[:, word] = np.bitwise_or.reduce(
                np.where(member, self._bits[None, :, word], np.uint64(0)), axis=1
            )
        order = self._site_order(active, prize, table.d[chosen], member, move)
        kind = self._kind_of(order[-1], day.day, kinds)
        packs = self._packs_of(table.member[chosen], day.day, kinds)
        site_packs = self._packs_of(np.eye(len(prize), dtype=bool)[order[-1]], day.day, kinds)
        if most[0] == _ANY_NUMBER:
            packs[:, 0] = site_packs[:, 0] = 0
        walked = np.zeros(len(order[-1]))
        if rate:
            per_site = table.d[chosen] / np.maximum(1, member.sum(axis=1))
            walked = np.array([per_site[member[:, s]].min() for s in order[-1]])
        top = np.argsort(-np.maximum(0.0, order[0] - rate * walked), kind="stable")
        loop_of, loop_site = (np.ascontiguousarray(at) for at in np.nonzero(member[:, order[-1]]))
        loop_first = np.searchsorted(loop_of, np.arange(len(chosen) + 1))
        of_loops = (
            first,
            masks,
            member @ np.where(active, prize, 0.0),
            table.d[chosen],
            e,
            late,
            np.ascontiguousarray(packs),
            loop_first,
            loop_site,
            self._memory_of(day.crew, near_parks),
        )
        out = self._site_order(active, prize, table.d[chosen], member, move.T)
        at = {int(s): k for k, s in enumerate(order[-1])}
        back = np.array([at[int(s)] for s in out[-1]], np.int64)
        share = np.empty(len(back))
        share[back] = out[1]
        bit = np.log2(np.maximum(order[3], 1).astype(np.float64)).astype(np.int64)
        number = np.where(order[2] < 0, -1, 64 * order[2] + bit)
        arrays = (
            move,
            *of_loops,
            close,
            start,
            most,
            float(rate),
            *order[:4],
            number,
            *order[4:-1],
            site_packs,
            kind,
            walked,
            top,
            back,
            share,
        )
        return table, chosen, arrays

    def _most_packs(self, indices: tuple[int, ...]) -> tuple[tuple[str, ...], NDArray[np.int32]]:
        """Packs that one trip of these crew-dates can take at the most: aboard, and of scarce types."""
        if indices not in self._limits:
            season = self.season
            fleet = season.fleet
            aboard = fleet.crews[season.days[indices[0]].crew].packs_aboard
            scarce: dict[str, int] = {}
            total = 0
            for name in sorted({task.site.pack_type for task in season.tasks}):
                sites = sum(task.site.pack_type == name for task in season.tasks)
                cap = sites
                if fleet.stock_is_kept:
                    days = {season.days[i].day for i in indices}
                    cap = max(
                        most_charged(fleet, season.first, name, day, day, season.coming_in(name, day))
                        for day in days
                    )
                total += min(cap, sites) + season.coming_in(name, FAR)
                if cap < sites:
                    scarce[name] = cap
            names = tuple(sorted(scarce, key=lambda name: scarce[name]))[:_MOST_KINDS]
            limits = np.array([min(aboard, total), *(scarce[name] for name in names)], np.int32)
            self._limits[indices] = (names, limits)
        return self._limits[indices]

    def _packs_of(self, member: NDArray[np.bool_], day: int, names: tuple[str, ...]) -> NDArray[np.int32]:
        """Packs of each loop: all that it carries, and of each scarce type those that it swaps in."""
        tasks = self.season.tasks
        pays = np.array([bool(task.pays[day]) for task in tasks])
        carried = np.array([task.carries(day, loose=True) for task in tasks])
        counted = [carried, *(pays & np.array([t.site.pack_type == name for t in tasks]) for name in names)]
        columns = [member.astype(np.int32) @ which for which in counted]
        return np.stack(columns, axis=1).astype(np.int32)

    def _kind_of(self, sites: NDArray[np.int64], day: int, names: tuple[str, ...]) -> NDArray[np.int64]:
        """Column that counts the pack of a site besides the first: 0 for none, -1 where it takes no pack."""
        tasks = self.season.tasks
        column = {name: k + 1 for k, name in enumerate(names)}
        return np.array(
            [column.get(tasks[s].site.pack_type, 0) if tasks[s].pays[day] else -1 for s in sites], np.int64
        )

    def _site_order(
        self,
        active: NDArray[np.bool_],
        prize: NDArray[np.float64],
        loop_d: NDArray[np.int32],
        member: NDArray[np.bool_],
        move: NDArray[np.int32],
    ) -> tuple[
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.int64],
        NDArray[np.uint64],
        NDArray[np.int64],
        NDArray[np.int64],
    ]:
        """Least seconds each site takes of any trip: its share of a loop and of the way in."""
        per_site = loop_d / np.maximum(1, member.sum(axis=1))
        sites = np.flatnonzero(active & member.any(axis=0))
        park_of = np.array(self.season.park_of, np.int64)
        n_parks = len(self.season.park_places)
        into = move[:, :n_parks].astype(np.float64)
        into[np.arange(n_parks), np.arange(n_parks)] = FAR
        way_in = into.min(axis=0)
        count = np.bincount(park_of[sites], minlength=n_parks)
        share = np.array(
            [per_site[member[:, s]].min() + way_in[park_of[s]] / count[park_of[s]] for s in sites]
        )
        share = np.maximum(share, 1e-6)
        rank = np.argsort(-prize[sites] / share, kind="stable")
        sites, share = sites[rank], share[rank]
        word = np.where(self._bits[sites, 0] > 0, 0, np.where(self._bits[sites, 1] > 0, 1, -1))
        bit = np.where(word == 1, self._bits[sites, 1], self._bits[sites, 0])
        return prize[sites], share, word.astype(np.int64), bit.astype(np.uint64), park_of[sites], sites


def _scarcest(kinds: tuple[str, ...], most: NDArray[np.int32]) -> tuple[tuple[str, ...], NDArray[np.int32]]:
    """
    Return types to count, and the most of all packs and of each, where a bound leaves the other counts out.

    Every count compared weakens dominance, so that it must cut much: a type of which a trip takes two does.
    """
    few = [k for k in range(len(kinds)) if most[k + 1] <= _FEW_OF_TYPE]
    return tuple(kinds[k] for k in few), np.array([_ANY_NUMBER, *(most[k + 1] for k in few)], np.int32)
