"""The next trip in full, from the plan on file or a new one, and its field kit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from tripplan.errors import NoPlanError
from tripplan.forecast import forecast_fleet
from tripplan.inputs import folder_digest
from tripplan.outputs import write_kit
from tripplan.outputs.kit_model import KitView
from tripplan.outputs.kit_share import pick_sites
from tripplan.outputs.kit_view import build_kit_view
from tripplan.outputs.sealed_page import has_stand_in
from tripplan.outputs.wording import wording_for
from tripplan.pipeline.season import (
    QUIET,
    PlanResult,
    Reports,
    plan_anew,
    read_fleet_and_trips,
    with_trip_lines,
)
from tripplan.plan.check import check_document
from tripplan.plan.document import Plan, Trip
from tripplan.plan.leeway import Leeway, trip_leeway
from tripplan.plan.plan_file import PLAN_NAME, NoPlanOnFileError, read_plan_file
from tripplan.records.trips import PlannedTrip, with_open_trips
from tripplan.storage import lock_folder
from tripplan.supply.arrange import spares_for
from tripplan.supply.register import build_register
from tripplan.travel import measure_travel

__all__ = ["TripResult", "run_trip", "usable_plan"]


@dataclass(frozen=True)
class TripResult:
    """
    One trip of a plan and its field kit.

    Attributes
    ----------
    trip : Trip or None
        None where the plan holds no trip because nothing is due.
    files : tuple of pathlib.Path
        The kit.
    also : tuple of Trip
        Trips of other crews on the same date.
    kit : KitView or None
        What the kit shows, in words; None without a trip.
    leeway : Leeway or None
        What can be lost where, and what to leave out first; None without a trip.
    locked : bool
        Whether the kit opens only with a passphrase.
    shared_with : str
        Whose kit it is; empty where it is the whole trip's.
    stand_in : bool
        Whether a locked kit carries a cipher for browsers that deny a file their own.
    """

    planned: PlanResult
    today: date
    trip: Trip | None
    files: tuple[Path, ...] = ()
    also: tuple[Trip, ...] = ()
    kit: KitView | None = None
    locked: bool = False
    shared_with: str = ""
    stand_in: bool = True
    leeway: Leeway | None = None


def run_trip(
    folder: Path,
    *,
    today: date,
    on: date | None = None,
    crew: str | None = None,
    out: Path | None = None,
    passphrase: str | None = None,
    share_with: str = "",
    share_sites: Sequence[str] = (),
    seed: int | None = None,
    time_limit_s: float | None = None,
    pdf: bool = False,
    reports: Reports = QUIET,
) -> TripResult:
    """
    Write the field kit of the next trip, or of the trip on one date.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        The next trip is the first on or after this day.
    on : datetime.date, optional
        Date of the trip; the next trip where not given.
    crew : str, optional
        Whose trip; the first crew of that date where not given.
    out : pathlib.Path, optional
        Folder of the kit; ``FOLDER/maps/TRIP_ID`` where not given, with ``-NAME`` for a helper's and
        ``-locked`` for one under a passphrase.
    passphrase : str, optional
        Locks the kit.
    share_with : str
        Whose kit it is; then only the places of `share_sites` are in it.
    share_sites : sequence of str
        Site ids, or stops and loops as ``P2`` or ``P2.1``.
    seed : int, optional
        As in `run_plan`; a plan made with another seed is not used.
    time_limit_s : float, optional
        Time for the search where the season must be planned anew. [s]
    pdf : bool, default False
        Write the checklist as PDF too; needs the optional extra ``pdf``.
    reports : Reports, optional
        Whom to tell how far the work is.

    Returns
    -------
    TripResult
        Trip, plan and files of the kit.

    Raises
    ------
    InputError
        If the files hold faults.
    NoPlanError
        If no plan can be made, or it holds no trip on that date or for that crew.
    RefusedError
        If the checker refuses a new plan.
    SealError
        If the passphrase is unfit, or a locked file does not open again.
    StorageError
        If a folder is in use or cannot be written.
    """
    planned = usable_plan(folder, today, seed, time_limit_s, reports)
    try:
        trip = _pick_trip(planned, today, on, crew)
    except NoPlanError as error:
        raise with_trip_lines(error, planned.open_trips) from error
    if trip is None:
        return TripResult(planned, today, None)
    reports.stage("Writing the field kit")
    share = (share_with, pick_sites(trip, share_sites)) if share_with else None
    name = trip.trip_id + (f"-{_file_part(share_with)}" if share else "")
    name += "-locked" if passphrase is not None else ""
    target = out if out is not None else folder / "maps" / name
    rests_on = (planned.fleet, planned.outlook, planned.travel, planned.plan, trip)
    also = tuple(one for one in planned.plan.trips if one.date == trip.date and one is not trip)
    spares = _spares(planned, trip)
    kit = build_kit_view(*rests_on, today=today, wording=wording_for("en"), extra_spares=spares)
    with lock_folder(target):
        files = write_kit(
            *rests_on,
            target,
            today=today,
            extra_spares=spares,
            passphrase=passphrase,
            share=share,
            pdf=pdf,
        )
    return TripResult(
        planned,
        today,
        trip,
        files,
        also,
        kit,
        locked=passphrase is not None,
        shared_with=share_with,
        stand_in=has_stand_in(),
        leeway=trip_leeway(planned.fleet, planned.travel, trip, planned.plan.to),
    )


def _spares(planned: PlanResult, trip: Trip) -> dict[str, int]:
    """Return the spares to take beside a trip's planned packs, by type."""
    same_date = tuple(one for one in planned.plan.trips if one.date == trip.date)
    register = build_register(planned.fleet, planned.outlook)
    carry = spares_for(planned.fleet, planned.outlook, planned.travel, planned.plan, same_date, register)
    return {name: number for name, number in carry[trip.trip_id].take.items() if number}


