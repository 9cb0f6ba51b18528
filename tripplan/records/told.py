"""What somebody told of the field: visits and readings, from whatever it came in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from tripplan.fleet import Reading, VisitRecord

__all__ = ["FIELDS", "Told", "visit_values"]

#: Columns of visits.csv in the order of the contract.
FIELDS = (
    "date",
    "site_id",
    "found",
    "cause",
    "done",
    "pack_out",
    "volts_out",
    "pack_in",
    "volts_in",
    "minutes",
    "notes",
)


@dataclass(frozen=True)
class Told:
    """
    Visits and readings as they were told.

    Attributes
    ----------
    source : str
        What they came in, as messages name it: a file name, ``pasted text``, ``command line``.
    visits : tuple of VisitRecord
        `row` is the visit's number in the source, from 1; site and pack names are as told.
    readings : tuple of Reading
        `row` likewise.
    trip_id : str
        The trip they belong to; empty where none was named.
    by : str
        Who told; may be empty.
    received : str
        The whole of what came in, as text, kept in the journal.
    digest : str
        Fingerprint of what came in; empty for what was typed, which may be typed again.
    remarks : tuple of str
        What was found worth a word while reading.
    jobs : mapping of int to tuple of str
        By the visit's number the jobs done on it, as they were told.
    """

    source: str
    visits: tuple[VisitRecord, ...] = ()
    readings: tuple[Reading, ...] = ()
    trip_id: str = ""
    by: str = ""
    received: str = ""
    digest: str = ""
    remarks: tuple[str, ...] = field(default=())
    jobs: Mapping[int, tuple[str, ...]] = field(default_factory=dict)

    def with_visits(self, visits: tuple[VisitRecord, ...]) -> Told:
        """Return the same with other visits."""
        return replace(self, visits=visits)


def visit_values(visit: VisitRecord) -> Mapping[str, str | float | date | None]:
    """
    Return a visit by the columns of visits.csv.

    Parameters
    ----------
    visit : VisitRecord
        Any visit.

    Returns
    -------
    mapping of str to str, float, datetime.date or None
        In the order of `FIELDS`.
    """
    return {
        "date": visit.day,
        "site_id": visit.site_id,
        "found": None if visit.found is None else str(visit.found),
        "cause": None if visit.cause is None else str(visit.cause),
        "done": None if visit.done is None else str(visit.done),
        "pack_out": visit.pack_out,
        "volts_out": visit.volts_out,
        "pack_in": visit.pack_in,
        "volts_in": visit.volts_in,
        "minutes": visit.minutes,
        "notes": visit.notes,
    }
