"""Two plans side by side: what became of each trip, which sites moved, and why; word for word."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripplan.plan.difference import TripFate, compare_plans
from tripplan.plan.document import Loop, Plan, Status, Stop, Trip, Unserved, Visit

_ZONE = ZoneInfo("Europe/London")
_FIRST = date(2026, 11, 28)


def _trip(day: date, *sites: str, crew: str = "Lene", swap_by: dict[str, date] | None = None) -> Trip:
    at = datetime(day.year, day.month, day.day, 10, tzinfo=_ZONE)
    visits = tuple(
        Visit(
            site_id=site,
            arrive=at,
            start=at,
            finish=at,
            swap_by=(swap_by or {}).get(site, date(2027, 1, 20)),
            next_swap_by=date(2027, 8, 1),
            flat_early=day,
            flat_likely=day,
            flat_late=day,
            pack_type="A",
        )
        for site in sites
    )
    letter = "A" if crew == "Lene" else "B"
    return Trip(
        trip_id=f"{day.isoformat()}-{letter}",
        date=day,
        crew=crew,
        leave=at,
        back=at,
        drive_minutes=0,
        walk_minutes=0,
        work_minutes=0,
        wait_minutes=0,
        drive_km=0,
        packs={"A": len(sites)},
        stops=(Stop(0, 0, at, at, (Loop(at, at, 0, 0, visits),)),),
    )


def _plan(*trips: Trip, first: date = _FIRST, weeks: int = 26) -> Plan:
    return Plan(
        "F", first, first, first + timedelta(weeks=weeks), 0.05, 1, Status.BEST_FOUND, 0, tuple(trips)
    )


_DEC5, _DEC12, _JAN9 = date(2026, 12, 5), date(2026, 12, 12), date(2027, 1, 9)


def test_a_plan_and_itself_differ_in_nothing():
    plan = _plan(_trip(_DEC5, "owl", "mill"), _trip(_JAN9, "pond"))
    found = compare_plans(plan, plan)
    assert found.is_empty
    assert [one.fate for one in found.trips] == [TripFate.KEPT, TripFate.KEPT]
    assert found.headline == "Nothing has changed since the last plan"
    assert str(found.trips[0]) == "kept: Sat 5 Dec 2026, Lene"


def test_each_fate_is_said_with_its_reason():
    before = _plan(
        _trip(_DEC5, "owl", "mill"),
        _trip(_DEC12, "quarry", "ridge"),
        _trip(_JAN9, "pond"),
        _trip(date(2027, 2, 6), "weir"),
    )
    after = _plan(
        _trip(_DEC5, "owl", "mill", "weir"),
        _trip(date(2026, 12, 26), "quarry", swap_by={"quarry": date(2027, 1, 2)}),
        _trip(date(2026, 12, 27), "heath"),
        _trip(_JAN9, "pond"),
    )
    found = compare_plans(before, after)
    assert [str(one) for one in found.trips] == [
        "changed: Sat 5 Dec 2026, Lene; with weir (the trips were put together anew)",
        (
            "moved: Sat 12 Dec 2026, Lene -> Sat 26 Dec 2026, 2 weeks later; without ridge "
            "(the swap-by date of quarry moved from Wed 20 Jan 2027 to Sat 2 Jan 2027)"
        ),
        "added: Sun 27 Dec 2026, Lene: heath (heath is owed a visit now)",
        "kept: Sat 9 Jan 2027, Lene",
        "dropped: Sat 6 Feb 2027, Lene (its sites go with other trips: weir)",
    ]
    assert [str(one) for one in found.sites] == [
        "heath: no visit -> Sun 27 Dec 2026 (a visit is owed this season now)",
        (
            "quarry: Sat 12 Dec 2026 -> Sat 26 Dec 2026 "
            "(its swap-by date moved from Wed 20 Jan 2027 to Sat 2 Jan 2027)"
        ),
        "ridge: Sat 12 Dec 2026 -> no visit (no visit is owed this season any more)",
        "weir: Sat 6 Feb 2027 -> Sat 5 Dec 2026 (the trips were put together anew)",
    ]
    assert found.headline == "Trips since the last plan: 1 kept, 1 changed, 1 moved, 1 added, 1 dropped"
    assert not found.is_empty
    assert found.to_json()["trips"][1] == {
        "fate": "moved",
        "before": "2026-12-12-A",
        "after": "2026-12-26-A",
        "joined": [],
        "left": ["ridge"],
        "why": "the swap-by date of quarry moved from Wed 20 Jan 2027 to Sat 2 Jan 2027",
    }


def test_a_trip_that_lies_behind_is_no_dropped_trip():
    before = _plan(_trip(_DEC5, "owl"), _trip(_JAN9, "pond"))
    found = compare_plans(before, _plan(_trip(_JAN9, "pond"), first=_DEC12))
    assert found.is_empty
    assert [str(one) for one in found.trips] == [
        "behind: Sat 5 Dec 2026, Lene (its date lies behind)",
        "kept: Sat 9 Jan 2027, Lene",
    ]


def test_a_trip_beyond_the_last_plans_end_is_the_seasons_doing():
    before = _plan(_trip(_DEC5, "owl"), weeks=4)
    found = compare_plans(before, _plan(_trip(_DEC5, "owl"), _trip(_JAN9, "owl"), weeks=8))
    assert str(found.trips[1]) == "added: Sat 9 Jan 2027, Lene: owl (the season now reaches further)"
    assert found.sites[0].why == "the season now reaches further"


def test_another_crew_is_a_move_and_a_site_that_became_late_is_the_reason():
    before = _plan(_trip(_DEC5, "owl", "mill"))
    after = replace(
        _plan(_trip(_DEC5, "owl", crew="Bo")),
        unserved=(
            Unserved(
                "mill", _DEC12, proved=False, visited_on=None, late_days=100, reason="why", smallest_change=""
            ),
        ),
    )
    (only,) = compare_plans(before, after).trips
    assert str(only) == (
        "moved: Sat 5 Dec 2026, Lene -> Sat 5 Dec 2026, Bo; without mill "
        "(mill can no longer be served in time)"
    )


_DAYS = st.integers(0, 30).map(lambda k: _FIRST + timedelta(days=k))
_PLANS = st.dictionaries(
    st.tuples(_DAYS, st.sampled_from(["Lene", "Bo"])),
    st.lists(st.sampled_from("abcdefg"), min_size=1, max_size=4, unique=True),
    max_size=6,
).map(lambda found: _plan(*(_trip(d, *sites, crew=c) for (d, c), sites in sorted(found.items()))))


@given(_PLANS)
def test_no_plan_differs_from_itself(plan):
    assert compare_plans(plan, plan).is_empty


@given(_PLANS, _PLANS)
def test_every_trip_of_both_plans_stands_once_and_turning_round_swaps_their_parts(before, after):
    there, back = compare_plans(before, after), compare_plans(after, before)
    assert sorted(x.before.trip_id for x in there.trips if x.before) == [
        t.trip_id for t in sorted(before.trips, key=lambda t: t.trip_id)
    ]
    assert sorted(x.after.trip_id for x in there.trips if x.after) == [
        t.trip_id for t in sorted(after.trips, key=lambda t: t.trip_id)
    ]
    assert {one.site_id for one in there.sites} == {one.site_id for one in back.sites}
    for fate, other in (
        (TripFate.KEPT, TripFate.KEPT),
        (TripFate.CHANGED, TripFate.CHANGED),
        (TripFate.MOVED, TripFate.MOVED),
        (TripFate.ADDED, TripFate.DROPPED),
    ):
        assert there.count(fate) == back.count(other)
    assert there.is_empty == (
        [t.trip_id for t in before.trips] == [t.trip_id for t in after.trips] and not there.sites
    )
    for one in there.trips:
        if one.fate is TripFate.MOVED:
            with pytest.raises(StopIteration):
                next(x for x in after.trips if (x.date, x.crew) == (one.before.date, one.before.crew))
