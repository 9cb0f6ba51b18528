"""
Windows and limits of the shelf stretched to pairs of neighbouring dates, for the bound of a large season.

A window that ends on a Saturday may as well end on the Sunday, as far as a bound goes: it is filled all the
more easily. Where both dates of every weekend lie in the same windows, a visit is worth the same on both, so
that one pricing serves the two. The bound is a little lower, and comes in half the time.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season, Window
from tripplan.plan.windows import least_windows

__all__ = ["stretched_limits", "stretched_windows"]


def stretched_windows(season: Season, rows: Sequence[Window]) -> tuple[Window, ...]:
    """
    Stretch windows to pairs of neighbouring dates.

    Parameters
    ----------
    season : Season
        Its dates are paired from the first on.
    rows : sequence of Window
        Windows that must each hold a visit.

    Returns
    -------
    tuple of Window
        By site and first day, without those that hold another one; what fills the rows fills these.
    """
    pair_of = _pairs(season)
    return least_windows(
        (row.site, frozenset(d for day in row.days for d in pair_of.get(day, (day,)))) for row in rows
    )


def stretched_limits(season: Season, stock: Sequence[StockRow]) -> tuple[StockRow, ...]:
    """
    Keep the limits of the shelf that split no pair of neighbouring dates.

    Parameters
    ----------
    season : Season
        Its dates are paired from the first on.
    stock : sequence of StockRow
        Limits.

    Returns
    -------
    tuple of StockRow
        Some of them, in their order.
    """
    pair_of = _pairs(season)
    return tuple(
        row
        for row in stock
        if pair_of.get(row.first, (row.first,))[0] == row.first
        and pair_of.get(row.last, (row.last,))[-1] == row.last
    )


def _pairs(season: Season) -> dict[int, tuple[int, ...]]:
    """Return the pair of each date; one that has no neighbour left is alone."""
    days = sorted({day.day for day in season.days})
    found: dict[int, tuple[int, ...]] = {}
    for day in days:
        if day not in found:
            pair = (day, day + 1) if day + 1 in days else (day,)
            found.update(dict.fromkeys(pair, pair))
    return found
