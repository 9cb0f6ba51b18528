"""
The rows of a new sites.csv, from a user's own sheet.

Coordinates in one cell or in two, dates in one order of day and month for the whole column, ids that are
unique. What the sheet cannot settle is asked; every fault names the row of the user's sheet.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import date

from tripplan.inputs.cells import (
    CellError,
    DateOrder,
    clean_text,
    parse_angle,
    parse_date,
    parse_number,
    split_numeric_date,
)
from tripplan.inputs.findings import Findings, fold, list_rows, say_date
from tripplan.inputs.interview import Interview, Question, parse_text
from tripplan.inputs.schema import TABLES
from tripplan.inputs.sheet_headings import Sheet
from tripplan.inputs.tables import header_key

__all__ = ["DATE_FIELDS", "SheetSites", "holds_both_coordinates"]

DATE_FIELDS = ("swapped_on", "flat_on", "active_from", "active_to")

_ORDERS: Mapping[str, DateOrder] = {"day first": "day first", "month first": "month first"}
_LAT_FIRST, _LON_FIRST = "latitude first", "longitude first"


class SheetSites:
    """
    The rows of the new sites.csv.

    Parameters
    ----------
    sheet : Sheet
        The user's table.
    mapping : mapping of str to str
        Heading of each field.
    interview : Interview
        Is asked what the sheet cannot settle.
    findings : Findings
        Takes faults and remarks.
    """

    def __init__(
        self, sheet: Sheet, mapping: Mapping[str, str], interview: Interview, findings: Findings
    ) -> None:
        self.sheet, self.mapping, self.interview, self.findings = sheet, mapping, interview, findings
        self.places = self._places()
        self.dates = {field: self._dates(field) for field in DATE_FIELDS if field in mapping}
        self.swapped = self._swapped()
        self._spelled = self._pack_spellings()
        self.pack_types = tuple(self._spelled.values())

    def cell(self, field: str, cells: Mapping[str, str]) -> str:
        """Return one field of one row, empty where the sheet has no such column."""
        heading = self.mapping.get(field)
        return cells[heading] if heading is not None else ""

    def rows(self, pack_type: str) -> tuple[list[str], list[list[str]]]:
        """
        Return sites.csv as a table.

        Parameters
        ----------
        pack_type : str
            Type of the packs where the sheet has no column for it.

        Returns
        -------
        header : list of str
            The contract's columns first, then the user's own.
        rows : list of list of str
            One for each row of the sheet.
        """
        ids = self._ids()
        fields = ["site_id", "name", "lat", "lon", "pack_type", "swapped_on"]
        contract = TABLES["sites"].columns
        fields += [name for name in contract if name in self.mapping and name not in fields]
        taken = {heading for field, heading in self.mapping.items() if field in {*contract, "lat_lon"}}
        extra = [heading for heading in self.sheet.headings if heading not in taken]
        header = fields + [self._extra_name(heading) for heading in extra]
        rows: list[list[str]] = []
        for (number, cells), site_id, place in zip(self.sheet.rows, ids, self.places, strict=True):
            row: list[str] = []
            for field in fields:
                if field == "site_id":
                    row.append(site_id)
                elif field in {"lat", "lon"}:
                    row.append("" if place is None else f"{place[field == 'lon']:.6f}")
                elif field == "swapped_on":
                    swapped = self.swapped.get(number)
                    row.append("" if swapped is None else swapped.isoformat())
                elif field in self.dates:
                    day = self.dates[field].get(number)
                    row.append("" if day is None else day.isoformat())
                elif field == "pack_type":
                    kind = pack_type if field not in self.mapping else self.cell(field, cells)
                    row.append(self._spelled.get(fold(kind), kind))
                else:
                    row.append(self.cell(field, cells))
            rows.append([*row, *(cells[heading] for heading in extra)])
        return header, rows

    def _extra_name(self, heading: str) -> str:
        return f"{heading} (sheet)" if header_key(heading) in TABLES["sites"].columns else heading

    def _ids(self) -> list[str]:
        file = self.sheet.file
        by_id = "site_id" in self.mapping
        column = self.mapping.get("site_id" if by_id else "name", "")
        texts = [" ".join(cells[column].split()) if column else "" for _, cells in self.sheet.rows]
        numbers = [number for number, _ in self.sheet.rows]
        blank = [number for number, text in zip(numbers, texts, strict=True) if not text]
        if blank and by_id:
            self.findings.fault(
                file, "the site has no id", "Give each site its own.", row=blank, column=column
            )
        elif blank:
            self.findings.remark(
                f"{file}, {list_rows(blank)}: no name; the site is called after its row (site-{blank[0]})."
            )
        texts = [text or f"site-{number}" for number, text in zip(numbers, texts, strict=True)]
        counts = Counter(map(fold, texts))
        doubled = [number for number, text in zip(numbers, texts, strict=True) if counts[fold(text)] > 1]
        if not doubled:
            return texts
        if by_id:
            self.findings.fault(
                file,
                "two sites have the same id",
                "Give each site its own.",
                row=doubled,
                column=column,
                value=[text for text in texts if counts[fold(text)] > 1],
            )
            return texts
        self.findings.remark(f"{file}, {list_rows(doubled)}: the same name; a number was put behind it.")
        return _numbered(texts)

    def _pack_spellings(self) -> dict[str, str]:
        """Return the first spelling of each pack type; capitals and spaces alone make no second type."""
        first: dict[str, str] = {}
        other: dict[str, list[int]] = {}
        for number, cells in self.sheet.rows:
            kind = self.cell("pack_type", cells)
            if kind and first.setdefault(fold(kind), kind) != kind:
                other.setdefault(fold(kind), []).append(number)
        for key, numbers in other.items():
            self.findings.remark(
                f"{self.sheet.file}, {list_rows(numbers)}: read as the pack type '{first[key]}'."
            )
        return first

    def _places(self) -> list[tuple[float, float] | None]:
        if "lat_lon" in self.mapping and "lat" not in self.mapping:
            return self._split_places()
        found: list[tuple[float, float] | None] = []
        for number, cells in self.sheet.rows:
            pair: list[float] = []
            for field in ("lat", "lon"):
                if field not in self.mapping:
                    continue
                text = self.cell(field, cells)
                column = self.mapping[field]
                if not text:
                    self.findings.fault(
                        self.sheet.file,
                        "the site has no coordinates",
                        "Fill them in, or delete the row.",
                        row=number,
                        column=column,
                    )
                    continue
                value = self._angle(text, field, number, column)
                if value is not None:
                    pair.append(value)
            found.append((pair[0], pair[1]) if len(pair) == 2 else None)
        return found

    def _angle(self, text: str, field: str, number: int, column: str) -> float | None:
        try:
            return parse_angle(text, "lat" if field == "lat" else "lon")
        except CellError as error:
            self.findings.fault(
                self.sheet.file, error.problem, error.mend, row=number, column=column, value=text
            )
            return None

    def _split_places(self) -> list[tuple[float, float] | None]:
        """Split cells that hold both coordinates; letters settle the order, else it is asked."""
        column = self.mapping["lat_lon"]
        pairs = [(number, cells[column], _two_angles(cells[column])) for number, cells in self.sheet.rows]
        lettered = all(
            any(letter in text.upper() for letter in "NS") and any(letter in text.upper() for letter in "EW")
            for _, text, pair in pairs
            if pair
        )
        example = next((text for _, text, pair in pairs if pair), "")
        lon_first: bool | None = None
        if not lettered and example:
            order = self.interview.get(
                Question(
                    "coordinate_order",
                    f"The column '{column}' holds two numbers, such as '{example}'. Which stands first?",
                    (_LAT_FIRST, _LON_FIRST),
                ),
                parse_text,
            )
            lon_first = None if order is None else order == _LON_FIRST
        found: list[tuple[float, float] | None] = []
        for number, text, pair in pairs:
            if pair is None:
                self.findings.fault(
                    self.sheet.file,
                    "these are not two coordinates",
                    "Write two numbers with a comma between, or put them into two columns.",
                    row=number,
                    column=column,
                    value=text or None,
                )
                found.append(None)
                continue
            swapped = any(letter in pair[0].upper() for letter in "EW") if lettered else lon_first
            if swapped is None:
                found.append(None)
                continue
            lat_text, lon_text = reversed(pair) if swapped else pair
            lat = self._angle(lat_text, "lat", number, column)
            lon = self._angle(lon_text, "lon", number, column)
            found.append(None if lat is None or lon is None else (lat, lon))
        return found

    def _dates(self, field: str) -> dict[int, date]:
        """Return the dates of a column by row, in one order of day and month for all of it."""
        column = self.mapping[field]
        texts = [(number, cells[column]) for number, cells in self.sheet.rows if cells[column]]
        order: DateOrder = "day first"
        numeric = [(text, parts) for _, text in texts if (parts := split_numeric_date(text)) is not None]
        day_first = any(parts[0] > 12 for _, parts in numeric)
        month_first = any(parts[1] > 12 for _, parts in numeric)
        unclear = next(((text, parts) for text, parts in numeric if parts[0] != parts[1]), None)
        if month_first and not day_first:
            order = "month first"
        elif unclear is not None and not day_first:
            text, (first, second, year, _) = unclear
            one, other = date(year, second, first), date(year, first, second)
            asked = Question(
                f"{field}_order",
                f"The column '{column}' has dates such as '{text}': {say_date(one)} (day first) "
                f"or {say_date(other)} (month first)?",
                tuple(_ORDERS),
            )
            answer = self.interview.get(asked, parse_text)
            order = _ORDERS[answer] if answer is not None else order
        found: dict[int, date] = {}
        for number, text in texts:
            try:
                found[number] = parse_date(text, order, epoch_1904=self.sheet.epoch_1904)
            except CellError as error:
                self.findings.fault(
                    self.sheet.file, error.problem, error.mend, row=number, column=column, value=text
                )
        return found

    def _swapped(self) -> dict[int, date]:
        """Return when each pack went in: from the column, else the one answer for all the rest."""
        known = dict(self.dates.get("swapped_on", {}))
        given = self.dates.get("flat_on", {})
        column = self.mapping.get("swapped_on")
        without = [
            number
            for number, cells in self.sheet.rows
            if number not in given and not (column is not None and cells[column])
        ]
        pending = any(fault.file == "--answer swapped_on_heading" for fault in self.interview.faults)
        if not without or pending:
            return known
        which = "" if len(without) == len(self.sheet.rows) else f" of {list_rows(without)} (no date there)"
        answer = self.interview.get(
            Question(
                "swapped_on",
                f"On which date did the packs{which} go in, roughly? One date, year-month-day "
                "(single rows can be corrected in sites.csv)",
            ),
            _parse_plain_date,
        )
        if answer is not None:
            known.update(dict.fromkeys(without, answer))
            self.findings.remark(
                f"{self.sheet.file}, {list_rows(without)}: pack taken to have gone in on {say_date(answer)}."
            )
        return known


def _parse_plain_date(text: str) -> date:
    parts = split_numeric_date(text)
    if parts is not None and parts[0] <= 12 and parts[1] <= 12 and parts[0] != parts[1]:
        raise ValueError("the order of day and month is not clear; write year-month-day")
    order: DateOrder = "month first" if parts is not None and parts[1] > 12 else "day first"
    return parse_date(clean_text(text), order)


def holds_both_coordinates(sheet: Sheet, heading: str) -> bool:
    """
    Tell whether every filled cell of a column holds two coordinates and none holds one.

    Parameters
    ----------
    sheet : Sheet
        The user's table.
    heading : str
        Heading of the column.

    Returns
    -------
    bool
        False where nothing stands in it, too.
    """
    texts = [cells[heading] for _, cells in sheet.rows if cells[heading]]
    return bool(texts) and all(_is_pair(text) for text in texts)


def _is_pair(text: str) -> bool:
    pair = _two_angles(text)
    if (
        pair is None
        or _reads(parse_number, text)
        or _reads(parse_number, text, ",")
        or _reads(parse_angle, text, "lat")
    ):
        return False
    return all(_reads(parse_angle, part, "lat") or _reads(parse_angle, part, "lon") for part in pair)


def _reads(parse: Callable[..., object], *given: str) -> bool:
    try:
        parse(*given)
    except CellError:
        return False
    return True


def _two_angles(text: str) -> tuple[str, str] | None:
    """Split a cell with two coordinates; None where it is not clearly two."""
    plain = text.strip().strip("()[]")
    for separator in (";", "/", "|", ", ", ","):
        parts = [part.strip() for part in plain.split(separator)]
        if len(parts) == 2 and all(any(sign.isdigit() for sign in part) for part in parts):
            return parts[0], parts[1]
    upper = plain.upper()
    for letter in "NS":
        if upper.count(letter) == 1 and not upper.startswith(letter) and not upper.endswith(letter):
            at = upper.index(letter) + 1
            if any(sign.isdigit() for sign in plain[at:]):
                return plain[:at].strip(), plain[at:].strip()
    parts = plain.split()
    return (parts[0], parts[1]) if len(parts) == 2 else None


def _numbered(texts: Sequence[str]) -> list[str]:
    """Put -2, -3, ... behind a text that stood before, passing over what is taken."""
    taken = {fold(text) for text in texts}
    seen: set[str] = set()
    found: list[str] = []
    for text in texts:
        name, count = text, 1
        while fold(name) in seen or (count > 1 and fold(name) in taken):
            count += 1
            name = f"{text}-{count}"
        seen.add(fold(name))
        found.append(name)
    return found
