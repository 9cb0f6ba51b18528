"""
The plan as the contract writes it: ``tripplan-plan/1``.

Plain frozen dataclasses with `to_json` and `from_json`; what a trip holds stands in `trip_document`. Solver,
checker and outputs meet only here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from tripplan.json_values import JsonObject
from tripplan.plan.trip_document import (
    Loop,
    Stop,
    Trip,
    Visit,
    VisitKind,
    clock_text,
    trip_from_json,
    trip_to_json,
)

__all__ = [
    "PLAN_FORMAT",
    "ChargeSlot",
    "Loop",
    "Plan",
    "Status",
    "Stop",
    "Trip",
    "Unserved",
    "Visit",
    "VisitKind",
]

PLAN_FORMAT = "tripplan-plan/1"

_MOST_MINUTES = 1e9


class Status(StrEnum):
    """How much was proved."""

    PROVED = "proved"
    BEST_FOUND = "best found"
    NO_FULL_PLAN = "no full plan"


@dataclass(frozen=True)
class Unserved:
    """
    A site that is late or never visited.

    Attributes
    ----------
    proved : bool
        True where serving it in time was shown impossible, False where no way was found in the time given.
    visited_on : datetime.date or None
        The late visit; None where the season holds none.
    """

    site_id: str
    swap_by: date
    proved: bool
    visited_on: date | None
    late_days: int
    reason: str
    smallest_change: str


@dataclass(frozen=True)
class ChargeSlot:
    """
    One pack on one charger; chargers count from 1 in the order of the file.

    Attributes
    ----------
    pack_id : str
        Which pack, where packs.csv tells; else empty.
    top_up : bool
        True for a charged pack that has stood long: it counts as charged all the while.
    """

    pack_type: str
    charger: int
    on: datetime
    off: datetime
    pack_id: str = ""
    top_up: bool = False


@dataclass(frozen=True)
class Plan:
    """
    A season's plan.

    Attributes
    ----------
    lower_bound : int
        Trips that no plan can undercut (with equal service of the sites where some are late).
    expected_dark_days : float
        Expected dark site-days in the season under this plan. [day]
    crew_seconds_bound : int
        Crew time that no plan as good, with no more trips, can undercut; 0 where nothing was proved. [s]
    life_days : int
        Likely life thrown away; 0 where it was not counted. [day]
    life_days_bound : int
        Days of it that no plan as good can undercut; 0 where nothing was proved. [day]
    notes : tuple of str
        What the user should know: what the reserve costs, what rests on little, whom to ring.
    wishes : tuple of str
        What the user asked for beyond the rules, each as a clause; the plan keeps all of it.
    inputs_digest : str
        Fingerprint of everything the plan rests on; empty where unknown.
    """

    fleet: str
    made_on: date
    first: date
    to: date
    risk: float
    seed: int
    status: Status
    lower_bound: int
    trips: tuple[Trip, ...]
    late_sites: int = 0
    late_days: int = 0
    expected_dark_days: float = 0.0
    unserved: tuple[Unserved, ...] = ()
    charging: tuple[ChargeSlot, ...] = ()
    notes: tuple[str, ...] = ()
    wishes: tuple[str, ...] = ()
    inputs_digest: str = ""
    crew_seconds_bound: int = 0
    life_days: int = 0
    life_days_bound: int = 0

    @property
    def crew_seconds(self) -> int:
        """Crew time: the sum over trips of back minus leave. [s]."""
        return sum(round((trip.back - trip.leave).total_seconds()) for trip in self.trips)

    @property
    def trip_count(self) -> int:
        """Number of trips."""
        return len(self.trips)

    def with_digest(self, digest: str) -> Plan:
        """Return the same plan with its fingerprint of inputs set."""
        return replace(self, inputs_digest=digest)

    def to_json(self) -> dict[str, Any]:
        """
        Return the plan as the contract's JSON object.

        Returns
        -------
        dict
            Ready for ``json.dump``.
        """
        return {
            "format": PLAN_FORMAT,
            "fleet": self.fleet,
            "made_on": self.made_on.isoformat(),
            "from": self.first.isoformat(),
            "to": self.to.isoformat(),
            "risk": self.risk,
            "seed": self.seed,
            "status": str(self.status),
            "lower_bound": self.lower_bound,
            "trip_count": self.trip_count,
            "late_sites": self.late_sites,
            "late_days": self.late_days,
            "expected_dark_days": round(self.expected_dark_days, 3),
            "crew_minutes_bound": round(self.crew_seconds_bound / 60, 4),
            "life_days": self.life_days,
            "life_days_bound": self.life_days_bound,
            "trips": [trip_to_json(trip) for trip in self.trips],
            "unserved": [
                {
                    "site_id": late.site_id,
                    "swap_by": late.swap_by.isoformat(),
                    "proved": late.proved,
                    "visited_on": None if late.visited_on is None else late.visited_on.isoformat(),
                    "late_days": late.late_days,
                    "reason": late.reason,
                    "smallest_change": late.smallest_change,
                }
                for late in self.unserved
            ],
            "charging": [
                {
                    "pack_type": slot.pack_type,
                    "charger": slot.charger,
                    "on": clock_text(slot.on),
                    "off": clock_text(slot.off),
                    "pack_id": slot.pack_id or None,
                    "top_up": slot.top_up,
                }
                for slot in self.charging
            ],
            "notes": list(self.notes),
            "wishes": list(self.wishes),
            "inputs_digest": self.inputs_digest,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Plan:
        """
        Build a plan from the contract's JSON object.

        Parameters
        ----------
        data : mapping
            What ``json.load`` returned; extra keys are ignored.

        Returns
        -------
        Plan
            Not checked against any fleet.

        Raises
        ------
        ValueError
            If the format is another one, or a value cannot be read.
        KeyError
            If something required is missing.
        """
        whole = JsonObject(data, "the plan")
        if data.get("format") != PLAN_FORMAT:
            raise ValueError(f"format must be {PLAN_FORMAT!r}, not {data.get('format')!r}")
        return cls(
            fleet=whole.text("fleet"),
            made_on=whole.day("made_on"),
            first=whole.day("from"),
            to=whole.day("to"),
            risk=whole.number("risk"),
            seed=whole.whole("seed"),
            status=Status(whole.text("status")),
            lower_bound=whole.whole("lower_bound"),
            trips=tuple(trip_from_json(trip) for trip in whole.objects("trips")),
            late_sites=whole.whole("late_sites"),
            late_days=whole.whole("late_days"),
            expected_dark_days=whole.number("expected_dark_days"),
            unserved=tuple(
                Unserved(
                    site_id=late.text("site_id"),
                    swap_by=late.day("swap_by"),
                    proved=late.flag("proved"),
                    visited_on=late.day_or_none("visited_on"),
                    late_days=late.whole("late_days"),
                    reason=late.text("reason"),
                    smallest_change=late.text("smallest_change"),
                )
                for late in whole.objects("unserved")
            ),
            charging=tuple(
                ChargeSlot(
                    slot.text("pack_type"),
                    slot.whole("charger"),
                    slot.moment("on"),
                    slot.moment("off"),
                    slot.text_or_none("pack_id", None) or "",
                    slot.flag("top_up", default=False),
                )
                for slot in whole.objects("charging")
            ),
            notes=whole.texts("notes"),
            wishes=whole.texts("wishes", ()),
            inputs_digest=whole.text("inputs_digest", ""),
            crew_seconds_bound=_seconds(whole.number("crew_minutes_bound", 0.0)),
            life_days=whole.whole("life_days", 0),
            life_days_bound=whole.whole("life_days_bound", 0),
        )


def _seconds(minutes: float) -> int:
    if not abs(minutes) < _MOST_MINUTES:
        raise ValueError(f"{minutes} min is no crew time of a season")
    return round(minutes * 60)
