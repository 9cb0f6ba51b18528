"""
From fleet, forecast and travel to the season's problem.

Two roundings run side by side: plans round durations up and windows inward; bounds round the other
way, and take the shortest way over any parking or site, since a given leg or walk may be longer than
the way round.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.clock import MINUTES_PER_DAY, local_moment
from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook, SiteForecast
from tripplan.plan.charging import most_charged
from tripplan.plan.loops import FAR
from tripplan.plan.season import Day, Season, SiteTask, shortest_over_all, walk_seconds
from tripplan.plan.wanted import asked_sites, bearing_wishes, build_wanted, season_as_wished
from tripplan.travel import Travel, crew_dates, may_be_visited, open_spans, usable_daylight
from tripplan.wishes import Wish

__all__ = ["build_season"]


def build_season(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    jobs_always: frozenset[str] = frozenset(),
    wishes: tuple[Wish, ...] | None = None,
    first_by: Mapping[str, int] | None = None,
) -> Season:
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
    jobs_always : frozenset of str, default empty
        Sites whose jobs are reckoned with on every visit.
    wishes : tuple of Wish, optional
        What the season must keep; the fleet's own wishes that bear on it where not given.
    first_by : mapping of str to int, optional
        Sites with the day number by which a first visit does their jobs, or sets their device out.

    Returns
    -------
    Season
        With every site that is due, or has a job that is due, before the season's end.
    """
    first = outlook.on
    n_days = (outlook.to - first).days + 1
    if wishes is None:
        wishes = bearing_wishes(fleet, first, outlook.to)
    tasks = _due_tasks(fleet, outlook, n_days, jobs_always, asked_sites(wishes), first_by or {})
    place_of = [travel.place_of_site[task.site.site_id] for task in tasks]
    park_places = tuple(sorted(set(place_of)))
    park_of = tuple(park_places.index(place) for place in place_of)
    park_s = fleet.drive.park_minutes * 60
    move_up: dict[int, NDArray[np.int32]] = {}
    move_down: dict[int, NDArray[np.int32]] = {}
    stands = [k for k, place in enumerate(travel.places) if place.site_ids]
    for c, crew in enumerate(fleet.crews):
        base = travel.place_of_crew[crew.name]
        nodes = [*park_places, base]
        up = np.ceil(travel.drive_minutes[np.ix_(nodes, nodes)] * 60 - 1e-6)
        up[:, :-1] += math.ceil(park_s - 1e-6)
        # a bound may not miss a way round: any parking of the fleet can lie in between
        every = [*stands, base]
        short = shortest_over_all(np.floor(travel.drive_minutes[np.ix_(every, every)] * 60 + 1e-6))
        at = [*(stands.index(place) for place in park_places), len(stands)]
        down = short[np.ix_(at, at)]
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
        fetched=_all_fetched(fleet, outlook),
    )
    season = _with_reach(season)
    return season_as_wished(season, build_wanted(season, wishes))


def _due_tasks(
    fleet: Fleet,
    outlook: Outlook,
    n_days: int,
    jobs_always: frozenset[str],
    asked: frozenset[str],
    first_by: Mapping[str, int],
) -> list[SiteTask]:
    origin = outlook.on.toordinal()
    last = n_days - 1
    tasks = []
    for site in fleet.sites:
        now = outlook.sites[site.site_id]
        renewal = outlook.renewals[site.site_id]
        in_place = now.swap_by.toordinal() - origin
        take_from, take_by = _taking_in(fleet, site, now, origin)
        end = last if site.active_to is None else min(last, site.active_to.toordinal() - origin + 1)
        if end <= 0:
            end = -FAR  # out of service already: no power is owed
        jobs = fleet.open_jobs.get(site.site_id, ())
        job_due = min((job.due_by.toordinal() - origin for job in jobs if job.due_by), default=FAR)
        if now.at_home and (site.active_from is None or end < 0):
            continue  # it is not to be set out; a note names it
        owed = in_place < end
        # jobs at a device that stands at home are done when it is set out; their dates set none
        due = in_place if now.at_home else min(in_place, job_due)
        is_asked = site.site_id in asked
        take_by = take_by if take_by < last else FAR
        if due >= end:
            if not is_asked and (take_by == FAR or now.at_home):
                continue
            due = FAR
        fresh = renewal.swap_by.astype(np.int64) - origin
        # a site that is not due is swapped on request only, unless a job brings the crew there
        wanted = owed or (is_asked and not jobs) or now.at_home
        swaps = (fresh >= in_place) if wanted else np.zeros(n_days, np.bool_)
        first = first_by.get(site.site_id, FAR)
        pays = swaps & ~(np.bool_(bool(jobs) and not now.at_home) & (fresh == in_place))
        if is_asked:  # a visit after the jobs are done swaps; whether they are by then, a plan says
            swaps = swaps | ((fresh >= in_place) & (np.arange(n_days) > first))
        renewed = np.where(swaps, fresh, in_place)
        swaps[max(0, take_from) :] = False
        pays[max(0, take_from) :] = False
        renewed[max(0, take_from) :] = FAR
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
                (),
                int(end),
                # where a fresh pack lasts just as long, a visit for a job may leave the old one in
                pays,
                site.site_id in jobs_always,
                is_asked,
                now.at_home,
                take_from,
                take_by,
                first_by=first,
            )
        )
    return tasks


