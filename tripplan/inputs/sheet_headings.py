"""
Which heading of a user's own sheet is which: plain-word guesses, never about the order of coordinates.

A heading is taken without asking only where it says by itself what it is ("Latitude", "Lon", "Site"); the
words "x" and "y", or two columns that could both be meant, are asked about.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from tripplan.inputs.cells import CellError, parse_angle, parse_date, parse_number
from tripplan.inputs.schema import TABLES
from tripplan.inputs.tables import Grid, header_key

__all__ = [
    "ASKED_FIELDS",
    "FIELD_WORDS",
    "NO_HEADING",
    "Sheet",
    "guess_headings",
    "guess_pack_column",
    "known_words",
    "lift_sheet",
]

NO_HEADING = "none of these"

_PARKED = ("parking", "parked", "car", "vehicle", "car_park")
FIELD_WORDS: Mapping[str, tuple[str, ...]] = {
    "site_id": ("site_id", "site", "id", "camera", "camera_id", "cam", "cam_id", "station", "station_id"),
    "name": ("name", "site_name", "camera_name", "place", "location_name", "label", "title"),
    "lat": ("lat", "latitude", "lat_dd", "latitude_dd", "decimal_latitude", "decimallatitude", "gps_lat"),
    "lon": (
        "lon",
        "long",
        "lng",
        "longitude",
        "lon_dd",
        "longitude_dd",
        "decimal_longitude",
        "decimallongitude",
        "gps_lon",
        "gps_long",
    ),
    "lat_lon": ("coordinates", "coordinate", "coords", "position", "gps", "lat_lon", "lat/lon", "lat,_lon"),
    "swapped_on": (
        "swapped_on",
        "swapped",
        "swap_date",
        "last_swap",
        "last_swapped",
        "last_change",
        "battery_changed",
        "battery_date",
        "battery_swapped",
        "pack_in",
        "pack_date",
        "changed",
        "changed_on",
        "date_swapped",
        "date_changed",
        "put_in",
        "put_in_on",
        "went_in",
        "date_in",
        "last_battery_change",
    ),
    "find": ("find", "how_to_find", "directions", "how_to_find_it", "access_notes"),
    "notes": ("notes", "note", "comment", "comments", "remarks", "remark"),
    "pack_type": ("pack_type", "battery_type", "type_of_battery", "type_of_pack", "kind_of_pack"),
    "park_lat": ("park_lat", *(f"{where}_{what}" for where in _PARKED for what in ("lat", "latitude"))),
    "park_lon": (
        "park_lon",
        *(f"{where}_{what}" for where in _PARKED for what in ("lon", "long", "lng", "longitude")),
    ),
    "walk_m": (
        "walk_m",
        *(f"{walk}_{metres}" for walk in ("walk", "walking_distance") for metres in ("(m)", "[m]", "metres")),
    ),
}
"""Words for each field, as `tripplan.inputs.tables.header_key` writes them; the contract's own first."""

ASKED_FIELDS: Mapping[str, str] = {
    "site_id": "Which column names the site (its number or short name)?",
    "lat": "Which column holds the latitude (north and south)?",
    "lon": "Which column holds the longitude (east and west)?",
    "swapped_on": "Which column holds the date on which the pack now there went in?",
}
"""Fields that are asked about where the headings do not say; the others are left out then."""

_PACK_WORDS = ("battery", "batteries", "pack", "packs", "power", "power_pack", "akku", "accu")
"""Headings that may say which pack, when it went in or how full it is: only the cells tell."""
_MOST_PACK_TYPES = 8

_OTHER_FIELDS = tuple(name for name in TABLES["sites"].columns if name not in FIELD_WORDS)
_HEADER_WITHIN = 40


@dataclass(frozen=True)
class Sheet:
    """
    A user's table with its header found.

    Attributes
    ----------
    file : str
        File, and sheet for a workbook, as messages name it.
    headings : tuple of str
        As written; a column without one is called ``column 3``; doubled ones get a number.
    rows : tuple of (int, dict of str to str)
        Row number as the spreadsheet counts, and the text of each heading's cell; blank rows left out.
    epoch_1904 : bool
        Whether the workbook counts its days from 1904.
    """

    file: str
    headings: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]
    epoch_1904: bool = False


def known_words() -> frozenset[str]:
    """
    Return every heading that is understood without asking.

    Returns
    -------
    frozenset of str
        In the form of `tripplan.inputs.tables.header_key`.
    """
    return frozenset(word for words in FIELD_WORDS.values() for word in words) | frozenset(_OTHER_FIELDS)


