"""
The season as a solver sees it: dates, crews, windows that must hold a visit, whole seconds.

The life of a pack makes a covering problem. With F the swap-by day of the pack in place and sb(d)
that of a pack put in on day d (never falling as d rises), a site is served in time exactly when a
visit falls into [0, F] and, for every day d on which it can be visited, into (d, max(F, sb(d))] if
that end comes before the season's. ``fallback_dates`` moves each end forward to the last date that
still leaves that many reachable dates.

Days are counted from the season's first date; seconds from local midnight of their date.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tripplan.clock import local_moment
from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.loops import FAR, FootTimes, LoopSpec, enumerate_loops, relaxed_loops
from tripplan.travel import Travel, crew_dates, crews_share_people, open_spans, usable_daylight

__all__ = ["MOST_SITES_ENUMERATED", "Day", "LoopTable", "Season", "SiteTask", "Window", "build_season"]

MOST_SITES_ENUMERATED = 10
"""Parkings with more sites use loops of at most three sites in plans, and a relaxation in bounds."""

_LONG_LOOP = 12


@dataclass(frozen=True)
class Window:
    """
    Days within which a site must be visited.

    Attributes
    ----------
    site : int
        Index of the site among the season's tasks.
    days : tuple of int
        Days of the window on which some crew can be there, ascending.
    stretched : bool
        True where no day in time exists: the window then only guides the search to be less late,
        and no lower bound may rest on it.
    """

    site: int
    days: tuple[int, ...]
    stretched: bool = False


@dataclass(frozen=True)
class SiteTask:
    """
    One site that must be visited this season.

    Attributes
    ----------
    due : int
        Last day in time for the first visit: its swap-by day, or an earlier job's date.
    in_place : int
        Swap-by day of the pack in place.
    renewed : numpy.ndarray, shape (n_days,)
        Swap-by day after a visit on each day.
    swaps : numpy.ndarray of bool, shape (n_days,)
        Whether a visit on that day swaps; else it is a call for a job.
    likely_in_place : int
        Likely flat day of the pack in place.
    likely : numpy.ndarray, shape (n_days,)
        Likely flat day of a pack put in on each day.
    reach : tuple of int
        Days on which some crew alone could swap at the site alone without losing time.
    possible : tuple of int
        Days on which a visit is possible at all.
    end : int
        Windows that end at or after this day are not owed.
    """

    site: Site
    due: int
    in_place: int
    renewed: NDArray[np.int64]
    swaps: NDArray[np.bool_]
    likely_in_place: int
    likely: NDArray[np.int64]
    job_minutes: float
    reach: tuple[int, ...]
    possible: tuple[int, ...]
    end: int


@dataclass(frozen=True)
class LoopTable:
    """
    Loops of one crew and date as arrays, sorted by parking.

    Attributes
    ----------
    specs : tuple of LoopSpec
        Visiting orders.
    park, d, e, latest, packs : numpy.ndarray, shape (n_loops,)
        Parking index, timing triple with daylight worked in, packs swapped.
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
    spans : mapping of int to tuple of (int, int) or None
        For each task that may be entered: spans for work, None where only daylight limits. [s]
    """

    crew: int
    day: int
    midnight: int
    start: int
    end: int
    light: tuple[tuple[float, float] | None, ...]
    spans: Mapping[int, tuple[tuple[int, int], ...] | None]


@dataclass(frozen=True)
class Season:
    """The whole problem; see `build_season`."""

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
            dusk = light[1] if _is_polar(light) else light[1] - self.reserve_s
            latest = math.ceil(dusk) if loose else math.floor(dusk)
            out[p] = min(latest, day.end - int(move[p, base]))
        return out

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
                packs[k] += int(self.tasks[s].swaps[day.day])
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
        carried = tuple(
            self.fleet.pack_types[self.tasks[s].site.pack_type].weight_kg
            if self.tasks[s].swaps[day.day]
            else 0.0
            for s in here
        )
        work = tuple(self.work_seconds(s, day.day, loose=loose) for s in here)
        spans = tuple(day.spans[s] for s in here)
        key = (park, crew.carry_kg, loose, tuple(here), carried, work, spans)
        if key not in self._loops:
            whole = math.floor if loose else math.ceil
            ids = [self.tasks[s].site.site_id for s in here]
            walk = self.travel.walk_minutes
            foot = FootTimes(
                tuple(here),
                tuple(_whole(walk(None, i), whole) for i in ids),
                tuple(_whole(walk(i, None), whole) for i in ids),
                tuple(tuple(0 if i == j else _whole(walk(i, j), whole) for j in ids) for i in ids),
                work,
                carried,
                spans,
            )
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
            True leaves jobs out, since a plan might do them on another visit; False counts them on
            every day on which a visit may be the first.

        Returns
        -------
        int
            Whole seconds. [s]
        """
        what = self.tasks[task]
        if loose:
            return math.floor(what.site.work_minutes * 60 + 1e-6)
        return self.visit_seconds(task, with_jobs=day <= max(what.due, int(what.renewed.min())))

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


