"""
Files on disk: read whole, written whole, several of them at once, one run at a time.

A file is written beside its target, flushed, forced to the disk and only then renamed over the
target, so that a reader, a full disk or a killed run never meets half a file. Several files are
announced first: a note in their common folder says what is to be renamed to what. A run that dies
between two renames leaves that note, and the next run that locks or reads the folder finishes the
work, or takes it back where the dead run was taking it back. So the folder is either as before or as
after, never between. The lock is held by the operating system for the running process and ends with
it, however it ends.
"""

from tripplan.storage.errors import storage_error
from tripplan.storage.files import content_digest, json_bytes, read_bytes, write_files
from tripplan.storage.lock import LOCK_NAME, clear_leavings, lock_folder, settle_folder
from tripplan.storage.unfinished import NOTE_NAME

__all__ = [
    "LOCK_NAME",
    "NOTE_NAME",
    "clear_leavings",
    "content_digest",
    "json_bytes",
    "lock_folder",
    "read_bytes",
    "settle_folder",
    "storage_error",
    "write_files",
]
