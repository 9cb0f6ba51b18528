"""Waypoints of a GPX file as the rows of a table."""

from __future__ import annotations

from pathlib import Path

from tripplan.errors import Fault, InputError
from tripplan.inputs.cells import clean_text
from tripplan.inputs.sheet_headings import Sheet
from tripplan.storage import read_bytes

__all__ = ["read_waypoints"]


def read_waypoints(path: Path) -> Sheet:
    """
    Read the waypoints of a GPX file.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    Sheet
        With the headings ``name, lat, lon, find``; row k is the k-th waypoint of the file. The waypoint's
        comment (else its description) becomes ``find``. Its time says when it was noted, not when a
        pack went in, and is not used.

    Raises
    ------
    InputError
        If the file is no GPX file or has no waypoints.
    StorageError
        If it cannot be read.
    """
    import gpxpy
    from gpxpy.gpx import GPXException

    data = read_bytes(path)
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise InputError(
            [
                Fault(
                    path.name,
                    problem="the file declares entities, which a GPX file never needs",
                    mend="Export the waypoints anew.",
                )
            ]
        )
    try:
        gpx = gpxpy.parse(data)
    except (GPXException, UnicodeDecodeError, ValueError) as error:
        reason = " ".join(str(error).split())
        raise InputError(
            [Fault(path.name, problem=f"this is no GPX file ({reason})", mend="Export the waypoints anew.")]
        ) from error
    if not gpx.waypoints:
        raise InputError(
            [
                Fault(
                    path.name,
                    problem=f"no waypoints (tracks {len(gpx.tracks)}, routes {len(gpx.routes)})",
                    mend="Export one waypoint for each site.",
                )
            ]
        )
    rows = tuple(
        (
            number,
            {
                "name": clean_text(point.name or ""),
                "lat": repr(float(point.latitude)),
                "lon": repr(float(point.longitude)),
                "find": " ".join(clean_text(point.comment or point.description or "").split()),
            },
        )
        for number, point in enumerate(gpx.waypoints, start=1)
    )
    return Sheet(path.name, ("name", "lat", "lon", "find"), rows)
