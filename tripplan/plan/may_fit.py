"""
Whether given visits may fit into one trip at all: "no" is proved, for every plan that the rules allow.

Durations are rounded down, ways go over any parking or site, and a job or a device to set out counts only
where no earlier visit can have done it. No more than 16 visits are put in order at once: of more, some are
looked at.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from tripplan.plan.kernels import order_visits
from tripplan.plan.season import Season

__all__ = ["MayFit"]

_MOST_VISITS = 16
_MAX_LABELS = 1_000_000


@dataclass
class MayFit:
    """Looks up, and remembers, which visits cannot be made in one trip."""

    season: Season
    _known: dict[tuple[int, frozenset[int]], bool] = field(default_factory=dict)

    def fits(self, index: int, visits: Iterable[int]) -> bool:
        """
        Tell whether visits may fit into one trip.

        Parameters
        ----------
        index : int
            Index into ``season.days``.
        visits : iterable of int
            Task indices.

        Returns
        -------
        bool
            False where it is proved that they do not.
        """
        wanted = sorted(set(visits))
        day = self.season.days[index]
        if not all(s in day.spans for s in wanted):
            return False
        crew = self.season.fleet.crews[day.crew]
        if sum(self.season.tasks[s].carries(day.day, loose=True) for s in wanted) > crew.packs_aboard:
            return False
        # what does not fit together with fewer does not fit with more either
        return all(
            self._few(index, frozenset(some)) for some in (wanted[:_MOST_VISITS], wanted[-_MOST_VISITS:])
        )

    def _few(self, index: int, visits: frozenset[int]) -> bool:
        key = (index, visits)
        if key not in self._known:
            self._known[key] = not visits or self._search(index, sorted(visits))
        return self._known[key]

    def _search(self, index: int, wanted: list[int]) -> bool:
        season = self.season
        day = season.days[index]
        parks = sorted({season.park_of[s] for s in wanted})
        bit = {s: 1 << k for k, s in enumerate(wanted)}
        table = season.loop_table(index, loose=True)
        rows = [
            (
                parks.index(int(table.park[k])),
                sum(bit[s] for s in spec.sites),
                table.d[k],
                table.e[k],
                table.latest[k],
            )
            for k, spec in enumerate(table.specs)
            if all(s in bit for s in spec.sites)
        ]
        if not all(any(row[1] & one for row in rows) for one in bit.values()):
            return False
        columns = np.array(rows, np.int64)
        nodes = [*parks, len(season.park_places)]
        seconds, _, _ = order_visits(
            np.ascontiguousarray(season.move_down[day.crew][np.ix_(nodes, nodes)]),
            columns[:, 0].astype(np.int32),
            columns[:, 1].copy(),
            columns[:, 2].astype(np.int32),
            columns[:, 3].astype(np.int32),
            columns[:, 4].astype(np.int32),
            np.ascontiguousarray(season.over_by(day)[parks]),  # other visits may follow
            day.start,
            day.end,
            len(wanted),
            _MAX_LABELS,
            True,  # noqa: FBT003
        )
        return bool(seconds != -1)
