"""A folder of files to one checked fleet, or to every fault in them."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

from tripplan.errors import Fault, InputError, StorageError
from tripplan.fleet import AccessRule, Fleet, Pack, Reading, VisitRecord
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.cross_checks import (
    check_fit,
    check_future,
    check_life,
    check_reading_volts,
    check_visit_volts,
    check_weights,
    remark_removed,
)
from tripplan.inputs.find_files import find_tables, input_files
from tripplan.inputs.findings import Findings
from tripplan.inputs.geography import check_places, find_timezone
from tripplan.inputs.names import Names
from tripplan.inputs.records_tables import SiteIds, read_jobs, read_packs, read_readings, read_visits
from tripplan.inputs.schema import SETTINGS_FILE
from tripplan.inputs.settings import Settings, read_settings
from tripplan.inputs.sites import SitesRead, read_sites
from tripplan.inputs.tables import RawTable
from tripplan.inputs.ways_tables import read_access, read_legs
from tripplan.inputs.weather_table import read_weather
from tripplan.inputs.whereabouts import check_whereabouts
from tripplan.inputs.wishes_table import read_wishes
from tripplan.storage import read_bytes, settle_folder

__all__ = ["folder_digest", "read_fleet"]

_MOST_TRIES = 5  # a folder that changes under every one of them is read as it is


def read_fleet(folder: Path, today: date | None = None) -> Fleet:
    """
    Read and check all files of a fleet.

    Parameters
    ----------
    folder : pathlib.Path
        Folder with tripplan.toml, sites.csv and what else there is.
    today : datetime.date, optional
        Today, local to the fleet; records dated later are faults. Without it they are not judged.

    Returns
    -------
    Fleet
        Every cross-reference, range, voltage and plug checked.

    Raises
    ------
    InputError
        With all faults of all files; nothing is half loaded.
    StorageError
        If a run was cut off while it wrote here, and its work cannot be ended.
    """
    folder = Path(folder)
    _refuse_folder(folder)
    for _ in range(_MOST_TRIES):
        settle_folder(folder)
        before = _stamps(folder)
        findings = Findings()
        settings = read_settings(folder, findings)
        tables = find_tables(folder, findings)
        fleet = _Reader(folder, settings, tables, findings, today).read()
        if _stamps(folder) == before:
            break
    if findings.faults or fleet is None:
        raise InputError(findings.faults)
    return fleet


def _stamps(folder: Path) -> list[tuple[str, int, int, int]]:
    """Return what changes when another run, or a person, writes a file while it is read."""
    found = []
    for path in input_files(folder):
        with contextlib.suppress(FileNotFoundError):
            about = path.stat()
            found.append((path.name, about.st_ino, about.st_mtime_ns, about.st_size))
    return found


def _refuse_folder(folder: Path) -> None:
    """Raise where the folder itself is at fault."""
    try:
        blank = not any(folder.iterdir())
    except FileNotFoundError:
        problem, mend = "there is no such folder", "Name the folder that holds tripplan.toml."
    except NotADirectoryError:
        problem, mend = "this is a file, not a folder", "Name the folder that holds tripplan.toml."
    except OSError:
        problem, mend = "the folder cannot be read", "Check its permissions."
    else:
        if not blank:
            return
        problem, mend = "the folder is empty", "tripplan init FOLDER writes a commented starter set of files."
    raise InputError([Fault(str(folder), problem=problem, mend=mend)])


def folder_digest(folder: Path, instead: Mapping[str, bytes] | None = None) -> str:
    """
    Return a fingerprint of all input files of a folder.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of a fleet.
    instead : mapping of str to bytes, optional
        Contents that files will have, by name, where they are about to be written.

    Returns
    -------
    str
        SHA-256 over names and contents of the files of the contract that are there, in hexadecimal.

    Raises
    ------
    tripplan.errors.StorageError
        If the folder or one of them cannot be read.
    """
    digest = hashlib.sha256()
    settle_folder(Path(folder))
    try:
        paths = input_files(Path(folder))
    except OSError as error:
        raise StorageError(f"{folder}: the folder cannot be read ({error.strerror}).") from error
    coming = dict(instead or {})
    there = {path.name: path for path in paths}
    for name in sorted({*there, *coming}):
        data = coming[name] if name in coming else read_bytes(there[name])
        digest.update(f"{name}\n{len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


class _Reader:
    """Reads the tables in the order in which they need each other."""

    def __init__(
        self,
        folder: Path,
        settings: Settings | None,
        tables: Mapping[str, RawTable | None],
        findings: Findings,
        today: date | None,
    ) -> None:
        self.folder = folder
        self.settings = settings
        self.findings = findings
        self.today = today
        order = settings.date_order if settings else None
        self.readers = {
            name: ColumnReader(table, findings, order) for name, table in tables.items() if table is not None
        }
        self.failed = {name for name, table in tables.items() if table is None}

    def read(self) -> Fleet | None:
        """Return the fleet; None where its settings or sites could not be read."""
        settings, findings, readers = self.settings, self.findings, self.readers
        crew_names = Names(settings.crew_names) if settings and settings.crew_names else None
        type_names = Names(settings.type_names) if settings and settings.type_names else None
        access = self._read_access(crew_names)
        sites = self._read_sites(settings, type_names, access)
        ids = SiteIds(sites.names, frozenset(sites.set_aside)) if sites else None
        packs = read_packs(readers["packs"], ids, type_names, findings) if "packs" in readers else None
        pack_names = Names(pack.pack_id for pack in packs or ())
        visits = read_visits(readers["visits"], ids, pack_names, findings) if "visits" in readers else ()
        jobs = read_jobs(readers["jobs"], ids, findings) if "jobs" in readers else ()
        if sites is not None:
            check_places(sites.sites, settings.crews if settings else (), sites.reader, findings)
        zone = self._timezone(settings, sites)
        readings = (
            read_readings(readers["readings"], ids, ZoneInfo(zone or "UTC"), findings)
            if "readings" in readers
            else ()
        )
        in_use = {site.site_id: site for site in sites.sites} if sites else {}
        legs = read_legs(readers["legs"], ids, crew_names, in_use, findings) if "legs" in readers else ()
        wishes = read_wishes(readers["wishes"], ids, crew_names) if "wishes" in readers else ()
        if settings is None or sites is None:
            return None
        fleet = Fleet(
            name=settings.name,
            timezone=zone or "UTC",
            crews=settings.crews,
            sites=sites.sites,
            pack_types=settings.pack_types,
            currency=settings.currency,
            language=settings.language,
            units=settings.units,
            blocked=settings.blocked,
            plan=settings.plan,
            drive=settings.drive,
            walk=settings.walk,
            climate=settings.climate,
            chargers=settings.chargers,
            spares=settings.spares,
            money=settings.money,
            profiles=settings.profiles,
            access=access or {},
            packs=packs,
            visits=visits,
            readings=readings,
            jobs=jobs,
            legs=legs,
            weather=read_weather(readers["weather"]) if "weather" in readers else {},
            wishes=wishes,
            set_aside=sites.set_aside,
            folder=self.folder,
        )
        self._cross_check(fleet, sites, packs, visits, readings)
        return _with_remarks(fleet, findings)

    def _read_access(self, crew_names: Names | None) -> dict[str, tuple[AccessRule, ...]] | None:
        if "access" not in self.readers:
            return None if "access" in self.failed else {}
        return read_access(self.readers["access"], crew_names, self.findings)

    def _read_sites(
        self,
        settings: Settings | None,
        type_names: Names | None,
        access: Mapping[str, object] | None,
    ) -> SitesRead | None:
        if "sites" not in self.readers:
            return None
        return read_sites(
            self.readers["sites"],
            self.findings,
            settings.pack_types if settings else {},
            type_names,
            None if access is None else Names(access),
            Names(settings.profiles) if settings and settings.profiles else None,
        )

    def _timezone(self, settings: Settings | None, sites: SitesRead | None) -> str | None:
        if settings is None or settings.timezone:
            return settings.timezone if settings else None
        faulty = any(fault.column == "[fleet] timezone" for fault in self.findings.faults)
        if faulty or sites is None or not sites.sites:
            return None
        sure = [site for site in sites.sites if not sites.reader.is_bad(site.row, "lat")]
        return find_timezone(sure, self.findings) if sure else None

    def _cross_check(
        self,
        fleet: Fleet,
        sites: SitesRead,
        packs: tuple[Pack, ...] | None,
        visits: tuple[VisitRecord, ...],
        readings: tuple[Reading, ...],
    ) -> None:
        readers, reader = self.readers, sites.reader
        check_fit(fleet.sites, fleet.pack_types, packs or (), reader, readers.get("packs"))
        check_weights(fleet.sites, fleet.pack_types, fleet.crews, self.findings)
        if packs is None and fleet.stock_is_kept:
            for kind in fleet.pack_types.values():
                if kind.shelf_charged is None:
                    self.findings.remark(
                        f"{SETTINGS_FILE}, setting [pack_types.{kind.name}] shelf_charged: not given, while "
                        "other pack types have it; counted as 0."
                    )
        if packs is not None:
            for kind in fleet.pack_types.values():
                if kind.shelf_charged is not None:
                    self.findings.remark(
                        f"{SETTINGS_FILE}, setting [pack_types.{kind.name}] shelf_charged: not counted, "
                        f"since {readers['packs'].file} lists the packs."
                    )
            visit_file = readers["visits"].file if "visits" in readers else "visits.csv"
            check_whereabouts(fleet.sites, packs, visits, readers["packs"], visit_file, self.findings)
        if "visits" in readers:
            check_visit_volts(visits, packs or (), fleet, readers["visits"], readers.get("packs"))
            remark_removed(fleet, readers["visits"], self.findings)
        if "readings" in readers:
            check_reading_volts(readings, fleet, readers["readings"], reader)
        in_doubt = any(
            name in self.failed or (name in readers and (readers[name].bad or readers[name].table.spoilt))
            for name in ("packs", "visits")
        )
        check_life(fleet, reader, judge_swaps=not in_doubt)
        if self.today is not None:
            self._check_future(fleet, reader, self.today)

    def _check_future(self, fleet: Fleet, site_reader: ColumnReader, today: date) -> None:
        dated: dict[str, tuple[ColumnReader, dict[str, dict[int, date]]]] = {
            "sites": (
                site_reader,
                {"swapped_on": {s.row: s.swapped_on for s in fleet.sites if s.swapped_on is not None}},
            )
        }
        if "packs" in self.readers:
            packs = fleet.packs or ()
            dated["packs"] = (
                self.readers["packs"],
                {
                    "bought": {p.row: p.bought for p in packs if p.bought is not None},
                    "tested_on": {p.row: p.tested_on for p in packs if p.tested_on is not None},
                    "since": {p.row: p.since for p in packs if p.since is not None},
                },
            )
        if "visits" in self.readers:
            dated["visits"] = (self.readers["visits"], {"date": {v.row: v.day for v in fleet.visits}})
        if "readings" in self.readers:
            days = {r.row: r.when.astimezone(fleet.zone).date() for r in fleet.readings}
            dated["readings"] = (self.readers["readings"], {"when": days})
        if "jobs" in self.readers:
            done = {j.row: j.done_on for j in fleet.jobs if j.done_on is not None}
            dated["jobs"] = (self.readers["jobs"], {"done_on": done})
        check_future(dated, today)


def _with_remarks(fleet: Fleet, findings: Findings) -> Fleet:
    return replace(fleet, remarks=tuple(findings.remarks))