def _whole(minutes: float, rounding: object) -> int:
    seconds = minutes * 60
    return math.floor(seconds + 1e-6) if rounding is math.floor else math.ceil(seconds - 1e-6)


def _is_polar(light: tuple[float, float]) -> bool:
    return light[1] - light[0] >= 22.9 * 3600


def build_season(fleet: Fleet, outlook: Outlook, travel: Travel) -> Season:
    """
    Turn fleet, forecast and travel into the season's problem.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    outlook : Outlook
        Its forecast; fixes the season's dates.
    travel : Travel
        Minutes and metres.

    Returns
    -------
    Season
        With every site that is due, or has a job that is due, before the season's end.
    """
    first = outlook.on
    n_days = (outlook.to - first).days + 1
    tasks = _due_tasks(fleet, outlook, n_days)
    place_of = [travel.place_of_site[task.site.site_id] for task in tasks]
    park_places = tuple(sorted(set(place_of)))
    park_of = tuple(park_places.index(place) for place in place_of)
    park_s = fleet.drive.park_minutes * 60
    move_up: dict[int, NDArray[np.int32]] = {}
    move_down: dict[int, NDArray[np.int32]] = {}
    for c, crew in enumerate(fleet.crews):
        nodes = [*park_places, travel.place_of_crew[crew.name]]
        seconds = travel.drive_minutes[np.ix_(nodes, nodes)] * 60
        up = np.ceil(seconds - 1e-6)
        down = np.floor(seconds + 1e-6)
        up[:, :-1] += math.ceil(park_s - 1e-6)
        down[:, :-1] += math.floor(park_s + 1e-6)
        move_up[c] = np.minimum(up, FAR).astype(np.int32)
        move_down[c] = np.minimum(down, FAR).astype(np.int32)
    days = _crew_days(fleet, outlook, travel, tasks, park_places, park_of)
    season = Season(
        fleet,
        first,
        n_days,
        tuple(tasks),
        park_places,
        park_of,
        days,
        move_up,
        move_down,
        travel,
        fleet.plan.reserve_minutes * 60,
    )
    return _with_reach(season)


def _due_tasks(fleet: Fleet, outlook: Outlook, n_days: int) -> list[SiteTask]:
    origin = outlook.on.toordinal()
    last = n_days - 1
    tasks = []
    for site in fleet.sites:
        now = outlook.sites[site.site_id]
        renewal = outlook.renewals[site.site_id]
        in_place = now.swap_by.toordinal() - origin
        end = last if site.active_to is None else min(last, site.active_to.toordinal() - origin + 1)
        jobs = fleet.open_jobs.get(site.site_id, ())
        job_due = min((job.due_by.toordinal() - origin for job in jobs if job.due_by), default=FAR)
        if site.active_from is not None and site.active_from > outlook.on:
            continue  # waits for its setting out; a note names it
        owed = in_place < end
        due = min(in_place, job_due)
        if due >= end:
            continue
        fresh = renewal.swap_by.astype(np.int64) - origin
        swaps = (fresh >= in_place) if owed else np.zeros(n_days, np.bool_)
        renewed = np.where(swaps, fresh, in_place)
        likely_now = now.flat_likely.toordinal() - origin
        likely = np.where(swaps, renewal.flat_likely.astype(np.int64) - origin, likely_now)
        tasks.append(
            SiteTask(
                site,
                int(due),
                int(in_place),
                renewed,
                swaps,
                likely_now,
                likely,
                float(sum(job.minutes for job in jobs)),
                (),
                (),
                int(end),
            )
        )
    return tasks


