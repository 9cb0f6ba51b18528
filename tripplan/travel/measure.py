"""Every drive and every walk of a fleet, measured once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tripplan.errors import Fault, InputError
from tripplan.fleet import Fleet, Site
from tripplan.travel.drive import DriveBasis, measure_drives
from tripplan.travel.places import Place, find_places
from tripplan.travel.walk import WALK_RULES, WalkTable, measure_walks

__all__ = ["Travel", "measure_travel"]


@dataclass(frozen=True)
class Travel:
    """
    Minutes, kilometres and metres between the places of a fleet.

    Attributes
    ----------
    places : tuple of Place
        Bases, then parkings.
    place_of_site, place_of_crew : mapping of str to int
        Index of each site's parking and each crew's base.
    drive_minutes, drive_km : numpy.ndarray, shape (n_places, n_places)
        From row to column, without park minutes, unrounded, read-only. They need not keep the triangle
        inequality (see `tripplan.travel.drive`). [min, km]
    drive_basis : numpy.ndarray of int8, shape (n_places, n_places)
        A `DriveBasis` each: where the minutes come from.
    walks : tuple of WalkTable
        The walks around each place; sites in the order of ``places[k].site_ids``.
    remarks : tuple of str
        What the user should know about the measuring, one sentence each.
    """

    places: tuple[Place, ...]
    place_of_site: Mapping[str, int]
    place_of_crew: Mapping[str, int]
    drive_minutes: NDArray[np.float64]
    drive_km: NDArray[np.float64]
    drive_basis: NDArray[np.int8]
    walks: tuple[WalkTable, ...]
    remarks: tuple[str, ...] = ()

    @cached_property
    def _walk_index(self) -> Mapping[str, tuple[int, int]]:
        return {
            site_id: (index, position)
            for index, place in enumerate(self.places)
            for position, site_id in enumerate(place.site_ids, start=1)
        }

    def _walk_cell(self, a: str | None, b: str | None) -> tuple[int, int, int] | None:
        """Return place, row and column of a walk; None for a walk from nowhere to nowhere."""
        ends = [self._walk_index[end] for end in (a, b) if end is not None]
        if len({index for index, _ in ends}) > 1:
            raise ValueError(f"{a} and {b} do not share a parking")
        if not ends:
            return None
        row, column = (0 if end is None else self._walk_index[end][1] for end in (a, b))
        return ends[0][0], row, column

    def walk_minutes(self, a: str | None, b: str | None) -> float:
        """
        Return the minutes of a walk.

        Parameters
        ----------
        a, b : str or None
            From and to: site ids of one parking, or None for that parking.

        Returns
        -------
        float
            Unrounded; 0 from the parking to itself. [min]

        Raises
        ------
        ValueError
            If the sites do not share a parking.
        KeyError
            If no site has such an id.
        """
        cell = self._walk_cell(a, b)
        return 0.0 if cell is None else float(self.walks[cell[0]].minutes[cell[1], cell[2]])

    def walk_m(self, a: str | None, b: str | None) -> float:
        """
        Return the metres of a walk.

        Parameters
        ----------
        a, b : str or None
            From and to: site ids of one parking, or None for that parking.

        Returns
        -------
        float
            Unrounded; 0 from the parking to itself. [m]

        Raises
        ------
        ValueError
            If the sites do not share a parking.
        KeyError
            If no site has such an id.
        """
        cell = self._walk_cell(a, b)
        return 0.0 if cell is None else float(self.walks[cell[0]].metres[cell[1], cell[2]])

    def basis_of(self, start: int, end: int) -> DriveBasis:
        """
        Return where the minutes between two places come from.

        Parameters
        ----------
        start, end : int
            Indices in `places`.

        Returns
        -------
        DriveBasis
            The formula, a given leg, or a path of given legs.
        """
        return DriveBasis(int(self.drive_basis[start, end]))


def measure_travel(fleet: Fleet) -> Travel:
    """
    Measure every drive and walk of a fleet.

    Parameters
    ----------
    fleet : Fleet
        A fleet as the reader checked it.

    Returns
    -------
    Travel
        Without any rounding.

    Raises
    ------
    InputError
        If legs.csv contradicts itself or names no place, if ``walk.rule`` is unknown, or if that rule
        cannot tell the time of a walk.
    """
    faults: list[Fault] = []
    places, place_of_site, place_of_crew = find_places(fleet)
    if fleet.walk.rule not in WALK_RULES:
        raise InputError([_unknown_rule(fleet.walk.rule)])
    walks = []
    for place in places:
        sites = tuple(fleet.sites_by_id[site_id] for site_id in place.site_ids)
        try:
            walks.append(measure_walks(sites, fleet.walk))
        except ValueError:
            faults += _no_slope(sites, fleet.walk.rule)
    try:
        drives = measure_drives(fleet, places, place_of_site, place_of_crew)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    if faults:
        raise InputError(faults)
    remarks = drives.remarks + tuple(_below_parking(site) for site in fleet.sites if site.climb_m < 0)
    return Travel(
        places, place_of_site, place_of_crew, drives.minutes, drives.km, drives.basis, tuple(walks), remarks
    )


def _unknown_rule(rule: str) -> Fault:
    known = ", ".join(WALK_RULES)
    return Fault("tripplan.toml", (), "walk.rule", (rule,), "no such walking rule", f"Write one of: {known}.")


def _no_slope(sites: tuple[Site, ...], rule: str) -> list[Fault]:
    return [
        Fault(
            "sites.csv",
            (site.row,),
            "climb_m",
            (f"{site.climb_m:g}",),
            f"the walking rule {rule} needs metres for every climb, and a walk at this parking has none",
            "Give walk_m and exact coordinates, or take the rule naismith.",
        )
        for site in sites
        if site.climb_m != 0
    ]


def _below_parking(site: Site) -> str:
    return (
        f"Site {site.label} lies {-site.climb_m:g} m below its parking; the climb back is not counted. "
        f"Allow for it in walk_m (sites.csv, row {site.row})."
    )
