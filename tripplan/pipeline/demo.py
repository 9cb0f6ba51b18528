"""The whole job on the bundled demo fleet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path

from tripplan.errors import StorageError
from tripplan.forecast import outlook_to_json
from tripplan.pipeline.field import TripResult, run_trip
from tripplan.pipeline.season import (
    QUIET,
    ForecastResult,
    PlanResult,
    Reports,
    run_forecast,
    run_plan,
)
from tripplan.storage import json_bytes, lock_folder, read_bytes, write_files

__all__ = ["DEMO_TIME_LIMIT_S", "DEMO_TODAY", "DemoResult", "run_demo"]

DEMO_TODAY = date(2026, 11, 25)
DEMO_TIME_LIMIT_S = 45.0
"""For the search alone, so that the demo is over within a minute; `plan` searches on without it. [s]"""


@dataclass(frozen=True)
class DemoResult:
    """Everything that the demo made, under one folder."""

    folder: Path
    fleet_folder: Path
    forecast_path: Path
    forecast: ForecastResult
    planned: PlanResult
    trip: TripResult


def run_demo(
    out: Path,
    *,
    today: date = DEMO_TODAY,
    seed: int = 1,
    time_limit_s: float | None = DEMO_TIME_LIMIT_S,
    reports: Reports = QUIET,
) -> DemoResult:
    """
    Do the whole job on the bundled demo fleet.

    Parameters
    ----------
    out : pathlib.Path
        Folder to fill: ``fleet`` (files, plan and maps) and ``forecast.json``.
    today : datetime.date
        Day to take as today; the demo's history ends shortly before its own.
    seed : int, default 1
        As in `run_plan`.
    time_limit_s : float or None
        Time for the search; None lets it go on to its own end. [s]
    reports : Reports, optional
        Whom to tell how far the work is.

    Returns
    -------
    DemoResult
        All results and where they stand.

    Raises
    ------
    StorageError
        If the folder cannot be written, or holds a fleet that is not the demo's.
    """
    fleet_folder = out / "fleet"
    reports.stage("Copying the demo fleet")
    _copy_demo(fleet_folder)
    forecast = run_forecast(fleet_folder, today=today, reports=reports)
    forecast_path = out / "forecast.json"
    write_files({forecast_path: json_bytes(outlook_to_json(forecast.outlook))})
    planned = run_plan(fleet_folder, today=today, seed=seed, time_limit_s=time_limit_s, reports=reports)
    trip = run_trip(fleet_folder, today=today, seed=seed, time_limit_s=time_limit_s, reports=reports)
    return DemoResult(out, fleet_folder, forecast_path, forecast, planned, trip)


def _copy_demo(folder: Path) -> None:
    bundled = {
        entry.name: entry.read_bytes()
        for entry in resources.files("tripplan").joinpath("demo").iterdir()
        if entry.is_file() and Path(entry.name).suffix in (".toml", ".csv", ".md")
    }
    changed = sorted(
        name
        for name, content in bundled.items()
        if (folder / name).exists() and read_bytes(folder / name) != content
    )
    if changed:
        raise StorageError(
            f"{folder}: {', '.join(changed)} there {'is' if len(changed) == 1 else 'are'} not as the demo "
            "brings it, so nothing was written over. Choose another folder with --out, or move that one away."
        )
    with lock_folder(folder):
        write_files({folder / name: content for name, content in bundled.items()})
