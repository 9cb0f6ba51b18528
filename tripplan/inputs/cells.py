"""
One cell's text to one value.

Every parser takes the text of a cell that is not blank and returns a value or raises
`CellError`, which says what is wrong and how to mend it. What a single cell cannot settle
(the order of day and month, the decimal sign) is decided for the whole column in
`tripplan.inputs.columns` and handed in.
"""

from __future__ import annotations

import math
import re
from datetime import date, datetime, timedelta
from typing import Literal

from tripplan.fleet import MonthDay
from tripplan.inputs.angles import parse_angle
from tripplan.inputs.cell_text import MINUSES, CellError, clean_text

__all__ = [
    "CellError",
    "DateOrder",
    "clean_text",
    "parse_angle",
    "parse_clock",
    "parse_date",
    "parse_month_day",
    "parse_number",
    "parse_timestamp",
    "parse_yes_no",
    "split_numeric_date",
]

DateOrder = Literal["day first", "month first"]

SERIAL_FIRST, SERIAL_LAST = 20_000, 60_000
_EPOCH_1900 = date(1899, 12, 30)
_EPOCH_1904 = date(1904, 1, 1)

_ISO = re.compile(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})")
_COMPACT = re.compile(r"((?:19|2[01])\d{2})(\d{2})(\d{2})")
_NUMERIC = re.compile(r"(\d{1,2})\s*([-/.])\s*(\d{1,2})\s*\2\s*(\d{4})")
_SHORT_YEAR = re.compile(r"\d{1,2}\s*[-/.]\s*\d{1,2}\s*[-/.]\s*\d{2}|.*[A-Za-z].*\b\d{2}")
_NAMED_DAY_FIRST = re.compile(r"(\d{1,2})(?:\.|st|nd|rd|th)?[\s-]*([A-Za-z]+)\.?,?[\s-]*(\d{4})")
_NAMED_MONTH_FIRST = re.compile(r"([A-Za-z]+)\.?[\s-]*(\d{1,2})(?:st|nd|rd|th)?,?[\s-]+(\d{4})")
_PLAIN_NUMBER = re.compile(r"-?[0-9]{1,15}(?:\.[0-9]{1,15})?")
_SERIAL = re.compile(r"(\d{5})(?:[.,](\d+))?")
_CLOCK = re.compile(r"(\d{1,2})[:h.](\d{2})(?::(\d{2})(?:\.\d+)?)?\s*(am|pm)?", re.IGNORECASE)
_OFFSET = re.compile(r"(Z|[+-]\d{2}:?\d{2})$")
_MONTH_NAMES = {
    name: number
    for number, names in enumerate(
        (
            ("jan", "january"),
            ("feb", "february"),
            ("mar", "march"),
            ("apr", "april"),
            ("may",),
            ("jun", "june"),
            ("jul", "july"),
            ("aug", "august"),
            ("sep", "sept", "september"),
            ("oct", "october"),
            ("nov", "november"),
            ("dec", "december"),
        ),
        start=1,
    )
    for name in names
}

_ISO_MEND = "Write the date as year-month-day, for example 2026-04-13."


def parse_number(text: str, decimal: str = ".") -> float:
    """
    Return the number in a cell.

    Parameters
    ----------
    text : str
        Not blank.
    decimal : {".", ","}, default "."
        Decimal sign of the column; the other sign then groups thousands.

    Returns
    -------
    float
        Finite.

    Raises
    ------
    CellError
        If this is no number, or not a finite one.

    Examples
    --------
    >>> parse_number("-3,25", ","), parse_number("1 200")
    (-3.25, 1200.0)
    """
    if decimal == "." and _PLAIN_NUMBER.fullmatch(text):
        return float(text)  # the usual case, and the quick one
    plain = text.translate(MINUSES).replace("'", " ").replace("\u2019", " ")
    group = "," if decimal == "." else "."
    sign = re.escape(decimal)
    thousands = rf"[+-]?\d{{1,3}}(?:[ {re.escape(group)}]\d{{3}})+(?:{sign}\d*)?"
    simple = rf"[+-]?(?:\d+(?:{sign}\d*)?|{sign}\d+)(?:[eE][+-]?\d+)?"
    if re.fullmatch(thousands, plain):
        plain = plain.replace(" ", "").replace(group, "")
    elif not re.fullmatch(simple, plain):
        with_unit = re.match(simple + r"(?=\s*[A-Za-z%\u00b0])", plain)
        if with_unit:
            raise CellError("is not a number", f"Write the number alone, without its unit: {with_unit[0]}.")
        raise CellError("is not a number")
    number = float(plain.replace(decimal, "."))
    if not math.isfinite(number):
        raise CellError("is not a finite number")
    return number


