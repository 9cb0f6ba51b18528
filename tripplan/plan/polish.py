"""Stages 3 and 4 by small moves: shift a trip, move a visit, join two trips; keep what is better."""

from __future__ import annotations

from collections.abc import Iterator

from tripplan.plan.search import Search

__all__ = ["polish", "serve_late"]


def polish(search: Search, passes: int) -> None:
    """
    Improve crew time, then life thrown away, without more trips or later sites.

    Parameters
    ----------
    search : Search
        Holds the incumbent.
    passes : int
        Passes over all moves at the most; stops early when a pass brings nothing.
    """
    for _ in range(passes):
        improved = False
        for trips in _moves(search):
            if not search.go_on():
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


def serve_late(search: Search) -> None:
    """
    Bring visits to late sites forward, or in at all, wherever that lowers stage 1.

    Parameters
    ----------
    search : Search
        Holds the incumbent; may add trips, since stage 1 comes before the count of trips.
    """
    season = search.season
    improved = True
    while improved and search.go_on():
        improved = False
        days = search.judge.visit_days(search.best)
        late = [s for s, when in days.items() if search.judge.late_days_of(s, when) > 0]
        for s in late:
            for index, day in enumerate(season.days):
                if s not in day.spans or day.day in search.judge.visit_days(search.best)[s]:
                    continue
                if index not in search.best and any(c in search.best for c in season.conflicts[index]):
                    continue
                visits = search.best.get(index, frozenset()) | {s}
                if search.book.fits(index, visits) and search.offer({**search.best, index: visits}):
                    improved = True
