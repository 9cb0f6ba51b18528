"""On which dates a crew can go, and which crews cannot go together."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

from tripplan.fleet import Crew, Fleet

__all__ = ["crew_dates", "crews_share_people", "idle_spans"]

_WEEK_DAYS = 7


def crew_dates(fleet: Fleet, crew: Crew, first: date, last: date) -> tuple[date, ...]:
    """
    Return the dates on which a crew can go.

    Parameters
    ----------
    fleet : Fleet
        For its blocked dates, and its wishes to stay home.
    crew : Crew
        One crew.
    first, last : datetime.date
        Ends of the span looked at, both included.

    Returns
    -------
    tuple of datetime.date
        The crew's weekdays, without blocked dates and without its own `away` spans and
        without dates on which it is asked to stay home, in order.

    Examples
    --------
    >>> crew = Crew("Ann", 52.0, -4.0)
    >>> fleet = Fleet("Upland", "Europe/London", (crew,), (), {})
    >>> [day.isoformat() for day in crew_dates(fleet, crew, date(2026, 12, 5), date(2026, 12, 12))]
    ['2026-12-05', '2026-12-06', '2026-12-12']
    """
    barred = (*fleet.blocked, *crew.away)
    days = (first + timedelta(days=step) for step in range((last - first).days + 1))
    return tuple(
        day
        for day in days
        if day.weekday() in crew.weekdays
        and not any(day in span for span in barred)
        and not any(wish.forbids(crew.name, day) for wish in fleet.wishes)
    )


def idle_spans(fleet: Fleet, first: date, last: date) -> list[tuple[date, date]]:
    """
    Return the spans of at least a week in which no crew can go; between the dates of two weeks lies less.

    Parameters
    ----------
    fleet : Fleet
        Its crews, blocked dates and wishes to stay home.
    first, last : datetime.date
        Ends of the season, both included.

    Returns
    -------
    list of (datetime.date, datetime.date)
        First and last day of each span, in order.

    Examples
    --------
    >>> from tripplan.fleet import DateSpan
    >>> crew = Crew("Ann", 52.0, -4.0, away=(DateSpan(date(2026, 12, 12), date(2026, 12, 13)),))
    >>> fleet = Fleet("Upland", "Europe/London", (crew,), (), {})
    >>> idle_spans(fleet, date(2026, 12, 5), date(2026, 12, 11))
    []
    >>> spans = idle_spans(fleet, date(2026, 12, 5), date(2026, 12, 19))
    >>> [(first.isoformat(), last.isoformat()) for first, last in spans]
    [('2026-12-07', '2026-12-18')]
    """
    goes = sorted({day for crew in fleet.crews for day in crew_dates(fleet, crew, first, last)})
    one = timedelta(days=1)
    edges = [first - one, *goes, last + one]
    return [(a + one, b - one) for a, b in pairwise(edges) if (b - a).days > _WEEK_DAYS]


def crews_share_people(a: Crew, b: Crew) -> bool:
    """
    Tell whether two crews have a person in common.

    Parameters
    ----------
    a, b : Crew
        Two crews.

    Returns
    -------
    bool
        Whether a name stands in both, small and capital letters and spaces aside.

    Examples
    --------
    >>> north = Crew("north", 0, 0, people=("Ann Lee",))
    >>> south = Crew("south", 0, 0, people=("ann  lee", "Bo"))
    >>> crews_share_people(north, south)
    True
    """
    return bool(_people(a) & _people(b))


def _people(crew: Crew) -> frozenset[str]:
    return frozenset(" ".join(name.split()).casefold() for name in crew.people)
