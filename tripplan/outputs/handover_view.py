"""From a fleet and its plan to what somebody needs who takes over, for good or for some weeks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from tripplan.fleet import SHELF, AccessRule, Charger, Crew, Fleet, MonthDay, Pack, Site
from tripplan.forecast.outlook import Outlook
from tripplan.outputs.handover_model import (
    CrewCard,
    EveningRow,
    Handover,
    LineCard,
    PackRow,
    SiteCard,
    TypeRow,
)
from tripplan.outputs.kit_view import build_kit_view
from tripplan.outputs.links import coordinates, geo_uri
from tripplan.outputs.plain_text import clean
from tripplan.outputs.wording import Wording
from tripplan.plan.document import Plan
from tripplan.travel import Travel

__all__ = ["build_handover"]

_CAUTIONS = ("voltage", "fuse", "alone", "packs_cold", "charging", "access", "season", "recycle")
_ALL_DAY = (0, 1440)


def build_handover(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    *,
    span: tuple[date, date],
    whole: bool,
    private: bool,
    today: date,
    wording: Wording,
) -> Handover:
    """
    Return all that a handover shows.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        The fleet and its season.
    span : tuple of two datetime.date
        First and last day of the trips and charging evenings.
    whole : bool
        Whether the whole fleet is handed over, or only what happens in the span.
    private : bool
        Whether fields marked private go with the fleet: only where the file is locked.
    today : datetime.date
        Day on which it is made.
    wording : Wording
        Language and units.

    Returns
    -------
    Handover
        Ready for the template.
    """
    first, last = span
    trips = [trip for trip in plan.trips if first <= trip.date <= last]
    shared = Handover(
        whole=whole,
        language=wording.language,
        fleet=clean(fleet.name),
        title=wording.say("handover.fleet" if whole else "handover.span"),
        made_text=wording.say("trip.made", made=wording.day(today), plan=wording.day(plan.made_on)),
        span_text=wording.say("handover.from_to", first=wording.day(first), last=wording.day(last)),
        kits=tuple(
            build_kit_view(fleet, outlook, travel, plan, trip, today=today, wording=wording) for trip in trips
        ),
        evenings=_evenings(fleet, plan, first, last, wording),
        cautions=tuple(wording.say(f"caution.{key}") for key in _CAUTIONS),
    )
    if not whole:
        return shared
    visits: dict[str, date] = {}
    for trip in trips:
        for visit in trip.visits:
            visits.setdefault(visit.site_id, trip.date)
    return Handover(
        **{name: getattr(shared, name) for name in shared.__dataclass_fields__ if name in _SHARED},
        sites=tuple(
            _site_card(fleet, outlook, site, visits.get(site.site_id), wording, private=private)
            for site in fleet.sites
        ),
        access=tuple(
            LineCard(clean(name), tuple(_rule_text(rule, wording) for rule in rules))
            for name, rules in fleet.access.items()
        ),
        crews=tuple(_crew_card(crew, wording) for crew in fleet.crews),
        types=tuple(
            TypeRow(
                clean(kind.name),
                wording.volts(kind.volts),
                clean(kind.plug),
                _join(
                    wording.say(f"chemistry.{kind.chemistry.name.lower()}"),
                    f"{wording.number(kind.capacity_ah, 1)} Ah",
                    wording.weight(kind.weight_kg),
                ),
            )
            for kind in fleet.pack_types.values()
        ),
        packs=tuple(_pack_row(pack, wording) for pack in fleet.packs or ()),
        chargers=tuple(_charger_text(number, one, wording) for number, one in enumerate(fleet.chargers, 1)),
        set_aside=tuple(clean(one) for one in fleet.set_aside),
    )


_SHARED = ("whole", "language", "fleet", "title", "made_text", "span_text", "kits", "evenings", "cautions")


def _join(*texts: str) -> str:
    return ", ".join(text for text in texts if text)


def _moment(moment: datetime, wording: Wording) -> str:
    return wording.say("charge.moment", day=wording.day_short(moment.date()), clock=wording.clock(moment))


def _evenings(fleet: Fleet, plan: Plan, first: date, last: date, wording: Wording) -> tuple[EveningRow, ...]:
    """Return what goes on chargers when; also what must come off within the span."""
    found: dict[tuple[datetime, datetime], dict[str, list[int]]] = {}
    for slot in plan.charging:
        on, off = slot.on.astimezone(fleet.zone), slot.off.astimezone(fleet.zone)
        if first <= on.date() <= last or first <= off.date() <= last:
            found.setdefault((on, off), {}).setdefault(slot.pack_type, []).append(slot.charger)
    return tuple(
        EveningRow(
            _moment(on, wording),
            _moment(off, wording),
            "; ".join(
                wording.say(
                    "handover.charge",
                    count=len(chargers),
                    name=clean(name),
                    volts=wording.volts(fleet.pack_types[name].volts),
                    chargers=", ".join(str(one) for one in sorted(chargers)),
                )
                for name, chargers in by_type.items()
            ),
        )
        for (on, off), by_type in sorted(found.items(), key=lambda one: one[0])
    )


def _site_card(
    fleet: Fleet, outlook: Outlook, site: Site, next_visit: date | None, wording: Wording, *, private: bool
) -> SiteCard:
    kind = fleet.pack_types[site.pack_type]
    standing = fleet.in_place[site.site_id]
    forecast = outlook.sites.get(site.site_id)
    in_place = "" if standing.pack is None else clean(standing.pack.pack_id)
    since = "" if standing.since is None else wording.say("handover.since", day=wording.day(standing.since))
    parked = (site.park_lat, site.park_lon) != (site.lat, site.lon)
    walk = "" if site.walk_m is None else wording.distance(site.walk_m)
    key = "site.walk_down" if site.climb_m < 0 else "site.walk_up"
    return SiteCard(
        site_id=clean(site.site_id),
        name=clean(site.name if private else site.shared("name")) if site.name != site.site_id else "",
        coordinates=coordinates(site.lat, site.lon, wording),
        geo_uri=geo_uri(site.lat, site.lon),
        park_text=coordinates(site.park_lat, site.park_lon, wording) if parked else "",
        park_uri=geo_uri(site.park_lat, site.park_lon) if parked else "",
        way_text=wording.say(key, walk=walk, climb=wording.height(abs(site.climb_m))) if walk else "",
        find=clean(site.find if private else site.shared("find")),
        pack_text=_join(clean(kind.name), wording.volts(site.takes_volts), clean(kind.plug)),
        converter_text=""
        if site.converter_volts is None
        else wording.say(
            "site.converter", takes=wording.volts(site.converter_volts), gives=wording.volts(site.volts)
        ),
        in_place_text=" ".join(text for text in (in_place, since) if text),
        flat_text=""
        if forecast is None
        else wording.say(
            "handover.flat",
            likely=wording.day(forecast.flat_likely),
            early=wording.day(forecast.flat_early),
            late=wording.day(forecast.flat_late),
        ),
        swap_by_text="" if forecast is None else wording.day(forecast.swap_by),
        next_visit_text=wording.day(next_visit) if next_visit else wording.say("handover.no_visit"),
        access=clean(site.access),
        jobs=tuple(
            _join(
                clean(job.job) + (f" ({wording.say('site.bring')} {clean(job.bring)})" if job.bring else ""),
                wording.say("handover.due", day=wording.day(job.due_by)) if job.due_by else "",
            )
            for job in fleet.open_jobs.get(site.site_id, ())
        ),
        device_id=clean(site.device_id if private else site.shared("device_id")),
    )


def _days(weekdays: frozenset[int], wording: Wording) -> str:
    if len(weekdays) == 7:
        return ""
    return ", ".join(wording.texts[f"weekday_short.{day + 1}"] for day in sorted(weekdays))


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _rule_text(rule: AccessRule, wording: Wording) -> str:
    span = (rule.from_minute, rule.to_minute)
    season = ""
    if rule.season_from is not None and rule.season_to is not None:
        season = f"{_season(rule.season_from)} \N{EN DASH} {_season(rule.season_to)}"
    ring = ""
    if rule.contact or rule.notice_days is not None:
        ring = wording.say(
            "handover.ring", contact=clean(rule.contact) or clean(rule.access), days=rule.notice_days or 0
        )
    text = _join(
        _days(rule.weekdays, wording),
        "" if span == _ALL_DAY else f"{_clock(span[0])}\N{EN DASH}{_clock(span[1])}",
        season,
        ", ".join(clean(crew) for crew in rule.crews),
    ) or wording.say("handover.always")
    text = f"{wording.say('handover.open' if rule.is_open else 'handover.closed')}: {text}"
    return f"{text}. {ring}" if ring else text


def _season(end: MonthDay | date) -> str:
    return end.isoformat() if isinstance(end, date) else f"{end.month:02d}-{end.day:02d}"


def _crew_card(crew: Crew, wording: Wording) -> CrewCard:
    lines = (
        ", ".join(clean(person) for person in crew.people),
        f"{_days(crew.weekdays, wording)} {_clock(crew.day_start_minute)}\N{EN DASH}"
        f"{_clock(crew.day_end_minute)}".strip(),
        wording.say("handover.carries", weight=wording.weight(crew.carry_kg), packs=crew.packs_aboard),
        _join(*(f"{span.first} \N{EN DASH} {span.last}" for span in crew.away)),
    )
    return CrewCard(
        clean(crew.name),
        coordinates(crew.base_lat, crew.base_lon, wording),
        geo_uri(crew.base_lat, crew.base_lon),
        tuple(line for line in lines if line),
    )


def _pack_row(pack: Pack, wording: Wording) -> PackRow:
    tested = [] if pack.tested_ah is None else [f"{wording.number(pack.tested_ah, 1)} Ah"]
    tested += [] if pack.tested_on is None else [f"{wording.day_short(pack.tested_on)} {pack.tested_on.year}"]
    return PackRow(
        clean(pack.pack_id),
        clean(pack.pack_type),
        wording.say("handover.shelf") if pack.where in {SHELF, ""} else clean(pack.where),
        wording.say(f"pack_state.{pack.state.value}"),
        " ".join(tested),
    )


def _charger_text(number: int, charger: Charger, wording: Wording) -> str:
    types: Sequence[str] = [clean(name) for name in charger.types]
    return wording.say(
        "handover.charger",
        number=number,
        types=", ".join(types),
        hours=wording.number(charger.hours_per_pack, 1),
        changes=charger.changeovers_per_day,
    )
