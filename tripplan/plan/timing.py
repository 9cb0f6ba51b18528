"""Clock times of one trip in a fixed order: leave as late as costs no waiting, wait in the vehicle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tripplan.plan.loops import FAR
from tripplan.plan.season import Day, Season

__all__ = ["TimedLoop", "TimedStop", "TimedTrip", "TimedVisit", "time_trip"]

Triple = tuple[int, int, int]


@dataclass(frozen=True)
class TimedVisit:
    """A visit: reach the site, begin, end; after local midnight. [s]."""

    task: int
    arrive: int
    start: int
    finish: int


@dataclass(frozen=True)
class TimedLoop:
    """A foot loop; `walk_s` without work and waiting. [s]."""

    leave: int
    back: int
    walk_s: int
    visits: tuple[TimedVisit, ...]


@dataclass(frozen=True)
class TimedStop:
    """The vehicle parked."""

    park: int
    arrive: int
    leave: int
    loops: tuple[TimedLoop, ...]


@dataclass(frozen=True)
class TimedTrip:
    """The whole trip; sums in seconds. [s]."""

    leave: int
    back: int
    drive_s: int
    walk_s: int
    work_s: int
    stops: tuple[TimedStop, ...]

    @property
    def wait_s(self) -> int:
        """What is neither drive, walk nor work. [s]."""
        return self.back - self.leave - self.drive_s - self.walk_s - self.work_s


def time_trip(
    season: Season, index: int, loops: Sequence[tuple[int, tuple[int, ...]]], work: dict[int, int]
) -> TimedTrip | None:
    """
    Return the hours of a trip whose loops and their order are fixed.

    Parameters
    ----------
    season : Season
        The problem.
    index : int
        Day index.
    loops : sequence of (int, tuple of int)
        Parking and visiting order of each loop.
    work : dict of int to int
        Work at each task on this trip. [s]

    Returns
    -------
    TimedTrip or None
        The trip of least duration, then latest leave; None where it does not fit.
    """
    day = season.days[index]
    move = season.move_up[day.crew]
    base = len(season.park_places)
    leave = _latest_leave(season, day, loops, work)
    if leave is None:
        return None
    at, here = leave, base
    drive = walk = 0
    stops: list[TimedStop] = []
    for park, order in loops:
        light = day.light[park]
        if light is None:
            return None
        if here != park:
            hop = int(move[here, park])
            drive += hop
            arrive = at + hop - park_seconds(season)
            stops.append(TimedStop(park, arrive, arrive, ()))
            at, here = at + hop, park
        loop = _time_loop(season, day, park, order, work, max(at, math.ceil(light[0])))
        if loop is None:
            return None
        at = loop.back
        walk += loop.walk_s
        stop = stops[-1]
        stops[-1] = TimedStop(stop.park, stop.arrive, at, (*stop.loops, loop))
    home = int(move[here, base])
    return TimedTrip(
        leave, at + home, drive + home, walk, sum(work[s] for _, order in loops for s in order), tuple(stops)
    )


def park_seconds(season: Season) -> int:
    """Return the park minutes of a stop in whole seconds, rounded up. [s]."""
    return math.ceil(season.fleet.drive.park_minutes * 60 - 1e-6)


def _seconds(minutes: float) -> int:
    return math.ceil(minutes * 60 - 1e-6)


def _walk(season: Season, a: int | None, b: int | None) -> int:
    def name(task: int | None) -> str | None:
        return None if task is None else season.tasks[task].site.site_id

    return _seconds(season.travel.walk_minutes(name(a), name(b)))


def _spans(day: Day, task: int) -> tuple[tuple[int, int], ...]:
    return day.spans[task] or ((-FAR, FAR),)


def _latest_leave(
    season: Season, day: Day, loops: Sequence[tuple[int, tuple[int, ...]]], work: dict[int, int]
) -> int | None:
    """Carry every useful triple (d, e, l) of the trip so far through the fixed order."""
    move, base = season.move_up[day.crew], len(season.park_places)
    close = season.close_by(day, loose=False)
    states: list[Triple] = [(0, day.start, FAR)]
    here = base
    for park, order in loops:
        light = day.light[park]
        if light is None:
            return None
        dawn, dusk = math.ceil(light[0]), math.floor(light[1])
        gap = 0 if here == park else int(move[here, park])
        states = _step(states, gap, [(0, dawn, FAR)])
        before: int | None = None
        for task in order:
            options = [
                (work[task], first + work[task], last - work[task])
                for first, last in _spans(day, task)
                if first + work[task] <= last
            ]
            states = _step(states, _walk(season, before, task), options)
            before = task
        states = _step(states, _walk(season, before, None), [(0, -FAR, dusk)])
        here = park
    home = int(move[here, base])
    latest = int(close[here])
    best: tuple[int, int] | None = None
    for d, e, late in states:
        leave = min(late, latest - d, day.end - home - d)
        if e > latest or e + home > day.end or leave < day.start:
            continue
        key = (max(d + home, e + home - leave), -leave)
        if best is None or key < best:
            best = key
    return None if best is None else -best[1]


def _step(states: list[Triple], gap: int, options: Sequence[Triple]) -> list[Triple]:
    found = {
        (d + gap + work, max(e + gap + work, first), min(late, last - gap - d))
        for d, e, late in states
        for work, first, last in options
        if e + gap <= last
    }
    return [
        new
        for new in found
        if not any(o != new and o[0] <= new[0] and o[1] <= new[1] and o[2] >= new[2] for o in found)
    ]


def _time_loop(
    season: Season, day: Day, park: int, order: tuple[int, ...], work: dict[int, int], ready: int
) -> TimedLoop | None:
    """Walk a loop as early as can be, then move everything but its end as late as can be."""
    hops = [_walk(season, a, b) for a, b in zip((None, *order), (*order, None), strict=True)]
    light = day.light[park]
    at = ready
    chosen: list[tuple[int, int]] = []
    for task, hop in zip(order, hops, strict=False):
        at += hop
        span = next(
            ((f, last) for f, last in sorted(_spans(day, task)) if max(at, f) + work[task] <= last), None
        )
        if span is None:
            return None
        chosen.append(span)
        at = max(at, span[0]) + work[task]
    back = at + hops[-1]
    if light is None or back > math.floor(light[1]):
        return None
    visits: list[TimedVisit] = []
    finish = back - hops[-1]
    for task, hop, span in reversed(list(zip(order, hops, chosen, strict=False))):
        finish = min(finish, span[1])
        start = finish - work[task]
        visits.append(TimedVisit(task, start, start, finish))
        finish = start - hop
    leave = finish
    visits.reverse()
    return _settled(leave, back, hops, work, visits)


def _settled(
    leave: int, back: int, hops: list[int], work: dict[int, int], visits: list[TimedVisit]
) -> TimedLoop:
    """Let waiting that could not move into the vehicle show between arriving and beginning."""
    at = leave
    shown = []
    for visit, hop in zip(visits, hops, strict=False):
        at += hop
        shown.append(TimedVisit(visit.task, at, visit.start, visit.start + work[visit.task]))
        at = visit.start + work[visit.task]
    return TimedLoop(leave, back, sum(hops), tuple(shown))
