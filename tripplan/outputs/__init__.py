"""
A plan to map, checklist, load list, GPX, iCalendar and GeoJSON.

What the package offers is loaded when first asked for: commands that only need its rules for text do
not wait for the map library.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tripplan.outputs.kit import KIT_FILES, write_kit

__all__ = ["KIT_FILES", "write_kit"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from tripplan.outputs import kit

        return getattr(kit, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
