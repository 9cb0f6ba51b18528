"""What a search begins with, in the numbers of its season."""

from __future__ import annotations

from dataclasses import dataclass

from tripplan.plan.document import Plan
from tripplan.plan.puzzle import Witness
from tripplan.plan.season import Season
from tripplan.plan.trips import TripBook

__all__ = ["Start"]


@dataclass(frozen=True)
class Start:
    """What a search begins with: trips that meet the wishes, and the last plan."""

    witness: Witness
    plan: Plan | None

    def of_season(
        self, season: Season, book: TripBook
    ) -> tuple[dict[int, frozenset[int]], dict[int, frozenset[int]] | None]:
        """Return both in the season's numbers; of the last plan's trips what still fits."""
        task_of = {task.site.site_id: s for s, task in enumerate(season.tasks)}
        index_of = {
            (season.date_of(day.day), season.fleet.crews[day.crew].name): index
            for index, day in enumerate(season.days)
        }
        witness = {
            index_of[key]: frozenset(task_of[site_id] for site_id in sites)
            for key, sites in self.witness.items()
        }
        if not all(book.fits(index, visits) for index, visits in witness.items()):
            witness = {}  # found for a season in which other visits do the jobs
        if self.plan is None:
            return witness, None
        last = {}
        for trip in self.plan.trips:
            index = index_of.get((trip.date, trip.crew))
            if index is None or any(clash in last for clash in season.conflicts[index]):
                continue
            known = [task_of[v.site_id] for v in trip.visits if v.site_id in task_of]
            visits = frozenset(s for s in known if s in season.days[index].spans)
            while visits and not book.fits(index, visits):
                visits -= {max(visits, key=lambda s: (season.tasks[s].due, s))}
            if visits:
                last[index] = visits
        return witness, last
