"""The season as one page for its planner."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from tripplan.forecast import forecast_fleet
from tripplan.outputs.season_page import render_season
from tripplan.outputs.season_view import SeasonView, build_season_view
from tripplan.outputs.wording import wording_for
from tripplan.pipeline.field import usable_plan
from tripplan.pipeline.season import QUIET, PlanResult, Reports
from tripplan.storage import lock_folder, write_files

__all__ = ["OverviewResult", "run_overview"]


@dataclass(frozen=True)
class OverviewResult:
    """The season's page, written."""

    planned: PlanResult
    today: date
    file: Path
    season: SeasonView


def run_overview(
    folder: Path,
    *,
    today: date,
    out: Path | None = None,
    seed: int | None = None,
    time_limit_s: float | None = None,
    reports: Reports = QUIET,
) -> OverviewResult:
    """
    Write the season's page.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        Charge and swap-by dates are as of this day.
    out : pathlib.Path, optional
        The file; ``FOLDER/maps/season.html`` where not given.
    seed, time_limit_s, reports
        As in `run_trip`.

    Returns
    -------
    OverviewResult
        What was written.

    Raises
    ------
    InputError
        If the files hold faults.
    NoPlanError
        If no plan can be made.
    StorageError
        If a folder is in use or cannot be written.
    """
    planned = usable_plan(folder, today, seed, time_limit_s, reports)
    reports.stage("Writing the season's page")
    fleet = planned.fleet
    wording = wording_for(fleet.language, metric=fleet.units == "metric")
    season = build_season_view(
        fleet,
        forecast_fleet(fleet, today),
        planned.plan,
        since_last=planned.document.get("since_last_plan"),
        today=today,
        wording=wording,
    )
    target = out or folder / "maps" / "season.html"
    with lock_folder(target.parent):
        write_files({target: render_season(season, wording).encode("utf-8")})
    return OverviewResult(planned, today, target, season)
