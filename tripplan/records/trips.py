"""
Planned trips whose day has passed: what became of them must be told before the records are believed.

A trip that stood in ``plan.json`` and lies behind is open until its results are recorded, somebody says
that it was not made, or every one of its sites has a visit of that day or later. Open trips outlive the
plan: planning anew notes them in ``journal/trip-ID.json``. Until then its sites count as not swapped (its
devices as not set out, or not taken in) and its packs as unknown.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from tripplan.errors import StorageError
from tripplan.fleet import SHELF, Fleet, Pack, PackState
from tripplan.inputs.findings import fold
from tripplan.plan.document import Trip, VisitKind
from tripplan.plan.plan_file import NoPlanOnFileError, read_plan_file
from tripplan.records.journal import JOURNAL_FOLDER
from tripplan.storage import content_digest, json_bytes, read_bytes

__all__ = [
    "NOT_MADE",
    "RECORDED",
    "PlannedTrip",
    "PlannedVisit",
    "find_trip",
    "hold_back",
    "open_trips",
    "trip_path",
    "trips_to_note",
    "with_open_trips",
]

NOT_MADE, RECORDED = "not made", "recorded"
_FORMAT = "tripplan-open-trip/1"
_ID = re.compile(r"\d{4}-\d{2}-\d{2}-[A-Z]+")


@dataclass(frozen=True)
class PlannedVisit:
    """A site of a planned trip; `pack_in` is None where no pack was assigned."""

    site_id: str
    kind: VisitKind
    pack_type: str
    pack_in: str | None = None

    @property
    def swap(self) -> bool:
        """Whether a charged pack was to go in."""
        return self.kind in (VisitKind.SWAP, VisitKind.SET_OUT)


@dataclass(frozen=True)
class PlannedTrip:
    """
    A trip as it was planned.

    Attributes
    ----------
    visits : tuple of PlannedVisit
        In visiting order.
    answered : str
        Empty while it is open, else ``recorded`` or ``not made``.
    untold : tuple of str
        Sites without a visit of that day or later; all of them until the fleet is looked at.
    """

    trip_id: str
    day: date
    crew: str
    visits: tuple[PlannedVisit, ...]
    answered: str = ""
    untold: tuple[str, ...] = ()

    @classmethod
    def of(cls, trip: Trip) -> PlannedTrip:
        """Return what a plan's trip sets out to do."""
        visits = tuple(
            PlannedVisit(visit.site_id, visit.kind, visit.pack_type, visit.pack_in) for visit in trip.visits
        )
        return cls(trip.trip_id, trip.date, trip.crew, visits, "", tuple(one.site_id for one in visits))

    def to_bytes(self) -> bytes:
        """Return the trip as its file holds it."""
        return json_bytes(
            {
                "format": _FORMAT,
                "trip_id": self.trip_id,
                "date": self.day.isoformat(),
                "crew": self.crew,
                "answered": self.answered,
                "visits": [
                    {
                        "site_id": visit.site_id,
                        "swap": visit.swap,
                        "pack_type": visit.pack_type,
                        "pack_in": visit.pack_in,
                        "kind": str(visit.kind),
                    }
                    for visit in self.visits
                ],
            }
        )

    @classmethod
    def from_json(cls, found: Mapping[str, Any]) -> PlannedTrip:
        """Return the trip that a file holds; raises ValueError, KeyError or TypeError where it holds none."""
        if found["format"] != _FORMAT or not _ID.fullmatch(found["trip_id"]):
            raise ValueError("not a trip")
        visits = tuple(
            PlannedVisit(
                str(one["site_id"]),
                # notes from before kinds were written say only whether the visit swaps
                VisitKind(one.get("kind") or (VisitKind.SWAP if one["swap"] else VisitKind.CALL)),
                str(one["pack_type"]),
                one["pack_in"] and str(one["pack_in"]),
            )
            for one in found["visits"]
        )
        sites = tuple(one.site_id for one in visits)
        day = date.fromisoformat(found["date"])
        return cls(found["trip_id"], day, str(found["crew"]), visits, str(found["answered"]), sites)

    @property
    def line(self) -> str:
        """What stays unknown until somebody tells, in one line."""
        packs = ", ".join(f"{number} {name}" for name, number in self.swaps.items())
        held = f", and {packs} are not counted as spares" if packs else ""
        kinds = {visit.kind for visit in self.visits if visit.site_id in self.untold}
        words = ["not swapped"]
        words += ["not set out"] if VisitKind.SET_OUT in kinds else []
        words += ["not taken in"] if VisitKind.TAKE_IN in kinds else []
        if len(words) > 1 and not kinds & {VisitKind.SWAP, VisitKind.CALL}:
            words = words[1:]
        return (
            f"Trip {self.trip_id} ({self.crew}) lies behind without results: {', '.join(self.untold)} count "
            f"as {' or '.join(words)}{held}. tripplan record --trip {self.trip_id} tells what was done; with "
            "--not-made, that it was not made."
        )

    def to_json(self) -> Mapping[str, Any]:
        """Return the trip for machine-readable results."""
        return {
            "trip_id": self.trip_id,
            "date": self.day.isoformat(),
            "crew": self.crew,
            "untold": list(self.untold),
            "packs": dict(self.swaps),
        }

    @property
    def swaps(self) -> Mapping[str, int]:
        """Packs that the trip was to use, by type, for the sites not told of."""
        found: dict[str, int] = {}
        for visit in self.visits:
            if visit.swap and visit.site_id in self.untold:
                found[visit.pack_type] = found.get(visit.pack_type, 0) + 1
        return found


