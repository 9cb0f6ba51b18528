"""
The places a vehicle stands at: bases and parkings.

Two of them are one place when both coordinates agree to five decimals (about a metre), whether
crews start there, sites are served from there, or both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tripplan.fleet import Fleet

__all__ = ["Place", "find_places"]


@dataclass(frozen=True)
class Place:
    """
    A parking, a base, or both.

    Attributes
    ----------
    lat, lon : float
        As the files give it; where several differ below the fifth decimal, the smallest of them. [deg]
    site_ids : tuple of str
        Sites served from here, in the order of sites.csv.
    crew_names : tuple of str
        Crews that start here, in the order of the settings.
    """

    lat: float
    lon: float
    site_ids: tuple[str, ...]
    crew_names: tuple[str, ...]


def find_places(fleet: Fleet) -> tuple[tuple[Place, ...], Mapping[str, int], Mapping[str, int]]:
    """
    Return the places of a fleet: bases first, then parkings, in the order of the files.

    Parameters
    ----------
    fleet : Fleet
        A fleet.

    Returns
    -------
    places : tuple of Place
        Each place once.
    place_of_site : mapping of str to int
        Index of each site's parking.
    place_of_crew : mapping of str to int
        Index of each crew's base.

    Examples
    --------
    >>> from tripplan.fleet import Crew
    >>> fleet = Fleet("x", "UTC", (Crew("a", 1.0, 2.0), Crew("b", 1.000001, 2.0)), (), {})
    >>> places, _, place_of_crew = find_places(fleet)
    >>> len(places), place_of_crew
    (1, {'a': 0, 'b': 0})
    """
    members: dict[tuple[float, float], list[tuple[float, float]]] = {}
    crews: dict[tuple[float, float], list[str]] = {}
    sites: dict[tuple[float, float], list[str]] = {}
    for crew in fleet.crews:
        key = (round(crew.base_lat, 5), round(crew.base_lon, 5))
        members.setdefault(key, []).append((crew.base_lat, crew.base_lon))
        crews.setdefault(key, []).append(crew.name)
    for site in fleet.sites:
        members.setdefault(site.parking_key, []).append((site.park_lat, site.park_lon))
        sites.setdefault(site.parking_key, []).append(site.site_id)
    places = tuple(
        Place(*min(where), tuple(sites.get(key, ())), tuple(crews.get(key, ())))
        for key, where in members.items()
    )
    place_of_site = {site_id: index for index, place in enumerate(places) for site_id in place.site_ids}
    place_of_crew = {name: index for index, place in enumerate(places) for name in place.crew_names}
    return places, place_of_site, place_of_crew
