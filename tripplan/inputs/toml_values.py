"""Settings of tripplan.toml that are more than a word or a number."""

from __future__ import annotations

from datetime import date, datetime, time
from itertools import pairwise
from typing import Literal

from tripplan.fleet import DateSpan
from tripplan.inputs.cells import CellError, clean_text, parse_angle, parse_clock, parse_date
from tripplan.inputs.toml_table import TomlTable
from tripplan.inputs.words import is_finite

__all__ = ["take_angle", "take_clock", "take_list", "take_spans", "take_twelve"]


def take_angle(table: TomlTable, key: str, axis: Literal["lat", "lon"]) -> float | None:
    """
    Take a required latitude or longitude.

    Parameters
    ----------
    table : TomlTable
        The table.
    key : str
        The setting.
    axis : {"lat", "lon"}
        Which of the two.

    Returns
    -------
    float or None
        None where it is faulty. [deg]
    """
    value = table.use(key)
    if value is None:
        table.fault(
            key, "the setting is missing", f"Write {key} = followed by degrees, for example 48.50333."
        )
        return None
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        table.fault(key, "must be a number", "", value)
        return None
    if not isinstance(value, str) and not is_finite(value):
        table.fault(key, "must be a finite number", "", value)
        return None
    try:
        return parse_angle(clean_text(value) if isinstance(value, str) else f"{value:.12f}", axis)
    except CellError as error:
        table.fault(key, error.problem, error.mend.replace("lat and lon", "base_lat and base_lon"), value)
        return None


def take_clock(table: TomlTable, key: str, default: int) -> int:
    """
    Take a clock time.

    Parameters
    ----------
    table : TomlTable
        The table.
    key : str
        The setting.
    default : int
        Where it is not there or faulty, minutes after midnight. [min]

    Returns
    -------
    int
        Minutes after local midnight. [min]
    """
    value = table.use(key)
    if value is None:
        return default
    text = value
    if isinstance(value, time):
        text = value.isoformat("seconds" if value.second else "minutes")
    if not isinstance(text, str):
        table.fault(key, "must be a clock time", 'Write it as "07:30".', value)
        return default
    try:
        return parse_clock(clean_text(text))
    except CellError as error:
        table.fault(key, error.problem, 'Write it as "07:30".', value)
        return default


def take_spans(table: TomlTable, key: str) -> tuple[DateSpan, ...]:
    """
    Take a list of dates and spans of dates.

    Parameters
    ----------
    table : TomlTable
        The table.
    key : str
        The setting.

    Returns
    -------
    tuple of DateSpan
        In the order of the file, faulty ones left out.
    """
    value = table.use(key)
    if value is None:
        return ()
    items = value if isinstance(value, list) else [value]
    found = []
    for item in items:
        span = _span(item)
        if span is None:
            table.fault(
                key,
                "is neither a date nor a span of dates",
                'Write "2027-02-06" or "2027-02-06/2027-02-21".',
                item,
            )
        elif span.first > span.last:
            table.fault(key, "the span ends before it begins", "Put the earlier date first.", item)
        else:
            found.append(span)
    return tuple(found)


def take_list(table: TomlTable, key: str, low: float, high: float, *, rising: bool) -> tuple[float, ...]:
    """
    Take a list of two or more numbers.

    Parameters
    ----------
    table : TomlTable
        The table.
    key : str
        The setting.
    low, high : float
        The range, ends included.
    rising : bool
        Whether each must lie above the one before it.

    Returns
    -------
    tuple of float
        Empty where it is faulty.
    """
    value = table.use(key)
    if value is None:
        table.fault(key, "the setting is missing", "Give both lists of the curve, or neither.")
        return ()
    if (
        not isinstance(value, list)
        or len(value) < 2
        or any(
            isinstance(item, bool) or not isinstance(item, int | float) or not is_finite(item)
            for item in value
        )
    ):
        table.fault(key, "must be a list of two or more numbers", "", value)
        return ()
    wrong = [item for item in value if not low <= item <= high]
    if wrong:
        table.fault(key, f"each value must lie between {low:g} and {high:g}", "", wrong[0])
        return ()
    if rising and any(after <= before for before, after in pairwise(value)):
        table.fault(
            key, "each value must lie above the one before it", "Put both lists in rising order.", value
        )
        return ()
    return tuple(float(item) for item in value)


def take_twelve(table: TomlTable, key: str, low: float, high: float) -> tuple[float, ...]:
    """
    Take twelve monthly values.

    Parameters
    ----------
    table : TomlTable
        The table.
    key : str
        The setting.
    low, high : float
        The range, ends included.

    Returns
    -------
    tuple of float, length 12
        January first; empty where it is faulty.
    """
    value = table.use(key)
    if value is None:
        table.fault(key, "the setting is missing", "Give twelve numbers, January first.")
        return ()
    if not isinstance(value, list) or any(
        isinstance(item, bool) or not isinstance(item, int | float) or not is_finite(item) for item in value
    ):
        table.fault(key, "must be a list of twelve numbers", "Give twelve numbers, January first.", value)
        return ()
    if len(value) != 12:
        table.fault(
            key, f"there are {len(value)} months instead of twelve", "Give twelve numbers, January first."
        )
        return ()
    wrong = [item for item in value if not low <= item <= high]
    if wrong:
        table.fault(key, f"each month must lie between {low:g} and {high:g}", "", wrong[0])
        return ()
    return tuple(float(item) for item in value)


def _span(item: object) -> DateSpan | None:
    if isinstance(item, datetime):
        return DateSpan(item.date(), item.date())
    if isinstance(item, date):
        return DateSpan(item, item)
    if not isinstance(item, str):
        return None
    ends = [clean_text(part) for part in item.split("/")]
    try:
        days = [parse_date(end) for end in ends if len(end) == 10 and end[4] == "-"]
    except CellError:
        return None
    if len(days) != len(ends) or len(days) > 2:
        return None
    return DateSpan(days[0], days[-1])
