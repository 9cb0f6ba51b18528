"""
When a site may be entered, and whom to ring before.

A row of access.csv holds on its weekdays, in its season, while the local clock shows a time of its
span, ends included, and for its crews (for everyone where it names none). On the day on which the
clocks change this is taken word for word: a clock time that is skipped opens and closes nothing, and one
that comes twice opens or closes both times.

Rows that open are joined; spans that touch become one. Rows that close are then cut out. Work may
end at the very second at which a closed span begins, and begin at the second at which one ends.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from tripplan.clock import MINUTES_PER_DAY, local_moment, moment_to_local
from tripplan.fleet import AccessRule, Fleet, MonthDay, Site

__all__ = ["Contact", "contacts_for", "may_be_visited", "open_spans"]

Span = tuple[int, int]


@dataclass(frozen=True, order=True)
class Contact:
    """
    Someone to ring before a visit.

    Attributes
    ----------
    ring_by : datetime.date
        Last day on which the call is in time.
    text : str
        Who, as access.csv writes it.
    """

    ring_by: date
    text: str


def _month_day(day: date | MonthDay) -> tuple[int, int]:
    """Return month and day of the month, 29 February as the 28th."""
    return (2, 28) if (day.month, day.day) == (2, 29) else (day.month, day.day)


def _in_season(rule: AccessRule, day: date) -> bool:
    first, last = rule.season_from, rule.season_to
    if not isinstance(first, MonthDay) and not isinstance(last, MonthDay):
        return (first is None or first <= day) and (last is None or day <= last)
    if isinstance(first, date) or isinstance(last, date):
        raise TypeError(f"access.csv, row {rule.row}: a season takes two full dates or two days of the year")
    begin = (1, 1) if first is None else _month_day(first)
    end = (12, 31) if last is None else _month_day(last)
    here = _month_day(day)
    return begin <= here <= end if begin <= end else here >= begin or here <= end


def _holds(rule: AccessRule, crew_name: str | None, day: date) -> bool:
    return (
        day.weekday() in rule.weekdays
        and (crew_name is None or not rule.crews or crew_name in rule.crews)
        and _in_season(rule, day)
    )


@lru_cache(maxsize=4096)
def _day_pieces(day: date, zone: ZoneInfo) -> tuple[tuple[int, int, int], ...]:
    """Return (first, last, moment of clock 00:00) of each piece of a day with one offset from UTC. [s]."""
    first, last = local_moment(day, 0, zone), local_moment(day, MINUTES_PER_DAY, zone)
    length = MINUTES_PER_DAY * 60
    if last - first == length:
        return ((first, last, first),)

    def offset(moment: int) -> timedelta | None:
        return moment_to_local(moment, zone).utcoffset()

    low, high = first, last - 1
    if offset(low) == offset(high):  # the clocks changed at midnight itself
        return ((first, last, last - length),)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if offset(middle) == offset(first) else (low, middle)
    return ((first, high, first), (high, last, last - length))


def _clock_spans(day: date, from_minute: int, to_minute: int, zone: ZoneInfo) -> list[Span]:
    """Return when the local clock shows a time between two minutes of a day. [s]."""
    found = [
        (max(first, zero + from_minute * 60), min(last, zero + to_minute * 60))
        for first, last, zero in _day_pieces(day, zone)
    ]
    return [(start, end) for start, end in found if start < end]


def _join(spans: Iterable[Span]) -> list[Span]:
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _cut(spans: Iterable[Span], closed: Iterable[Span]) -> list[Span]:
    left = list(spans)
    for shut_from, shut_to in closed:
        pieces = [
            piece
            for start, end in left
            for piece in ((start, min(end, shut_from)), (max(start, shut_to), end))
        ]
        left = [(start, end) for start, end in pieces if start < end]
    return left


@lru_cache(maxsize=131_072)
def _open_spans(rules: tuple[AccessRule, ...], crew_name: str, day: date, zone: ZoneInfo) -> tuple[Span, ...]:
    holding = [rule for rule in rules if _holds(rule, crew_name, day)]
    spans: dict[bool, list[Span]] = {True: [], False: []}
    for rule in holding:
        spans[rule.is_open] += _clock_spans(day, rule.from_minute, rule.to_minute, zone)
    if not any(rule.is_open for rule in rules):
        spans[True] = _clock_spans(day, 0, MINUTES_PER_DAY, zone)
    return tuple(_cut(_join(spans[True]), spans[False]))


def may_be_visited(fleet: Fleet, site: Site, day: date, *, at_home: bool) -> bool:
    """
    Tell whether a visit on a date would find or bring a device.

    Parameters
    ----------
    fleet : Fleet
        For how many days before ``active_from`` a device is set out.
    site : Site
        A site of the fleet.
    day : datetime.date
        Local date.
    at_home : bool
        Whether the device stands at home and is to be set out.

    Returns
    -------
    bool
        A device that stands is visited from ``active_from`` on, and after ``active_to`` to take it in; one
        that stands at home may be set out some days earlier.
    """
    if site.active_from is None:
        return True
    ahead = fleet.plan.set_out_days if at_home else 0
    return day >= site.active_from - timedelta(days=ahead)


def open_spans(fleet: Fleet, site: Site, crew_name: str, day: date) -> tuple[tuple[int, int], ...]:
    """
    Return when a crew may work at a site on a date.

    Parameters
    ----------
    fleet : Fleet
        The fleet; its `access` knows the site's `access` name.
    site : Site
        A site of the fleet.
    crew_name : str
        Who goes.
    day : datetime.date
        Local date.

    Returns
    -------
    tuple of tuple of int
        Spans of epoch seconds, sorted, joined where they touch; empty where the site is closed, not open to
        this crew, or where no device may be set out yet. Work must begin and end inside one span, ends
        included. [s]
    """
    if not may_be_visited(fleet, site, day, at_home=True):
        return ()
    rules = fleet.access[site.access] if site.access else ()
    return _open_spans(rules, crew_name, day, fleet.zone)


def contacts_for(fleet: Fleet, site: Site, day: date, crew_name: str | None = None) -> tuple[Contact, ...]:
    """
    Return whom to ring before a visit, from the rows that open the site on that date.

    Parameters
    ----------
    fleet : Fleet
        The fleet.
    site : Site
        A site of the fleet.
    day : datetime.date
        Date of the visit.
    crew_name : str, optional
        Leave out the rows that do not hold for this crew.

    Returns
    -------
    tuple of Contact
        Sorted by the last day to ring: the visit's date less `notice_days`, or that date itself where
        no notice is asked. One entry a text, the earliest day. A row that asks for notice without
        saying whom to ring gives the text "whoever grants access NAME".
    """
    soonest: dict[str, date] = {}
    for rule in fleet.access[site.access] if site.access else ():
        if not rule.is_open or not _holds(rule, crew_name, day):
            continue
        if not rule.contact and rule.notice_days is None:
            continue
        text = rule.contact or f"whoever grants access {rule.access}"
        ring_by = day - timedelta(days=rule.notice_days or 0)
        soonest[text] = min(ring_by, soonest.get(text, ring_by))
    return tuple(sorted(Contact(ring_by, text) for text, ring_by in soonest.items()))
