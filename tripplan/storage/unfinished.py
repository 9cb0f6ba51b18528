"""
Several renames as one step: the note that announces them, and how the next run ends what was cut off.

The note stands in the common folder of the files from just before the first rename until after the
last. Its two names are its two directions: `NOTE_NAME` means forward, `BACK_NAME` means that the run
was taking its work back. Every step can be repeated, so a run that ends another's work may die as well.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import sys
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath

from tripplan.errors import StorageError

__all__ = [
    "BACK_NAME",
    "NEW_END",
    "NOTE_NAME",
    "OLD_END",
    "Step",
    "content_digest",
    "end_unfinished",
    "flush_folder",
    "is_unfinished",
    "note_bytes",
    "put_back",
    "remove_files",
]

NOTE_NAME = ".tripplan-unfinished"
BACK_NAME = ".tripplan-unfinished-back"
NEW_END = ".tripplan-new"  # written, not yet in its place
OLD_END = ".tripplan-old"  # what stood there before, until all is done

_BESIDE = re.compile(r"\..{1,80}\.[0-9a-f]{8}\.tripplan-(?:new|old)")


@dataclass(frozen=True)
class Step:
    """
    One file of several.

    Attributes
    ----------
    target : str
        Path within the folder, with slashes.
    new, old : str
        Names of its new content and of what stood there (empty for a new file), both in the folder
        itself, or beside a target that a link puts on another disk. `new` is empty for a file that goes.
    new_digest, old_digest : str
        SHA-256 of both, in hexadecimal; empty where there is no such content.
    """

    target: str
    new: str
    old: str
    new_digest: str
    old_digest: str

    def paths(self, folder: Path) -> tuple[Path, Path | None, Path | None]:
        """Return target, new and old as real paths."""
        target = Path(os.path.realpath(folder / self.target))

        def find(name: str) -> Path:
            return folder / name if (folder / name).exists() else target.with_name(name)

        return target, find(self.new) if self.new else None, find(self.old) if self.old else None


def content_digest(data: bytes) -> str:
    """
    Return the fingerprint of a content.

    Parameters
    ----------
    data : bytes
        What a file holds.

    Returns
    -------
    str
        SHA-256, in hexadecimal.
    """
    return hashlib.sha256(data).hexdigest()


def note_bytes(steps: Iterable[Step]) -> bytes:
    """Return the note that announces the steps."""
    text = json.dumps({"format": "tripplan-unfinished/1", "files": [asdict(step) for step in steps]})
    return (text + "\n").encode()


def is_unfinished(folder: Path) -> bool:
    """Tell whether a run was cut off (or is at work) between the files of one write."""
    return (folder / NOTE_NAME).exists() or (folder / BACK_NAME).exists()


def end_unfinished(folder: Path) -> list[Path]:
    """
    Finish or take back what a dead run left between before and after.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of the note; the caller holds its lock.

    Returns
    -------
    list of pathlib.Path
        Copies of files that somebody had changed by hand since; empty in all but odd cases.

    Raises
    ------
    OSError
        If the system refuses a step; the note stays, so that a later run can go on.
    StorageError
        If the note or what it announces is damaged; nothing is changed then.
    """
    kept: list[Path] = []
    forward, back = folder / NOTE_NAME, folder / BACK_NAME
    if back.exists():
        steps = _read_note(back)
        put_back(folder, steps, kept)
        _close(folder, back, steps)
    if forward.exists():
        steps = _read_note(forward)
        if all(_can_go_on(folder, step) for step in steps):
            for step in steps:
                _go_on(folder, step, kept)
            _flush(folder, steps)
        elif all(_can_go_back(folder, step) for step in steps):
            put_back(folder, steps, kept)
        else:
            names = ", ".join(step.target for step in steps)
            raise StorageError(
                f"{forward}: a run of tripplan was cut off while it wrote {names}, and what it had prepared "
                f"is gone, so it can be neither finished nor taken back. Look at these files, then delete "
                f"{NOTE_NAME}."
            )
        _close(folder, forward, steps)
    return kept


def put_back(folder: Path, steps: Sequence[Step], kept: list[Path]) -> None:
    """
    Put the old files back, as far as they have left their places.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of the note.
    steps : sequence of Step
        What was announced.
    kept : list of pathlib.Path
        Takes copies of files that were changed by hand since.

    Raises
    ------
    OSError
        If the system refuses; all other files are tried nevertheless.
    """
    trouble: OSError | None = None
    for step in steps:
        target, _, old = step.paths(folder)
        try:
            now = _digest_at(target)
            if now not in ("", step.new_digest, step.old_digest):
                _keep_copy(target, kept)
            if old is None:
                if now == step.new_digest:
                    target.unlink(missing_ok=True)
            elif old.exists() and now != step.old_digest:
                old.replace(target)
        except OSError as error:
            trouble = trouble or error
    if trouble is not None:
        raise trouble
    _flush(folder, steps)


def _can_go_on(folder: Path, step: Step) -> bool:
    target, new, _ = step.paths(folder)
    if new is None:
        return True
    return _digest_at(new) == step.new_digest or (not new.exists() and _digest_at(target) != step.old_digest)


def _can_go_back(folder: Path, step: Step) -> bool:
    target, _, old = step.paths(folder)
    return old is None or _digest_at(old) == step.old_digest or _digest_at(target) == step.old_digest


def _go_on(folder: Path, step: Step, kept: list[Path]) -> None:
    target, new, _ = step.paths(folder)
    if not (target if new is None else new).exists():
        return
    if _digest_at(target) not in (step.old_digest, step.new_digest):
        _keep_copy(target, kept)
    if new is None:
        target.unlink()
    else:
        new.replace(target)


def _close(folder: Path, note: Path, steps: Sequence[Step]) -> None:
    note.unlink(missing_ok=True)
    flush_folder(folder)
    for step in steps:
        _, new, old = step.paths(folder)
        remove_files(left for left in (new, old) if left is not None)


def _keep_copy(target: Path, kept: list[Path]) -> None:
    """Keep what somebody wrote by hand between the cut-off and now."""
    for number in range(1, 1000):
        copy = target.with_name(f"{target.name}.kept-{number}")
        if not copy.exists():
            shutil.copy2(target, copy)
            kept.append(copy)
            return


def _digest_at(path: Path) -> str:
    try:
        return content_digest(path.read_bytes())
    except FileNotFoundError:
        return ""


def _read_note(path: Path) -> list[Step]:
    try:
        data = json.loads(path.read_bytes())
        steps = [Step(**{key: str(one[key]) for key in Step.__dataclass_fields__}) for one in data["files"]]
        sound = data["format"] == "tripplan-unfinished/1" and all(map(_is_sound, steps))
    except (ValueError, KeyError, TypeError):
        sound = False
    if not sound:
        raise StorageError(
            f"{path}: this note about an unfinished run cannot be read. Look at the files of the folder, "
            "then delete the note."
        )
    return steps


def _is_sound(step: Step) -> bool:
    """Tell whether a step stays in its folder: the note may have come with a folder from elsewhere."""
    target = PurePosixPath(step.target)
    inside = not target.is_absolute() and ".." not in target.parts and "\\" not in step.target
    names = [name for name in (step.new, step.old) if name]
    return inside and all(_BESIDE.fullmatch(name) and "/" not in name for name in names)


def _flush(folder: Path, steps: Iterable[Step]) -> None:
    for place in {step.paths(folder)[0].parent for step in steps}:
        flush_folder(place)


def flush_folder(folder: Path) -> None:
    """Force the names in a folder to the disk."""
    if sys.platform == "win32":
        return
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def remove_files(paths: Iterable[Path]) -> None:
    """Remove files that nobody needs any more; what cannot be removed stays."""
    for path in list(paths):
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