def _file_part(name: str) -> str:
    """
    Return a name as part of a folder's name on any system.

    Examples
    --------
    >>> _file_part("Ana / B: Lopes")
    'Ana-B-Lopes'
    """
    return re.sub(r"[^\w]+", "-", name)[:40].strip("-") or "helper"


def usable_plan(
    folder: Path, today: date, seed: int | None, time_limit_s: float | None, reports: Reports
) -> PlanResult:
    """
    Return the plan on file where nothing it rests on has changed, else a new one, written.

    Parameters
    ----------
    folder, today, seed, time_limit_s, reports
        As in `run_trip`.

    Returns
    -------
    PlanResult
        A plan that the checker has passed; it says why it was made anew.
    """
    reports.stage("Reading the files")
    fleet, trips = read_fleet_and_trips(folder, today)
    path = folder / PLAN_NAME
    try:
        document, plan = read_plan_file(folder)
        because = _out_of_date(plan, folder, today, seed, trips)
        if not because:
            reports.stage("Checking the plan on file")
            outlook = forecast_fleet(fleet, plan.first)
            travel = measure_travel(fleet)
            refusals = check_document(fleet, outlook, travel, document)
            if not refusals:
                return PlanResult(
                    fleet, outlook, travel, plan, path, anew=False, document=document, open_trips=trips
                )
            because = f"the checker refuses the plan in {PLAN_NAME} ({refusals[0]})"
    except NoPlanOnFileError as error:
        because = str(error)
    with lock_folder(folder):
        return plan_anew(folder, today, 1 if seed is None else seed, time_limit_s, reports, because)


def _out_of_date(
    plan: Plan, folder: Path, today: date, seed: int | None, trips: Sequence[PlannedTrip]
) -> str:
    if plan.inputs_digest != with_open_trips(folder_digest(folder), trips):
        untold = {trip.trip_id for trip in trips} & {trip.trip_id for trip in plan.trips}
        if untold:
            return f"nothing has been told of trip {max(untold)}, which lies behind"
        return f"the files have changed since {PLAN_NAME} was made"
    if not plan.first <= today <= plan.to:
        return f"{PLAN_NAME} covers {plan.first.isoformat()} to {plan.to.isoformat()} only"
    if seed is not None and seed != plan.seed:
        return f"{PLAN_NAME} was made with seed {plan.seed}"
    gone = [trip.date for trip in plan.trips if trip.date < today]
    if gone:
        return (
            f"the trip planned for {gone[-1].isoformat()} lies behind, and no visit has been recorded since"
        )
    return ""


def _pick_trip(planned: PlanResult, today: date, on: date | None, crew: str | None) -> Trip | None:
    fleet, plan = planned.fleet, planned.plan
    if crew is not None and crew not in fleet.crews_by_name:
        known = ", ".join(fleet.crews_by_name)
        raise NoPlanError(f"There is no crew '{crew}' in tripplan.toml. The crews are: {known}.")
    order = {name: place for place, name in enumerate(fleet.crews_by_name)}
    trips = sorted(
        (trip for trip in plan.trips if trip.date >= today and crew in (None, trip.crew)),
        key=lambda trip: (trip.date, order[trip.crew]),
    )
    whose = f" for crew {crew}" if crew is not None else ""
    if on is not None:
        found = next((trip for trip in trips if trip.date == on), None)
        if found is None:
            dates = ", ".join(dict.fromkeys(f"{trip.date:%a} {trip.date.isoformat()}" for trip in trips))
            raise NoPlanError(
                f"No trip is planned on {on:%A} {on.isoformat()}{whose}. "
                + (f"Trips are planned on {dates}." if dates else "No trip is planned at all.")
            )
        return found
    if trips:
        return trips[0]
    if plan.unserved:
        raise NoPlanError(
            f"No trip{whose} can be planned from {today.isoformat()} to {plan.to.isoformat()}: "
            + "; ".join(f"{late.site_id}: {late.reason}" for late in plan.unserved),
            [late.site_id for late in plan.unserved],
        )
    return None
