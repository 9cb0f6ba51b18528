"""
Plans to begin a search with, drawn from a solution of the linear programme.

Its trips stand in the order of their dates, each as long as its weight, and every whole step from a random
start takes one: systematic sampling [1]_. As many trips are drawn as the programme makes, spread over the
season as it spreads them; what they leave open is for the search to fill. Trips that only bound lose visits
until they can be driven.

References
----------
.. [1] W. G. Madow and L. H. Madow, "On the theory of systematic sampling, I," Annals of Mathematical
   Statistics 15(1), 1-24, 1944.
"""

from __future__ import annotations

import numpy as np

from tripplan.plan.master import Master

__all__ = ["sample_trips"]

_USED = 1e-6


def sample_trips(master: Master, random: np.random.Generator) -> dict[int, frozenset[int]]:
    """
    Draw trips by their weights.

    Parameters
    ----------
    master : Master
        Trips added since it was solved have no weight; before, there is nothing to draw.
    random : numpy.random.Generator
        For the start, and for the order of trips on one date.

    Returns
    -------
    dict of int to frozenset of int
        Visits by day index; no two trips on crew-dates of which one can run only.
    """
    season = master.season
    drawn = [
        (season.days[column.index].day, float(random.random()), column, float(weight))
        for column, weight in zip(master.columns, master.weights, strict=False)
        if weight > _USED
    ]
    drawn.sort(key=lambda one: one[:2])
    trips: dict[int, frozenset[int]] = {}
    total, step = 0.0, float(random.random())
    for _, _, column, weight in drawn:
        total += weight
        while total >= step:
            step += 1.0
            i = column.index
            if i not in trips and not any(clash in trips for clash in season.conflicts[i]):
                trips[i] = _fitting(master, i, column.visits, random)
    return {i: visits for i, visits in trips.items() if visits}


def _fitting(
    master: Master, index: int, visits: tuple[int, ...], random: np.random.Generator
) -> frozenset[int]:
    """Leave out visits of a trip that only bounds until it can be driven."""
    left = sorted(set(visits))
    while left and not master.book.fits(index, tuple(left)):
        left.pop(int(random.integers(len(left))))
    return frozenset(left)
