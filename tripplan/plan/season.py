"""
The season as a solver sees it: dates, crews, windows that must hold a visit, whole seconds.

The life of a pack makes a covering problem. With F the swap-by day of the pack in place and sb(d)
that of a pack put in on day d (never falling as d rises), a site is served in time exactly when a
visit falls into [0, F] and, for every day d on which it can be visited, into (d, max(F, sb(d))] if
that end comes before the season's. ``fallback_dates`` moves each end forward to the last date that
still leaves that many reachable dates. Setting out is a first visit whose F is the day from which the device
is to run; taking in is one more window, on its own days, after which nothing is owed.

Days are counted from the season's first date; seconds from local midnight of their date.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.plan.loops import FAR, FootTimes, LoopSpec, enumerate_loops, relaxed_loops
from tripplan.plan.tasks import SiteTask, Window
from tripplan.travel import Travel, crews_share_people

__all__ = [
    "MOST_SITES_ENUMERATED",
    "Day",
    "LoopTable",
    "Season",
    "SiteTask",
    "Wanted",
    "Window",
    "shortest_over_all",
    "walk_seconds",
]

MOST_SITES_ENUMERATED = 10
"""Parkings with more sites use loops of at most three sites in plans, and a relaxation in bounds."""

_LONG_LOOP = 12


@dataclass(frozen=True)
class LoopTable:
    """
    Loops of one crew and date as arrays, sorted by parking.

    Attributes
    ----------
    specs : tuple of LoopSpec
        Visiting orders.
    park, d, e, latest, packs : numpy.ndarray, shape (n_loops,)
        Parking index, timing triple with daylight worked in, packs carried.
    member : numpy.ndarray of bool, shape (n_loops, n_tasks)
        Sites of each loop.
    """

    specs: tuple[LoopSpec, ...]
    park: NDArray[np.int32]
    d: NDArray[np.int32]
    e: NDArray[np.int32]
    latest: NDArray[np.int32]
    packs: NDArray[np.int32]
    member: NDArray[np.bool_]


@dataclass(frozen=True)
class Day:
    """
    One crew on one date.

    Attributes
    ----------
    crew : int
        Place in the file.
    day : int
        Days after the season's first date.
    midnight : int
        Epoch seconds of local midnight. [s]
    start, end : int
        Crew hours. [s]
    light : tuple of ((float, float) or None)
        Usable daylight at each parking, unrounded; None: no loops. [s]
    endless : tuple of bool
        Whether the sun does not set at each parking, so that no reserve before dusk is kept.
    spans : mapping of int to tuple of (int, int) or None
        For each task that may be entered: spans for work, None where only daylight limits. [s]
    dusk_beside : float
        Latest end of usable daylight at the sites that are no task; FAR where the sun does not set. [s]
    """

    crew: int
    day: int
    midnight: int
    start: int
    end: int
    light: tuple[tuple[float, float] | None, ...]
    endless: tuple[bool, ...]
    spans: Mapping[int, tuple[tuple[int, int], ...] | None]
    dusk_beside: float = -FAR


@dataclass(frozen=True)
class Wanted:
    """
    Wishes in the season's own numbers.

    Attributes
    ----------
    must_run : tuple of tuple of int
        Of each set of day indices at least one runs.
    must_visit : tuple of Window
        Each must hold a visit; none of them is owed by a pack's life.
    kept : mapping of int to frozenset of int
        By day index the visits of a trip that stays as it is.
    before : tuple of Window
        Each must hold a visit too, so that a wished trip finds its jobs done or its device set out; other
        plans may meet the wishes in other ways, so that no bound rests on these.
    """

    must_run: tuple[tuple[int, ...], ...] = ()
    must_visit: tuple[Window, ...] = ()
    kept: Mapping[int, frozenset[int]] = field(default_factory=dict)
    before: tuple[Window, ...] = ()

    @property
    def sites(self) -> frozenset[int]:
        """Tasks that a wish names: their visits need not leave fallback dates."""
        return frozenset(row.site for row in self.must_visit)

    def unmet_runs(self, running: Mapping[int, frozenset[int]]) -> int:
        """
        Return how many dates to go have no trip.

        Parameters
        ----------
        running : mapping of int to frozenset of int
            Visits by day index.

        Returns
        -------
        int
            Number of unmet sets.
        """
        return sum(not any(running.get(index) for index in indices) for indices in self.must_run)


@dataclass(frozen=True)
class Season:
    """
    The whole problem; made by `tripplan.plan.build`.

    `fetched` holds pack type and first day of every device that a visit may take in, owed or not: its pack
    may then feed another site.
    """

    fleet: Fleet
    first: date
    n_days: int
    tasks: tuple[SiteTask, ...]
    park_places: tuple[int, ...]
    park_of: tuple[int, ...]
    days: tuple[Day, ...]
    move_up: Mapping[int, NDArray[np.int32]]
    move_down: Mapping[int, NDArray[np.int32]]
    travel: Travel
    reserve_s: float
    wanted: Wanted = field(default_factory=Wanted)
    fetched: tuple[tuple[str, int], ...] = ()
    _loops: dict[object, list[LoopSpec]] = field(default_factory=dict, compare=False, repr=False)
    _tables: dict[object, LoopTable] = field(default_factory=dict, compare=False, repr=False)

    @property
    def last_day(self) -> int:
        """Day number of the season's last date."""
        return self.n_days - 1

    @cached_property
    def days_by_number(self) -> Mapping[int, tuple[int, ...]]:
        """Indices into `days` for each day number."""
        found: dict[int, list[int]] = {}
        for index, day in enumerate(self.days):
            found.setdefault(day.day, []).append(index)
        return {number: tuple(indices) for number, indices in found.items()}

    @cached_property
    def conflicts(self) -> Mapping[int, tuple[int, ...]]:
        """For each day index the other day indices of its date whose crews share a person."""
        crews = self.fleet.crews
        return {
            index: tuple(
                other
                for other in self.days_by_number[day.day]
                if other != index and crews_share_people(crews[day.crew], crews[self.days[other].crew])
            )
            for index, day in enumerate(self.days)
        }

    def date_of(self, day: int) -> date:
        """Return the date of a day number."""
        return self.first + timedelta(days=day)

    def day_number(self, day: date) -> int:
        """Return the day number of a date."""
        return (day - self.first).days

    def close_by(self, day: Day, *, loose: bool) -> NDArray[np.int32]:
        """
        Return by when a trip's last loop must be over, for each parking.

        Parameters
        ----------
        day : Day
            Crew and date.
        loose : bool
            True rounds in favour of a lower bound, False in favour of a safe plan.

        Returns
        -------
        numpy.ndarray, shape (n_parks,)
            Seconds after midnight; far in the past where there is no daylight. [s]
        """
        move = (self.move_down if loose else self.move_up)[day.crew]
        base = len(self.park_places)
        out = np.full(base, -FAR, np.int32)
        for p, light in enumerate(day.light):
            if light is None:
                continue
            dusk = light[1] if day.endless[p] else light[1] - self.reserve_s
            if loose:  # a visit that nobody owes may follow, where dusk is later
                dusk = min(light[1], max(dusk, day.dusk_beside - self.reserve_s))
            latest = math.ceil(dusk) if loose else math.floor(dusk)
            out[p] = min(latest, day.end - int(move[p, base]))
        return out

    def over_by(self, day: Day) -> NDArray[np.int32]:
        """
        Return by when a loop must be over, for each parking, whatever loops of the trip come after it.

        Only the last loop of a trip keeps the reserve before dusk free. A loop that would eat it may be made
        where another one follows at a parking with a later dusk.

        Parameters
        ----------
        day : Day
            Crew and date.

        Returns
        -------
        numpy.ndarray, shape (n_parks,)
            Seconds after midnight, rounded in favour of a lower bound. [s]
        """
        last = self.close_by(day, loose=True)
        then = (last[None, :].astype(np.int64) - self.move_down[day.crew][:-1, :-1]).max(axis=1, initial=-FAR)
        dusk = np.array([-FAR if light is None else math.ceil(light[1]) for light in day.light], np.int64)
        return np.asarray(np.maximum(last, np.minimum(dusk, then)), np.int32)

    def loop_table(self, index: int, *, loose: bool) -> LoopTable:
        """
        Return the loops of a crew and date.

        Parameters
        ----------
        index : int
            Index into `days`.
        loose : bool
            As for `close_by`; also leaves out job minutes and enumerates no large parkings.

        Returns
        -------
        LoopTable
            Cached.
        """
        key = (index, loose)
        if key not in self._tables:
            self._tables[key] = self._make_table(self.days[index], loose=loose)
        return self._tables[key]

    def _make_table(self, day: Day, *, loose: bool) -> LoopTable:
        specs: list[LoopSpec] = []
        parks: list[int] = []
        rows: list[tuple[int, int, int]] = []
        for p, light in enumerate(day.light):
            if light is None:
                continue
            a, b = (
                (math.floor(light[0]), math.ceil(light[1]))
                if loose
                else (math.ceil(light[0]), math.floor(light[1]))
            )
            for spec in self.park_loops(day, p, loose=loose):
                e = max(spec.e, a + spec.d)
                late = min(spec.l, b - spec.d)
                if e <= b and late >= a:
                    specs.append(spec)
                    parks.append(p)
                    rows.append((spec.d, e, late))
        member = np.zeros((len(specs), len(self.tasks)), np.bool_)
        packs = np.zeros(len(specs), np.int32)
        for k, spec in enumerate(specs):
            for s in spec.sites:
                member[k, s] = True
                packs[k] += self.tasks[s].carries(day.day, loose=loose)
        triples = np.array(rows, np.int32).reshape(-1, 3)
        return LoopTable(
            tuple(specs),
            np.array(parks, np.int32),
            triples[:, 0].copy(),
            triples[:, 1].copy(),
            triples[:, 2].copy(),
            packs,
            member,
        )

    def park_loops(self, day: Day, park: int, *, loose: bool) -> list[LoopSpec]:
        """
        Return the loops of one parking before daylight is worked in.

        Parameters
        ----------
        day : Day
            Crew and date.
        park : int
            Parking index.
        loose : bool
            As for `close_by`.

        Returns
        -------
        list of LoopSpec
            Cached.
        """
        here = [s for s in sorted(day.spans) if self.park_of[s] == park]
        if not here:
            return []
        crew = self.fleet.crews[day.crew]
        carried = tuple(self.visit_kg(s, day.day, loose=loose) for s in here)
        work = tuple(self.work_seconds(s, day.day, loose=loose) for s in here)
        spans = tuple(day.spans[s] for s in here)
        key = (park, crew.carry_kg, loose, tuple(here), carried, work, spans)
        if key not in self._loops:
            ids = [self.tasks[s].site.site_id for s in here]
            out, back, between = walk_seconds(self.travel, self.park_places[park], ids, loose=loose)
            foot = FootTimes(tuple(here), out, back, between, work, carried, spans)
            if len(here) <= MOST_SITES_ENUMERATED:
                self._loops[key] = enumerate_loops(foot, crew.carry_kg, _LONG_LOOP)
            elif loose:
                self._loops[key] = relaxed_loops(foot)
            else:
                self._loops[key] = enumerate_loops(foot, crew.carry_kg, 3)
        return self._loops[key]

    def work_seconds(self, task: int, day: int, *, loose: bool) -> int:
        """
        Return the work to reckon with for a visit before it is known which visit is the first.

        Parameters
        ----------
        task, day : int
            Task index and day number.
        loose : bool
            True leaves jobs out, since a plan might do them on another visit, unless no other can be the
            first; False counts them on every day on which a visit may be the first.

        Returns
        -------
        int
            Whole seconds. [s]
        """
        what = self.tasks[task]
        if loose:
            jobs = what.job_minutes if day <= what.surely_first else 0.0
            return math.floor((what.site.work_minutes + jobs) * 60 + 1e-6)
        return self.visit_seconds(task, with_jobs=what.may_be_first(day))

    def visit_kg(self, task: int, day: int, *, loose: bool) -> float:
        """
        Return the load to reckon with for a visit: its pack, and the device where that is moved.

        Parameters
        ----------
        task, day : int
            Task index and day number.
        loose : bool
            True leaves out what a plan might bring on another visit; False counts it wherever the visit may
            be the first.

        Returns
        -------
        float
            Counted on the whole loop. [kg]
        """
        what = self.tasks[task]
        is_first = day <= what.surely_first if loose else what.may_be_first(day)
        sets_out = what.at_home and is_first and not what.takes_in(day)
        pack = self.fleet.pack_types[what.site.pack_type].weight_kg
        device = what.site.device_kg if sets_out or what.takes_in(day) else 0.0
        return (pack if what.carries(day, loose=loose) else 0.0) + device

    def coming_in(self, pack_type: str, before: int) -> int:
        """
        Return how many packs may come back with devices that are taken in.

        Parameters
        ----------
        pack_type : str
            Their type.
        before : int
            Day before which they come.

        Returns
        -------
        int
            At the very most.
        """
        return sum(name == pack_type and first < before for name, first in self.fetched)

    def visit_seconds(self, task: int, *, with_jobs: bool) -> int:
        """
        Return the work of a visit.

        Parameters
        ----------
        task : int
            Task index.
        with_jobs : bool
            Whether the site's open jobs are done too.

        Returns
        -------
        int
            Whole seconds, rounded up. [s]
        """
        what = self.tasks[task]
        minutes = what.site.work_minutes + (what.job_minutes if with_jobs else 0.0)
        return math.ceil(minutes * 60 - 1e-6)


