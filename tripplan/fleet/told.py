"""What was found and done, and what is still to be done: visits, readings, jobs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

__all__ = ["Cause", "Done", "Found", "Job", "Reading", "VisitRecord"]


class Found(StrEnum):
    """How a visit found the site."""

    RUNNING = "running"
    SILENT = "silent"
    DARK = "dark"
    MISSING = "missing"
    NOT_REACHED = "not reached"


class Cause(StrEnum):
    """Cause of a fault found on a visit."""

    FLAT = "flat"
    CORD = "cord"
    PLUG = "plug"
    FUSE = "fuse"
    WATER = "water"
    DEVICE = "device"
    CARD = "card"
    SIGNAL = "signal"
    THEFT = "theft"
    UNKNOWN = "unknown"


class Done(StrEnum):
    """What a visit did."""

    SWAPPED = "swapped"
    LEFT = "left"
    REPAIRED = "repaired"
    INSTALLED = "installed"
    REMOVED = "removed"


@dataclass(frozen=True)
class VisitRecord:
    """One row of visits.csv; volts are rested, at the battery's terminals. [V]."""

    day: date
    site_id: str
    found: Found | None = None
    cause: Cause | None = None
    done: Done | None = None
    pack_out: str = ""
    volts_out: float | None = None
    pack_in: str = ""
    volts_in: float | None = None
    minutes: float | None = None
    notes: str = ""
    row: int = 0


@dataclass(frozen=True)
class Reading:
    """
    One row of readings.csv; without volts and percent it means only "it reported".

    `when` carries the fleet's zone; a row without a clock time stands at local midnight.
    """

    when: datetime
    site_id: str
    volts: float | None = None
    percent: float | None = None
    source: str = "pack"
    temp_c: float | None = None
    row: int = 0


@dataclass(frozen=True)
class Job:
    """One row of jobs.csv: other work that rides along on a visit."""

    site_id: str
    job: str
    due_by: date | None = None
    minutes: float = 0.0
    bring: str = ""
    done_on: date | None = None
    row: int = 0
