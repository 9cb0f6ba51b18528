"""Files read whole and written whole, one or several as one step."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tripplan.errors import StorageError
from tripplan.storage.errors import storage_error
from tripplan.storage.lock import holds_folder, lock_folder, make_folder
from tripplan.storage.unfinished import (
    BACK_NAME,
    NEW_END,
    NOTE_NAME,
    OLD_END,
    Step,
    content_digest,
    flush_folder,
    note_bytes,
    put_back,
    remove_files,
)

__all__ = ["content_digest", "json_bytes", "read_bytes", "write_files"]


def read_bytes(path: Path) -> bytes:
    """
    Read a whole file.

    Parameters
    ----------
    path : pathlib.Path
        File to read.

    Returns
    -------
    bytes
        What the file holds.

    Raises
    ------
    StorageError
        If the file is missing, is a folder or may not be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise storage_error("cannot be read", path, error) from error


def write_files(
    files: Mapping[Path, bytes | None], *, expect: Mapping[Path, str] | None = None, home: Path | None = None
) -> None:
    """
    Write files so that all are as before or all are complete, whatever happens meanwhile.

    Missing folders are made. Every file is written beside its target and forced to the disk before
    the first is renamed into place; several are announced in their common folder, so that a run which
    dies between two renames is finished by the next one (`lock_folder`, `settle_folder`). If anything
    fails, what was already in place is put back and nothing else is left behind.

    Parameters
    ----------
    files : mapping of pathlib.Path to bytes or None
        Contents by target; None removes the file.
    expect : mapping of pathlib.Path to str, optional
        Digests of targets as they were read, empty for one that was not there. If one is not so any
        more just before the files change places, nothing is written.
    home : pathlib.Path, optional
        Folder above all targets in which several files are announced; their common one where not given.

    Raises
    ------
    StorageError
        If a file cannot be written, or was changed meanwhile; the folders are then as before.
    """
    if not files:
        return
    logical = {Path(os.path.abspath(path)): content for path, content in files.items()}  # noqa: PTH100
    expected = {Path(os.path.abspath(path)): digest for path, digest in (expect or {}).items()}  # noqa: PTH100
    common = Path(os.path.commonpath([path.parent for path in logical]))
    home = common if home is None else Path(os.path.abspath(home))  # noqa: PTH100
    writing = _Writing(home, logical, expected)
    if len(logical) == 1 or holds_folder(home):
        writing.run()
        return
    made: list[Path] = []
    try:
        make_folder(home, made)
    except OSError as error:
        raise storage_error(
            "cannot be written", next(iter(logical)), error, after="Nothing was changed."
        ) from error
    try:
        with lock_folder(home):
            writing.run()
    except BaseException:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def json_bytes(data: Any) -> bytes:
    r"""
    Return JSON as tripplan writes it: UTF-8, indented, a newline at the end.

    Parameters
    ----------
    data : object
        What ``json.dumps`` takes; no NaN.

    Returns
    -------
    bytes
        Ready for `write_files`.

    Examples
    --------
    >>> json_bytes({"name": "Møre"}).decode()
    '{\n "name": "Møre"\n}\n'
    """
    return (json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


class _ChangedMeanwhileError(Exception):
    """A target is not as it was read."""


class _Writing:
    """One call of `write_files`."""

    def __init__(self, home: Path, files: Mapping[Path, bytes | None], expected: Mapping[Path, str]) -> None:
        self.home = home
        self.files = files
        self.expected = expected
        self.real = {path: Path(os.path.realpath(path)) for path in files}
        self.beside: dict[Path, Path] = {}
        self.old: dict[Path, Path | None] = {}
        self.steps: list[Step] = []
        self.made: list[Path] = []
        self.announced = False
        self.renaming = False

    def run(self) -> None:
        at = Path()
        try:
            for at, content in self.files.items():
                target = self.real[at]
                make_folder(target.parent, self.made)
                _refuse_folder(target)
                if content is None:
                    continue
                self.beside[at] = self._near(target, NEW_END)
                _write_through(self.beside[at], content, like=target)
            for at in self.files:
                self.old[at] = self._keep_old(self.real[at])
                self._compare(at, self.old[at])
            at = next(iter(self.files))
            self._announce()
            self.renaming = True
            for at in self.files:
                if at in self.beside:
                    self.beside[at].replace(self.real[at])
                else:
                    self.real[at].unlink(missing_ok=True)
            for at in self.files:  # what was written into the old file itself in the last moment
                self._compare(at, self.old[at])
            for folder in {target.parent for target in self.real.values()}:
                flush_folder(folder)
            if self.announced:
                (self.home / NOTE_NAME).unlink()
                with contextlib.suppress(OSError):  # a note that comes back finds nothing left to do
                    flush_folder(self.home)
        except BaseException as error:
            if self._is_done():
                remove_files(old for old in self.old.values() if old is not None)
                raise
            after = self._back()
            name = os.path.relpath(at, self.home) if len(self.files) > 1 else at.name
            if isinstance(error, _ChangedMeanwhileError):
                raise StorageError(
                    f"{name}: another program changed the file while tripplan was at work. {after} "
                    "Run it again."
                ) from error
            if isinstance(error, OSError):
                raise storage_error("cannot be written", at, error, after=after) from error
            raise  # Ctrl-C: the same clearing up, then the interrupt goes on
        remove_files(old for old in self.old.values() if old is not None)

    def _compare(self, at: Path, old: Path | None) -> None:
        wanted = self.expected.get(at)
        if wanted is None:
            return
        now = "" if old is None else content_digest(old.read_bytes())
        if now != wanted:
            raise _ChangedMeanwhileError

    def _announce(self) -> None:
        for at, content in self.files.items():
            old = self.old[at]
            self.steps.append(
                Step(
                    target=at.relative_to(self.home).as_posix(),
                    new=self.beside[at].name if at in self.beside else "",
                    old="" if old is None else old.name,
                    new_digest="" if content is None else content_digest(content),
                    old_digest="" if old is None else content_digest(old.read_bytes()),
                )
            )
        for folder in {target.parent for target in self.real.values()}:
            flush_folder(folder)
        if len(self.files) == 1:
            return
        note = self.home / NOTE_NAME
        fresh = self._near(note, NEW_END)
        try:
            _write_through(fresh, note_bytes(self.steps), like=note)
            self.announced = True  # from here on a dead run is finished by the next one
            fresh.replace(note)
            flush_folder(self.home)
        finally:
            remove_files([fresh])

    def _near(self, target: Path, ending: str) -> Path:
        """Return a free name on the target's disk, in the folder that the next run looks through."""
        alike = self.home.stat().st_dev == target.parent.stat().st_dev
        folder = self.home if alike else target.parent
        return folder / f".{target.name[:80]}.{secrets.token_hex(4)}{ending}"

    def _keep_old(self, target: Path) -> Path | None:
        if not target.exists():
            return None
        old = self._near(target, OLD_END)
        try:
            os.link(target, old)
        except OSError:  # a disk without hard links
            _write_through(old, target.read_bytes(), like=target)
        return old

    def _is_done(self) -> bool:
        """Tell whether an interrupt came after the last step: then all files are new."""
        return self.announced and self.renaming and not (self.home / NOTE_NAME).exists()

    def _back(self) -> str:
        """Take everything back; return how things stand, as a sentence."""
        note, back = self.home / NOTE_NAME, self.home / BACK_NAME
        try:
            if self.announced and note.exists():
                note.replace(back)
            put_back(self.home, self.steps, [])
            if self.announced:
                back.unlink(missing_ok=True)
        except OSError:
            lost = [step.target for step in self.steps if not self._is_back(step)]
            names = ", ".join(lost) or ", ".join(step.target for step in self.steps)
            return f"{names} could not be put back as before; the next run here tries it again."
        remove_files(self.beside.values())
        remove_files(old for old in self.old.values() if old is not None)
        for folder in reversed(self.made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        return "Nothing was changed."

    def _is_back(self, step: Step) -> bool:
        target, _, _ = step.paths(self.home)
        now = content_digest(target.read_bytes()) if target.exists() else ""
        return now == step.old_digest


def _refuse_folder(path: Path) -> None:
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))


def _write_through(path: Path, content: bytes, like: Path) -> None:
    with path.open("xb") as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())
    if like.exists():
        shutil.copymode(like, path)
