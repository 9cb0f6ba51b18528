"""Notes of a plan: what the user should know beside the trips."""

from __future__ import annotations

from collections.abc import Iterator

from tripplan.forecast.outlook import Basis, Outlook
from tripplan.plan.absences import absence_notes, crew_notes
from tripplan.plan.document import Trip, VisitKind
from tripplan.plan.loops import FAR
from tripplan.plan.naming_notes import NO_FALLBACK_NOTE, naming_note
from tripplan.plan.season import Season
from tripplan.travel import contacts_for
from tripplan.units import so_many

__all__ = ["plan_notes"]


def plan_notes(
    season: Season,
    outlook: Outlook,
    trips: tuple[Trip, ...],
    *,
    stopped: bool,
    ended_after_s: float | None = None,
) -> tuple[str, ...]:
    """
    Collect the notes.

    Parameters
    ----------
    season : Season
        The problem.
    outlook : Outlook
        The forecast.
    trips : tuple of Trip
        The plan's trips.
    stopped : bool
        Whether the search was stopped by hand.
    ended_after_s : float, optional
        Time limit that ended the search before it was through. [s]

    Returns
    -------
    tuple of str
        Full sentences.
    """
    notes = tuple(_notes(season, outlook, trips, stopped=stopped))
    if ended_after_s is None or stopped:
        return notes
    ended = f"The time limit of {ended_after_s:g} s ended the search; a longer one may find or prove more."
    return (*notes, ended)


def _device_notes(season: Season, outlook: Outlook, trips: tuple[Trip, ...]) -> Iterator[str]:
    """Say which devices are not to be set out, or taken in only after the season."""
    fleet, tasks = season.fleet, {task.site.site_id: task for task in season.tasks}
    every = [visit for trip in trips for visit in trip.visits]
    set_out = {visit.site_id for visit in every if visit.kind is VisitKind.SET_OUT}
    taken_in = {visit.site_id for visit in every if visit.kind is VisitKind.TAKE_IN}
    resting: list[str] = []
    later: list[str] = []
    after: list[str] = []
    for site in fleet.sites:
        now, task = outlook.sites[site.site_id], tasks.get(site.site_id)
        if now.at_home and site.site_id not in set_out and (task is None or task.due >= task.end):
            comes = site.active_from is not None and site.active_from >= outlook.to
            (later if comes else resting).append(site.site_id)
        ends = site.active_to is not None and site.active_to <= outlook.to
        out = not now.at_home or site.site_id in set_out
        if ends and out and site.site_id not in taken_in and (task is None or task.take_by == FAR):
            after.append(site.site_id)
    if resting:
        yield f"At home, and no active_from says when they are set out: {', '.join(resting)}."
    if later:
        yield f"At home until after this season (active_from): {', '.join(later)}."
    if after:
        yield f"To be taken in when this season is over (active_to): {', '.join(after)}."


def _notes(season: Season, outlook: Outlook, trips: tuple[Trip, ...], *, stopped: bool) -> Iterator[str]:
    fleet = season.fleet
    visited = {visit.site_id for trip in trips for visit in trip.visits}
    usual = [s for s in visited if outlook.sites[s].basis is Basis.USUAL_LIFE]
    if usual:
        yield (
            f"{len(usual)} of {len(visited)} sites visited rest on the usual life of their pack type; "
            "a resting voltage or a draw would sharpen their dates."
        )
    short = sorted({v.site_id for trip in trips for v in trip.visits if not v.fallback_possible})
    if short:
        yield naming_note(NO_FALLBACK_NOTE, short)
    past = [task for task in season.tasks if task.in_place < 0]
    tight = sorted(task.site.site_id for task in past if not task.at_home and task.in_place < task.end)
    if tight:
        yield f"Past the swap-by date already today: {', '.join(tight)}."
    overdue = sorted(task.site.site_id for task in past if task.at_home)
    if overdue:
        yield f"To be set out already before today (active_from): {', '.join(overdue)}."
    still_out = sorted(task.site.site_id for task in season.tasks if task.take_by < 0)
    if still_out:
        yield (
            f"To be taken in already before today (active_to): {', '.join(still_out)}. Where that is done, "
            "record it as removed."
        )
    if not fleet.stock_is_kept and trips:
        most: dict[str, int] = {}
        for trip in trips:
            for name, count in trip.packs.items():
                most[name] = max(most.get(name, 0), count)
        need = ", ".join(so_many(count, name) for name, count in sorted(most.items()))
        yield (
            f"Stock was not limited (no packs.csv, no shelf_charged): the largest trips need {need} charged."
        )
    yield from absence_notes(season, outlook, trips)
    yield from crew_notes(season)
    for trip in trips[:1]:
        for visit in trip.visits:
            for contact in contacts_for(fleet, fleet.sites_by_id[visit.site_id], trip.date):
                if contact.ring_by < outlook.on:
                    yield (
                        f"{visit.site_id} on {trip.date}: ring {contact.text} today; the notice asked for "
                        f"would have been by {contact.ring_by}."
                    )
    waiting = sorted(
        site_id
        for site_id, jobs in fleet.open_jobs.items()
        if jobs and site_id not in visited and site_id in fleet.sites_by_id
    )
    if waiting:
        yield (
            f"Open jobs without a visit this season: {', '.join(waiting)}; give them a due_by to set a date."
        )
    yield from _device_notes(season, outlook, trips)
    if fleet.set_aside:
        yield f"Set aside with in_use = no: {', '.join(fleet.set_aside)}."
    if stopped:
        yield "The search was stopped by hand; this is the best plan it had."
