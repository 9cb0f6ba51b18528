"""
From what was told to the bytes of every file, before anything is written.

The files as they would be are read again by the very reader of `tripplan.inputs`; what it would refuse
is not written.
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from tripplan.errors import Fault, InputError
from tripplan.fleet import Cause, Done, Fleet, Found, Reading, VisitRecord
from tripplan.inputs import read_fleet
from tripplan.inputs.find_files import input_files
from tripplan.inputs.schema import TABLES
from tripplan.outputs.plain_text import csv_cell
from tripplan.records.changes import Changes, visit_key, work_out
from tripplan.records.csv_text import CsvText, new_table
from tripplan.records.journal import FileChange, find_recorded
from tripplan.records.pack_book import PackEdit
from tripplan.records.places import TableFile, find_table
from tripplan.records.questions import Answers, Question, contradiction
from tripplan.records.told import Told, visit_values
from tripplan.records.trips import RECORDED, PlannedTrip, find_trip, trip_path
from tripplan.storage import read_bytes

__all__ = ["Prepared", "close_trip", "final_values", "prepare"]

_NO_WORKBOOK = (
    "tripplan does not write into workbooks, where formulas and formats of yours could be lost; nothing was "
    "recorded"
)


@dataclass(frozen=True)
class Prepared:
    """
    A change ready to be written, or the questions that stand before it.

    Attributes
    ----------
    told : Told
        As it came in.
    changes : Changes
        What follows from it.
    trip : PlannedTrip or None
        The planned trip that it tells of.
    files : mapping of pathlib.Path to bytes
        New contents; empty while questions are open or where nothing changes.
    expect : mapping of pathlib.Path to str
        Digests of these files as they were read.
    file_changes : tuple of FileChange
        The same for the journal.
    by_hand : tuple of str
        What has to be entered by hand, since its table stands in a workbook.
    lines : tuple of str
        All that changes, one line each.
    """

    folder: Path
    told: Told
    changes: Changes
    trip: PlannedTrip | None = None
    files: Mapping[Path, bytes] | None = None
    expect: Mapping[Path, str] | None = None
    file_changes: tuple[FileChange, ...] = ()
    by_hand: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()


def prepare(folder: Path, make_told: Callable[[Fleet], Told], answers: Answers, *, today: date) -> Prepared:
    """
    Work out what a record would change.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    make_told : callable
        From the fleet to what was told.
    answers : Answers
        To questions asked before.
    today : datetime.date
        Today, local to the fleet.

    Returns
    -------
    Prepared
        Nothing has been written.

    Raises
    ------
    InputError
        If the folder has faults, what was told cannot be read, or the files would have faults afterwards.
    StorageError
        If a file cannot be read.
    """
    fleet = read_fleet(folder, today)
    received = make_told(fleet)
    told = _as_recorded_before(received, folder)
    if told is not received:
        answers = Answers()  # what was recorded before was answered before
    packs = find_table(folder, "packs")
    trip = find_trip(folder, told.trip_id) if told.trip_id else None
    planned = () if trip is None else tuple(visit.site_id for visit in trip.visits)

    def built(answers: Answers) -> Prepared:
        packs_text = None if packs.workbook else packs.text()
        changes = work_out(fleet, told, answers, today=today, packs_text=packs_text, planned=planned)
        if told.trip_id and trip is None:
            line = f"The plan on file has no trip {told.trip_id}; the results may belong to an older plan."
            changes = replace(changes, remarks=(*changes.remarks, line))
        if changes.questions:
            return Prepared(folder, told, changes, trip)
        return _Builder(folder, fleet, told, changes, trip, packs, packs_text).build(today)

    try:
        return built(answers)
    except _ContradictionError as error:
        question, changes = _ask_about(built, answers, told, error)
        return Prepared(folder, told, replace(changes, questions=(question,)), trip)


class _ContradictionError(InputError):
    """What the reader says of the files as they would be."""


def _ask_about(
    built: Callable[[Answers], Prepared], answers: Answers, told: Told, error: _ContradictionError
) -> tuple[Question, Changes]:
    """Return the question about the first visit with which the reader would refuse the files."""
    visits = sorted(answers.correct(told.visits), key=lambda one: (one.day, one.row))
    without = built(answers.leaving_out(one.row for one in visits)).changes
    for number, visit in enumerate(visits, 1):
        try:
            before = built(answers.leaving_out(one.row for one in visits[number:]))
        except _ContradictionError as found:
            return contradiction(visit, found.faults[0], kept=answers.keeps(visit, "told")), without
        without = before.changes
    raise error


class _Builder:
    """Builds the new contents."""

    def __init__(
        self,
        folder: Path,
        fleet: Fleet,
        told: Told,
        changes: Changes,
        trip: PlannedTrip | None,
        packs: TableFile,
        packs_text: CsvText | None,
    ) -> None:
        self.folder, self.fleet, self.told, self.changes, self.trip = folder, fleet, told, changes, trip
        self.packs, self.packs_text = packs, packs_text
        self.files: dict[Path, bytes] = {}
        self.expect: dict[Path, str] = {}
        self.file_changes: list[FileChange] = []
        self.by_hand: list[str] = []
        self.lines: list[str] = []

    def build(self, today: date) -> Prepared:
        self._visits()
        self._packs()
        self._sites()
        self._jobs()
        self._readings()
        if self.files:
            _read_back(self.folder, self.files, today, self.changes)
        self._close_trip()
        return Prepared(
            self.folder,
            self.told,
            self.changes,
            self.trip,
            self.files,
            self.expect,
            tuple(self.file_changes),
            tuple(self.by_hand),
            tuple(self.lines),
        )

    def _visits(self) -> None:
        visits = self.changes.visits
        if not visits:
            return
        table = find_table(self.folder, "visits")
        if table.workbook:
            self._refuse_workbook(table, [_visit_cells(visit, None) for visit in visits])
        text, fresh = self._text(table)
        replaced = self.changes.replaced or {}
        for visit in visits:
            cells = _visit_cells(visit, text)
            if visit.row in replaced:
                for column, cell in cells.items():
                    if cell:
                        text.set_cell(replaced[visit.row], column, cell)
                self.lines.append(f"visits.csv, row {replaced[visit.row]} becomes: {_visit_line(visit)}")
            else:
                text.add_row(cells)
                self.lines.append(f"visits.csv, new row: {_visit_line(visit)}")
        self._done(table, text, fresh)

    def _packs(self) -> None:
        moves = any(one.done not in (None, Done.LEFT, Done.REPAIRED) for one in self.changes.visits)
        if self.packs.workbook and (moves or any(one.found is Found.MISSING for one in self.changes.visits)):
            mend = f"Save the sheet as {self.packs.path.name}, take it out of the workbook and record again."
            raise InputError([Fault(self.packs.workbook, problem=_NO_WORKBOOK, mend=mend)])
        if not self.changes.packs or self.packs_text is None:
            return
        text = self.packs_text
        for edit in self.changes.packs:
            cells = _pack_cells(edit, text)
            if edit.before is None:
                text.add_row(cells)
            else:
                for column, cell in cells.items():
                    text.set_cell(edit.after.row, column, cell)
            self.lines.append(f"packs.csv, {edit.line}")
        self._done(self.packs, text, None)

    def _sites(self) -> None:
        if not self.changes.sites:
            return
        table = find_table(self.folder, "sites")
        if table.workbook:
            self.by_hand += [f"{table.workbook}, {edit.line}: enter it there." for edit in self.changes.sites]
            return
        text, fresh = self._text(table)
        for edit in self.changes.sites:
            cell = "" if edit.value is None else text.date_text(edit.column, edit.value)
            text.set_cell(edit.row, edit.column, cell)
            for column in edit.emptied:
                text.set_cell(edit.row, column, "")
            self.lines.append(f"sites.csv, {edit.line}")
        self._done(table, text, fresh)

    def _jobs(self) -> None:
        if not self.changes.jobs:
            return
        table = find_table(self.folder, "jobs")
        if table.workbook:
            self.by_hand += [f"{table.workbook}, {edit.line}: enter it there." for edit in self.changes.jobs]
            return
        text, fresh = self._text(table)
        for edit in self.changes.jobs:
            text.set_cell(edit.row, "done_on", text.date_text("done_on", edit.done_on))
            self.lines.append(f"jobs.csv, {edit.line}")
        self._done(table, text, fresh)

    def _readings(self) -> None:
        readings = self.changes.readings
        if not readings:
            return
        table = find_table(self.folder, "readings")
        if table.workbook:
            self._refuse_workbook(table, [_reading_cells(one, None) for one in readings])
        text, fresh = self._text(table)
        for reading in readings:
            text.add_row(_reading_cells(reading, text))
            shown = ", ".join(
                f"{name} {cell}" for name, cell in _reading_cells(reading, None).items() if cell
            )
            self.lines.append(f"readings.csv, new row: {shown}")
        self._done(table, text, fresh)

    def _text(self, table: TableFile) -> tuple[CsvText, bytes | None]:
        """Return the table to be changed, and a header made for it where it was not there."""
        text = table.text()
        if text is not None:
            return text, None
        like = self.packs_text or find_table(self.folder, "sites").text()
        header = new_table(TABLES[table.name].columns, like)
        self.lines.append(f"{table.path.name} is made")
        return CsvText(table.path.name, header, TABLES[table.name]), header

    def _done(self, table: TableFile, text: CsvText, fresh: bytes | None) -> None:
        content, splices = text.result()
        self.files[table.path] = content
        self.expect[table.path] = table.digest
        if fresh is not None:
            self.file_changes.append(FileChange.of(table.path.name, None, content))
        else:
            self.file_changes.append(FileChange.of(table.path.name, table.data, content, splices))

    def _refuse_workbook(self, table: TableFile, rows: Sequence[Mapping[str, str]]) -> None:
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows([rows[0], *(row.values() for row in rows)])
        raise InputError(
            [
                Fault(
                    table.workbook,
                    problem=_NO_WORKBOOK,
                    mend=f"Save the sheet as {table.path.name}, take it out of the workbook and record "
                    f"again; or paste {'this row' if len(rows) == 1 else 'these rows'} into it:\n"
                    + out.getvalue().rstrip("\n"),
                )
            ]
        )

    def _close_trip(self) -> None:
        if self.trip is None or self.trip.answered == RECORDED:
            return
        if self.changes.is_empty and not self.changes.already:
            return
        close_trip(self.folder, self.trip, RECORDED, self.files, self.expect, self.file_changes)
        self.lines.append(f"trip {self.trip.trip_id}: recorded")


def close_trip(
    folder: Path,
    trip: PlannedTrip,
    answer: str,
    files: dict[Path, bytes],
    expect: dict[Path, str],
    file_changes: list[FileChange],
) -> None:
    """Add the file that says what became of a trip."""
    path = trip_path(folder, trip.trip_id)
    before = read_bytes(path) if path.exists() else None
    content = replace(trip, answered=answer).to_bytes()
    change = FileChange.of(path.relative_to(folder).as_posix(), before, content)
    files[path] = content
    expect[path] = change.before
    file_changes.append(change)


def _visit_cells(visit: VisitRecord, text: CsvText | None) -> dict[str, str]:
    cells = {}
    for column, value in visit_values(visit).items():
        if value is None:
            cells[column] = ""
        elif isinstance(value, date):
            cells[column] = value.isoformat() if text is None else text.date_text(column, value)
        elif isinstance(value, str):
            cells[column] = _guarded(column, value)
        else:
            cells[column] = f"{value:g}" if text is None else text.number_text(column, value)
    return cells


def _guarded(column: str, text: str) -> str:
    """Keep spreadsheets from running told text as a formula; names of the user's own stay as they are."""
    return text if column in {"site_id", "found", "cause", "done"} else csv_cell(text)