def _taking_in(fleet: Fleet, site: Site, now: SiteForecast, origin: int) -> tuple[int, int]:
    """Return the first day on which a visit takes the device in, and the last day in time."""
    if site.active_to is None or (now.at_home and site.active_from is None):
        return FAR, FAR
    first = site.active_to.toordinal() - origin
    return first, first + fleet.plan.take_in_days


def _all_fetched(fleet: Fleet, outlook: Outlook) -> tuple[tuple[str, int], ...]:
    """Return pack type and first day of taking in for each device that may be, also where nothing owes it."""
    origin = outlook.on.toordinal()
    first = [(site, _taking_in(fleet, site, outlook.sites[site.site_id], origin)[0]) for site in fleet.sites]
    return tuple((site.pack_type, day) for site, day in first if day < FAR)


def _crew_days(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    tasks: list[SiteTask],
    park_places: tuple[int, ...],
    park_of: tuple[int, ...],
) -> tuple[Day, ...]:
    margin = fleet.plan.daylight_margin_minutes
    due = {task.site.site_id for task in tasks}
    beside = sorted(
        {travel.place_of_site[site.site_id] for site in fleet.sites if site.site_id not in due}
        - set(park_places)
    )
    found = []
    for c, crew in enumerate(fleet.crews):
        for day in crew_dates(fleet, crew, outlook.on, outlook.to):
            midnight = local_moment(day, 0, fleet.zone)
            lights: list[tuple[float, float] | None] = []
            for place in (*park_places, *beside):
                light = usable_daylight(
                    travel.places[place].lat, travel.places[place].lon, day, fleet.zone, margin
                )
                lights.append(None if light is None else (light[0] - midnight, light[1] - midnight))
            # the polar day is given as from local midnight to local midnight
            whole = (0, local_moment(day, MINUTES_PER_DAY, fleet.zone) - midnight)
            endless = [light == whole for light in lights]
            of_others = zip(lights[len(park_places) :], endless[len(park_places) :], strict=True)
            later = [FAR if always else light[1] for light, always in of_others if light is not None]
            number = (day - outlook.on).days
            spans: dict[int, tuple[tuple[int, int], ...] | None] = {}
            for s, task in enumerate(tasks):
                light = lights[park_of[s]]
                if light is None or not _may_visit(fleet, task, number, day):
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
                    tuple(lights[: len(park_places)]),
                    tuple(endless[: len(park_places)]),
                    spans,
                    max(later, default=-FAR),
                )
            )
    found.sort(key=lambda day: (day.day, day.crew))
    return tuple(found)


