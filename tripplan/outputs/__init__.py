"""A plan to map, checklist, load list, GPX, iCalendar and GeoJSON."""

from __future__ import annotations

from tripplan.outputs.kit import KIT_FILES, write_kit

__all__ = ["KIT_FILES", "write_kit"]