def walk_seconds(
    travel: Travel, place: int, site_ids: list[str], *, loose: bool
) -> tuple[tuple[int, ...], tuple[int, ...], tuple[tuple[int, ...], ...]]:
    """
    Return whole seconds on foot at one parking.

    Parameters
    ----------
    travel : Travel
        Minutes.
    place : int
        Index of the parking among the places.
    site_ids : list of str
        Sites asked for.
    loose : bool
        False rounds each walk up. True rounds down and takes the shortest way over any sites of the
        parking, since a given walk may be longer than the way over a neighbour.

    Returns
    -------
    out, back : tuple of int
        From the parking to each site and back. [s]
    between : tuple of tuple of int
        From each site to each other. [s]
    """
    nodes: list[str | None] = [None, *(travel.places[place].site_ids if loose else site_ids)]
    minutes = np.array([[0.0 if a == b else travel.walk_minutes(a, b) for b in nodes] for a in nodes])
    seconds = np.floor(minutes * 60 + 1e-6) if loose else np.ceil(minutes * 60 - 1e-6)
    if loose:
        seconds = shortest_over_all(seconds)
    at = [nodes.index(site_id) for site_id in site_ids]
    return (
        tuple(int(seconds[0, k]) for k in at),
        tuple(int(seconds[k, 0]) for k in at),
        tuple(tuple(int(seconds[k, j]) for j in at) for k in at),
    )


def shortest_over_all(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Return the shortest seconds between places over any places in between.

    Parameters
    ----------
    seconds : numpy.ndarray, shape (n, n)
        Direct seconds. [s]

    Returns
    -------
    numpy.ndarray, shape (n, n)
        Never more than `seconds`. [s]
    """
    best = seconds.copy()
    for k in range(len(best)):
        best = np.minimum(best, best[:, k, None] + best[None, k, :])
    return np.asarray(best)
