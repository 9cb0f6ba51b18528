"""Places that cannot be right: swapped coordinates and points far from the rest."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from tripplan.fleet import Crew, Site
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings
from tripplan.inputs.schema import SETTINGS_FILE

if TYPE_CHECKING:
    from pyproj import Geod

__all__ = ["check_places", "distance_km", "find_timezone"]

_FAR_KM = 300.0  # farther than a day's drive there and back
_ODD_KM = 50.0
_WALK_KM = 50.0


@lru_cache(maxsize=1)
def _ellipsoid() -> Geod:
    from pyproj import Geod

    return Geod(ellps="WGS84")


def distance_km(lat: float, lon: float, other_lat: float, other_lon: float) -> float:
    """
    Return the geodesic distance of two places.

    Parameters
    ----------
    lat, lon, other_lat, other_lon : float
        The two places. [deg]

    Returns
    -------
    float
        On the WGS84 ellipsoid. [km]

    Examples
    --------
    >>> round(distance_km(50.06632, -5.71475, 58.64402, -3.07009), 3)
    969.954
    """
    return float(_ellipsoid().inv(lon, lat, other_lon, other_lat)[2]) / 1000.0


@dataclass(frozen=True)
class _Place:
    lat: float
    lon: float

    def km_to(self, other: _Place) -> float:
        return distance_km(self.lat, self.lon, other.lat, other.lon)

    def swapped(self) -> _Place | None:
        return _Place(self.lon, self.lat) if abs(self.lon) <= 90 else None


def check_places(
    sites: Sequence[Site], crews: Sequence[Crew], reader: ColumnReader, findings: Findings
) -> None:
    """
    Note swapped coordinates as faults and far points as remarks.

    Parameters
    ----------
    sites : sequence of Site
        Sites whose coordinates are in range.
    crews : sequence of Crew
        Crews whose base is in range.
    reader : ColumnReader
        Of sites.csv.
    findings : Findings
        Takes faults and remarks.
    """
    places = {site.row: _Place(site.lat, site.lon) for site in sites}
    bases = [_Place(crew.base_lat, crew.base_lon) for crew in crews]
    if not places:
        return
    middle = _Place(
        statistics.median(place.lat for place in places.values()),
        statistics.median(place.lon for place in places.values()),
    )
    if bases and _check_bases(crews, bases, middle, findings):
        return
    anchors = bases or [middle]
    far = _far_from_the_rest(places, middle)
    for row, place in places.items():
        km = min(place.km_to(anchor) for anchor in anchors)
        if km <= _FAR_KM:
            continue
        turned = place.swapped()
        turned_km = min((turned.km_to(anchor) for anchor in anchors), default=km) if turned else km
        if turned_km < min(_FAR_KM, km / 4):
            reader.fault(
                row,
                "lat",
                "latitude and longitude look swapped: as written the site lies far away "
                f"({km:.0f} km), swapped {turned_km:.0f} km from "
                f"{'the base' if bases else 'the other sites'}",
                "Swap lat and lon in this row.",
                value=f"{reader.raw(row, 'lat')}, {reader.raw(row, 'lon')}",
            )
            far.discard(row)
        else:
            far.add(row)
    for row in sorted(far):
        findings.remark(
            f"{reader.file}, row {row}, column lat: {places[row].km_to(middle):.0f} km from the middle "
            "of the sites. Is that right?"
        )
    for site in sites:
        km = distance_km(site.lat, site.lon, site.park_lat, site.park_lon)
        if km > _WALK_KM:
            reader.fault(
                site.row,
                "park_lat",
                f"the parking lies {km:.0f} km from the site",
                "Mend the coordinates; are park_lat and park_lon swapped?",
                value=f"{reader.raw(site.row, 'park_lat')}, {reader.raw(site.row, 'park_lon')}",
            )
        elif site.walk_m is not None and site.walk_m < 900 * km:
            findings.remark(
                f"{reader.file}, row {site.row}, column walk_m: {site.walk_m:g} m is shorter than the "
                f"straight line from the parking ({1000 * km:.0f} m)."
            )


def _far_from_the_rest(places: Mapping[int, _Place], middle: _Place) -> set[int]:
    """Return the rows of places much farther from the middle than most."""
    if len(places) < 4:
        return set()
    km = {row: place.km_to(middle) for row, place in places.items()}
    usual = max(1.0, statistics.median(km.values()))
    return {row for row, distance in km.items() if distance > max(_ODD_KM, 6 * usual)}


def _check_bases(crews: Sequence[Crew], bases: list[_Place], middle: _Place, findings: Findings) -> bool:
    """Note bases that lie near the sites only when swapped; tell whether there are any."""
    found = False
    for number, (crew, base) in enumerate(zip(crews, bases, strict=True), start=1):
        km, turned = base.km_to(middle), base.swapped()
        if km > _FAR_KM and turned is not None and turned.km_to(middle) < min(_FAR_KM, km / 4):
            found = True
            findings.fault(
                SETTINGS_FILE,
                f"latitude and longitude look swapped: as written the base lies {km:.0f} km from the sites, "
                f"swapped {turned.km_to(middle):.0f} km",
                "Swap base_lat and base_lon, or lat and lon in sites.csv if the base is right.",
                column=f"[[crew]] {number} base_lat",
                value=f"{crew.base_lat:g}, {crew.base_lon:g}",
            )
    return found


def find_timezone(sites: Sequence[Site], findings: Findings) -> str | None:
    """
    Return the time zone in which the sites lie.

    Parameters
    ----------
    sites : sequence of Site
        At least one.
    findings : Findings
        Takes a fault where they lie in several, and a remark on the one found.

    Returns
    -------
    str or None
        None after a fault.
    """
    from tzfpy import get_tz

    found = dict.fromkeys(get_tz(site.lon, site.lat) for site in sites)
    names = [name for name in found if name]
    if len(names) == 1:
        findings.remark(f"{SETTINGS_FILE}: time zone {names[0]}, found from the coordinates.")
        return names[0]
    problem = (
        f"the sites lie in several time zones ({', '.join(names)})"
        if names
        else "no time zone found for the sites"
    )
    findings.fault(
        SETTINGS_FILE,
        problem,
        'Write timezone = "..." for the one your clock shows.',
        column="[fleet] timezone",
    )
    return None
