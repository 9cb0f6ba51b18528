"""The bytes of one file of the fleet, or the fault that kept them away."""

from __future__ import annotations

from pathlib import Path

from tripplan.errors import StorageError
from tripplan.inputs.findings import Findings
from tripplan.storage import read_bytes

__all__ = ["load_bytes"]


def load_bytes(path: Path, findings: Findings) -> bytes | None:
    """
    Read a file that stands in the folder.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    findings : Findings
        Takes the fault.

    Returns
    -------
    bytes or None
        None where a fault was noted.
    """
    try:
        if path.is_dir():
            findings.fault(
                path.name, "this is a folder, not a file", "Move it away; a file of the fleet has this name."
            )
            return None
        return read_bytes(path)
    except (OSError, StorageError):
        findings.fault(
            path.name, "the file cannot be read", "Close it in other programs and check its permissions."
        )
        return None
