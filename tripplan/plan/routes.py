"""
Routes of one date: every visit once, as few routes as can be found, then the least cost.

The narrow interface to a heuristic for large dates: visits, matrix and windows go in, routes come out.
Routes are dropped one by one, and their visits ejected from route to route until all have a place
(`route_ejection`); then strings of neighbouring visits are taken out and put back greedily, with
annealing [1]_. The bound counts what no route can share.

References
----------
.. [1] J. Christiaens and G. Vanden Berghe, "Slack induction by string removals for vehicle routing
   problems," Transportation Science, vol. 54, no. 2, pp. 417-433, 2020. doi:10.1287/trsc.2019.0914
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.route_ejection import drop_route, eject_routes
from tripplan.plan.route_kernels import shorten_routes, start_routes

__all__ = ["RouteProblem", "Routes", "fewest_routes", "solve_routes"]

_HOT, _COLD = 100.0, 1.0
_CHUNK = 4_000
_FLEET_SHARE = 0.75
_ROUNDS = 100
_MOVES = 300
_ROUND_WORTH = 30
"""Rounds of taking out and putting back that one round of ejection takes as long as, about."""


@dataclass(frozen=True)
class RouteProblem:
    """
    Visits of one date, the base first.

    Attributes
    ----------
    travel : numpy.ndarray, shape (n + 1, n + 1)
        Time from place to place; row and column 0 are the base. [s]
    cost : numpy.ndarray, shape (n + 1, n + 1)
        What a leg costs, summed over the routes.
    service : numpy.ndarray, shape (n + 1,)
        Time of the work; 0 at the base. [s]
    ready, due : numpy.ndarray, shape (n + 1,)
        Earliest and latest start of the work; at the base, when routes leave and must be back. Where work
        must also end inside its window, `due` is the window's end less the work. [s]
    demand : numpy.ndarray, shape (n + 1,)
        What each visit takes of a vehicle.
    capacity : float
        What a vehicle holds.
    """

    travel: NDArray[np.float64]
    cost: NDArray[np.float64]
    service: NDArray[np.float64]
    ready: NDArray[np.float64]
    due: NDArray[np.float64]
    demand: NDArray[np.float64]
    capacity: float

    def __post_init__(self) -> None:
        n = len(self.service)
        if n < 2 or self.travel.shape != (n, n) or self.cost.shape != (n, n):
            raise ValueError("travel and cost are square, with the base and at least one visit")
        vectors = (self.service, self.ready, self.due, self.demand)
        if any(vector.shape != (n,) for vector in vectors):
            raise ValueError("service, ready, due and demand have one entry for each place")
        if not all(np.isfinite(array).all() for array in (self.travel, self.cost, *vectors)):
            raise ValueError("every number is finite")
        if min(float(self.travel.min()), float(self.service.min()), float(self.demand.min())) < 0:
            raise ValueError("times and demands are not negative")
        if self.service[0] != 0:
            raise ValueError("the base takes no work")


@dataclass(frozen=True)
class Routes:
    """
    A plan of routes.

    Attributes
    ----------
    routes : tuple of tuple of int
        Visits of each route in order, numbered from 1.
    cost : float
        Summed over all legs, in the unit of the problem's `cost`.
    at_least : int
        Routes that no plan can undercut.
    """

    routes: tuple[tuple[int, ...], ...]
    cost: float
    at_least: int


def fewest_routes(problem: RouteProblem) -> int:
    """
    Return a number of routes that no plan can undercut.

    Parameters
    ----------
    problem : RouteProblem
        Visits of one date.

    Returns
    -------
    int
        The larger of the demand over the capacity, and the size of a set of visits of which no route can
        make two (found greedily, so a larger set may exist).
    """
    by_load = math.ceil(float(problem.demand.sum()) / problem.capacity - 1e-9) if problem.capacity > 0 else 1
    short = _shortest(problem)
    leave = np.maximum(problem.ready, problem.ready[0] + short[0])
    arrive = leave[:, None] + problem.service[:, None] + short
    start = np.maximum(arrive, problem.ready[None, :])
    home = start + problem.service[None, :] + short[:, 0][None, :]
    follows = (start <= problem.due[None, :] + 1e-7) & (home <= problem.due[0] + 1e-7)
    heavy = problem.demand[:, None] + problem.demand[None, :] > problem.capacity + 1e-9
    apart = (~(follows | follows.T) | heavy)[1:, 1:]
    np.fill_diagonal(apart, val=False)
    best = 1
    for first in np.argsort(-apart.sum(axis=1)):
        chosen = [int(first)]
        open_ = apart[first].copy()
        while open_.any():
            gain = np.where(open_, (apart & open_[None, :]).sum(axis=1), -1)
            chosen.append(int(gain.argmax()))
            open_ &= apart[chosen[-1]]
        best = max(best, len(chosen))
    return max(best, by_load)


def _shortest(problem: RouteProblem) -> NDArray[np.float64]:
    """Return times over any way round, so that a bound misses none; work on the way only adds."""
    from scipy.sparse.csgraph import shortest_path

    return np.asarray(shortest_path(np.maximum(problem.travel, 1e-12), method="FW"))


def solve_routes(
    problem: RouteProblem,
    *,
    time_limit_s: float | None = None,
    iterations: int = 400_000,
    seed: int = 1,
    clock: Callable[[], float] = time.monotonic,
) -> Routes:
    """
    Find routes that make every visit once: as few as can be found, then the least cost.

    Parameters
    ----------
    problem : RouteProblem
        Visits of one date.
    time_limit_s : float, optional
        Stop after this time; without it the search stops on counts and repeats itself. [s]
    iterations : int, default 400000
        Rounds of taking out and putting back in all, where no time is given.
    seed : int, default 1
        Seed of every random choice.
    clock : callable, default time.monotonic
        What `time_limit_s` is measured by; `time.process_time` where the machine is shared. [s]

    Returns
    -------
    Routes
        Every visit once, capacity and windows kept.

    Raises
    ------
    ValueError
        If some visit cannot be made even by a route of its own.
    """
    search = _Search(problem, time_limit_s, iterations, seed, clock)
    search.start()
    at_least = fewest_routes(problem)
    while search.n_routes > at_least and search.go_on(_FLEET_SHARE):
        if not search.drop_one():
            break
    search.shorten()
    routes = search.best_routes()
    legs = ((0, *route, 0) for route in routes)
    cost = sum(float(problem.cost[a, b]) for way in legs for a, b in pairwise(way))
    return Routes(routes, cost, at_least)


class _Search:
    """The plan in arrays, and what is left of the budget."""

    def __init__(
        self,
        problem: RouteProblem,
        time_limit_s: float | None,
        iterations: int,
        seed: int,
        clock: Callable[[], float],
    ) -> None:
        n = len(problem.service) - 1
        self.problem, self.seed = problem, seed
        self.time_limit_s, self.iterations = time_limit_s, iterations
        self.clock, self.begun, self.made, self.calls = clock, clock(), 0, 0
        self.link = np.zeros((3, n + 1), np.int32)
        self.link[2] = -1
        self.ends = np.zeros((4, n), np.int32)
        self.ends[3, 0] = n
        self.when = np.zeros((2, n + 1))
        self.load = np.zeros(n)
        self.n_routes = n
        away = problem.cost.copy()
        away[:, 0] = np.inf  # the base is nobody's neighbour
        self.near = np.argsort(away, axis=1, kind="stable")[:, :n].astype(np.int32)
        self.data = (
            np.ascontiguousarray(problem.travel, np.float64),
            np.ascontiguousarray(problem.cost, np.float64),
            np.ascontiguousarray(problem.service, np.float64),
            np.ascontiguousarray(problem.ready, np.float64),
            np.ascontiguousarray(problem.due, np.float64),
            np.ascontiguousarray(problem.demand, np.float64),
            float(problem.capacity),
        )
        self.best: tuple[NDArray[np.int32], NDArray[np.int32]] = (self.link, self.ends)

    def share(self) -> float:
        if self.time_limit_s is None:
            return self.made / max(1, self.iterations)
        return (self.clock() - self.begun) / max(1e-9, self.time_limit_s)

    def go_on(self, share: float) -> bool:
        return self.share() < share

    def _next_seed(self) -> int:
        self.calls += 1
        return (self.seed * 1_000_003 + self.calls) % (1 << 31)

    def start(self) -> None:
        """Put every visit in, opening routes as needed."""
        left_out = start_routes(self.link, self.ends, self.when, self.load, *self.data, self._next_seed())
        if left_out:
            alone = [c for c in range(1, self.link.shape[1]) if self.link[2, c] < 0]
            raise ValueError(f"visits {alone} cannot be made even by a route of their own")
        self._close_ranks()
        self._keep()

    def _close_ranks(self) -> None:
        """Renumber the routes in use from 0."""
        order = np.argsort(self.ends[2] == 0, kind="stable")
        place = np.argsort(order)
        self.ends[:3] = self.ends[:3, order]
        self.load = self.load[order]
        self.link[2, 1:] = place[self.link[2, 1:]]
        self.n_routes = int((self.ends[2] > 0).sum())

    def _keep(self) -> None:
        self.best = (self.link.copy(), self.ends.copy())

    def drop_one(self) -> bool:
        """Try to do with one route fewer; the plan before is kept where that fails."""
        before = (self.link.copy(), self.ends.copy(), self.when.copy(), self.load.copy())
        pool = np.zeros(self.link.shape[1], np.int32)
        drop_route(self.link, self.ends, self.load, pool, self.n_routes, self._next_seed())
        difficulty = np.ones(self.link.shape[1])
        weights = np.ones(1)
        travel, _, *rest = self.data
        while self.go_on(_FLEET_SHARE):
            made = eject_routes(
                self.link,
                self.ends,
                self.when,
                self.load,
                pool,
                difficulty,
                weights,
                self.near,
                travel,
                *rest,
                self.n_routes - 1,
                _ROUNDS,
                _MOVES,
                self._next_seed(),
            )
            self.made += (made + 1) * _ROUND_WORTH
            if pool[0] == 0:
                self._close_ranks()
                self._keep()
                return True
        self.link, self.ends, self.when, self.load = before
        return False

    def shorten(self) -> None:
        """Spend the rest of the budget on less cost."""
        began = self.share()
        best_link, best_ends = self.best[0].copy(), self.best[1].copy()
        while self.go_on(1.0):
            done = (self.share() - began) / max(1e-9, 1.0 - began)
            heat = _HOT * (_COLD / _HOT) ** done
            shorten_routes(
                self.link,
                self.ends,
                self.when,
                self.load,
                best_link,
                best_ends,
                self.near,
                *self.data,
                self.n_routes,
                _CHUNK,
                heat,
                heat,
                self._next_seed(),
            )
            self.made += _CHUNK
        self.best = (best_link, best_ends)

    def best_routes(self) -> tuple[tuple[int, ...], ...]:
        link, ends = self.best
        found = []
        for v in range(ends.shape[1]):
            way, c = [], int(ends[0, v])
            while c != 0 and ends[2, v] > 0:
                way.append(c)
                c = int(link[0, c])
            if way:
                found.append(tuple(way))
        return tuple(sorted(found))
