"""
A table of the user's, as text with row numbers: CSV or a sheet of a workbook.

Row numbers are those that a spreadsheet shows: a quoted cell with line breaks is one row, a blank
line is a row. Nothing is interpreted here but the header.
"""

from __future__ import annotations

import contextlib
import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripplan.inputs.cells import clean_text
from tripplan.inputs.file_bytes import load_bytes
from tripplan.inputs.findings import Findings, did_you_mean, fold, list_rows
from tripplan.inputs.schema import TableSpec

__all__ = [
    "Cell",
    "CsvLayout",
    "Grid",
    "RawRow",
    "RawTable",
    "csv_grid",
    "find_header",
    "header_key",
    "read_csv_grid",
    "read_layout",
    "split_grid",
]

_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_HEADER_WITHIN = 40  # rows from the top in which a header is looked for
_CP1252_HOLES = b"\x81\x8d\x8f\x90\x9d"


@dataclass(frozen=True)
class Cell:
    """
    One cell.

    Attributes
    ----------
    text : str
        What it says, without space around it; empty for a blank cell.
    typed : bool
        True for a true number, date or time of a workbook: its text is then certain.
    shown_as : str
        ``percent`` for a number and ``yearless`` for a date that the workbook shows so.
    """

    text: str
    typed: bool = False
    shown_as: str = ""


@dataclass(frozen=True)
class Grid:
    """
    All rows of a sheet, from the first.

    Attributes
    ----------
    file : str
        File, and sheet for a workbook, as messages name it.
    rows : tuple of tuple of Cell
        Entry k is row k + 1 of the spreadsheet.
    epoch_1904 : bool
        Whether the workbook counts its days from 1904.
    """

    file: str
    rows: tuple[tuple[Cell, ...], ...]
    epoch_1904: bool = False


@dataclass(frozen=True)
class RawRow:
    """A row below the header; `cells` by column key, blank cells left out."""

    number: int
    cells: dict[str, Cell]


@dataclass(frozen=True)
class RawTable:
    """
    A table with its header found.

    Attributes
    ----------
    spec : TableSpec
        What the table may hold.
    columns : tuple of str
        Known columns present.
    rows : tuple of RawRow
        Rows that are not blank.
    spoilt : tuple of RawRow
        Rows left out after a fault: more cells than the header has columns.
    """

    file: str
    spec: TableSpec
    header_row: int
    columns: tuple[str, ...]
    rows: tuple[RawRow, ...]
    epoch_1904: bool = False
    spoilt: tuple[RawRow, ...] = ()


def header_key(text: str) -> str:
    """
    Return a heading as column names are compared.

    Parameters
    ----------
    text : str
        A heading.

    Returns
    -------
    str
        Lower case, with underscores for spaces and hyphens.

    Examples
    --------
    >>> header_key(" Site ID")
    'site_id'
    """
    return "_".join(fold(clean_text(text)).replace("-", " ").split())


def find_header(rows: Sequence[Sequence[Cell]], spec: TableSpec) -> int | None:
    """
    Return the index of the header row.

    Parameters
    ----------
    rows : sequence of sequence of Cell
        From the first row of the sheet.
    spec : TableSpec
        Names the known columns.

    Returns
    -------
    int or None
        The first row with three known names, else the first with two; None without one.
    """
    known = set(spec.columns)
    counts = [len(known.intersection(header_key(cell.text) for cell in row)) for row in rows[:_HEADER_WITHIN]]
    for least in (3, 2):
        for index, count in enumerate(counts):
            if count >= least:
                return index
    return None


def read_csv_grid(path: Path, spec: TableSpec, findings: Findings) -> Grid | None:
    """
    Read a CSV file of any of the usual encodings and separators.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    spec : TableSpec
        Names the known columns, by which the separator is found.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    Grid or None
        None where a fault was noted.
    """
    data = load_bytes(path, findings)
    return None if data is None else csv_grid(path.name, data, spec, findings)


