"""Where each table of a fleet stands: as CSV, in a workbook, or not at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tripplan.errors import StorageError
from tripplan.inputs.findings import Findings
from tripplan.inputs.schema import TABLES, WORKBOOK
from tripplan.records.csv_text import CsvText
from tripplan.storage import content_digest, read_bytes

__all__ = ["TableFile", "find_table", "refuse_open_elsewhere"]


@dataclass(frozen=True)
class TableFile:
    """
    One table of a folder.

    Attributes
    ----------
    name : str
        Name of the table.
    path : pathlib.Path
        The CSV file, there or to be made.
    data : bytes or None
        What it holds; None where there is no such file.
    workbook : str
        The workbook (and sheet) that holds the table instead; else empty.
    """

    name: str
    path: Path
    data: bytes | None = None
    workbook: str = ""

    @property
    def exists(self) -> bool:
        """Whether the fleet has the table at all."""
        return self.data is not None or bool(self.workbook)

    @property
    def digest(self) -> str:
        """Fingerprint of the CSV file; empty where there is none."""
        return "" if self.data is None else content_digest(self.data)

    def text(self) -> CsvText | None:
        """Return the file to be changed; None where there is none."""
        return None if self.data is None else CsvText(self.path.name, self.data, TABLES[self.name])


def find_table(folder: Path, name: str) -> TableFile:
    """
    Return where a table stands.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder, which has been read without faults.
    name : str
        Name of the table.

    Returns
    -------
    TableFile
        With what it holds.
    """
    by_name = {path.name.casefold(): path for path in sorted(folder.iterdir())}
    path = by_name.get(f"{name}.csv")
    if path is not None:
        return TableFile(name, path, read_bytes(path))
    fresh = folder / f"{name}.csv"
    book = by_name.get(f"{name}.xlsx")
    if book is not None:
        return TableFile(name, fresh, workbook=book.name)
    common = by_name.get(WORKBOOK)
    if common is not None:
        from tripplan.inputs.workbook import read_workbook

        for sheet in read_workbook(common, Findings()) or ():
            if sheet.name.casefold() == name and not sheet.blank:
                return TableFile(name, fresh, workbook=sheet.grid.file)
    return TableFile(name, fresh)


def refuse_open_elsewhere(path: Path) -> None:
    """
    Refuse to write a file that a spreadsheet has open, since it would write its old state over ours.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Raises
    ------
    StorageError
        If a spreadsheet's own mark of an open file lies beside it.
    """
    for mark in (f".~lock.{path.name}#", f"~${path.name}"):
        if (path.parent / mark).exists():
            raise StorageError(
                f"{path.name}: a spreadsheet has this file open (there is {mark} beside it). Save and close "
                "it there, then record again; nothing was changed. If nothing has it open any more, delete "
                "that mark."
            )
