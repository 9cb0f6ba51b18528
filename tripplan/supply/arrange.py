"""Names for a plan: the packs of the next date's trips, and the packs on each charger."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan, Trip, Visit
from tripplan.supply.assignment import Assignment, assign_packs
from tripplan.supply.carry import CarryPlan, plan_spares, trip_need
from tripplan.supply.charging import plan_charging, ready_packs, rename_charges
from tripplan.supply.owning import shelf_course
from tripplan.supply.register import Register, build_register
from tripplan.travel import Travel

__all__ = ["Arranged", "TripPacks", "arrange", "next_trips", "packs_ahead", "spares_for"]


@dataclass(frozen=True)
class Arranged:
    """
    A plan with its packs named.

    Attributes
    ----------
    plan : Plan
        The same trips; `Visit.pack_in` of the next date and `Plan.charging` are filled.
    assignments : tuple of Assignment
        Of the next date's trips.
    carry : mapping of str to CarryPlan
        Spares of the next date's trips, by trip id.
    unnamed : tuple of str
        Sites of the next date for which no fit pack is known by name.
    is_late : bool
        Whether charges are placed as late as is safe.
    """

    plan: Plan
    register: Register
    assignments: tuple[Assignment, ...]
    carry: Mapping[str, CarryPlan]
    unnamed: tuple[str, ...]
    is_late: bool


def next_trips(plan: Plan) -> tuple[Trip, ...]:
    """
    Return the trips of the plan's next date.

    Parameters
    ----------
    plan : Plan
        A season.

    Returns
    -------
    tuple of Trip
        All crews' trips of its first date; empty without trips.
    """
    first = min((trip.date for trip in plan.trips), default=None)
    return tuple(trip for trip in plan.trips if trip.date == first)


def arrange(fleet: Fleet, outlook: Outlook, travel: Travel, plan: Plan) -> Arranged:
    """
    Choose the packs of the next date's trips, their spares, and all charges.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        What the plan rests on.
    plan : Plan
        Its trips and their hours stay as they are.

    Returns
    -------
    Arranged
        Nothing is named where packs.csv is not kept.
    """
    register = build_register(fleet, outlook)
    trips = next_trips(plan)
    wanted: dict[str, int] = {}
    for trip in trips:
        need = trip_need(fleet, outlook, travel, plan, trip)
        for name, number in plan_spares(fleet, need, trip, None).wanted.items():
            wanted[name] = max(number, wanted.get(name, 0))
    plan = replace(plan, charging=plan_charging(fleet, plan, wanted).slots or plan.charging)
    assignments: tuple[Assignment, ...] = ()
    unnamed: tuple[str, ...] = ()
    is_late = True
    if trips and fleet.packs is not None:
        ready = ready_packs(fleet, plan, trips[0].date)
        assignments = assign_packs(fleet, outlook, travel, plan, trips, register.by_id(), ready)
        plan = _with_packs_in(plan, assignments)
        named = {(one.trip_id, one.site_id) for one in assignments}
        unnamed = tuple(
            visit.site_id
            for trip in trips
            for visit in trip.visits
            if visit.swap and (trip.trip_id, visit.site_id) not in named
        )
        charges = plan_charging(fleet, plan, wanted)
        is_late = charges.is_late
        plan = replace(plan, charging=charges.slots or plan.charging)
    carry = spares_for(fleet, outlook, travel, plan, trips, register)
    return Arranged(plan, register, assignments, carry, unnamed, is_late)


@dataclass(frozen=True)
class TripPacks:
    """
    The packs of one trip by name.

    Attributes
    ----------
    assignments : tuple of Assignment
        In visiting order.
    unnamed : tuple of str
        Sites for which no fit pack is known by name to be charged in time.
    """

    trip: Trip
    assignments: tuple[Assignment, ...]
    unnamed: tuple[str, ...]


def packs_ahead(
    fleet: Fleet, outlook: Outlook, travel: Travel, arranged: Arranged, until: date
) -> tuple[Plan, tuple[TripPacks, ...]]:
    """
    Choose packs by name for the season's trips, date by date, each date's choice exact.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        What the plan rests on.
    arranged : Arranged
        The plan with the packs of its next date named.
    until : datetime.date
        The last date wanted.

    Returns
    -------
    plan : Plan
        With these packs named, and the charges that go with them.
    trips : tuple of TripPacks
        By date. A later date has what stands charged by then: packs that earlier trips leave, and those that
        came back and have had their charge. Empty where packs.csv is not kept.
    """
    plan, records = arranged.plan, arranged.register.by_id()
    if fleet.packs is None:
        return plan, ()
    wanted: dict[str, int] = {}
    for carry in arranged.carry.values():
        for name, number in carry.wanted.items():
            wanted[name] = max(number, wanted.get(name, 0))
    found: list[TripPacks] = []
    plan = replace(plan, charging=plan_charging(fleet, plan, wanted).slots or plan.charging)
    for day in sorted({trip.date for trip in plan.trips if trip.date <= until}):
        trips = tuple(trip for trip in plan.trips if trip.date == day)
        ready = ready_packs(fleet, plan, day)
        chosen = (
            assign_packs(fleet, outlook, travel, plan, trips, records, ready)
            if found
            else arranged.assignments
        )
        for trip in trips:
            own = tuple(one for one in chosen if one.trip_id == trip.trip_id)
            named = {one.site_id for one in own}
            unnamed = tuple(v.site_id for v in trip.visits if v.swap and v.site_id not in named)
            found.append(TripPacks(trip, own, unnamed))
        # who came back when decides which pack each later charge is
        plan = _with_packs_in(plan, tuple(one for each in found for one in each.assignments))
        plan = replace(plan, charging=rename_charges(fleet, plan))
    return replace(plan, charging=plan_charging(fleet, plan, wanted).slots or plan.charging), tuple(found)


def spares_for(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    trips: tuple[Trip, ...],
    register: Register,
) -> dict[str, CarryPlan]:
    """
    Choose the spares of trips of one date, which share the shelf.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        What the trips rest on.
    trips : tuple of Trip
        In the order of the file's crews; the first takes its spares first.
    register : Register
        Suspect packs in it are no spares.

    Returns
    -------
    dict of str to CarryPlan
        By trip id.
    """
    left = _stock_beside(fleet, plan, trips, register) if trips else None
    found: dict[str, CarryPlan] = {}
    for trip in trips:
        need = trip_need(fleet, outlook, travel, plan, trip)
        found[trip.trip_id] = plan_spares(fleet, need, trip, left)
        if left is not None:
            taken = found[trip.trip_id].take
            left = {name: number - taken.get(name, 0) for name, number in left.items()}
    return found


def _stock_beside(
    fleet: Fleet, plan: Plan, trips: tuple[Trip, ...], register: Register
) -> dict[str, int] | None:
    """Return the charged packs beside the planned ones on a date's morning; None where no stock is kept."""
    if not fleet.stock_is_kept:
        return None
    day = trips[0].date
    is_next = day == min(trip.date for trip in plan.trips)
    unfit = {record.pack.pack_id for record in register.records if not record.is_spare}
    ready = ready_packs(fleet, plan, day) - unfit
    found: dict[str, int] = {}
    for name in fleet.pack_types:
        planned = sum(trip.packs.get(name, 0) for trip in trips)
        if fleet.packs is not None and is_next:
            found[name] = (
                sum(pack.pack_id in ready and pack.pack_type == name for pack in fleet.packs) - planned
            )
            continue
        before = [one for one in shelf_course(fleet, plan, {}, name) if one.day <= day]
        found[name] = before[-1].left if before else fleet.charged_on_shelf(name)
    return found


def _with_packs_in(plan: Plan, assignments: tuple[Assignment, ...]) -> Plan:
    """Return the plan with the packs of some visits named."""
    named = {(one.trip_id, one.site_id): one.pack_id for one in assignments}

    def visit_with(trip_id: str, visit: Visit) -> Visit:
        return replace(visit, pack_in=named.get((trip_id, visit.site_id)))

    def trip_with(trip: Trip) -> Trip:
        stops = tuple(
            replace(
                stop,
                loops=tuple(
                    replace(loop, visits=tuple(visit_with(trip.trip_id, visit) for visit in loop.visits))
                    for loop in stop.loops
                ),
            )
            for stop in trip.stops
        )
        return replace(trip, stops=stops)

    return replace(plan, trips=tuple(trip_with(trip) for trip in plan.trips))
