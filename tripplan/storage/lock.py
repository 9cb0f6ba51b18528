"""One run at a time in a folder, and what a dead run left there is ended first."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO

from tripplan.errors import StorageError
from tripplan.storage.errors import storage_error
from tripplan.storage.unfinished import NEW_END, OLD_END, end_unfinished, is_unfinished, remove_files

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["LOCK_NAME", "clear_leavings", "holds_folder", "lock_folder", "make_folder", "settle_folder"]

LOCK_NAME = ".tripplan.lock"

_BETWEEN_TRIES_S = 0.05
_SETTLE_WAIT_S = 20.0  # a run at work renames its files within moments
_held: set[str] = set()


@contextlib.contextmanager
def lock_folder(folder: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """
    Hold a folder for this run alone, and end what a killed run left in it.

    Parameters
    ----------
    folder : pathlib.Path
        Folder to write into; made if missing.
    wait_s : float, default 0.0
        How long to wait for another run to end. [s]

    Yields
    ------
    None
        While the folder is held.

    Raises
    ------
    StorageError
        If another run holds it (the message names its process and since when), or the lock file
        cannot be made, or a dead run's work cannot be ended.
    """
    path = folder / LOCK_NAME
    until = time.monotonic() + wait_s
    made: list[Path] = []
    try:
        make_folder(folder, made)
        handle = _open_locked(path)
        while handle is None and time.monotonic() < until:
            time.sleep(_BETWEEN_TRIES_S)
            handle = _open_locked(path)
    except OSError as error:
        _remove_empty(made)
        raise storage_error("cannot be written to", folder, error, after="Nothing was changed.") from error
    if handle is None:
        raise StorageError(
            f"{folder}: another run of tripplan is at work here{_holder(path)}. "
            "Wait until it has ended; nothing was changed."
        )
    key = os.path.realpath(folder)
    try:
        try:
            _sign(handle)
            kept = end_unfinished(folder)
            clear_leavings(folder)
        except OSError as error:
            raise storage_error(
                "cannot be written to", folder, error, after="Nothing was changed."
            ) from error
        if kept:
            names = ", ".join(one.name for one in kept)
            raise StorageError(
                f"{folder}: a run of tripplan had been cut off while it wrote here; its work is ended now. "
                f"Files that were changed by hand since then are kept as {names}. Compare them, then run it "
                "again."
            )
        _held.add(key)
        yield
    finally:
        _held.discard(key)
        try:
            with contextlib.suppress(OSError):  # a lock file that stays holds nobody up
                if sys.platform == "win32":  # an open file cannot be removed there
                    handle.truncate(0)
                else:
                    path.unlink(missing_ok=True)
        finally:
            handle.close()
            _remove_empty(made)


def _remove_empty(folders: list[Path]) -> None:
    """Remove folders that were made for files which then did not come."""
    with contextlib.suppress(OSError):  # the innermost first: the first that holds something ends it
        for folder in reversed(folders):
            folder.rmdir()


def holds_folder(folder: Path) -> bool:
    """Tell whether this process holds a folder."""
    return os.path.realpath(folder) in _held


def settle_folder(folder: Path) -> None:
    """
    End what a dead run left between before and after; wait for a run that is just renaming.

    Parameters
    ----------
    folder : pathlib.Path
        Folder about to be read; it need not exist.

    Raises
    ------
    StorageError
        If the work can be neither finished nor taken back, or the folder cannot be written to.
    """
    try:
        unfinished = is_unfinished(folder)
    except OSError as error:  # the folder may be listed but not entered
        raise storage_error("cannot be read", folder, error) from error
    if unfinished and not holds_folder(folder):
        with lock_folder(folder, wait_s=_SETTLE_WAIT_S):
            pass


def clear_leavings(folder: Path) -> None:
    """
    Remove files that a dead run had written beside their targets, in a folder that is held.

    Parameters
    ----------
    folder : pathlib.Path
        The folder itself; folders within are left alone.
    """
    if folder.is_dir():
        remove_files(left for left in folder.iterdir() if left.name.endswith((NEW_END, OLD_END)))


def make_folder(folder: Path, made: list[Path]) -> None:
    """Make a folder and those above it; `made` takes the new ones, the outermost first."""
    missing = []
    while not folder.exists():
        missing.append(folder)
        folder = folder.parent
    for one in reversed(missing):
        one.mkdir(exist_ok=True)
        made.append(one)


def _open_locked(path: Path) -> IO[bytes] | None:
    while True:
        # Unbuffered: nothing is left to be written when it is closed, which would fail again on a full disk.
        handle = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT, 0o666), "r+b", buffering=0)
        try:
            _take_lock(handle)
        except (BlockingIOError, PermissionError):
            handle.close()
            return None
        except BaseException:
            handle.close()
            raise
        with contextlib.suppress(FileNotFoundError):
            if os.fstat(handle.fileno()).st_ino == path.stat().st_ino:
                return handle
        handle.close()  # the holder before us removed this very file: take the new one


def _take_lock(handle: IO[bytes]) -> None:
    if sys.platform == "win32":
        handle.seek(1 << 30)  # far beyond the text, which others must be able to read
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        handle.seek(0)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _sign(handle: IO[bytes]) -> None:
    handle.truncate(0)
    handle.write(f"{os.getpid()} {datetime.now().astimezone().isoformat(timespec='seconds')}\n".encode())
    handle.flush()


def _holder(path: Path) -> str:
    try:
        pid, since = path.read_text(encoding="utf-8").split()
        when = datetime.fromisoformat(since)
    except (OSError, ValueError):  # it has just ended, or has not yet signed
        return ""
    return f" (process {pid}, since {when:%Y-%m-%d %H:%M:%S})"