def split_numeric_date(text: str) -> tuple[int, int, int, str] | None:
    """
    Return the parts of a date written as two small numbers and a year.

    Parameters
    ----------
    text : str
        A cell; what follows the date (a clock time) is passed over.

    Returns
    -------
    tuple of (int, int, int, str) or None
        First number, second number, year, separator; None for anything else.

    Examples
    --------
    >>> split_numeric_date("05/04/2026 07:00")
    (5, 4, 2026, '/')
    """
    match = _NUMERIC.match(text)
    if not match:
        return None
    return int(match[1]), int(match[3]), int(match[4]), match[2]


def parse_date(text: str, order: DateOrder = "day first", *, epoch_1904: bool = False) -> date:
    """
    Return the date in a cell.

    Parameters
    ----------
    text : str
        ISO, two numbers and a year, a month's English name, or a spreadsheet's day number.
    order : {"day first", "month first"}, default "day first"
        How the column writes dates of two small numbers and a year.
    epoch_1904 : bool, default False
        Whether the workbook counts its days from 1904.

    Returns
    -------
    datetime.date
        Local to the fleet; a clock time behind the date is left out.

    Raises
    ------
    CellError
        If this is no date.

    Examples
    --------
    >>> parse_date("13.4.2026").isoformat(), parse_date("46125").isoformat()
    ('2026-04-13', '2026-04-13')
    """
    return _split_timestamp(text, order, epoch_1904)[0]


def parse_timestamp(text: str, order: DateOrder = "day first", *, epoch_1904: bool = False) -> datetime:
    """
    Return the date and clock time in a cell.

    Parameters
    ----------
    text : str
        A date as `parse_date` reads it, then blank or ``T`` and a clock time, then an offset if any.
    order : {"day first", "month first"}, default "day first"
        How the column writes dates of two small numbers and a year.
    epoch_1904 : bool, default False
        Whether the workbook counts its days from 1904.

    Returns
    -------
    datetime.datetime
        With an offset only where the cell gives one; without a clock time, midnight.

    Raises
    ------
    CellError
        If this is no date, or the clock time is none.

    Examples
    --------
    >>> parse_timestamp("13/04/2026 7:05").isoformat()
    '2026-04-13T07:05:00'
    """
    day, rest, fraction = _split_timestamp(text, order, epoch_1904)
    start = datetime(day.year, day.month, day.day)  # noqa: DTZ001 - the zone comes from the fleet
    if fraction is not None:
        return start + timedelta(seconds=round(fraction * 86_400))
    rest = rest.lstrip("Tt ,").strip()
    if not rest:
        return start
    zone = None
    offset = _OFFSET.search(rest)
    if offset:
        try:
            zone = datetime.fromisoformat("2000-01-01T00:00" + offset[1]).tzinfo
        except ValueError:
            raise CellError(
                "the offset from UTC cannot be right", "Write it as 2026-04-13T07:05+02:00."
            ) from None
        rest = rest[: offset.start()].strip()
    match = _CLOCK.fullmatch(rest)
    if not match:
        raise CellError("the clock time cannot be read", "Write it as 2026-04-13T07:05.")
    minute = _clock_minutes(match)
    if minute >= 1440:
        raise CellError("the clock time cannot be read", "Write it as 2026-04-13T07:05.")
    moment = start + timedelta(minutes=minute, seconds=int(match[3] or 0))
    return moment.replace(tzinfo=zone)


def _split_timestamp(text: str, order: DateOrder, epoch_1904: bool) -> tuple[date, str, float | None]:
    """Return the date, the text behind it, and a day number's fraction of a day."""
    plain = text.translate(MINUSES)
    serial = _SERIAL.fullmatch(plain)
    if serial:
        number = int(serial[1])
        if not SERIAL_FIRST <= number <= SERIAL_LAST:
            raise CellError("is not a date", _ISO_MEND)
        fraction = float(f"0.{serial[2]}") if serial[2] else 0.0
        return (_EPOCH_1904 if epoch_1904 else _EPOCH_1900) + timedelta(days=number), "", fraction
    for pattern in (_ISO, _COMPACT, _NUMERIC, _NAMED_DAY_FIRST, _NAMED_MONTH_FIRST):
        match = pattern.match(plain)
        rest = plain[match.end() :] if match else ""
        if match is None or (rest and not re.match(r"[Tt\s,]", rest)):
            continue
        if rest and not re.fullmatch(r"[Tt\s,]+\d.*", rest):
            break
        return _date_of(pattern, match, order), rest, None
    if _SHORT_YEAR.fullmatch(plain):
        raise CellError("the year has only two digits", _ISO_MEND)
    raise CellError("is not a date", _ISO_MEND)


