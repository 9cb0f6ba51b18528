"""
Random wishes of random fleets: a plan keeps them and passes the checker, or they are shown to contradict, or
nothing is claimed.

Where they contradict, leaving out any one of those named lets the others be kept, and full enumeration of
the trips on the dates named finds none that keeps them all.
"""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import chain, combinations, product

import pytest

from tripplan.errors import NoPlanError
from tripplan.plan import plan_season
from tripplan.plan.build import build_season
from tripplan.plan.charging import charge_schedule
from tripplan.plan.check import check_plan
from tripplan.plan.contradict import trips_as_wished
from tripplan.plan.difference import compare_plans
from tripplan.plan.trips import TripBook
from tripplan.travel import crew_dates, crews_share_people, measure_travel
from tripplan.wishes import Wish, WishKind


def _wishes(rng, fleet, outlook):
    """Draw up to four wishes on few dates, so that some of them clash."""
    dates = sorted({d for crew in fleet.crews for d in crew_dates(fleet, crew, outlook.on, outlook.to)})
    days = rng.sample(dates, min(2, len(dates)))
    names = [crew.name for crew in fleet.crews]
    ids = [site.site_id for site in fleet.sites]
    found = []
    for _ in range(rng.randint(1, 4)):
        day, crew = rng.choice(days), rng.choice(names)
        found.append(
            rng.choice(
                (
                    Wish(WishKind.GO, day, crew=rng.choice(("", crew))),
                    Wish(WishKind.STAY_HOME, day, crew=rng.choice(("", crew))),
                    Wish(
                        WishKind.KEEP,
                        day,
                        crew=crew,
                        sites=tuple(rng.sample(ids, rng.randint(1, min(3, len(ids))))),
                    ),
                    Wish(WishKind.INCLUDE, day, sites=(rng.choice(ids),)),
                    Wish(WishKind.INCLUDE, sites=(rng.choice(ids),)),
                )
            )
        )
    return tuple(found)


@pytest.mark.parametrize(
    "seed", [*range(14), *(pytest.param(k, marks=pytest.mark.slow) for k in range(14, 120))]
)
def test_wishes_are_kept_or_shown_to_contradict(random_fleets, seed):
    fleet, outlook = random_fleets.tiny_season(seed)
    rng = random.Random(f"wishes {seed}")
    wishes = _wishes(rng, fleet, outlook)
    asking = replace(fleet, wishes=wishes)
    travel = measure_travel(asking)
    said, plan = "", None
    try:
        plan = plan_season(asking, outlook, travel, made_on=outlook.on)
    except NoPlanError as error:
        said = str(error)
    if plan is None:
        clauses = said.split(": ", 1)[1].split(". ")[0].split("; ")
        named = [wish for wish in wishes if str(wish) in clauses]
        assert named, said
        if said.startswith("No plan was found"):
            return  # claims nothing
        for wish in named:
            rest = tuple(other for other in named if not other.same_as(wish))
            if rest:
                trips_as_wished(fleet, outlook, travel, rest)
        if len(fleet.sites) <= 4 and all(wish.day is not None for wish in named):
            assert not _kept_by_some_trips(fleet, outlook, travel, named)
        return
    assert check_plan(asking, outlook, travel, plan) == ()
    assert plan.wishes == tuple(str(wish) for wish in wishes)
    again = plan_season(asking, outlook, travel, made_on=outlook.on, last=plan)
    assert check_plan(asking, outlook, travel, again) == ()
    if again.trip_count == plan.trip_count and again.late_days == plan.late_days:
        assert compare_plans(plan, again).is_empty


def _kept_by_some_trips(fleet, outlook, travel, wishes):
    """Enumerate every way to visit what is due or named on the dates of the wishes."""
    asked = tuple(Wish(WishKind.INCLUDE, sites=(site_id,)) for wish in wishes for site_id in wish.sites)
    season = build_season(replace(fleet, wishes=()), outlook, travel, wishes=asked)
    book = TripBook(season)
    days = {season.day_number(wish.day) for wish in wishes}
    indices = [i for i, day in enumerate(season.days) if day.day in days]
    choices = []
    for i in indices:
        sets = chain.from_iterable(combinations(sorted(season.days[i].spans), k) for k in range(1, 5))
        choices.append([frozenset(), *(frozenset(v) for v in sets if book.fits(i, v))])
    for picked in product(*choices):
        trips = {i: v for i, v in zip(indices, picked, strict=True) if v}
        if _is_allowed(season, trips) and all(_is_kept(season, trips, wish) for wish in wishes):
            return True
    return False


def _is_allowed(season, trips):
    crews = season.fleet.crews
    swaps = {}
    for i, visits in trips.items():
        for j, others in trips.items():
            shared = crews_share_people(crews[season.days[i].crew], crews[season.days[j].crew])
            if i < j and season.days[i].day == season.days[j].day and (shared or visits & others):
                return False
        for s in visits:
            if season.tasks[s].swaps[season.days[i].day]:
                per_day = swaps.setdefault(season.tasks[s].site.pack_type, {})
                per_day[season.days[i].day] = per_day.get(season.days[i].day, 0) + 1
    return not charge_schedule(season.fleet, season.first, swaps).shortages


def _is_kept(season, trips, wish):
    number = season.day_number(wish.day)
    mine = {
        i: {season.tasks[s].site.site_id for s in v}
        for i, v in trips.items()
        if season.days[i].day == number and wish.crew in ("", season.fleet.crews[season.days[i].crew].name)
    }
    match wish.kind:
        case WishKind.GO:
            return bool(mine)
        case WishKind.STAY_HOME:
            return not mine
        case WishKind.KEEP:
            return set(wish.sites) in mine.values()
        case WishKind.INCLUDE:
            return any(set(wish.sites) <= sites for sites in mine.values())
    return False


@pytest.mark.parametrize(
    "seed", [*range(6), *(pytest.param(k, marks=pytest.mark.slow) for k in range(6, 60))]
)
def test_no_bound_rises_above_a_plan_that_keeps_the_wishes_anyway(random_fleets, seed):
    """Ask for what the plan found without wishes does: its trips keep them, so that no bound may pass it."""
    fleet, outlook = random_fleets.tiny_season(seed)
    travel = measure_travel(fleet)
    free = plan_season(fleet, outlook, travel, made_on=outlook.on)
    if free.unserved:
        return
    rng = random.Random(f"bound {seed}")
    for trip in free.trips:
        sites = tuple(visit.site_id for visit in trip.visits)
        wish = rng.choice(
            (
                Wish(WishKind.GO, trip.date),
                Wish(WishKind.GO, trip.date, crew=trip.crew),
                Wish(WishKind.KEEP, trip.date, crew=trip.crew, sites=sites),
                Wish(WishKind.INCLUDE, trip.date, sites=(rng.choice(sites),)),
            )
        )
        asking = replace(fleet, wishes=(wish,))
        plan = plan_season(asking, outlook, travel, made_on=outlook.on)
        assert check_plan(asking, outlook, travel, plan) == ()
        assert plan.lower_bound <= free.trip_count, f"seed {seed}: {wish}"
        assert not plan.unserved
