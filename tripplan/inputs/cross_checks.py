"""Checks across tables: fit of packs and sites, lives, dates that cannot be, volts that cannot be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from tripplan.fleet import AT_HOME, Crew, Done, Fleet, Pack, PackType, Reading, Site, VisitRecord
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings, list_rows, say_date
from tripplan.inputs.schema import SETTINGS_FILE

__all__ = [
    "check_fit",
    "check_future",
    "check_life",
    "check_reading_volts",
    "check_visit_volts",
    "check_weights",
    "pack_volts_span",
    "remark_removed",
]

_LEAST_VOLTS, _MOST_VOLTS = 0.5, 1.25  # of a pack's nominal volts; outside, the figure is no rested pack's
_CELL_VOLTS = (0.5, 4.5)  # one backup cell of any chemistry
_LIFE_COLUMNS = ("site_id", "swapped_on", "flat_on", "draw_mah_per_day", "usual_months")


def _squeeze(plug: str) -> str:
    return " ".join(plug.lower().split())


#: New packs test at up to about a tenth above their rating; twice is a slip of the pen.
_MOST_OF_RATED = 2.0


def check_fit(
    sites: Sequence[Site],
    types: Mapping[str, PackType],
    packs: Sequence[Pack],
    reader: ColumnReader,
    pack_reader: ColumnReader | None,
) -> None:
    """
    Refuse packs whose volts or plug do not fit the device, or whose test cannot be theirs.

    Parameters
    ----------
    sites : sequence of Site
        Sites in use.
    types : mapping of str to PackType
        Pack types without faults.
    packs : sequence of Pack
        All packs.
    reader, pack_reader : ColumnReader
        Of sites.csv and packs.csv.
    """
    by_id = {site.site_id: site for site in sites}
    for site in sites:
        kind = types.get(site.pack_type)
        if kind is not None and not reader.is_bad(site.row, "volts"):
            _check_volts(site, kind, reader, site.row, "pack_type", "the site")
            _check_plug(site, kind, reader, site.row, "plug")
    for pack in packs:
        kind, place = types.get(pack.pack_type), by_id.get(pack.where)
        if kind is not None and pack_reader is not None:
            _check_test(pack, kind, pack_reader)
        if (
            kind is not None
            and place is not None
            and pack_reader is not None
            and kind.name != place.pack_type
        ):
            _check_volts(place, kind, pack_reader, pack.row, "pack_type", f"site {place.site_id}")
            _check_plug(place, kind, pack_reader, pack.row, "pack_type")


def _check_test(pack: Pack, kind: PackType, reader: ColumnReader) -> None:
    """Refuse a tested capacity that no pack of its type can have."""
    if pack.tested_ah is not None and pack.tested_ah > _MOST_OF_RATED * kind.capacity_ah:
        reader.fault(
            pack.row,
            "tested_ah",
            f"pack {pack.pack_id} cannot hold so much: its type {kind.name} is rated {kind.capacity_ah:g} Ah",
            "Is the decimal point right, and the type?",
        )


def _check_volts(site: Site, kind: PackType, reader: ColumnReader, row: int, column: str, where: str) -> None:
    wants = site.takes_volts
    if reader.is_bad(row, "converter_volts") or abs(kind.volts - wants) < 1e-6:
        return
    inlet = f"the converter of {where}" if site.converter_volts is not None else where
    mend = "Name a pack type of the right voltage, or mend volts."
    if kind.volts > wants:
        victim = "device" if site.converter_volts is None else "converter"
        mend = f"A {kind.volts:g} V pack on a {wants:g} V {victim} destroys the device. {mend}"
    reader.fault(row, column, f"the pack gives {kind.volts:g} V, but {inlet} takes in {wants:g} V", mend)


def _check_plug(site: Site, kind: PackType, reader: ColumnReader, row: int, column: str) -> None:
    if _squeeze(site.plug) == _squeeze(kind.plug):
        return
    reader.fault(
        row,
        column,
        f"the pack's plug is '{kind.plug}', but the site's is '{site.plug}'",
        "Size and polarity must be the same; reversed polarity destroys the device.",
    )


def check_weights(
    sites: Sequence[Site], types: Mapping[str, PackType], crews: Sequence[Crew], findings: Findings
) -> None:
    """
    Refuse pack types in use that no crew may carry.

    Parameters
    ----------
    sites : sequence of Site
        Sites in use.
    types : mapping of str to PackType
        Pack types without faults.
    crews : sequence of Crew
        All crews.
    findings : Findings
        Takes the faults.
    """
    if not crews:
        return
    most = max(crew.carry_kg for crew in crews)
    for name in dict.fromkeys(site.pack_type for site in sites):
        if name in types and types[name].weight_kg > most:
            findings.fault(
                SETTINGS_FILE,
                f"no crew can carry this pack (the most that a crew carries is {most:g} kg)",
                "Mend weight_kg or carry_kg.",
                column=f"[pack_types.{name}] weight_kg",
                value=f"{types[name].weight_kg:g}",
            )


def check_life(fleet: Fleet, reader: ColumnReader, *, judge_swaps: bool) -> None:
    """
    Refuse sites of which nothing says when the pack went in, or how long one lasts.

    Parameters
    ----------
    fleet : Fleet
        Built from tables that may have other faults.
    reader : ColumnReader
        Of sites.csv.
    judge_swaps : bool
        False where packs.csv or visits.csv have faults, so that a swap may only seem to be missing.
    """
    for site in fleet.sites:
        bad = {name for name in _LIFE_COLUMNS if reader.is_bad(site.row, name)}
        since = fleet.in_place[site.site_id].since
        if (
            judge_swaps
            and site.flat_on is None
            and since is None
            and not fleet.is_at_home(site.site_id)
            and not bad & {"swapped_on", "flat_on", "site_id"}
        ):
            reader.fault(
                site.row,
                "swapped_on",
                "nothing says when the pack went in",
                "Fill in swapped_on (or flat_on), or give the swap in visits.csv or packs.csv; for a device "
                "still to be set out fill in active_from.",
            )
        kind = fleet.pack_types.get(site.pack_type)
        if kind is None or bad:
            continue
        ran = site.flat_on is not None and since is not None and site.flat_on > since
        profile = fleet.profiles.get(site.profile)
        drawn = None if profile is None else profile.device_draw_mah_per_day
        known = (site.draw_mah_per_day, drawn, site.usual_months, kind.usual_months)
        if ran or any(value is not None for value in known) or (site.flat_on is not None and not judge_swaps):
            continue
        other = "flat_on with swapped_on" if site.flat_on is None else "swapped_on"
        reader.fault(
            site.row,
            "usual_months",
            "nothing says how long a charged pack lasts here",
            f"Fill in usual_months, draw_mah_per_day or {other}, or set usual_months of pack type "
            f"{kind.name}.",
        )


def remark_removed(fleet: Fleet, reader: ColumnReader, findings: Findings) -> None:
    """
    Remark on devices that were removed, where nothing says when they run again.

    Parameters
    ----------
    fleet : Fleet
        Sites and visits.
    reader : ColumnReader
        Of visits.csv.
    findings : Findings
        Takes the remark.
    """
    last: dict[str, VisitRecord] = {}
    for visit in sorted(fleet.visits, key=lambda visit: (visit.day, visit.row)):
        if visit.done in (Done.SWAPPED, Done.INSTALLED, Done.REMOVED):
            last[visit.site_id] = visit
    gone = []
    for visit in last.values():
        site = fleet.sites_by_id.get(visit.site_id)
        begins = None if site is None else site.active_from
        away = site is None or fleet.in_place[site.site_id].source == AT_HOME
        if visit.done is Done.REMOVED and away and (begins is None or begins <= visit.day):
            gone.append(visit)
    if gone:
        rows, names = list_rows([visit.row for visit in gone]), ", ".join(visit.site_id for visit in gone)
        findings.remark(
            f"{reader.file}, {rows}: the device was removed and not installed again ({names}); give "
            "active_from in the sites, from which day it is to run again, or set in_use = no if it is gone."
        )


def check_future(
    readers: Mapping[str, tuple[ColumnReader, Mapping[str, Mapping[int, date]]]], today: date
) -> None:
    """
    Refuse records dated after today.

    Parameters
    ----------
    readers : mapping of str to (ColumnReader, mapping)
        By table: its reader and, by column, the dates by row.
    today : datetime.date
        Today, local to the fleet.
    """
    for reader, columns in readers.values():
        for column, days in columns.items():
            for row, day in days.items():
                if day > today and not reader.is_bad(row, column):
                    reader.fault(
                        row,
                        column,
                        f"the date lies after today ({say_date(today)})",
                        "A record tells what has happened; mend the date.",
                    )


def check_visit_volts(
    visits: Sequence[VisitRecord],
    packs: Sequence[Pack],
    fleet: Fleet,
    reader: ColumnReader,
    pack_reader: ColumnReader | None,
) -> None:
    """
    Refuse volts that no rested pack of the kind shows.

    Parameters
    ----------
    visits : sequence of VisitRecord
        All visits.
    packs : sequence of Pack
        All packs.
    fleet : Fleet
        Sites and pack types.
    reader, pack_reader : ColumnReader
        Of visits.csv and packs.csv; packs whose type has a fault are not judged.
    """
    doubtful = {
        pack.pack_id.casefold()
        for pack in packs
        if pack_reader is not None and pack_reader.is_bad(pack.row, "pack_type")
    }
    type_of_pack = {pack.pack_id.casefold(): pack.pack_type for pack in packs}
    for visit in visits:
        site = fleet.sites_by_id.get(visit.site_id)
        for pack_id, volts, column in (
            (visit.pack_out, visit.volts_out, "volts_out"),
            (visit.pack_in, visit.volts_in, "volts_in"),
        ):
            name = type_of_pack.get(pack_id.casefold()) or (site.pack_type if site else "")
            kind = fleet.pack_types.get(name)
            if volts is not None and kind is not None and pack_id.casefold() not in doubtful:
                _check_pack_volts(reader, visit.row, column, volts, kind)


def check_reading_volts(
    readings: Sequence[Reading], fleet: Fleet, reader: ColumnReader, site_reader: ColumnReader
) -> None:
    """
    Refuse reported volts that the pack or the backup cells cannot have.

    Parameters
    ----------
    readings : sequence of Reading
        All readings.
    fleet : Fleet
        Sites and pack types.
    reader, site_reader : ColumnReader
        Of readings.csv and sites.csv; sites whose pack type has a fault are not judged.
    """
    for reading in readings:
        site = fleet.sites_by_id.get(reading.site_id)
        kind = fleet.pack_types.get(site.pack_type) if site else None
        if reading.volts is None or site is None or kind is None or site_reader.is_bad(site.row, "pack_type"):
            continue
        if reading.source == "pack":
            _check_pack_volts(reader, reading.row, "volts", reading.volts, kind)
        elif site.backup_cells is not None:
            low, high = (site.backup_cells * volts for volts in _CELL_VOLTS)
            if not low <= reading.volts <= high:
                reader.fault(
                    reading.row,
                    "volts",
                    f"{site.backup_cells} backup cells show {low:g} to {high:g} V",
                    "Mend it, or leave it blank.",
                )


def pack_volts_span(kind: PackType) -> tuple[float, float]:
    """
    Return between which volts a rested pack of a type can be.

    Parameters
    ----------
    kind : PackType
        The type.

    Returns
    -------
    low, high : float
        Ends included. [V]
    """
    return _LEAST_VOLTS * kind.nominal_volts, _MOST_VOLTS * kind.nominal_volts


def _check_pack_volts(reader: ColumnReader, row: int, column: str, volts: float, kind: PackType) -> None:
    low, high = pack_volts_span(kind)
    if low <= volts <= high:
        return
    mend = "Mend it, or leave it blank where nothing was measured at the battery's terminals."
    if kind.battery_volts is None and volts > high:
        mend += f" If the box of {kind.name} holds a converter, set its battery_volts."
    reader.fault(row, column, f"a {kind.nominal_volts:g} V pack shows {low:g} to {high:g} V", mend)
