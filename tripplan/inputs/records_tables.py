"""packs.csv, visits.csv, readings.csv and jobs.csv: rows that belong to sites."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from tripplan.fleet import (
    SHELF,
    Cause,
    Done,
    Found,
    Job,
    Pack,
    PackState,
    Reading,
    VisitRecord,
)
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings, fold, list_rows
from tripplan.inputs.names import Names, read_ids
from tripplan.inputs.tables import RawRow

__all__ = ["SiteIds", "read_jobs", "read_packs", "read_readings", "read_visits"]


class _Source(StrEnum):
    PACK = "pack"
    BACKUP = "backup"


@dataclass(frozen=True)
class SiteIds:
    """Every site_id of sites.csv, and those set aside."""

    names: Names
    set_aside: frozenset[str]


def _sites_of(
    reader: ColumnReader, column: str, ids: SiteIds | None, findings: Findings, *, may_be: Iterable[str] = ()
) -> dict[int, str]:
    """Return the sites a column refers to; rows of sites set aside are dropped with a remark."""
    others = Names(may_be)
    found: dict[int, str] = {}
    dropped: list[int] = []
    for row, name in reader.names(column).items():
        shown = others.find(name) or (name if ids is None else ids.names.find(name))
        if shown is None and ids is not None:
            reader.fault(
                row, column, "unknown site", ids.names.hint(name) or "sites.csv has no such site_id."
            )
        elif ids is not None and shown in ids.set_aside:
            dropped.append(row)
        elif shown is not None:
            found[row] = shown
    if dropped:
        gone = set(dropped)
        reader.keep(row for row in reader.rows if row.number not in gone)
        findings.remark(
            f"{reader.file}, {list_rows(dropped)}: left out, the site is set aside (in_use = no)."
        )
    return found


def read_packs(
    reader: ColumnReader, ids: SiteIds | None, type_names: Names | None, findings: Findings
) -> tuple[Pack, ...]:
    """
    Read packs.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    ids : SiteIds or None
        None where sites.csv could not be read.
    type_names : Names or None
        None where the settings could not be read.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    tuple of Pack
        In the order of the file.
    """
    pack_ids = read_ids(reader, "pack_id", "pack")
    where = _sites_of(reader, "where", ids, findings, may_be=[SHELF])
    reader.require("pack_type")
    kinds: dict[int, str] = {}
    for row, name in reader.names("pack_type").items():
        shown = name if type_names is None else type_names.find(name)
        if shown is None and type_names is not None:
            mend = type_names.hint(name) or "tripplan.toml has no such pack type."
            reader.fault(row, "pack_type", "unknown pack type", mend)
        elif shown is not None:
            kinds[row] = shown
    bought, tested_on, since = reader.dates("bought"), reader.dates("tested_on"), reader.dates("since")
    tested = reader.numbers("tested_ah", 0, 1000, above=True)
    states = reader.choices("state", PackState)
    stateless: list[int] = []
    packs = []
    for raw in reader.rows:
        row = raw.number
        if row not in pack_ids or any(reader.is_bad(row, name) for name in ("pack_id", "state", "where")):
            continue
        place = where.get(row, "")
        state = states.get(row)
        if state is None:
            state = PackState.IN_USE if place not in {"", SHELF} else PackState.CHARGED
            if place in {"", SHELF}:
                stateless.append(row)
        if not place and state in (PackState.CHARGED, PackState.FLAT, PackState.CHARGING):
            place = SHELF
        _check_pack_place(reader, row, place, state)
        if row in since and row in bought and since[row] < bought[row]:
            reader.fault(
                row, "since", f"the pack went there before it was bought ({bought[row]})", "Mend one date."
            )
        if row in tested_on and row in bought and tested_on[row] < bought[row]:
            reader.fault(
                row,
                "tested_on",
                f"the pack was tested before it was bought ({bought[row]})",
                "Mend one date.",
            )
        packs.append(
            Pack(
                pack_id=pack_ids[row],
                pack_type=kinds.get(row, ""),
                bought=bought.get(row),
                tested_ah=tested.get(row),
                tested_on=tested_on.get(row),
                where=place,
                since=since.get(row),
                state=state,
                row=row,
            )
        )
    if stateless:
        findings.remark(
            f"{reader.file}, {list_rows(stateless)}: no state given; counted as charged on the shelf."
        )
    return tuple(packs)


def _check_pack_place(reader: ColumnReader, row: int, place: str, state: PackState) -> None:
    at_site = place not in {"", SHELF}
    if at_site and state in (PackState.CHARGING, PackState.RETIRED):
        reader.fault(
            row,
            "state",
            f"a pack that is {state} cannot be in use at {place}",
            "Set where to shelf, or state to in use.",
        )
    if not at_site and state is PackState.IN_USE:
        reader.fault(
            row, "where", "the pack is in use, but not at a site", "Write the site_id, or another state."
        )


def read_visits(
    reader: ColumnReader, ids: SiteIds | None, pack_names: Names, findings: Findings
) -> tuple[VisitRecord, ...]:
    """
    Read visits.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    ids : SiteIds or None
        None where sites.csv could not be read.
    pack_names : Names
        Packs of packs.csv, whose spelling is kept.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    tuple of VisitRecord
        In the order of the file.
    """
    reader.require("site_id")
    sites = _sites_of(reader, "site_id", ids, findings)
    reader.require("date")
    days = reader.dates("date")
    found, cause, done = (
        reader.choices("found", Found),
        reader.choices("cause", Cause),
        reader.choices("done", Done),
    )
    pack_out, pack_in = reader.names("pack_out"), reader.names("pack_in")
    volts_out, volts_in = reader.numbers("volts_out", 0, 80), reader.numbers("volts_in", 0, 80)
    minutes = reader.numbers("minutes", 0, 1440)
    notes = reader.texts("notes")
    visits = []
    seen: dict[tuple[str, date], list[RawRow]] = {}
    for raw in reader.rows:
        row = raw.number
        if row not in sites or row not in days:
            continue
        same_day = seen.setdefault((sites[row], days[row]), [])
        twin = next((other.number for other in same_day if _says(other) == _says(raw)), None)
        if twin is not None:
            reader.fault(row, "date", f"the same visit stands in row {twin} already", "Delete one of them.")
            continue
        same_day.append(raw)
        visit = VisitRecord(
            day=days[row],
            site_id=sites[row],
            found=found.get(row),
            cause=cause.get(row),
            done=done.get(row),
            pack_out=pack_names.find(pack_out.get(row, "")) or pack_out.get(row, ""),
            volts_out=volts_out.get(row),
            pack_in=pack_names.find(pack_in.get(row, "")) or pack_in.get(row, ""),
            volts_in=volts_in.get(row),
            minutes=minutes.get(row),
            notes=notes.get(row, ""),
            row=row,
        )
        _check_visit(reader, visit)
        visits.append(visit)
    _remark_visits(reader, visits, findings)
    return tuple(visits)


def _says(row: RawRow) -> dict[str, str]:
    return {name: fold(cell.text) for name, cell in row.cells.items() if name != "date"}


def _remark_visits(reader: ColumnReader, visits: list[VisitRecord], findings: Findings) -> None:
    """Remark on visits that may not mean what they say."""
    odd = [
        visit.row
        for visit in visits
        if visit.pack_in
        and visit.done not in (Done.SWAPPED, Done.INSTALLED)
        and not reader.is_bad(visit.row, "done")
    ]
    if odd:
        findings.remark(
            f"{reader.file}, {list_rows(odd)}, column done: a pack went in, but done is neither swapped nor "
            "installed, so no swap is counted."
        )


def _check_visit(reader: ColumnReader, visit: VisitRecord) -> None:
    swapped = visit.done is Done.SWAPPED
    if swapped and visit.pack_in and fold(visit.pack_in) == fold(visit.pack_out):
        reader.fault(
            visit.row, "pack_in", "the pack that went in is the one that came out", "Mend one of them."
        )
    if visit.found is Found.NOT_REACHED and visit.done in (
        Done.SWAPPED,
        Done.INSTALLED,
        Done.REPAIRED,
        Done.REMOVED,
    ):
        reader.fault(
            visit.row,
            "done",
            f"the site was not reached, yet the pack or device was {visit.done}",
            "Mend found or done.",
        )


def read_readings(
    reader: ColumnReader, ids: SiteIds | None, zone: ZoneInfo, findings: Findings
) -> tuple[Reading, ...]:
    """
    Read readings.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    ids : SiteIds or None
        None where sites.csv could not be read.
    zone : zoneinfo.ZoneInfo
        Zone of clock times without an offset.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    tuple of Reading
        In the order of the file.
    """
    reader.require("site_id")
    sites = _sites_of(reader, "site_id", ids, findings)
    reader.require("when")
    when = reader.timestamps("when")
    volts = reader.numbers("volts", 0, 80)
    percent = reader.numbers("percent", 0, 100)
    source = reader.choices("source", _Source)
    temp = reader.numbers("temp_c", -60, 80)
    return tuple(
        Reading(
            when=_with_zone(when[row.number], zone),
            site_id=sites[row.number],
            volts=volts.get(row.number),
            percent=percent.get(row.number),
            source=str(source.get(row.number, _Source.PACK)),
            temp_c=temp.get(row.number),
            row=row.number,
        )
        for row in reader.rows
        if row.number in sites and row.number in when
    )


def _with_zone(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.replace(tzinfo=zone) if moment.tzinfo is None else moment.astimezone(zone)


def read_jobs(reader: ColumnReader, ids: SiteIds | None, findings: Findings) -> tuple[Job, ...]:
    """
    Read jobs.csv.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    ids : SiteIds or None
        None where sites.csv could not be read.
    findings : Findings
        Takes faults and remarks.

    Returns
    -------
    tuple of Job
        In the order of the file.
    """
    reader.require("site_id")
    sites = _sites_of(reader, "site_id", ids, findings)
    reader.require("job")
    jobs, bring = reader.texts("job"), reader.texts("bring")
    due_by, done_on = reader.dates("due_by"), reader.dates("done_on")
    minutes = reader.numbers("minutes", 0, 720)
    seen: dict[tuple[tuple[str, str], ...], int] = {}
    for raw in reader.rows:
        said = tuple(sorted((name, fold(cell.text)) for name, cell in raw.cells.items()))
        if seen.setdefault(said, raw.number) != raw.number:
            reader.fault(
                raw.number, "job", f"the same job stands in row {seen[said]} already", "Delete one of them."
            )
    return tuple(
        Job(
            site_id=sites[row.number],
            job=jobs[row.number],
            due_by=due_by.get(row.number),
            minutes=minutes.get(row.number, 0.0),
            bring=bring.get(row.number, ""),
            done_on=done_on.get(row.number),
            row=row.number,
        )
        for row in reader.rows
        if row.number in sites and row.number in jobs
    )
