"""
The trip as GPX 1.1: waypoints and one route, no invented track.

gpxpy writes the elements in the order of the schema; times are in UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime, time

import gpxpy.gpx

from tripplan.outputs.kit_model import KitView, SiteView, StopView
from tripplan.outputs.wording import Wording

__all__ = ["trip_gpx"]


def trip_gpx(kit: KitView, wording: Wording) -> bytes:
    """
    Return ``trip.gpx``.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        Language and units.

    Returns
    -------
    bytes
        UTF-8; waypoints for base, parkings and sites, then a route from the base over the parkings back.
    """
    document = gpxpy.gpx.GPX()
    document.creator = "tripplan"
    document.name = f"{kit.fleet} {kit.trip_id}"
    document.description = wording.say(
        "ics.trip_words",
        leave=kit.leave_text,
        back=kit.back_text,
        call=kit.call_by_text,
        counts=kit.counts_text,
    )
    document.time = datetime.combine(kit.date, time(), tzinfo=UTC)
    base = wording.say("overview.base")
    document.waypoints.append(_point(kit.base_lat, kit.base_lon, base, "", "base"))
    for stop in kit.stops:
        document.waypoints.append(
            _point(stop.lat, stop.lon, stop.label, _stop_words(stop, wording), "parking")
        )
    for site in kit.sites:
        title = f"{site.number} {site.name or site.site_id}"
        document.waypoints.append(_point(site.lat, site.lon, title, _site_words(site, wording), "site"))
    route = gpxpy.gpx.GPXRoute(name=kit.trip_id)
    ends = (kit.base_lat, kit.base_lon, base)
    for lat, lon, name in (ends, *((s.lat, s.lon, s.label) for s in kit.stops), ends):
        route.points.append(gpxpy.gpx.GPXRoutePoint(round(lat, 6), round(lon, 6), name=name))
    document.routes.append(route)
    return str(document.to_xml(version="1.1")).encode("utf-8")


def _point(lat: float, lon: float, name: str, description: str, kind: str) -> gpxpy.gpx.GPXWaypoint:
    point = gpxpy.gpx.GPXWaypoint(round(lat, 6), round(lon, 6), name=name)
    point.description = description or None
    point.type = kind
    return point


def _stop_words(stop: StopView, wording: Wording) -> str:
    numbers = ", ".join(str(site.number) for site in stop.sites)
    return f"{stop.arrive} - {stop.leave}; {wording.say('load.for_sites', numbers=numbers)}"


def _site_words(site: SiteView, wording: Wording) -> str:
    parts = [site.site_id, site.what]
    if site.swap:
        parts.append(f"{site.tag.name}, {site.tag.volts_text}, {site.tag.plug}")
    if site.how:
        parts.append(site.how)
    if site.find:
        parts.append(f"{wording.say('site.find')}: {site.find}")
    parts.extend(f"{wording.say('site.job')}: {job.text}" for job in site.jobs)
    return "; ".join(parts)
