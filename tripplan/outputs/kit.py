"""Write the field kit of one trip: six files that agree with each other."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.outputs.interchange_geojson import trip_geojson
from tripplan.outputs.interchange_gpx import trip_gpx
from tripplan.outputs.interchange_ics import trip_ics
from tripplan.outputs.kit_view import build_kit_view
from tripplan.outputs.load_csv import load_csv
from tripplan.outputs.pages import render_checklist, render_map_page
from tripplan.outputs.wording import wording_for
from tripplan.plan.document import Plan, Trip
from tripplan.storage import read_bytes, write_files
from tripplan.travel import Travel

__all__ = ["KIT_FILES", "write_kit"]

KIT_FILES = ("map.html", "checklist.html", "load.csv", "trip.gpx", "trip.ics", "trip.geojson")


def write_kit(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    trip: Trip,
    folder: Path,
    *,
    today: date,
    extra_spares: Mapping[str, int] | None = None,
) -> tuple[Path, ...]:
    """
    Write the field kit of one trip into a folder.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        What the trip was planned from.
    trip : Trip
        One of the plan's trips, as the checker passed it.
    folder : pathlib.Path
        Made if it is not there; older files of the same names are replaced together.
    today : datetime.date
        Day on which the kit is made.
    extra_spares : mapping of str to int, optional
        Spares to take beyond the planned swaps, by pack type.

    Returns
    -------
    tuple of pathlib.Path
        The files written, in the order of `KIT_FILES`.

    Raises
    ------
    StorageError
        If a file cannot be written; then none is changed.
    ValueError
        If there are no texts in the fleet's language, or the trip is not one of this fleet.
    """
    wording = wording_for(fleet.language, metric=fleet.units == "metric")
    kit = build_kit_view(
        fleet, outlook, travel, plan, trip, today=today, wording=wording, extra_spares=extra_spares
    )
    calendar = folder / "trip.ics"
    before = read_bytes(calendar) if calendar.is_file() else None
    content = {
        "map.html": render_map_page(kit, wording, recording=True).encode("utf-8"),
        "checklist.html": render_checklist(kit, wording).encode("utf-8"),
        "load.csv": load_csv(kit),
        "trip.gpx": trip_gpx(kit, wording),
        "trip.ics": trip_ics(kit, wording, today=today, before=before),
        "trip.geojson": trip_geojson(kit),
    }
    paths = {folder / name: content[name] for name in KIT_FILES}
    write_files(paths)
    return tuple(paths)
