"""
A trip as the contract writes it: its stops, foot loops and visits, and their JSON.

Clock times are aware datetimes to the second; dates are local.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from tripplan.json_values import JsonObject

__all__ = ["Loop", "Stop", "Trip", "Visit", "VisitKind", "clock_text", "trip_from_json", "trip_to_json"]


class VisitKind(StrEnum):
    """What a visit does with pack and device."""

    SWAP = "swap"
    CALL = "call"
    SET_OUT = "set out"
    TAKE_IN = "take in"


@dataclass(frozen=True)
class Visit:
    """
    One site visited on a loop.

    Attributes
    ----------
    arrive, start, finish : datetime.datetime
        Reaching the site, beginning work (after waiting, if any) and ending it.
    swap_by : datetime.date
        Swap-by date of the pack found there; where the device is set out, the day by whose end it is to run.
    next_swap_by : datetime.date
        Swap-by date after the visit; where the device is taken in, the season's last date.
    flat_early, flat_likely, flat_late : datetime.date
        Flat dates of the pack found there; where the device is set out, the same as `swap_by`.
    pack_in : str or None
        Identity of the pack to put in, where assigned.
    kind : VisitKind
        A call leaves the pack in (a job only).
    jobs : tuple of str
        Other work done on this visit.
    fallback_left : int
        Later dates on which some crew could still reach the site by `swap_by`.
    fallback_possible : bool
        Whether any date would leave the fallback dates asked for.
    """

    site_id: str
    arrive: datetime
    start: datetime
    finish: datetime
    swap_by: date
    next_swap_by: date
    flat_early: date
    flat_likely: date
    flat_late: date
    pack_type: str
    pack_in: str | None = None
    kind: VisitKind = VisitKind.SWAP
    jobs: tuple[str, ...] = ()
    fallback_left: int = 0
    fallback_possible: bool = True

    @property
    def swap(self) -> bool:
        """Whether a charged pack goes in: one pack out and one in, or the first with its device."""
        return self.kind in (VisitKind.SWAP, VisitKind.SET_OUT)

    @property
    def brings_back(self) -> bool:
        """Whether a pack comes home from the visit."""
        return self.kind in (VisitKind.SWAP, VisitKind.TAKE_IN)

    @property
    def label(self) -> str:
        """The site, and what is done there where that is no swap or call."""
        return f"{self.site_id} ({self.kind})" if self.moves_device else self.site_id

    @property
    def moves_device(self) -> bool:
        """Whether the device itself is set out or taken in."""
        return self.kind in (VisitKind.SET_OUT, VisitKind.TAKE_IN)


@dataclass(frozen=True)
class Loop:
    """A foot loop: out from the vehicle, its visits in order, back. [m], [kg]."""

    leave: datetime
    back: datetime
    walk_m: float
    carried_kg: float
    visits: tuple[Visit, ...]


@dataclass(frozen=True)
class Stop:
    """The vehicle parked; `arrive` is the end of the drive, before the park minutes."""

    park_lat: float
    park_lon: float
    arrive: datetime
    leave: datetime
    loops: tuple[Loop, ...]


@dataclass(frozen=True)
class Trip:
    """
    One crew, one date.

    Attributes
    ----------
    drive_minutes : float
        Driving and park minutes. [min]
    walk_minutes, work_minutes, wait_minutes : float
        The rest of back minus leave. [min]
    packs : mapping of str to int
        Charged packs to bring for its visits, by pack type.
    set_by : tuple of str
        Sites whose swap-by date sets the date of this trip.
    moving : tuple of str
        What moving the trip by a week would cost, in sentences; empty where it was not asked.
    """

    trip_id: str
    date: date
    crew: str
    leave: datetime
    back: datetime
    drive_minutes: float
    walk_minutes: float
    work_minutes: float
    wait_minutes: float
    drive_km: float
    packs: Mapping[str, int]
    stops: tuple[Stop, ...]
    set_by: tuple[str, ...] = ()
    moving: tuple[str, ...] = ()

    @property
    def visits(self) -> tuple[Visit, ...]:
        """All visits in visiting order."""
        return tuple(v for stop in self.stops for loop in stop.loops for v in loop.visits)


def clock_text(moment: datetime) -> str:
    """
    Return a clock time as the contract writes it: to the second, with its offset.

    Parameters
    ----------
    moment : datetime.datetime
        Aware.

    Returns
    -------
    str
        For example ``2026-12-05T08:10:00+01:00``.
    """
    return moment.isoformat(timespec="seconds")


def trip_to_json(trip: Trip) -> dict[str, Any]:
    """
    Return a trip as the contract's JSON object.

    Parameters
    ----------
    trip : Trip
        The trip.

    Returns
    -------
    dict
        Ready for ``json.dump``.
    """
    return {
        "trip_id": trip.trip_id,
        "date": trip.date.isoformat(),
        "crew": trip.crew,
        "leave": clock_text(trip.leave),
        "back": clock_text(trip.back),
        "drive_minutes": round(trip.drive_minutes, 4),
        "walk_minutes": round(trip.walk_minutes, 4),
        "work_minutes": round(trip.work_minutes, 4),
        "wait_minutes": round(trip.wait_minutes, 4),
        "drive_km": round(trip.drive_km, 3),
        "packs": dict(trip.packs),
        "set_by": list(trip.set_by),
        "moving": list(trip.moving),
        "stops": [
            {
                "park_lat": stop.park_lat,
                "park_lon": stop.park_lon,
                "arrive": clock_text(stop.arrive),
                "leave": clock_text(stop.leave),
                "loops": [
                    {
                        "leave": clock_text(loop.leave),
                        "back": clock_text(loop.back),
                        "walk_m": round(loop.walk_m, 1),
                        "carried_kg": round(loop.carried_kg, 3),
                        "visits": [_visit_to_json(visit) for visit in loop.visits],
                    }
                    for loop in stop.loops
                ],
            }
            for stop in trip.stops
        ],
    }


def _visit_to_json(visit: Visit) -> dict[str, Any]:
    return {
        "site_id": visit.site_id,
        "arrive": clock_text(visit.arrive),
        "start": clock_text(visit.start),
        "finish": clock_text(visit.finish),
        "swap_by": visit.swap_by.isoformat(),
        "next_swap_by": visit.next_swap_by.isoformat(),
        "flat_early": visit.flat_early.isoformat(),
        "flat_likely": visit.flat_likely.isoformat(),
        "flat_late": visit.flat_late.isoformat(),
        "pack_type": visit.pack_type,
        "pack_in": visit.pack_in,
        "swap": visit.swap,
        "kind": str(visit.kind),
        "jobs": list(visit.jobs),
        "fallback_left": visit.fallback_left,
        "fallback_possible": visit.fallback_possible,
    }


def trip_from_json(data: JsonObject) -> Trip:
    """
    Build a trip from the contract's JSON object.

    Parameters
    ----------
    data : JsonObject
        One entry of ``trips``.

    Returns
    -------
    Trip
        Not checked against any fleet.

    Raises
    ------
    ValueError
        If a value cannot be read.
    KeyError
        If something required is missing.
    """
    return Trip(
        trip_id=data.text("trip_id"),
        date=data.day("date"),
        crew=data.text("crew"),
        leave=data.moment("leave"),
        back=data.moment("back"),
        drive_minutes=data.number("drive_minutes"),
        walk_minutes=data.number("walk_minutes"),
        work_minutes=data.number("work_minutes"),
        wait_minutes=data.number("wait_minutes"),
        drive_km=data.number("drive_km"),
        packs=data.counts("packs"),
        stops=tuple(
            Stop(
                park_lat=stop.number("park_lat"),
                park_lon=stop.number("park_lon"),
                arrive=stop.moment("arrive"),
                leave=stop.moment("leave"),
                loops=tuple(
                    Loop(
                        leave=loop.moment("leave"),
                        back=loop.moment("back"),
                        walk_m=loop.number("walk_m"),
                        carried_kg=loop.number("carried_kg"),
                        visits=tuple(_visit_from_json(visit) for visit in loop.objects("visits")),
                    )
                    for loop in stop.objects("loops")
                ),
            )
            for stop in data.objects("stops")
        ),
        set_by=data.texts("set_by", ()),
        moving=data.texts("moving", ()),
    )


def _kind_from_json(data: JsonObject) -> VisitKind:
    """Return the kind; plans from before it was written say only whether the visit swaps."""
    swap = data.flag("swap", default=True)
    told = data.text("kind", str(VisitKind.SWAP if swap else VisitKind.CALL))
    kind = VisitKind(told)
    if swap != (kind in (VisitKind.SWAP, VisitKind.SET_OUT)):
        raise ValueError(f"a visit of kind {told!r} says swap = {str(swap).lower()}")
    return kind


def _visit_from_json(data: JsonObject) -> Visit:
    return Visit(
        site_id=data.text("site_id"),
        arrive=data.moment("arrive"),
        start=data.moment("start"),
        finish=data.moment("finish"),
        swap_by=data.day("swap_by"),
        next_swap_by=data.day("next_swap_by"),
        flat_early=data.day("flat_early"),
        flat_likely=data.day("flat_likely"),
        flat_late=data.day("flat_late"),
        pack_type=data.text("pack_type"),
        pack_in=data.text_or_none("pack_in"),
        kind=_kind_from_json(data),
        jobs=data.texts("jobs", ()),
        fallback_left=data.whole("fallback_left", 0),
        fallback_possible=data.flag("fallback_possible", default=True),
    )
