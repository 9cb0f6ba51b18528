"""The JSON of ``tripplan spares`` and ``tripplan packs``: plain values for other programs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from tripplan.fleet import Fleet
from tripplan.plan.document import ChargeSlot
from tripplan.supply.arrange import Arranged, TripPacks
from tripplan.supply.assignment import Assignment
from tripplan.supply.carry import CarryPlan
from tripplan.supply.ordering import Order
from tripplan.supply.owning import Course, Tried, TypeStock
from tripplan.supply.register import PackRecord, Register

__all__ = ["packs_to_json", "spares_to_json"]

_DIGITS = 4


def packs_to_json(
    fleet: Fleet, register: Register, labels: str | None, trips: Sequence[TripPacks] = ()
) -> dict[str, Any]:
    """
    Return the pack register as ``tripplan-packs/1``.

    Parameters
    ----------
    fleet : Fleet
        Whose packs they are.
    register : Register
        As built.
    labels : str or None
        Where the page of labels was written.
    trips : sequence of TripPacks
        Trips whose packs were asked for.

    Returns
    -------
    dict
        Ready for ``json.dump``.
    """
    return {
        "format": "tripplan-packs/1",
        "fleet": fleet.name,
        "on": register.on.isoformat(),
        "kept": fleet.packs is not None,
        "retire_below": fleet.spares.retire_below,
        "packs": [_record(record) for record in register.records],
        "to_test": list(register.to_test),
        "labels": labels,
        "assignments": [_assignment(one) for trip in trips for one in trip.assignments],
        "unnamed": [
            {"trip_id": trip.trip.trip_id, "site_id": site_id} for trip in trips for site_id in trip.unnamed
        ],
    }


def spares_to_json(
    fleet: Fleet,
    today: date,
    arranged: Arranged,
    stock: Iterable[TypeStock],
    course: Iterable[Course],
    orders: Iterable[Order],
    tried: Iterable[Tried],
) -> dict[str, Any]:
    """
    Return what to carry, own and charge as ``tripplan-spares/1``.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    today : datetime.date
        Day for which it is said.
    arranged, stock, course, orders, tried
        As in `tripplan.pipeline.SparesResult`.

    Returns
    -------
    dict
        Ready for ``json.dump``.
    """
    return {
        "format": "tripplan-spares/1",
        "fleet": fleet.name,
        "today": today.isoformat(),
        "packs_kept": fleet.packs is not None,
        "stock_kept": fleet.stock_is_kept,
        "asked_chance": fleet.spares.chance,
        "carry": [_carry(one) for one in arranged.carry.values()],
        "assignments": [_assignment(one) for one in arranged.assignments],
        "unnamed": list(arranged.unnamed),
        "own": [_stock(one) for one in stock],
        "shelf": [_course(one) for one in course],
        "charging": [_slot(slot) for slot in arranged.plan.charging],
        "orders": [
            {
                "kind": one.kind,
                "item": one.item,
                "count": one.count,
                "order_by": _day(one.by),
                "because": one.because,
                "cost": one.cost,
            }
            for one in orders
        ],
        "tried": [vars(one) for one in tried],
        "advice": [
            {
                "pack_id": record.pack.pack_id,
                "todo": str(one.todo),
                "by": _day(one.by),
                "because": one.because,
            }
            for record in arranged.register.records
            for one in record.advice
        ],
        "to_test": list(arranged.register.to_test),
    }


def _round(value: float) -> float:
    return round(value, _DIGITS)


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _clock(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


def _carry(one: CarryPlan) -> dict[str, Any]:
    return {
        "trip_id": one.trip_id,
        "wanted": dict(one.wanted),
        "take": dict(one.take),
        "chance_wanted": _round(one.chance_wanted),
        "chance": _round(one.chance),
        "room": one.room,
        "stock": dict(one.stock),
        "chance_bad": _round(one.need.bad.mean),
        "chance_fault": _round(one.need.fault.mean),
        "on_the_way": [
            {"site_id": site_id, "pack_type": need.pack_type, "chance": _round(chance)}
            for need in one.need.types
            for site_id, chance in need.on_the_way
        ],
        "curve": {name: [_round(value) for value in curve] for name, curve in one.curves.items()},
        "missing": {name: [_round(value) for value in lacks] for name, lacks in one.missing.items()},
        "limits": list(one.limits),
    }


def _course(one: Course) -> dict[str, Any]:
    return {
        "date": one.day.isoformat(),
        "trip_ids": list(one.trip_ids),
        "pack_type": one.pack_type,
        "charged": one.charged,
        "planned": one.planned,
        "spares": one.spares,
        "left": one.left,
    }


def _stock(one: TypeStock) -> dict[str, Any]:
    return {
        "pack_type": one.pack_type,
        "in_use": one.in_use,
        "shelf": one.shelf,
        "unfit": one.unfit,
        "needed_shelf": one.needed_shelf,
        "needed_with_spares": one.needed_with_spares,
        "to_own": one.to_own,
        "missing": one.missing,
        "first_short": None if one.first_short is None else _course(one.first_short),
        "without_one": None if one.without_one is None else _course(one.without_one),
    }


def _slot(slot: ChargeSlot) -> dict[str, Any]:
    return {
        "pack_type": slot.pack_type,
        "pack_id": slot.pack_id or None,
        "charger": slot.charger,
        "on": _clock(slot.on),
        "off": _clock(slot.off),
        "top_up": slot.top_up,
    }


def _assignment(one: Assignment) -> Mapping[str, Any]:
    return {
        "trip_id": one.trip_id,
        "site_id": one.site_id,
        "pack_type": one.pack_type,
        "pack_id": one.pack_id,
        "days": one.days,
        "dark_chance": _round(one.dark_chance),
        "dark_chance_weakest": _round(one.dark_chance_weakest),
        "because": one.because,
    }


def _record(record: PackRecord) -> Mapping[str, Any]:
    pack, moves = record.pack, record.moves
    return {
        "pack_id": pack.pack_id,
        "pack_type": pack.pack_type,
        "bought": _day(pack.bought),
        "where": pack.where,
        "since": _day(pack.since),
        "state": "unknown" if record.untold else str(pack.state),
        "cycles": moves.cycles,
        "tested_ah": pack.tested_ah,
        "tested_on": _day(pack.tested_on),
        "health": _round(record.health),
        "health_low": _round(record.health_at(-1.645)),
        "health_high": _round(record.health_at(1.645)),
        "health_from": record.health_from,
        "below_80": _round(record.below_80),
        "below_limit": _round(record.below_limit),
        "charge": None if record.charge is None else _round(record.charge),
        "volts": record.volts,
        "recharge_by": _day(record.recharge_by),
        "suspect": record.is_suspect,
        "spare": record.is_spare,
        "advice": [
            {"todo": str(one.todo), "by": _day(one.by), "because": one.because} for one in record.advice
        ],
    }
