"""Parkings put together that are near each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_PARKS", "MOST_SITES", "neighbourhoods"]

MOST_SITES, MOST_PARKS = 7, 3
"""Sites and parkings of a neighbourhood at the most."""


def neighbourhoods(move: NDArray[np.int32], sites_at: NDArray[np.int64]) -> NDArray[np.int64]:
    """
    Put parkings together that are near each other, the nearest first.

    Written so that it can be compiled too.

    Parameters
    ----------
    move : numpy.ndarray of int32, shape (P or more, P or more)
        From parking to parking. [s]
    sites_at : numpy.ndarray of int64, shape (P,)
        Sites of each parking.

    Returns
    -------
    numpy.ndarray of int64, shape (P,)
        Number of the neighbourhood of each parking.
    """
    n_parks = len(sites_at)
    group = np.arange(n_parks)
    sites = sites_at.copy()
    parks = np.ones(n_parks, np.int64)
    pairs = n_parks * n_parks
    gaps = np.empty(pairs, np.int64)
    for p in range(n_parks):
        for q in range(n_parks):
            gaps[p * n_parks + q] = np.int64(move[p, q]) + np.int64(move[q, p])
    for at in np.argsort(gaps, kind="mergesort"):
        a = group[at // n_parks]
        b = group[at % n_parks]
        if a == b or sites[a] == 0 or sites[b] == 0:
            continue
        if sites[a] + sites[b] > MOST_SITES or parks[a] + parks[b] > MOST_PARKS:
            continue
        for p in range(n_parks):
            if group[p] == b:
                group[p] = a
        sites[a] += sites[b]
        parks[a] += parks[b]
    return group
