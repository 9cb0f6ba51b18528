"""
From plan and fleet to the view of one trip.

Everything a kit says is put together here and nowhere else, so that the page, the paper, the
calendar and the waypoints cannot contradict each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta

from tripplan.fleet import SHELF, Fleet, PackState, Site
from tripplan.forecast.outlook import Outlook
from tripplan.outputs.kit_cautions import loop_caution, trip_cautions
from tripplan.outputs.kit_model import (
    ContactView,
    JobView,
    KitView,
    LoopView,
    PackTag,
    PackView,
    SiteView,
    StopView,
)
from tripplan.outputs.kit_supplies import charge_views, load_rows
from tripplan.outputs.kit_times import StopTimes, latest_times, skip_order
from tripplan.outputs.links import coordinates, geo_uri, phone_links
from tripplan.outputs.plain_text import clean
from tripplan.outputs.wording import Wording
from tripplan.plan.document import Loop, Plan, Stop, Trip, Visit, VisitKind
from tripplan.plan.leeway import StopLeeway, stop_leeways, waits_until
from tripplan.travel import Travel, contacts_for, open_spans

__all__ = ["CALL_AFTER", "build_kit_view"]

CALL_AFTER = timedelta(minutes=60)
"""How long after the planned return someone should be called."""


def build_kit_view(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    trip: Trip,
    *,
    today: date,
    wording: Wording,
    extra_spares: Mapping[str, int] | None = None,
) -> KitView:
    """
    Return all that the kit of one trip shows.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        What the trip was planned from; `plan` holds the charging evenings.
    trip : Trip
        One of the plan's trips.
    today : datetime.date
        Day on which the kit is made.
    wording : Wording
        Language and units.
    extra_spares : mapping of str to int, optional
        Spares to take beyond the planned swaps, by pack type.

    Returns
    -------
    KitView
        Only this trip's sites.
    """
    tags = _pack_tags(fleet, trip, extra_spares or {}, wording)
    dark = _dark_texts(outlook, plan, trip, wording)
    contacts = _contacts(fleet, trip, wording)
    times = latest_times(fleet, travel, trip)
    leeways = stop_leeways(fleet, travel, trip)
    until = {visit.site_id: waits_until(fleet, travel, trip, visit, plan.to) for visit in trip.visits}
    number = 0
    stops: list[StopView] = []
    for index in range(len(trip.stops)):
        stops.append(
            _stop_view(
                fleet,
                travel,
                trip,
                index,
                times[index],
                leeways[index],
                tags,
                contacts,
                dark,
                until,
                wording,
                first_number=number + 1,
            )
        )
        number += len(stops[-1].sites)
    sites = {site.key: site for stop in stops for site in stop.sites}
    skip = skip_order(trip.visits, until)
    stops = [
        replace(
            stop, skip_first=tuple(sites[key] for key in skip if sites[key].number >= stop.sites[0].number)
        )
        for stop in stops
    ]
    crew = fleet.crews_by_name[trip.crew]
    kinds = [visit.kind for visit in trip.visits]
    swaps = wording.count("n.swaps", kinds.count(VisitKind.SWAP))
    moved = [
        wording.count(key, kinds.count(kind))
        for kind, key in ((VisitKind.SET_OUT, "n.set_out"), (VisitKind.TAKE_IN, "n.take_in"))
        if kind in kinds
    ]
    walk_m = sum(loop.walk_m for stop in trip.stops for loop in stop.loops)
    last = trip.stops[-1]
    home = (trip.back - last.leave).total_seconds() / 60
    back = wording.clock_up(trip.back)
    return KitView(
        trip_id=trip.trip_id,
        fleet=clean(fleet.name),
        knows_packs=fleet.packs is not None,
        language=wording.language,
        date=trip.date,
        date_text=wording.day(trip.date),
        made_text=wording.say("trip.made", made=wording.day(today), plan=wording.day(plan.made_on)),
        crew=clean(crew.name),
        people=", ".join(clean(person) for person in crew.people),
        base_lat=crew.base_lat,
        base_lon=crew.base_lon,
        leave=trip.leave,
        back=trip.back,
        call_by=trip.back + CALL_AFTER,
        leave_text=wording.clock(trip.leave),
        back_text=back,
        call_by_text=wording.clock_up(trip.back + CALL_AFTER),
        counts_text=", ".join(
            (
                wording.count("n.stops", len(trip.stops)),
                wording.count("n.sites", len(sites)),
                *([] if moved and VisitKind.SWAP not in kinds else [swaps]),
                *moved,
            )
        ),
        sums_text=wording.say(
            "trip.sums",
            drive=wording.duration(trip.drive_minutes),
            drive_km=wording.distance(trip.drive_km * 1000),
            walk=wording.duration(trip.walk_minutes),
            walk_km=wording.distance(walk_m),
            work=wording.duration(trip.work_minutes),
            wait=wording.duration(trip.wait_minutes),
            all=wording.duration((trip.back - trip.leave).total_seconds() / 60),
        ),
        set_aside_text=wording.count("n.set_aside", len(fleet.set_aside)) if fleet.set_aside else "",
        tags=tuple(tags.values()),
        stops=tuple(stops),
        contacts=contacts,
        load=load_rows(fleet, trip, tags, sites, extra_spares or {}, wording),
        charging=charge_views(plan, trip, tags, fleet.zone, wording),
        cautions=trip_cautions(fleet, trip, tags, wording),
        skip_first=tuple(sites[site_id] for site_id in skip),
        never_skip=tuple(site for key, site in sites.items() if key not in skip),
        packs=_packs_met(fleet, trip),
        slack_text=_slack_text(travel, trip, times[0], wording),
        drive_home_text=wording.say(
            "trip.home", drive=wording.duration(home), back=wording.clock_up(trip.back)
        ),
        road_note=wording.say("map.straight"),
    )


def _pack_tags(fleet: Fleet, trip: Trip, extra: Mapping[str, int], wording: Wording) -> dict[str, PackTag]:
    """Return a tag for each pack type of the trip, lettered in the order of first use."""
    names = list(dict.fromkeys([*(visit.pack_type for visit in trip.visits), *extra]))
    tags = {}
    for index, name in enumerate(names):
        kind = fleet.pack_types[name]
        tags[name] = PackTag(
            letter=_letters(index),
            name=clean(name),
            volts=kind.volts,
            battery_volts=kind.nominal_volts,
            volts_text=wording.volts(kind.volts),
            plug=clean(kind.plug),
            chemistry=kind.chemistry.value,
            chemistry_text=wording.say(f"chemistry.{kind.chemistry.name.lower()}"),
            weight_text=wording.weight(kind.weight_kg),
            weight_kg=kind.weight_kg,
        )
    return tags


def _letters(index: int) -> str:
    """
    Return A, B, ... Z, AA, AB ...

    Examples
    --------
    >>> _letters(0), _letters(25), _letters(26)
    ('A', 'Z', 'AA')
    """
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def _contacts(fleet: Fleet, trip: Trip, wording: Wording) -> tuple[ContactView, ...]:
    """Return whom to ring, soonest first, each with the stops and sites it opens."""
    found: dict[tuple[date, str], tuple[list[str], list[str]]] = {}
    for index, stop in enumerate(trip.stops):
        for loop in stop.loops:
            for visit in loop.visits:
                for contact in contacts_for(fleet, fleet.sites_by_id[visit.site_id], trip.date):
                    stops, sites = found.setdefault((contact.ring_by, clean(contact.text)), ([], []))
                    stops.append(f"P{index + 1}")
                    sites.append(visit.site_id)
    return tuple(
        ContactView(
            text,
            phone_links(text),
            ring_by,
            wording.day_short(ring_by),
            tuple(dict.fromkeys(stops)),
            tuple(dict.fromkeys(clean(site) for site in sites)),
        )
        for (ring_by, text), (stops, sites) in sorted(found.items())
    )


def _stop_view(
    fleet: Fleet,
    travel: Travel,
    trip: Trip,
    index: int,
    times: StopTimes,
    leeway: StopLeeway,
    tags: Mapping[str, PackTag],
    contacts: tuple[ContactView, ...],
    dark: Mapping[str, str],
    until: Mapping[str, date | None],
    wording: Wording,
    *,
    first_number: int,
) -> StopView:
    stop = trip.stops[index]
    label = f"P{index + 1}"
    left = trip.leave if index == 0 else trip.stops[index - 1].leave
    here = travel.place_of_site[stop.loops[0].visits[0].site_id]
    before = (
        travel.place_of_crew[trip.crew]
        if index == 0
        else travel.place_of_site[trip.stops[index - 1].loops[0].visits[0].site_id]
    )
    loops: list[LoopView] = []
    number = first_number
    for loop_index, loop in enumerate(stop.loops):
        loops.append(
            _loop_view(fleet, travel, trip, loop, loop_index, times, tags, dark, until, wording, number)
        )
        number += len(loop.visits)
    return StopView(
        number=index + 1,
        label=label,
        lat=stop.park_lat,
        lon=stop.park_lon,
        coordinates=coordinates(stop.park_lat, stop.park_lon, wording),
        geo_uri=geo_uri(stop.park_lat, stop.park_lon),
        arrive=wording.clock(stop.arrive),
        leave=wording.clock(stop.leave),
        drive_text=wording.say(
            "stop.drive",
            drive=wording.duration((stop.arrive - left).total_seconds() / 60),
            km=wording.distance(float(travel.drive_km[before, here]) * 1000),
        ),
        turn_back=wording.clock(times.turn_back),
        lose_text=_lose_text(times, stop, leeway, wording),
        straight_home=wording.clock(times.straight_home),
        is_last=index == len(trip.stops) - 1,
        contacts=tuple(contact for contact in contacts if label in contact.stops),
        loops=tuple(loops),
    )


def _lose_text(times: StopTimes, stop: Stop, leeway: StopLeeway, wording: Wording) -> str:
    # Never more than is left until the time beside it, which keeps to the access window planned in.
    most = max(0, int((times.turn_back - stop.leave).total_seconds()) // 60)
    lose = min(leeway.lose_minutes, most)
    more = leeway.lose_with_reserve_minutes
    if more > lose:
        key = "stop.lose_reserve" if lose else "stop.lose_none_reserve"
    else:
        key = "stop.lose" if lose else "stop.lose_none"
    return wording.say(key, minutes=wording.duration(lose), more=wording.duration(more))


def _loop_view(
    fleet: Fleet,
    travel: Travel,
    trip: Trip,
    loop: Loop,
    index: int,
    times: StopTimes,
    tags: Mapping[str, PackTag],
    dark: Mapping[str, str],
    until: Mapping[str, date | None],
    wording: Wording,
    first_number: int,
) -> LoopView:
    sites: list[SiteView] = []
    climb = 0.0
    before: Visit | None = None
    for offset, visit in enumerate(loop.visits):
        site = fleet.sites_by_id[visit.site_id]
        rise = site.climb_m if before is None else site.climb_m - fleet.sites_by_id[before.site_id].climb_m
        climb += max(0.0, rise)
        walk = travel.walk_m(None if before is None else before.site_id, visit.site_id)
        sites.append(
            _site_view(fleet, trip, visit, tags, dark, until, wording, first_number + offset, walk, rise)
        )
        before = visit
    return LoopView(
        number=index + 1,
        leave=wording.clock(loop.leave),
        back=wording.clock(loop.back),
        latest_leave=wording.clock(times.loops[index].leave),
        latest_back=wording.clock(times.loops[index].back),
        walk_text=wording.distance(loop.walk_m),
        climb_text=wording.height(climb),
        weight_text=wording.weight(loop.carried_kg),
        carried_kg=loop.carried_kg,
        order_text=" → ".join(str(site.number) for site in sites),
        caution=loop_caution(loop, wording),
        sites=tuple(sites),
    )


_WHAT = {
    VisitKind.SWAP: "site.swap",
    VisitKind.CALL: "site.call",
    VisitKind.SET_OUT: "site.set_out",
    VisitKind.TAKE_IN: "site.take_in",
}
_HOW = {VisitKind.SET_OUT: "site.set_out_words", VisitKind.TAKE_IN: "site.take_in_words"}


def _serve_by(fleet: Fleet, visit: Visit) -> date:
    """Return the last day in time for a visit, its jobs aside."""
    end = fleet.sites_by_id[visit.site_id].active_to
    if visit.kind is VisitKind.TAKE_IN and end is not None:
        return end + timedelta(days=fleet.plan.take_in_days)
    return visit.swap_by


def _wait_text(fleet: Fleet, trip: Trip, visit: Visit, until: date | None, wording: Wording) -> str:
    """Say until when a visit can wait, or why it cannot."""
    if until is not None:
        return wording.say("site.can_wait", day=wording.day_short(until))
    by = _serve_by(fleet, visit)
    if visit.swap and by < trip.date:
        key = "site.is_late_device" if visit.moves_device else "site.is_late"
        return wording.say(key, day=wording.day_short(by))
    jobs = fleet.open_jobs.get(visit.site_id, ()) if visit.jobs else ()
    job_by = min((job.due_by for job in jobs if job.due_by is not None), default=by)
    if job_by < trip.date:
        return wording.say("site.job_is_late", day=wording.day_short(job_by))
    return wording.say("site.cannot_wait", day=wording.day_short(min(by, job_by)))


def _site_view(
    fleet: Fleet,
    trip: Trip,
    visit: Visit,
    tags: Mapping[str, PackTag],
    dark: Mapping[str, str],
    until: Mapping[str, date | None],
    wording: Wording,
    number: int,
    walk_m: float,
    rise_m: float,
) -> SiteView:
    site = fleet.sites_by_id[visit.site_id]
    bring = {clean(job.job): clean(job.bring) for job in fleet.open_jobs.get(site.site_id, ())}
    in_place = fleet.in_place[site.site_id].pack
    converter = ""
    if site.converter_volts is not None:
        converter = wording.say(
            "site.converter", takes=wording.volts(site.converter_volts), gives=wording.volts(site.volts)
        )
    key = "site.walk_down" if rise_m < 0 else "site.walk_up"
    walk_text = wording.say(key, walk=wording.distance(walk_m), climb=wording.height(abs(rise_m)))
    return SiteView(
        number=number,
        key=site.site_id,
        site_id=clean(site.site_id),
        name=clean(site.shared("name")) if site.name != site.site_id else "",
        lat=site.lat,
        lon=site.lon,
        coordinates=coordinates(site.lat, site.lon, wording),
        geo_uri=geo_uri(site.lat, site.lon),
        kind=str(visit.kind),
        swap=visit.swap,
        what=wording.say(_WHAT[visit.kind]),
        how=wording.say(_HOW[visit.kind]) if visit.kind in _HOW else "",
        tag=tags[visit.pack_type],
        takes_volts=site.takes_volts,
        converter_text=converter,
        pack_out="" if in_place is None or visit.kind is VisitKind.SET_OUT else clean(in_place.pack_id),
        pack_in=clean(visit.pack_in or ""),
        find=clean(site.shared("find")),
        jobs=tuple(JobView(clean(job), bring.get(clean(job), "")) for job in visit.jobs),
        arrive=wording.clock(visit.arrive),
        start=wording.clock(visit.start),
        finish=wording.clock(visit.finish),
        waits=(visit.start - visit.arrive) >= timedelta(minutes=1),
        work_text=wording.duration((visit.finish - visit.start).total_seconds() / 60),
        swap_by=visit.swap_by,
        swap_by_text=wording.day_short(visit.swap_by),
        wait_text=_wait_text(fleet, trip, visit, until[visit.site_id], wording),
        can_wait=until[visit.site_id] is not None,
        dark_text=dark.get(visit.site_id, ""),
        window_text=_window_text(fleet, site, trip, visit, wording),
        walk_text=walk_text if walk_m >= 1 else wording.say("site.at_parking"),
        device_id=clean(site.shared("device_id")),
    )


def _window_text(fleet: Fleet, site: Site, trip: Trip, visit: Visit, wording: Wording) -> str:
    if not site.access:
        return ""
    for first, last in open_spans(fleet, site, trip.crew, trip.date):
        if first <= visit.start.timestamp() and visit.finish.timestamp() <= last:
            if last - first >= 86_399 - 3_600:  # all day, also on the night on which clocks go forward
                return ""
            opens = datetime.fromtimestamp(first, tz=fleet.zone)
            closes = datetime.fromtimestamp(last, tz=fleet.zone)
            until = wording.clock(closes) if closes.date() == trip.date else "24:00"
            return wording.say("site.window", opens=wording.clock(opens), closes=until)
    return ""


def _slack_text(travel: Travel, trip: Trip, first: StopTimes, wording: Wording) -> str:
    """Return how late the crew could leave the base and still do all that is planned."""
    here = travel.place_of_site[trip.stops[0].loops[0].visits[0].site_id]
    drive = timedelta(minutes=float(travel.drive_minutes[travel.place_of_crew[trip.crew], here]))
    minutes = (first.arrive - drive - trip.leave).total_seconds() / 60
    if minutes < 1:
        return wording.say("trip.no_slack", leave=wording.clock(trip.leave))
    return wording.say("trip.slack", leave=wording.clock(trip.leave), slack=wording.duration(int(minutes)))


def _dark_texts(outlook: Outlook, plan: Plan, trip: Trip, wording: Wording) -> dict[str, str]:
    """Return the chance of finding each site dark, where this is its first visit of the season."""
    seen = {visit.site_id for other in plan.trips if other.leave < trip.leave for visit in other.visits}
    texts = {}
    for visit in trip.visits:
        chances = outlook.dark_chance_in_place.get(visit.site_id)
        day = (trip.date - outlook.on).days
        new = visit.kind is VisitKind.SET_OUT
        if chances is None or new or visit.site_id in seen or not 0 <= day < len(chances):
            continue
        percent = 100 * float(chances[day])
        if percent >= 1:
            texts[visit.site_id] = wording.say("site.dark", percent=wording.number(percent))
    return texts


def _packs_met(fleet: Fleet, trip: Trip) -> tuple[PackView, ...]:
    """Return the packs the crew may meet: those at its sites, and those of its types on the shelf."""
    site_ids = {visit.site_id for visit in trip.visits}
    types = {visit.pack_type for visit in trip.visits}
    met = []
    for pack in fleet.packs or ():
        on_shelf = pack.where in {SHELF, ""} and pack.pack_type in types
        usable = pack.state not in {PackState.RETIRED, PackState.SUSPECT}
        if pack.where in site_ids or (on_shelf and usable):
            met.append(PackView(clean(pack.pack_id), clean(pack.pack_type), pack.where not in site_ids))
    return tuple(met)
