"""The trip as GeoJSON after RFC 7946: longitude first, six decimals, rings counter-clockwise."""

from __future__ import annotations

import json
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
    .. [1] H. Butler et al., "The GeoJSON format," RFC 7946, IETF, Aug. 2016, sections 3.1.6 and 5.
    """
    base = _position(kit.base_lat, kit.base_lon)
    stops = [_position(stop.lat, stop.lon) for stop in kit.stops]
    every = [base, *stops, *(_position(site.lat, site.lon) for site in kit.sites)]
    west, south = (min(p[k] for p in every) for k in (0, 1))
    east, north = (max(p[k] for p in every) for k in (0, 1))
    margin = _AREA_MARGIN_DEG
    west, east = round(max(-180.0, west - margin), 6), round(min(180.0, east + margin), 6)
    south, north = round(max(-90.0, south - margin), 6), round(min(90.0, north + margin), 6)
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    features = [
        _feature("Polygon", [ring], role="area", trip_id=kit.trip_id),
        _feature("Point", base, role="base", leave=kit.leave.isoformat(), back=kit.back.isoformat()),
        _feature("LineString", [base, *stops, base], role="drive", straight=True),
    ]
    for stop, at in zip(kit.stops, stops, strict=True):
        features.append(
            _feature("Point", at, role="parking", label=stop.label, arrive=stop.arrive, leave=stop.leave)
        )
        features.extend(
            _feature(
                "LineString",
                [at, *(_position(site.lat, site.lon) for site in loop.sites), at],
                role="walk",
                label=stop.label,
                loop=loop.number,
                straight=True,
            )
            for loop in stop.loops
        )
    features.extend(
        _feature(
            "Point",
            _position(site.lat, site.lon),
            role="site",
            number=site.number,
            site_id=site.site_id,
            name=site.name,
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
    collection = {"type": "FeatureCollection", "bbox": [west, south, east, north], "features": features}
    return (json.dumps(collection, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode("utf-8")


def _position(lat: float, lon: float) -> list[float]:
    return [round(lon, 6), round(lat, 6)]


def _feature(kind: str, coordinates: list[Any], **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }
