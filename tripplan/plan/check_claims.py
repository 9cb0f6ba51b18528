"""
What a plan claims to have proved, where a better plan can be seen with the bare eye.

A bound cannot be proved again here. But a trip that nobody needs shows that the plan's number of trips is not
the least, and a site called impossible that a free crew could serve all by itself shows that it is not.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from tripplan.fleet import Site
from tripplan.plan.check_reach import Reach
from tripplan.plan.check_rules import Context, Refusal, Rule
from tripplan.plan.document import Plan, Trip
from tripplan.travel import crews_share_people

__all__ = ["check_claims"]


def check_claims(context: Context, plan: Plan) -> Iterator[Refusal]:
    """
    Yield a bound that a needless trip refutes, and impossible sites that a free crew could serve.

    Parameters
    ----------
    context : Context
        The inputs.
    plan : Plan
        A plan in which nothing else is wrong.

    Yields
    ------
    Refusal
        Only what is certain: where wishes, stock or jobs could be the reason, nothing is said.
    """
    reach = Reach(context)
    if plan.lower_bound == plan.trip_count and not plan.unserved and not context.fleet.wishes:
        for trip in plan.trips:
            if all(_does_without(context, reach, plan, trip, visit.site_id) for visit in trip.visits):
                yield Refusal(
                    Rule.LOWER_BOUND,
                    trip.trip_id,
                    "without this trip the others serve every site in time, so "
                    f"{plan.lower_bound} is no bound",
                )
    if context.fleet.stock_is_kept or context.fleet.wishes:
        return
    for late in plan.unserved:
        site = context.fleet.sites_by_id[late.site_id]
        if not late.proved or late.visited_on is not None or site.site_id in context.fleet.open_jobs:
            continue
        if any(visit.site_id == site.site_id for trip in plan.trips for visit in trip.visits):
            continue
        days = _alone(context, reach, plan, site)
        if days:
            shown = ", ".join(str(day) for day in days)
            yield Refusal(
                Rule.PROVED,
                f"site {site.site_id}",
                f"said to be impossible to serve in time, but trips to it alone on {shown} would do it",
            )


def _fresh_until(context: Context, site: Site, day: date) -> date:
    """Return the swap-by date of a charged pack put in on a date of the season."""
    return date.fromordinal(
        int(context.outlook.renewals[site.site_id].swap_by[(day - context.outlook.on).days])
    )


def _is_owed(context: Context, site: Site, due: date) -> bool:
    end = site.active_to
    return due < context.outlook.to and (end is None or due <= end >= context.outlook.on)


def _does_without(context: Context, reach: Reach, plan: Plan, gone: Trip, site_id: str) -> bool:
    """Tell whether a site's other visits keep it in time, each with the fallback dates asked for."""
    site = context.fleet.sites_by_id[site_id]
    if site_id in context.fleet.open_jobs or any(
        visit.moves_device for trip in plan.trips for visit in trip.visits if visit.site_id == site_id
    ):
        return False  # another visit would have to do the jobs, and be longer, or to move the device
    days = [
        trip.date
        for trip in sorted(plan.trips, key=lambda trip: trip.date)
        if trip is not gone and any(visit.site_id == site_id for visit in trip.visits)
    ]
    until = context.outlook.sites[site_id].swap_by
    if site.active_from is not None and site.active_from > context.outlook.on:
        return False
    dates = reach.dates(site, with_jobs=False)
    for day in days:
        fresh = _fresh_until(context, site, day)
        left = sum(day < other <= until for other in dates)
        if fresh < until or (
            _is_owed(context, site, until) and (day > until or left < context.fleet.plan.fallback_dates)
        ):
            return False
        until = fresh
    return not _is_owed(context, site, until)


def _alone(context: Context, reach: Reach, plan: Plan, site: Site) -> tuple[date, ...]:
    """Return dates on which free crews could serve a site in time all season; empty where they cannot."""
    waits = site.active_from is not None and site.active_from > context.outlook.on
    if waits or context.is_at_home(site) or context.in_by(site) is not None:
        return ()
    fleet = context.fleet
    busy: dict[date, list[str]] = {}
    for trip in plan.trips:
        busy.setdefault(trip.date, []).append(trip.crew)
    free = {
        day
        for crew in fleet.crews
        for day in reach.dates_of(site, crew, with_jobs=False)
        if not any(
            name == crew.name or crews_share_people(crew, fleet.crews_by_name[name])
            for name in busy.get(day, ())
        )
    }
    dates = reach.dates(site, with_jobs=False)
    until, since = context.outlook.sites[site.site_id].swap_by, date.min
    found: list[date] = []
    while _is_owed(context, site, until):
        good = [
            day
            for day in free
            if since < day <= until
            and _fresh_until(context, site, day) > until
            and sum(day < other <= until for other in dates) >= fleet.plan.fallback_dates
        ]
        if not good:
            return ()
        since = max(good)
        found.append(since)
        until = _fresh_until(context, site, since)
    return tuple(found)