def csv_grid(name: str, data: bytes, spec: TableSpec, findings: Findings) -> Grid | None:
    """
    Return the cells of a CSV file whose bytes are at hand.

    Parameters
    ----------
    name : str
        How messages name the file.
    data : bytes
        What it holds.
    spec : TableSpec
        Names the known columns, by which the separator is found.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    Grid or None
        None where a fault was noted.
    """
    layout = read_layout(name, data, spec, findings)
    if layout is None:
        return None
    if layout.separator != ",":
        separated = _SEPARATORS.get(layout.separator, repr(layout.separator))
        findings.remark(f"{name}: cells are separated by {separated}.")
    rows = tuple(tuple(Cell(clean_text(cell)) for cell in record) for record in layout.records)
    return Grid(name, rows)


@dataclass(frozen=True)
class CsvLayout:
    """
    How a CSV file is written.

    Attributes
    ----------
    text : str
        All of it, without a byte order mark.
    encoding : str
        Python's name; ``utf-8-sig`` for UTF-8 with or without a byte order mark.
    body_at : int
        Where the rows begin in the text: behind a first line ``sep=;``.
    records : list of list of str
        Cells as written, before any cleaning.
    """

    text: str
    encoding: str
    separator: str
    body_at: int
    records: list[list[str]]


def read_layout(name: str, data: bytes, spec: TableSpec, findings: Findings) -> CsvLayout | None:
    """
    Find out how a CSV file is written.

    Parameters
    ----------
    name : str
        How messages name the file.
    data : bytes
        What it holds.
    spec : TableSpec
        Names the known columns, by which the separator is found.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    CsvLayout or None
        None where a fault was noted.
    """
    decoded = _decode(name, data, findings)
    if decoded is None:
        return None
    whole, encoding = decoded
    if not whole.strip():
        findings.fault(name, "the file is empty", f"Give it a header row: {', '.join(spec.required)}.")
        return None
    separators, text = list(_SEPARATORS), whole
    first, _, rest = whole.partition("\n")
    if first.strip().casefold().startswith("sep=") and len(first.strip()) == 5:
        separators, text = [first.strip()[4]], rest
    best: tuple[int, int, str, list[list[str]]] | None = None
    problem: csv.Error | None = None
    for place, separator in enumerate(separators):
        try:
            with _any_length(text):
                records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
        except csv.Error as error:
            problem = error
            continue
        known = set(spec.columns)
        score = max(
            (len(known.intersection(map(header_key, record))) for record in records[:_HEADER_WITHIN]),
            default=0,
        )
        if best is None or score > best[0]:
            best = (score, -place, separator, records)
    if best is None or (best[0] < 2 and problem is not None):
        row = _broken_quote_row(text, separators[0])
        findings.fault(
            name,
            "quotation marks do not close",
            "Double a quotation mark inside a quoted cell, or take the marks away.",
            row=row,
        )
        return None
    _, _, separator, records = best
    return CsvLayout(whole, encoding, separator, len(whole) - len(text), records)


