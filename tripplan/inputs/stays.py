"""
Stays: one pack at one site, from the day it went in to the day it came out, as the records have it.

Only what stands in visits.csv and packs.csv; nothing is estimated. A swap that names no pack ends the stay
of the one that was there and begins the stay of one without a name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from tripplan.fleet import Cause, Done, Fleet, Found, VisitRecord

__all__ = ["Ended", "Stay", "read_stays", "stays_by_pack"]


class Ended(StrEnum):
    """How a stay ended."""

    STILL_THERE = "still there"
    RUNNING = "swapped while running"
    FLAT = "found flat"
    OTHER_FAULT = "found dark for another cause"
    UNKNOWN_FAULT = "found dark, cause not known"
    UNTOLD = "swapped, nothing told of how it was found"
    REMOVED = "taken out"
    MISSING = "missing"


@dataclass(frozen=True)
class Stay:
    """
    One pack at one site.

    Attributes
    ----------
    pack_id : str
        Empty where nobody named it.
    start : datetime.date or None
        Day it went in; None where the records begin with its coming out.
    end : datetime.date or None
        Day it came out or was found missing; None while it is there.
    volts_in, volts_out : float or None
        Rested, at the battery's terminals. [V]
    dark_on : datetime.date or None
        First visit that found the site dark during the stay.
    """

    site_id: str
    pack_id: str
    start: date | None
    end: date | None = None
    ended: Ended = Ended.STILL_THERE
    volts_in: float | None = None
    volts_out: float | None = None
    dark_on: date | None = None

    def days(self, today: date) -> int | None:
        """Return how long it was (or has been) there; None where its start is not known. [day]."""
        return None if self.start is None else ((self.end or today) - self.start).days


def read_stays(fleet: Fleet) -> Mapping[str, tuple[Stay, ...]]:
    """
    Return the stays at every site.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.

    Returns
    -------
    mapping of str to tuple of Stay
        By site in use, oldest first; sites without any are there with none.
    """
    visits: dict[str, list[VisitRecord]] = {site.site_id: [] for site in fleet.sites}
    for visit in sorted(fleet.visits, key=lambda one: (one.day, one.row)):
        visits.setdefault(visit.site_id, []).append(visit)
    return {site_id: tuple(_stays_at(fleet, site_id, own)) for site_id, own in visits.items()}


def stays_by_pack(stays: Mapping[str, Iterable[Stay]]) -> Mapping[str, tuple[Stay, ...]]:
    """
    Return the same stays by pack.

    Parameters
    ----------
    stays : mapping of str to iterable of Stay
        By site.

    Returns
    -------
    mapping of str to tuple of Stay
        By the pack's name, oldest first; stays of packs without a name are left out.
    """
    found: dict[str, list[Stay]] = {}
    for at_site in stays.values():
        for stay in at_site:
            if stay.pack_id:
                found.setdefault(stay.pack_id, []).append(stay)
    return {
        pack_id: tuple(sorted(own, key=lambda one: (one.start or date.min, one.end or date.max)))
        for pack_id, own in found.items()
    }


def _stays_at(fleet: Fleet, site_id: str, visits: Iterable[VisitRecord]) -> list[Stay]:
    stays: list[Stay] = []
    now: Stay | None = None
    for visit in visits:
        if now is not None and visit.found is Found.DARK and now.dark_on is None:
            now = replace(now, dark_on=visit.day)
        takes_out = visit.done in (Done.SWAPPED, Done.REMOVED)
        gone = visit.found is Found.MISSING
        if takes_out or gone or (visit.done is Done.INSTALLED and now is not None):
            before = now or Stay(site_id, visit.pack_out, None)
            if now is not None or visit.pack_out:
                stays.append(
                    replace(
                        before,
                        pack_id=before.pack_id or visit.pack_out,
                        end=visit.day,
                        ended=_ended(visit, before),
                        volts_out=visit.volts_out,
                    )
                )
            now = None
        if visit.done in (Done.SWAPPED, Done.INSTALLED):
            now = Stay(site_id, visit.pack_in, visit.day, volts_in=visit.volts_in)
    place = fleet.in_place.get(site_id)
    if place is not None and place.since is not None and place.source != "visits.csv":
        pack_id = "" if place.pack is None else place.pack.pack_id
        if now is None or (now.start is not None and place.since > now.start):
            if now is not None:
                stays.append(replace(now, end=place.since, ended=Ended.UNTOLD))
            if not stays or stays[-1].end is None or place.since >= stays[-1].end:
                now = Stay(site_id, pack_id, place.since)
        elif not now.pack_id:
            now = replace(now, pack_id=pack_id)
    if now is not None:
        stays.append(now)
    return stays


def _ended(visit: VisitRecord, stay: Stay) -> Ended:
    if visit.found is Found.MISSING:
        return Ended.MISSING
    if visit.found is Found.DARK or stay.dark_on is not None:
        if visit.cause is Cause.FLAT:
            return Ended.FLAT
        return Ended.UNKNOWN_FAULT if visit.cause in (None, Cause.UNKNOWN) else Ended.OTHER_FAULT
    if visit.done is Done.REMOVED:
        return Ended.REMOVED
    return Ended.RUNNING if visit.found is Found.RUNNING else Ended.UNTOLD