def _visit_line(visit: VisitRecord) -> str:
    out = " ".join(part for part in (visit.pack_out, _volts(visit.volts_out)) if part)
    into = " ".join(part for part in (visit.pack_in, _volts(visit.volts_in)) if part)
    parts = (
        visit.day.isoformat(),
        visit.site_id,
        f"found {visit.found}" if visit.found else "",
        f"cause {visit.cause}" if visit.cause else "",
        str(visit.done or ""),
        f"out {out}" if out else "",
        f"in {into}" if into else "",
        f"{visit.minutes:g} min" if visit.minutes is not None else "",
        f'"{visit.notes}"' if visit.notes else "",
    )
    return ", ".join(part for part in parts if part)


def _volts(volts: float | None) -> str:
    return "" if volts is None else f"{volts:g} V"


def _pack_cells(edit: PackEdit, text: CsvText) -> dict[str, str]:
    after = edit.after
    cells = {
        "where": after.where,
        "since": "" if after.since is None else text.date_text("since", after.since),
        "state": str(after.state),
    }
    if edit.before is None:
        cells = {"pack_id": csv_cell(after.pack_id), "pack_type": after.pack_type} | cells
    return cells


def _reading_cells(reading: Reading, text: CsvText | None) -> dict[str, str]:
    def number(column: str, value: float | None) -> str:
        if value is None:
            return ""
        return f"{value:g}" if text is None else text.number_text(column, value)

    return {
        "when": f"{reading.when:%Y-%m-%dT%H:%M}",
        "site_id": reading.site_id,
        "volts": number("volts", reading.volts),
        "percent": number("percent", reading.percent),
        "source": reading.source,
        "temp_c": number("temp_c", reading.temp_c),
    }


