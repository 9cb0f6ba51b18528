"""sites.csv: every site in use, each value checked by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from tripplan.fleet import SHELF, Chemistry, PackType, Site
from tripplan.inputs.cells import CellError, parse_yes_no
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings, fold, list_rows
from tripplan.inputs.names import Names, read_ids

__all__ = ["SitesRead", "read_sites"]

T = TypeVar("T")

_NUMBERS: tuple[tuple[str, float, float, bool], ...] = (
    # column, lowest, highest, whether the lowest itself is too low
    ("walk_m", 0, 50_000, False),
    ("climb_m", -3_000, 3_000, False),
    ("volts", 0, 60, True),
    ("draw_mah_per_day", 0, 100_000, True),
    ("usual_months", 0, 120, True),
    ("flat_on_sd_days", 0, 365, False),
    ("work_minutes", 0, 720, False),
    ("backup_days", 0, 365, False),
    ("converter_volts", 0, 60, True),
    ("converter_idle_ma", 0, 1_000, False),
    ("converter_efficiency", 0.2, 1, False),
    ("panel_w", 0, 500, False),
    ("sun_fraction", 0, 1, False),
    ("risk", 0, 0.5, True),
    ("device_kg", 0, 50, False),
)
_DATES = ("swapped_on", "flat_on", "active_from", "active_to")
_TEXTS = ("name", "plug", "device_id", "find", "notes")
_MAY_BE_PRIVATE = ("name", "find", "device_id")


@dataclass(frozen=True)
class SitesRead:
    """
    What sites.csv says.

    Attributes
    ----------
    sites : tuple of Site
        Sites in use whose place and pack type could be read.
    names : Names
        Every site_id of the file, also of rows set aside or faulty.
    set_aside : tuple of str
        Ids of the rows with ``in_use = no``.
    reader : ColumnReader
        For faults that later checks find in a row.
    """

    sites: tuple[Site, ...]
    names: Names
    set_aside: tuple[str, ...]
    reader: ColumnReader


def read_sites(
    reader: ColumnReader,
    findings: Findings,
    types: Mapping[str, PackType],
    type_names: Names | None,
    access_names: Names | None,
    profile_names: Names | None = None,
) -> SitesRead:
    """
    Read the sites.

    Parameters
    ----------
    reader : ColumnReader
        The table.
    findings : Findings
        Takes faults and remarks.
    types : mapping of str to PackType
        Pack types without faults.
    type_names : Names or None
        Every pack type that the settings name; None where the settings could not be read.
    access_names : Names or None
        Every access name; None where access.csv could not be read.
    profile_names : Names, optional
        Every profile of the settings; None where they have none: a profile is then a word for like devices.

    Returns
    -------
    SitesRead
        The sites in use and what other tables need to know about the rest.
    """
    ids = read_ids(reader, "site_id", "site")
    for row, name in ids.items():
        if fold(name) == SHELF:
            reader.fault(row, "site_id", "'shelf' is where spare packs stand, not a site", "Rename the site.")
    in_use = reader.read("in_use", parse_yes_no)
    aside = tuple(name for row, name in ids.items() if not in_use.get(row, True))
    reader.keep(row for row in reader.rows if in_use.get(row.number, True))
    if not reader.rows:
        mend = "Set in_use to yes for at least one." if aside else "Add a row for each site."
        findings.fault(reader.file, "there is no site in use", mend)
    if aside:
        findings.remark(f"{reader.file}: set aside by in_use = no: {', '.join(aside)}.")
    for column in ("lat", "lon", "pack_type"):
        reader.require(column)
    lat, lon = reader.angles("lat", "lat"), reader.angles("lon", "lon")
    park_lat, park_lon = reader.angles("park_lat", "lat"), reader.angles("park_lon", "lon")
    numbers = {name: reader.numbers(name, low, high, above=above) for name, low, high, above in _NUMBERS}
    dates = {name: reader.dates(name) for name in _DATES}
    texts = {name: reader.texts(name) for name in _TEXTS}
    private = reader.read("private", _parse_private)
    cells = reader.wholes("backup_cells", 1, 200)
    chemistry = reader.choices("backup_chemistry", Chemistry)
    pack_type = _refer(
        reader, "pack_type", type_names, "unknown pack type", "tripplan.toml has no such pack type."
    )
    profile = _refer(
        reader, "profile", profile_names, "unknown profile", "tripplan.toml has no such [profiles.NAME]."
    )
    access = _refer(reader, "access", access_names, "unknown access name", "access.csv has no such name.")
    for raw in reader.rows:
        number = raw.number
        for one, other in (("park_lat", "park_lon"), ("park_lon", "park_lat")):
            if one in raw.cells and other not in raw.cells:
                reader.fault(number, other, f"{one} is given without {other}", "Give both or neither.")
    sites = []
    for raw in reader.rows:
        number = raw.number
        if number not in ids or number not in lat or number not in lon:
            continue
        if (lat[number], lon[number]) == (0.0, 0.0):
            reader.fault(number, "lat", "0, 0 lies in the sea off Africa", "Write where the site is.")
            continue
        kind = types.get(pack_type.get(number, ""))
        at = partial(_at, number)
        has_park = number in park_lat and number in park_lon
        usual_volts = kind.volts if kind else 12.0
        sites.append(
            Site(
                site_id=ids[number],
                lat=lat[number],
                lon=lon[number],
                pack_type=pack_type.get(number, ""),
                volts=at(numbers["volts"]) or usual_volts,
                plug=texts["plug"].get(number, kind.plug if kind else ""),
                park_lat=park_lat[number] if has_park else lat[number],
                park_lon=park_lon[number] if has_park else lon[number],
                name=texts["name"].get(number, ""),
                walk_m=at(numbers["walk_m"]),
                climb_m=numbers["climb_m"].get(number, 0.0),
                draw_mah_per_day=at(numbers["draw_mah_per_day"]),
                usual_months=at(numbers["usual_months"]),
                swapped_on=at(dates["swapped_on"]),
                flat_on=at(dates["flat_on"]),
                flat_on_sd_days=numbers["flat_on_sd_days"].get(number, 0.0),
                work_minutes=numbers["work_minutes"].get(number, 15.0),
                access=access.get(number, ""),
                backup_days=numbers["backup_days"].get(number, 0.0),
                backup_chemistry=at(chemistry),
                backup_cells=at(cells),
                converter_volts=at(numbers["converter_volts"]),
                converter_idle_ma=at(numbers["converter_idle_ma"]),
                converter_efficiency=at(numbers["converter_efficiency"]),
                panel_w=at(numbers["panel_w"]),
                sun_fraction=at(numbers["sun_fraction"]),
                risk=at(numbers["risk"]),
                active_from=at(dates["active_from"]),
                active_to=at(dates["active_to"]),
                device_kg=numbers["device_kg"].get(number, 0.0),
                device_id=texts["device_id"].get(number, ""),
                profile=profile.get(number, ""),
                find=texts["find"].get(number, ""),
                notes=texts["notes"].get(number, ""),
                private=private.get(number, frozenset()),
                row=number,
            )
        )
    _check_rows(reader, sites)
    _remark_places(reader.file, findings, sites)
    spoilt = [row.cells["site_id"].text for row in reader.table.spoilt if "site_id" in row.cells]
    return SitesRead(tuple(sites), Names([*ids.values(), *spoilt]), aside, reader)


def _at(row: int, column: Mapping[int, T]) -> T | None:
    return column.get(row)


def _refer(
    reader: ColumnReader, column: str, known: Names | None, problem: str, otherwise: str
) -> dict[int, str]:
    """Return the names of a column as they are shown where they were given."""
    found: dict[int, str] = {}
    for row, name in reader.names(column).items():
        if known is None:
            found[row] = name
            continue
        shown = known.find(name)
        if shown is None:
            reader.fault(row, column, problem, known.hint(name) or otherwise)
        else:
            found[row] = shown
    return found


def _check_rows(reader: ColumnReader, sites: list[Site]) -> None:
    for site in sites:
        row = site.row
        if site.active_from and site.active_to and site.active_from > site.active_to:
            reader.fault(
                row,
                "active_to",
                "active_to lies before active_from",
                "Swap or mend the two dates; clear an active_to of last season.",
            )
        has_converter = site.converter_volts is not None or reader.is_bad(row, "converter_volts")
        for column in ("converter_idle_ma", "converter_efficiency"):
            if getattr(site, column) is not None and not has_converter:
                reader.fault(
                    row,
                    column,
                    "there is no converter at this site",
                    "Give converter_volts, what the converter takes in, or clear this cell.",
                )
        if site.converter_volts is not None and not reader.is_bad(row, "volts"):
            if not reader.raw(row, "volts"):
                reader.fault(
                    row,
                    "volts",
                    "a site with a converter needs the volts of its device",
                    "converter_volts is what the converter takes in, volts what the device takes.",
                )
            elif abs(site.converter_volts - site.volts) < 1e-6:
                reader.fault(
                    row,
                    "converter_volts",
                    "the converter takes in what the device takes already",
                    "converter_volts is the pack's side, volts the device's; clear it without a converter.",
                )
        if site.flat_on_sd_days and site.flat_on is None and not reader.is_bad(row, "flat_on"):
            reader.fault(
                row, "flat_on_sd_days", "a spread without flat_on", "Give flat_on or clear this cell."
            )
        if site.backup_cells and site.backup_chemistry is None and not reader.is_bad(row, "backup_chemistry"):
            reader.fault(row, "backup_cells", "cells without backup_chemistry", "Say what cells they are.")


def _parse_private(text: str) -> frozenset[str]:
    """Return the columns that stay at home."""
    words = [fold(word) for word in text.replace(",", ";").split(";") if word.strip()]
    wrong = [word for word in words if word not in _MAY_BE_PRIVATE]
    if wrong:
        raise CellError(
            f"'{wrong[0]}' cannot stay at home",
            f"Name some of {', '.join(_MAY_BE_PRIVATE)}, with semicolons between; "
            "notes never leave the house.",
        )
    return frozenset(words)


def _remark_places(file: str, findings: Findings, sites: list[Site]) -> None:
    """Remark on what is odd about single places but may be right."""
    by_place: dict[tuple[float, float], list[Site]] = {}
    for site in sites:
        by_place.setdefault((round(site.lat, 5), round(site.lon, 5)), []).append(site)
    for together in by_place.values():
        if len(together) > 1:
            findings.remark(
                f"{file}, {list_rows([site.row for site in together])}: sites with the same coordinates "
                f"({', '.join(site.site_id for site in together)}). Is that right?"
            )
    steep = [
        site.row
        for site in sites
        if site.walk_m is not None and site.walk_m > 0 and abs(site.climb_m) > site.walk_m
    ]
    if steep:
        findings.remark(f"{file}, {list_rows(steep)}, column climb_m: more climb than walk. Is that right?")
