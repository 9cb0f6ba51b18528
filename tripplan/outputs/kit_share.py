"""
A helper's kit: their own sites in full, the others by number only.

Two people who go together split a trip's stops or loops. What is not the helper's loses its place,
name and how to find it before anything is written, so that no file of the kit can hold them. The
clock, the load list and the order are those of the whole trip.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any

from tripplan.errors import NoPlanError
from tripplan.outputs.kit_model import KitView, OtherSite, SiteView
from tripplan.plan.document import Trip, Visit

__all__ = ["pick_sites", "share_kit"]

_STOP = re.compile(r"P(\d+)(?:\.(\d+))?", re.IGNORECASE)


def pick_sites(trip: Trip, words: Sequence[str]) -> frozenset[str]:
    """
    Return the sites of a trip that words name.

    Parameters
    ----------
    trip : Trip
        The trip.
    words : sequence of str
        Each a site id, ``P2`` for all sites of the second stop, or ``P2.1`` for its first loop.

    Returns
    -------
    frozenset of str
        Site ids.

    Raises
    ------
    NoPlanError
        If a word names nothing on this trip; every such word is named.
    """
    ids = {" ".join(visit.site_id.split()).casefold(): visit.site_id for visit in trip.visits}
    picked: set[str] = set()
    unknown = []
    for word in words:
        stop = _STOP.fullmatch(word.strip())
        site = ids.get(" ".join(word.split()).casefold())
        loops = [] if stop is None else _loops(trip, int(stop[1]), stop[2])
        if site is not None:
            picked.add(site)
        elif loops:
            picked.update(visit.site_id for loop in loops for visit in loop)
        else:
            unknown.append(word.strip())
    if unknown or not picked:
        named = f"'{', '.join(unknown)}'" if unknown else "no site"
        loops_text = ", ".join(
            f"P{number}.{place}" if len(stop.loops) > 1 else f"P{number}"
            for number, stop in enumerate(trip.stops, 1)
            for place in range(1, len(stop.loops) + 1)
        )
        raise NoPlanError(
            f"{named} is not on trip {trip.trip_id}. Its sites are {', '.join(ids.values())}; "
            f"its stops and loops are {loops_text}.",
            unknown,
        )
    return frozenset(picked)


def _loops(trip: Trip, stop: int, loop: str | None) -> list[tuple[Visit, ...]]:
    if not 1 <= stop <= len(trip.stops):
        return []
    loops = trip.stops[stop - 1].loops
    if loop is None:
        return [one.visits for one in loops]
    return [loops[int(loop) - 1].visits] if 1 <= int(loop) <= len(loops) else []


def share_kit(kit: KitView, name: str, site_ids: frozenset[str]) -> KitView:
    """
    Return a kit with the places of some sites only.

    Parameters
    ----------
    kit : KitView
        The whole trip.
    name : str
        Whose kit it is.
    site_ids : frozenset of str
        The sites that are theirs, at least one.

    Returns
    -------
    KitView
        Stops and loops without any site of theirs are gone; every other site is in `others`.
    """
    kept_kit: KitView = _only_own(kit, site_ids)
    stops = tuple(
        replace(stop, loops=tuple(loop for loop in stop.loops if loop.sites))
        for stop in kept_kit.stops
        if stop.sites
    )
    others = tuple(
        OtherSite(site.number, stop.label, site.site_id, site.start, site.swap, site.what, site.tag)
        for stop in kit.stops
        for site in stop.sites
        if site.key not in site_ids
    )
    labels = {stop.label for stop in stops}
    shown = {site.site_id for stop in stops for site in stop.sites}
    contacts = tuple(
        replace(
            contact,
            stops=tuple(label for label in contact.stops if label in labels),
            site_ids=tuple(one for one in contact.site_ids if one in shown),
        )
        for contact in kit.contacts
    )
    kept = tuple(contact for contact in contacts if contact.site_ids)
    return replace(
        kept_kit,
        stops=tuple(
            replace(stop, contacts=tuple(one for one in kept if stop.label in one.stops)) for stop in stops
        ),
        contacts=kept,
        shared_with=name,
        others=others,
    )


def _only_own(value: Any, site_ids: frozenset[str]) -> Any:
    """Return the same without any other site, wherever in it one stands."""
    if isinstance(value, tuple):
        return tuple(
            _only_own(one, site_ids)
            for one in value
            if not (isinstance(one, SiteView) and one.key not in site_ids)
        )
    if isinstance(value, SiteView) and value.key not in site_ids:
        raise ValueError("a site that is not the helper's stands where it cannot be taken out")
    if is_dataclass(value) and not isinstance(value, type):
        held = {field.name: _only_own(getattr(value, field.name), site_ids) for field in fields(value)}
        return replace(value, **held)
    return value
