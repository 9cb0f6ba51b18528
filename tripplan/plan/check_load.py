"""What a trip carries: the right packs, within what the crew and its vehicle take."""

from __future__ import annotations

from collections.abc import Iterator

from tripplan.fleet import Crew
from tripplan.plan.check_rules import Context, Refusal, Rule
from tripplan.plan.document import Trip, Visit, VisitKind

__all__ = ["check_load"]

_KG_TOLERANCE = 1e-3  # the plan file keeps kilograms to three decimals


def check_load(context: Context, trip: Trip, crew: Crew) -> Iterator[Refusal]:
    """
    Yield packs that do not fit their site, loads too heavy, and counts that do not add up.

    Parameters
    ----------
    context : Context
        The inputs.
    trip : Trip
        A trip to known sites.
    crew : Crew
        Its crew.

    Yields
    ------
    Refusal
        In the order of the day.
    """
    types = context.fleet.pack_types
    for visit in trip.visits:
        yield from _check_pack(context, trip, visit)
    for number, stop in enumerate(trip.stops, 1):
        for loop in stop.loops:
            weights = [
                context.load_kg(visit)
                for visit in loop.visits
                if visit.kind is not VisitKind.CALL and visit.pack_type in types
            ]
            carried = sum(weights)
            where = f"{trip.trip_id}, stop {number}"
            if carried > crew.carry_kg + _KG_TOLERANCE:
                shown = " + ".join(f"{weight:g}" for weight in weights)
                yield Refusal(
                    Rule.CARRY,
                    where,
                    f"a loop carries {shown} = {carried:g} kg; {crew.name} can carry {crew.carry_kg:g} kg",
                )
            if not abs(carried - loop.carried_kg) <= _KG_TOLERANCE:
                yield Refusal(
                    Rule.SUMS, where, f"carried_kg says {loop.carried_kg:g}; the packs weigh {carried:g} kg"
                )
    counts: dict[str, int] = {}
    for visit in trip.visits:
        if visit.swap:
            counts[visit.pack_type] = counts.get(visit.pack_type, 0) + 1
    aboard = sum(visit.kind is not VisitKind.CALL for visit in trip.visits)
    if aboard > crew.packs_aboard:
        yield Refusal(
            Rule.ABOARD,
            trip.trip_id,
            f"{aboard} packs to bring or fetch; the vehicle of {crew.name} takes {crew.packs_aboard} packs",
        )
    if {name: count for name, count in trip.packs.items() if count} != counts:
        yield Refusal(Rule.SUMS, trip.trip_id, f"packs says {dict(trip.packs)}; the swaps are {counts}")
    strangers = [name for name in trip.set_by if name not in {visit.site_id for visit in trip.visits}]
    if strangers:
        yield Refusal(
            Rule.SET_BY, trip.trip_id, f"date said to be set by {', '.join(strangers)}, not visited on it"
        )


def _check_pack(context: Context, trip: Trip, visit: Visit) -> Iterator[Refusal]:
    """Yield a pack of a type, voltage or plug that the site does not take."""
    where = f"{trip.trip_id}, site {visit.site_id}"
    site = context.fleet.sites_by_id[visit.site_id]
    if visit.pack_type != site.pack_type:
        yield Refusal(
            Rule.PACK_TYPE, where, f"takes a pack of type {site.pack_type}, the plan brings {visit.pack_type}"
        )
    kind = context.fleet.pack_types.get(visit.pack_type)
    if kind is None:
        return
    if abs(kind.volts - site.takes_volts) > 1e-9:
        yield Refusal(
            Rule.VOLTAGE,
            where,
            f"takes {site.takes_volts:g} V, a pack of type {kind.name} gives {kind.volts:g} V: "
            "the wrong voltage can destroy the device",
        )
    if _plug_key(kind.plug) != _plug_key(site.plug):
        yield Refusal(
            Rule.PLUG, where, f"takes a plug {site.plug!r}, a pack of type {kind.name} has {kind.plug!r}"
        )


def _plug_key(plug: str) -> str:
    return "".join(plug.lower().split())
