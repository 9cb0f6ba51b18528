"""wishes.csv: dates to go or stay home, trips to keep, sites to include."""

from __future__ import annotations

import re
from datetime import date

from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.names import Names
from tripplan.inputs.records_tables import SiteIds
from tripplan.wishes import Wish, WishKind

__all__ = ["read_wishes"]

_NEEDS = {
    WishKind.GO: ("date",),
    WishKind.STAY_HOME: ("date",),
    WishKind.KEEP: ("date", "crew", "sites"),
    WishKind.INCLUDE: ("sites",),
}
_MAY = {
    WishKind.GO: ("date", "crew"),
    WishKind.STAY_HOME: ("date", "until", "crew"),
    WishKind.KEEP: ("date", "crew", "sites"),
    WishKind.INCLUDE: ("date", "sites"),
}


def read_wishes(reader: ColumnReader, ids: SiteIds | None, crew_names: Names | None) -> tuple[Wish, ...]:
    """
    Read wishes.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    ids : SiteIds or None
        None where sites.csv could not be read.
    crew_names : Names or None
        None where the settings could not be read.

    Returns
    -------
    tuple of Wish
        In the order of the file.
    """
    reader.require("wish")
    kinds = reader.choices("wish", WishKind)
    days, until = reader.dates("date"), reader.dates("until")
    crews, sites = _crews(reader, crew_names), _sites(reader, ids)
    notes = reader.texts("notes")
    found = []
    for raw in reader.rows:
        row = raw.number
        kind = kinds.get(row)
        if kind is None:
            continue
        for column in ("date", "until", "crew", "sites"):
            if reader.is_bad(row, column):
                continue
            if column in _NEEDS[kind] and column not in raw.cells:
                reader.fault(
                    row, column, "the cell is empty", f"A wish to {kind} needs {_listed(_NEEDS[kind])}."
                )
            elif column in raw.cells and column not in _MAY[kind]:
                reader.fault(row, column, f"a wish to {kind} takes no {column}", "Clear the cell.")
        if row in days and row in until and until[row] < days[row]:
            reader.fault(row, "until", "the span ends before it begins", "Swap or mend the two dates.")
        day: date | None = days.get(row)
        found.append(
            Wish(kind, day, until.get(row), crews.get(row, ""), sites.get(row, ()), notes.get(row, ""), row)
        )
    return tuple(found)


def _listed(columns: tuple[str, ...]) -> str:
    return columns[0] if len(columns) == 1 else f"{', '.join(columns[:-1])} and {columns[-1]}"


def _crews(reader: ColumnReader, known: Names | None) -> dict[int, str]:
    found: dict[int, str] = {}
    for row, name in reader.names("crew").items():
        shown = name if known is None else known.find(name)
        if shown is None and known is not None:
            reader.fault(row, "crew", "unknown crew", known.hint(name))
        elif shown is not None:
            found[row] = shown
    return found


def _sites(reader: ColumnReader, ids: SiteIds | None) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for row, text in reader.names("sites").items():
        listed: list[str] = []
        for name in filter(None, (part.strip() for part in re.split(r"[;,]", text))):
            shown = name if ids is None else ids.names.find(name)
            if shown is None and ids is not None:
                reader.fault(
                    row,
                    "sites",
                    "unknown site",
                    ids.names.hint(name) or "sites.csv has no such site_id.",
                    value=name,
                )
            elif ids is not None and shown in ids.set_aside:
                reader.fault(
                    row,
                    "sites",
                    "the site is set aside (in_use = no)",
                    "Take it out of the wish.",
                    value=name,
                )
            elif shown is not None and shown not in listed:
                listed.append(shown)
        found[row] = tuple(listed)
    return found
