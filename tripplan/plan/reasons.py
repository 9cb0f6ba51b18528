"""Why a site is late, as a sum, and the smallest change that would serve it, tried before it is said."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

from tripplan.clock import local_moment
from tripplan.fleet import Crew, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Unserved
from tripplan.plan.season import Season
from tripplan.plan.solution import Judge, Trips
from tripplan.plan.windows import WindowSet
from tripplan.travel import VisitSum, open_spans, single_visit_sum, sun_times, usable_daylight

__all__ = ["explain_late"]


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
    found = []
    days = judge.visit_days(trips)
    for s, task in enumerate(season.tasks):
        late = judge.late_days_of(s, days[s])
        if not late:
            continue
        due, visited = _first_missed(season, s, days[s])
        sure = windows.sure_late.get(s, ())
        proved = bool(sure)
        reason, change = _reason(season, task.site, due, visited, proved=proved)
        found.append(
            Unserved(
                task.site.site_id,
                season.date_of(due),
                proved,
                None if visited is None else season.date_of(visited),
                late,
                reason,
                change,
            )
        )
    del outlook
    return tuple(found)


def _first_missed(season: Season, s: int, days: list[int]) -> tuple[int, int | None]:
    task = season.tasks[s]
    due = task.due
    for day in days:
        if day > due:
            return due, day
        due = int(task.renewed[day])
    return due, None


def _reason(season: Season, site: Site, due: int, visited: int | None, *, proved: bool) -> tuple[str, str]:
    last = season.date_of(due)
    task = next(t for t in season.tasks if t.site.site_id == site.site_id)
    in_time = [d for d in task.possible if d <= due]
    later = [d for d in task.possible if d > due]
    if due < 0:
        reason = f"its swap-by date {last:%d %b %Y} had passed before the season began"
        change = (
            f"The first date on which a crew can be there is {season.date_of(later[0]):%a %d %b %Y}."
            if later
            else _closest(season, site, season.first, season.date_of(season.last_day))
        )
        return reason, change
    if not in_time:
        reason = f"no crew can be there on any date up to {last:%d %b %Y}: {_why_not(season, site, last)}"
        return reason, _extra_date(season, site, season.first, last)
    if proved:
        reason = (
            f"a pack put in on any date in time is due again by {last:%d %b %Y}, "
            "and no crew can be there in between"
        )
        first = season.date_of(max(d for d in task.possible if d <= due)) + timedelta(days=1)
        return reason, _extra_date(season, site, first, last)
    trips = len(in_time)
    seen = "" if visited is None else f"; it is visited late on {season.date_of(visited):%d %b %Y}"
    reason = (
        f"no place for it was found on the {trips} {'date' if trips == 1 else 'dates'} "
        f"up to {last:%d %b %Y} in the search made{seen}"
    )
    return reason, _extra_date(season, site, season.first, last)


def _why_not(season: Season, site: Site, last: date) -> str:
    """Return the sum for the crew and date that come closest."""
    best = _closest_sum(season, site, season.first, last, crew_days_only=True)
    if best is None:
        return "no crew goes on any date up to then"
    total, crew, day = best
    return f"{crew.name} on {day:%a %d %b}: {total}"


def _closest_sum(
    season: Season, site: Site, first: date, last: date, *, crew_days_only: bool
) -> tuple[VisitSum, Crew, date] | None:
    fleet = season.fleet
    options: list[tuple[float, date, int]] = []
    if crew_days_only:
        dates = [(season.date_of(d.day), d.crew) for d in season.days]
    else:
        span = (last - first).days
        dates = [(first + timedelta(days=k), c) for k in range(span + 1) for c in range(len(fleet.crews))]
    for day, c in dates:
        if first <= day <= last:
            total = single_visit_sum(fleet, season.travel, fleet.crews[c], site, day)
            options.append((total.short_by, day, c))
    if not options:
        return None
    _, day, c = min(options)
    return single_visit_sum(fleet, season.travel, fleet.crews[c], site, day), fleet.crews[c], day


def _closest(season: Season, site: Site, first: date, last: date) -> str:
    best = _closest_sum(season, site, first, last, crew_days_only=False)
    if best is None:
        return "No date is left before its swap-by date."
    total, crew, day = best
    if total.short_by > 0:
        more = f"{total.short_by:.0f} minutes more for {crew.name} on {day:%a %d %b %Y}"
        return f"{more} would let it fit ({total})."
    return (
        f"Neither hours nor daylight forbid {day:%a %d %b %Y} for {crew.name}: look at its days and absences."
    )


def _extra_date(season: Season, site: Site, first: date, last: date) -> str:
    """Return a date outside the crews' days on which a trip for this site alone was tried and fits."""
    fleet = season.fleet
    usual: Mapping[tuple[date, int], bool] = {(season.date_of(d.day), d.crew): True for d in season.days}
    day = max(first, season.first)
    while day <= last:
        for c, crew in enumerate(fleet.crews):
            if (day, c) not in usual and _fits_alone(season, site, crew, day):
                return f"One more trip by {crew.name} on {day:%a %d %b %Y} would serve it in time."
        day += timedelta(days=1)
    return (
        _closest(season, site, max(first, season.first), last)
        if first <= last
        else ("No date is left before its swap-by date.")
    )


def _fits_alone(season: Season, site: Site, crew: Crew, day: date) -> bool:
    """Play the out-and-back trip that leaves as early as the crew may."""
    fleet, travel = season.fleet, season.travel
    if fleet.pack_types[site.pack_type].weight_kg > crew.carry_kg or crew.packs_aboard < 1:
        return False
    total = single_visit_sum(fleet, travel, crew, site, day)
    place = travel.places[travel.place_of_site[site.site_id]]
    light = usable_daylight(place.lat, place.lon, day, fleet.zone, fleet.plan.daylight_margin_minutes)
    if light is None:
        return False
    leave = local_moment(day, crew.day_start_minute, fleet.zone)
    end = local_moment(day, crew.day_end_minute, fleet.zone)
    at = max(leave + (total.drive_out + total.park) * 60, light[0]) + total.walk_out * 60
    for first, last in open_spans(fleet, site, crew.name, day):
        done = max(at, first) + total.work * 60
        back = done + total.walk_back * 60
        endless = sun_times(place.lat, place.lon, day, fleet.zone).set is None
        dusk = light[1] if endless else light[1] - season.reserve_s
        if done <= last and back <= dusk and back + total.drive_back * 60 <= end:
            return True
    return False
