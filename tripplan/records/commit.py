"""
Changes written, undone and brought again: files and journal as one step, under the folder's lock.

`lock` is held by the caller (`holding_records`). Digests taken when the change was worked out are
compared once more just before the files change places, so that what somebody saved meanwhile is noticed.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from tripplan.errors import StorageError
from tripplan.inputs.schema import TABLES
from tripplan.records.journal import (
    JOURNAL_FOLDER,
    Entry,
    FileChange,
    can_redo,
    can_undo,
    entry_path,
    next_number,
)
from tripplan.records.places import refuse_open_elsewhere
from tripplan.records.prepare import Prepared, close_trip, final_values
from tripplan.records.trips import NOT_MADE, PlannedTrip
from tripplan.storage import clear_leavings, content_digest, lock_folder, write_files

__all__ = ["Undoing", "commit", "holding_records", "note_not_made", "prepare_undo", "write_undo"]

_WAIT_S = 30.0


@contextlib.contextmanager
def holding_records(folder: Path) -> Iterator[None]:
    """
    Hold a fleet's folder; wait for another run that records.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.

    Yields
    ------
    None
        While it is held.

    Raises
    ------
    StorageError
        If another run holds it for longer than half a minute.
    """
    with lock_folder(folder, wait_s=_WAIT_S):
        clear_leavings(folder / JOURNAL_FOLDER)
        yield


def commit(prepared: Prepared, *, now: datetime) -> Entry:
    """
    Write a change that has been worked out.

    Parameters
    ----------
    prepared : Prepared
        Without open questions and with files.
    now : datetime.datetime
        For the journal, with offset.

    Returns
    -------
    Entry
        As the journal has it.

    Raises
    ------
    StorageError
        If a file was changed since, is open in a spreadsheet or cannot be written; all is then as before.
    """
    told = prepared.told
    count = len(prepared.changes.visits) + len(prepared.changes.readings)
    what = f"{told.source}: {count} {'record' if count == 1 else 'records'}"
    what += f", trip {told.trip_id}" if told.trip_id not in told.source else ""
    what += f", told by {told.by}" if told.by else ""
    return _write(
        prepared.folder,
        dict(prepared.files or {}),
        dict(prepared.expect or {}),
        lambda number: Entry(
            number,
            now,
            "record",
            what,
            prepared.lines,
            source=told.source,
            by=told.by,
            trip_id=told.trip_id,
            received=told.received,
            digest=told.digest,
            visits=final_values(prepared.changes),
            files=prepared.file_changes,
        ),
    )


def note_not_made(folder: Path, trip: PlannedTrip, *, now: datetime) -> Entry:
    """
    Note that a planned trip was not made.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    trip : PlannedTrip
        The trip.
    now : datetime.datetime
        For the journal, with offset.

    Returns
    -------
    Entry
        As the journal has it.
    """
    files: dict[Path, bytes] = {}
    expect: dict[Path, str] = {}
    changes: list[FileChange] = []
    close_trip(folder, trip, NOT_MADE, files, expect, changes)
    what = f"trip {trip.trip_id} was not made"
    return _write(
        folder,
        files,
        expect,
        lambda number: Entry(
            number, now, "record", what, (what,), trip_id=trip.trip_id, files=tuple(changes)
        ),
    )


@dataclass(frozen=True)
class Undoing:
    """
    A change about to be taken back, or brought again.

    Attributes
    ----------
    entry : Entry
        The change.
    redo : bool
        Whether it is brought again.
    changes : tuple of FileChange
        What is done to the files.
    contents : tuple of bytes or None
        New contents, in the same order; None where the file goes.
    """

    folder: Path
    entry: Entry
    redo: bool
    changes: tuple[FileChange, ...]
    contents: tuple[bytes | None, ...]

    @property
    def lines(self) -> list[str]:
        """What is taken back or brought again, as it was shown when it was made."""
        return list(self.entry.lines) or [self.entry.what]


def prepare_undo(folder: Path, *, redo: bool = False) -> Undoing | None:
    """
    Work out what an undo (or redo) would do.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    redo : bool, default False
        Bring the change that was undone last again.

    Returns
    -------
    Undoing or None
        None where there is nothing to undo.

    Raises
    ------
    StorageError
        If a file was changed since the change, or the journal is damaged; the message says what to do.
    """
    entry = can_redo(folder) if redo else can_undo(folder)
    if entry is None:
        return None
    changes = entry.files if redo else tuple(change.back() for change in entry.files)
    contents = tuple(_changed_content(folder, entry, change, redo=redo) for change in changes)
    return Undoing(folder, entry, redo, changes, contents)


def write_undo(undoing: Undoing, *, now: datetime) -> Entry:
    """
    Take a change back, or bring it again.

    Parameters
    ----------
    undoing : Undoing
        Worked out under the same lock.
    now : datetime.datetime
        For the journal, with offset.

    Returns
    -------
    Entry
        The undo itself, as the journal has it.
    """
    folder, kind = undoing.folder, "redo" if undoing.redo else "undo"
    files = {
        folder / change.name: content
        for change, content in zip(undoing.changes, undoing.contents, strict=True)
    }
    expect = {folder / change.name: change.before for change in undoing.changes}
    return _write(
        folder,
        files,
        expect,
        lambda number: Entry(
            number,
            now,
            kind,
            f"{kind} of change {undoing.entry.number} ({undoing.entry.what})",
            of=undoing.entry.number,
            files=undoing.changes,
        ),
    )


def _changed_content(folder: Path, entry: Entry, change: FileChange, *, redo: bool) -> bytes | None:
    if not _may_be_written(change.name):
        raise StorageError(
            f"{entry_path(folder, entry.number)}: this entry names a file that is none of the records "
            f"({change.name}). It is not obeyed; nothing was changed."
        )
    path = folder / change.name
    current = path.read_bytes() if path.is_file() else None
    digest = "" if current is None else content_digest(current)
    if digest == change.before:
        try:
            made = change.apply(current)
        except ValueError:
            made = None
        if ("" if made is None else content_digest(made)) == change.after:
            return made
        raise StorageError(f"{entry_path(folder, entry.number)}: this entry of the journal is damaged.")
    verb = "brought again" if redo else "taken back"
    what = "is gone" if current is None else "was changed by hand or by another program"
    raise StorageError(
        f"{change.name} {what} since change {entry.number} ({entry.what}), so that change cannot be {verb} "
        "without losing what was done since. Nothing was changed. Mend the rows by hand; what was recorded "
        f"stands in {JOURNAL_FOLDER}/{entry_path(folder, entry.number).name}."
    )


def _may_be_written(name: str) -> bool:
    """Tell whether an entry may name a file: a journal may have come with a folder from elsewhere."""
    head, _, tail = name.rpartition("/")
    if head == JOURNAL_FOLDER:
        return tail.startswith("trip-") and tail.endswith(".json") and "\\" not in tail
    return not head and name.casefold() in {f"{table}.csv" for table in TABLES}


def _write(
    folder: Path,
    files: Mapping[Path, bytes | None],
    expect: Mapping[Path, str],
    make_entry: Callable[[int], Entry],
) -> Entry:
    for path in files:
        refuse_open_elsewhere(path)
    entry = make_entry(next_number(folder))
    path = entry_path(folder, entry.number)
    write_files(
        {**files, path: entry.to_bytes()},
        expect={**expect, path: ""},
        home=folder,
    )
    return entry
