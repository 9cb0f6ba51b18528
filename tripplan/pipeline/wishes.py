"""Wishes typed on the command line: checked against the fleet, and kept in wishes.csv."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from pathlib import Path

from tripplan.errors import Fault, InputError
from tripplan.fleet import Crew, Fleet
from tripplan.inputs import input_files
from tripplan.plan.assemble import trip_id
from tripplan.plan.document import Plan, Trip
from tripplan.storage import read_bytes
from tripplan.wishes import Wish, WishKind

__all__ = ["WISHES_NAME", "Asked", "Settled", "settle_wishes"]

WISHES_NAME = "wishes.csv"
_COLUMNS = ("wish", "date", "until", "crew", "sites", "notes")
_ALL = "all"


@dataclass(frozen=True)
class Asked:
    """
    What the options of one run ask for.

    Attributes
    ----------
    go : tuple of (datetime.date, str)
        Date and crew; an empty name is any crew.
    stay_home : tuple of (datetime.date, datetime.date, str)
        First and last date, and crew; an empty name is every crew.
    keep : tuple of str
        Trip ids of the last plan.
    include : tuple of (str, datetime.date or None)
        Site, and the date where one was given.
    forget : tuple of str
        Dates, sites or trip ids whose wishes are taken back; ``all`` takes back every one.
    """

    go: tuple[tuple[date, str], ...] = ()
    stay_home: tuple[tuple[date, date, str], ...] = ()
    keep: tuple[str, ...] = ()
    include: tuple[tuple[str, date | None], ...] = ()
    forget: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing is asked for."""
        return not (self.go or self.stay_home or self.keep or self.include or self.forget)


@dataclass(frozen=True)
class Settled:
    """
    The wishes to plan with.

    Attributes
    ----------
    wishes : tuple of Wish
        Those of the file that stay, then the new ones.
    path : pathlib.Path or None
        File to write; None where it stays as it is.
    content : bytes
        What to write.
    """

    wishes: tuple[Wish, ...]
    path: Path | None = None
    content: bytes = b""


def settle_wishes(
    folder: Path, fleet: Fleet, asked: Asked, last: Plan | None, season: tuple[date, date]
) -> Settled:
    """
    Join the wishes of the file with those of one run.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    fleet : Fleet
        With the wishes of the file.
    asked : Asked
        What the run asks for.
    last : Plan or None
        The plan on file, whose trips can be kept.
    season : tuple of datetime.date
        First and last date that will be planned.

    Returns
    -------
    Settled
        Nothing is written yet, so that wishes that cannot be kept leave no trace.

    Raises
    ------
    InputError
        With every option that names no crew, site, trip or date of the season.
    """
    if asked.is_empty:
        return Settled(fleet.wishes)
    reader = _Options(fleet, last, season)
    new = reader.read(asked)
    gone = reader.forgotten(asked.forget)
    if reader.faults:
        raise InputError(reader.faults)
    kept = tuple(wish for wish in fleet.wishes if wish.row not in gone)
    added = tuple(
        wish for k, wish in enumerate(new) if not any(wish.same_as(other) for other in (*kept, *new[:k]))
    )
    if not added and not gone:
        return Settled(fleet.wishes)
    path = next(
        (path for path in input_files(folder) if path.name.casefold() == WISHES_NAME), folder / WISHES_NAME
    )
    if fleet.wishes and not path.exists():
        raise InputError(
            [
                Fault(
                    "wishes",
                    problem="the wishes of this fleet stand in a workbook",
                    mend="Change them there.",
                )
            ]
        )
    content = _edited(read_bytes(path) if path.exists() else b"", gone, added, path.name)
    return Settled((*kept, *added), path, content)


