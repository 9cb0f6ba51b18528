"""
What goes on which charger from when to when: ready the evening before its trip, as late as is safe.

A charged pack loses charge all winter on the shelf, so a charge is placed late. But a pack that stands flat
is harmed: lead-acid sulphates, and any pack's own loss takes it below its last safe volts. So a charge
begins within a week of the pack's return for lead-acid and within a month for others (common practice, no
source), even where no trip needs it, and a pack that then stands long is topped up before its trip.
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from tripplan.clock import moment_to_local
from tripplan.fleet import SHELF, Chemistry, Fleet, Pack, PackState
from tripplan.plan.document import ChargeSlot, Plan, Trip, Visit
from tripplan.recharge import RECHARGE, recharge_hours
from tripplan.supply.shelf_life import charge_after, recharge_by
from tripplan.supply.timetable import EVENING, MORNING, Place, Timetable, at_clock

__all__ = ["ChargePlan", "plan_charging", "ready_packs", "rename_charges"]

_STAND_FLAT_DAYS = {Chemistry.SEALED_LEAD_ACID: 7}
_STAND_FLAT_OTHERS = 30
_AFTER_SEASON_DAYS = 60
#: A pack that will have lost more than this by its trip is topped up. Assumption.
_TOP_UP_BELOW = 0.90
_LEAST_TOP_UP_DEPTH = 0.25
#: Packs that reach the storage rule of their chemistry within so many days are charged now. [day]
_STORAGE_AHEAD_DAYS = 14


@dataclass(frozen=True)
class ChargePlan:
    """
    Charges of a season.

    Attributes
    ----------
    slots : tuple of ChargeSlot
        In order of time, with the pack's identity where it is known.
    is_late : bool
        False where placing them late did not work out, so that they are as early as the season plan had them.
    """

    slots: tuple[ChargeSlot, ...]
    is_late: bool


@dataclass(frozen=True)
class _Charge:
    """One charge to place. [s]."""

    pack_type: str
    first: int
    by: int
    evening: int
    at_latest: int


def plan_charging(fleet: Fleet, plan: Plan, spares: Mapping[str, int]) -> ChargePlan:
    """
    Place every charge of a season.

    Parameters
    ----------
    fleet : Fleet
        Packs and chargers.
    plan : Plan
        Its trips; where `Visit.pack_in` is set, packs that come back later are named.
    spares : mapping of str to int
        Spares that each trip takes beyond its swaps, by pack type.

    Returns
    -------
    ChargePlan
        Empty where no stock is kept or there are no chargers.
    """
    if not fleet.stock_is_kept or not fleet.chargers:
        return ChargePlan((), is_late=False)
    attempts: tuple[Mapping[str, int], ...] = (spares, {}) if any(spares.values()) else ({},)
    for wanted in attempts:
        table = Timetable(fleet)
        placed = _place_all(fleet, plan, wanted, table)
        if placed is not None:
            slots = _named(fleet, plan, placed)
            return ChargePlan(_in_order([*slots, *_top_ups(fleet, plan, slots, table)]), is_late=True)
    return ChargePlan(rename_charges(fleet, plan), is_late=False)


def rename_charges(fleet: Fleet, plan: Plan) -> tuple[ChargeSlot, ...]:
    """
    Return the charges of a plan where they are, with the packs that its named trips bring back.

    Parameters
    ----------
    fleet : Fleet
        Packs and chargers.
    plan : Plan
        Its charges; top-ups are left out.

    Returns
    -------
    tuple of ChargeSlot
        In order of time.
    """
    places = [
        (slot.pack_type, Place(slot.charger - 1, _moment(slot.on), _moment(slot.off)))
        for slot in plan.charging
        if not slot.top_up
    ]
    return _in_order(_named(fleet, plan, places))


def ready_packs(fleet: Fleet, plan: Plan, day: date) -> frozenset[str]:
    """
    Return the packs of packs.csv that stand charged on the shelf on the morning of a date.

    Parameters
    ----------
    fleet : Fleet
        Its packs.
    plan : Plan
        With named charges; packs that its earlier trips put in by name are gone, and those that they bring
        back are there once their charge is over.
    day : datetime.date
        A date on or after the plan's first.

    Returns
    -------
    frozenset of str
        Those charged today, and those whose charge is over by 06:00; without chargers in the settings all
        that stand on the shelf count from the second day on, and what came back from the day after.
    """
    morning = at_clock(fleet, day, MORNING)
    standing = {pack.where: pack.pack_id for pack in fleet.packs or () if pack.where not in (SHELF, "")}
    back: dict[str, date] = {}
    for trip in sorted(plan.trips, key=lambda trip: (trip.date, trip.trip_id)):
        for visit in trip.visits if trip.date < day else ():
            if visit.swap or visit.brings_back:
                old = standing.pop(visit.site_id, "")
                if old and visit.brings_back:
                    back[old] = trip.date
                if visit.pack_in:
                    standing[visit.site_id] = visit.pack_in
    gone = set(standing.values())
    charges: dict[str, list[int]] = defaultdict(list)
    for slot in plan.charging:
        if slot.pack_id and _moment(slot.off) <= morning:
            charges[slot.pack_id].append(_moment(slot.on))

    def is_charged(pack: Pack) -> bool:
        since = back.get(pack.pack_id)
        if since is None and pack.where != SHELF:
            return False
        if since is None and pack.state is PackState.CHARGED:
            return True
        if not fleet.chargers:
            waits = since is not None or pack.state in (PackState.FLAT, PackState.CHARGING)
            return waits and day > (plan.first if since is None else since)
        earliest = 0 if since is None else at_clock(fleet, since, EVENING)
        return any(put_on >= earliest for put_on in charges[pack.pack_id])

    return frozenset(
        pack.pack_id for pack in fleet.packs or () if pack.pack_id not in gone and is_charged(pack)
    )


def _moment(clock: datetime) -> int:
    return round(clock.timestamp())


def _in_order(slots: list[ChargeSlot]) -> tuple[ChargeSlot, ...]:
    return tuple(sorted(slots, key=lambda slot: (slot.on, slot.charger)))


def _put_in(trip: Trip, name: str) -> int:
    return sum(visit.swap and visit.pack_type == name for visit in trip.visits)


def _place_all(
    fleet: Fleet, plan: Plan, spares: Mapping[str, int], table: Timetable
) -> list[tuple[str, Place]] | None:
    """Place all charges, the one with the latest end first; None where one that a trip needs has no room."""
    needed: list[_Charge] = []
    kept: list[_Charge] = []
    for name in fleet.pack_types:
        is_charged = fleet.pack_types[name].chemistry in RECHARGE
        if is_charged and any(name in charger.types for charger in fleet.chargers):
            for charge, is_needed in _charges(fleet, plan, name, spares.get(name, 0)):
                (needed if is_needed else kept).append(charge)
    placed: list[tuple[str, Place]] = []
    for charge in sorted(needed, key=lambda one: (-min(one.by, one.at_latest), one.pack_type, -one.first)):
        name, first = charge.pack_type, charge.first
        soon = min(charge.at_latest, charge.by)
        place = (
            table.latest(name, first, min(charge.evening, soon))
            or table.latest(name, first, soon)
            or table.earliest(name, first, charge.by)
        )
        if place is None:
            return None
        table.take(place)
        placed.append((name, place))
    for charge in sorted(kept, key=lambda one: (one.at_latest, one.pack_type)):
        later = charge.first + (_AFTER_SEASON_DAYS * 86_400)
        place = table.latest(charge.pack_type, charge.first, charge.at_latest) or table.earliest(
            charge.pack_type, charge.first, later
        )
        if place is not None:
            table.take(place)
            placed.append((charge.pack_type, place))
    return placed


def _charges(fleet: Fleet, plan: Plan, name: str, spares: int) -> list[tuple[_Charge, bool]]:
    """Return the charges of one type in the order in which packs come back, and whether a trip needs each."""
    trips = sorted(plan.trips, key=lambda trip: trip.date)
    kind = fleet.pack_types[name]
    stand = _STAND_FLAT_DAYS.get(kind.chemistry, _STAND_FLAT_OTHERS) * 86_400
    # when each pack may go on a charger, and since when it has stood flat
    tonight = at_clock(fleet, plan.first, EVENING)
    returns = [(tonight, since) for since in _flat_since(fleet, name, plan.first)]
    returns += [
        (at_clock(fleet, trip.date, EVENING),) * 2
        for trip, _, kind_back in _coming_back(fleet, plan)
        if kind_back == name
    ]
    hours = max(charger.hours_per_pack for charger in fleet.chargers if name in charger.types)
    used, charges = 0, 0
    found: list[tuple[_Charge, bool]] = []
    days = sorted({trip.date for trip in trips if _put_in(trip, name)})
    for day in days:
        used += sum(_put_in(trip, name) for trip in trips if trip.date == day)
        wanted = used + spares - fleet.charged_on_shelf(name)
        evening = at_clock(fleet, day - timedelta(days=1), EVENING)
        by = at_clock(fleet, day, MORNING)
        # spares that cannot be there in time are left out here and named by `tripplan.supply.owning`
        in_time = sum(back < by for back, _ in returns)
        while charges < min(wanted, in_time):
            back, since = returns[charges]
            at_latest = max(back, since + stand) + round(hours * 3600)
            found.append((_Charge(name, back, by, evening, at_latest), True))
            charges += 1
    for back, since in returns[charges:]:
        at_latest = max(back, since + stand) + round(hours * 3600)
        found.append((_Charge(name, back, at_latest, at_latest, at_latest), False))
    return found


def _flat_since(fleet: Fleet, name: str, first: date) -> list[int]:
    """Return since when each uncharged pack of the shelf has stood, in the order of `_waiting`."""
    evening = at_clock(fleet, first, EVENING)
    if fleet.packs is None:
        return [evening] * fleet.uncharged_on_shelf(name)
    return [
        evening if pack.since is None else at_clock(fleet, pack.since, EVENING)
        for pack in _flat_on_shelf(fleet)
        if pack.pack_type == name
    ]


def _flat_on_shelf(fleet: Fleet) -> list[Pack]:
    """Return the packs to charge: what is on a charger now first, then what has stood flat longest."""
    shelf = [
        pack
        for pack in fleet.packs or ()
        if pack.where == SHELF and pack.state in (PackState.FLAT, PackState.CHARGING)
    ]
    return sorted(
        shelf, key=lambda pack: (pack.state is not PackState.CHARGING, pack.since or date.min, pack.row)
    )


def _named(fleet: Fleet, plan: Plan, placed: list[tuple[str, Place]]) -> list[ChargeSlot]:
    """Give each charge the pack that has waited longest for it."""
    waiting = _waiting(fleet, plan)
    ready: dict[str, list[tuple[int, int, str]]] = defaultdict(list)
    slots = []
    for name, place in sorted(placed, key=lambda item: (item[1].on, item[1].charger)):
        queue = waiting[name]
        while queue and queue[0][0] <= place.on:
            since, order, pack_id = heapq.heappop(queue)
            heapq.heappush(ready[name], (order, since, pack_id))
        pack_id = heapq.heappop(ready[name])[2] if ready[name] else ""
        slots.append(
            ChargeSlot(
                name,
                place.charger + 1,
                moment_to_local(place.on, fleet.zone),
                moment_to_local(place.off, fleet.zone),
                pack_id,
            )
        )
    return slots


def _waiting(fleet: Fleet, plan: Plan) -> dict[str, list[tuple[int, int, str]]]:
    """Return for each type when each pack may go on a charger, its turn, and its identity where known."""
    found: dict[str, list[tuple[int, int, str]]] = defaultdict(list)
    turn = 0
    evening = at_clock(fleet, plan.first, EVENING)
    for pack in _flat_on_shelf(fleet):
        heapq.heappush(found[pack.pack_type], (evening, turn, pack.pack_id))
        turn += 1
    standing = {
        site_id: place.pack.pack_id for site_id, place in fleet.in_place.items() if place.pack is not None
    }
    for trip, visit, name in _coming_back(fleet, plan):
        if name:
            evening = at_clock(fleet, trip.date, EVENING)
            heapq.heappush(found[name], (evening, turn, standing.get(visit.site_id, "")))
            turn += 1
        standing[visit.site_id] = visit.pack_in or ""
    return found


def _coming_back(fleet: Fleet, plan: Plan) -> list[tuple[Trip, Visit, str]]:
    """
    Return the visits that change packs, by date, with the type of the pack that comes back.

    It is empty where that is no spare, and where a device is set out: what the file has there is then of the
    season before.
    """
    odd = dict(fleet.odd_returns)
    found = []
    for trip in sorted(plan.trips, key=lambda trip: (trip.date, trip.trip_id)):
        for visit in trip.visits:
            if visit.swap or visit.brings_back:
                name = odd.pop(visit.site_id, visit.pack_type)
                found.append((trip, visit, name if visit.brings_back else ""))
    return found


def _top_ups(fleet: Fleet, plan: Plan, slots: list[ChargeSlot], table: Timetable) -> list[ChargeSlot]:
    """Return short charges: for packs named for a trip, and for those that reach the storage rule soon."""
    charged = {slot.pack_id for slot in slots}
    packs = {pack.pack_id: pack for pack in fleet.packs or ()}
    found = []
    for trip in sorted(plan.trips, key=lambda trip: trip.date):
        for visit in trip.visits:
            pack = packs.get(visit.pack_in or "")
            if pack is not None and pack.pack_id not in charged:
                charged.add(pack.pack_id)
                morning = at_clock(fleet, trip.date, MORNING)
                found += _top_up(fleet, plan, table, pack, trip.date, morning, below=_TOP_UP_BELOW)
    soon = plan.first + timedelta(days=_STORAGE_AHEAD_DAYS)
    for pack in packs.values():
        kind = fleet.pack_types[pack.pack_type]
        due = None if pack.since is None else recharge_by(kind, pack.since, fleet.spares.shelf_c)
        if due is not None and due <= soon and pack.pack_id not in charged:
            by = at_clock(fleet, soon, EVENING)
            found += _top_up(fleet, plan, table, pack, max(due, plan.first), by, below=1.0)
    return found


def _top_up(
    fleet: Fleet, plan: Plan, table: Timetable, pack: Pack, day: date, by: int, *, below: float
) -> list[ChargeSlot]:
    """Place a short charge for a pack that stands charged and will have lost too much by a day."""
    kind = fleet.pack_types[pack.pack_type]
    if pack.where != SHELF or pack.state is not PackState.CHARGED or pack.since is None:
        return []
    if kind.chemistry not in RECHARGE:
        return []
    left = charge_after(kind, (day - pack.since).days, fleet.spares.shelf_c)
    if left >= below:
        return []
    depth = max(_LEAST_TOP_UP_DEPTH, 1.0 - left)
    hours = {
        number: recharge_hours(kind.chemistry, kind.capacity_ah, charger.amps, depth)
        if charger.amps is not None
        else charger.hours_per_pack * depth
        for number, charger in enumerate(fleet.chargers)
    }
    tonight = at_clock(fleet, plan.first, EVENING)
    # a trip's pack as late as it may be, a pack at the storage rule as soon as there is room
    search = table.latest if below < 1.0 else table.earliest
    place = search(pack.pack_type, tonight, by, hours)
    if place is None:
        return []
    table.take(place)
    on, off = (moment_to_local(moment, fleet.zone) for moment in (place.on, place.off))
    return [ChargeSlot(pack.pack_type, place.charger + 1, on, off, pack.pack_id, top_up=True)]
