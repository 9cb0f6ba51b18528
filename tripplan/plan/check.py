"""
The independent check of a plan against everything it rests on.

No line here comes from a solver or calls one: the rules are counted out again from the fleet, the
outlook and the travel tables. A plan that is refused is never written.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.check_claims import check_claims
from tripplan.plan.check_day import check_trip
from tripplan.plan.check_reach import latest_leave
from tripplan.plan.check_rules import Context, Refusal, Rule, minutes_text
from tripplan.plan.check_season import check_season
from tripplan.plan.check_stock import check_stock
from tripplan.plan.check_wishes import check_wishes
from tripplan.plan.document import PLAN_FORMAT, Plan, Status, Trip, VisitKind
from tripplan.travel import Travel, crews_share_people

__all__ = ["Refusal", "Rule", "check_document", "check_plan"]

_ROUNDING_S = 1  # limits of daylight are cut to whole seconds, the reserve may hold a fraction of one


def check_plan(fleet: Fleet, outlook: Outlook, travel: Travel, plan: Plan) -> tuple[Refusal, ...]:
    """
    Check a plan against every rule of the contract.

    Parameters
    ----------
    fleet : Fleet
        What the plan is for.
    outlook : Outlook
        The forecast it rests on.
    travel : Travel
        Minutes and metres between its places.
    plan : Plan
        The plan, from a solver or from a file.

    Returns
    -------
    tuple of Refusal
        Everything that is wrong; empty for a plan that keeps every rule.
    """
    context = Context(fleet, outlook, travel)
    refusals: list[Refusal] = []
    refusals.extend(_check_header(context, plan))
    refusals.extend(_check_order(context, plan))
    for trip in plan.trips:
        found = list(check_trip(context, trip))
        refusals.extend(found)
        if not found:
            refusals.extend(_check_latest_leave(context, trip))
    refusals.extend(check_season(context, plan))
    refusals.extend(check_stock(context, plan))
    refusals.extend(check_wishes(context, plan))
    refusals.extend(_check_status(context, plan))
    if not refusals:
        refusals.extend(check_claims(context, plan))
    return tuple(dict.fromkeys(refusals))


def check_document(
    fleet: Fleet, outlook: Outlook, travel: Travel, document: Mapping[str, Any]
) -> tuple[Refusal, ...]:
    """
    Check a plan as it stands in its file, with what only the file says.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        As for `check_plan`.
    document : mapping
        What ``json.load`` returned.

    Returns
    -------
    tuple of Refusal
        As `check_plan`; a document that cannot be read as a plan breaks the rule ``format``.
    """
    try:
        plan = Plan.from_json(document)
    except KeyError as missing:
        return (Refusal(Rule.FORMAT, "plan", f"{missing} is missing"),)
    except (TypeError, ValueError, AttributeError) as fault:
        return (Refusal(Rule.FORMAT, "plan", f"is not a {PLAN_FORMAT} document: {fault}"),)
    refusals = list(check_plan(fleet, outlook, travel, plan))
    said = document.get("trip_count")
    if isinstance(said, bool) or said != plan.trip_count:
        refusals.append(
            Refusal(Rule.TRIP_COUNT, "plan", f"trip_count says {said}; it lists {plan.trip_count} trips")
        )
    return tuple(refusals)


def _check_header(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield a plan made for another fleet, season or risk."""
    outlook = context.outlook
    for name, said, holds in (
        ("fleet", plan.fleet, context.fleet.name),
        ("from", plan.first, outlook.on),
        ("to", plan.to, outlook.to),
        ("risk", plan.risk, outlook.risk),
        ("made_on", plan.made_on, outlook.on),
    ):
        if said != holds:
            yield Refusal(Rule.HEADER, "plan", f"{name} says {said}; it is {holds}")


