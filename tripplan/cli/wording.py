"""Dates, counts and the proof line as a practitioner says them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from tripplan.units import so_many

if TYPE_CHECKING:
    from tripplan.forecast.outlook import Outlook, SiteForecast
    from tripplan.plan.document import Plan

__all__ = [
    "clock",
    "clock_up",
    "count",
    "day",
    "duration",
    "likely_text",
    "packs_text",
    "proof_line",
    "stages_line",
    "weekday",
]

_COARSE_DAYS = 14  # give or take this much, a single day would claim too much


def day(when: date) -> str:
    """
    Return a date.

    Examples
    --------
    >>> day(date(2026, 12, 5))
    '5 Dec 2026'
    """
    return f"{when.day} {when:%b %Y}"


def weekday(when: date) -> str:
    """
    Return a date with its weekday.

    Examples
    --------
    >>> weekday(date(2026, 12, 5))
    'Sat 5 Dec 2026'
    """
    return f"{when:%a} {day(when)}"


def clock(moment: datetime) -> str:
    """
    Return the local clock time, rounded down to the minute.

    Examples
    --------
    >>> clock(datetime(2026, 12, 5, 8, 10, 59))
    '08:10'
    """
    return f"{moment:%H:%M}"


def clock_up(moment: datetime) -> str:
    """
    Return the local clock time, rounded up to the minute.

    Examples
    --------
    >>> clock_up(datetime(2026, 12, 5, 8, 10, 1)), clock_up(datetime(2026, 12, 5, 8, 10))
    ('08:11', '08:10')
    """
    return clock(moment + timedelta(seconds=(60 - moment.second) % 60))


def duration(minutes: float) -> str:
    """
    Return a duration to the minute.

    Examples
    --------
    >>> duration(95.4), duration(45)
    ('1 h 35 min', '45 min')
    """
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


def count(number: int, noun: str, plural: str = "") -> str:
    """
    Return a counted noun.

    Examples
    --------
    >>> count(1, "trip"), count(3, "trip"), count(2, "crew's", "crews'")
    ('1 trip', '3 trips', "2 crews'")
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def likely_text(site: SiteForecast) -> str:
    """
    Return the likely flat date, in weeks rather than days where little is known.

    Parameters
    ----------
    site : SiteForecast
        With early, likely and late dates.

    Returns
    -------
    str
        For example ``5 Dec 2026``, or ``mid-Jan 2027, give or take 3 weeks``.
    """
    from tripplan.forecast.words import NEVER_FLAT

    if any(flag.startswith(NEVER_FLAT) for flag in site.flags):
        return "not within three years"
    if site.at_home:
        return "device at home"
    either_way = (site.flat_late - site.flat_early).days / 2
    if either_way < _COARSE_DAYS:
        return day(site.flat_likely)
    when = site.flat_likely
    part = "early " if when.day <= 10 else "mid-" if when.day <= 20 else "late "
    return f"{part}{when:%b %Y}, give or take {round(either_way / 7)} weeks"


def packs_text(packs: Mapping[str, int]) -> str:
    """
    Return packs by type.

    Examples
    --------
    >>> packs_text({"SLA12": 4, "LFP": 1}), packs_text({})
    ('4 SLA12, 1 LFP', 'none')
    """
    return ", ".join(so_many(number, name) for name, number in packs.items()) or "none"


def proof_line(plan: Plan, outlook: Outlook) -> str:
    """
    Return what was proved about the number of trips, and what that rests on.

    Parameters
    ----------
    plan : Plan
        A checked plan.
    outlook : Outlook
        The forecast it was made for.

    Returns
    -------
    str
        One line.
    """
    from tripplan.plan.proof import proof_text

    return proof_text(plan, outlook)


def stages_line(plan: Plan) -> str:
    """
    Return how near crew time and life thrown away are to the least there can be.

    Parameters
    ----------
    plan : Plan
        A checked plan.

    Returns
    -------
    str
        One line; empty where there is no trip.
    """
    from tripplan.plan.proof import stages_text

    return stages_text(plan)
