"""The trip as GeoJSON after RFC 7946: longitude first, six decimals, rings counter-clockwise."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from tripplan.outputs.kit_model import KitView

__all__ = ["trip_geojson"]

_AREA_MARGIN_DEG = 0.01  # about a kilometre of latitude, so that the area holds the ways around the sites


def trip_geojson(kit: KitView) -> bytes:
    """
    Return ``trip.geojson``.

    Parameters
    ----------
    kit : KitView
        The trip.

    Returns
    -------
    bytes
        A FeatureCollection, told apart by the property ``role``: ``area`` (a rectangle around the trip, for
        cutting a background map), ``base``, ``parking``, ``site``, ``drive`` and ``walk``. Lines are straight
        between known points and say so in ``straight``. No ``crs``.

    References
    ----------
    .. [1] H. Butler et al., "The GeoJSON format," RFC 7946, IETF, Aug. 2016, sections 3.1.6, 3.1.9 and 5.
    """
    base = (kit.base_lat, kit.base_lon)
    stops = [(stop.lat, stop.lon) for stop in kit.stops]
    every = [base, *stops, *((site.lat, site.lon) for site in kit.sites)]
    area, bbox = _area(every)
    features = [
        _feature(area, role="area", trip_id=kit.trip_id),
        _feature(_point(*base), role="base", leave=kit.leave.isoformat(), back=kit.back.isoformat()),
        _feature(_line([base, *stops, base]), role="drive", straight=True),
    ]
    for stop, at in zip(kit.stops, stops, strict=True):
        features.append(
            _feature(_point(*at), role="parking", label=stop.label, arrive=stop.arrive, leave=stop.leave)
        )
        features.extend(
            _feature(
                _line([at, *((site.lat, site.lon) for site in loop.sites), at]),
                role="walk",
                label=stop.label,
                loop=loop.number,
                straight=True,
            )
            for loop in stop.loops
        )
    features.extend(
        _feature(
            _point(site.lat, site.lon),
            role="site",
            number=site.number,
            site_id=site.site_id,
            name=site.name,
            kind=site.kind,
            swap=site.swap,
            pack_type=site.tag.name,
            volts=site.tag.volts,
            plug=site.tag.plug,
            swap_by=site.swap_by.isoformat(),
            find=site.find,
            jobs=[job.text for job in site.jobs],
        )
        for site in kit.sites
    )
    collection = {"type": "FeatureCollection", "bbox": bbox, "features": features}
    return (json.dumps(collection, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode("utf-8")


def _area(points: Sequence[tuple[float, float]]) -> tuple[dict[str, Any], list[float]]:
    """Return a rectangle around all points, cut at the antimeridian, and its bbox (west may exceed east)."""
    lon0 = points[0][1]
    lons = [_unrolled(lon, lon0) for _, lon in points]
    lats = [lat for lat, _ in points]
    west, east = min(lons) - _AREA_MARGIN_DEG, max(lons) + _AREA_MARGIN_DEG
    south = max(-90.0, min(lats) - _AREA_MARGIN_DEG)
    north = min(90.0, max(lats) + _AREA_MARGIN_DEG)
    bbox = [_wrapped(west), round(south, 6), _wrapped(east), round(north, 6)]
    if bbox[0] < bbox[2]:
        return {"type": "Polygon", "coordinates": [_ring(bbox[0], south, bbox[2], north)]}, bbox
    halves = [[_ring(bbox[0], south, 180.0, north)], [_ring(-180.0, south, bbox[2], north)]]
    return {"type": "MultiPolygon", "coordinates": halves}, bbox


def _ring(west: float, south: float, east: float, north: float) -> list[list[float]]:
    """Return a rectangle counter-clockwise."""
    corners = ((west, south), (east, south), (east, north), (west, north), (west, south))
    return [[round(lon, 6), round(lat, 6)] for lon, lat in corners]


def _line(points: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """Return a line, in pieces where it crosses the antimeridian (section 3.1.9)."""
    pieces = [[_position(*points[0])]]
    for (lat1, lon1), (lat2, lon2) in pairwise(points):
        end = _unrolled(lon2, lon1)
        edge = 180.0 if end > 180 else -180.0
        if end > 180 or end < -180:
            lat = round(lat1 + (lat2 - lat1) * (edge - lon1) / (end - lon1), 6)
            pieces[-1].append([edge, lat])
            pieces.append([[-edge, lat]])
        pieces[-1].append(_position(lat2, lon2))
    if len(pieces) == 1:
        return {"type": "LineString", "coordinates": pieces[0]}
    return {"type": "MultiLineString", "coordinates": pieces}


def _unrolled(lon: float, lon0: float) -> float:
    """Return the longitude on the same turn of the globe as `lon0`; may lie beyond 180."""
    return lon0 + (lon - lon0 + 180) % 360 - 180


def _wrapped(lon: float) -> float:
    return round((lon + 180) % 360 - 180, 6)


def _point(lat: float, lon: float) -> dict[str, Any]:
    return {"type": "Point", "coordinates": _position(lat, lon)}


def _position(lat: float, lon: float) -> list[float]:
    return [round(lon, 6), round(lat, 6)]


def _feature(geometry: dict[str, Any], **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}
