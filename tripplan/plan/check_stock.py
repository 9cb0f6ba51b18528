"""Packs through the season: a charged one for each swap, and chargers that can do it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from itertools import pairwise

from tripplan.clock import moment_to_local
from tripplan.fleet import SHELF, Pack, PackState
from tripplan.plan.check_rules import Context, Refusal, Rule, exact_seconds
from tripplan.plan.document import ChargeSlot, Plan, VisitKind

__all__ = ["check_stock"]

_EVENING = 18 * 60  # packs that came back go on a charger from then on [min]
_MORNING = 6 * 60  # packs whose hours are over by then count on that date [min]


def check_stock(context: Context, plan: Plan) -> Iterator[Refusal]:
    """
    Yield swaps without a charged pack, and charging that cannot be done so.

    Parameters
    ----------
    context : Context
        The inputs.
    plan : Plan
        A plan of that fleet.

    Yields
    ------
    Refusal
        Charging first, then stock, then identities.
    """
    yield from _check_slots(context, plan)
    yield from _check_chargers(context, plan)
    if context.fleet.stock_is_kept:
        yield from _check_charged(context, plan)
    yield from _check_identities(context, plan)


def _put_in(plan: Plan) -> dict[str, Counter[date]]:
    """Count the packs put in by type and date: swapped in, or set out with their device."""
    found: dict[str, Counter[date]] = {}
    for trip in plan.trips:
        for visit in trip.visits:
            if visit.kind in (VisitKind.SWAP, VisitKind.SET_OUT):
                found.setdefault(visit.pack_type, Counter())[trip.date] += 1
    return found


def _returns(context: Context, plan: Plan) -> dict[str, Counter[date]]:
    """
    Count by type and date the packs that come back, swapped out or taken in, as packs to charge again.

    What packs.csv says of the pack in place counts for the first that comes back from a site: a suspect or
    retired one is no spare, one of another type belongs to that type. Later ones are what the plan put in.
    """
    standing = {pack.where: pack for pack in context.fleet.packs or ()}
    found: dict[str, Counter[date]] = {}
    for trip in sorted(plan.trips, key=lambda trip: trip.date):
        for visit in trip.visits:
            if visit.kind is VisitKind.CALL:
                continue
            old = standing.pop(visit.site_id, None)
            if visit.kind is VisitKind.SET_OUT:
                continue  # what the file has there is of the season before
            if old is None:
                found.setdefault(visit.pack_type, Counter())[trip.date] += 1
            elif old.state not in (PackState.SUSPECT, PackState.RETIRED):
                found.setdefault(old.pack_type, Counter())[trip.date] += 1
    return found


def _hours_over(context: Context, slot: ChargeSlot) -> int | None:
    """Return the moment at which a slot's pack is charged; None for an unknown charger. [s]."""
    if not 1 <= slot.charger <= len(context.fleet.chargers):
        return None
    charger = context.fleet.chargers[slot.charger - 1]
    return context.moment(slot.on) + exact_seconds(charger.hours_per_pack * 60)[0]


def _counts_on(context: Context, moment: int) -> date:
    """Return the date from whose 06:00 on a pack charged at a moment counts."""
    day = moment_to_local(moment, context.fleet.zone).date()
    return day if moment <= context.at(day, _MORNING) else day + timedelta(days=1)


def _label(slot: ChargeSlot) -> str:
    return f"charging {slot.pack_type} on charger {slot.charger}, {slot.on:%Y-%m-%d %H:%M}"


