"""
Files on disk: read whole, written whole, one run at a time.

A file is written beside its target, flushed, forced to the disk and only then renamed over the
target, so that a reader, a full disk or a killed run never meets half a file. The lock is held by
the operating system for the running process and ends with it, however it ends.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import secrets
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from tripplan.errors import StorageError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["LOCK_NAME", "json_bytes", "lock_folder", "read_bytes", "write_files"]

LOCK_NAME = ".tripplan.lock"

_NEW = ".tripplan-new"  # written, not yet in its place
_OLD = ".tripplan-old"  # what stood there before, until all is done

_REASONS = {
    errno.EACCES: ("you have no permission", "Change the folder's permissions, or choose another folder."),
    errno.EPERM: ("you have no permission", "Change the folder's permissions, or choose another folder."),
    errno.EROFS: ("the disk can only be read", "Choose a folder on another disk."),
    errno.ENOSPC: ("the disk is full", "Free some space and run it again."),
    errno.EFBIG: ("the file would be larger than allowed here", "Choose a folder on another disk."),
    errno.EIO: ("the disk reports an error", "Check the disk before you trust it further."),
    errno.ENOENT: ("there is no such file or folder", "Check the name."),
    errno.ENOTDIR: ("a part of this path is a file, not a folder", "Check the name."),
    errno.EISDIR: ("a folder of this name stands there", "Move the folder away or rename it."),
    errno.ENAMETOOLONG: ("the name is too long", "Choose a shorter name."),
}
if hasattr(errno, "EDQUOT"):
    _REASONS[errno.EDQUOT] = ("your share of the disk is used up", "Free some space and run it again.")


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
        raise _storage_error("cannot be read", path, error) from error


def write_files(files: Mapping[Path, bytes]) -> None:
    """
    Write files so that each is either as before or complete.

    Missing folders are made. Every file is written beside its target and forced to the disk before
    the first is renamed into place. If anything fails, what was already in place is put back and
    nothing else is left behind. Only a run that is killed between two renames can leave some of
    the files new and some old; each of them is whole even then.

    Parameters
    ----------
    files : mapping of pathlib.Path to bytes
        Contents by target.

    Raises
    ------
    StorageError
        If a file cannot be written; the folders are then as before.
    """
    targets = {Path(os.path.realpath(path)): content for path, content in files.items()}
    made: list[Path] = []
    beside: dict[Path, Path] = {}
    kept: dict[Path, Path | None] = {}
    at = Path()
    try:
        for at, content in targets.items():
            _make_folder(at.parent, made)
            _refuse_folder(at)
            beside[at] = _beside(at, _NEW)
            _write_through(beside[at], content, like=at)
        for at in targets:
            kept[at] = _keep_old(at)
        for at in targets:
            beside[at].replace(at)
        for folder in {target.parent for target in targets}:
            _flush_folder(folder)
    except BaseException as error:
        lost = _put_back(kept, beside)
        _remove(beside.values())
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        if isinstance(error, OSError):
            after = f"{_names(lost)} could not be put back as before." if lost else "Nothing was changed."
            raise _storage_error("cannot be written", at, error, after=after) from error
        raise  # Ctrl-C: the same clearing up, then the interrupt goes on
    _remove(old for old in kept.values() if old is not None)


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


@contextlib.contextmanager
def lock_folder(folder: Path) -> Iterator[None]:
    """
    Hold a folder for this run alone, and clear away what a killed run left in it.

    Parameters
    ----------
    folder : pathlib.Path
        Folder to write into; made if missing.

    Yields
    ------
    None
        While the folder is held.

    Raises
    ------
    StorageError
        If another run holds it (the message names its process and since when), or the lock file
        cannot be made.
    """
    path = folder / LOCK_NAME
    try:
        _make_folder(folder, [])
        handle = _open_locked(path)
    except OSError as error:
        raise _storage_error("cannot be written to", folder, error, after="Nothing was changed.") from error
    if handle is None:
        raise StorageError(
            f"{folder}: another run of tripplan is at work here{_holder(path)}. "
            "Wait until it has ended; nothing was changed."
        )
    try:
        try:
            _sign(handle)
            _remove(left for left in folder.iterdir() if left.name.endswith((_NEW, _OLD)))
        except OSError as error:
            raise _storage_error(
                "cannot be written to", folder, error, after="Nothing was changed."
            ) from error
        yield
    finally:
        if sys.platform == "win32":  # an open file cannot be removed there: it stays, empty and unlocked
            handle.truncate(0)
        else:
            path.unlink(missing_ok=True)
        handle.close()


def _open_locked(path: Path) -> IO[bytes] | None:
    while True:
        handle = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT, 0o666), "r+b")
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


def _make_folder(folder: Path, made: list[Path]) -> None:
    missing = []
    while not folder.exists():
        missing.append(folder)
        folder = folder.parent
    for one in reversed(missing):
        one.mkdir(exist_ok=True)
        made.append(one)


def _refuse_folder(path: Path) -> None:
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))


def _beside(target: Path, ending: str) -> Path:
    return target.with_name(f".{target.name[:80]}.{secrets.token_hex(4)}{ending}")


def _write_through(path: Path, content: bytes, like: Path) -> None:
    with path.open("xb") as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())
    if like.exists():
        shutil.copymode(like, path)


def _keep_old(target: Path) -> Path | None:
    if not target.exists():
        return None
    old = _beside(target, _OLD)
    try:
        os.link(target, old)
    except OSError:  # a disk without hard links
        shutil.copy2(target, old)
    return old


def _put_back(kept: Mapping[Path, Path | None], beside: Mapping[Path, Path]) -> list[Path]:
    lost = []
    for target, old in kept.items():
        if beside[target].exists():  # not yet renamed: the old file never left its place
            _remove([] if old is None else [old])
            continue
        try:
            if old is None:
                target.unlink(missing_ok=True)
            else:
                old.replace(target)
        except OSError:
            lost.append(target)
    return lost


def _names(paths: Iterable[Path]) -> str:
    return ", ".join(path.name for path in paths)


def _remove(paths: Iterable[Path]) -> None:
    for path in list(paths):
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


def _flush_folder(folder: Path) -> None:
    if sys.platform == "win32":
        return
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _storage_error(what: str, path: Path, error: OSError, after: str = "") -> StorageError:
    reason, mend = _REASONS.get(error.errno or 0, (error.strerror or str(error), ""))
    return StorageError(" ".join(part for part in (f"{path}: {what}: {reason}.", after, mend) if part))
