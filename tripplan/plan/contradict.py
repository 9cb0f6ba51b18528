"""
Whether wishes can be kept together at all, and if not, the fewest of them that contradict.

Only the trips that wishes ask for are looked at, not what falls due: those trips must fit their days,
one a crew and date, no person twice, and the shelf must feed them. The search over who takes what
is complete unless its count of steps runs out, which is then said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import combinations

from tripplan.errors import NoPlanError
from tripplan.fleet import Crew, Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.build import build_season
from tripplan.plan.charging import charge_schedule, play_shelf
from tripplan.plan.loops import FAR
from tripplan.plan.obstacles import crew_obstacle, fresh_too_short, obstacles
from tripplan.plan.season import Season
from tripplan.plan.solution import shelf_moves
from tripplan.plan.trips import TripBook
from tripplan.travel import Travel
from tripplan.wishes import Wish, WishKind

__all__ = ["Witness", "trips_as_wished"]

_MOST_STEPS = 4000
_MOST_SHRINKS = 60

Witness = Mapping[tuple[date, str], frozenset[str]]
"""Sites by date and crew: trips that meet every wish."""

_Trips = dict[int, frozenset[int]]


def trips_as_wished(fleet: Fleet, outlook: Outlook, travel: Travel, wishes: tuple[Wish, ...]) -> Witness:
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
    mapping of (datetime.date, str) to frozenset of str
        Sites by date and crew.

    Raises
    ------
    NoPlanError
        Names a smallest set of wishes that cannot be kept together: each wish alone first, then each
        pair, else what is left when no more can be taken out.
    """
    asked = tuple(Wish(WishKind.INCLUDE, sites=(site_id,)) for wish in wishes for site_id in wish.sites)
    season = build_season(replace(fleet, wishes=()), outlook, travel, wishes=asked)
    puzzle = _Puzzle(season)
    found = puzzle.meet(wishes)
    if found is not None:
        return {
            (season.date_of(season.days[i].day), fleet.crews[season.days[i].crew].name): frozenset(
                season.tasks[s].site.site_id for s in visits
            )
            for i, visits in found.items()
        }
    core, sure = _smallest(puzzle, wishes)
    raise NoPlanError(_message(season, outlook, core, sure=sure))


def _smallest(puzzle: _Puzzle, wishes: tuple[Wish, ...]) -> tuple[tuple[Wish, ...], bool]:
    """Return wishes that contradict though all but any one of them do not, and whether that is sure."""
    small = 2 if len(wishes) <= 10 else 1
    for size in range(1, small + 1):
        for some in combinations(wishes, size):
            if puzzle.meet(some) is None:
                return some, puzzle.sure
    core = wishes
    for wish in wishes[:_MOST_SHRINKS]:
        rest = tuple(other for other in core if other is not wish)
        if puzzle.meet(rest) is None:
            core = rest
    puzzle.meet(core)
    return core, puzzle.sure