def trip_path(folder: Path, trip_id: str) -> Path:
    """Return where a trip is noted."""
    return folder / JOURNAL_FOLDER / f"trip-{trip_id}.json"


def open_trips(folder: Path, fleet: Fleet, today: date) -> tuple[PlannedTrip, ...]:
    """
    Return the planned trips whose day has passed and of which nothing has been told.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    fleet : Fleet
        With its visits.
    today : datetime.date
        Trips of earlier days count.

    Returns
    -------
    tuple of PlannedTrip
        By date; `untold` names the sites in question.

    Raises
    ------
    StorageError
        If a note about a trip is damaged.
    """
    noted = _noted_trips(folder)
    trips = noted | {trip.trip_id: trip for trip in _trips_of_plan(folder) if trip.trip_id not in noted}
    return tuple(
        sorted(
            (
                judged
                for trip in trips.values()
                if not trip.answered and trip.day < today and (judged := _judged(trip, fleet)).untold
            ),
            key=lambda trip: (trip.day, trip.trip_id),
        )
    )


def find_trip(folder: Path, trip_id: str) -> PlannedTrip | None:
    """
    Return a planned trip by its id.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    trip_id : str
        As ``plan.json`` has it.

    Returns
    -------
    PlannedTrip or None
        Answered or not; None where no plan on file had it.
    """
    noted = _noted_trips(folder)
    if trip_id in noted:
        return noted[trip_id]
    return next((trip for trip in _trips_of_plan(folder) if trip.trip_id == trip_id), None)


def with_open_trips(digest: str, trips: Sequence[PlannedTrip]) -> str:
    """Return the fingerprint of the files, and of the open trips where there are any."""
    if not trips or not digest:
        return digest
    open_ones = "\n".join(f"{trip.trip_id}: {', '.join(trip.untold)}" for trip in trips)
    return content_digest(f"{digest}\n{open_ones}".encode())


def trips_to_note(folder: Path, trips: Iterable[PlannedTrip]) -> dict[Path, bytes | None]:
    """Return the files that keep open trips when ``plan.json`` is written anew."""
    return {
        path: trip.to_bytes()
        for trip in trips
        if not (path := trip_path(folder, trip.trip_id)).exists() and _ID.fullmatch(trip.trip_id)
    }


def hold_back(fleet: Fleet, trips: Sequence[PlannedTrip]) -> Fleet:
    """
    Return the fleet without the charged packs that open trips may have used.

    Parameters
    ----------
    fleet : Fleet
        As the files have it.
    trips : sequence of PlannedTrip
        Open trips.

    Returns
    -------
    Fleet
        Such packs are neither charged nor to be charged, and stand in `Fleet.untold_packs`; sites are as the
        files have them, so not swapped.
    """
    if not trips:
        return fleet
    wanted: dict[str, list[str]] = {}
    named: dict[str, str] = {}
    known = {fold(pack.pack_id) for pack in fleet.packs or ()}
    for trip in trips:
        for visit in trip.visits:
            if visit.swap and visit.site_id in trip.untold:
                if visit.pack_in and fold(visit.pack_in) in known:
                    named[fold(visit.pack_in)] = trip.trip_id
                else:
                    wanted.setdefault(visit.pack_type, []).append(trip.trip_id)
    types = {
        name: kind
        if kind.shelf_charged is None
        else replace(kind, shelf_charged=max(0, kind.shelf_charged - len(wanted.get(name, ()))))
        for name, kind in fleet.pack_types.items()
    }
    if fleet.packs is None:
        return replace(fleet, pack_types=types)
    untold: dict[str, str] = {}
    usable = (PackState.CHARGED, PackState.CHARGING, PackState.FLAT)
    shelf = [pack for pack in fleet.packs if pack.where == SHELF and pack.state in usable]
    # a pack that packs.csv has as flat may have been charged for the trip
    for pack in sorted(shelf, key=lambda pack: usable.index(pack.state)):
        if fold(pack.pack_id) in named:
            untold[pack.pack_id] = named[fold(pack.pack_id)]
        elif wanted.get(pack.pack_type):
            untold[pack.pack_id] = wanted[pack.pack_type].pop(0)
    packs = tuple(_unknown(pack) if pack.pack_id in untold else pack for pack in fleet.packs)
    return replace(fleet, pack_types=types, packs=packs, untold_packs=untold)


def _unknown(pack: Pack) -> Pack:
    return replace(pack, where="", state=PackState.SUSPECT)


def _judged(trip: PlannedTrip, fleet: Fleet) -> PlannedTrip:
    since = {fold(visit.site_id) for visit in fleet.visits if visit.day >= trip.day}
    untold = [
        visit.site_id
        for visit in trip.visits
        if fold(visit.site_id) not in since and visit.site_id in fleet.sites_by_id
    ]
    return replace(trip, untold=tuple(dict.fromkeys(untold)))


def _noted_trips(folder: Path) -> dict[str, PlannedTrip]:
    place = folder / JOURNAL_FOLDER
    if not place.is_dir():
        return {}
    found = {}
    for path in sorted(place.glob("trip-*.json")):
        try:
            trip = PlannedTrip.from_json(json.loads(read_bytes(path)))
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise StorageError(
                f"{path}: this note about a planned trip is damaged. Put it back from a copy, or delete it "
                "if the trip has been dealt with."
            ) from error
        found[trip.trip_id] = trip
    return found


def _trips_of_plan(folder: Path) -> list[PlannedTrip]:
    try:
        _, plan = read_plan_file(folder)
    except NoPlanOnFileError:  # nobody went by it
        return []
    return [PlannedTrip.of(trip) for trip in plan.trips]