class _Options:
    """Reads options against a fleet; collects every fault."""

    def __init__(self, fleet: Fleet, last: Plan | None, season: tuple[date, date]) -> None:
        self.fleet, self.last, self.season = fleet, last, season
        self.faults: list[Fault] = []

    def read(self, asked: Asked) -> list[Wish]:
        """Return the wishes that the options ask for."""
        wishes = []
        for day, crew in asked.go:
            self._in_season("--go", day, day)
            wishes.append(Wish(WishKind.GO, day, crew=self._crew("--go", crew)))
        for day, until, crew in asked.stay_home:
            self._in_season("--stay-home", day, until)
            wishes.append(
                Wish(
                    WishKind.STAY_HOME,
                    day,
                    until if until != day else None,
                    self._crew("--stay-home", crew),
                )
            )
        for name in asked.keep:
            trip = self._trip(name)
            if trip is not None:
                sites = tuple(visit.site_id for visit in trip.visits)
                self._in_season("--keep", trip.date, trip.date)
                wishes.append(Wish(WishKind.KEEP, trip.date, crew=trip.crew, sites=sites))
        for name, on in asked.include:
            site_id = self._site(name)
            if on is not None:
                self._in_season("--include", on, on)
            if site_id:
                wishes.append(Wish(WishKind.INCLUDE, on, sites=(site_id,)))
        return wishes

    def forgotten(self, names: tuple[str, ...]) -> set[int]:
        """Return the rows of the wishes that the names are about."""
        gone: set[int] = set()
        for name in names:
            rows = {wish.row for wish in self.fleet.wishes if self._is_about(wish, name)}
            if not rows:
                self._fault("--forget", name, "no wish is about that", self._known_wishes())
            gone |= rows
        return gone

    def _is_about(self, wish: Wish, name: str) -> bool:
        if name == _ALL or name in wish.sites:
            return True
        if wish.day is None:
            return False
        if name == wish.day.isoformat():
            return True
        place = [crew.name for crew in self.fleet.crews].index(wish.crew) if wish.crew else 0
        return wish.kind is WishKind.KEEP and name == trip_id(wish.day, place)

    def _known_wishes(self) -> str:
        if not self.fleet.wishes:
            return "There are no wishes on file."
        return f"On file: {'; '.join(str(wish) for wish in self.fleet.wishes)}."

    def _crew(self, option: str, name: str) -> str:
        if not name:
            return ""
        crews: dict[str, Crew] = {crew.name.casefold(): crew for crew in self.fleet.crews}
        if name.casefold() in crews:
            return crews[name.casefold()].name
        self._fault(option, name, "unknown crew", _hint(name, [crew.name for crew in self.fleet.crews]))
        return ""

    def _site(self, name: str) -> str:
        sites = {site.site_id.casefold(): site.site_id for site in self.fleet.sites}
        if name.casefold() in sites:
            return sites[name.casefold()]
        if name in self.fleet.set_aside:
            self._fault(
                "--include", name, "the site is set aside (in_use = no)", "Take it back into use first."
            )
        else:
            self._fault("--include", name, "unknown site", _hint(name, list(sites.values())))
        return ""

    def _trip(self, name: str) -> Trip | None:
        trips = self.last.trips if self.last else ()
        found = next((trip for trip in trips if trip.trip_id == name), None)
        if found is None:
            mend = f"It holds {', '.join(trip.trip_id for trip in trips)}." if trips else "Plan first."
            problem = "the last plan holds no such trip" if self.last else "there is no plan yet"
            self._fault("--keep", name, problem, mend)
        return found

    def _in_season(self, option: str, day: date, until: date) -> None:
        first, last = self.season
        if until < first or day > last:
            shown = day.isoformat() if day == until else f"{day.isoformat()}/{until.isoformat()}"
            self._fault(
                option,
                shown,
                "the date lies outside the season",
                f"It runs from {first.isoformat()} to {last.isoformat()}.",
            )

    def _fault(self, option: str, value: str, problem: str, mend: str) -> None:
        self.faults.append(Fault(option, values=(value,), problem=problem, mend=mend))


def _hint(name: str, known: list[str]) -> str:
    near = get_close_matches(name.casefold(), [one.casefold() for one in known], 1)
    if near:
        return f"Did you mean '{next(one for one in known if one.casefold() == near[0])}'?"
    return f"Known: {', '.join(known)}." if len(known) <= 6 else ""


def _edited(content: bytes, gone: set[int], added: tuple[Wish, ...], name: str) -> bytes:
    """Return the file without some rows and with new ones; whatever else it holds stays as it is."""
    text = content.decode("utf-8-sig") if content else ""
    if not text.strip():
        text = ",".join(_COLUMNS) + "\n"
    lines = text.splitlines(keepends=True)
    header = next((k for k, line in enumerate(lines) if "wish" in line.casefold()), 0)
    separator = max(",;\t", key=lines[header].count)
    columns = [cell.strip().casefold() for cell in next(csv.reader([lines[header]], delimiter=separator))]
    if '"' in text and len(list(csv.reader(io.StringIO(text), delimiter=separator))) != len(lines):
        raise InputError(
            [Fault(name, problem="a quoted cell runs over several lines", mend="Put it on one line first.")]
        )
    missing = [column for column in _COLUMNS[:5] if column not in columns]
    if missing:
        raise InputError(
            [
                Fault(
                    name,
                    problem=f"the column {missing[0]} is missing, so that no wish can be added",
                    mend=f"The header is {','.join(_COLUMNS)}.",
                )
            ]
        )
    kept = [line for number, line in enumerate(lines, 1) if number not in gone]
    if kept and not kept[-1].endswith("\n"):
        kept[-1] += "\n"
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    for wish in added:
        cells = {
            "wish": str(wish.kind),
            "date": "" if wish.day is None else wish.day.isoformat(),
            "until": "" if wish.until is None else wish.until.isoformat(),
            "crew": wish.crew,
            "sites": "; ".join(wish.sites),
        }
        writer.writerow([cells.get(column, "") for column in columns])
    return ("".join(kept) + out.getvalue()).encode()