def _crew_days(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    tasks: list[SiteTask],
    park_places: tuple[int, ...],
    park_of: tuple[int, ...],
) -> tuple[Day, ...]:
    margin = fleet.plan.daylight_margin_minutes
    found = []
    for c, crew in enumerate(fleet.crews):
        for day in crew_dates(fleet, crew, outlook.on, outlook.to):
            midnight = local_moment(day, 0, fleet.zone)
            lights: list[tuple[float, float] | None] = []
            for place in park_places:
                light = usable_daylight(
                    travel.places[place].lat, travel.places[place].lon, day, fleet.zone, margin
                )
                lights.append(None if light is None else (light[0] - midnight, light[1] - midnight))
            number = (day - outlook.on).days
            spans: dict[int, tuple[tuple[int, int], ...] | None] = {}
            for s, task in enumerate(tasks):
                light = lights[park_of[s]]
                if light is None or not _may_visit(task, number):
                    continue
                allowed = _spans(fleet, task.site, crew, day, midnight, light)
                if allowed is None or allowed:
                    spans[s] = allowed
            found.append(
                Day(
                    c,
                    number,
                    midnight,
                    local_moment(day, crew.day_start_minute, fleet.zone) - midnight,
                    local_moment(day, crew.day_end_minute, fleet.zone) - midnight,
                    tuple(lights),
                    spans,
                )
            )
    found.sort(key=lambda day: (day.day, day.crew))
    return tuple(found)


def _may_visit(task: SiteTask, day: int) -> bool:
    """Tell whether a visit helps: where a fresh pack would not last longer, only a due job does."""
    return bool(task.swaps[day]) or task.due < task.in_place or day > task.in_place


def _spans(
    fleet: Fleet, site: Site, crew: Crew, day: date, midnight: int, light: tuple[float, float]
) -> tuple[tuple[int, int], ...] | None:
    spans = open_spans(fleet, site, crew.name, day)
    cut = tuple((first - midnight, last - midnight) for first, last in spans)
    for first, last in cut:
        if first <= light[0] and last >= light[1]:
            return None
    return tuple((f, l) for f, l in cut if l >= light[0] and f <= light[1])  # noqa: E741


def _with_reach(season: Season) -> Season:
    """Fill in the days on which each site can be reached: alone, and at all."""
    base = len(season.park_places)
    reach: list[set[int]] = [set() for _ in season.tasks]
    possible: list[set[int]] = [set() for _ in season.tasks]
    shortest = {c: _closure(move) for c, move in season.move_down.items()}
    for index, day in enumerate(season.days):
        for loose, target in ((False, reach), (True, possible)):
            table = season.loop_table(index, loose=loose)
            move = shortest[day.crew] if loose else season.move_up[day.crew]
            close = season.close_by(day, loose=loose)
            if loose:
                close = np.minimum(
                    np.array([FAR if x is None else math.ceil(x[1]) for x in day.light]),
                    day.end - move[:-1, base],
                )
            for k in np.flatnonzero(table.member.sum(axis=1) == 1):
                p = table.park[k]
                at = day.start + int(move[base, p])
                if at <= table.latest[k] and max(at + table.d[k], table.e[k]) <= close[p]:
                    s = int(np.flatnonzero(table.member[k])[0])
                    if loose or season.tasks[s].swaps[day.day]:
                        target[s].add(day.day)
    tasks = tuple(
        SiteTask(
            **{
                **{name: getattr(task, name) for name in task.__dataclass_fields__},
                "reach": tuple(sorted(reach[s])),
                "possible": tuple(sorted(possible[s])),
            }
        )
        for s, task in enumerate(season.tasks)
    )
    return Season(
        season.fleet,
        season.first,
        season.n_days,
        tasks,
        season.park_places,
        season.park_of,
        season.days,
        season.move_up,
        season.move_down,
        season.travel,
        season.reserve_s,
        season._loops,  # noqa: SLF001
        season._tables,  # noqa: SLF001
    )


def _closure(move: NDArray[np.int32]) -> NDArray[np.int32]:
    """Shortest seconds over any stops in between; a bound may not miss a way round."""
    best = move.astype(np.int64)
    for k in range(len(best)):
        best = np.minimum(best, best[:, k, None] + best[None, k, :])
    return np.minimum(best, FAR).astype(np.int32)


def last_leaving(reach: tuple[int, ...], after: int, end: int, spare: int) -> int:
    """
    Return the last day up to which a visit leaves `spare` later reachable days by `end`.

    Parameters
    ----------
    reach : tuple of int
        Reachable days, ascending.
    after, end : int
        The visit falls into (after, end].
    spare : int
        Fallback dates asked for.

    Returns
    -------
    int
        `end` itself where no reachable day leaves that many.

    Examples
    --------
    >>> last_leaving((3, 4, 10, 11, 17), 0, 12, 1)
    10
    >>> last_leaving((3, 10), 4, 12, 1)
    12
    """
    if spare <= 0:
        return end
    n = bisect_right(reach, end)
    k = n - 1 - spare
    if k >= 0 and reach[k] > after:
        return reach[k + 1] - 1
    return end
