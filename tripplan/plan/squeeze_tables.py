"""
The tables on which the search for one trip fewer works (`tripplan.plan.squeeze_kernels`).

They are few, with named columns, since each array that is handed on costs compile time.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.loops import FAR

__all__ = ["CARRIES", "FAR", "FREE", "FROZEN", "STAYS", "SWAPS", "Problem", "State"]

FREE, STAYS, FROZEN = 0, 1, 2
"""Locks of a crew-date: none, its trip must stay, its visits must stay."""

DAY, CREW, START, ABOARD, LOCK = 0, 1, 2, 3, 4
DAWN, DUSK, CLOSE, TABLE = 0, 1, 2, 3
LONG, OVER, LATEST = 0, 1, 2
PARK, BIT, KIND, FIRST, END, AROUND = 0, 1, 2, 3, 4, 5
OWNER, COVER, PLACE, POOL, PENALTY = 0, 1, 2, 3, 4
KIND_OF, SINCE, UNTIL, CAP, USED = 0, 1, 2, 3, 4
SWAPS, CARRIES = 2, 4
OPEN, TRIPS = 0, 1
KEY, STAMP, LOSS = 0, 1, 2


class Problem(NamedTuple):
    """
    The problem: I crew-dates, S sites, P parkings, W windows, C crews.

    Attributes
    ----------
    days : numpy.ndarray of int32, shape (I, 5)
        ``DAY`` number, ``CREW``, ``START`` of its hours [s], packs ``ABOARD`` at the most, ``LOCK``.
    clash : numpy.ndarray of int32, shape (I, most)
        Crew-dates that exclude each, then -1.
    stops : numpy.ndarray of int32, shape (I, P, 4)
        ``DAWN``, ``DUSK``: first and last second for loops; ``CLOSE``: by when a trip's last loop must be
        over [s]; ``TABLE``: where the parking's part of `loops` begins, -1 for none.
    loops : numpy.ndarray of int32, shape (N, 3)
        For each set of a parking's sites ``LONG`` seconds (`FAR`: never), ``OVER``: earliest end,
        ``LATEST`` start [s].
    move : numpy.ndarray of int32, shape (C, P + 1, P + 1)
        Seconds from parking to parking; the base is last. [s]
    may : numpy.ndarray of int8, shape (I, S)
        0: cannot be visited; 1: can; + `SWAPS` where that takes a pack from the shelf; + `CARRIES` where a
        pack rides along, out or back.
    sites : numpy.ndarray of int32, shape (S, 6)
        ``PARK``, ``BIT`` among the parking's sites, ``KIND`` of pack, ``FIRST`` and ``END`` of its windows,
        number of the neighbourhood ``AROUND``.
    holds : numpy.ndarray of bool, shape (W, n_days)
        Days of each window that must be filled; no day for others.
    near : numpy.ndarray of int32, shape (S, n_days, 2)
        First and end of the windows among which are all of a site that hold a day.
    keys : numpy.ndarray of int64, shape (I + S,)
        Random numbers: those of a crew-date and its visits, each bit added apart, name the trip.
    known : numpy.ndarray of int64, shape (a power of two,)
        Trips looked at before: their name, the last bit for whether they fit. Two trips of one name
        mislead the search; what it finds is valued like any other.
    """

    days: NDArray[np.int32]
    clash: NDArray[np.int32]
    stops: NDArray[np.int32]
    loops: NDArray[np.int32]
    move: NDArray[np.int32]
    may: NDArray[np.int8]
    sites: NDArray[np.int32]
    holds: NDArray[np.bool_]
    near: NDArray[np.int32]
    keys: NDArray[np.int64]
    known: NDArray[np.int64]


class State(NamedTuple):
    """
    A plan in the making.

    Attributes
    ----------
    visits : numpy.ndarray of int32, shape (I, most + 1)
        Sites of each crew-date; their number stands in the last column.
    member : numpy.ndarray of bool, shape (I, S)
        The same as a table.
    windows : numpy.ndarray of int64, shape (W, 5)
        ``OWNER``: its site; ``COVER``: visits inside; ``POOL``: the windows to fill, one in each row from
        the top; ``PLACE``: where each stands there, -1 where it is filled; ``PENALTY``.
    stock : numpy.ndarray of int64, shape (R, 5)
        ``KIND_OF`` pack, days ``SINCE`` and ``UNTIL``, ``CAP``: packs at the most, ``USED``.
    stock_at, stock_of : numpy.ndarray of int64
        From ``stock_at[kind * n_days + day]`` up to the next stand the rows of `stock` that hold the day.
    tally : numpy.ndarray of int64, shape (2,)
        ``OPEN`` windows; ``TRIPS``.
    stamp : numpy.ndarray of int64, shape (S,)
        Grows with each change to a site's visits and penalties.
    memo : numpy.ndarray of int64, shape (a power of two, 3)
        What visits were worth: ``KEY``, ``STAMP`` of the site then, ``LOSS`` without the visit.
    """

    visits: NDArray[np.int32]
    member: NDArray[np.bool_]
    windows: NDArray[np.int64]
    stock: NDArray[np.int64]
    stock_at: NDArray[np.int64]
    stock_of: NDArray[np.int64]
    tally: NDArray[np.int64]
    stamp: NDArray[np.int64]
    memo: NDArray[np.int64]
