"""Packs: what to carry, own and charge, the register and its labels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from tripplan.errors import NoPlanError
from tripplan.fleet import Fleet
from tripplan.forecast import forecast_fleet
from tripplan.pipeline.field import usable_plan
from tripplan.pipeline.season import PLAN_NAME, QUIET, PlanResult, Reports, read_fleet_and_trips
from tripplan.records.trips import PlannedTrip
from tripplan.storage import write_files
from tripplan.supply.arrange import Arranged, TripPacks, arrange, packs_ahead
from tripplan.supply.ordering import Order, orders_for_year
from tripplan.supply.owning import TRY_TIME_S, Course, Tried, TypeStock, shelf_course, stock_by_type, try_more
from tripplan.supply.register import Register, build_register, without_suspects

__all__ = ["PacksResult", "SparesResult", "run_packs", "run_spares"]


@dataclass(frozen=True)
class SparesResult:
    """
    What to carry, own and charge.

    Attributes
    ----------
    fleet : Fleet
        With the chance asked for.
    arranged : Arranged
        The plan with its packs named, the register, spares of the next trips.
    stock : tuple of TypeStock
        Packs to own.
    course : tuple of Course
        The shelf on every date of the season, by type; empty where no stock is kept.
    orders : tuple of Order
        The list for the year.
    tried : tuple of Tried
        Seasons planned anew with something more; empty unless asked for.
    """

    planned: PlanResult
    fleet: Fleet
    today: date
    arranged: Arranged
    stock: tuple[TypeStock, ...]
    course: tuple[Course, ...]
    orders: tuple[Order, ...]
    tried: tuple[Tried, ...] = ()


@dataclass(frozen=True)
class PacksResult:
    """
    The pack register, the packs of the season's trips, and the page of labels where one was written.

    Attributes
    ----------
    trips : tuple of TripPacks
        Trips asked for, with their packs by name.
    planned : PlanResult or None
        The plan they are from; None where no trips were asked for.
    open_trips : tuple of PlannedTrip
        Planned trips that lie behind and of which nothing has been told.
    """

    fleet: Fleet
    register: Register
    labels: Path | None = None
    labelled: tuple[str, ...] = ()
    trips: tuple[TripPacks, ...] = ()
    planned: PlanResult | None = None
    open_trips: tuple[PlannedTrip, ...] = ()


def run_spares(
    folder: Path,
    *,
    today: date,
    chance: float | None = None,
    more: bool = False,
    seed: int | None = None,
    time_limit_s: float | None = None,
    reports: Reports = QUIET,
) -> SparesResult:
    """
    Say what to carry on the next trip, what to own, and what to charge by when.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        As in `run_trip`.
    chance : float, optional
        Wanted chance that a trip does not run short; the fleet's where not given.
    more : bool, default False
        Also plan the season anew with one pack or one charger more.
    seed, reports
        As in `run_trip`.
    time_limit_s : float, optional
        Most time for each season that is planned. [s]

    Returns
    -------
    SparesResult
        All of it.

    Raises
    ------
    InputError, NoPlanError, RefusedError, StorageError
        As in `run_trip`.
    """
    planned = usable_plan(folder, today, seed, time_limit_s, reports)
    fleet, outlook, travel = planned.fleet, planned.outlook, planned.travel
    if chance is not None:
        fleet = replace(fleet, spares=replace(fleet.spares, chance=chance))
    reports.stage("Counting packs")
    arranged = arrange(fleet, outlook, travel, planned.plan)
    spares: dict[str, int] = {}
    for one in arranged.carry.values():
        for name, number in one.wanted.items():
            spares[name] = max(number, spares.get(name, 0))
    shelf = without_suspects(fleet, arranged.register)
    stock = stock_by_type(shelf, arranged.plan, arranged.register, spares)
    course = (
        tuple(one for name in fleet.pack_types for one in shelf_course(shelf, arranged.plan, spares, name))
        if fleet.stock_is_kept
        else ()
    )
    tried: tuple[Tried, ...] = ()
    if more:
        tried = try_more(
            fleet,
            outlook,
            travel,
            arranged.plan,
            lambda what: reports.stage(f"Planning the season with {what}"),
            time_limit_s=TRY_TIME_S if time_limit_s is None else time_limit_s,
        )
    return SparesResult(
        planned,
        fleet,
        today,
        arranged,
        stock,
        course,
        orders_for_year(fleet, arranged.plan, arranged.register, stock),
        tried,
    )


def run_packs(
    folder: Path,
    *,
    today: date,
    labels: Path | None = None,
    only: tuple[str, ...] = (),
    trip_ids: tuple[str, ...] = (),
    season: bool = False,
    seed: int | None = None,
    time_limit_s: float | None = None,
    reports: Reports = QUIET,
) -> PacksResult:
    """
    Build the pack register, the packs of some trips and a page of labels where asked for.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        Day for which to say it.
    labels : pathlib.Path, optional
        Page of labels to write.
    only : tuple of str
        Packs to label; all but retired ones where empty.
    trip_ids : tuple of str
        Trips of the plan for which to name the packs.
    season : bool, default False
        Name them for every trip of the season.
    seed, time_limit_s, reports
        As in `run_trip`; the plan is used, or made anew, as there.

    Returns
    -------
    PacksResult
        Register; empty where packs.csv is not kept.

    Raises
    ------
    InputError
        If the files hold faults, or a pack to label is not there.
    NoPlanError, RefusedError
        If packs of trips are asked for and there is no plan, or it holds no such trip.
    StorageError
        If the page cannot be written.
    """
    from tripplan.outputs.labels import labelled_packs, render_labels

    planned: PlanResult | None = None
    trips: tuple[TripPacks, ...] = ()
    if trip_ids or season:
        planned = usable_plan(folder, today, seed, time_limit_s, reports)
        fleet, open_ones = planned.fleet, planned.open_trips
        reports.stage("Choosing packs")
        arranged = arrange(fleet, planned.outlook, planned.travel, planned.plan)
        register = arranged.register
        trips = _packs_of_trips(planned, arranged, trip_ids)
    else:
        reports.stage("Reading the files")
        fleet, open_ones = read_fleet_and_trips(folder, today)
        reports.stage("Forecasting flat dates")
        register = build_register(fleet, forecast_fleet(fleet, today))
    result = PacksResult(fleet, register, trips=trips, planned=planned, open_trips=open_ones)
    if labels is None:
        return result
    packs = labelled_packs(fleet, only)
    write_files({labels: render_labels(fleet, packs).encode("utf-8")})
    return replace(result, labels=labels, labelled=tuple(pack.pack_id for pack in packs))


def _packs_of_trips(
    planned: PlanResult, arranged: Arranged, trip_ids: tuple[str, ...]
) -> tuple[TripPacks, ...]:
    """Return the packs of the trips asked for, of all trips where none is named."""
    days = {trip.trip_id: trip.date for trip in planned.plan.trips}
    unknown = [trip_id for trip_id in trip_ids if trip_id not in days]
    if unknown:
        known = f"The plan's trips are {', '.join(days)}." if days else "The plan holds no trip."
        raise NoPlanError(f"There is no trip '{unknown[0]}' in {PLAN_NAME}. {known}")
    until = max((day for trip_id, day in days.items() if not trip_ids or trip_id in trip_ids), default=None)
    if until is None:
        return ()
    _, found = packs_ahead(planned.fleet, planned.outlook, planned.travel, arranged, until)
    return tuple(one for one in found if not trip_ids or one.trip.trip_id in trip_ids)
