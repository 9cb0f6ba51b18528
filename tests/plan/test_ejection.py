"""Ejection of customers from routes: marks, least sets and random moves against plain Python."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from tripplan.plan.route_ejection import _easiest, _shake
from tripplan.plan.route_squeeze import squeeze
from tripplan.plan.route_state import head_of, mark_route, put_in, tail_of, take_out

_N = 12


class _Plan:
    """Random places, and routes over them that keep every rule; some customers stay out."""

    def __init__(self, seed: int, n_routes: int = 2) -> None:
        self.rng = rng = np.random.default_rng(seed)
        at = rng.uniform(0, 50, (_N + 1, 2))
        bent = rng.uniform(1, 2, (_N + 1, _N + 1)) if seed % 2 else 1.0
        self.travel = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)) * bent
        self.service = np.r_[0.0, rng.uniform(1, 8, _N)]
        self.ready = np.r_[0.0, rng.uniform(0, 120, _N)]
        self.due = np.r_[260.0, self.ready[1:] + rng.uniform(20, 90, _N)]
        self.demand = np.r_[0.0, rng.integers(1, 5, _N)].astype(float)
        self.capacity = 14.0
        self.n_routes = n_routes
        self.link = np.zeros((3, _N + 1), np.int32)
        self.link[2] = -1
        self.ends = np.zeros((4, _N), np.int32)
        self.ends[3, 0] = _N
        self.when, self.warp, self.hold = (np.zeros((2, _N + 1)) for _ in range(3))
        self.load = np.zeros(_N)
        self.near = np.argsort(self.travel, axis=1, kind="stable")[:, :_N].astype(np.int32)
        for c in rng.permutation(np.arange(1, _N + 1)):
            v = int(rng.integers(n_routes))
            way = self.way(v)
            for place in rng.permutation(len(way) + 1):
                new = [*way[:place], int(c), *way[place:]]
                if self.late(new) <= 1e-9 and self.over(new) <= 0:
                    put_in(int(c), v, way[place - 1] if place else 0, self.link, self.ends)
                    break
        for v in range(n_routes):
            self.mark(v)

    @property
    def clock(self):
        return self.travel, self.service, self.ready, self.due, self.demand

    def mark(self, v: int) -> float:
        return mark_route(v, self.link, self.ends, self.when, self.warp, self.hold, self.load, *self.clock)

    def way(self, v: int) -> list[int]:
        found, c = [], int(self.ends[0, v])
        while c:
            found.append(c)
            c = int(self.link[0, c])
        return found

    def out(self) -> list[int]:
        return [c for c in range(1, _N + 1) if self.link[2, c] < 0]

    def late(self, way: list[int]) -> float:
        """Time gone back in all along a route."""
        at, clock, back = 0, self.ready[0], 0.0
        for c in (*way, 0):
            clock = max(clock + self.service[at] + self.travel[at, c], self.ready[c])
            back += max(0.0, clock - self.due[c])
            clock, at = min(clock, self.due[c]), c
        return back

    def over(self, way: list[int]) -> float:
        return max(0.0, float(self.demand[way].sum()) - self.capacity)

    def require_whole(self) -> None:
        """Every customer in one place, hooked both ways, all rules kept, all marks true."""
        ways = [self.way(v) for v in range(self.n_routes)]
        assert sorted(c for way in [*ways, self.out()] for c in way) == list(range(1, _N + 1))
        assert self.ends[3, 0] == len(self.out())
        for v, way in enumerate(ways):
            assert self.ends[2, v] == len(way)
            assert self.ends[1, v] == (way[-1] if way else 0)
            assert [int(self.link[1, c]) for c in way] == [0, *way][:-1]
            assert all(self.link[2, c] == v for c in way)
            assert self.late(way) <= 1e-6
            assert self.over(way) == 0
            assert self.load[v] == pytest.approx(self.demand[way].sum())
            kept = self.when[:, way].copy()
            self.mark(v)
            assert kept == pytest.approx(self.when[:, way])


def test_marks_of_head_and_tail_tell_the_lateness_of_any_joined_route():
    for seed in range(40):
        plan = _Plan(seed)
        for c in plan.out():  # crowded on purpose, so that the routes are late
            put_in(c, c % 2, 0, plan.link, plan.ends)
        for v in range(2):
            assert plan.mark(v) == pytest.approx(plan.late(plan.way(v)))
        one, two = plan.way(0), plan.way(1)
        for i in range(len(one) + 1):
            for j in range(len(two) + 1):
                head, tail = one[:i], two[j:]
                a, b = (head or [0])[-1], (tail or [0])[0]
                lead, back, _ = head_of(a, plan.when, plan.warp, plan.hold, plan.service, plan.ready)
                latest, rest, _ = tail_of(b, plan.when, plan.warp, plan.hold, plan.due)
                late = back + rest + max(0.0, lead + plan.travel[a, b] - latest)
                assert late == pytest.approx(plan.late([*head, *tail]), abs=1e-9)


def _least(plan: _Plan, u: int, difficulty: np.ndarray) -> float:
    """Enumerate every set that may leave and every place for `u`."""
    best = np.inf
    for v in range(plan.n_routes):
        way = plan.way(v)
        for size in range(len(way) + 1):
            for gone in combinations(way, size):
                price = float(difficulty[list(gone)].sum())
                if price >= best:
                    continue
                kept = [c for c in way if c not in gone]
                for place in range(len(kept) + 1):
                    new = [*kept[:place], u, *kept[place:]]
                    if plan.over(new) == 0 and plan.late(new) <= 1e-9:
                        best = price
    return best


def test_the_easiest_set_to_leave_is_that_of_enumeration():
    sets = 0
    for seed in range(60):
        plan = _Plan(seed)
        difficulty = plan.rng.integers(1, 9, _N + 1).astype(float)
        labels, marks = np.empty((3, 5000)), np.empty((6, 5000), np.int64)
        for u in plan.out():
            price, v, before = _easiest(
                u, plan.link, plan.ends, plan.when, plan.load, difficulty, *plan.clock, plan.capacity, 2,
                labels, marks,
            )  # fmt: skip
            assert price == pytest.approx(_least(plan, u, difficulty)), f"seed {seed}, customer {u}"
            if v < 0:
                continue
            gone = marks[0, : marks[1, 0]].tolist()
            assert price == difficulty[gone].sum()
            way = plan.way(v)
            new = way[:]
            new.insert(way.index(before) + 1 if before else 0, u)
            new = [c for c in new if c not in gone]
            assert plan.over(new) == 0
            assert plan.late(new) <= 1e-6
            sets += len(gone) > 1
    assert sets > 20  # sets of several customers were among them


def test_random_moves_keep_every_rule():
    moved = 0
    for seed in range(30):
        plan = _Plan(seed, n_routes=3)
        ways = [plan.way(v) for v in range(3)]
        _shake(
            plan.link, plan.ends, plan.when, plan.warp, plan.hold, plan.load, plan.near, *plan.clock,
            plan.capacity, 400,
        )  # fmt: skip
        plan.require_whole()
        moved += ways != [plan.way(v) for v in range(3)]
    assert moved > 15


def test_a_customer_is_squeezed_in_with_every_rule_kept():
    done = 0
    for seed in range(60):
        plan = _Plan(seed, n_routes=3)
        for c in plan.way(0)[:1]:
            take_out(c, plan.link, plan.ends)
            plan.mark(0)
        for u in plan.out():
            before = plan.link.copy(), plan.ends.copy()
            if squeeze(
                u, plan.link, plan.ends, plan.when, plan.warp, plan.hold, plan.load, plan.near, *plan.clock,
                plan.capacity, np.ones(1), 3, np.zeros(_N),
            ):  # fmt: skip
                done += 1
            else:
                plan.link[:], plan.ends[:] = before
                for v in range(3):
                    plan.mark(v)
            plan.require_whole()
    assert done > 30
