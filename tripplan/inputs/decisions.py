"""What all rows of a column together decide: the decimal sign, the order of day and month."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from tripplan.inputs.cell_text import MINUSES
from tripplan.inputs.cells import DateOrder, split_numeric_date
from tripplan.inputs.findings import list_rows, say_date

__all__ = ["Doubt", "settle_date_order", "settle_decimal_sign"]


@dataclass(frozen=True)
class Doubt:
    """A row that keeps a column from being settled."""

    row: int
    problem: str
    mend: str


def settle_decimal_sign(
    texts: Mapping[int, str], low: float, high: float
) -> tuple[str | None, tuple[Doubt, ...]]:
    """
    Decide whether a column writes decimals with points or commas.

    Parameters
    ----------
    texts : mapping of int to str
        Cells by row, those left out that a workbook holds as numbers.
    low, high : float
        The range in which the column's numbers lie.

    Returns
    -------
    sign : str or None
        ``.`` or ``,``; None where it must be asked.
    doubts : tuple of Doubt
        Why it must be asked.

    Examples
    --------
    >>> settle_decimal_sign({2: "12,5", 3: "1.200,0"}, 0, 5000)
    (',', ())
    >>> settle_decimal_sign({2: "1,200"}, 0, 5000)[0] is None
    True
    """
    if not any("," in text for text in texts.values()):
        return ".", ()
    plain = {row: text.translate(MINUSES) for row, text in texts.items()}
    both = {
        row: text
        for row, text in plain.items()
        if re.fullmatch(r"[-+\d.,]+", text) and {",", "."} <= set(text)
    }
    if both:
        signs = {"," if text.rindex(",") > text.rindex(".") else "." for text in both.values()}
        return ("." if signs == {"."} else ","), ()
    commas = {row: text for row, text in plain.items() if re.fullmatch(r"[+-]?\d*,\d+", text)}
    points = [row for row, text in plain.items() if re.fullmatch(r"[+-]?\d*\.\d+", text)]
    if not commas:
        return ".", ()
    decimal_only = [row for row, text in commas.items() if not re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", text)]
    if decimal_only and points:
        problem = f"the column has decimal commas, but decimal points in {list_rows(points)}"
        return None, tuple(Doubt(row, problem, "Write all its decimals alike.") for row in decimal_only)
    if points:
        return ".", ()
    if decimal_only:
        return ",", ()
    if not all(low <= float(text.replace(",", "")) <= high for text in commas.values()):
        return ",", ()
    if not all(low <= float(text.replace(",", ".")) <= high for text in commas.values()):
        return ".", ()
    first = next(iter(commas.values()))
    mend = f"Write {first.replace(',', '')} or {float(first.replace(',', '.')):g}."
    return None, tuple(
        Doubt(row, "the comma may be a decimal sign or group thousands", mend) for row in commas
    )


def settle_date_order(texts: Mapping[int, str]) -> tuple[DateOrder | None, tuple[Doubt, ...]]:
    """
    Decide whether a column writes the day or the month first.

    Parameters
    ----------
    texts : mapping of int to str
        Cells by row that hold two small numbers and a year.

    Returns
    -------
    order : {"day first", "month first"} or None
        None where it must be asked, and where no cell needs it.
    doubts : tuple of Doubt
        Why it must be asked, or rows that contradict the rest.

    Examples
    --------
    >>> settle_date_order({2: "05/04/2026", 3: "13/04/2026"})
    ('day first', ())
    >>> settle_date_order({2: "05/04/2026"})[0] is None
    True
    """
    parts = {row: split for row, text in texts.items() if (split := split_numeric_date(text)) is not None}
    day_fits = {row for row, (one, two, _, _) in parts.items() if 1 <= one <= 31 and 1 <= two <= 12}
    month_fits = {row for row, (one, two, _, _) in parts.items() if 1 <= one <= 12 and 1 <= two <= 31}
    only_day, only_month = sorted(day_fits - month_fits), sorted(month_fits - day_fits)
    if only_day and only_month:
        problem = (
            f"the column writes some dates day first ({texts[only_day[0]]} in row {only_day[0]}) and "
            f"some month first ({texts[only_month[0]]} in row {only_month[0]})"
        )
        fewer: tuple[DateOrder, list[int]] = (
            ("day first", only_month) if len(only_month) <= len(only_day) else ("month first", only_day)
        )
        return fewer[0], tuple(Doubt(row, problem, "Write all dates as year-month-day.") for row in fewer[1])
    if only_month:
        return "month first", ()
    if only_day or (parts and all(separator == "." for _, _, _, separator in parts.values())):
        return "day first", ()
    unsettled = sorted(row for row in day_fits & month_fits if parts[row][0] != parts[row][1])
    if not unsettled:
        return None, ()
    one, two, year, _ = parts[unsettled[0]]
    if_day, if_month = date(year, two, one), date(year, one, two)
    problem = (
        f"{texts[unsettled[0]]} may be {say_date(if_day)} or {say_date(if_month)}, and no row of the "
        "column settles it"
    )
    mend = (
        f"Write {if_day.isoformat()} or {if_month.isoformat()}, or settle it for all tables in "
        'tripplan.toml: [files] date_order = "day first" or "month first".'
    )
    return None, tuple(Doubt(row, problem, mend) for row in unsettled)
