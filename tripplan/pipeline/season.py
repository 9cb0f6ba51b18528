"""Files to forecast, and forecast to a season's plan that the checker has passed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

from tripplan.errors import RefusedError
from tripplan.fleet import Fleet
from tripplan.forecast import forecast_fleet
from tripplan.forecast.outlook import Outlook
from tripplan.inputs import folder_digest, read_fleet
from tripplan.plan import Progress, plan_season
from tripplan.plan.check import check_document
from tripplan.plan.document import Plan
from tripplan.storage import json_bytes, lock_folder, write_files
from tripplan.travel import Travel, measure_travel

__all__ = [
    "PLAN_NAME",
    "QUIET",
    "ForecastResult",
    "PlanResult",
    "Reports",
    "Silent",
    "plan_anew",
    "run_forecast",
    "run_plan",
]

PLAN_NAME = "plan.json"


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
    """A fleet and when its packs go flat."""

    fleet: Fleet
    outlook: Outlook


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
    """

    fleet: Fleet
    outlook: Outlook
    travel: Travel
    plan: Plan
    path: Path
    anew: bool = True
    because: str = ""


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
    fleet = read_fleet(folder, today)
    reports.stage("Forecasting flat dates")
    return ForecastResult(fleet, forecast_fleet(fleet, today, weeks))


def run_plan(
    folder: Path,
    *,
    today: date,
    seed: int = 1,
    time_limit_s: float | None = None,
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
    reports : Reports, optional
        Whom to tell how far the work is.

    Returns
    -------
    PlanResult
        The plan, checked and written.

    Raises
    ------
    InputError
        If the files hold faults.
    NoPlanError
        If no plan at all can be made.
    RefusedError
        If the checker refuses the plan; nothing is written.
    StorageError
        If the folder is in use or cannot be written.
    """
    reports.stage("Reading the files")
    read_fleet(folder, today)  # faults come before the folder is locked or written to
    with lock_folder(folder):
        return plan_anew(folder, today, seed, time_limit_s, reports)


def plan_anew(
    folder: Path, today: date, seed: int, time_limit_s: float | None, reports: Reports, because: str = ""
) -> PlanResult:
    """
    Plan, check and write, in a folder that the caller has locked.

    Parameters
    ----------
    folder, today, seed, time_limit_s, reports
        As in `run_plan`.
    because : str
        Why the season is planned anew, as a clause.

    Returns
    -------
    PlanResult
        The plan, checked and written.
    """
    digest = folder_digest(folder)
    fleet = read_fleet(folder, today)
    reports.stage("Forecasting flat dates")
    outlook = forecast_fleet(fleet, today)
    reports.stage("Measuring the ways")
    travel = measure_travel(fleet)
    reports.stage("Planning the season")
    plan = plan_season(
        fleet,
        outlook,
        travel,
        made_on=today,
        seed=seed,
        time_limit_s=time_limit_s,
        progress=reports.season,
    ).with_digest(digest)
    reports.stage("Checking the plan")
    document = plan.to_json()
    refusals = check_document(fleet, outlook, travel, document)
    if refusals:
        raise RefusedError(str(one) for one in refusals)
    path = folder / PLAN_NAME
    write_files({path: json_bytes(document)})
    return PlanResult(fleet, outlook, travel, plan, path, because=because)
