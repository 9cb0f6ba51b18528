"""
The journal: one file for every change that tripplan made to the records, so that each can be undone.

``journal/000001.json`` and so on, in the fleet's folder. An entry holds what came in, what was made of
it, and for each file its digest before and after with the exact bytes that went and came. An undo is an
entry of its own, and so is a redo: nothing is ever taken out of the journal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from tripplan.errors import StorageError
from tripplan.records.csv_text import Splice, apply_splices, reverse_splices
from tripplan.storage import content_digest, json_bytes, read_bytes

__all__ = [
    "JOURNAL_FOLDER",
    "Entry",
    "FileChange",
    "can_redo",
    "can_undo",
    "entry_path",
    "find_recorded",
    "next_number",
    "read_journal",
    "standing",
]

JOURNAL_FOLDER = "journal"
_FORMAT = "tripplan-journal/1"
_NAME = re.compile(r"(\d{6,})\.json")


@dataclass(frozen=True)
class FileChange:
    """
    What one change did to one file.

    Attributes
    ----------
    name : str
        Path within the fleet's folder, with slashes.
    before, after : str
        Digests; empty where the file was not, or is no more, there.
    splices : tuple of Splice
        From the content before to the content after.
    """

    name: str
    before: str
    after: str
    splices: tuple[Splice, ...]

    @classmethod
    def of(
        cls, name: str, old: bytes | None, new: bytes | None, splices: Sequence[Splice] = ()
    ) -> FileChange:
        """Return the change from one content to another; without splices all of it changes."""
        if not splices:
            splices = (Splice(0, old or b"", new or b""),)
        return cls(
            name,
            "" if old is None else content_digest(old),
            "" if new is None else content_digest(new),
            tuple(splices),
        )

    def back(self) -> FileChange:
        """Return the change that takes this one back."""
        return FileChange(self.name, self.after, self.before, tuple(reverse_splices(self.splices)))

    def apply(self, content: bytes | None) -> bytes | None:
        """Return the content after the change; None where the file is then not there."""
        made = apply_splices(content or b"", self.splices)
        return made if self.after else None


@dataclass(frozen=True)
class Entry:
    """
    One change.

    Attributes
    ----------
    number : int
        From 1.
    at : datetime.datetime
        When it was made, with offset.
    kind : str
        ``record``, ``undo`` or ``redo``.
    of : int
        The change undone or redone; 0 for ``record``.
    what : str
        One line: what it was.
    lines : tuple of str
        What changed, as it was shown.
    source, by, trip_id, received, digest : str
        Where it came from, as in `tripplan.records.told.Told`.
    visits : tuple of mapping
        The rows of visits.csv that were made of what was told, in its order.
    files : tuple of FileChange
        What was written.
    """

    number: int
    at: datetime
    kind: str
    what: str
    lines: tuple[str, ...] = ()
    of: int = 0
    source: str = ""
    by: str = ""
    trip_id: str = ""
    received: str = ""
    digest: str = ""
    visits: tuple[Mapping[str, Any], ...] = ()
    files: tuple[FileChange, ...] = field(default=())

    def to_bytes(self) -> bytes:
        """Return the entry as its file holds it."""
        return json_bytes(
            {
                "format": _FORMAT,
                "number": self.number,
                "at": self.at.isoformat(timespec="seconds"),
                "kind": self.kind,
                "of": self.of,
                "what": self.what,
                "lines": list(self.lines),
                "source": self.source,
                "by": self.by,
                "trip_id": self.trip_id,
                "digest": self.digest,
                "visits": [dict(visit) for visit in self.visits],
                "received": self.received,
                "files": [
                    {
                        "name": change.name,
                        "before": change.before,
                        "after": change.after,
                        "changes": [
                            # Bytes as the letters of Latin-1, one for one: exact, and mostly readable.
                            {
                                "at": splice.at,
                                "removed": splice.removed.decode("latin-1"),
                                "inserted": splice.inserted.decode("latin-1"),
                            }
                            for splice in change.splices
                        ],
                    }
                    for change in self.files
                ],
            }
        )

    @classmethod
    def from_bytes(cls, data: bytes) -> Entry:
        """Return the entry that a file holds; ValueError, KeyError or TypeError where it holds none."""
        found = json.loads(data)
        if found["format"] != _FORMAT:
            raise ValueError("not an entry of the journal")
        return cls(
            number=int(found["number"]),
            at=datetime.fromisoformat(found["at"]),
            kind=str(found["kind"]),
            of=int(found["of"]),
            what=str(found["what"]),
            lines=tuple(map(str, found["lines"])),
            source=str(found["source"]),
            by=str(found["by"]),
            trip_id=str(found["trip_id"]),
            digest=str(found["digest"]),
            visits=tuple(dict(visit) for visit in found["visits"]),
            received=str(found["received"]),
            files=tuple(
                FileChange(
                    str(change["name"]),
                    str(change["before"]),
                    str(change["after"]),
                    tuple(
                        Splice(
                            int(one["at"]),
                            one["removed"].encode("latin-1"),
                            one["inserted"].encode("latin-1"),
                        )
                        for one in change["changes"]
                    ),
                )
                for change in found["files"]
            ),
        )


def entry_path(folder: Path, number: int) -> Path:
    """Return where an entry stands."""
    return folder / JOURNAL_FOLDER / f"{number:06d}.json"


def read_journal(folder: Path) -> list[Entry]:
    """
    Read all changes.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.

    Returns
    -------
    list of Entry
        Oldest first; empty where nothing was ever recorded.

    Raises
    ------
    StorageError
        If an entry is damaged.
    """
    return [_read(path, read_bytes(path)) for _, path in _paths(folder)]


def next_number(folder: Path) -> int:
    """Return the number of the change to come, in a folder that is held."""
    paths = _paths(folder)
    return 1 + paths[-1][0] if paths else 1


def standing(entries: Sequence[Entry]) -> tuple[list[Entry], list[Entry]]:
    """
    Return which changes stand and which are undone.

    Parameters
    ----------
    entries : sequence of Entry
        The journal, oldest first.

    Returns
    -------
    stand, undone : list of Entry
        The last of `stand` is what an undo takes back; the last of `undone` is what a redo brings again.
    """
    stand: list[Entry] = []
    undone: list[Entry] = []
    by_number = {entry.number: entry for entry in entries}
    for entry in entries:
        if entry.kind == "undo":
            stand = [one for one in stand if one.number != entry.of]
            undone += [by_number[entry.of]] if entry.of in by_number else []
        elif entry.kind == "redo":
            undone = [one for one in undone if one.number != entry.of]
            stand += [by_number[entry.of]] if entry.of in by_number else []
        else:
            stand.append(entry)
            undone = []
    return stand, undone


def can_undo(folder: Path) -> Entry | None:
    """
    Return the change that an undo takes back.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.

    Returns
    -------
    Entry or None
        The last of those that stand; only the end of the journal is read for it.
    """
    undone: dict[int, bool] = {}
    for entry in _backwards(folder):
        if entry.kind == "record":
            if not undone.get(entry.number, False):
                return entry
        else:
            undone.setdefault(entry.of, entry.kind == "undo")
    return None


def can_redo(folder: Path) -> Entry | None:
    """
    Return the change that a redo brings again.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.

    Returns
    -------
    Entry or None
        The one undone last, unless something was recorded since.
    """
    undone: dict[int, bool] = {}
    found: Entry | None = None
    recorded_last = 0
    for entry in _backwards(folder):
        if entry.kind != "record":
            # An undo from before the last record cannot be redone any more.
            undone.setdefault(entry.of, entry.kind == "undo" and entry.number > recorded_last)
            continue
        recorded_last = recorded_last or entry.number
        if not undone.get(entry.number, False):
            break
        found = entry
    return found


def find_recorded(folder: Path, digest: str) -> Entry | None:
    """
    Return the change by which the very same file was recorded and that still stands.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    digest : str
        Fingerprint of what came in.

    Returns
    -------
    Entry or None
        The last such change.
    """
    undone: dict[int, bool] = {}
    for number, path in reversed(_paths(folder)):
        data = read_bytes(path)
        if digest.encode() not in data and b'"kind": "record"' in data:
            continue  # most of them, told by their bytes alone
        entry = _read(path, data)
        if entry.kind != "record":
            undone.setdefault(entry.of, entry.kind == "undo")
        elif entry.digest == digest and not undone.get(number, False):
            return entry
    return None


def _paths(folder: Path) -> list[tuple[int, Path]]:
    place = folder / JOURNAL_FOLDER
    if not place.is_dir():
        return []
    return sorted((int(match[1]), path) for path in place.iterdir() if (match := _NAME.fullmatch(path.name)))


def _backwards(folder: Path) -> Iterator[Entry]:
    for _, path in reversed(_paths(folder)):
        yield _read(path, read_bytes(path))


def _read(path: Path, data: bytes) -> Entry:
    try:
        return Entry.from_bytes(data)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StorageError(
            f"{path}: this entry of the journal is damaged. The records themselves are not touched by "
            "it; put the file back from a copy, or move it away to go on without it."
        ) from error