def _date_of(pattern: re.Pattern[str], match: re.Match[str], order: DateOrder) -> date:
    if pattern is _ISO:
        year, month, day = int(match[1]), int(match[3]), int(match[4])
    elif pattern is _COMPACT:
        year, month, day = int(match[1]), int(match[2]), int(match[3])
    elif pattern is _NUMERIC:
        first, second, year = int(match[1]), int(match[3]), int(match[4])
        day, month = (first, second) if order == "day first" else (second, first)
    else:
        name, number = (match[2], match[1]) if pattern is _NAMED_DAY_FIRST else (match[1], match[2])
        if name.casefold() not in _MONTH_NAMES:
            raise CellError("is not a date", _ISO_MEND)
        year, month, day = int(match[3]), _MONTH_NAMES[name.casefold()], int(number)
    try:
        found = date(year, month, day)
    except ValueError:
        raise CellError("there is no such day", _ISO_MEND) from None
    if not 1980 <= year <= 2100:
        raise CellError("the year must lie between 1980 and 2100", _ISO_MEND)
    return found


def parse_month_day(text: str) -> MonthDay:
    """
    Return a day of every year.

    Parameters
    ----------
    text : str
        ``MM-DD``, or a day with the month's English name.

    Returns
    -------
    tripplan.fleet.MonthDay
        29 February is given as the 28th.

    Raises
    ------
    CellError
        If this is no day of the year.

    Examples
    --------
    >>> parse_month_day("02-29")
    MonthDay(month=2, day=28)
    """
    plain = text.translate(MINUSES)
    match = re.fullmatch(r"(\d{1,2})-(\d{1,2})", plain)
    if match:
        month, day = int(match[1]), int(match[2])
    else:
        match = re.fullmatch(r"(\d{1,2})\.?[\s-]+([A-Za-z]+)\.?", plain)
        name = match[2].casefold() if match else ""
        if match is None or name not in _MONTH_NAMES:
            raise CellError(
                "is not a day of the year",
                "Write month-day, for example 03-15, or a full date such as 2026-03-15.",
            )
        month, day = _MONTH_NAMES[name], int(match[1])
    try:
        date(2024, month, day)
    except ValueError:
        raise CellError("there is no such day", "Write month-day, for example 03-15.") from None
    return MonthDay(month, 28) if (month, day) == (2, 29) else MonthDay(month, day)


def parse_clock(text: str) -> int:
    """
    Return a clock time as minutes after local midnight.

    Parameters
    ----------
    text : str
        ``HH:MM``; 24:00 is the day's end. A spreadsheet's fraction of a day is read too.

    Returns
    -------
    int
        0 to 1440. [min]

    Raises
    ------
    CellError
        If this is no clock time.

    Examples
    --------
    >>> parse_clock("07:30"), parse_clock("24:00"), parse_clock("0.3125")
    (450, 1440, 450)
    """
    mend = "Write it as 07:30."
    if re.fullmatch(r"0[.,]\d{3,}", text):
        return round(float(text.replace(",", ".")) * 1440)
    match = _CLOCK.fullmatch(text)
    if match is None or "." in text:
        raise CellError("is not a clock time", mend)
    minute = _clock_minutes(match)
    if int(match[3] or 0):
        raise CellError("is not a whole minute", mend)
    return minute


def _clock_minutes(match: re.Match[str]) -> int:
    hours, minutes, half = int(match[1]), int(match[2]), (match[4] or "").casefold()
    if half and not 1 <= hours <= 12:
        raise CellError("is not a clock time", "Write it as 07:30.")
    if half:
        hours = hours % 12 + (12 if half == "pm" else 0)
    if minutes > 59 or hours * 60 + minutes > 1440:
        raise CellError("is not a clock time", "Clock times run from 00:00 to 24:00.")
    return hours * 60 + minutes


def parse_yes_no(text: str) -> bool:
    """
    Return whether a cell says yes.

    Parameters
    ----------
    text : str
        ``yes`` or ``no``, or what spreadsheets make of them.

    Returns
    -------
    bool
        True for yes.

    Raises
    ------
    CellError
        If it says neither.

    Examples
    --------
    >>> parse_yes_no("Yes"), parse_yes_no("FALSE")
    (True, False)
    """
    word = text.casefold()
    if word in {"yes", "y", "true", "1"}:
        return True
    if word in {"no", "n", "false", "0"}:
        return False
    raise CellError("must be yes or no")
