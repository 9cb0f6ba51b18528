"""
The one family of exceptions that tripplan raises on purpose.

::

    TripPlanError
    ├── InputError       something in the user's files: carries every fault found
    ├── NoPlanError      no plan at all can be made: names sites and the limit that binds
    ├── RefusedError     the independent checker refused a plan; nothing was written
    ├── SealError        a passphrase is missing or wrong, or a locked file was changed
    └── StorageError     a file could not be read, written or locked

``ValueError`` and ``TypeError`` mean a bug in the calling code, never a user's mistake.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "Fault",
    "InputError",
    "NoPlanError",
    "RefusedError",
    "SealError",
    "StorageError",
    "TripPlanError",
    "merge_faults",
]

_MOST_ROWS_SHOWN = 12


@dataclass(frozen=True, order=True)
class Fault:
    """
    One thing wrong in one place of the user's files.

    Parameters
    ----------
    file : str
        File name (for a workbook, ``book.xlsx [sheet]``), or the folder.
    rows : tuple of int
        Row numbers as a spreadsheet counts them, the header included; empty where no row applies.
    column : str
        Column or setting name; empty where none applies.
    values : tuple of str
        The values found, as written, one for each row; empty where nothing was found.
    problem : str
        What is wrong, as a clause without a full stop.
    mend : str
        What to do about it, as a full sentence; may be empty.

    Examples
    --------
    >>> print(Fault("sites.csv", (14,), "lat", ("147.21",), "latitude must lie between -90 and 90",
    ...             "Is it the longitude?"))
    sites.csv, row 14, column lat: latitude must lie between -90 and 90 (found '147.21'). Is it the longitude?
    """

    file: str
    rows: tuple[int, ...] = ()
    column: str = ""
    values: tuple[str, ...] = ()
    problem: str = ""
    mend: str = ""

    def __str__(self) -> str:
        """Return the one line that a user reads."""
        where = self.file
        if self.rows:
            where += f", {_rows_text(self.rows)}"
        if self.column:
            where += f", {'setting' if self.file.endswith('.toml') else 'column'} {self.column}"
        found = ""
        if self.values:
            distinct = list(dict.fromkeys(self.values))
            shown = ", ".join(f"'{_shorten(value)}'" for value in distinct[:4])
            more = f" and {len(distinct) - 4} more" if len(distinct) > 4 else ""
            found = f" (found {shown}{more})"
        text = f"{where}: {self.problem}{found}."
        return f"{text} {self.mend}" if self.mend else text


def _shorten(value: str) -> str:
    flat = " ".join(value.split())
    return flat if len(flat) <= 60 else flat[:57] + "..."


def _rows_text(rows: tuple[int, ...]) -> str:
    if len(rows) == 1:
        return f"row {rows[0]}"
    shown = ", ".join(str(row) for row in rows[:_MOST_ROWS_SHOWN])
    more = len(rows) - _MOST_ROWS_SHOWN
    return f"rows {shown} and {more} more" if more > 0 else f"rows {shown}"


def merge_faults(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """
    Join faults that differ only in row and value, so that one fault is one line.

    Parameters
    ----------
    faults : iterable of Fault
        Faults in the order found.

    Returns
    -------
    tuple of Fault
        One fault for each (file, column, problem, mend), in the order first met.

    Examples
    --------
    >>> [str(f) for f in merge_faults([Fault("a.csv", (2,), "x", ("7",), "too big"),
    ...                                Fault("a.csv", (5,), "x", ("9",), "too big")])]
    ["a.csv, rows 2, 5, column x: too big (found '7', '9')."]
    """
    joined: dict[tuple[str, str, str, str], tuple[list[int], list[str]]] = {}
    for fault in faults:
        key = (fault.file, fault.column, fault.problem, fault.mend)
        rows, values = joined.setdefault(key, ([], []))
        rows.extend(fault.rows)
        values.extend(fault.values)
    return tuple(
        Fault(file, tuple(sorted(set(rows))), column, tuple(values), problem, mend)
        for (file, column, problem, mend), (rows, values) in joined.items()
    )


class TripPlanError(Exception):
    """Base of everything that tripplan raises on purpose."""


class InputError(TripPlanError):
    """
    The user's files hold faults; all of them are here.

    Parameters
    ----------
    faults : iterable of Fault
        At least one fault.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = merge_faults(faults)
        if not self.faults:
            raise ValueError("InputError needs at least one fault")
        super().__init__("\n".join(str(fault) for fault in self.faults))


class NoPlanError(TripPlanError):
    """
    No plan at all can be made.

    Parameters
    ----------
    message : str
        The reason in a user's words, with the sum that shows it.
    site_ids : iterable of str
        The sites concerned.
    """

    def __init__(self, message: str, site_ids: Iterable[str] = ()) -> None:
        self.site_ids = tuple(site_ids)
        super().__init__(message)


class RefusedError(TripPlanError):
    """
    The independent checker refused a plan, so that nothing was written from it.

    Parameters
    ----------
    refusals : iterable of str
        Each names the rule that is broken and where.
    """

    def __init__(self, refusals: Iterable[str]) -> None:
        self.refusals = tuple(refusals)
        super().__init__("the plan breaks its own rules:\n" + "\n".join(self.refusals))


class SealError(TripPlanError):
    """A passphrase is missing, wrong or unfit, or a locked file was changed."""


class StorageError(TripPlanError):
    """A file or folder could not be read, written or locked; nothing is half written."""
