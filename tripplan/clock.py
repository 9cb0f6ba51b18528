"""
Clock times: the only place where a local date and clock become a moment.

Moments are whole seconds since 1970-01-01T00:00Z ("epoch seconds"), so that durations are
plain differences even on the night on which the clocks change.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

__all__ = ["MINUTES_PER_DAY", "day_words", "local_moment", "moment_to_local"]

MINUTES_PER_DAY = 1440


def local_moment(day: date, minute: float, zone: ZoneInfo) -> int:
    """
    Return the moment at which a local clock shows a minute of a day.

    Parameters
    ----------
    day : datetime.date
        Local date.
    minute : float
        Minutes on the clock after local midnight, 0 to 1440; 1440 is the next midnight. [min]
    zone : zoneinfo.ZoneInfo
        Time zone of the fleet.

    Returns
    -------
    int
        Epoch seconds, rounded to the nearest second. [s]

    Raises
    ------
    ValueError
        If `minute` lies outside 0 to 1440.

    Examples
    --------
    >>> local_moment(date(2026, 7, 1), 450, ZoneInfo("Europe/Paris"))
    1782883800
    """
    if not 0 <= minute <= MINUTES_PER_DAY:
        raise ValueError(f"minute must lie between 0 and {MINUTES_PER_DAY}, not {minute}")
    if minute == MINUTES_PER_DAY:
        day, minute = day + timedelta(days=1), 0
    seconds = round(minute * 60)
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    clock = datetime(day.year, day.month, day.day, hours, minutes, seconds, tzinfo=zone)
    return round(clock.timestamp())


def moment_to_local(moment: float, zone: ZoneInfo) -> datetime:
    """
    Return the local date and clock time of a moment.

    Parameters
    ----------
    moment : float
        Epoch seconds. [s]
    zone : zoneinfo.ZoneInfo
        Time zone of the fleet.

    Returns
    -------
    datetime.datetime
        With the zone attached; ``isoformat()`` shows the offset.

    Examples
    --------
    >>> moment_to_local(1782883800, ZoneInfo("Europe/Paris")).isoformat()
    '2026-07-01T07:30:00+02:00'
    """
    return datetime.fromtimestamp(moment, tz=UTC).astimezone(zone)


def day_words(day: date) -> str:
    """
    Return a date as people say it.

    Parameters
    ----------
    day : datetime.date
        Any.

    Returns
    -------
    str
        With its weekday.

    Examples
    --------
    >>> day_words(date(2026, 12, 5))
    'Sat 5 Dec 2026'
    """
    return f"{day:%a} {day.day} {day:%b %Y}"
