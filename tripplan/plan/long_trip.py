"""
The best order of one long trip: exact labels, cut short by what the rest must cost at least.

The rest of a trip is bounded by relaxed trips (`long_rests`), with a prize on each visit that makes them do
each of them once. Forward labels (`long_labels`) are exact; one that cannot beat the best trip known, even
with the cheapest rest that fits its visits and its hour, is dropped. The best trip known comes from the same
labels, a few to each count of visits, or from moves (`long_moves`). Then the trip is relaxed from its end and
from its start by turns, each side cut short by the other, with a memory that grows (`long_memory`), until
nothing is left that could beat the best trip, the cheapest relaxed trip is a trip, or few enough labels
are left for exact ones.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.long_labels import extend_labels
from tripplan.plan.long_memory import Labels, relax_trip
from tripplan.plan.long_moves import improve_order, measure_order, search_order
from tripplan.plan.loops import FAR

__all__ = ["order_long_trip"]

_QUICK = (3, 4, 60)
"""Parkings that a relaxed trip remembers, steps towards better prizes, labels to each count of visits."""

_STAGES = (
    ((3,), 40, 300, 0),
    ((3, 5), 40, 3000, 600_000),
    ((3, 5, 7), 40, 0, 2_000_000),
    ((3, 5, 7, 10), 40, 0, 0),
)
"""
Parkings remembered by turns, steps, labels to each count of visits, labels while the memory grows (0: all).
"""

_STAGES_UNPROVED = 2
_TURNS = 60
_WAYS = 20
_FEW = 30_000
"""Relaxed labels so few that exact ones are tried."""

_SHAKES = 300
_NEAR = 10
_NONE = np.empty(0, np.int32)


def order_long_trip(
    move: NDArray[np.int32],
    loop_park: NDArray[np.int32],
    loop_mask: NDArray[np.int64],
    loop_d: NDArray[np.int32],
    loop_e: NDArray[np.int32],
    loop_l: NDArray[np.int32],
    close_by: NDArray[Any],
    day_start: int,
    day_end: int,
    n_visits: int,
    max_labels: int,
    waiting_counts: bool,
    *,
    proof: bool = True,
    quick: bool = False,
) -> tuple[int, int, NDArray[np.int32]]:
    """
    Find the order, loops and hours of up to 62 given visits that take the least crew time, exactly.

    Takes and gives what `tripplan.plan.kernels.order_visits` does. Without `proof` the best trip found is
    given where none is proved to be the best; -1 still means that the visits are proved not to fit. `quick`
    looks at a few labels for each count of visits only.

    Returns
    -------
    seconds : int
        Least back minus leave; -1 where the visits do not fit, -2 where `max_labels` was too few to
        tell, or without `proof` to find any.
    leave : int
        The latest leave among the trips of that duration that were met.
    loops : numpy.ndarray
        Loop indices in order.
    """
    loops: tuple[NDArray[Any], ...] = (
        np.ascontiguousarray(move, np.int64),
        np.ascontiguousarray(loop_park, np.int32),
        np.ascontiguousarray(loop_mask, np.int64),
        *(np.ascontiguousarray(array, np.int64) for array in (loop_d, loop_e, loop_l, close_by)),
    )
    search = _Search(loops, int(day_start), int(day_end), n_visits, max_labels, waiting_counts)
    stages = ((_QUICK[:1], *_QUICK[1:], 0),) if quick else _STAGES if proof else _STAGES[:_STAGES_UNPROVED]
    proved = search.run(stages, quick=quick)
    if proved:
        return search.answer() if len(search.loops) else (-1, 0, _NONE)
    if proof or not len(search.loops):
        return -2, 0, _NONE
    search.improve()
    return search.answer()


class _Search:
    """The best trip known, and what bounds those not known."""

    def __init__(
        self,
        loops: tuple[NDArray[Any], ...],
        day_start: int,
        day_end: int,
        n_visits: int,
        max_labels: int,
        waiting_counts: bool,
    ) -> None:
        self.shape, self.day, self.n_visits = loops, (day_start, day_end), n_visits
        self.max_labels, self.waiting_counts = max_labels, waiting_counts
        self.trip = relax_trip(*loops, day_start=day_start, day_end=day_end, n_visits=n_visits)
        self.best, self.leave, self.loops = 4 * FAR, -FAR, _NONE
        self.prize = np.zeros(n_visits, np.int64)
        move, loop_park, _, *hours = loops
        self.hours = (move, loop_park, *hours, day_start, day_end, waiting_counts)

    def answer(self) -> tuple[int, int, NDArray[np.int32]]:
        return int(self.best), int(self.leave), self.loops

    def run(self, stages: tuple[tuple[tuple[int, ...], int, int, int], ...], *, quick: bool) -> bool:
        """Look for good prizes and for trips; tell whether the best trip known is proved to be the best."""
        rests = None
        for nears, steps, width, cap in stages:
            memories = [self.trip.near_memory(near) for near in nears]
            bound, self.prize, labels = self.trip.find_prizes(
                memories, self.prize, steps, self.best, self.max_labels
            )
            if labels is None:
                break
            if bound >= self.best or labels.empty:
                return True
            rests = labels
            if width and self._extend(labels, width, self.max_labels):
                return True
            if quick:
                continue
            if len(nears) == 1:
                self.shake()
                continue
            most = min(cap or self.max_labels, self.max_labels)
            proved, rests = self.grow(memories[-1], labels, most)
            if proved or self._extend(rests, 0, most):
                return True
        return not quick and rests is not None and self._extend(rests, 0, self.max_labels)

    def _extend(self, rests: Labels, width: int, most: int) -> bool:
        """Extend exact labels, so many a count of visits and in all; tell whether no more were needed."""
        best, leave, loops, complete = extend_labels(
            *self.shape,
            *self.day,
            self.n_visits,
            self.trip.before,
            self.trip.short,
            self.prize,
            self.waiting_counts,
            *rests[:4],
            self.best,
            width,
            most,
        )
        if len(loops):
            self.best, self.leave, self.loops = best, leave, loops
        return bool(complete)

    def shake(self) -> None:
        """Look for a better order by moves; without one, each visit gets the shortest loop of its own."""
        move, loop_park, loop_mask, loop_d, _, loop_l, _ = self.shape
        order = self.loops.astype(np.int64)
        if not len(order):
            shortest: dict[int, int] = {}
            for k in np.argsort(loop_d, kind="stable")[::-1].tolist():
                shortest[int(loop_mask[k])] = k
            single = [shortest.get(1 << i, -1) for i in range(self.n_visits)]
            if min(single) < 0:
                return
            order = np.array(sorted(single, key=lambda k: int(loop_l[k])), np.int64)
        near = np.zeros((len(loop_park), min(_NEAR, len(order) - 1)), np.int64)
        for k in order.tolist():
            others = order[order != k]
            gaps = move[loop_park[others], loop_park[k]]
            near[k] = others[np.argsort(gaps, kind="stable")[: near.shape[1]]]
        if search_order(order, near, _SHAKES, 1, *self.hours) < self.best:
            self._offer(order)

    def _offer(self, order: NDArray[np.int64]) -> int:
        """Take an order if it keeps the hours and is better; return its seconds."""
        seconds, leave = measure_order(order, *self.hours)
        if seconds < self.best and seconds < FAR:
            self.best, self.leave, self.loops = int(seconds), int(leave), order.astype(np.int32)
        return int(seconds)

    def improve(self) -> None:
        """Put the best trip known into a better order by moves."""
        self.loops = np.ascontiguousarray(self.loops)
        self.best, self.leave = improve_order(self.loops, *self.hours)

    def grow(self, memory: NDArray[np.int64], rests: Labels, most: int) -> tuple[bool, Labels]:
        """
        Relax both sides by turns with a memory that grows, up to so many labels.

        Tells whether the best trip known is proved to be the best, and returns the last rests.
        """
        other = rests
        self.trip.grow_memory(memory, self.trip.cheapest_trips(rests, _WAYS))
        idle = False
        for turn in range(_TURNS):
            turned = turn % 2 == 0
            labels = self.trip.bound(memory, self.prize, most, other=other, limit=self.best, turned=turned)
            if not labels.complete:
                break
            if labels.empty:
                return True, rests
            ways = self.trip.cheapest_trips(labels, _WAYS, turned=turned)
            visits = self.trip.members[ways[0]].sum(axis=0)
            if (visits == 1).all():
                seconds = self._offer(np.array(ways[0], np.int64))
                if seconds <= labels.cheapest + int(self.prize.sum()):
                    return True, rests
            if not turned:
                rests = labels
                if len(labels.cost) <= _FEW and self._extend(labels, 0, most):
                    return True, rests
            grown = self.trip.grow_memory(memory, ways)
            if not grown and idle:
                break
            idle, other = not grown, labels
        return False, rests
