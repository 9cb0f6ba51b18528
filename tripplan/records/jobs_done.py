"""Jobs done on a visit: which rows of jobs.csv they close."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tripplan.fleet import Fleet, Found, VisitRecord
from tripplan.inputs.findings import fold
from tripplan.records.questions import visit_label
from tripplan.records.told import Told

__all__ = ["JobEdit", "jobs_done", "joined_names"]


@dataclass(frozen=True)
class JobEdit:
    """A job of jobs.csv that was done."""

    site_id: str
    job: str
    row: int
    done_on: date

    @property
    def line(self) -> str:
        """The change as it is shown."""
        return f"{self.site_id}: {self.job}, done on {self.done_on.isoformat()}"


def jobs_done(
    fleet: Fleet, told: Told, final: Mapping[int, VisitRecord | None], remarks: list[str]
) -> tuple[JobEdit, ...]:
    """
    Return the jobs of jobs.csv that were done.

    Parameters
    ----------
    fleet : Fleet
        With its jobs.
    told : Told
        With the jobs told by visit.
    final : mapping of int to VisitRecord or None
        What was made of each visit; None for one left out or in question.
    remarks : list of str
        Takes what was told and fits no open job.

    Returns
    -------
    tuple of JobEdit
        In the order of jobs.csv.
    """
    found: dict[int, JobEdit] = {}
    for number, names in told.jobs.items():
        visit = final.get(number)
        if visit is None:
            continue
        label = visit_label(visit)
        if visit.found is Found.NOT_REACHED:
            remarks.append(
                f"{label}: the site was not reached, so jobs told as done ({', '.join(names)}) stay open."
            )
            continue
        at_site = [job for job in fleet.jobs if fold(job.site_id) == fold(visit.site_id)]
        for name in joined_names(names, [job.job for job in at_site]):
            those = [job for job in at_site if fold(job.job) == fold(name)]
            open_ones = [job for job in those if job.done_on is None]
            if open_ones:
                job = open_ones[0]
                found[job.row] = JobEdit(visit.site_id, job.job, job.row, visit.day)
            elif not any(job.done_on == visit.day for job in those):
                why = "jobs.csv has it as done already" if those else "jobs.csv has no such job there"
                remarks.append(f"{label}: the job '{name}' was done, but {why}; jobs.csv stays as it is.")
    return tuple(found[row] for row in sorted(found))


def joined_names(told: Sequence[str], known: Sequence[str]) -> list[str]:
    """
    Return what was told, with names that a semicolon cut apart put together again.

    Examples
    --------
    >>> joined_names(["new card", "lens", "inside too"], ["lens; inside too"])
    ['new card', 'lens; inside too']
    """
    names = {fold(name) for name in known}
    found, at = [], 0
    while at < len(told):
        ends = range(len(told), at, -1)
        end = next((end for end in ends if fold("; ".join(told[at:end])) in names), at + 1)
        found.append("; ".join(told[at:end]))
        at = end
    return found
