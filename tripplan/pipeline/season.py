"""Files to forecast, and forecast to a season's plan that the checker has passed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Protocol

from tripplan.errors import NoPlanError, RefusedError, StorageError
from tripplan.fleet import Fleet
from tripplan.forecast import forecast_fleet
from tripplan.forecast.outlook import Outlook
from tripplan.inputs import folder_digest, read_fleet
from tripplan.outputs.calendar_page import render_calendar_page
from tripplan.pipeline.wishes import Asked, settle_wishes
from tripplan.plan import Progress, plan_season
from tripplan.plan.check import check_document
from tripplan.plan.difference import PlanDifference, compare_plans
from tripplan.plan.document import Plan
from tripplan.plan.plan_file import PLAN_NAME, NoPlanOnFileError, read_plan_file
from tripplan.plan.proof import proof_text, stages_text
from tripplan.records.trips import PlannedTrip, hold_back, open_trips, trips_to_note, with_open_trips
from tripplan.storage import json_bytes, lock_folder, write_files
from tripplan.supply.arrange import arrange
from tripplan.travel import Travel, measure_travel

__all__ = [
    "CALENDAR_NAME",
    "FORECAST_NAME",
    "NOTHING_ASKED",
    "PICTURE_NAME",
    "PLAN_NAME",
    "QUIET",
    "ForecastResult",
    "PlanResult",
    "Reports",
    "Silent",
    "plan_anew",
    "read_fleet_and_trips",
    "run_forecast",
    "run_plan",
    "with_trip_lines",
]

FORECAST_NAME = "forecast.json"
PICTURE_NAME = "forecast.html"
CALENDAR_NAME = "calendar.html"
NOTHING_ASKED = Asked()


class Reports(Protocol):
    """Whom to tell how far the work is."""

    def stage(self, text: str) -> None:
        """Hear that a step begins, in a few words."""

    def season(self, progress: Progress) -> None:
        """Hear how far the planning of the season is."""


class Silent:
    """Tells nobody."""

    def stage(self, text: str) -> None:
        """Pass over a step."""

    def season(self, progress: Progress) -> None:
        """Pass over how far the season is."""


QUIET = Silent()


@dataclass(frozen=True)
class ForecastResult:
    """
    A fleet and when its packs go flat.

    Attributes
    ----------
    open_trips : tuple of PlannedTrip
        Planned trips that lie behind and of which nothing has been told.
    """

    fleet: Fleet
    outlook: Outlook
    open_trips: tuple[PlannedTrip, ...] = ()


@dataclass(frozen=True)
class PlanResult:
    """
    A season's plan that the checker has passed, with what it rests on.

    Attributes
    ----------
    path : pathlib.Path
        Where the plan stands as JSON.
    anew : bool
        False where it was read back from that file.
    because : str
        Why it was made anew, as a clause; empty where it was read back or a new plan was asked for.
    last : Plan or None
        The plan that was on file before, where there was one of this fleet.
    difference : PlanDifference or None
        What changed against it.
    document : mapping
        What stands on file, for machines.
    open_trips : tuple of PlannedTrip
        Planned trips that lie behind and of which nothing has been told.
    """

    fleet: Fleet
    outlook: Outlook
    travel: Travel
    plan: Plan
    path: Path
    anew: bool = True
    because: str = ""
    last: Plan | None = None
    difference: PlanDifference | None = None
    document: Mapping[str, Any] = field(default_factory=dict)
    open_trips: tuple[PlannedTrip, ...] = ()


def run_forecast(
    folder: Path, *, today: date, weeks: int | None = None, reports: Reports = QUIET
) -> ForecastResult:
    """
    Read a fleet and forecast when its packs go flat.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        Day of the forecast.
    weeks : int, optional
        Weeks to look ahead; the fleet's own where not given. [week]
    reports : Reports, optional
        Whom to tell how far the work is.

    Returns
    -------
    ForecastResult
        Fleet and outlook.

    Raises
    ------
    InputError
        If the files hold faults.
    """
    reports.stage("Reading the files")
    fleet, trips = read_fleet_and_trips(folder, today)
    reports.stage("Forecasting flat dates")
    return ForecastResult(fleet, forecast_fleet(fleet, today, weeks), trips)


def read_fleet_and_trips(folder: Path, today: date) -> tuple[Fleet, tuple[PlannedTrip, ...]]:
    """
    Read a fleet as far as it is known while planned trips have not been told of.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        Trips of earlier days count.

    Returns
    -------
    fleet : Fleet
        Without the spares that such trips may have used.
    trips : tuple of PlannedTrip
        Those trips.
    """
    fleet = read_fleet(folder, today)
    trips = open_trips(folder, fleet, today)
    return hold_back(fleet, trips), trips


def keep_forecast(
    folder: Path, result: ForecastResult, document: Mapping[str, Any] | None, picture: Path | None
) -> tuple[Path, ...]:
    """
    Write the picture of a forecast, and keep the forecast itself for the next to be compared with.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    result : ForecastResult
        Fleet and outlook.
    document : mapping or None
        The forecast as JSON; None: it is not kept, only its picture is written.
    picture : pathlib.Path or None
        Where the picture goes; None: into the folder.

    Returns
    -------
    tuple of pathlib.Path
        The files written.

    Raises
    ------
    StorageError
        If the folder is in use or a file cannot be written.
    """
    from tripplan.outputs.forecast_page import render_forecast_page

    page = render_forecast_page(result.fleet, result.outlook).encode()
    files = {picture or folder / PICTURE_NAME: page}
    if document is None:
        write_files(files)
        return tuple(files)
    files[folder / FORECAST_NAME] = json_bytes(document)
    with lock_folder(folder):
        write_files(files)
    return tuple(files)


def run_plan(
    folder: Path,
    *,
    today: date,
    seed: int = 1,
    time_limit_s: float | None = None,
    asked: Asked = NOTHING_ASKED,
    afresh: bool = False,
    reports: Reports = QUIET,
) -> PlanResult:
    """
    Plan a season and write ``plan.json`` into the fleet's folder.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        First day of the season.
    seed : int, default 1
        Steers the search; the same seed repeats the same plan where it is proved.
    time_limit_s : float, optional
        Time for the search. [s]
    asked : Asked, optional
        Wishes of this run; they are kept in ``wishes.csv`` once there is a plan that keeps them.
    afresh : bool, default False
        Plan as if there were no plan on file; else the one that changes least is taken among plans of
        equally few trips.
    reports : Reports, optional
        Whom to tell how far the work is.

    Returns
    -------
    PlanResult
        The plan, checked and written.

    Raises
    ------
    InputError
        If the files hold faults, or an option names what is not there.
    NoPlanError
        If no plan at all can be made, or wishes contradict each other.
    RefusedError
        If the checker refuses the plan; nothing is written.
    StorageError
        If the folder is in use or cannot be written.
    """
    reports.stage("Reading the files")
    read_fleet(folder, today)  # faults come before the folder is locked or written to
    with lock_folder(folder):
        return plan_anew(folder, today, seed, time_limit_s, reports, asked=asked, afresh=afresh)


def plan_anew(
    folder: Path,
    today: date,
    seed: int,
    time_limit_s: float | None,
    reports: Reports,
    because: str = "",
    *,
    asked: Asked = NOTHING_ASKED,
    afresh: bool = False,
) -> PlanResult:
    """
    Plan, check and write, in a folder that the caller has locked.

    Parameters
    ----------
    folder, today, seed, time_limit_s, reports, asked, afresh
        As in `run_plan`.
    because : str
        Why the season is planned anew, as a clause.

    Returns
    -------
    PlanResult
        The plan, checked and written.
    """
    digest = folder_digest(folder)
    fleet, trips = read_fleet_and_trips(folder, today)
    last = last_plan(folder, fleet, today)
    settled = settle_wishes(folder, fleet, asked, last, (today, today + timedelta(weeks=fleet.plan.weeks)))
    fleet = replace(fleet, wishes=settled.wishes)
    coming = {} if settled.path is None else {settled.path: settled.content}
    if coming:
        # files changed by someone else meanwhile leave a fingerprint that never fits
        same = folder_digest(folder) == digest
        digest = folder_digest(folder, {p.name: content for p, content in coming.items()}) if same else ""
    reports.stage("Forecasting flat dates")
    outlook = forecast_fleet(fleet, today)
    reports.stage("Measuring the ways")
    travel = measure_travel(fleet)
    reports.stage("Planning the season")
    try:
        plan = plan_season(
            fleet,
            outlook,
            travel,
            made_on=today,
            seed=seed,
            time_limit_s=time_limit_s,
            progress=reports.season,
            last=None if afresh else last,
        )
    except NoPlanError as error:
        raise with_trip_lines(error, trips) from error
    plan = arrange(fleet, outlook, travel, plan).plan.with_digest(with_open_trips(digest, trips))
    plan = replace(plan, notes=(*plan.notes, *(trip.line for trip in trips)))
    reports.stage("Checking the plan")
    difference = None if last is None else compare_plans(last, plan)
    document = plan.to_json()
    refusals = check_document(fleet, outlook, travel, document)
    if refusals:
        raise RefusedError(str(one) for one in refusals)
    if last is not None and difference is not None and not difference.is_empty:
        document["since_last_plan"] = {"made_on": last.made_on.isoformat(), **difference.to_json()}
    path = folder / PLAN_NAME
    reports.stage("Drawing the calendar")
    proof = proof_text(plan, outlook, "the swap-by dates shown")
    page = render_calendar_page(fleet, outlook, plan, f"{proof}. {stages_text(plan)}".strip())
    notes = trips_to_note(folder, trips)
    write_files(
        {**coming, **notes, path: json_bytes(document), folder / CALENDAR_NAME: page.encode()}, home=folder
    )
    return PlanResult(
        fleet,
        outlook,
        travel,
        plan,
        path,
        because=because,
        last=last,
        difference=difference,
        document=document,
        open_trips=trips,
    )


def with_trip_lines(error: NoPlanError, trips: Sequence[PlannedTrip]) -> NoPlanError:
    """Return the error with a line for each open trip: the packs held back for it may be what is missing."""
    return NoPlanError("\n".join([str(error), *(trip.line for trip in trips)]), error.site_ids)


def last_plan(folder: Path, fleet: Fleet, today: date) -> Plan | None:
    """
    Return the plan on file, where it can serve as the last plan of this fleet.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    fleet : Fleet
        The fleet as it is now.
    today : datetime.date
        First day of the season to plan.

    Returns
    -------
    Plan or None
        None where there is none, it cannot be read, is another fleet's, begins after today, or ended
        before it.
    """
    try:
        _, plan = read_plan_file(folder)
    except (NoPlanOnFileError, StorageError):
        return None
    return plan if plan.fleet == fleet.name and plan.first <= today <= plan.to else None
