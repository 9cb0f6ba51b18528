"""
Windows that must each hold a visit, and the sites that no plan can serve in time.

A window without any possible day proves that its site is late in every plan: each chain of visits in
time would have to hit it. Such windows are stretched to the first possible day, and the visit before
the gap is pinned to the days that keep the lateness least.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass

from tripplan.plan.season import Season, SiteTask, Window, last_leaving

__all__ = ["SureLate", "WindowSet", "build_windows"]


@dataclass(frozen=True)
class SureLate:
    """
    Proof that a site is late in every plan.

    Attributes
    ----------
    swap_by : int
        The day that cannot be met.
    next_possible : int or None
        First later day on which a visit is possible; None where the season holds none.
    """

    swap_by: int
    next_possible: int | None


@dataclass(frozen=True)
class WindowSet:
    """
    Result of `build_windows`.

    Attributes
    ----------
    rows : tuple of Window
        Minimal windows.
    sure_late : mapping of int to tuple of SureLate
        By task index.
    """

    rows: tuple[Window, ...]
    sure_late: Mapping[int, tuple[SureLate, ...]]


def build_windows(season: Season, spare: int) -> WindowSet:
    """
    Build the windows of every task.

    Parameters
    ----------
    season : Season
        The problem.
    spare : int
        Fallback dates that each visit must leave where that is possible.

    Returns
    -------
    WindowSet
        Rows sorted by site and first day.
    """
    rows: list[Window] = []
    sure: dict[int, tuple[SureLate, ...]] = {}
    for s, task in enumerate(season.tasks):
        spans, late = _task_windows(task, spare)
        if late:
            sure[s] = tuple(late)
        rows.extend(Window(s, days) for days in _minimal(spans))
    return WindowSet(tuple(rows), sure)


def _task_windows(task: SiteTask, spare: int) -> tuple[list[tuple[int, ...]], list[SureLate]]:
    days = task.possible
    spans: list[tuple[int, ...]] = []
    late: list[SureLate] = []
    end = task.due
    if task.in_place < task.end:
        end = min(end, last_leaving(task.reach, -1, task.in_place, spare))
    inside = tuple(d for d in days if d <= end) or tuple(d for d in days if d <= task.due)
    if not inside:
        after = next((d for d in days if d > task.due), None)
        late.append(SureLate(task.due, after))
        if after is None:
            return [], late
        inside = (after,)
    spans.append(inside)
    limit = -1
    gaps: dict[int | None, list[tuple[int, int]]] = {}
    for d in days:
        due = int(task.renewed[d])
        if due >= task.end:
            break
        limit = max(limit, last_leaving(task.reach, d, due, spare))
        lo = bisect_right(days, d)
        window = days[lo : bisect_right(days, limit)] or days[lo : bisect_right(days, due)]
        if window:
            spans.append(window)
        else:
            gaps.setdefault(days[lo] if lo < len(days) else None, []).append((d, due))
    for after, before in gaps.items():
        best = max(due for _, due in before)
        late.append(SureLate(best, after))
        spans.append(tuple(d for d, due in before if due == best))
        if after is not None:
            spans.extend(tuple(x for x in days if d < x <= after) for d, _ in before)
    return spans, late


def _minimal(spans: list[tuple[int, ...]]) -> list[tuple[int, ...]]:
    unique = sorted({span for span in spans if span}, key=lambda span: (span[0], span[-1], len(span)))
    return [span for span in unique if not any(other != span and set(other) <= set(span) for other in unique)]
