"""access.csv and legs.csv: when sites may be entered, and which drives are known."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from enum import StrEnum

from tripplan.fleet import AccessRule, Leg, MonthDay, Site
from tripplan.inputs.cells import CellError, parse_clock, parse_month_day
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings, list_rows
from tripplan.inputs.names import Names
from tripplan.inputs.records_tables import SiteIds
from tripplan.inputs.words import parse_weekdays

__all__ = ["read_access", "read_legs"]

_FASTEST_KMH = 200.0


class _Rule(StrEnum):
    OPEN = "open"
    CLOSED = "closed"


def read_access(
    reader: ColumnReader, crew_names: Names | None, findings: Findings
) -> dict[str, tuple[AccessRule, ...]]:
    """
    Read access.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    crew_names : Names or None
        None where the settings could not be read.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    dict of str to tuple of AccessRule
        By access name, in the order of the file.
    """
    reader.require("access")
    names = reader.names("access")
    shown = Names(names.values())
    rules = reader.choices("rule", _Rule)
    days = reader.read("days", _weekdays)
    start, end = reader.read("from", parse_clock), reader.read("to", parse_clock)
    first, last = _seasons(reader, "season_from"), _seasons(reader, "season_to")
    contact, notice = reader.texts("contact"), reader.wholes("notice_days", 0, 365)
    crews = _crews(reader, crew_names)
    found: dict[str, list[AccessRule]] = {}
    for raw in reader.rows:
        row = raw.number
        if row not in names:
            continue
        rule = AccessRule(
            access=shown.find(names[row]) or names[row],
            is_open=rules.get(row, _Rule.OPEN) is _Rule.OPEN,
            weekdays=days.get(row, frozenset(range(7))),
            from_minute=start.get(row, 0),
            to_minute=end.get(row, 1440),
            season_from=first.get(row),
            season_to=last.get(row),
            contact=contact.get(row, ""),
            notice_days=notice.get(row),
            crews=crews.get(row, ()),
            row=row,
        )
        _check_rule(reader, rule)
        found.setdefault(rule.access, []).append(rule)
    silent = [rule.row for rules in found.values() for rule in rules if rule.notice_days and not rule.contact]
    if silent:
        findings.remark(
            f"{reader.file}, {list_rows(silent)}, column contact: notice_days, but nobody to ring."
        )
    once = [rule.row for rules in found.values() for rule in rules if isinstance(rule.season_from, date)]
    if once:
        findings.remark(
            f"{reader.file}, {list_rows(once)}: a season of full dates holds once; MM-DD holds each year."
        )
    return {name: tuple(rules) for name, rules in found.items()}


def _weekdays(text: str) -> frozenset[int]:
    found = parse_weekdays(word for word in re.split(r"[;,/\s]+", text) if word)
    if not found:
        raise CellError("names no day", "Write for example sat;sun, or leave the cell blank for every day.")
    return found


def _seasons(reader: ColumnReader, column: str) -> Mapping[int, MonthDay | date]:
    """Return days of the year and full dates of a column, each row its own."""
    found: dict[int, MonthDay | date] = {}
    full = []
    for row in reader.rows:
        cell = row.cells.get(column)
        if cell is None or reader.is_bad(row.number, column):
            continue
        text = cell.text[5:10] if cell.shown_as == "yearless" else cell.text
        try:
            found[row.number] = parse_month_day(text)
        except CellError as error:
            if re.search(r"\d{4}|^\d{5}$", text):
                full.append(row)
            else:
                reader.fault(row.number, column, error.problem, error.mend)
    every = reader.rows
    reader.keep(full)
    found.update(reader.dates(column))
    reader.keep(every)
    return found


def _crews(reader: ColumnReader, known: Names | None) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for row, text in reader.names("crews").items():
        listed = []
        for name in (part.strip() for part in text.split(";") if part.strip()):
            shown = name if known is None else known.find(name)
            if shown is None and known is not None:
                several = "," in name and all(known.find(part) for part in name.split(","))
                mend = "Put semicolons between crews." if several else known.hint(name)
                reader.fault(row, "crews", "unknown crew", mend, value=name)
            elif shown:
                listed.append(shown)
        found[row] = tuple(dict.fromkeys(listed))
        if not listed and not reader.is_bad(row, "crews"):
            reader.fault(row, "crews", "names no crew", "Name crews, or leave the cell blank for everyone.")
    return found


def _check_rule(reader: ColumnReader, rule: AccessRule) -> None:
    row, bad = rule.row, reader.is_bad
    if rule.from_minute >= rule.to_minute and not bad(row, "from") and not bad(row, "to"):
        reader.fault(
            row, "to", "the window ends before it begins", "from must lie before to; 24:00 is the day's end."
        )
    first, last = rule.season_from, rule.season_to
    if bad(row, "season_from") or bad(row, "season_to"):
        return
    if (first is None) != (last is None):
        missing = "season_from" if first is None else "season_to"
        reader.fault(row, missing, "a season needs both ends", "Give season_from and season_to, or neither.")
    elif isinstance(first, date) and isinstance(last, date):
        if first > last:
            reader.fault(row, "season_to", "the season ends before it begins", "Swap or mend the two dates.")
    elif first is not None and isinstance(first, date) != isinstance(last, date):
        reader.fault(
            row, "season_to", "one end is a full date, the other a day of the year", "Write both alike."
        )


def read_legs(
    reader: ColumnReader,
    ids: SiteIds | None,
    crew_names: Names | None,
    sites: Mapping[str, Site],
    findings: Findings,
) -> tuple[Leg, ...]:
    """
    Read legs.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    ids : SiteIds or None
        None where sites.csv could not be read.
    crew_names : Names or None
        None where the settings could not be read.
    sites : mapping of str to Site
        Sites in use, by id.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    tuple of Leg
        In the order of the file.
    """
    ends = {column: _places(reader, column, ids, crew_names) for column in ("from", "to")}
    reader.require("minutes")
    minutes, km = reader.numbers("minutes", 0, 2880), reader.numbers("km", 0, 5000)
    legs: list[Leg] = []
    dropped: list[int] = []
    seen: dict[tuple[object, object], Leg] = {}
    for raw in reader.rows:
        row = raw.number
        if row not in ends["from"] or row not in ends["to"]:
            continue
        one, other = ends["from"][row], ends["to"][row]
        if ids is not None and ids.set_aside & {one, other}:
            dropped.append(row)
            continue
        if row not in minutes:
            continue
        leg = Leg(one, other, minutes[row], km.get(row), row)
        key = (_parking(one, sites), _parking(other, sites))
        if key[0] == key[1]:
            reader.fault(
                row,
                "to",
                f"{one} and {other} are the same parking",
                "A leg joins two parkings; delete the row.",
                value=other,
            )
        elif key in seen and (seen[key].minutes, seen[key].km) != (leg.minutes, leg.km):
            before = seen[key]
            reader.fault(
                row,
                "minutes",
                f"the drive from {one} to {other} has {before.minutes:g} minutes in row {before.row} "
                "(sites of one parking share their legs)",
                "Keep one of the rows.",
            )
        elif leg.km is not None and leg.km > _FASTEST_KMH * leg.minutes / 60:
            reader.fault(
                row,
                "minutes",
                f"{leg.km:g} km in {leg.minutes:g} minutes is faster than anyone drives",
                "Mend one.",
            )
        seen.setdefault(key, leg)
        legs.append(leg)
    if dropped:
        findings.remark(
            f"{reader.file}, {list_rows(dropped)}: left out, the site is set aside (in_use = no)."
        )
    return tuple(legs)


def _parking(place: str, sites: Mapping[str, Site]) -> object:
    return sites[place].parking_key if place in sites else place


def _places(
    reader: ColumnReader, column: str, ids: SiteIds | None, crew_names: Names | None
) -> dict[int, str]:
    reader.require(column)
    found: dict[int, str] = {}
    for row, name in reader.names(column).items():
        if ids is None or crew_names is None:
            found[row] = name
            continue
        site, crew = ids.names.find(name), crew_names.find(name)
        if site is not None and crew is not None:
            reader.fault(row, column, "both a site and a crew have this name", "Rename one of them.")
        elif site is None and crew is None:
            both = Names((*ids.names, *crew_names))
            reader.fault(
                row,
                column,
                "neither a site nor a crew",
                both.hint(name) or "Write a site_id or a crew's name.",
            )
        else:
            found[row] = site or crew or name
    return found