def _read_back(folder: Path, files: Mapping[Path, bytes], today: date, changes: Changes) -> None:
    """Read the folder as it would be; raise InputError with every fault that it would have."""
    with tempfile.TemporaryDirectory(prefix="tripplan-") as name:
        copy = Path(name)
        for path in input_files(folder):
            if path not in files:
                (copy / path.name).write_bytes(read_bytes(path))
        for path, content in files.items():
            (copy / path.name).write_bytes(content)
        try:
            fleet = read_fleet(copy, today)
        except InputError as error:
            raise _ContradictionError(error.faults) from error
    on_file = {visit_key(one) for one in fleet.visits}
    known = fleet.sites_by_id  # rows of sites that are set aside are not read
    lost = [one for one in changes.visits if one.site_id in known and visit_key(one) not in on_file]
    if lost:
        raise InputError(
            [
                Fault(
                    "visits.csv",
                    values=(_visit_line(visit),),
                    problem="this visit would not be read back as it was told; nothing was recorded",
                    mend="Look at how the file writes its dates and numbers.",
                )
                for visit in lost
            ]
        )


def _as_recorded_before(told: Told, folder: Path) -> Told:
    """Where the very same file was recorded before, return what was made of it then."""
    if not told.digest:
        return told
    same = find_recorded(folder, told.digest)
    if same is None or len(same.visits) != len(told.visits):
        return told
    visits = tuple(
        visit if not made else _visit_of(made, visit.row)
        for visit, made in zip(told.visits, same.visits, strict=True)
    )
    when = f"{same.at:%Y-%m-%d %H:%M}"
    remark = f"{told.source} was recorded on {when} already (change {same.number})."
    return replace(told, visits=visits, remarks=(*told.remarks, remark))


def _visit_of(made: Mapping[str, object], row: int) -> VisitRecord:
    def number(key: str) -> float | None:
        value = made.get(key)
        return float(value) if isinstance(value, int | float) else None

    def word(key: str) -> str:
        return str(made.get(key) or "")

    return VisitRecord(
        day=date.fromisoformat(word("date")),
        site_id=word("site_id"),
        found=Found(word("found")) if word("found") else None,
        cause=Cause(word("cause")) if word("cause") else None,
        done=Done(word("done")) if word("done") else None,
        pack_out=word("pack_out"),
        volts_out=number("volts_out"),
        pack_in=word("pack_in"),
        volts_in=number("volts_in"),
        minutes=number("minutes"),
        notes=word("notes"),
        row=row,
    )


def final_values(changes: Changes) -> tuple[Mapping[str, object], ...]:
    """Return what was made of each visit told, as the journal keeps it; empty for one left out."""
    found = []
    for visit in changes.final:
        values: dict[str, object] = {} if visit is None else dict(visit_values(visit))
        if visit is not None:
            values["date"] = visit.day.isoformat()
        found.append(values)
    return tuple(found)
