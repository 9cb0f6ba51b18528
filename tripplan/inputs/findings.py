"""What a reading turns up: faults, remarks, and the nearest known word to a misspelt one."""

from __future__ import annotations

import difflib
import functools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date

from tripplan.errors import Fault

__all__ = ["Findings", "did_you_mean", "fold", "list_rows", "say_date"]

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_MOST_ROWS = 12
# Controls that are no white space, and marks that only turn the reading direction (Unicode UAX 9).
_UNSEEN = re.compile("[\x00-\x08\x0e-\x1b\x7f-\x84\x86-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


@dataclass
class Findings:
    """
    Collects everything found while a folder is read.

    Attributes
    ----------
    faults : list of tripplan.errors.Fault
        What is wrong, in the order found.
    remarks : list of str
        What was decided, and warnings that are no faults.
    """

    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def fault(
        self,
        file: str,
        problem: str,
        mend: str = "",
        *,
        row: int | Sequence[int] | None = None,
        column: str = "",
        value: str | Sequence[str] | None = None,
    ) -> None:
        """
        Note a fault.

        Parameters
        ----------
        file : str
            File (and sheet) as the user knows it.
        problem : str
            What is wrong, as a clause without a full stop.
        mend : str, default ""
            What to do about it, as a full sentence.
        row : int or sequence of int, optional
            Row or rows as the spreadsheet counts them.
        column : str, default ""
            Column or setting.
        value : str or sequence of str, optional
            Value or values found.
        """
        rows = () if row is None else (row,) if isinstance(row, int) else tuple(row)
        values = () if value is None else (value,) if isinstance(value, str) else tuple(value)
        self.faults.append(Fault(file, rows, column, values, problem, mend))

    def remark(self, text: str) -> None:
        """
        Note a remark once.

        Parameters
        ----------
        text : str
            A full sentence that begins with the file.
        """
        if text not in self.remarks:
            self.remarks.append(text)


@functools.lru_cache(maxsize=1 << 16)
def fold(text: str) -> str:
    r"""
    Return a text as names are compared: without case and unseen signs, and with single spaces.

    Parameters
    ----------
    text : str
        An id or a name.

    Returns
    -------
    str
        Only for comparing, never shown.

    Examples
    --------
    >>> fold("  North\u00a0 Gate ") == fold("\u202dnorth\u202c gate")
    True
    """
    return " ".join(_UNSEEN.sub("", text).split()).casefold()


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """
    Return a question that names the nearest known word.

    Parameters
    ----------
    word : str
        What was found.
    known : iterable of str
        What would have been right.

    Returns
    -------
    str
        Empty where nothing is near.

    Examples
    --------
    >>> did_you_mean("walk_metres", ["walk_m", "work_minutes"])
    "Did you mean 'walk_m'?"
    """
    by_key = {fold(name): name for name in known}
    near = difflib.get_close_matches(fold(word), by_key, n=1, cutoff=0.6)
    if not near:
        near = [key for key in by_key if len(key) > 2 and fold(word).startswith(key)][:1]
    return f"Did you mean '{by_key[near[0]]}'?" if near else ""


def list_rows(rows: Sequence[int]) -> str:
    """
    Return row numbers as a user reads them.

    Parameters
    ----------
    rows : sequence of int
        At least one row.

    Returns
    -------
    str
        At most twelve of them and how many more.

    Examples
    --------
    >>> list_rows([4]), list_rows([4, 9])
    ('row 4', 'rows 4, 9')
    """
    if len(rows) == 1:
        return f"row {rows[0]}"
    shown = ", ".join(str(row) for row in rows[:_MOST_ROWS])
    more = len(rows) - _MOST_ROWS
    return f"rows {shown} and {more} more" if more > 0 else f"rows {shown}"


def say_date(day: date) -> str:
    """
    Return a date with the month's name, so that nobody can misread it.

    Parameters
    ----------
    day : datetime.date
        Any date.

    Returns
    -------
    str
        Day, month, year.

    Examples
    --------
    >>> say_date(date(2026, 4, 13))
    '13 April 2026'
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"