@dataclass
class _Puzzle:
    """Puts wished trips together; `sure` tells whether the last failure was a complete search."""

    season: Season
    sure: bool = True
    _steps: int = 0
    _due: frozenset[int] = frozenset()
    _tasks: dict[str, int] = field(init=False)

    def __post_init__(self) -> None:
        self.book = TripBook(self.season)
        self._tasks = {task.site.site_id: s for s, task in enumerate(self.season.tasks)}

    def meet(self, wishes: tuple[Wish, ...]) -> _Trips | None:
        """Return trips that meet all wishes; None where there are none, or none were found."""
        self.sure, self._steps = True, 0
        if any(site_id not in self._tasks for wish in wishes for site_id in wish.sites):
            return None  # not in service yet
        asked = {self._tasks[site_id] for wish in wishes for site_id in wish.sites}
        self._due = frozenset(
            s for s, task in enumerate(self.season.tasks) if min(task.due, task.take_by) < FAR or s in asked
        )
        home = tuple(wish for wish in wishes if wish.kind is WishKind.STAY_HOME)
        kept: _Trips = {}
        trips: _Trips = {}
        for wish in (wish for wish in wishes if wish.kind is WishKind.KEEP):
            index = next(iter(self._indices(wish.day, wish.crew, home)), None)
            tasks = frozenset(self._tasks[site_id] for site_id in wish.sites)
            if index is None or kept.get(index, tasks) != tasks:
                return None
            kept[index] = tasks
            trial = self._checked(trips, index, tasks) if index not in trips else trips
            if trial is None:
                return None
            trips = trial
        dated: list[tuple[int | None, tuple[int, ...]]] = []
        free: list[tuple[int | None, tuple[int, ...]]] = []
        runs: list[tuple[int, ...]] = []
        for wish in wishes:
            if wish.kind is WishKind.GO:
                runs.append(tuple(self._indices(wish.day, wish.crew, home)))
            elif wish.kind is WishKind.INCLUDE:
                for site_id in wish.sites:
                    options = tuple(self._indices(wish.day, "", home))
                    (free if wish.day is None else dated).append((self._tasks[site_id], options))
        demands: list[tuple[int | None, tuple[int, ...]]] = [
            *dated,
            *((None, indices) for indices in sorted(runs, key=len)),
            *free,
        ]
        return self._fill(trips, frozenset(kept), demands)

    def _indices(self, day: date | None, crew: str, home: tuple[Wish, ...]) -> Iterator[int]:
        """Yield the crew-dates that a wish may use, dates in order."""
        season = self.season
        for index, one in enumerate(season.days):
            name, when = season.fleet.crews[one.crew].name, season.date_of(one.day)
            if day in (None, when) and crew in ("", name) and not any(w.forbids(name, when) for w in home):
                yield index

    def _fill(
        self, trips: _Trips, kept: frozenset[int], demands: list[tuple[int | None, tuple[int, ...]]]
    ) -> _Trips | None:
        """Meet the demands one after the other, going back where one cannot be met."""
        if not demands:
            return trips
        (task, options), rest = demands[0], demands[1:]
        if any(index in trips if task is None else task in trips.get(index, ()) for index in options):
            return self._fill(trips, kept, rest)
        for index in sorted(options, key=lambda i: (i not in trips, i)):
            spans = self.season.days[index].spans
            for s in sorted(self._due.intersection(spans)) if task is None else (task,):
                if index in kept or s not in spans:
                    continue
                self._steps += 1
                if self._steps > _MOST_STEPS:
                    self.sure = False
                    return None
                trial = self._checked(trips, index, trips.get(index, frozenset()) | {s})
                found = None if trial is None else self._fill(trial, kept, rest)
                if found is not None:
                    return found
        return None

    def _checked(self, trips: _Trips, index: int, visits: frozenset[int]) -> _Trips | None:
        """Return the trips with this one; None where it does not fit, clashes, or the shelf runs short."""
        season = self.season
        day = season.days[index]
        if any(other in trips for other in season.conflicts[index]):
            return None
        for other, there in trips.items():
            twice = there & visits if other != index else frozenset[int]()
            if twice and season.days[other].day == day.day:
                return None
            if any(not season.tasks[s].swaps.any() for s in twice):
                return None  # a job is done once
        if not self.book.fits(index, visits):
            return None
        trial = {**trips, index: visits}
        for s in visits:
            when = sorted(season.days[i].day for i, there in trial.items() if s in there)
            if season.tasks[s].senseless(when):
                return None
        if self._short(trial):
            # which type a charger takes next is settled by a rule that is exact for one charger alone
            self.sure = self.sure and len(season.fleet.chargers) <= 1
            return None
        return trial

    def _short(self, trips: _Trips) -> bool:
        season = self.season
        return bool(play_shelf(season.fleet, season.first, *shelf_moves(season, trips)).shortages)


def _message(season: Season, outlook: Outlook, core: tuple[Wish, ...], *, sure: bool) -> str:
    named = "; ".join(_named(wish) for wish in core)
    if not sure:
        return (
            f"No way was found to keep these wishes together, nor shown that there is none: {named}. "
            "Take one of them back."
        )
    if len(core) == 1:
        return f"This wish cannot be met: {named}. {_why(season, outlook, core[0])}"
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
    for day in days:
        for crew in crews:
            if crew_obstacle(fleet, crew, day):
                continue
            takes_in = task.takes_in(season.day_number(day))
            moves = takes_in or task.at_home
            found = obstacles(fleet, season.travel, crew, site, day, moves_device=moves)
            text = found.text if found else ""
            if not text and not takes_in and (task.swaps.any() or site_id not in fleet.open_jobs):
                text = fresh_too_short(outlook, site, day)
            if not text:
                number = season.day_number(day)
                if not takes_in and not _shelf_has_one(season, site.pack_type, number):
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
    return not charge_schedule(season.fleet, season.first, {pack_type: {day: 1}}).shortages


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
