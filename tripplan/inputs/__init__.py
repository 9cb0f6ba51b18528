"""
Files to a fleet: the reading end of tripplan.

What it offers is loaded when first asked for, so that importing the package
costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tripplan.inputs.find_files import input_files
    from tripplan.inputs.read import folder_digest, read_fleet

__all__ = ["folder_digest", "input_files", "read_fleet"]


def __getattr__(name: str) -> Any:
    if name == "input_files":
        from tripplan.inputs import find_files

        return find_files.input_files
    if name in __all__:
        from tripplan.inputs import read

        return getattr(read, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
