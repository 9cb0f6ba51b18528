"""Sheets of an .xlsx workbook as grids of text."""

from __future__ import annotations

import io
import struct
import warnings
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from tripplan.inputs.cells import clean_text
from tripplan.inputs.file_bytes import load_bytes
from tripplan.inputs.findings import Findings
from tripplan.inputs.tables import Cell, Grid

if TYPE_CHECKING:
    from openpyxl.cell import Cell as SheetCell
    from openpyxl.cell import MergedCell
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["BookSheet", "read_workbook"]

#: What a damaged workbook makes the libraries raise; every XML reader's own error is a SyntaxError.
_UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    SyntaxError,
    OSError,
    EOFError,
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    RuntimeError,
)
_DAY = timedelta(days=1)
_FIRST_DAYS = {datetime(1899, 12, 31), datetime(1900, 1, 1), datetime(1904, 1, 2)}  # noqa: DTZ001


@dataclass(frozen=True)
class BookSheet:
    """A sheet's name and what it holds; `blank` for a sheet without any text."""

    name: str
    grid: Grid
    blank: bool


def read_workbook(path: Path, findings: Findings) -> tuple[BookSheet, ...] | None:
    """
    Read all visible sheets of a workbook.

    Parameters
    ----------
    path : pathlib.Path
        An .xlsx file.
    findings : Findings
        Takes faults.

    Returns
    -------
    tuple of BookSheet or None
        In the order of the workbook; None where it cannot be read.
    """
    data = load_bytes(path, findings)
    if data is None:
        return None
    if not data:
        findings.fault(path.name, "the file is empty", "Save the workbook again.")
        return None
    try:
        values, formulas = _load(data, values=True), _load(data, values=False)
    except _UNREADABLE:
        findings.fault(
            path.name,
            "this is not a readable .xlsx workbook",
            "Open it in a spreadsheet, take off a password if it has one, and save it as .xlsx.",
        )
        return None
    sheets = []
    for sheet in values.worksheets:
        if sheet.sheet_state != "visible":
            continue
        grid = _read_sheet(path.name, sheet, formulas[sheet.title], values, findings)
        blank = not any(cell.text for row in grid.rows for cell in row)
        sheets.append(BookSheet(clean_text(sheet.title), grid, blank))
    return tuple(sheets)


def _load(data: bytes, *, values: bool) -> Workbook:
    from openpyxl import load_workbook

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return load_workbook(io.BytesIO(data), data_only=values)


def _read_sheet(
    book: str, sheet: Worksheet, formulas: Worksheet, workbook: Workbook, findings: Findings
) -> Grid:
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    file = f"{book} [{clean_text(sheet.title)}]"
    with_formula: Mapping[tuple[int, int], str] = {
        (cell.row, cell.column): cell.coordinate
        for row in formulas.iter_rows()
        for cell in row
        if cell.data_type == "f" and cell.row is not None and cell.column is not None
    }
    rows = []
    for number, row in enumerate(sheet.iter_rows(), start=1):
        cells = []
        for column, cell in enumerate(row, start=1):
            if cell.value is None and (number, column) in with_formula:
                findings.fault(
                    file,
                    f"the formula in cell {with_formula[number, column]} has no stored result",
                    "Open the workbook in a spreadsheet and save it, or write the value.",
                    row=number,
                )
            cells.append(_cell(cell))
        rows.append(tuple(cells))
    for merged in sheet.merged_cells.ranges:
        top = merged.min_row
        below_title = any(cell.text for cell in rows[top - 1][merged.max_col :]) or any(
            cell.text for cell in rows[top - 1][: merged.min_col - 1]
        )
        if rows[top - 1][merged.min_col - 1].text and below_title:
            findings.fault(
                file,
                f"the cells {merged.coord} are merged, so that only the first of them holds the value",
                "Unmerge them and fill in each.",
                row=top,
            )
    return Grid(file, tuple(rows), workbook.epoch == CALENDAR_MAC_1904)


def _cell(cell: SheetCell | MergedCell) -> Cell:
    value = cell.value
    if value is None:
        return Cell("")
    if isinstance(value, bool):
        return Cell("yes" if value else "no", typed=True)
    if isinstance(value, int | float):
        percent = "percent" if "%" in cell.number_format else ""
        return Cell(f"{value:.15g}", typed=True, shown_as=percent)
    if isinstance(value, datetime):
        yearless = "d" in cell.number_format.casefold() and "y" not in cell.number_format.casefold()
        return Cell(_moment_text(value), typed=True, shown_as="yearless" if yearless else "")
    if isinstance(value, date):
        return Cell(value.isoformat(), typed=True)
    if isinstance(value, time):
        return Cell(value.isoformat("seconds" if value.second else "minutes"), typed=True)
    if isinstance(value, timedelta):
        return Cell(_span_text(value), typed=True)
    return Cell(clean_text(str(value)))


def _moment_text(value: datetime) -> str:
    if value in _FIRST_DAYS:
        return "24:00"
    if value.time() == time(0):
        return value.date().isoformat()
    return value.isoformat(timespec="seconds")


def _span_text(value: timedelta) -> str:
    if not timedelta(0) <= value <= _DAY:
        return str(value)
    hours, rest = divmod(round(value.total_seconds()), 3600)
    return f"{hours:02d}:{rest // 60:02d}" + (f":{rest % 60:02d}" if rest % 60 else "")
