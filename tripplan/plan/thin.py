"""Drop visits that a plan does not need, so that the shelf can feed it."""

from __future__ import annotations

from ortools.sat.python import cp_model

from tripplan.plan.choose import solved
from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Trips

__all__ = ["thin_visits"]


def thin_visits(
    season: Season,
    windows: tuple[Window, ...],
    stock: tuple[StockRow, ...],
    trips: Trips,
    effort: float,
) -> dict[int, frozenset[int]] | None:
    """
    Keep as few visits as fill every window that the trips fill, within what the shelf can give.

    Parameters
    ----------
    season : Season
        For dates and pack types.
    windows : tuple of Window
        Those that the trips do not fill are left out.
    stock : tuple of StockRow
        Most packs by type and day.
    trips : mapping of int to frozenset of int
        Visits by day index.
    effort : float
        Deterministic time of CP-SAT.

    Returns
    -------
    dict of int to frozenset of int or None
        Trips with some visits dropped; None where the shelf cannot feed any such choice. Whether a
        trip still fits without a visit is for the caller to look at.
    """
    model = cp_model.CpModel()
    keep: dict[tuple[int, int], cp_model.IntVar] = {}
    on_day: dict[tuple[int, int], list[cp_model.IntVar]] = {}
    for index in sorted(trips):
        for s in sorted(trips[index]):
            keep[index, s] = model.new_bool_var("")
            on_day.setdefault((s, season.days[index].day), []).append(keep[index, s])
    for window in windows:
        inside = [var for d in window.days for var in on_day.get((window.site, d), ())]
        if inside:
            model.add_bool_or(inside)
    for row in stock:
        taken = [
            var
            for (s, d), both in on_day.items()
            if row.first <= d <= row.last
            and season.tasks[s].site.pack_type == row.pack_type
            and season.tasks[s].swaps[d]
            for var in both
        ]
        if len(taken) > row.cap:
            model.add(sum(taken) <= row.cap)
    model.minimize(sum(keep.values()))
    solver = solved(model, effort)
    if solver is None:
        return None
    kept: dict[int, set[int]] = {}
    for (index, s), var in keep.items():
        if solver.boolean_value(var):
            kept.setdefault(index, set()).add(s)
    return {index: frozenset(visits) for index, visits in kept.items()}
