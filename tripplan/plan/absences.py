"""What falls due while somebody is away, and crews that are of no use as the files stand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from tripplan.fleet import Crew
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Trip, VisitKind
from tripplan.plan.loops import FAR
from tripplan.plan.obstacles import fits_alone, obstacles
from tripplan.plan.season import Season
from tripplan.travel import crew_dates, idle_spans

__all__ = ["absence_notes", "crew_notes"]

_LEAST_DAYS = 5
"""Shorter absences are ordinary weeks. [day]"""

_MOST_CHECKS = 4000


@dataclass(frozen=True)
class _Absence:
    first: date
    last: date
    when: str


def absence_notes(season: Season, outlook: Outlook, trips: Sequence[Trip]) -> Iterator[str]:
    """
    Say before each absence whether anything falls due in it.

    Parameters
    ----------
    season : Season
        The problem.
    outlook : Outlook
        For the packs in place.
    trips : sequence of Trip
        The plan's trips, by date.

    Yields
    ------
    str
        One sentence for each absence of at least five days.
    """
    for absence in _absences(season, outlook):
        due, handled, before = _falling_due(season, outlook, trips, absence)
        span = f"{_day(absence.first)} to {_day(absence.last)}"
        while_away = f"{absence.when} ({span})"
        text = ""
        if due:
            falls = "falls" if len(due) == 1 else "fall"
            text = f"{_dated(due)} {falls} due {while_away}, and nobody comes in time"
        if handled:
            text += "; " if text else ""
            text += f"{_dated(handled)} {'falls' if len(handled) == 1 else 'fall'} due "
            text += f"{while_away if not due else 'then'}, and another crew comes in time"
        if not text:
            text = f"Nothing falls due {while_away}"
        if before:
            verb = "swapped" if all(what == "swap" for _, _, what in before) else "served"
            text += f"; {verb} before, because due in it: {_dated(before)}"
        yield f"{text}."


def _absences(season: Season, outlook: Outlook) -> list[_Absence]:
    fleet = season.fleet
    idle = idle_spans(fleet, outlook.on, outlook.to)
    found = []
    for span in fleet.blocked:
        # nor does anybody go on the days beside it that are no crew's days: as the calendar shows it
        around = [(a, b) for a, b in idle if a <= span.last and span.first <= b]
        first, last = around[0] if around else (span.first, span.last)
        found.append(_Absence(min(first, span.first), max(last, span.last), "while nobody goes"))
    for crew in fleet.crews:
        spans = [(span.first, span.last) for span in crew.away]
        spans += [
            (wish.day, wish.last)
            for wish in fleet.wishes
            if wish.day is not None and wish.last is not None and wish.forbids(crew.name, wish.day)
        ]
        # a crew may be one person or several: no word here needs to know
        when = f"in the absence of {crew.name}" if len(fleet.crews) > 1 else "while you are away"
        found.extend(_Absence(first, last, when) for first, last in spans)
    return sorted(
        {
            one
            for one in found
            if one.last >= outlook.on
            and one.first <= outlook.to
            and (one.last - one.first).days + 1 >= _LEAST_DAYS
        },
        key=lambda one: (one.first, one.last, one.when),
    )


_Dated = list[tuple[str, date, str]]


def _falling_due(
    season: Season, outlook: Outlook, trips: Sequence[Trip], absence: _Absence
) -> tuple[_Dated, _Dated, _Dated]:
    """Return sites due in an absence and missed, due and served by others, and served before it."""
    due: _Dated = []
    handled: _Dated = []
    before: _Dated = []
    for task in season.tasks:
        site_id = task.site.site_id
        by = outlook.sites[site_id].swap_by
        what = "set out" if task.at_home else "swap"
        taken_in = False
        for trip in trips:
            visit = next((one for one in trip.visits if one.site_id == site_id), None)
            if visit is None:
                continue
            if visit.kind is VisitKind.TAKE_IN and task.take_by < FAR:
                by, what, taken_in = season.date_of(task.take_by), "take in", True
            inside = absence.first <= by <= absence.last
            if inside and trip.date < absence.first:
                before.append((site_id, by, what))
            elif inside:
                (handled if trip.date <= by else due).append((site_id, by, what))
            by, what = visit.next_swap_by, "swap"
        if not taken_in and absence.first <= by <= absence.last and season.day_number(by) < task.end:
            due.append((site_id, by, what))
    return due, handled, before


def _dated(sites: _Dated) -> str:
    shown = [
        f"{site_id} ({what} by {_day(by)})"
        for site_id, by, what in sorted(sites, key=lambda one: (one[1], one[0]))
    ]
    more = f" and {len(shown) - 6} more" if len(shown) > 6 else ""
    return f"{', '.join(shown[:6])}{more}"


def crew_notes(season: Season) -> Iterator[str]:
    """
    Name crews that have no date, or that can reach no site that is due.

    Parameters
    ----------
    season : Season
        The problem.

    Yields
    ------
    str
        One sentence for each.
    """
    fleet = season.fleet
    first, last = season.date_of(0), season.date_of(season.last_day)
    checks = 0
    for crew in fleet.crews:
        dates = crew_dates(fleet, crew, first, last)
        if not dates:
            span = f"from {_day(first)} to {_day(last)}"
            yield f"{crew.name} can go on no date {span}: look at days, away and blocked."
            continue
        checks += len(dates) * len(season.tasks)
        if not season.tasks or checks > _MOST_CHECKS or _reaches_any(season, crew, dates):
            continue
        text = min(
            (found.short_minutes, day, f"{task.site.site_id} on {_day(day)}: {found.text}")
            for day in dates
            for task in season.tasks
            if (found := obstacles(fleet, season.travel, crew, task.site, day)) is not None
        )[2]
        none = f"{crew.name} can reach none of the sites that are due on any of its dates"
        yield f"{none}; the nearest is {text}."


def _reaches_any(season: Season, crew: Crew, dates: Sequence[date]) -> bool:
    return any(
        fits_alone(season.fleet, season.travel, crew, task.site, day)
        for day in dates
        for task in season.tasks
    )


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
