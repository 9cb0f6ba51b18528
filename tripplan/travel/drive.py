"""
Minutes and kilometres by vehicle between parkings and bases.

A row of legs.csv is used exactly as given for its pair of places, also where the formula or a way round
would be quicker. A pair without a given leg takes the smaller of its formula and the best path made
of given legs *only*; formula drives and given legs are never mixed on one path. The table therefore need not
keep the triangle inequality: driving through a third place may look quicker than the entry itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from tripplan.errors import Fault, InputError
from tripplan.fleet import DriveSettings, Fleet, Leg
from tripplan.travel.geodesic import geodesic_m
from tripplan.travel.places import Place

__all__ = ["DriveBasis", "DriveTable", "build_leg_graph", "measure_drives"]

Floats = NDArray[np.float64]


class DriveBasis(IntEnum):
    """Where the minutes of one drive come from."""

    FORMULA = 0
    GIVEN_LEG = 1
    PATH_OF_LEGS = 2


@dataclass(frozen=True)
class DriveTable:
    """
    Drives between all places, row to column, without park minutes.

    Attributes
    ----------
    minutes, km : numpy.ndarray, shape (n_places, n_places)
        Read-only. [min, km]
    basis : numpy.ndarray of int8, shape (n_places, n_places)
        A `DriveBasis` each.
    remarks : tuple of str
        Rows of legs.csv that were left out, and why.
    """

    minutes: Floats
    km: Floats
    basis: NDArray[np.int8]
    remarks: tuple[str, ...]


def formula_km(places: tuple[Place, ...], settings: DriveSettings) -> Floats:
    """
    Return kilometres by the formula: geodesic times detour.

    Parameters
    ----------
    places : tuple of Place
        Parkings and bases.
    settings : DriveSettings
        For the detour.

    Returns
    -------
    numpy.ndarray, shape (n_places, n_places)
        Symmetric, zero on the diagonal. [km]
    """
    lat = np.array([place.lat for place in places])
    lon = np.array([place.lon for place in places])
    upper, lower = np.triu_indices(len(places), 1)
    km = np.zeros((len(places), len(places)))
    km[upper, lower] = geodesic_m(lat[upper], lon[upper], lat[lower], lon[lower]) / 1000.0 * settings.detour
    return km + km.T


def build_leg_graph(
    fleet: Fleet,
    place_of_site: Mapping[str, int],
    place_of_crew: Mapping[str, int],
    otherwise_km: Floats,
) -> tuple[nx.DiGraph[int], tuple[str, ...]]:
    """
    Return the graph of the given legs.

    Parameters
    ----------
    fleet : Fleet
        For its legs and the sites set aside.
    place_of_site, place_of_crew : mapping of str to int
        Index of each site's parking and each crew's base.
    otherwise_km : numpy.ndarray, shape (n_places, n_places)
        Kilometres of a leg whose row gives none. [km]

    Returns
    -------
    graph : networkx.DiGraph
        Nodes are place indices; edges carry `minutes`, `km` and `row`. A row counts both ways unless a
        row for the reverse stands.
    remarks : tuple of str
        Rows left out because their site is set aside.

    Raises
    ------
    InputError
        If rows name no place, two places at once, or disagree about one drive.
    """
    faults: list[Fault] = []
    aside: dict[str, list[int]] = {}

    def resolve(column: str, name: str, row: int) -> int | None:
        if name in fleet.set_aside and name not in place_of_crew:
            aside.setdefault(name, []).append(row)
            return None
        at = {table[name] for table in (place_of_site, place_of_crew) if name in table}
        if len(at) == 1:
            return at.pop()
        problem, mend = (
            ("this name is both a site and a crew, at different places", "Rename one of them.")
            if at
            else ("no site and no crew has this name", "Write a site_id or a crew's name.")
        )
        faults.append(Fault("legs.csv", (row,), column, (name,), problem, mend))
        return None

    rows: dict[tuple[int, int], list[Leg]] = {}
    for leg in fleet.legs:
        start, end = resolve("from", leg.from_place, leg.row), resolve("to", leg.to_place, leg.row)
        if start is None or end is None:
            continue
        if start != end:
            rows.setdefault((start, end), []).append(leg)
        elif leg.minutes > 0:
            faults.append(
                Fault(
                    "legs.csv", (leg.row,), "minutes", (f"{leg.minutes:g}",),
                    f"{leg.from_place} and {leg.to_place} are the same place for the vehicle",
                    "Remove the row, or correct the coordinates of one of them.",
                )
            )  # fmt: skip
    faults.extend(fault for legs in rows.values() for fault in _disagreements(legs))
    if faults:
        raise InputError(faults)

    graph: nx.DiGraph[int] = nx.DiGraph()
    for (start, end), legs in rows.items():
        for tail, head in ((start, end), (end, start)):
            if (tail, head) != (start, end) and (tail, head) in rows:
                continue
            km = next((leg.km for leg in legs if leg.km is not None), float(otherwise_km[start, end]))
            graph.add_edge(tail, head, minutes=legs[0].minutes, km=km, row=legs[0].row)
    remarks = tuple(
        f"legs.csv, row{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}: "
        f"left out, because site {name} is set aside (in_use = no)."
        for name, numbers in aside.items()
    )
    return graph, remarks


def _disagreements(legs: list[Leg]) -> list[Fault]:
    """Return a fault where rows for one drive, one way, give different numbers."""
    faults = []
    for column, unit in (("minutes", "minutes"), ("km", "kilometres")):
        given = [leg for leg in legs if getattr(leg, column) is not None]
        if len({getattr(leg, column) for leg in given}) > 1:
            names = sorted({f"{leg.from_place} to {leg.to_place}" for leg in given})
            faults.append(
                Fault(
                    "legs.csv",
                    tuple(leg.row for leg in given),
                    column,
                    tuple(f"{getattr(leg, column):g}" for leg in given),
                    f"these rows give different {unit} for one and the same drive ({'; '.join(names)})",
                    "Keep one of them.",
                )
            )
    return faults


def _best_paths(graph: nx.DiGraph[int], n_places: int) -> tuple[Floats, Floats]:
    """
    Return the quickest paths made of given legs, the shortest among equally quick ones.

    Floyd and Warshall's method on whole rows at a time; infinity where no path leads.
    """
    minutes = np.full((n_places, n_places), np.inf)
    km = np.full((n_places, n_places), np.inf)
    for tail, head, leg in graph.edges(data=True):
        minutes[tail, head], km[tail, head] = leg["minutes"], leg["km"]
    np.fill_diagonal(minutes, 0.0)
    np.fill_diagonal(km, 0.0)
    for via in sorted(graph.nodes):
        longer = minutes[:, via, None] + minutes[None, via, :]
        further = km[:, via, None] + km[None, via, :]
        better = (longer < minutes) | ((longer == minutes) & (further < km))
        minutes = np.where(better, longer, minutes)
        km = np.where(better, further, km)
    return minutes, km


def measure_drives(
    fleet: Fleet,
    places: tuple[Place, ...],
    place_of_site: Mapping[str, int],
    place_of_crew: Mapping[str, int],
) -> DriveTable:
    """
    Return minutes and kilometres between all places.

    Parameters
    ----------
    fleet : Fleet
        For its legs and drive settings.
    places : tuple of Place
        Parkings and bases.
    place_of_site, place_of_crew : mapping of str to int
        Index of each site's parking and each crew's base.

    Returns
    -------
    DriveTable
        Without park minutes.

    Raises
    ------
    InputError
        If legs.csv contradicts itself or names no place.
    """
    km = formula_km(places, fleet.drive)
    minutes = 60.0 * km / fleet.drive.speed_kmh
    basis = np.full(km.shape, DriveBasis.FORMULA, dtype=np.int8)
    graph, remarks = build_leg_graph(fleet, place_of_site, place_of_crew, km)
    if graph.number_of_edges():
        path_minutes, path_km = _best_paths(graph, len(places))
        quicker = (path_minutes <= minutes) & np.isfinite(path_minutes)
        np.fill_diagonal(quicker, val=False)
        minutes, km = np.where(quicker, path_minutes, minutes), np.where(quicker, path_km, km)
        basis[quicker] = DriveBasis.PATH_OF_LEGS
        for tail, head, leg in graph.edges(data=True):
            minutes[tail, head], km[tail, head] = leg["minutes"], leg["km"]
            basis[tail, head] = DriveBasis.GIVEN_LEG
    for table in (minutes, km, basis):
        table.setflags(write=False)
    return DriveTable(minutes, km, basis, remarks)
