"""
Windows that must each hold a visit, and the sites that no plan can serve in time.

A window without any possible day proves that its site is late in every plan: each chain of visits in
time would have to hit it. Such windows are stretched to the first possible day, and the visit before
the gap is pinned to the days that keep the lateness least.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tripplan.plan.loops import FAR
from tripplan.plan.season import Season, SiteTask, Window

__all__ = ["SureLate", "WindowSet", "build_windows", "last_leaving", "least_windows"]


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
        Minimal windows; what a plan keeps to.
    sure_late : mapping of int to tuple of SureLate
        By task index.
    bound_rows : tuple of Window
        What every plan keeps to that the rules allow, also one that does a site's jobs on a call of its own;
        lower bounds rest on these.
    """

    rows: tuple[Window, ...]
    sure_late: Mapping[int, tuple[SureLate, ...]]
    bound_rows: tuple[Window, ...]


def build_windows(season: Season, spare: int, bent: frozenset[int] = frozenset()) -> WindowSet:
    """
    Build the windows of every task.

    Parameters
    ----------
    season : Season
        The problem.
    spare : int
        Fallback dates that each visit must leave where that is possible.
    bent : frozenset of int, default empty
        Tasks that leave none, because being in time comes first; those that a wish names never do.

    Returns
    -------
    WindowSet
        Rows sorted by site and first day, then those that wishes ask for.
    """
    strict, loose = list[Window](), list[Window]()
    sure: dict[int, tuple[SureLate, ...]] = {}
    for s, task in enumerate(season.tasks):
        leaving = 0 if s in bent | season.wanted.sites else spare
        spans, late = _task_windows(task, leaving, loose=False)
        if late:
            sure[s] = tuple(late)
        strict.extend(Window(s, days, stretched) for days, stretched in _minimal(spans))
        spans, _ = _task_windows(task, leaving, loose=True)
        loose.extend(Window(s, days, stretched) for days, stretched in _minimal(spans))
    wanted = season.wanted
    for rows, asked in ((strict, (*wanted.must_visit, *wanted.before)), (loose, wanted.must_visit)):
        known = {(row.site, row.days) for row in rows if not row.stretched}
        rows.extend(row for row in asked if row.days and (row.site, row.days) not in known)
    return WindowSet(tuple(strict), sure, tuple(loose))


_Span = tuple[tuple[int, ...], bool]


def _task_windows(task: SiteTask, spare: int, *, loose: bool) -> tuple[list[_Span], list[SureLate]]:
    spans, late = (
        _power_windows(task, spare, loose=loose) if task.due < FAR or task.take_by == FAR else ([], [])
    )
    never_out = task.at_home and late and not spans
    if task.take_by < FAR and not never_out:
        out = [d for d in task.possible if task.takes_in(d)]
        last = last_leaving(task.reach_later, task.take_from - 1, task.take_by, spare)
        if loose:  # as a first visit it does the jobs, and there may be fewer dates for that
            last = max(last, last_leaving(task.reach, task.take_from - 1, task.take_by, spare))
        inside = tuple(d for d in out if d <= last) or tuple(d for d in out if d <= task.take_by)
        if not inside:
            after = next(iter(out), None)
            late.append(SureLate(task.take_by, after))
            inside = () if after is None else (after,)
        spans.append((inside, False))
    if late:
        spans = [(window, True) for window, _ in spans]
    return spans, late


def _power_windows(task: SiteTask, spare: int, *, loose: bool) -> tuple[list[_Span], list[SureLate]]:
    """Return the windows that keep the device in power, the first of them for setting it out at all."""
    days = task.possible
    late: list[SureLate] = []
    end = task.due
    if task.in_place < task.end and task.due <= task.in_place:
        last = last_leaving(task.reach, -1, task.in_place, spare)
        if loose and task.may_begin_with_call:  # after a call that did the jobs, more dates serve
            last = max(last, last_leaving(task.reach_later, -1, task.in_place, spare))
        end = min(end, last)
    inside = tuple(d for d in days if d <= end) or tuple(d for d in days if d <= task.due)
    stretched = not inside
    if stretched:
        after = next((d for d in days if d > task.due and not (task.at_home and task.takes_in(d))), None)
        late.append(SureLate(task.due, after))
        if after is None:
            return [], late
        inside = (after,)
    spans: list[_Span] = [(inside, stretched)]
    limit = inside[-1] if loose else -1  # where the first visit comes after day d, only its own limit counts
    gaps: dict[int | None, list[tuple[int, int]]] = {}
    for d in days:
        due = int(task.renewed[d])
        if due >= task.end:
            break
        limit = max(limit, last_leaving(task.reach_later, d, due, spare))
        lo = bisect_right(days, d)
        window = days[lo : bisect_right(days, limit)] or days[lo : bisect_right(days, due)]
        if window:
            # after a late first visit no later window is owed for sure
            spans.append((window, stretched))
        else:
            gaps.setdefault(days[lo] if lo < len(days) else None, []).append((d, due))
    for after, before in gaps.items():
        best = max(due for _, due in before)
        late.append(SureLate(best, after))
        spans.append((tuple(d for d, due in before if due == best), True))
        if after is not None:
            spans.extend((tuple(x for x in days if d < x <= after), True) for d, _ in before)
    return spans, late


def _minimal(spans: list[_Span]) -> list[_Span]:
    unique = sorted(
        {span for span in spans if span[0]}, key=lambda span: (span[0][0], span[0][-1], len(span[0]), span[1])
    )
    return [
        span
        for k, span in enumerate(unique)
        if not any(
            set(other[0]) < set(span[0]) or (other[0] == span[0] and j < k) for j, other in enumerate(unique)
        )
    ]


def least_windows(days_of: Iterable[tuple[int, frozenset[int]]]) -> tuple[Window, ...]:
    """
    Make windows of sets of days, without those that hold another one of their site.

    Parameters
    ----------
    days_of : iterable of (int, frozenset of int)
        Task and days.

    Returns
    -------
    tuple of Window
        By task, then by first day.
    """
    by_site: dict[int, set[frozenset[int]]] = {}
    for site, days in days_of:
        by_site.setdefault(site, set()).add(days)
    found: list[Window] = []
    for site in sorted(by_site):
        least: list[frozenset[int]] = []
        for days in sorted(by_site[site], key=len):
            if not any(one <= days for one in least):
                least.append(days)
        found.extend(Window(site, some) for some in sorted(tuple(sorted(days)) for days in least))
    return tuple(found)


def last_leaving(reach: tuple[int, ...], after: int, end: int, spare: int) -> int:
    """
    Return the last day up to which a visit leaves `spare` later reachable days by `end`.

    Parameters
    ----------
    reach : tuple of int
        Reachable days, ascending.
    after, end : int
        The visit falls into (after, end].
    spare : int
        Fallback dates asked for.

    Returns
    -------
    int
        `end` itself where no reachable day leaves that many.

    Examples
    --------
    >>> last_leaving((3, 4, 10, 11, 17), 0, 12, 1)
    10
    >>> last_leaving((3, 10), 4, 12, 1)
    12
    """
    if spare <= 0:
        return end
    n = bisect_right(reach, end)
    k = n - 1 - spare
    if k >= 0 and reach[k] > after:
        return reach[k + 1] - 1
    return end
