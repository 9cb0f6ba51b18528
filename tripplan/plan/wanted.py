"""
What the user's wishes ask of a season: sites to visit, crew-dates that must run, trips that stay.

A wish to stay home takes dates away before the season is built (`tripplan.travel.crew_dates`). A trip
to keep becomes one window a site, on its date alone, with every other site barred from that
crew-date and its own sites barred from the other crews of that date; a site to include becomes a
window. Only a date to go needs something that no window says: that some trip runs.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from tripplan.fleet import Fleet
from tripplan.plan.season import Day, Season, Wanted, Window
from tripplan.wishes import Wish, WishKind

__all__ = ["asked_sites", "bearing_wishes", "build_wanted", "last_calls", "season_as_wished"]


def bearing_wishes(fleet: Fleet, first: date, last: date) -> tuple[Wish, ...]:
    """
    Return the wishes that bear on a season.

    Parameters
    ----------
    fleet : Fleet
        With its wishes.
    first, last : datetime.date
        Ends of the season, both included.

    Returns
    -------
    tuple of Wish
        Without those whose dates lie behind or beyond.
    """
    return tuple(
        wish
        for wish in fleet.wishes
        if wish.day is None or (wish.last is not None and wish.last >= first and wish.day <= last)
    )


def asked_sites(wishes: tuple[Wish, ...]) -> frozenset[str]:
    """
    Return the sites that wishes name.

    Parameters
    ----------
    wishes : tuple of Wish
        Wishes that bear on the season.

    Returns
    -------
    frozenset of str
        Sites to include, and those of trips to keep.
    """
    return frozenset(site_id for wish in wishes for site_id in wish.sites)


def build_wanted(season: Season, wishes: tuple[Wish, ...]) -> Wanted:
    """
    Translate wishes; what cannot be met at all is for `tripplan.plan.contradict` to say.

    Parameters
    ----------
    season : Season
        With a task for every site that a wish names.
    wishes : tuple of Wish
        Wishes that bear on it.

    Returns
    -------
    Wanted
        Dates on which no crew can go are left out.
    """
    task_of = {task.site.site_id: s for s, task in enumerate(season.tasks)}
    must_run: list[tuple[int, ...]] = []
    must_visit: list[Window] = []
    kept: dict[int, frozenset[int]] = {}
    for wish in wishes:
        number = None if wish.day is None else season.day_number(wish.day)
        here = () if number is None else season.days_by_number.get(number, ())
        crews = [i for i in here if wish.crew in ("", season.fleet.crews[season.days[i].crew].name)]
        tasks = [task_of[site_id] for site_id in wish.sites if site_id in task_of]
        match wish.kind:
            case WishKind.GO:
                must_run.append(tuple(crews))
            case WishKind.KEEP if number is not None:
                if crews:
                    kept[crews[0]] = frozenset(tasks)
                must_visit.extend(Window(s, (number,)) for s in tasks)
            case WishKind.INCLUDE:
                for s in tasks:
                    days = season.tasks[s].possible if number is None else (number,)
                    must_visit.append(Window(s, days))
            case _:
                pass
    before = (
        Window(s, tuple(d for d in task.possible if d <= task.first_by and not task.takes_in(d)))
        for s, task in enumerate(season.tasks)
        if task.first_by < season.last_day
    )
    return Wanted(tuple(dict.fromkeys(must_run)), tuple(dict.fromkeys(must_visit)), kept, tuple(before))


def season_as_wished(season: Season, wanted: Wanted) -> Season:
    """
    Bar from each kept trip's crew-date what does not belong to it, and what would leave a wished visit idle.

    A visit asked for on a date on which it would not swap is there for the site's jobs, which any visit
    before it would have done.

    Parameters
    ----------
    season : Season
        As built.
    wanted : Wanted
        With the trips to keep.

    Returns
    -------
    Season
        The same, with fewer sites on those dates; the dates that a fallback counts stay as they were.
    """
    calls = last_calls(season, wanted)
    if not wanted.kept and not calls:
        return replace(season, wanted=wanted, _loops={}, _tables={})
    barred: dict[int, set[int]] = {
        index: {s for s, last in calls.items() if day.day < last} for index, day in enumerate(season.days)
    }
    for index, visits in wanted.kept.items():
        barred.setdefault(index, set()).update(set(season.days[index].spans) - visits)
        for other in season.days_by_number[season.days[index].day]:
            if other in season.conflicts[index]:
                barred.setdefault(other, set()).update(season.days[other].spans)
            elif other != index:
                barred.setdefault(other, set()).update(visits)
    days = tuple(
        _without(day, barred[index]) if barred.get(index) else day for index, day in enumerate(season.days)
    )
    open_on: list[set[int]] = [set() for _ in season.tasks]
    for day in days:
        for s in day.spans:
            open_on[s].add(day.day)
    tasks = tuple(
        replace(task, possible=tuple(d for d in task.possible if d in open_on[s]))
        for s, task in enumerate(season.tasks)
    )
    return replace(season, days=days, tasks=tasks, wanted=wanted, _loops={}, _tables={})


def last_calls(season: Season, wanted: Wanted) -> dict[int, int]:
    """
    Return the last date asked for on which a visit would not swap, by task.

    Parameters
    ----------
    season : Season
        As built.
    wanted : Wanted
        Its wishes.

    Returns
    -------
    dict
        Day numbers; a visit before that date would do the jobs, and leave that visit nothing to do.
    """
    found: dict[int, int] = {}
    for row in wanted.must_visit:
        task = season.tasks[row.site]
        day = row.days[0] if len(row.days) == 1 else -1
        # at a site that is not due, a visit after the jobs are done would swap
        owed = task.in_place < task.end
        if owed and day >= 0 and not task.swaps[day] and not task.takes_in(day):
            found[row.site] = max(day, found.get(row.site, day))
    return found


def _without(day: Day, barred: set[int]) -> Day:
    return replace(day, spans={s: spans for s, spans in day.spans.items() if s not in barred})
