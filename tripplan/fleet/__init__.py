"""
The things of a fleet: sites, packs, crews, access, records.

Everything here is a frozen dataclass that `tripplan.inputs` has checked: cross-references hold,
numbers are finite and in range, voltage, plug and polarity fit. Later steps never check again.
Dates are local to the fleet; clock times are minutes after local midnight.

The parts: `dates`, `packs`, `places`, `told`, `settings`, and `whole`, the fleet itself.
"""

from __future__ import annotations

from tripplan.fleet.dates import DateSpan, MonthDay
from tripplan.fleet.packs import AT_HOME, SHELF, Charger, Chemistry, InPlace, Pack, PackState, PackType
from tripplan.fleet.places import AccessRule, Crew, Leg, Site
from tripplan.fleet.settings import (
    Climate,
    DriveSettings,
    Money,
    PlanSettings,
    Profile,
    SparesSettings,
    WalkSettings,
)
from tripplan.fleet.told import Cause, Done, Found, Job, Reading, VisitRecord
from tripplan.fleet.whole import Fleet

__all__ = [
    "AT_HOME",
    "SHELF",
    "AccessRule",
    "Cause",
    "Charger",
    "Chemistry",
    "Climate",
    "Crew",
    "DateSpan",
    "Done",
    "DriveSettings",
    "Fleet",
    "Found",
    "InPlace",
    "Job",
    "Leg",
    "Money",
    "MonthDay",
    "Pack",
    "PackState",
    "PackType",
    "PlanSettings",
    "Profile",
    "Reading",
    "Site",
    "SparesSettings",
    "VisitRecord",
    "WalkSettings",
]
