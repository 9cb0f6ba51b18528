"""
A long trip relaxed from both of its ends, and what its relaxed labels remember.

A relaxed trip may make a visit twice where it has forgotten the first time. Prizes on the visits make that
rare (a subgradient search); where it still happens, the visit is remembered all along the way between, so
that the memory grows only where the relaxation needs it [1]_.

References
----------
.. [1] R. Roberti and A. Mingozzi, "Dynamic ng-path relaxation for the delivery man problem,"
   Transportation Science, vol. 48, no. 3, pp. 413-424, 2014. doi:10.1287/trsc.2013.0474
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.long_rests import bound_rests, forced_orders
from tripplan.plan.loops import FAR

__all__ = ["Labels", "RelaxedTrip", "relax_trip"]

_NO_LABELS = (np.zeros(0, np.int64),) * 4
_SMOOTH = 0.6
_PATIENCE = 6
_SHRINK = 0.6
_LATER_STEP = 0.4
_SMALLEST_STEP = 0.05
_NO_LIMIT = 1 << 60


class Labels(NamedTuple):
    """What `bound_rests` returns."""

    cost: NDArray[np.int64]
    late: NDArray[np.int64]
    kept: NDArray[np.int64]
    first: NDArray[np.int64]
    complete: bool
    cheapest: int
    then: NDArray[np.int64]
    what: NDArray[np.int32]

    @property
    def empty(self) -> bool:
        """Whether no whole trip is left."""
        return self.cheapest >= 4 * FAR


@dataclass(frozen=True)
class RelaxedTrip:
    """
    A trip with its visits, seen from its end and from its start.

    Attributes
    ----------
    rests, starts : tuple
        The first thirteen arguments of `bound_rests`, for the trip and for the trip turned round.
    short : numpy.ndarray
        Shortest time between any two parkings over any others. [s]
    members : numpy.ndarray, shape (n_loops, n_visits)
        1 where the loop makes the visit.
    """

    rests: tuple[Any, ...]
    starts: tuple[Any, ...]
    short: NDArray[np.int64]
    members: NDArray[np.int64]

    @property
    def before(self) -> NDArray[np.int64]:
        """By loop, the visits that must come before it."""
        before: NDArray[np.int64] = self.rests[10]
        return before

    def near_memory(self, near: int) -> NDArray[np.int64]:
        """Return by parking the visits at itself and at its nearest parkings, so many in all."""
        move, loop_park, loop_mask = self.rests[:3]
        n_parks = len(move) - 1
        here = np.zeros(n_parks, np.int64)
        np.bitwise_or.at(here, loop_park, loop_mask)
        memory = np.zeros(n_parks, np.int64)
        for q in range(n_parks):
            gaps = move[:n_parks, q].copy()
            gaps[q] = -1
            memory[q] = np.bitwise_or.reduce(here[np.argsort(gaps, kind="stable")[:near]])
        return memory

    def bound(
        self,
        memory: NDArray[np.int64],
        prize: NDArray[np.int64],
        max_labels: int,
        *,
        other: Labels | None = None,
        limit: int = _NO_LIMIT,
        turned: bool = False,
    ) -> Labels:
        """
        Bound the rests, or `turned` the starts, of all trips; of those only that cost less than `limit`.

        `other` holds the labels of the other side for the same prizes.
        """
        side = self.starts if turned else self.rests
        if other is None:
            limit = _NO_LIMIT
        facing = _NO_LABELS if other is None else other[:4]
        loop_prize = self.members @ prize
        return Labels(*bound_rests(*side, memory, loop_prize, *facing, limit - int(prize.sum()), max_labels))

    def cheapest_trips(self, labels: Labels, most: int, *, turned: bool = False) -> list[list[int]]:
        """Return the loops, in order, of the cheapest relaxed trips, at most so many."""
        first_leg, n_visits = (self.starts if turned else self.rests)[8:10]
        loop_park = self.rests[1]
        whole = []
        for s in range(len(loop_park)):
            bucket = s * (n_visits + 1) + n_visits
            end = min(labels.first[bucket + 1], labels.first[bucket] + most)
            whole += [
                (int(labels.cost[label] + first_leg[loop_park[s]]), label)
                for label in range(labels.first[bucket], end)
            ]
        ways = []
        for _, label in sorted(whole)[:most]:
            way, at = [], label
            while at >= 0:
                way.append(int(labels.what[at]))
                at = int(labels.then[at])
            ways.append(way[::-1] if turned else way)
        return ways

    def grow_memory(self, memory: NDArray[np.int64], ways: list[list[int]]) -> bool:
        """Let all places between two visits to the same site remember it; tell whether any did not yet."""
        loop_park = self.rests[1]
        changed = False
        for way in ways:
            seen: dict[int, int] = {}
            for at, loop in enumerate(way):
                for i in np.flatnonzero(self.members[loop]).tolist():
                    if i in seen:
                        for between in way[seen[i] + 1 : at]:
                            q = loop_park[between]
                            changed |= not memory[q] >> i & 1
                            memory[q] |= np.int64(1) << np.int64(i)
                    seen[i] = at
        return changed

    def chain(
        self, memories: list[NDArray[np.int64]], prize: NDArray[np.int64], best: int, max_labels: int
    ) -> Labels:
        """Bound the rests with the last memory, each side cut short by the one before from the other side."""
        turned = len(memories) % 2 == 0
        labels = self.bound(memories[0], prize, max_labels, turned=turned)
        for memory in memories[1:]:
            if labels.empty or not labels.complete:
                break
            turned = not turned
            labels = self.bound(memory, prize, max_labels, other=labels, limit=best, turned=turned)
        return labels

    def find_prizes(
        self,
        memories: list[NDArray[np.int64]],
        prize: NDArray[np.int64],
        steps: int,
        best: int,
        max_labels: int,
    ) -> tuple[int, NDArray[np.int64], Labels | None]:
        """
        Step towards prizes under which the cheapest relaxed trip costs most.

        Returns its bound on the cost of a trip, the prizes, and its labels; None where there were too many
        of them at once. `best` is what a trip is known to cost, 4 FAR where none is known; where no relaxed
        trip costs less, the bound is `best`.
        """
        best_bound, best_prize, kept = -1, prize, None
        step, idle = 1.0 if len(memories) == 1 else _LATER_STEP, 0
        smooth: NDArray[np.float64] | None = None
        for _ in range(steps):
            labels = self.chain(memories, prize, best, max_labels)
            if not labels.complete:
                if kept is None:
                    break
                step, prize, smooth = step * _SHRINK, best_prize, None
                if step < _SMALLEST_STEP:
                    break
                continue
            if labels.empty:
                return best, prize, labels
            bound = int(labels.cheapest + prize.sum())
            if bound > best_bound:
                best_bound, best_prize, kept, idle = bound, prize, labels, 0
            else:
                idle += 1
                if idle >= _PATIENCE:
                    step, idle, prize = step * _SHRINK, 0, best_prize
            missed = 1.0 - self.members[self.cheapest_trips(labels, 1)[0]].sum(axis=0)
            if not missed.any() or best_bound >= best or step < _SMALLEST_STEP:
                break
            smooth = missed if smooth is None else _SMOOTH * missed + (1 - _SMOOTH) * smooth
            weight = float((smooth**2).sum())
            if weight < 1e-9:
                break
            goal = best if best < 4 * FAR else 1.05 * max(best_bound, 1)
            size = step * max(goal - bound, 0.01 * goal) / weight
            prize = prize + (size * smooth).astype(np.int64)
        return best_bound, best_prize, kept


def relax_trip(
    move: NDArray[np.int64],
    loop_park: NDArray[np.int32],
    loop_mask: NDArray[np.int64],
    loop_d: NDArray[np.int64],
    loop_e: NDArray[np.int64],
    loop_l: NDArray[np.int64],
    close_by: NDArray[np.int64],
    *,
    day_start: int,
    day_end: int,
    n_visits: int,
) -> RelaxedTrip:
    """Look at a trip from both of its ends; arguments as in `tripplan.plan.kernels.order_visits`."""
    base = len(close_by)
    home = np.ascontiguousarray(move[:base, base])
    away = np.ascontiguousarray(move[base, :base])
    loops = (move, loop_park, loop_mask, loop_d, loop_e, loop_l)
    turned = (np.ascontiguousarray(move.T), loop_park, loop_mask, loop_d, -loop_l, -loop_e)
    before, after, short, soonest = forced_orders(*loops, day_start, n_visits)
    later, sooner, _, last = forced_orders(*turned, -day_end, n_visits)
    before, after = before | sooner, after | later
    last_leave = np.minimum(close_by, day_end - home)
    return RelaxedTrip(
        (*loops, home, last_leave, away, n_visits, before, after, soonest),
        (*turned, away, -(day_start + away), home, n_visits, after, before, last),
        short,
        np.array([[mask >> i & 1 for i in range(n_visits)] for mask in loop_mask.tolist()], np.int64),
    )