def _trip_letter(place: int) -> str:
    """Return A for the first crew in the file, B for the second; AA follows Z."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _check_order(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield trips that clash with each other, stand out of order or bear a wrong id."""
    fleet = context.fleet
    places = {crew.name: number for number, crew in enumerate(fleet.crews)}
    known = [trip for trip in plan.trips if trip.crew in places]
    for trip in known:
        wanted = f"{trip.date.isoformat()}-{_trip_letter(places[trip.crew])}"
        if trip.trip_id != wanted:
            yield Refusal(
                Rule.TRIP_ID, trip.trip_id, f"the trip of {trip.crew} on {trip.date} is called {wanted}"
            )
    for before, after in pairwise(known):
        if (after.date, places[after.crew]) < (before.date, places[before.crew]):
            yield Refusal(
                Rule.TRIP_ORDER,
                after.trip_id,
                f"stands after {before.trip_id}; trips go by date, then by crew",
            )
    by_date: dict[object, list[str]] = {}
    for trip in known:
        by_date.setdefault(trip.date, []).append(trip.crew)
    for day, crews in by_date.items():
        for name in sorted({name for name in crews if crews.count(name) > 1}):
            yield Refusal(Rule.ONE_TRIP, str(day), f"{name} has {crews.count(name)} trips")
        distinct = sorted(set(crews), key=places.__getitem__)
        for number, first in enumerate(distinct):
            for second in distinct[number + 1 :]:
                one, other = fleet.crews_by_name[first], fleet.crews_by_name[second]
                if crews_share_people(one, other):
                    shared = ", ".join(sorted(set(one.people) & set(other.people)))
                    yield Refusal(Rule.SHARED_PEOPLE, str(day), f"{first} and {second} both need {shared}")


def _check_latest_leave(context: Context, trip: Trip) -> Iterator[Refusal]:
    """Yield a trip that could leave its base later and still not be longer."""
    leave = context.moment(trip.leave)
    latest = latest_leave(context, trip, context.fleet.crews_by_name[trip.crew])
    if latest > leave + _ROUNDING_S:
        yield Refusal(
            Rule.LATEST_LEAVE,
            trip.trip_id,
            f"leaves {context.clock_text(leave)}; the same trip, no longer, could leave "
            f"{context.clock_text(latest)}, {minutes_text(latest - leave)} later",
        )


def _check_stage_bounds(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield bounds on crew time or life thrown away that the plan refutes, and a wrong count of the life."""
    spent = sum(context.moment(trip.back) - context.moment(trip.leave) for trip in plan.trips)
    if not 0 <= plan.crew_seconds_bound <= spent + _ROUNDING_S:
        yield Refusal(
            Rule.LOWER_BOUND,
            "plan",
            f"crew time of at least {minutes_text(plan.crew_seconds_bound)} is claimed; these trips take "
            f"{minutes_text(spent)}",
        )
    lost = 0
    for trip in plan.trips:
        for visit in trip.visits:
            site = context.fleet.sites_by_id.get(visit.site_id)
            if visit.kind is VisitKind.TAKE_IN and site is not None and site.active_to is not None:
                lost += (trip.date - site.active_to).days
            elif visit.swap:
                lost += max(0, (visit.flat_likely - trip.date).days)
    counted = plan.life_days or plan.life_days_bound
    if counted and plan.life_days != lost:
        yield Refusal(
            Rule.LIFE_DAYS,
            "plan",
            f"says {plan.life_days} days of life thrown away; its swaps come to {lost}",
        )
    if not 0 <= plan.life_days_bound <= lost:
        yield Refusal(
            Rule.LOWER_BOUND,
            "plan",
            f"at least {plan.life_days_bound} days of life thrown away are claimed; here it is {lost}",
        )


def _check_status(context: Context, plan: Plan) -> Iterator[Refusal]:
    """Yield a status or a bound that the plan does not bear out."""
    late = bool(plan.unserved or plan.late_sites or plan.late_days)
    if plan.lower_bound > plan.trip_count or plan.lower_bound < 0:
        yield Refusal(
            Rule.LOWER_BOUND,
            "plan",
            f"the bound {plan.lower_bound} does not fit a plan with {plan.trip_count} trips",
        )
    yield from _check_stage_bounds(context, plan)
    if plan.status is Status.PROVED and plan.lower_bound != plan.trip_count:
        yield Refusal(
            Rule.STATUS, "plan", f"'proved' with {plan.trip_count} trips, but the bound is {plan.lower_bound}"
        )
    if plan.status is not Status.NO_FULL_PLAN and late:
        yield Refusal(
            Rule.STATUS,
            "plan",
            f"'{plan.status}' says that nothing is late; {len(plan.unserved)} sites are named under "
            f"unserved, {plan.late_sites} late",
        )
    if plan.status is Status.NO_FULL_PLAN and not plan.unserved:
        yield Refusal(Rule.STATUS, "plan", "'no full plan', but no site is named under unserved")
