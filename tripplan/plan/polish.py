"""Stages 3 and 4 by small moves: shift a trip, move a visit, join two trips; keep what is better."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from tripplan.plan.search import Search
from tripplan.plan.season import Season
from tripplan.plan.solution import Trips

__all__ = ["polish", "serve_late"]


def polish(search: Search, passes: int, go_on: Callable[[], bool] | None = None) -> None:
    """
    Improve crew time, then life thrown away, without more trips or later sites.

    Parameters
    ----------
    search : Search
        Holds the incumbent.
    passes : int
        Passes over all moves at the most; stops early when a pass brings nothing.
    go_on : callable, optional
        False stops; by default the search's own.
    """
    go_on = go_on or search.go_on
    for _ in range(passes):
        improved = False
        for trips in _moves(search):
            if not go_on():
                return
            if _fits(search, trips) and search.offer(trips):
                improved = True
        if not improved:
            return


def _fits(search: Search, trips: dict[int, frozenset[int]]) -> bool:
    old = search.best
    return all(search.book.fits(i, visits) for i, visits in trips.items() if old.get(i) != visits) and len(
        search.judge.missed(trips)
    ) <= len(search.judge.missed(old))


def _moves(search: Search) -> Iterator[dict[int, frozenset[int]]]:
    season = search.season
    for index in sorted(search.best):
        visits = search.best.get(index)
        if visits is None:
            continue
        for other, day in enumerate(season.days):
            if other == index or other in search.best or index not in search.best:
                continue
            if abs(day.day - season.days[index].day) > 60 or not visits <= set(day.spans):
                continue
            rest = {i: v for i, v in search.best.items() if i != index}
            if any(clash in rest for clash in season.conflicts[other]):
                continue
            visits = search.best[index]
            yield {**rest, other: visits}
    for index in sorted(search.best):
        for s in sorted(search.best.get(index, ())):
            for other in sorted(search.best):
                mine = search.best.get(index, frozenset())
                theirs = search.best.get(other, frozenset())
                if other == index or s not in mine or s in theirs or not theirs:
                    continue
                trips = {**search.best, index: mine - {s}, other: theirs | {s}}
                yield {i: v for i, v in trips.items() if v}


def serve_late(search: Search, start: Trips) -> dict[int, frozenset[int]]:
    """
    Bring visits to late sites forward, in, or out, wherever that lowers stage 1.

    Parameters
    ----------
    search : Search
        For the problem; its incumbent is left alone.
    start : mapping of int to frozenset of int
        A plan that the shelf can feed.

    Returns
    -------
    dict
        A plan at least as good in stage 1; may hold more trips, since stage 1 comes before them.
    """
    season, judge = search.season, search.judge
    trips = dict(start)
    improved = True
    while improved and search.go_on():
        improved = False
        days = judge.visit_days(trips)
        for s in [s for s, when in days.items() if judge.late_days_of(s, when) > 0]:
            for index, day in enumerate(season.days):
                if s not in day.spans:
                    continue
                when = judge.visit_days(trips)[s]
                late = judge.late_days_of(s, when)
                mine = trips.get(index, frozenset())
                for trial_days, other in _trials(season, s, index, when, trips):
                    if judge.late_days_of(s, trial_days) >= late:
                        continue
                    trial = {**trips, **other, index: mine | {s}}
                    trial = {i: visits for i, visits in trial.items() if visits}
                    if not all(search.book.fits(i, v) for i, v in trial.items() if trips.get(i) != v):
                        continue
                    if season.fleet.stock_is_kept and judge.shortages(trial):
                        continue
                    trips, improved = trial, True
                    break
    return trips


def _trials(
    season: Season, s: int, index: int, when: list[int], trips: Trips
) -> Iterator[tuple[list[int], dict[int, frozenset[int]]]]:
    """One more visit on a day, or one moved to it: the days of the site then, the other trips changed."""
    day = season.days[index].day
    if day in when or (index not in trips and any(clash in trips for clash in season.conflicts[index])):
        return
    yield sorted([*when, day]), {}
    for old in when:
        holder = next(i for i in trips if season.days[i].day == old and s in trips[i])
        yield sorted([day, *(d for d in when if d != old)]), {holder: trips[holder] - {s}}
