"""Open a user's own table, whatever its kind: CSV with any headings, a workbook, GPX waypoints."""

from __future__ import annotations

import csv
import io
from collections import Counter
from pathlib import Path

from tripplan.errors import Fault, InputError, StorageError
from tripplan.inputs.findings import Findings
from tripplan.inputs.interview import Interview, Question, parse_text
from tripplan.inputs.schema import TableSpec
from tripplan.inputs.sheet_headings import Sheet, lift_sheet
from tripplan.inputs.tables import Grid, header_key, read_csv_grid
from tripplan.inputs.waypoints import read_waypoints
from tripplan.inputs.workbook import read_workbook
from tripplan.storage import read_bytes

__all__ = ["read_sheet"]

_SEPARATORS = (",", ";", "\t")
_LINES_TRIED = 60
_KINDS = "a CSV file (.csv, .tsv, .txt), a workbook (.xlsx) or GPX waypoints (.gpx)"


def read_sheet(path: Path, interview: Interview, findings: Findings) -> Sheet:
    """
    Read a user's own table.

    Parameters
    ----------
    path : pathlib.Path
        CSV, .xlsx or .gpx.
    interview : Interview
        Is asked which sheet of a workbook is meant where several are filled in.
    findings : Findings
        Takes remarks.

    Returns
    -------
    Sheet
        With at least one row.

    Raises
    ------
    InputError
        If the file is of another kind, cannot be understood, or is empty.
    StorageError
        If there is no such file or it may not be read.
    """
    if not path.exists():
        raise StorageError(f"{path}: there is no such file. Give {_KINDS}.")
    kind = path.suffix.casefold()
    if kind == ".gpx":
        return read_waypoints(path)
    if kind in {".csv", ".tsv", ".txt"}:
        grid = read_csv_grid(path, _spec_of(path), findings)
    elif kind in {".xlsx", ".xlsm"}:
        grid = _workbook_grid(path, interview, findings)
    else:
        raise InputError(
            [Fault(path.name, problem="this kind of file is not read", mend=f"Save it as {_KINDS}.")]
        )
    if findings.faults:
        raise InputError(findings.faults)
    if grid is None:
        raise ValueError("no grid and no faults")
    sheet = lift_sheet(grid)
    if sheet is None:
        raise InputError(
            [
                Fault(
                    grid.file,
                    problem="no header row found above rows with numbers",
                    mend="Put one row with a heading for each column above the sites.",
                )
            ]
        )
    if not sheet.rows:
        raise InputError(
            [Fault(grid.file, problem="no rows below the header", mend="Write one row for each site.")]
        )
    return sheet


def _spec_of(path: Path) -> TableSpec:
    """
    Return a table that knows every word of the file, cut at the separator that cuts most evenly.

    The reader finds the separator by the headings it knows; a user's own headings may be anything.
    """
    text = read_bytes(path)[:200_000].decode("utf-8", errors="replace").lstrip("\ufeff")
    best, words = 0.0, frozenset[str]()
    for separator in _SEPARATORS:
        try:
            records = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))[:_LINES_TRIED]
        except csv.Error:
            continue
        widths = Counter(len(record) for record in records if any(record) and len(record) > 1)
        if not widths:
            continue
        width, count = widths.most_common(1)[0]
        score = count + width / 1000
        if score > best:
            best = score
            words = frozenset(header_key(cell) for record in records for cell in record if cell.strip())
    return TableSpec(path.stem, (), tuple(sorted(words)))


def _workbook_grid(path: Path, interview: Interview, findings: Findings) -> Grid | None:
    read_bytes(path)  # says why where it cannot be read
    sheets = read_workbook(path, findings)
    if sheets is None:
        return None
    filled = {sheet.name: sheet.grid for sheet in sheets if not sheet.blank}
    if not filled:
        findings.fault(path.name, "all its sheets are empty", "Write one row for each site.")
        return None
    if len(filled) == 1:
        return next(iter(filled.values()))
    chosen = interview.get(
        Question("sheet", "Which sheet of the workbook lists the sites?", tuple(filled)), parse_text
    )
    interview.raise_faults()
    return filled[chosen] if chosen is not None else None
