"""All that one folder describes, as one thing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from pathlib import Path
from zoneinfo import ZoneInfo

from tripplan.fleet.dates import DateSpan
from tripplan.fleet.packs import AT_HOME, SHELF, Charger, InPlace, Pack, PackState, PackType
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
from tripplan.fleet.told import Done, Found, Job, Reading, VisitRecord
from tripplan.wishes import Wish

__all__ = ["Fleet"]


@dataclass(frozen=True)
class Fleet:
    """
    All that one folder describes, checked.

    Attributes
    ----------
    sites : tuple of Site
        Sites in use, in the order of the file.
    weather : mapping of datetime.date to float
        The day's mean temperature where it was measured or is announced. [deg C]
    set_aside : tuple of str
        Ids of the rows with ``in_use = no``; every output names them.
    packs : tuple of Pack or None
        None where there is no packs.csv.
    untold_packs : mapping of str to str
        Packs that may have gone out on a planned trip not yet told of, with that trip's id.
    language : str
        Language of what people carry: the field kit.
    units : str
        ``metric`` or ``imperial``, for people; inside and in tables everything is metric.
    folder : pathlib.Path or None
        Where it was read from.
    remarks : tuple of str
        What the reader decided (date order, decimal sign, ...) and warnings that are no faults.
    """

    name: str
    timezone: str
    crews: tuple[Crew, ...]
    sites: tuple[Site, ...]
    pack_types: Mapping[str, PackType]
    currency: str = "EUR"
    blocked: tuple[DateSpan, ...] = ()
    plan: PlanSettings = field(default_factory=PlanSettings)
    drive: DriveSettings = field(default_factory=DriveSettings)
    walk: WalkSettings = field(default_factory=WalkSettings)
    climate: Climate | None = None
    chargers: tuple[Charger, ...] = ()
    spares: SparesSettings = field(default_factory=SparesSettings)
    money: Money | None = None
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    access: Mapping[str, tuple[AccessRule, ...]] = field(default_factory=dict)
    packs: tuple[Pack, ...] | None = None
    untold_packs: Mapping[str, str] = field(default_factory=dict)
    visits: tuple[VisitRecord, ...] = ()
    readings: tuple[Reading, ...] = ()
    jobs: tuple[Job, ...] = ()
    legs: tuple[Leg, ...] = ()
    weather: Mapping[date, float] = field(default_factory=dict)
    wishes: tuple[Wish, ...] = ()
    set_aside: tuple[str, ...] = ()
    language: str = "en"
    units: str = "metric"
    folder: Path | None = None
    remarks: tuple[str, ...] = ()

    @cached_property
    def zone(self) -> ZoneInfo:
        """The fleet's time zone."""
        return ZoneInfo(self.timezone)

    @cached_property
    def sites_by_id(self) -> Mapping[str, Site]:
        """Sites in use, by id."""
        return {site.site_id: site for site in self.sites}

    @cached_property
    def crews_by_name(self) -> Mapping[str, Crew]:
        """Crews by name."""
        return {crew.name: crew for crew in self.crews}

    @cached_property
    def stock_is_kept(self) -> bool:
        """Whether the stock of charged packs limits the plan."""
        return self.packs is not None or any(
            kind.shelf_charged is not None for kind in self.pack_types.values()
        )

    @cached_property
    def open_jobs(self) -> Mapping[str, tuple[Job, ...]]:
        """Jobs not yet done, by site, in the order of the file; sites without any are absent."""
        found: dict[str, list[Job]] = {}
        for job in self.jobs:
            if job.done_on is None:
                found.setdefault(job.site_id, []).append(job)
        return {site_id: tuple(jobs) for site_id, jobs in found.items()}

    @cached_property
    def in_place(self) -> Mapping[str, InPlace]:
        """The pack now at each site: from packs.csv, else the last swap, else ``swapped_on``."""
        standing: dict[str, Pack] = {}
        known: dict[str, Pack] = {}
        for pack in self.packs or ():
            known[pack.pack_id] = pack
            if pack.since is not None:
                standing.setdefault(pack.where, pack)
        last: dict[str, VisitRecord] = {}
        gone: dict[str, date] = {}
        for visit in sorted(self.visits, key=lambda one: (one.day, one.row)):
            if visit.done in (Done.SWAPPED, Done.INSTALLED):
                last[visit.site_id] = visit
                gone.pop(visit.site_id, None)
            elif visit.done is Done.REMOVED or visit.found is Found.MISSING:
                last.pop(visit.site_id, None)
                gone[visit.site_id] = visit.day
        found: dict[str, InPlace] = {}
        for site in self.sites:
            site_id = site.site_id
            since = gone.get(site_id, date.min)
            there = standing.get(site_id)
            if there is not None and (there.since or since) >= since:
                found[site_id] = InPlace(there.since, "packs.csv", there)
            elif site_id in last:
                swap = last[site_id]
                found[site_id] = InPlace(swap.day, "visits.csv", known.get(swap.pack_in))
            elif site.swapped_on is not None and site.swapped_on > since:
                found[site_id] = InPlace(site.swapped_on, "swapped_on")
            elif site_id in gone or (site.active_from is not None and site.flat_on is None):
                found[site_id] = InPlace(None, AT_HOME)
            else:
                found[site_id] = InPlace(None, "flat_on")
        return found

    def is_at_home(self, site_id: str) -> bool:
        """
        Tell whether no device stands at a site, as the records have it.

        Parameters
        ----------
        site_id : str
            A site of the fleet.

        Returns
        -------
        bool
            True after ``removed`` or ``missing`` until something goes in again, and where a site has
            ``active_from`` and nothing says that a pack ever went in.
        """
        return self.in_place[site_id].source == AT_HOME

    @cached_property
    def odd_returns(self) -> Mapping[str, str]:
        """
        What the first swap brings back from sites whose pack in place is no good one of the site's type.

        By site id the type of that pack; empty where it is suspect or retired, so that it is no spare.
        """
        standing = {pack.where: pack for pack in self.packs or ()}
        unfit = (PackState.SUSPECT, PackState.RETIRED)
        return {
            site.site_id: "" if pack.state in unfit else pack.pack_type
            for site in self.sites
            if (pack := standing.get(site.site_id)) is not None
            and (pack.state in unfit or pack.pack_type != site.pack_type)
        }

    @cached_property
    def pack_ends(self) -> Mapping[str, tuple[date, ...]]:
        """The days on which each pack came out of use at some site, by pack id, oldest first."""
        ends: dict[str, list[date]] = {}
        standing: dict[str, str] = {}
        for visit in sorted(self.visits, key=lambda visit: (visit.day, visit.row)):
            if visit.done in (Done.SWAPPED, Done.INSTALLED, Done.REMOVED):
                out = visit.pack_out or standing.get(visit.site_id, "")
                if out:
                    ends.setdefault(out, []).append(visit.day)
                standing[visit.site_id] = visit.pack_in
        return {pack_id: tuple(days) for pack_id, days in ends.items()}

    def charged_on_shelf(self, type_name: str) -> int:
        """
        Return how many packs of a type stand charged on the shelf today.

        Parameters
        ----------
        type_name : str
            Name of a pack type.

        Returns
        -------
        int
            From packs.csv where it exists, else ``shelf_charged``, else 0.
        """
        if self.packs is not None:
            return sum(
                pack.pack_type == type_name and pack.where == SHELF and pack.state is PackState.CHARGED
                for pack in self.packs
            )
        return self.pack_types[type_name].shelf_charged or 0

    def uncharged_on_shelf(self, type_name: str) -> int:
        """
        Return how many packs of a type stand on the shelf flat or on a charger.

        Parameters
        ----------
        type_name : str
            Name of a pack type.

        Returns
        -------
        int
            Packs that may be charged from this evening on; suspect and retired packs never count.
        """
        return sum(
            pack.pack_type == type_name
            and pack.where == SHELF
            and pack.state in (PackState.FLAT, PackState.CHARGING)
            for pack in self.packs or ()
        )
