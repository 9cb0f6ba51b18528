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
from tripplan.inputs.decisions import settle_date_order, settle_decimal_sign
from tripplan.inputs.findings import Findings, list_rows, say_date
from tripplan.inputs.tables import Cell, RawRow, RawTable
from tripplan.inputs.words import parse_choice, parse_weekdays, range_problem

__all__ = ["ColumnReader", "parse_weekdays"]

T = TypeVar("T")
E = TypeVar("E", bound=StrEnum)

_ERROR_VALUES = {"#n/a", "#ref!", "#value!", "#div/0!", "#name?", "#num!", "#null!", "#n/d", "#nv", "#spill!"}


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
            if cell.shown_as == "percent" and column == "percent":
                value *= 100.0
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
        epoch = self.table.epoch_1904
        found = self.read(column, lambda text: cells.parse_date(text, order, epoch_1904=epoch))
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
            return cells.parse_timestamp(text, order, epoch_1904=self.table.epoch_1904)

        found = self.read(column, parse)
        self._say_serials(column, {row: moment.date() for row, moment in found.items()})
        return found

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
        sign, doubts = settle_decimal_sign(texts, low, high)
        for doubt in doubts:
            self.fault(doubt.row, column, doubt.problem, doubt.mend)
        commas = [row for row, text in texts.items() if sign == "," and "," in text]
        if commas:
            self._remark_comma(column, texts[commas[0]])
        return sign

    def _remark_comma(self, column: str, text: str) -> None:
        value = _try_number(text)
        if value is not None:
            self._say_decimal_comma(column, text, value)

    def _say_decimal_comma(self, column: str, text: str, value: float) -> None:
        self._findings.remark(
            f"{self.file}, column {column}: read with decimal commas, for example {text} is {value:g}."
        )

    def _settle_order(self, column: str) -> DateOrder:
        """Return how the column writes day and month; of no account where no cell needs it."""
        texts = {number: cell.text for number, cell in self._cells(column)}
        needing = {row: text for row, text in texts.items() if cells.split_numeric_date(text) is not None}
        if self._date_order is not None and needing:
            return self._say_order(column, self._date_order, needing, ", as tripplan.toml says")
        order, doubts = settle_date_order(needing)
        for doubt in doubts:
            self.fault(doubt.row, column, doubt.problem, doubt.mend)
        if order is None:
            return "day first"
        return order if doubts else self._say_order(column, order, needing)

    def _say_order(self, column: str, order: DateOrder, texts: Mapping[int, str], why: str = "") -> DateOrder:
        """Remark on the order, with the example that shows it best."""
        found = {row: day for row, text in texts.items() if (day := _try_date(text, order)) is not None}
        telling = sorted(found, key=lambda row: (found[row].day <= 12, row))
        if telling:
            row = telling[0]
            self._findings.remark(
                f"{self.file}, column {column}: read as {order}{why}, for example {texts[row]} is "
                f"{say_date(found[row])}."
            )
        return order

    def _say_serials(self, column: str, found: Mapping[int, date]) -> None:
        serials = [row for row in found if re.fullmatch(r"\d{5}(?:[.,]\d+)?", self.raw(row, column))]
        if serials:
            row = serials[0]
            self._findings.remark(
                f"{self.file}, column {column}: a spreadsheet's day numbers read as dates, for example "
                f"{self.raw(row, column)} is {say_date(found[row])}."
            )


def _try_date(text: str, order: DateOrder) -> date | None:
    try:
        return cells.parse_date(text, order)
    except CellError:
        return None


def _try_number(text: str) -> float | None:
    try:
        return cells.parse_number(text, ",")
    except CellError:
        return None
