"""Wishes that a plan keeps, and plans broken so that one of them is kept no more."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta

from mutations import MUTATORS, Subject, _breaks, _on_date, _pick, _season

from tripplan.plan.document import Plan
from tripplan.wishes import Wish, WishKind

__all__ = ["MUTATORS", "with_wishes"]


def with_wishes(rng: random.Random, s: Subject) -> Subject:
    """
    Ask for some of what a plan does anyway.

    Parameters
    ----------
    rng : random.Random
        Source of chance.
    s : Subject
        A valid plan.

    Returns
    -------
    Subject
        The same with wishes; those to stay home name dates that are free of trips and that no crew
        goes on, so that no date to fall back on changes.
    """
    wishes: list[Wish] = []
    for trip in s.plan.trips:
        sites = tuple(visit.site_id for visit in trip.visits)
        options = (
            Wish(WishKind.GO, trip.date),
            Wish(WishKind.GO, trip.date, crew=trip.crew),
            Wish(WishKind.KEEP, trip.date, crew=trip.crew, sites=sites),
            Wish(WishKind.INCLUDE, trip.date, sites=(rng.choice(sites),)),
            Wish(WishKind.INCLUDE, sites=(rng.choice(sites),)),
        )
        wishes += rng.sample(options, rng.randint(0, 2))
    weekdays = {day for crew in s.fleet.crews for day in crew.weekdays}
    idle = [day for day in _season(s) if day.weekday() not in weekdays]
    if idle:
        day = rng.choice(idle)
        wishes.append(Wish(WishKind.STAY_HOME, day, crew=rng.choice(("", s.fleet.crews[0].name))))
    wishes.append(Wish(WishKind.GO, s.outlook.on - timedelta(days=1)))  # lies behind: asks for nothing
    bearing = [str(wish) for wish in wishes[:-1]]
    return replace(
        s, fleet=replace(s.fleet, wishes=tuple(wishes)), plan=replace(s.plan, wishes=tuple(bearing))
    )


def _asked(s: Subject, kind: WishKind) -> list[Wish]:
    return [
        wish
        for wish in s.fleet.wishes
        if wish.kind is kind and (wish.day is None or s.outlook.on <= wish.day <= s.outlook.to)
    ]


@_breaks("wish")
def the_wished_trip_left_out(rng: random.Random, s: Subject) -> Plan | None:
    wishes = _asked(s, WishKind.GO)
    if not wishes:
        return None
    wish = rng.choice(wishes)
    kept = [trip for trip in s.plan.trips if trip.date != wish.day or wish.crew not in ("", trip.crew)]
    return replace(s.plan, trips=tuple(kept))


@_breaks("wish")
def out_on_a_date_to_stay_home(rng: random.Random, s: Subject) -> Plan | None:
    wishes, number = _asked(s, WishKind.STAY_HOME), _pick(rng, s.plan)
    if not wishes or number is None:
        return None
    trip = replace(s.plan.trips[number], crew=wishes[0].crew or s.plan.trips[number].crew)
    moved = _on_date(s, trip, wishes[0].day)
    return replace(s.plan, trips=(*s.plan.trips[:number], moved, *s.plan.trips[number + 1 :]))


@_breaks("wish")
def a_kept_trip_without_a_site(rng: random.Random, s: Subject) -> Plan | None:
    wishes = [wish for wish in _asked(s, WishKind.KEEP) if len(wish.sites) > 1]
    if not wishes:
        return None
    wish = rng.choice(wishes)
    gone = rng.choice(wish.sites)
    return _without(s.plan, gone, lambda trip: (trip.date, trip.crew) == (wish.day, wish.crew))


@_breaks("wish")
def an_asked_site_passed_by(rng: random.Random, s: Subject) -> Plan | None:
    wishes = _asked(s, WishKind.INCLUDE)
    if not wishes:
        return None
    wish = rng.choice(wishes)
    return _without(s.plan, wish.sites[0], lambda trip: wish.day in (None, trip.date))


@_breaks("wish")
def wishes_told_otherwise(_: random.Random, s: Subject) -> Plan:
    return replace(s.plan, wishes=(*s.plan.wishes, "everyone stays in bed"))


def _without(plan: Plan, site_id: str, on) -> Plan:
    """Take a site out of the trips picked; loops, stops and trips left empty go too."""

    def loop(one):
        return replace(one, visits=tuple(v for v in one.visits if v.site_id != site_id))

    def stop(one):
        return replace(one, loops=tuple(x for x in map(loop, one.loops) if x.visits))

    trips = []
    for trip in plan.trips:
        if on(trip):
            trip = replace(trip, stops=tuple(x for x in map(stop, trip.stops) if x.loops))  # noqa: PLW2901
        if trip.stops:
            trips.append(trip)
    return replace(plan, trips=tuple(trips))
