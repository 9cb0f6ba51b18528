"""
A simple planner of our own for tests: valid plans that owe nothing to the package's solver.

Go when some site must be visited now, take along what fits. Plans are valid, not good.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from day_by_hand import Call, Country, Day, TimedDay, time_day, write_trip

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import Crew, Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import ChargeSlot, Plan, Status, Trip, Unserved, VisitKind
from tripplan.travel import crew_dates, crews_share_people

__all__ = ["ChargingRoom", "first_date", "greedy_plan", "pack_back", "reachable_dates", "taken_in_by"]


@dataclass
class _Pack:
    put_in: date | None
    swap_by: date
    flat: tuple[date, date, date]


@dataclass
class ChargingRoom:
    """Packs on the shelf and on the chargers; each pack goes on as soon as a charger can take it."""

    fleet: Fleet
    on: date
    slots: list[ChargeSlot] = field(default_factory=list)
    used: Counter[tuple[str, date]] = field(default_factory=Counter)
    _free: dict[int, int] = field(default_factory=dict)
    _put_on: Counter[tuple[int, date]] = field(default_factory=Counter)
    _ready: list[tuple[str, date]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for name in sorted(self.fleet.pack_types):
            for _ in range(self.fleet.uncharged_on_shelf(name)):
                self.take_back(name, self.on)

    def take_back(self, name: str, day: date) -> None:
        """Put a pack that came back on a date on the charger that takes it first."""
        fleet = self.fleet
        if not fleet.chargers:
            self._ready.append((name, day + timedelta(days=1)))
            return
        options = []
        for number, charger in enumerate(fleet.chargers, 1):
            if name not in charger.types:
                continue
            start = max(local_moment(day, 18 * 60, fleet.zone), self._free.get(number, 0))
            while (
                self._put_on[number, moment_to_local(start, fleet.zone).date()] >= charger.changeovers_per_day
            ):
                start = local_moment(
                    moment_to_local(start, fleet.zone).date() + timedelta(days=1), 0, fleet.zone
                )
            options.append((start + math.ceil(charger.hours_per_pack * 3600), start, number))
        if not options:
            return
        off, start, number = min(options)
        self._free[number] = off
        self._put_on[number, moment_to_local(start, fleet.zone).date()] += 1
        zone = fleet.zone
        self.slots.append(ChargeSlot(name, number, moment_to_local(start, zone), moment_to_local(off, zone)))
        day_off = moment_to_local(off, zone).date()
        in_time = off <= local_moment(day_off, 6 * 60, zone)
        self._ready.append((name, day_off if in_time else day_off + timedelta(days=1)))

    def charged(self, name: str, day: date) -> int:
        """Return how many charged packs of a type are left for a date."""
        if not self.fleet.stock_is_kept:
            return 10**6
        gone = sum(count for (kind, _), count in self.used.items() if kind == name)
        back = sum(kind == name and ready <= day for kind, ready in self._ready)
        return self.fleet.charged_on_shelf(name) + back - gone


def pack_back(fleet: Fleet, site: Site, *, first: bool) -> str:
    """Return the type of the pack that a swap brings back to be charged; empty where it is no spare."""
    for pack in fleet.packs or ():
        if first and pack.where == site.site_id:
            return "" if str(pack.state) in ("suspect", "retired") else pack.pack_type
    return site.pack_type


def reachable_dates(country: Country, site: Site, outlook: Outlook, *, with_jobs: bool) -> tuple[date, ...]:
    """Return the dates on which some crew alone could go out to one site, and back."""
    found = set()
    sets_out = with_jobs and outlook.sites[site.site_id].at_home
    for crew in country.fleet.crews:
        for day in crew_dates(country.fleet, crew, outlook.on, outlook.to):
            fetches = site.active_to is not None and day >= site.active_to
            if day < first_date(country.fleet, outlook, site) or (sets_out and fetches):
                continue
            kind = VisitKind.TAKE_IN if fetches else VisitKind.SET_OUT if sets_out else VisitKind.SWAP
            calls = {site.site_id: Call(work_seconds(country.fleet, site, with_jobs=with_jobs), kind)}
            if time_day(country, crew, day, (((site.site_id,),),), calls) is not None:
                found.add(day)
    return tuple(sorted(found))


def first_date(fleet: Fleet, outlook: Outlook, site: Site) -> date:
    """Return the first date on which a site is visited at all: a device at home is set out some days ahead."""
    if site.active_from is None:
        return date.min
    ahead = fleet.plan.set_out_days if outlook.sites[site.site_id].at_home else 0
    return site.active_from - timedelta(days=ahead)


def taken_in_by(fleet: Fleet, outlook: Outlook, site: Site) -> date | None:
    """Return the last day in time for taking a device in; None where the season does not owe that."""
    if site.active_to is None:
        return None
    last = site.active_to + timedelta(days=fleet.plan.take_in_days)
    return last if last < outlook.to else None


def work_seconds(fleet: Fleet, site: Site, *, with_jobs: bool) -> int:
    """Return the seconds of work at a site, jobs included on its first visit. [s]."""
    jobs = fleet.open_jobs.get(site.site_id, ()) if with_jobs else ()
    return math.ceil((site.work_minutes + sum(job.minutes for job in jobs)) * 60)


class _Season:
    """The plan as it grows, date by date."""

    def __init__(self, fleet: Fleet, outlook: Outlook, travel: Any) -> None:
        self.fleet, self.outlook = fleet, outlook
        self.country = Country(fleet, travel)
        self.room = ChargingRoom(fleet, outlook.on)
        self.trips: list[Trip] = []
        self.previous: dict[str, date] = {}
        self.swapped: set[str] = set()
        self.out = {name for name, now in outlook.sites.items() if not now.at_home}
        self.fetched: set[str] = set()
        self.late: dict[str, list[tuple[date, date | None, int]]] = {}
        self.dark = 0.0
        self.packs = {
            name: _Pack(None, now.swap_by, (now.flat_early, now.flat_likely, now.flat_late))
            for name, now in outlook.sites.items()
        }
        self.reach = {
            (site.site_id, first): reachable_dates(self.country, site, outlook, with_jobs=first)
            for site in fleet.sites
            for first in (True, False)
        }

    def due(self, site: Site) -> date:
        """Return by when the next visit is owed, for power or to take the device in; else the far future."""
        power, fetch = self.power_due(site), self.fetch_due(site)
        found = [day for day in (power, fetch) if day is not None]
        return min(found, default=date.max)

    def fetch_due(self, site: Site) -> date | None:
        out = site.site_id in self.out and site.site_id not in self.fetched
        return taken_in_by(self.fleet, self.outlook, site) if out else None

    def power_due(self, site: Site) -> date | None:
        if site.site_id in self.fetched:
            return None
        due = self.packs[site.site_id].swap_by
        if site.site_id not in self.out:
            if site.active_from is None:
                return None
            due = site.active_from
        elif site.active_from is not None and site.active_from > self.outlook.on:
            due = max(due, site.active_from)
        if site.site_id not in self.previous and site.site_id in self.out:
            jobs = self.fleet.open_jobs.get(site.site_id, ())
            due = min([due, *(job.due_by for job in jobs if job.due_by is not None)])
        return due if self.owed(site, due) else None

    def owed(self, site: Site, due: date) -> bool:
        over = site.active_to is not None and (due > site.active_to or site.active_to < self.outlook.on)
        return due < self.outlook.to and not over

    def fresh(self, site: Site, day: date) -> _Pack:
        renewal, entry = self.outlook.renewals[site.site_id], (day - self.outlook.on).days
        dates = [
            date.fromordinal(int(row[entry]))
            for row in (renewal.swap_by, renewal.flat_early, renewal.flat_likely, renewal.flat_late)
        ]
        return _Pack(day, dates[0], (dates[1], dates[2], dates[3]))

    def fallback(self, site: Site, day: date) -> tuple[int, bool]:
        """Return how many reachable dates a visit leaves, and whether enough were possible."""
        swap_by = self.packs[site.site_id].swap_by
        before = self.previous.get(site.site_id)
        if site.active_to is not None and day >= site.active_to:
            last = site.active_to + timedelta(days=self.fleet.plan.take_in_days)
            since = max(site.active_to, date.min if before is None else before + timedelta(days=1))
            window = [d for d in self.reach[site.site_id, before is None] if since <= d <= last]
            wanted = self.fleet.plan.fallback_dates
            return sum(d > day for d in window), wanted == 0 or len(window) > wanted
        dates = [d for d in self.reach[site.site_id, before is None] if d <= swap_by]
        window = [d for d in dates if before is None or d > before]
        wanted = self.fleet.plan.fallback_dates
        early = window[: max(0, len(window) - wanted)]
        keeps_up = any(self.fresh(site, d).swap_by >= swap_by for d in early)
        return sum(d > day for d in dates), wanted == 0 or keeps_up

    def allowed(self, site: Site, day: date) -> bool:
        """Tell whether the rules on dates allow a visit, capacity apart."""
        pack = self.packs[site.site_id]
        fetches = site.active_to is not None and day >= site.active_to
        in_by = taken_in_by(self.fleet, self.outlook, site)
        if day < first_date(self.fleet, self.outlook, site):
            return False
        bound = in_by is not None and day <= in_by if fetches else self.owed(site, pack.swap_by)
        if bound and (fetches or day <= pack.swap_by):
            left, possible = self.fallback(site, day)
            if possible and left < self.fleet.plan.fallback_dates:
                return False
        return self.kind_here(site, day) is not None

    def kind_here(self, site: Site, day: date) -> VisitKind | None:
        """Return what a visit would do; None where it makes no sense."""
        pack, fresh = self.packs[site.site_id], self.fresh(site, day)
        over = site.active_to is not None and day >= site.active_to
        if site.site_id in self.fetched:
            return None
        if site.site_id not in self.out:
            return VisitKind.SET_OUT if not over and fresh.swap_by >= pack.swap_by else None
        if over:
            return VisitKind.TAKE_IN
        first_job = site.site_id not in self.previous and site.site_id in self.fleet.open_jobs
        if fresh.swap_by > pack.swap_by and (first_job or self.power_due(site) is not None):
            return VisitKind.SWAP
        return VisitKind.CALL if first_job else None

    def urgent(self, site: Site, day: date) -> bool:
        """Tell whether a site must be visited on this date at the latest to stay in time."""
        due = self.due(site)
        if due == date.max:
            return False
        dates = self.reach[site.site_id, site.site_id not in self.previous]
        later = [d for d in dates if d > day and d <= due and self.allowed(site, d)]
        return not later

    def go(self, crew: Crew, day: date) -> None:
        """Plan a trip of one crew on one date where some site must be visited."""
        sites = [
            site
            for site in self.fleet.sites
            if self.previous.get(site.site_id) != day and self.due(site) < date.max
        ]
        musts = [site for site in sites if self.urgent(site, day) and self.allowed(site, day)]
        if not musts:
            return
        others = [
            site
            for site in sites
            if site not in musts and self.due(site) <= day + timedelta(days=21) and self.allowed(site, day)
        ]
        timed: TimedDay | None = None
        calls: dict[str, Call] = {}
        taken: Counter[str] = Counter()
        for site in sorted(musts, key=self.due) + sorted(others, key=self.due):
            kind = self.kind_here(site, day)
            if kind is None:
                continue
            call = Call(work_seconds(self.fleet, site, with_jobs=site.site_id not in self.previous), kind)
            if call.puts_in and (self.room.charged(site.pack_type, day) <= taken[site.pack_type]):
                continue
            more = calls | {site.site_id: call}
            tried = self._insert(crew, day, () if timed is None else timed.day, site.site_id, more)
            if tried is not None:
                timed, calls = tried, more
                taken[site.pack_type] += call.puts_in
        if timed is not None:
            self._settle(crew, day, timed, calls)

    def _insert(
        self, crew: Crew, day: date, stops: Day, site_id: str, calls: Mapping[str, Call]
    ) -> TimedDay | None:
        """Return the shortest day with one more site, trying every place for it."""
        country = self.country
        place = country.travel.place_of_site
        options: list[Day] = [(*stops[:k], ((site_id,),), *stops[k:]) for k in range(len(stops) + 1)]
        for k, stop in enumerate(stops):
            if place[stop[0][0]] != place[site_id]:
                continue
            inside = [(*stop[:n], (site_id,), *stop[n:]) for n in range(len(stop) + 1)]
            for n, loop in enumerate(stop):
                inside += [
                    (*stop[:n], (*loop[:m], site_id, *loop[m:]), *stop[n + 1 :]) for m in range(len(loop) + 1)
                ]
            options += [(*stops[:k], one, *stops[k + 1 :]) for one in inside]
        found = [time_day(country, crew, day, option, calls) for option in options]
        return min((timed for timed in found if timed is not None), key=lambda t: t.seconds, default=None)

    def _settle(self, crew: Crew, day: date, timed: TimedDay, calls: Mapping[str, Call]) -> None:
        facts = {}
        for site_id, call in calls.items():
            site, pack = self.fleet.sites_by_id[site_id], self.packs[site_id]
            fresh, first = self.fresh(site, day), site_id not in self.previous
            power, fetch = self.power_due(site), self.fetch_due(site)
            left, possible = self.fallback(site, day)
            if call.kind is VisitKind.TAKE_IN:
                possible = possible and left >= self.fleet.plan.fallback_dates
            jobs = self.fleet.open_jobs.get(site_id, ()) if first else ()
            facts[site_id] = {
                "swap_by": pack.swap_by,
                "next_swap_by": self.outlook.to
                if call.kind is VisitKind.TAKE_IN
                else fresh.swap_by
                if call.puts_in
                else pack.swap_by,
                "flat_early": pack.flat[0],
                "flat_likely": pack.flat[1],
                "flat_late": pack.flat[2],
                "jobs": tuple(job.job for job in jobs),
                "fallback_left": left,
                "fallback_possible": possible,
            }
            fetched = fetch if call.kind is VisitKind.TAKE_IN else None
            for due in (power, fetched):
                if due is not None and day > due:
                    self.late.setdefault(site_id, []).append((due, day, (day - due).days))
            if call.carries:
                until = min(day, self.last_day(site))
                self.dark += self.outlook.expected_dark_days(site_id, pack.put_in, until)
            if call.puts_in:
                self.room.used[site.pack_type, day] += 1
                self.packs[site_id] = fresh
                self.out.add(site_id)
            if call.kind is VisitKind.TAKE_IN:
                self.fetched.add(site_id)
        for site_id, call in calls.items():
            self.previous[site_id] = day
            if call.kind in (VisitKind.SWAP, VisitKind.TAKE_IN):
                site = self.fleet.sites_by_id[site_id]
                back = pack_back(self.fleet, site, first=site_id not in self.swapped)
                if back:
                    self.room.take_back(back, day)
            if call.carries:
                self.swapped.add(site_id)
        self.trips.append(write_trip(self.country, crew, day, timed, calls, facts))

    def last_day(self, site: Site) -> date:
        """Return the end of the days on which a site counts as dark where it is."""
        end = self.outlook.to
        return end if site.active_to is None else min(end, site.active_to + timedelta(days=1))

    def finish(self) -> Plan:
        fleet, outlook = self.fleet, self.outlook
        for site in fleet.sites:
            if site.site_id not in self.fetched:
                put_in = self.packs[site.site_id].put_in
                self.dark += outlook.expected_dark_days(site.site_id, put_in, self.last_day(site))
            for due in (self.power_due(site), self.fetch_due(site)):
                if due is None:
                    continue
                self.late.setdefault(site.site_id, []).append((due, None, (outlook.to - due).days))
        unserved = tuple(
            Unserved(
                site_id=site_id,
                swap_by=links[0][0],
                proved=False,
                visited_on=links[0][1],
                late_days=sum(days for _, _, days in links),
                reason="the simple planner of the tests found no way",
                smallest_change="",
            )
            for site_id, links in sorted(self.late.items())
        )
        return Plan(
            fleet=fleet.name,
            made_on=outlook.on,
            first=outlook.on,
            to=outlook.to,
            risk=outlook.risk,
            seed=1,
            status=Status.NO_FULL_PLAN if unserved else Status.BEST_FOUND,
            lower_bound=0,
            trips=tuple(self.trips),
            late_sites=len(unserved),
            late_days=sum(late.late_days for late in unserved),
            expected_dark_days=self.dark,
            unserved=unserved,
            charging=tuple(self.room.slots),
        )


def greedy_plan(fleet: Fleet, outlook: Outlook, travel: Any) -> Plan:
    """
    Return a valid plan: date by date, crew by crew, as soon as a site can wait no longer.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        The inputs of planning.

    Returns
    -------
    Plan
        With status ``best found`` (bound 0), or ``no full plan`` where something is late.
    """
    season = _Season(fleet, outlook, travel)
    dates = {crew.name: set(crew_dates(fleet, crew, outlook.on, outlook.to)) for crew in fleet.crews}
    for number in range((outlook.to - outlook.on).days + 1):
        day = outlook.on + timedelta(days=number)
        gone: list[Crew] = []
        for crew in fleet.crews:
            if day in dates[crew.name] and not any(crews_share_people(crew, other) for other in gone):
                before = len(season.trips)
                season.go(crew, day)
                if len(season.trips) > before:
                    gone.append(crew)
    return season.finish()
