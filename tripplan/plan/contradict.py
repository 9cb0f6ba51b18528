"""
Whether wishes can be kept together at all, and if not, the fewest of them that contradict.

Wishes are said to contradict only where no plan that the rules allow can hold the trips they ask for
(`tripplan.plan.puzzle`), whatever other trips do before. Where the trips do not fit as they stand, an
earlier visit may still do a job or set a device out: such plans are tried; what is left is for the search.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import combinations, islice

from tripplan.errors import NoPlanError
from tripplan.fleet import Crew, Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.build import build_season
from tripplan.plan.charging import most_charged
from tripplan.plan.obstacles import crew_obstacle, fresh_too_short, obstacles
from tripplan.plan.puzzle import Puzzle, Witness
from tripplan.plan.season import Season
from tripplan.travel import Travel
from tripplan.wishes import Wish, WishKind

__all__ = ["AsWished", "trips_as_wished"]

_MOST_SHRINKS = 60

_MOST_SETS = 500
"""Sets of wishes looked at for one that is smaller than what is left when no wish can be taken out."""

_FOR_SITES_DUE = " A date to go is for sites that are due or asked for; --include SITE has another visited."

_MOST_EASED = 12
"""Ways tried to have jobs done, or devices set out, before the trips wished for."""


@dataclass(frozen=True)
class AsWished:
    """
    What a plan that keeps the wishes may begin with.

    Attributes
    ----------
    trips : mapping of (datetime.date, str) to frozenset of str
        Trips that meet every wish; empty where none were found, nor shown not to be.
    first_by : mapping of str to int
        Sites with the day number by which a first visit comes, so that later ones find the jobs done.
    """

    trips: Witness = field(default_factory=dict)
    first_by: Mapping[str, int] = field(default_factory=dict)


def trips_as_wished(fleet: Fleet, outlook: Outlook, travel: Travel, wishes: tuple[Wish, ...]) -> AsWished:
    """
    Return trips that meet all wishes, or say which contradict.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        As planned with.
    wishes : tuple of Wish
        Those that bear on the season.

    Returns
    -------
    AsWished
        Without trips where none were found though nothing shows that there are none.

    Raises
    ------
    NoPlanError
        Where it is proved that no plan keeps the wishes; a date to go is kept by a visit to a site that is
        due or that a wish names. Names a smallest set that cannot be kept together, as far as there are few
        enough sets to look at all of them: each wish alone first, then each pair, else what is left when no
        more can be taken out and no smaller set is found.
    """
    asked = tuple(Wish(WishKind.INCLUDE, sites=(site_id,)) for wish in wishes for site_id in wish.sites)
    unasked, every = replace(fleet, wishes=()), frozenset(site.site_id for site in fleet.sites)

    def puzzle(
        first_by: Mapping[str, int], *more: Wish, loose: bool = False, any_site: bool = False
    ) -> Puzzle:
        season = build_season(unasked, outlook, travel, every, (*asked, *more), first_by)
        return Puzzle(season, outlook, loose, any_site)

    strict = puzzle({})
    found = strict.meet(wishes)
    if found is not None:
        return AsWished(strict.named(found))
    # the rules allow a call for a job without a date too, though plans make none that nobody asked for
    jobs = (Wish(WishKind.INCLUDE, sites=(site_id,)) for site_id in fleet.open_jobs)
    loose = puzzle({}, *jobs, loose=True)
    found = loose.meet(wishes)
    if found is None and loose.sure:
        core = _smallest(loose, wishes)
        rests = [tuple(other for other in core if other is not wish) for wish in core]
        minimal = all(strict.meet(rest) is not None for rest in rests)
        text = _message(loose.season, outlook, core, minimal=minimal)
        if len(core) > 1 and any(wish.kind is WishKind.GO for wish in core):
            # a plan may go for a site that is neither due nor asked for too, though none is made so
            sites = (Wish(WishKind.INCLUDE, sites=(site.site_id,)) for site in fleet.sites)
            wide = puzzle({}, *sites, loose=True, any_site=True)
            if wide.meet(core) is not None or not wide.sure:
                text += _FOR_SITES_DUE
        raise NoPlanError(text)
    eased = {} if found is None else strict.may_be_done_before(loose.named(found))
    for first_by in islice(_some_of(eased), _MOST_EASED):
        earlier = puzzle(first_by)
        found = earlier.meet(wishes)
        if found is not None:
            return AsWished(earlier.named(found), first_by)
    return AsWished(first_by=eased)


def _some_of(eased: Mapping[str, int]) -> Iterator[dict[str, int]]:
    """Yield parts of a mapping, the smallest first, and then the whole of it."""
    for size in range(1, min(len(eased), 3)):
        for some in combinations(sorted(eased), size):
            yield {site_id: eased[site_id] for site_id in some}
    if eased:
        yield dict(eased)


def _smallest(puzzle: Puzzle, wishes: tuple[Wish, ...]) -> tuple[Wish, ...]:
    """Return wishes that surely contradict though all but any one of them are not known to."""

    def contradict(some: tuple[Wish, ...]) -> bool:
        return puzzle.meet(some) is None and puzzle.sure

    for size in (1, 2):
        if math.comb(len(wishes), size) > _MOST_SETS:
            break
        for some in combinations(wishes, size):
            if contradict(some):
                return some
    core = wishes
    for wish in wishes[:_MOST_SHRINKS]:
        rest = tuple(other for other in core if other is not wish)
        if contradict(rest):
            core = rest
    left = _MOST_SETS  # others may contradict that are fewer
    for size in range(2, len(core)):
        left -= math.comb(len(wishes), size)
        if left < 0:
            break
        fewer = next((some for some in combinations(wishes, size) if contradict(some)), None)
        if fewer is not None:
            return fewer
    return core


def _message(season: Season, outlook: Outlook, core: tuple[Wish, ...], *, minimal: bool) -> str:
    named = "; ".join(_named(wish) for wish in core)
    if len(core) == 1:
        return f"This wish cannot be met: {named}. {_why(season, outlook, core[0])}"
    if not minimal:
        return f"These wishes contradict each other: {named}. Take one of them back."
    other = "the other can be met" if len(core) == 2 else "the others can be met together"
    return f"These wishes contradict each other: {named}. Without any one of them {other}; take one back."


def _named(wish: Wish) -> str:
    return f"{wish} (wishes.csv, row {wish.row})" if wish.row else str(wish)


def _why(season: Season, outlook: Outlook, wish: Wish) -> str:
    """Say what stands in the way of one wish."""
    fleet = season.fleet
    crews = [crew for crew in fleet.crews if wish.crew in ("", crew.name)]
    days = [wish.day] if wish.day is not None else sorted({season.date_of(d.day) for d in season.days})
    if wish.day is not None:
        barred = [crew_obstacle(fleet, crew, wish.day) for crew in crews]
        if all(barred):
            return _sentence("; ".join(dict.fromkeys(barred)))
    if wish.kind is WishKind.GO:
        who = " or ".join(crew.name for crew in crews)
        return (
            f"No site that is due this season can be visited on {_day(days[0])} by {who}; "
            "--include SITE has another visited."
        )
    found = [text for site_id in wish.sites if (text := _why_site(season, outlook, site_id, crews, days))]
    if found:
        return " ".join(dict.fromkeys(found))
    if wish.kind is WishKind.KEEP:
        return (
            f"Each of its {len(wish.sites)} sites can be visited that day, but not all in one trip: they "
            "are more than its hours, its daylight, the crew or the shelf allow."
        )
    return "Each of its sites can be visited, but not all of them."


def _why_site(season: Season, outlook: Outlook, site_id: str, crews: list[Crew], days: list[date]) -> str:
    """Say why a site can be visited on none of the days; empty where it can be."""
    fleet = season.fleet
    site = fleet.sites_by_id[site_id]
    task = next((task for task in season.tasks if task.site.site_id == site_id), None)
    if task is None:
        return f"{site_id} is out of service, and no active_from says when it is set out again."
    best: tuple[tuple[bool, float, date], str] | None = None
    jobless = replace(fleet, jobs=())
    for day in days:
        number = season.day_number(day)
        is_first = number <= task.surely_first
        for crew in crews:
            if crew_obstacle(fleet, crew, day):
                continue
            takes_in = task.takes_in(number)
            moves = takes_in or (task.at_home and is_first)
            found = obstacles(
                fleet if is_first else jobless, season.travel, crew, site, day, moves_device=moves
            )
            text = found.text if found else ""
            if not text and not takes_in and (task.at_home or site_id not in fleet.open_jobs):
                text = fresh_too_short(outlook, site, day)
            if not text and task.pays[number] and not _shelf_has_one(season, site.pack_type, number):
                text = f"no charged pack of type {site.pack_type} is on the shelf by then"
            if not text:
                return ""
            key = (found is None, found.short_minutes if found else 0.0, day)
            if best is None or key < best[0]:
                best = (key, f"{crew.name} on {_day(day)}: {text}")
    if best is None:
        return f"No crew goes on any date of the season to {site_id}."
    return f"{site_id}: {best[1]}."


def _shelf_has_one(season: Season, pack_type: str, day: int) -> bool:
    fleet = season.fleet
    coming = season.coming_in(pack_type, day)
    return not fleet.stock_is_kept or most_charged(fleet, season.first, pack_type, 0, day, coming) > 0


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
