"""One site of a season as solvers see it, and the windows that must hold its visits; days count from 0."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Site
from tripplan.plan.loops import FAR

__all__ = ["SiteTask", "Window"]


@dataclass(frozen=True)
class Window:
    """
    Days within which a site must be visited.

    Attributes
    ----------
    site : int
        Index of the site among the season's tasks.
    days : tuple of int
        Days of the window on which some crew can be there, ascending.
    stretched : bool
        True where no day in time exists: the window then only guides the search to be less late,
        and no lower bound may rest on it.
    """

    site: int
    days: tuple[int, ...]
    stretched: bool = False


@dataclass(frozen=True)
class SiteTask:
    """
    One site that must be visited this season.

    Attributes
    ----------
    due : int
        Last day in time for the first visit: its swap-by day, or an earlier job's date; where a device is set
        out, the day from which it is to run.
    in_place : int
        Swap-by day of the pack in place; where a device is set out, the day from which it is to run.
    renewed : numpy.ndarray, shape (n_days,)
        Swap-by day after a visit on each day.
    swaps : numpy.ndarray of bool, shape (n_days,)
        Whether a visit on that day swaps; else it is a call for a job.
    likely_in_place : int
        Likely flat day of the pack in place.
    likely : numpy.ndarray, shape (n_days,)
        Likely flat day of a pack put in on each day.
    reach : tuple of int
        Days on which some crew alone could swap at the site alone without losing time, jobs included.
    reach_later : tuple of int
        The same for later visits, without jobs.
    dates_first : tuple of int
        As `reach`, also where a fresh pack would not last as long as the one in place: what a call leaves.
    possible : tuple of int
        Days on which a visit is possible at all.
    end : int
        Windows that end at or after this day are not owed.
    pays : numpy.ndarray of bool, shape (n_days,)
        Whether a visit on that day surely takes a charged pack; lower bounds count only those.
    jobs_always : bool
        Whether plans reckon with the jobs on every visit, because the first may come late.
    asked : bool
        Whether a wish names the site; it may then be visited though nothing is due.
    at_home : bool
        Whether the first visit sets the device out.
    take_from : int
        First day on which a visit takes the device in; far away where it stays out.
    take_by : int
        Last day in time for taking it in; far away where the season does not owe that.
    first_by : int
        Day by which the plan makes the first visit, because a wished trip needs its jobs done; far away where
        that is left open.
    surely_first : int
        Day up to which every visit is the site's first, since no earlier day serves as one. Only the question
        whether wishes can be met looks at it.
    """

    site: Site
    due: int
    in_place: int
    renewed: NDArray[np.int64]
    swaps: NDArray[np.bool_]
    likely_in_place: int
    likely: NDArray[np.int64]
    job_minutes: float
    reach: tuple[int, ...]
    reach_later: tuple[int, ...]
    possible: tuple[int, ...]
    end: int
    pays: NDArray[np.bool_]
    jobs_always: bool = False
    asked: bool = False
    at_home: bool = False
    take_from: int = FAR
    take_by: int = FAR
    dates_first: tuple[int, ...] = ()
    first_by: int = FAR
    surely_first: int = -1

    def takes_in(self, day: int) -> bool:
        """Tell whether a visit on a day takes the device in."""
        return day >= self.take_from

    @property
    def may_begin_with_call(self) -> bool:
        """Whether a first visit may do the jobs and leave the pack in, since a fresh one lasts no longer."""
        days = self.swaps[: max(0, self.in_place) + 1]
        return self.job_minutes > 0 and not self.at_home and not bool(days.all())

    def may_be_first(self, day: int) -> bool:
        """Tell whether a plan reckons with a visit on a day being the site's first."""
        by_then = self.jobs_always or day <= max(self.due, int(self.renewed.min()))
        return by_then and day <= self.first_by

    def carries(self, day: int, *, loose: bool) -> bool:
        """Tell whether a visit on a day carries a pack, out or back; loose: whether it surely does."""
        return self.takes_in(day) or bool((self.pays if loose else self.swaps)[day])

    def senseless(self, days: list[int]) -> list[int]:
        """
        Return the visits that cannot be made.

        After taking in, to take in what was never set out, or with nothing to do: the jobs are done on the
        first visit, and before it is worth while no later one swaps.

        Parameters
        ----------
        days : list of int
            Days of all visits, ascending.

        Returns
        -------
        list of int
            Days of those to drop.
        """
        taken = [day for day in days if self.takes_in(day)]
        never_out = self.at_home and len(taken) == len(days)
        idle = [day for day in days[1:] if not self.takes_in(day) and not self.swaps[day]]
        return idle + (taken if never_out else taken[1:])
