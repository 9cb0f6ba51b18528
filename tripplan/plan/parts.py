"""
Parts of a season: some of its sites on some of its crew-dates, as a smaller season of its own.

A part keeps the fleet, with its one shelf: alone it may think that the whole shelf is its own, which is
a relaxation. What a crew can be asked to do is priced on the sites that it can reach.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tripplan.plan.pricing import Priced, Pricer
from tripplan.plan.season import Season, Wanted, Window
from tripplan.travel import crews_share_people

__all__ = ["CrewPricer", "Part", "base_parts", "cut_part", "is_large", "make_pricer"]

_MOST_WHOLE = 128
"""Sites up to which a season is planned as a whole."""


@dataclass(frozen=True)
class Part:
    """
    A season cut out of another.

    Attributes
    ----------
    season : Season
        The smaller season.
    tasks, days : tuple of int
        For each of its tasks and day indices the number in the season that it was cut from.
    """

    season: Season
    tasks: tuple[int, ...]
    days: tuple[int, ...]
    task_at: dict[int, int] = field(init=False, repr=False)
    day_at: dict[int, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "task_at", {s: k for k, s in enumerate(self.tasks)})
        object.__setattr__(self, "day_at", {i: k for k, i in enumerate(self.days)})


def cut_part(season: Season, tasks: Sequence[int], days: Sequence[int]) -> Part:
    """
    Cut a part out of a season.

    Parameters
    ----------
    season : Season
        The whole.
    tasks, days : sequence of int
        Task and day indices, ascending.

    Returns
    -------
    Part
        With wishes only where all that they speak of lies inside.
    """
    at = {s: k for k, s in enumerate(tasks)}
    parks = sorted({season.park_of[s] for s in tasks})
    park_at = {p: k for k, p in enumerate(parks)}
    nodes = np.ix_([*parks, -1], [*parks, -1])
    day_at = {i: k for k, i in enumerate(days)}
    wanted = season.wanted
    inside = Wanted(
        tuple(
            tuple(day_at[i] for i in indices)
            for indices in wanted.must_run
            if all(i in day_at for i in indices)
        ),
        tuple(Window(at[row.site], row.days, row.stretched) for row in wanted.must_visit if row.site in at),
        {
            day_at[i]: frozenset(at[s] for s in visits)
            for i, visits in wanted.kept.items()
            if i in day_at and all(s in at for s in visits)
        },
        tuple(Window(at[row.site], row.days) for row in wanted.before if row.site in at),
    )
    part = replace(
        season,
        tasks=tuple(season.tasks[s] for s in tasks),
        park_places=tuple(season.park_places[p] for p in parks),
        park_of=tuple(park_at[season.park_of[s]] for s in tasks),
        days=tuple(
            replace(
                season.days[i],
                light=tuple(season.days[i].light[p] for p in parks),
                endless=tuple(season.days[i].endless[p] for p in parks),
                spans={at[s]: spans for s, spans in season.days[i].spans.items() if s in at},
            )
            for i in days
        ),
        move_up={c: np.ascontiguousarray(move[nodes]) for c, move in season.move_up.items()},
        move_down={c: np.ascontiguousarray(move[nodes]) for c, move in season.move_down.items()},
        wanted=inside,
        _loops={},
        _tables={},
    )
    return Part(part, tuple(tasks), tuple(days))


def base_parts(season: Season) -> tuple[Part, ...]:
    """
    Split a season by base: each site goes to the nearest base whose crews can reach it.

    Bases whose crews share people make one part.

    Parameters
    ----------
    season : Season
        The whole.

    Returns
    -------
    tuple of Part
        In the order of the crews' file; a site that several bases reach is in one part only, so that the
        bounds of parts add up only where no site is reached from two.
    """
    crews = season.fleet.crews
    base_of = list(range(len(crews)))
    for c, crew in enumerate(crews):
        for d, other in enumerate(crews[:c]):
            same = (crew.base_lat, crew.base_lon) == (other.base_lat, other.base_lon)
            if same or crews_share_people(crew, other):
                low, high = sorted((base_of[c], base_of[d]))
                base_of = [low if base == high else base for base in base_of]
    crew_of: dict[int, set[int]] = {s: set() for s in range(len(season.tasks))}
    for day in season.days:
        for s in day.spans:
            crew_of[s].add(day.crew)
    owner = {
        s: base_of[min(near, key=lambda c: (int(season.move_down[c][-1, season.park_of[s]]), c))]
        for s, near in crew_of.items()
        if near
    }
    parts = []
    for base in sorted(set(base_of)):
        tasks = [s for s in sorted(owner) if owner[s] == base]
        days = [i for i, day in enumerate(season.days) if base_of[day.crew] == base]
        if tasks:
            parts.append(cut_part(season, tasks, days))
    return tuple(parts)


class CrewPricer(Pricer):
    """Prices each crew's trips on the sites that the crew can reach; takes and gives the whole's numbers."""

    def __post_init__(self) -> None:
        super().__post_init__()
        season = self.season
        crews = sorted({day.crew for day in season.days})
        self._parts: dict[int, tuple[Part, Pricer]] = {}
        for crew in crews:
            days = [i for i, day in enumerate(season.days) if day.crew == crew]
            tasks = sorted({s for i in days for s in season.days[i].spans})
            part = cut_part(season, tasks, days)
            self._parts[crew] = part, Pricer(part.season)

    def price(
        self, indices: tuple[int, ...], prize: NDArray[np.float64], threshold: float, **options: Any
    ) -> Priced:
        """Find the trips with the largest prizes; as `Pricer.price`."""
        part, pricer = self._parts[self.season.days[indices[0]].crew]
        own = tuple(part.day_at[i] for i in indices)
        found = pricer.price(own, prize[list(part.tasks)], threshold, **options)
        return replace(found, trips=tuple(tuple(part.tasks[s] for s in trip) for trip in found.trips))


def is_large(season: Season) -> bool:
    """Tell whether a season has more sites than are planned as a whole."""
    return len(season.tasks) > _MOST_WHOLE


def make_pricer(season: Season) -> Pricer:
    """Return what prices a season's trips: as a whole, or crew by crew where the sites are many."""
    return CrewPricer(season) if is_large(season) else Pricer(season)