@contextlib.contextmanager
def _any_length(text: str) -> Iterator[None]:
    """Let one cell be as long as the whole text; the reader's own limit is 131 072 characters."""
    before = csv.field_size_limit(max(len(text), 1))
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _broken_quote_row(text: str, separator: str) -> int:
    """Return the row in which strict reading of the quotation marks fails."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    row = 0
    try:
        with _any_length(text):
            for row, _ in enumerate(reader, start=1):  # noqa: B007 - the count is what is wanted
                pass
    except csv.Error:
        pass
    return row + 1


def _decode(name: str, data: bytes, findings: Findings) -> tuple[str, str] | None:
    """Return text and encoding; None after a fault."""
    if data[:4] == b"PK\x03\x04":
        findings.fault(
            name,
            "this is a workbook, not a CSV file",
            f"Rename it to {Path(name).stem}.xlsx, or save it as CSV.",
        )
        return None
    if data[:4] == b"\xd0\xcf\x11\xe0":
        findings.fault(name, "this is an old workbook (.xls)", "Save it as .xlsx or as CSV.")
        return None
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        encoding = "utf-16"
    elif b"\x00" in data:
        findings.fault(name, "this is not a text file", "Save it as CSV in UTF-8.")
        return None
    else:
        encoding = "utf-8-sig"
    try:
        return data.decode(encoding), encoding
    except UnicodeDecodeError as error:
        at = error.start
    if encoding == "utf-16":
        findings.fault(name, "the text begins as UTF-16 but breaks off", "Save it as CSV in UTF-8.")
        return None
    if any(byte in _CP1252_HOLES for byte in data):
        row = data[:at].count(b"\n") + 1
        findings.fault(
            name, f"the text is neither UTF-8 nor Windows-1252 (line {row})", "Save it as CSV in UTF-8."
        )
        return None
    findings.remark(f"{name}: not UTF-8; read as Windows-1252 (Western European).")
    return data.decode("cp1252"), "cp1252"


def split_grid(grid: Grid, spec: TableSpec, findings: Findings) -> RawTable | None:
    """
    Find the header of a sheet and sort the cells below it under their columns.

    Parameters
    ----------
    grid : Grid
        The sheet.
    spec : TableSpec
        What the table may hold.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    RawTable or None
        None where no header was found or it lacks a required column.
    """
    at = find_header(grid.rows, spec)
    if at is None:
        findings.fault(
            grid.file,
            "no header row found",
            f"One row must name the columns; needed are {', '.join(spec.required)}.",
        )
        return None
    header = [header_key(cell.text) for cell in grid.rows[at]]
    shown = [cell.text for cell in grid.rows[at]]
    header_row = at + 1
    if at > 0 and any(cell.text for row in grid.rows[:at] for cell in row):
        findings.remark(f"{grid.file}: the header is row {header_row}; what stands above it was not read.")
    complete = _check_header(grid.file, header, shown, header_row, spec, findings)
    columns = tuple(name for name in header if name in spec.columns)
    rows: list[RawRow] = []
    spoilt: list[RawRow] = []
    unheaded: list[int] = []
    for number, cells in enumerate(grid.rows[header_row:], start=header_row + 1):
        if not any(cell.text for cell in cells):
            continue
        under = list(zip(header, cells, strict=False))
        row = RawRow(number, {name: cell for name, cell in under if name in spec.columns and cell.text})
        extra = [cell.text for cell in cells[len(header) :] if cell.text]
        if extra:
            findings.fault(
                grid.file,
                f"the row has more cells than the header has columns ({len(header)})",
                "Put quotation marks around a cell that holds the separator; a decimal comma such as 48,5 "
                "splits a number in two.",
                row=number,
                value=extra[-1],
            )
            spoilt.append(row)
            continue
        if any(cell.text and not name for name, cell in under):
            unheaded.append(number)
        rows.append(row)
    if unheaded:
        findings.remark(f"{grid.file}, {list_rows(unheaded)}: a column without a heading was not read.")
    if not complete:
        return None
    return RawTable(grid.file, spec, header_row, columns, tuple(rows), grid.epoch_1904, tuple(spoilt))


def _check_header(
    file: str, header: list[str], shown: list[str], row: int, spec: TableSpec, findings: Findings
) -> bool:
    """Note missing, doubled and unknown columns; tell whether the table can be read."""
    complete = True
    unknown = [
        (key, text) for key, text in zip(header, shown, strict=True) if key and key not in spec.columns
    ]
    for name in spec.required:
        if name in header:
            continue
        complete = False
        near = [text for key, text in unknown if name in did_you_mean(key, spec.columns)]
        mend = f"Is '{near[0]}' this column? Then rename it to {name}." if near else f"Add a column {name}."
        findings.fault(file, f"the column {name} is missing", mend, row=row)
    for name, count in Counter(key for key in header if key in spec.columns).items():
        if count > 1:
            complete = False
            findings.fault(
                file, "the heading stands more than once", "Keep one of the columns.", row=row, column=name
            )
    for key, text in unknown:
        hint = did_you_mean(key, [name for name in spec.columns if name not in header])
        findings.remark(f"{file}, column {text}: not known, so it was not read.{' ' + hint if hint else ''}")
    return complete
