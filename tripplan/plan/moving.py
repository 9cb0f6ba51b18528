"""
What it would cost to move a trip by a week, with the other trips on their dates.

Each answer is tried on the plan. That a site would be late is shown: none of the dates that would remain
serves it. That nothing is lost is shown by a plan. Between the two stands "not settled".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date

from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, Trips
from tripplan.plan.squeeze import Squeeze

__all__ = ["Moving"]

_MOST_TRIPS = 30
"""Beyond so many trips nothing is worked out: the answers would cost more than they are worth."""

_MOST_TRIED = 3000
"""Plans tried at the most, a few seconds' worth."""

_MOST_RESOLVED = 8
_TURNS = 1000
"""Searches with other trips moving too, for all answers together, and the turns of each."""

_NEAR_A_WEEK = (7, 8, 6, 9, 5, 10, 4)
"""Days by which a crew's date may differ and still be called a week away, the nearest to it first."""


@dataclass
class Moving:
    """
    Answers for every trip of a plan.

    Attributes
    ----------
    rows : tuple of Window
        Windows that the plan fills.
    go_on : callable
        False stops; what is left is then not worked out.
    squeezer : Squeeze or None
        Looks for plans in which the other trips move too.
    tried, resolved : int
        Plans tried, and such searches made, so far.
    """

    season: Season
    rows: tuple[Window, ...]
    judge: Judge
    trips: Trips
    go_on: Callable[[], bool]
    squeezer: Squeeze | None = None
    tried: int = 0
    resolved: int = 0
    _late: dict[int, int] = field(init=False)

    def __post_init__(self) -> None:
        days = self.judge.visit_days(self.trips)
        self._late = {s: self.judge.late_days_of(s, when) for s, when in days.items()}
        self._missed = set(self.judge.missed(self.trips))

    def sentences(self, index: int) -> tuple[str, ...]:
        """
        Say what moving a trip by a week would cost.

        Parameters
        ----------
        index : int
            Day index of the trip.

        Returns
        -------
        tuple of str
            One sentence for a week later, one for a week earlier.
        """
        if len(self.trips) > _MOST_TRIPS or self.tried > _MOST_TRIED or not self.go_on():
            return ("What a week more or less would cost was not worked out.",)
        return tuple(self._sentence(index, sign) for sign in (1, -1))

    def _sentence(self, index: int, sign: int) -> str:
        season = self.season
        day, word = season.days[index], "later" if sign > 0 else "earlier"
        name = season.fleet.crews[day.crew].name
        wished = self._wished(index)
        if wished:
            return f"A week {word}: not as asked ({wished})."
        target = self._target(index, sign)
        if target is None:
            return f"A week {word}: {name} cannot go then."
        when = f"A week {word} ({_day(season.date_of(season.days[target].day))})"
        if self.trips.get(target):
            return f"{when}: a trip of {name} stands on that day already."
        if any(self.trips.get(clash) for clash in season.conflicts[target] if clash != index):
            return f"{when}: another crew needs {name}'s people that day."
        return f"{when}: {self._cost(index, target)}"

    def _target(self, index: int, sign: int) -> int | None:
        season, day = self.season, self.season.days[index]
        for step in _NEAR_A_WEEK:
            for other in season.days_by_number.get(day.day + sign * step, ()):
                if season.days[other].crew == day.crew:
                    return other
        return None

    def _wished(self, index: int) -> str:
        wanted = self.season.wanted
        if index in wanted.kept:
            return "this trip stays as it is"
        alone = any(
            index in indices and not any(self.trips.get(i) for i in indices if i != index)
            for indices in wanted.must_run
        )
        return "a trip goes on that date" if alone else ""

    def _cost(self, index: int, target: int) -> str:
        rest: dict[int, frozenset[int]] = {i: v for i, v in self.trips.items() if i != index}
        late = self._surely_late({*rest, target})
        if late:
            site_id, by, what, _ = min(late, key=lambda one: (one[1], one[0]))
            more = f" and {len(late) - 1} more" if len(late) > 1 else ""
            already = [is_late_now for *_, is_late_now in late]
            how = "later still" if all(already) else "late or later still" if any(already) else "late"
            return f"{site_id} ({what} by {_day(by)}){more} would be {how}, or it costs one trip more."
        moved = frozenset(s for s in self.trips[index] if s in self.season.days[target].spans)
        trial, along = self._placed(rest, target, moved, self.trips[index] - moved)
        others = ""
        if trial is None:
            trial = self._chosen(index, target, rest)
            if trial is None and self.resolved >= _MOST_RESOLVED:
                return "not with the other trips on their dates; more was not worked out."
            if trial is None:
                return "perhaps one trip more; not settled."
            count = len([i for i in trial if i not in self.trips and i != target])
            others = f"; {count} other {'trip' if count == 1 else 'trips'} would move" if count else ""
            others = others or "; sites would change between trips"
        before, after = self.judge.value(self.trips).seconds, self.judge.value(trial).seconds
        minutes = round((after - before) / 60)
        text = "costs nothing" if minutes <= 0 else f"costs {minutes} min of crew time, no trip"
        text += others
        if along:
            text += f"; {', '.join(along)} would ride along on other trips"
        lost = self._lost_fallback(trial)
        if lost:
            spare = self.season.fleet.plan.fallback_dates
            few = "no date" if spare == 1 else f"fewer than {spare} dates"
            return f"{text}, but would leave {few} to fall back on at {', '.join(lost)}."
        return f"{text}."

    def _surely_late(self, running: set[int]) -> list[tuple[str, date, str, bool]]:
        """Return sites that would be later than now even if every trip left visited them; and if late now."""
        season, found = self.season, []
        for s, task in enumerate(season.tasks):
            days = sorted({season.days[i].day for i in running if s in season.days[i].spans})
            useful = [d for d in days if d in set(task.possible)]
            needless = task.senseless(useful)
            useful = [d for d in useful if d not in needless]
            if self.judge.late_days_of(s, useful) > self._late[s]:
                missed, what = self._first_missed(s, useful)
                found.append((task.site.site_id, season.date_of(missed), what, self._late[s] > 0))
        return found

    def _first_missed(self, s: int, days: list[int]) -> tuple[int, str]:
        """Return the day that is missed, and what was to be done by then."""
        task = self.season.tasks[s]
        due, what = task.due, "set out" if task.at_home else "swap"
        for day in days:
            if day > due and due < task.end:
                return due, what
            if task.takes_in(day):
                return task.take_by, "take in"
            due, what = int(task.renewed[day]), "swap"
        return (due, what) if due < task.end else (task.take_by, "take in")

    def _placed(
        self,
        rest: dict[int, frozenset[int]],
        target: int,
        moved: frozenset[int],
        homeless: frozenset[int],
    ) -> tuple[dict[int, frozenset[int]] | None, list[str]]:
        """Put the trip on its new date; sites that are late there ride along on other trips."""
        trial = {**rest, target: moved} if moved and self.judge.book.fits(target, moved) else None
        if trial is None:
            return None, []
        along = []
        for s in sorted({*homeless, *self._worse(trial)}):
            better = self._ridden_along(trial, s)
            if better is None:
                return None, []
            trial = better
            along.append(self.season.tasks[s].site.site_id)
        if self._worse(trial) or self.judge.unmet(trial) > self.judge.unmet(self.trips):
            return None, []
        if self.season.fleet.stock_is_kept and self.judge.shortages(trial):
            return None, []
        return trial, along

    def _chosen(
        self, index: int, target: int, rest: dict[int, frozenset[int]]
    ) -> dict[int, frozenset[int]] | None:
        """Let the other trips move and change too, this crew at home until the new date."""
        if self.resolved >= _MOST_RESOLVED or self.squeezer is None:
            return None
        self.resolved += 1
        season, judge = self.season, self.judge
        crew, span = season.days[index].crew, sorted((season.days[index].day, season.days[target].day))
        barred = frozenset(
            i
            for i, day in enumerate(season.days)
            if day.crew == crew and span[0] <= day.day <= span[1] and i != target
        )
        begin = {i: visits for i, visits in rest.items() if i not in barred}
        begin[target] = frozenset(s for s in self.trips[index] if judge.book.fits(target, {s}))
        while begin[target] and not judge.book.fits(target, begin[target]):
            begin[target] -= {max(begin[target], key=lambda s: (season.tasks[s].due, s))}
        if not begin[target]:
            return None
        trial = self.squeezer.fewer(
            begin, len(self.trips), _TURNS, 1, self.go_on, like=self.trips, barred=barred, staying=target
        )
        if trial is None or not all(judge.book.fits(i, visits) for i, visits in trial.items()):
            return None
        if target not in trial or self._worse(trial) or judge.unmet(trial) > judge.unmet(self.trips):
            return None
        return None if season.fleet.stock_is_kept and judge.shortages(trial) else trial

    def _worse(self, trial: Trips) -> list[int]:
        self.tried += 1
        days = self.judge.visit_days(trial)
        return [s for s in days if self.judge.late_days_of(s, days[s]) > self._late[s]]

    def _ridden_along(self, trial: dict[int, frozenset[int]], s: int) -> dict[int, frozenset[int]] | None:
        """Return the trial with a site on one more of its trips, so that it is no later than now."""
        best: tuple[int, int] | None = None
        for index, visits in sorted(trial.items()):
            if s in visits or s not in self.season.days[index].spans or index in self.season.wanted.kept:
                continue
            self.tried += 1
            shape = self.judge.book.best(index, visits | {s})
            days = self.judge.visit_days({**trial, index: visits | {s}})[s]
            if shape is not None and self.judge.late_days_of(s, days) <= self._late[s]:
                key = (shape.seconds, index)
                best = key if best is None or key < best else best
        return None if best is None else {**trial, best[1]: trial[best[1]] | {s}}

    def _lost_fallback(self, trial: Trips) -> list[str]:
        lost = {row.site for row in self.judge.missed(trial) if row not in self._missed}
        return sorted(self.season.tasks[s].site.site_id for s in lost)


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"
