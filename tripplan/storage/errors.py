"""What the operating system says of a file, as a sentence with a mend."""

from __future__ import annotations

import errno
from pathlib import Path

from tripplan.errors import StorageError

__all__ = ["storage_error"]

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


def storage_error(what: str, path: Path, error: OSError, after: str = "") -> StorageError:
    """
    Return the error that a user reads for one of the operating system's.

    Parameters
    ----------
    what : str
        What failed, as ``cannot be read``.
    path : pathlib.Path
        File or folder concerned.
    error : OSError
        What the system said.
    after : str, default ""
        How things stand now, as a full sentence.

    Returns
    -------
    StorageError
        To be raised.
    """
    reason, mend = _REASONS.get(error.errno or 0, (error.strerror or str(error), ""))
    return StorageError(" ".join(part for part in (f"{path}: {what}: {reason}.", after, mend) if part))