def _check_slots(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield slots on the wrong charger, cut short, outside the clock, or without a pack to charge."""
    for slot in plan.charging:
        where = _label(slot)
        for name, clock in (("on", slot.on), ("off", slot.off)):
            yield from _check_clock(context, where, name, clock)
        over = _hours_over(context, slot)
        if over is None:
            yield Refusal(
                Rule.CHARGING,
                where,
                f"there is no charger {slot.charger}; the fleet has {len(context.fleet.chargers)}",
            )
            continue
        charger = context.fleet.chargers[slot.charger - 1]
        if slot.pack_type not in charger.types:
            yield Refusal(
                Rule.CHARGING, where, f"charger {slot.charger} is made for {', '.join(charger.types)} only"
            )
        if context.moment(slot.off) < over and not slot.top_up:
            hours = (context.moment(slot.off) - context.moment(slot.on)) / 3600
            yield Refusal(
                Rule.CHARGING,
                where,
                f"comes off after {hours:.2f} h; a pack takes {charger.hours_per_pack:g} h",
            )
    yield from _check_named(context, plan)
    returns = _returns(context, plan)
    for name in sorted({slot.pack_type for slot in plan.charging}):
        if name not in context.fleet.pack_types:
            yield Refusal(Rule.CHARGING, f"charging {name}", "there is no such pack type")
            continue
        yield from _check_packs_there(context, plan, name, returns.get(name, Counter()))


def _check_named(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield slots whose pack is unknown, of another type, unfit, or charged when it is to be topped up."""
    packs = {pack.pack_id: pack for pack in context.fleet.packs or ()}
    for slot in plan.charging:
        where = _label(slot)
        pack = packs.get(slot.pack_id)
        if slot.pack_id and pack is None:
            yield Refusal(Rule.CHARGING, where, f"pack {slot.pack_id} is not in packs.csv")
        elif pack is not None and pack.pack_type != slot.pack_type:
            yield Refusal(Rule.CHARGING, where, f"pack {pack.pack_id} is of type {pack.pack_type}")
        elif pack is not None and pack.state is PackState.RETIRED:
            yield Refusal(Rule.CHARGING, where, f"pack {pack.pack_id} is retired")
        if slot.top_up and (pack is None or pack.where != SHELF or pack.state is not PackState.CHARGED):
            yield Refusal(Rule.CHARGING, where, "only a pack that stands charged on the shelf is topped up")
        if context.moment(slot.off) <= context.moment(slot.on):
            yield Refusal(Rule.CHARGING, where, "it comes off before it goes on")


def _check_clock(context: Context, where: str, name: str, clock: datetime) -> Iterator[Refusal]:
    """Yield a clock time without offset, with a wrong one, or with a fraction of a second."""
    here = moment_to_local(context.moment(clock), context.fleet.zone)
    if clock.tzinfo is None or clock.microsecond or here.utcoffset() != clock.utcoffset():
        yield Refusal(Rule.CLOCK, where, f"{name} {clock.isoformat()} should read {here.isoformat()}")


def _check_packs_there(context: Context, plan: Plan, name: str, returns: Counter[date]) -> Iterator[Refusal]:
    """Yield the slots that begin before so many packs of their type wait for a charger."""
    slots = sorted(
        (slot for slot in plan.charging if slot.pack_type == name and not slot.top_up),
        key=lambda slot: context.moment(slot.on),
    )
    shelf = context.fleet.uncharged_on_shelf(name)
    for number, slot in enumerate(slots, 1):
        on = context.moment(slot.on)
        waiting = shelf if context.at(context.outlook.on, _EVENING) <= on else 0
        waiting += sum(count for day, count in returns.items() if context.at(day, _EVENING) <= on)
        if number > waiting:
            yield Refusal(
                Rule.CHARGING,
                _label(slot),
                f"it is pack number {number} of its type on a charger; by then {waiting} had come back or "
                "stood flat on the shelf by 18:00",
            )


def _check_chargers(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield two packs on one charger at a time, and too many change-overs on a date."""
    for number, charger in enumerate(context.fleet.chargers, 1):
        slots = sorted(
            (slot for slot in plan.charging if slot.charger == number),
            key=lambda slot: (context.moment(slot.on), context.moment(slot.off)),
        )
        for before, after in pairwise(slots):
            if context.moment(after.on) < context.moment(before.off):
                yield Refusal(
                    Rule.CHARGING,
                    _label(after),
                    f"charger {number} still holds a pack until {before.off:%Y-%m-%d %H:%M}",
                )
        put_on = Counter(
            moment_to_local(context.moment(slot.on), context.fleet.zone).date() for slot in slots
        )
        for day, count in sorted(put_on.items()):
            if count > charger.changeovers_per_day:
                yield Refusal(
                    Rule.CHARGING,
                    f"charger {number}, {day}",
                    f"{count} change-overs; {charger.changeovers_per_day} a day are possible",
                )


def _check_charged(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield the dates on which more packs are swapped in than are charged."""
    fleet = context.fleet
    returns = _returns(context, plan)
    for name, swaps in sorted(_put_in(plan).items()):
        if name not in fleet.pack_types:
            continue  # refused as a pack type
        shelf = fleet.charged_on_shelf(name)
        finished = Counter(
            _counts_on(context, over)
            for slot in plan.charging
            if slot.pack_type == name and not slot.top_up and (over := _hours_over(context, slot)) is not None
        )
        used = 0
        for day in sorted(swaps):
            if fleet.chargers:
                charged = sum(count for ready, count in finished.items() if ready <= day)
            else:
                charged = sum(count for back, count in returns.get(name, Counter()).items() if back < day)
                charged += fleet.uncharged_on_shelf(name) if day > context.outlook.on else 0
            if used + swaps[day] > shelf + charged:
                yield Refusal(
                    Rule.STOCK,
                    f"{day}, {name}",
                    f"{swaps[day]} put in; {shelf} on the shelf + {charged} charged since - {used} used "
                    f"before = {shelf + charged - used} charged packs",
                )
            used += swaps[day]


def _check_identities(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield named packs that are unknown, of another type, unfit, or at another site."""
    packs = {pack.pack_id: pack for pack in context.fleet.packs or ()}
    where_now = {pack.pack_id: pack.where for pack in packs.values()}
    at_site = {pack.where: pack.pack_id for pack in packs.values() if pack.where not in (SHELF, "")}
    gone: set[str] = set()
    back_on: dict[str, date] = {}
    for trip in sorted(plan.trips, key=lambda trip: (trip.date, context.moment(trip.leave))):
        for visit in trip.visits:
            if visit.kind is VisitKind.TAKE_IN and (fetched := at_site.pop(visit.site_id, None)) is not None:
                where_now[fetched] = SHELF
                back_on[fetched] = trip.date
            if visit.kind in (VisitKind.CALL, VisitKind.TAKE_IN):
                if visit.pack_in is not None:
                    yield Refusal(
                        Rule.PACK_IDENTITY,
                        f"{trip.trip_id}, site {visit.site_id}",
                        f"pack {visit.pack_in} is named, but the visit puts none in",
                    )
                continue
            came_back = at_site.pop(visit.site_id, None)
            if came_back is not None and visit.kind is VisitKind.SWAP:
                where_now[came_back] = SHELF
                back_on[came_back] = trip.date
            if visit.pack_in is None:
                continue
            where = f"{trip.trip_id}, site {visit.site_id}"
            pack = packs.get(visit.pack_in)
            if pack is None:
                yield Refusal(Rule.PACK_IDENTITY, where, f"pack {visit.pack_in} is not in packs.csv")
                continue
            if pack.pack_type != visit.pack_type:
                yield Refusal(
                    Rule.PACK_IDENTITY,
                    where,
                    f"pack {pack.pack_id} is of type {pack.pack_type}, not {visit.pack_type}",
                )
            if pack.state in (PackState.SUSPECT, PackState.RETIRED):
                yield Refusal(Rule.PACK_IDENTITY, where, f"pack {pack.pack_id} is {pack.state}")
            if where_now[pack.pack_id] != SHELF:
                yield Refusal(
                    Rule.PACK_IDENTITY,
                    where,
                    f"pack {pack.pack_id} is then at site {where_now[pack.pack_id]}",
                )
            if (
                pack.where == SHELF
                and pack.pack_id not in gone
                and not _is_ready(context, plan, pack, trip.date)
            ):
                yield Refusal(
                    Rule.PACK_IDENTITY, where, f"pack {pack.pack_id} is {pack.state} and not charged by then"
                )
            elif pack.pack_id in back_on and not _is_charged_again(
                context, plan, pack, back_on[pack.pack_id], trip.date
            ):
                yield Refusal(
                    Rule.PACK_IDENTITY,
                    where,
                    f"pack {pack.pack_id} came back on {back_on[pack.pack_id]} and is not charged by then",
                )
            gone.add(pack.pack_id)
            where_now[pack.pack_id] = visit.site_id
            at_site[visit.site_id] = pack.pack_id


def _is_ready(context: Context, plan: Plan, pack: Pack, day: date) -> bool:
    """Tell whether a pack of the shelf is charged on a date, or may be for all that the slots say."""
    if pack.state not in (PackState.FLAT, PackState.CHARGING):
        return True  # charged, or refused for what it is
    if not context.fleet.chargers:
        return day > context.outlook.on
    slots = [slot for slot in plan.charging if slot.pack_type == pack.pack_type and not slot.top_up]
    over = [_hours_over(context, slot) for slot in slots if slot.pack_id in (pack.pack_id, "")]
    return any(end is not None and _counts_on(context, end) <= day for end in over)


def _is_charged_again(context: Context, plan: Plan, pack: Pack, back: date, day: date) -> bool:
    """Tell whether a pack that came back is charged on a date, or may be for all that the slots say."""
    if not context.fleet.chargers:
        return day > back
    evening = context.at(back, _EVENING)
    over = [
        _hours_over(context, slot)
        for slot in plan.charging
        if slot.pack_type == pack.pack_type
        and not slot.top_up
        and slot.pack_id in (pack.pack_id, "")
        and context.moment(slot.on) >= evening
    ]
    return any(end is not None and _counts_on(context, end) <= day for end in over)