def _may_visit(fleet: Fleet, task: SiteTask, number: int, date_of: date) -> bool:
    """Tell whether a visit helps: where a fresh pack would not last longer, a job due or asked for does."""
    if not may_be_visited(fleet, task.site, date_of, at_home=task.at_home):
        return False
    if task.takes_in(number) or task.swaps[number]:
        return True
    if task.at_home or task.site.site_id not in fleet.open_jobs:
        return False  # a pack that is due before the device is to run, or no job to do on a call
    return task.due < task.in_place or number > task.in_place or task.asked


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
    """Fill in the days on which each site can be reached, alone and at all; leave out who cannot go there."""
    reach: list[set[int]] = [set() for _ in season.tasks]
    first: list[set[int]] = [set() for _ in season.tasks]
    later: list[set[int]] = [set() for _ in season.tasks]
    possible: list[set[int]] = [set() for _ in season.tasks]
    walks: dict[tuple[int, bool], tuple[int, int]] = {}
    bares: dict[tuple[str, int], bool] = {}
    for s, task in enumerate(season.tasks):
        for loose in (False, True):
            place = season.park_places[season.park_of[s]]
            out, back, _ = walk_seconds(season.travel, place, [task.site.site_id], loose=loose)
            walks[s, loose] = (out[0], back[0])
    near: list[set[int]] = [set() for _ in season.days]
    for k, day in enumerate(season.days):
        ends = {False: season.close_by(day, loose=False), True: season.over_by(day)}
        for s in day.spans:
            task = season.tasks[s]
            carries = task.carries(day.day, loose=False)
            too_late = task.at_home and task.takes_in(day.day)
            if not too_late and _alone(
                season, day, s, task.job_minutes, ends, walks, loose=False, first_visit=True
            ):
                first[s].add(day.day)
                if carries:
                    reach[s].add(day.day)
            if carries and _alone(season, day, s, 0.0, ends, walks, loose=False):
                later[s].add(day.day)
            if not _alone(season, day, s, 0.0, ends, walks, loose=True):
                continue
            near[k].add(s)
            if not (task.pays[day.day] and _shelf_is_bare(season, task.site.pack_type, day.day, bares)):
                possible[s].add(day.day)
    tasks = tuple(
        replace(
            task,
            reach=tuple(sorted(reach[s])),
            reach_later=tuple(sorted(later[s])),
            possible=tuple(sorted(possible[s])),
            dates_first=tuple(sorted(first[s])),
        )
        for s, task in enumerate(season.tasks)
    )
    days = tuple(
        replace(day, spans={s: spans for s, spans in day.spans.items() if s in here})
        for day, here in zip(season.days, near, strict=True)
    )
    return replace(season, tasks=tasks, days=days, _loops={}, _tables={})


def _shelf_is_bare(season: Season, name: str, day: int, known: dict[tuple[str, int], bool]) -> bool:
    """Tell whether no charged pack of a type can be there up to a day, whatever the plan."""
    if not season.fleet.stock_is_kept:
        return False
    if (name, day) not in known:
        coming = season.coming_in(name, day)
        known[name, day] = most_charged(season.fleet, season.first, name, 0, day, coming) == 0
    return known[name, day]


def _alone(
    season: Season,
    day: Day,
    s: int,
    job_minutes: float,
    ends: dict[bool, NDArray[np.int32]],
    walks: dict[tuple[int, bool], tuple[int, int]],
    *,
    loose: bool,
    first_visit: bool = False,
) -> bool:
    """Play the trip to one site that leaves as early as the crew may."""
    task, p = season.tasks[s], season.park_of[s]
    light = day.light[p]
    crew = season.fleet.crews[day.crew]
    moves = task.takes_in(day.day) or (first_visit and task.at_home)
    load = task.site.device_kg if moves else 0.0
    if not loose or task.carries(day.day, loose=True):
        load += season.fleet.pack_types[task.site.pack_type].weight_kg
        if crew.packs_aboard < 1:
            return False
    if load > crew.carry_kg + 1e-9:
        return False
    if light is None:
        return False
    up, down = (math.floor, math.ceil) if loose else (math.ceil, math.floor)
    move = (season.move_down if loose else season.move_up)[day.crew]
    out, back = walks[s, loose]
    slack = 1e-6 if loose else -1e-6
    work = up((task.site.work_minutes + job_minutes) * 60 + slack)
    there = max(day.start + int(move[-1, p]), up(light[0])) + out
    for first, last in day.spans[s] or ((-FAR, FAR),):
        done = max(there, first) + work
        if done <= last and done + back <= min(int(ends[loose][p]), down(light[1])):
            return True
    return False
