"""What a trip takes along, and which evenings make its packs ready."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from tripplan.fleet import SHELF, Fleet, PackState
from tripplan.outputs.kit_model import ChargeView, LoadRow, PackTag, SiteView
from tripplan.outputs.plain_text import clean
from tripplan.outputs.wording import Wording
from tripplan.plan.document import ChargeSlot, Plan, Trip

__all__ = ["KIT_ITEMS", "charge_views", "load_rows"]

KIT_ITEMS = ("meter", "fuses", "labels", "tape", "phone", "paper", "aid")
"""What every trip takes: keys of the catalogue's section ``item``. Common practice, no source."""


def load_rows(
    fleet: Fleet,
    trip: Trip,
    tags: Mapping[str, PackTag],
    sites: Mapping[str, SiteView],
    extra_spares: Mapping[str, int],
    wording: Wording,
) -> tuple[LoadRow, ...]:
    """
    Return the load list: packs by type, extra spares, what jobs need, and the usual kit.

    Parameters
    ----------
    fleet, trip : Fleet, Trip
        Whose trip it is.
    tags, sites : mappings by pack type and by site id
        Views of both.
    extra_spares : mapping of str to int
        Spares beyond the planned swaps, by type.
    wording : Wording
        Language and units.

    Returns
    -------
    tuple of LoadRow
        In the order in which to load.
    """
    rows: list[LoadRow] = []
    for name, tag in tags.items():
        assigned = tuple(clean(v.pack_in) for v in trip.visits if v.pack_type == name and v.pack_in)
        shelf = assigned or _fit_on_shelf(fleet, name)
        detail = wording.say("load.pack", volts=tag.volts_text, plug=tag.plug, weight=tag.weight_text)
        count = trip.packs.get(name, 0)
        if count:
            served = tuple(v.site_id for v in trip.visits if v.pack_type == name and v.swap)
            rows.append(
                LoadRow("pack", tag.name, count, detail, tag, shelf, served, weight_kg=tag.weight_kg * count)
            )
        spare = extra_spares.get(name, 0)
        if spare:
            beside = tuple(pack_id for pack_id in _fit_on_shelf(fleet, name) if pack_id not in assigned)
            rows.append(
                LoadRow(
                    "spare",
                    tag.name,
                    spare,
                    detail,
                    tag,
                    beside if assigned else (),
                    weight_kg=tag.weight_kg * spare,
                )
            )
    rows.extend(_device_rows(fleet, sites, wording))
    rows.extend(_job_rows(sites, wording))
    rows.extend(LoadRow("kit", wording.say(f"item.{key}"), 1, "") for key in KIT_ITEMS)
    return tuple(rows)


def _fit_on_shelf(fleet: Fleet, name: str) -> tuple[str, ...]:
    """Return the packs of a type that stand charged on the shelf today."""
    return tuple(
        clean(pack.pack_id)
        for pack in fleet.packs or ()
        if pack.pack_type == name and pack.where in {SHELF, ""} and pack.state is PackState.CHARGED
    )


def _device_rows(fleet: Fleet, sites: Mapping[str, SiteView], wording: Wording) -> list[LoadRow]:
    """Return what devices that are moved need: themselves to go out, room to come home."""
    rows = []
    for kind, key in (("set out", "load.device"), ("take in", "load.room")):
        places = [site for site in sites.values() if site.kind == kind]
        if places:
            weights = [fleet.sites_by_id[site.key].device_kg for site in places]
            known = kind == "set out" and all(weights)
            rows.append(
                LoadRow(
                    "device",
                    wording.say(key),
                    len(places),
                    wording.say("load.for_sites", numbers=", ".join(str(site.number) for site in places)),
                    site_ids=tuple(site.site_id for site in places),
                    weight_kg=sum(weights) if known else None,
                )
            )
    return rows


def _job_rows(sites: Mapping[str, SiteView], wording: Wording) -> list[LoadRow]:
    """Return one row for each thing to bring, counted over the sites that need it."""
    wanted: dict[str, list[SiteView]] = {}
    for site in sites.values():
        for job in site.jobs:
            if job.bring:
                wanted.setdefault(job.bring, []).append(site)
    return [
        LoadRow(
            "job",
            item,
            len(places),
            wording.say("load.for_sites", numbers=", ".join(str(site.number) for site in places)),
            site_ids=tuple(site.site_id for site in places),
        )
        for item, places in wanted.items()
    ]


def _leaves_open(trip: Trip, pack_type: str) -> bool:
    """Tell whether a trip swaps in a pack of a type that the plan does not name."""
    return any(v.swap and v.pack_type == pack_type and not v.pack_in for v in trip.visits)


def charge_views(
    plan: Plan, trip: Trip, tags: Mapping[str, PackTag], zone: ZoneInfo, wording: Wording
) -> tuple[ChargeView, ...]:
    """
    Return the charging evenings that make this trip's packs ready.

    A slot of the plan belongs to the first trip after its end that takes that pack, or packs of its type that
    the plan does not name.

    Parameters
    ----------
    plan, trip : Plan, Trip
        The plan and one of its trips.
    tags : mapping by pack type
        Views of the trip's pack types.
    zone : zoneinfo.ZoneInfo
        The fleet's time zone.
    wording : Wording
        Language and units.

    Returns
    -------
    tuple of ChargeView
        One for each evening and time off, soonest first; empty where the plan charges nothing for this trip.
    """
    grouped: dict[tuple[float, float], dict[str, list[ChargeSlot]]] = {}
    for slot in plan.charging:
        takers = [t for t in plan.trips if t.packs.get(slot.pack_type, 0) and t.leave >= slot.off]
        if slot.pack_id:
            named = [t for t in takers if any(v.pack_in == slot.pack_id for v in t.visits)]
            # else a trip that takes some pack of the type whose name the plan leaves open
            takers = named or [t for t in takers if _leaves_open(t, slot.pack_type)]
        first = min(takers, key=lambda t: (t.leave, t.trip_id), default=None)
        if first is None or first.trip_id != trip.trip_id or slot.pack_type not in tags:
            continue
        key = (slot.on.timestamp(), slot.off.timestamp())
        grouped.setdefault(key, {}).setdefault(slot.pack_type, []).append(slot)
    views = []
    for (on, off), by_type in sorted(grouped.items()):
        begin = min(slot.on for slot in plan.charging if slot.on.timestamp() == on).astimezone(zone)
        end = min(slot.off for slot in plan.charging if slot.off.timestamp() == off).astimezone(zone)
        parts = [
            wording.say(
                "charge.named" if all(slot.pack_id for slot in slots) else "charge.part",
                count=len(slots),
                letter=tags[name].letter,
                name=tags[name].name,
                volts=tags[name].volts_text,
                packs=", ".join(clean(slot.pack_id) for slot in sorted(slots, key=lambda s: s.charger)),
                chargers=", ".join(str(charger) for charger in sorted(slot.charger for slot in slots)),
            )
            for name, slots in by_type.items()
        ]
        views.append(
            ChargeView(
                begin,
                end,
                wording.say("charge.moment", day=wording.day_short(begin.date()), clock=wording.clock(begin)),
                wording.say("charge.moment", day=wording.day_short(end.date()), clock=wording.clock(end)),
                "; ".join(parts),
            )
        )
    return tuple(views)
