"""Why a site is late, as a sum or a clause, and the smallest change that would serve it."""

from __future__ import annotations

from datetime import date

from tripplan.fleet import Found, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.charging import most_charged
from tripplan.plan.document import Unserved
from tripplan.plan.obstacles import Limit, crew_obstacle, fresh_too_short, obstacles
from tripplan.plan.rescue import Rescue
from tripplan.plan.season import Season
from tripplan.plan.solution import Judge, Trips
from tripplan.plan.windows import WindowSet

__all__ = ["explain_late"]

_MOST_SITES = 40
"""Beyond so many late sites the smallest change is not worked out any more."""


def explain_late(
    season: Season, outlook: Outlook, judge: Judge, trips: Trips, windows: WindowSet
) -> tuple[Unserved, ...]:
    """
    Name every late site with its reason.

    Parameters
    ----------
    season : Season
        The problem.
    outlook : Outlook
        For dates.
    judge : Judge
        Counts late days.
    trips : mapping of int to frozenset of int
        The plan.
    windows : WindowSet
        Holds the proofs that a site is late in every plan.

    Returns
    -------
    tuple of Unserved
        One for each late site, in the order of sites.csv.
    """
    found: list[Unserved] = []
    days = judge.visit_days(trips)
    rescue = Rescue(season, judge, trips)
    for s, task in enumerate(season.tasks):
        late = judge.late_days_of(s, days[s])
        if not late:
            continue
        after, due, visited = _first_missed(season, s, days[s])
        proved = bool(windows.sure_late.get(s, ()))
        change = (
            rescue.smallest_change(s, after, due)
            if len(found) < _MOST_SITES
            else "Not worked out for so many late sites."
        )
        found.append(
            Unserved(
                task.site.site_id,
                season.date_of(due),
                proved,
                None if visited is None else season.date_of(visited),
                late,
                _reason(season, outlook, s, (after, due, visited), proved=proved),
                change,
            )
        )
    return tuple(found)


def _first_missed(season: Season, s: int, days: list[int]) -> tuple[int, int, int | None]:
    """Return the last visit in time (-1: none), the day that was missed, and the late visit."""
    task = season.tasks[s]
    after, due = -1, task.due
    for day in days:
        if day > due:
            return after, due, day
        after, due = day, int(task.renewed[day])
    return after, due, None


def _reason(
    season: Season, outlook: Outlook, s: int, missed: tuple[int, int, int | None], *, proved: bool
) -> str:
    after, due, visited = missed
    site = season.tasks[s].site
    last = season.date_of(due)
    if due < 0:
        since = _dark_since(season, outlook, site)
        return f"its swap-by date {_day(last)} had passed before the season began{since}"
    first = max(after + 1, 0)
    in_time = [d for d in season.tasks[s].possible if first <= d <= due]
    if not in_time:
        why = _why_not(season, outlook, s, first, due)
        return f"no crew can be there {_span(season, first, due)}: {why}"
    if proved:
        again = f"a pack put in on any date in time is due again by {_day(last)}"
        return f"{again}, and no crew can be there in between"
    short = _shelf_text(season, site, due)
    if short:
        return short
    dates = f"{len(in_time)} {'date' if len(in_time) == 1 else 'dates'}"
    seen = "" if visited is None else f"; it is visited late on {_day(season.date_of(visited))}"
    return f"no place for it was found {_span(season, first, due)} ({dates}) in the search made{seen}"


def _span(season: Season, first: int, due: int) -> str:
    if first == due:
        return f"on {_day(season.date_of(due))}"
    if first <= 0:
        return f"on any date up to {_day(season.date_of(due))}"
    return f"on any date from {_day(season.date_of(first))} to {_day(season.date_of(due))}"


def _dark_since(season: Season, outlook: Outlook, site: Site) -> str:
    """Say since when a site is dark, as far as visits or the forecast tell."""
    in_place = season.fleet.in_place[site.site_id].since
    seen = [
        visit.day
        for visit in season.fleet.visits
        if visit.site_id == site.site_id
        and visit.found is Found.DARK
        and (in_place is None or visit.day > in_place)
    ]
    if seen:
        return f"; it was found dark on {_day(max(seen))}"
    now = outlook.sites[site.site_id]
    if now.chance_dark_today < 0.5:
        return f"; the chance that it is dark today is {now.chance_dark_today:.0%}"
    return (
        f"; it is likely dark since {_day(now.flat_likely)} "
        f"({_day(now.flat_early)} at the earliest, chance today {now.chance_dark_today:.0%})"
    )


def _why_not(season: Season, outlook: Outlook, s: int, first: int, due: int) -> str:
    """Return what stands in the way on the crew and date that come closest."""
    fleet, task = season.fleet, season.tasks[s]
    site = task.site
    best: tuple[tuple[bool, float, int, int], str] | None = None
    goes = False
    for d in range(first, min(due, season.last_day) + 1):
        day = season.date_of(d)
        for c, crew in enumerate(fleet.crews):
            if crew_obstacle(fleet, crew, day):
                continue
            goes = True
            found = obstacles(fleet, season.travel, crew, site, day)
            text = "" if found is None else found.text
            if found is None:
                text = fresh_too_short(outlook, site, day)
            if not text:
                text = _shelf_text(season, site, d)
            key = (found is None, found.short_minutes if found else 0.0, d, c)
            if found is not None and Limit.WEIGHT in found.limits:
                key = (False, 0.0, d, c)
            if text and (best is None or key < best[0]):
                best = (key, f"{crew.name} on {_day(day)}: {text}")
    if not goes:
        reasons = dict.fromkeys(
            crew_obstacle(fleet, crew, season.date_of(d))
            for d in range(first, min(due, season.last_day) + 1)
            for crew in fleet.crews
        )
        return "no crew goes on any of them (" + "; ".join(list(reasons)[:3]) + ")"
    return best[1] if best is not None else "nothing more is known"


def _shelf_text(season: Season, site: Site, day: int) -> str:
    """Say that the shelf cannot give all sites of a type a pack by a day, where that is sure."""
    fleet = season.fleet
    if not fleet.stock_is_kept:
        return ""
    most = most_charged(fleet, season.first, site.pack_type, 0, day)
    wanting = [
        task.site.site_id
        for task in season.tasks
        if task.site.pack_type == site.pack_type and task.due <= day and task.in_place <= day
    ]
    when = _day(season.date_of(day))
    if most == 0:
        return (
            f"no charged pack of type {site.pack_type} is there by {when}: "
            "the shelf holds none and none gets charged"
        )
    if len(wanting) > most:
        return (
            f"by {when} the shelf gives {most} charged {'pack' if most == 1 else 'packs'} of type "
            f"{site.pack_type} at the most, and {len(wanting)} sites are due by then"
        )
    return ""


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