def guess_headings(headings: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """
    Return the headings that each field could be, by their words alone.

    Parameters
    ----------
    headings : sequence of str
        As written.

    Returns
    -------
    dict of str to tuple of str
        Fields without a candidate are absent. One candidate is certain; several must be asked about,
        unless the contract's own name is among them.

    Examples
    --------
    >>> guess_headings(["Camera", "Latitude", "Long.", "X"])
    {'site_id': ('Camera',), 'lat': ('Latitude',), 'lon': ('Long.',)}
    """
    keys = {heading: header_key(heading).rstrip(".:") for heading in headings}
    found: dict[str, tuple[str, ...]] = {}
    for field, words in (*FIELD_WORDS.items(), *((name, (name,)) for name in _OTHER_FIELDS)):
        exact = tuple(heading for heading, key in keys.items() if key == field)
        candidates = exact or tuple(heading for heading, key in keys.items() if key in words)
        if candidates:
            found[field] = candidates
    return found


def guess_pack_column(sheet: Sheet, taken: Collection[str]) -> str | None:
    """
    Return the column whose cells look like names of kinds of pack.

    Parameters
    ----------
    sheet : Sheet
        The user's table.
    taken : collection of str
        Headings that another field has already.

    Returns
    -------
    str or None
        The only such heading: a word such as "Battery", above a few short texts ("12V", "big") that are
        neither dates nor plain numbers. None where there is none, or more than one.
    """
    found = []
    for heading in sheet.headings:
        if heading in taken or header_key(heading).rstrip(".:") not in _PACK_WORDS:
            continue
        texts = {cells[heading] for _, cells in sheet.rows} - {""}
        if 0 < len(texts) <= _MOST_PACK_TYPES and not any(map(_is_date_or_number, texts)):
            found.append(heading)
    return found[0] if len(found) == 1 else None


def _is_date_or_number(text: str) -> bool:
    for parse in (parse_number, lambda cell: parse_number(cell, ","), parse_date):
        try:
            parse(text)
        except CellError:
            continue
        return True
    return text.endswith("%")


def lift_sheet(grid: Grid) -> Sheet | None:
    """
    Find the header of a sheet whose headings may be anything, and what stands below it.

    Parameters
    ----------
    grid : Grid
        All rows.

    Returns
    -------
    Sheet or None
        None where no row looks like a header with rows below it.
    """
    at = _header_row(grid)
    if at is None:
        return None
    header = [cell.text for cell in grid.rows[at]]
    width = max(len(row) for row in grid.rows[at:])
    headings = _distinct([*header, *[""] * (width - len(header))])
    rows: list[tuple[int, dict[str, str]]] = []
    for number, cells in enumerate(grid.rows[at + 1 :], start=at + 2):
        texts = [cell.text for cell in cells]
        if any(texts):
            rows.append((number, dict(zip(headings, [*texts, *[""] * (width - len(texts))], strict=True))))
    titled = {heading for heading, text in zip(headings, header, strict=False) if text}
    used = [heading for heading in headings if heading in titled or any(cells[heading] for _, cells in rows)]
    return Sheet(
        grid.file, tuple(used), tuple((n, {h: cells[h] for h in used}) for n, cells in rows), grid.epoch_1904
    )


def _distinct(header: Sequence[str]) -> list[str]:
    found: list[str] = []
    for place, text in enumerate(header, start=1):
        base = " ".join(text.split()) or f"column {place}"
        heading, count = base, 1
        while heading.casefold() in (other.casefold() for other in found):
            count += 1
            heading = f"{base} ({count})"
        found.append(heading)
    return found


def _header_row(grid: Grid) -> int | None:
    """Return the first row with two known words, else the first row of words above numbers."""
    words = known_words()
    near = grid.rows[:_HEADER_WITHIN]
    for place, row in enumerate(near):
        if sum(header_key(cell.text).rstrip(".:") in words for cell in row if cell.text) >= 2:
            return place
    for place, row in enumerate(near):
        filled = [cell.text for cell in row if cell.text]
        if len(filled) < 2 or any(_is_numeric(text) for text in filled):
            continue
        below = next((later for later in grid.rows[place + 1 :] if any(cell.text for cell in later)), None)
        if below is not None and any(_is_numeric(cell.text) for cell in below if cell.text):
            return place
    return None


def _is_numeric(text: str) -> bool:
    for parse in (parse_number, lambda cell: parse_number(cell, ","), lambda cell: parse_angle(cell, "lon")):
        try:
            parse(text)
        except CellError:
            continue
        return True
    return False
