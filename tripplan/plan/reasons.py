"""Why a site is late, as a sum or a clause, and the smallest change that would serve it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from tripplan.fleet import Found, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.charging import most_charged
from tripplan.plan.document import Unserved, VisitKind
from tripplan.plan.obstacles import Limit, crew_obstacle, fresh_too_short, obstacles
from tripplan.plan.rescue import Rescue
from tripplan.plan.season import Season
from tripplan.plan.solution import Judge, Trips
from tripplan.plan.wanted import last_calls
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
        missed = _first_missed(season, s, days[s])
        after, due, visited = missed.after, missed.due, missed.visited
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
                _reason(season, outlook, s, missed, proved=proved),
                change,
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class _Missed:
    """The last visit in time (-1: none), the day that was missed, the late visit, and what it was for."""

    after: int
    due: int
    visited: int | None
    kind: VisitKind


def _first_missed(season: Season, s: int, days: list[int]) -> _Missed:
    task = season.tasks[s]
    after, due = -1, task.due
    kind = VisitKind.SET_OUT if task.at_home else VisitKind.SWAP
    for day in days:
        if day > due and due < task.end:
            return _Missed(after, due, day, kind)
        if task.takes_in(day):
            return _Missed(max(after, task.take_from - 1), task.take_by, day, VisitKind.TAKE_IN)
        after, due, kind = day, int(task.renewed[day]), VisitKind.SWAP
    if due < task.end:
        return _Missed(after, due, None, kind)
    return _Missed(max(after, task.take_from - 1), task.take_by, None, VisitKind.TAKE_IN)


def _reason(season: Season, outlook: Outlook, s: int, missed: _Missed, *, proved: bool) -> str:
    after, due, visited = missed.after, missed.due, missed.visited
    site = season.tasks[s].site
    last = season.date_of(due)
    if due < 0 and missed.kind is VisitKind.SET_OUT:
        return f"it was to be set out by {_day(last)} (active_from), before the season began"
    if due < 0 and missed.kind is VisitKind.TAKE_IN:
        return (
            f"it was to be taken in by {_day(last)}, before the season began; if it is at home already, "
            f"record it as removed"
        )
    if due < 0:
        since = _dark_since(season, outlook, site)
        return f"its swap-by date {_day(last)} had passed before the season began{since}"
    first = max(after + 1, 0)
    in_time = [d for d in season.tasks[s].possible if first <= d <= due]
    if not in_time:
        kept = last_calls(season, season.wanted).get(s)
        if kept is not None and kept > due:
            return (
                f"its job waits for the visit asked for on {_day(season.date_of(kept))}, which has no other"
            )
        why = _why_not(season, outlook, s, first, due, missed.kind)
        what = {VisitKind.SET_OUT: "to set it out ", VisitKind.TAKE_IN: "to take it in "}.get(missed.kind, "")
        return f"no crew can be there {what}{_span(season, first, due)}: {why}"
    if proved and missed.kind is VisitKind.SWAP and after >= 0:
        again = f"a pack put in on any date in time is due again by {_day(last)}"
        return f"{again}, and no crew can be there in between"
    short = "" if missed.kind is VisitKind.TAKE_IN else _shelf_text(season, site, due)
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


def _why_not(season: Season, outlook: Outlook, s: int, first: int, due: int, kind: VisitKind) -> str:
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
            here = season.days_by_number.get(d, ())
            if any(season.days[i].crew == c and i in season.wanted.kept for i in here):
                kept = f"the trip of {crew.name} on {_day(day)} stays as it is, without it"
                best = best or ((True, 0.0, d, c), kept)
                continue
            moves = kind is not VisitKind.SWAP
            found = obstacles(fleet, season.travel, crew, site, day, moves_device=moves)
            text = "" if found is None else found.text
            if found is None and kind is not VisitKind.TAKE_IN:
                text = fresh_too_short(outlook, site, day)
            if not text and kind is not VisitKind.TAKE_IN:
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
    coming = season.coming_in(site.pack_type, day)
    most = most_charged(fleet, season.first, site.pack_type, 0, day, coming)
    wanting = [
        task.site.site_id
        for task in season.tasks
        if task.site.pack_type == site.pack_type and task.due <= day and task.in_place <= day
    ]
    when = _day(season.date_of(day))
    if most == 0:
        why = _why_none_charges(season, site.pack_type, coming)
        return f"no charged pack of type {site.pack_type} is there by {when}: the shelf holds none, and {why}"
    if len(wanting) > most:
        return (
            f"by {when} the shelf gives {most} charged {'pack' if most == 1 else 'packs'} of type "
            f"{site.pack_type} at the most, and {len(wanting)} sites are due by then"
        )
    return ""


def _why_none_charges(season: Season, name: str, coming: int) -> str:
    """Say what keeps packs of a type from being charged, where none stands charged on the shelf."""
    fleet = season.fleet
    back = sum(other == name for other in fleet.odd_returns.values())
    if fleet.uncharged_on_shelf(name) + coming + back == 0:
        return "none lies there to be charged: a swap brings one back only after it has taken one"
    if not fleet.chargers:
        return "what is not charged counts from the next day on"
    hours = [charger.hours_per_pack for charger in fleet.chargers if name in charger.types]
    if not hours:
        return "no charger takes that type"
    return f"none is ready by then (the fastest charger for it takes {min(hours):g} h a pack)"


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
