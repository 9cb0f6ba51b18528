"""
One column at a time: what all its rows together decide, then every cell read.

The decimal sign and the order of day and month are settled per column from all rows. Where two
readings fit every row, nothing is guessed: a fault asks, with an example.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from enum import StrEnum
from typing import Literal, TypeVar

from tripplan.inputs import cells
from tripplan.inputs.cells import CellError, DateOrder
from tripplan.inputs.findings import Findings, did_you_mean, fold, list_rows, say_date
from tripplan.inputs.tables import Cell, RawRow, RawTable

__all__ = ["ColumnReader", "parse_choice", "parse_weekdays", "range_problem"]

T = TypeVar("T")
E = TypeVar("E", bound=StrEnum)

_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_LONG_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_ERROR_VALUES = {"#n/a", "#ref!", "#value!", "#div/0!", "#name?", "#num!", "#null!", "#n/d", "#nv", "#spill!"}
_SHORT_NAMES = {
    "sla": "sealed lead-acid",
    "agm": "sealed lead-acid",
    "vrla": "sealed lead-acid",
    "gel": "sealed lead-acid",
    "lead-acid": "sealed lead-acid",
    "lead acid": "sealed lead-acid",
    "lifepo4": "lithium iron phosphate",
    "lfp": "lithium iron phosphate",
    "life": "lithium iron phosphate",
    "lifes2": "lithium iron disulfide",
    "lithium aa": "lithium iron disulfide",
    "nimh": "nickel metal hydride",
    "ni-mh": "nickel metal hydride",
}


def range_problem(
    number: float, low: float, high: float, *, above: bool = False, what: str = ""
) -> str | None:
    """
    Return what is wrong with a number out of range.

    Parameters
    ----------
    number : float
        Finite.
    low, high : float
        The range, ends included.
    above : bool, default False
        Whether `low` itself is too low.
    what : str, default ""
        Word for the number, put before the rest.

    Returns
    -------
    str or None
        None where nothing is wrong.

    Examples
    --------
    >>> range_problem(0, 0, 60, above=True)
    'must be more than 0 and at most 60'
    """
    if low <= number <= high and not (above and number == low):
        return None
    lead = f"{what} " if what else ""
    if above:
        return f"{lead}must be more than {low:g} and at most {high:.15g}"
    return f"{lead}must lie between {low:g} and {high:.15g}"


def parse_choice(text: str, kind: type[E]) -> E:
    """
    Return the member of an enumeration that a text names.

    Parameters
    ----------
    text : str
        Not blank.
    kind : type of StrEnum
        The words allowed.

    Returns
    -------
    StrEnum
        Compared without case, hyphens and underscores.

    Raises
    ------
    CellError
        If the word is not one of them.

    Examples
    --------
    >>> from tripplan.fleet import Found
    >>> parse_choice("Not_reached", Found)
    <Found.NOT_REACHED: 'not reached'>
    """

    def key(word: str) -> str:
        return fold(word.replace("-", " ").replace("_", " "))

    for member in kind:
        if key(member.value) == key(text):
            return member
    words = [member.value for member in kind]
    short = _SHORT_NAMES.get(fold(text))
    hint = f"Did you mean '{short}'?" if short in words else did_you_mean(text, words)
    raise CellError(f"must be one of {', '.join(words)}", hint)


def parse_weekdays(words: Iterable[str]) -> frozenset[int]:
    """
    Return days of the week as numbers.

    Parameters
    ----------
    words : iterable of str
        ``mon`` to ``sun``, or the full English names, or spans such as ``mon-fri``.

    Returns
    -------
    frozenset of int
        Monday is 0.

    Raises
    ------
    CellError
        If a word is no day.

    Examples
    --------
    >>> sorted(parse_weekdays(["sat", "Sunday"]))
    [5, 6]
    """
    found: set[int] = set()
    for word in words:
        ends = [part.strip().casefold() for part in word.split("-")]
        days = [
            _WEEKDAYS.index(part)
            if part in _WEEKDAYS
            else _LONG_WEEKDAYS.index(part)
            if part in _LONG_WEEKDAYS
            else None
            for part in ends
        ]
        if len(days) > 2 or None in days:
            hint = did_you_mean(word, (*_WEEKDAYS, *_LONG_WEEKDAYS))
            raise CellError(
                f"'{word}' is not a day of the week", hint or "Days are mon, tue, wed, thu, fri, sat, sun."
            )
        first, last = days[0], days[-1]
        if first is None or last is None:
            continue
        found.update((first + step) % 7 for step in range((last - first) % 7 + 1))
    return frozenset(found)


class ColumnReader:
    """
    Reads the columns of one table.

    Parameters
    ----------
    table : RawTable
        The table.
    findings : Findings
        Takes faults and remarks.
    date_order : DateOrder or None
        What the settings say about dates of two small numbers; None: nothing.

    Attributes
    ----------
    bad : set of (int, str)
        Row and column of every cell that was faulty.
    """

    def __init__(self, table: RawTable, findings: Findings, date_order: DateOrder | None = None) -> None:
        self.file = table.file
        self.table = table
        self.rows: tuple[RawRow, ...] = table.rows
        self.bad: set[tuple[int, str]] = set()
        self._findings = findings
        self._date_order = date_order
        self._by_row = {row.number: row for row in table.rows}
        self._note_error_values()

    def keep(self, rows: Iterable[RawRow]) -> None:
        """
        Go on with some of the rows only.

        Parameters
        ----------
        rows : iterable of RawRow
            Rows of this table.
        """
        self.rows = tuple(rows)

    def fault(self, row: int, column: str, problem: str, mend: str = "", *, value: str | None = None) -> None:
        """
        Note a fault of one cell.

        Parameters
        ----------
        row : int
            Row as the spreadsheet counts it.
        column : str
            Column.
        problem, mend : str
            What is wrong, and what to do about it.
        value : str, optional
            What was found, if not the cell's text.
        """
        self.bad.add((row, column))
        found = self.raw(row, column) if value is None else value
        self._findings.fault(self.file, problem, mend, row=row, column=column, value=found or None)

    def raw(self, row: int, column: str) -> str:
        """
        Return a cell's text.

        Parameters
        ----------
        row : int
            Row as the spreadsheet counts it.
        column : str
            Column.

        Returns
        -------
        str
            Empty for a blank cell.
        """
        cell = self._by_row[row].cells.get(column)
        return "" if cell is None else cell.text

    def is_bad(self, row: int, column: str) -> bool:
        """
        Tell whether a cell was faulty.

        Parameters
        ----------
        row : int
            Row as the spreadsheet counts it.
        column : str
            Column.

        Returns
        -------
        bool
            True where a fault was noted.
        """
        return (row, column) in self.bad

    def require(self, column: str) -> None:
        """
        Note a fault for each blank cell of a column.

        Parameters
        ----------
        column : str
            A required column.
        """
        for row in self.rows:
            if column not in row.cells and not self.is_bad(row.number, column):
                self.fault(row.number, column, "the cell is empty", f"Fill in {column}.")

    def read(self, column: str, parse: Callable[[str], T]) -> dict[int, T]:
        """
        Read a column with one parser.

        Parameters
        ----------
        column : str
            Column.
        parse : callable
            From a cell's text to a value; raises `CellError`.

        Returns
        -------
        dict of int to value
            By row; blank and faulty cells are left out.
        """
        found: dict[int, T] = {}
        for number, cell in self._cells(column):
            try:
                found[number] = parse(cell.text)
            except CellError as error:
                self.fault(number, column, error.problem, error.mend)
        return found

    def texts(self, column: str) -> dict[int, str]:
        """
        Read a column of free text.

        Parameters
        ----------
        column : str
            Column.

        Returns
        -------
        dict of int to str
            By row; blank cells are left out.
        """
        return {number: cell.text for number, cell in self._cells(column)}

    def names(self, column: str) -> dict[int, str]:
        """
        Read a column of ids or names, with single spaces inside.

        Parameters
        ----------
        column : str
            Column.

        Returns
        -------
        dict of int to str
            By row; blank cells are left out.
        """
        return {number: " ".join(cell.text.split()) for number, cell in self._cells(column)}

    def choices(self, column: str, kind: type[E]) -> dict[int, E]:
        """
        Read a column of words from a list.

        Parameters
        ----------
        column : str
            Column.
        kind : type of StrEnum
            The words allowed.

        Returns
        -------
        dict of int to StrEnum
            By row; blank and faulty cells are left out.
        """
        return self.read(column, lambda text: parse_choice(text, kind))

    def numbers(
        self, column: str, low: float, high: float, *, above: bool = False, mend: str = ""
    ) -> dict[int, float]:
        """
        Read a column of numbers.

        Parameters
        ----------
        column : str
            Column.
        low, high : float
            The range, ends included.
        above : bool, default False
            Whether `low` itself is too low.
        mend : str, default ""
            What to do about a number out of range.

        Returns
        -------
        dict of int to float
            By row; blank and faulty cells are left out.
        """
        decimal = self._decimal_sign(column, low, high)
        if decimal is None:
            return {}
        found: dict[int, float] = {}
        for number, cell in self._cells(column):
            try:
                value = cells.parse_number(cell.text, "." if cell.typed else decimal)
            except CellError as error:
                self.fault(number, column, error.problem, error.mend)
                continue
            problem = range_problem(value, low, high, above=above)
            if problem:
                self.fault(number, column, problem, mend)
            else:
                found[number] = value
        return found

    def wholes(self, column: str, low: int, high: int) -> dict[int, int]:
        """
        Read a column of whole numbers.

        Parameters
        ----------
        column : str
            Column.
        low, high : int
            The range, ends included.

        Returns
        -------
        dict of int to int
            By row; blank and faulty cells are left out.
        """
        found: dict[int, int] = {}
        for number, value in self.numbers(column, low, high).items():
            if value == int(value):
                found[number] = int(value)
            else:
                self.fault(number, column, "must be a whole number")
        return found

    def angles(self, column: str, axis: Literal["lat", "lon"]) -> dict[int, float]:
        """
        Read a column of latitudes or longitudes.

        Parameters
        ----------
        column : str
            Column.
        axis : {"lat", "lon"}
            What it holds.

        Returns
        -------
        dict of int to float
            By row; blank and faulty cells are left out. [deg]
        """
        found = self.read(column, lambda text: cells.parse_angle(text, axis))
        texts = self.texts(column)
        parts = [row for row in found if not re.fullmatch(r"[+-]?\d+(?:[.,]\d*)?", texts[row])]
        if parts:
            row = parts[0]
            self._findings.remark(
                f"{self.file}, column {column}: angles read, for example {texts[row]} is {found[row]:.5f}."
            )
        commas = [row for row in found if row not in parts and "," in texts[row]]
        if commas:
            self._say_decimal_comma(column, texts[commas[0]], found[commas[0]])
        coarse = [
            row for row in found if row not in parts and len(re.sub(r"^[^.,]*[.,]?", "", texts[row])) < 4
        ]
        typed = {number for number, cell in self._cells(column) if cell.typed}
        coarse = [
            row for row in coarse if row not in typed or len(f"{found[row]:.15g}".partition(".")[2]) < 3
        ]
        if coarse:
            self._findings.remark(
                f"{self.file}, {list_rows(coarse)}, column {column}: fewer than four decimals place "
                "a site only to within 100 m or worse."
            )
        return found

    def dates(self, column: str) -> dict[int, date]:
        """
        Read a column of dates.

        Parameters
        ----------
        column : str
            Column.

        Returns
        -------
        dict of int to datetime.date
            By row; blank and faulty cells are left out.
        """
        order = self._settle_order(column)
        found = self.read(column, lambda text: self._date(text, order))
        self._say_serials(column, found)
        return found

    def timestamps(self, column: str) -> dict[int, datetime]:
        """
        Read a column of dates with clock times.

        Parameters
        ----------
        column : str
            Column.

        Returns
        -------
        dict of int to datetime.datetime
            By row; with an offset only where the cell has one.
        """
        order = self._settle_order(column)

        def parse(text: str) -> datetime:
            return cells.parse_timestamp(text, order or "day first", epoch_1904=self.table.epoch_1904)

        found = self.read(column, parse)
        self._say_serials(column, {row: moment.date() for row, moment in found.items()})
        return found

    def _date(self, text: str, order: DateOrder | None) -> date:
        return cells.parse_date(text, order or "day first", epoch_1904=self.table.epoch_1904)

    def _cells(self, column: str) -> list[tuple[int, Cell]]:
        return [
            (row.number, row.cells[column])
            for row in self.rows
            if column in row.cells and not self.is_bad(row.number, column)
        ]

    def _note_error_values(self) -> None:
        for row in self.table.rows:
            for column, cell in row.cells.items():
                if cell.text.casefold() in _ERROR_VALUES:
                    self.fault(
                        row.number,
                        column,
                        "the spreadsheet shows an error value",
                        "Mend the formula in this cell.",
                    )

    def _decimal_sign(self, column: str, low: float, high: float) -> str | None:
        """Return the column's decimal sign; None after a fault that asks."""
        texts = {number: cell.text for number, cell in self._cells(column) if not cell.typed}
        comma_rows = [row for row, text in texts.items() if re.fullmatch(r"\D?\d*,\d+", text)]
        point_rows = [row for row, text in texts.items() if re.fullmatch(r"\D?\d*\.\d+", text)]
        both = [text for text in texts.values() if "," in text and "." in text]
        if both:
            return "," if both[0].rindex(",") > both[0].rindex(".") else "."
        if not comma_rows:
            return "."
        plain = [row for row in comma_rows if not re.fullmatch(r"\D?[1-9]\d{0,2},\d{3}", texts[row])]
        if plain and point_rows:
            for row in plain:
                self.fault(
                    row,
                    column,
                    f"the column has decimal commas and decimal points (a point in {list_rows(point_rows)})",
                    "Write all its decimals alike.",
                )
            return None
        if point_rows:
            return "."
        if not plain:
            grouped_fits = all(low <= float(texts[row].replace(",", "")) <= high for row in comma_rows)
            decimal_fits = all(low <= float(texts[row].replace(",", ".")) <= high for row in comma_rows)
            if grouped_fits and decimal_fits:
                for row in comma_rows:
                    self.fault(
                        row,
                        column,
                        "the comma may be a decimal sign or group thousands",
                        f"Write {texts[comma_rows[0]].replace(',', '')} or "
                        f"{float(texts[comma_rows[0]].replace(',', '.')):g}.",
                    )
                return None
            if grouped_fits:
                return "."
        row = comma_rows[0]
        self._say_decimal_comma(column, texts[row], float(texts[row].replace(",", ".")))
        return ","

    def _say_decimal_comma(self, column: str, text: str, value: float) -> None:
        self._findings.remark(
            f"{self.file}, column {column}: read with decimal commas, for example {text} is {value:g}."
        )

    def _settle_order(self, column: str) -> DateOrder | None:
        """Return how the column writes day and month; None where no cell needs it or after a fault."""
        parts = {
            number: split
            for number, cell in self._cells(column)
            if (split := cells.split_numeric_date(cell.text)) is not None
        }
        if not parts:
            return None
        first_fits = {row for row, part in parts.items() if 1 <= part[1] <= 12 and 1 <= part[0] <= 31}
        month_fits = {row for row, part in parts.items() if 1 <= part[0] <= 12 and 1 <= part[1] <= 31}
        only_day, only_month = sorted(first_fits - month_fits), sorted(month_fits - first_fits)
        if self._date_order is not None:
            self._say_order(column, self._date_order, parts, "as tripplan.toml says")
            return self._date_order
        if only_day and only_month:
            for row in only_month if len(only_month) <= len(only_day) else only_day:
                self.fault(
                    row,
                    column,
                    "the column writes some dates day first and some month first "
                    f"('{self.raw(only_day[0], column)}' in row {only_day[0]}, "
                    f"'{self.raw(only_month[0], column)}' in row {only_month[0]})",
                    "Write all dates as year-month-day.",
                )
            return "day first" if len(only_month) <= len(only_day) else "month first"
        if only_month:
            return self._say_order(column, "month first", parts)
        if only_day or all(part[3] == "." for part in parts.values()):
            return self._say_order(column, "day first", parts)
        unsettled = sorted(row for row in first_fits & month_fits if parts[row][0] != parts[row][1])
        if unsettled:
            first, second, year, _ = parts[unsettled[0]]
            one, other = date(year, second, first), date(year, first, second)
            for row in unsettled:
                self.fault(
                    row,
                    column,
                    f"'{self.raw(unsettled[0], column)}' may be {say_date(one)} or {say_date(other)}, and no "
                    "row of the column settles it",
                    f"Write {one.isoformat()} or {other.isoformat()}, or add to tripplan.toml [files] with "
                    'date_order = "day first" or "month first".',
                )
        return None

    def _say_order(
        self,
        column: str,
        order: DateOrder,
        parts: Mapping[int, tuple[int, int, int, str]],
        why: str = "",
    ) -> DateOrder:
        for row in sorted(parts, key=lambda row: parts[row][0] <= 12 and parts[row][1] <= 12):
            try:
                day = cells.parse_date(self.raw(row, column), order)
            except CellError:
                continue
            self._findings.remark(
                f"{self.file}, column {column}: read as {order}{', ' + why if why else ''}, for example "
                f"{self.raw(row, column)} is {say_date(day)}."
            )
            break
        return order

    def _say_serials(self, column: str, found: Mapping[int, date]) -> None:
        serials = [row for row in found if re.fullmatch(r"\d{5}(?:[.,]\d+)?", self.raw(row, column))]
        if serials:
            row = serials[0]
            self._findings.remark(
                f"{self.file}, column {column}: a spreadsheet's day numbers read as dates, for example "
                f"{self.raw(row, column)} is {say_date(found[row])}."
            )
