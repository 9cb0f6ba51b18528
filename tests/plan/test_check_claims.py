"""
What a plan says to have proved is refused where a better plan can be seen.

One site 0.1 degrees (11.1 km) from the base, to be swapped by Saturday 6 March; Saturdays of the season are
6, 13, 20 and 27 March; a fresh pack lasts 60 days, beyond the season. One trip is enough.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from tripplan.fleet import Crew, DriveSettings, Fleet, Job, PackType, PlanSettings, Site, WalkSettings
from tripplan.forecast.outlook import Basis, Outlook, Renewal, SiteForecast
from tripplan.plan import check_plan, plan_season
from tripplan.plan.document import Plan, Status, Unserved
from tripplan.travel import measure_travel

ON = date(2027, 3, 5)  # a Friday
TO = ON + timedelta(weeks=4)
DUE = ON + timedelta(days=1)
PLUG = "5.5x2.1 centre +"


@pytest.fixture
def fleet() -> Fleet:
    return Fleet(
        name="one",
        timezone="UTC",
        crews=(Crew("N", 0.0, 0.0, weekdays=frozenset({5})),),
        sites=(Site("1", 0.0, 0.1, "P", 12.0, PLUG, 0.0, 0.1, walk_m=0.0, row=2),),
        pack_types={"P": PackType("P", 12.0, PLUG)},
        plan=PlanSettings(4, daylight_margin_minutes=0.0, reserve_minutes=0.0, fallback_dates=0),
        drive=DriveSettings(),
        walk=WalkSettings(),
    )


@pytest.fixture
def outlook() -> Outlook:
    days = (TO - ON).days + 1
    put_in = np.arange(ON.toordinal(), TO.toordinal() + 1, dtype=np.int64)
    flat = [DUE + timedelta(days=k) for k in (1, 10, 20)]
    return Outlook(
        ON,
        TO,
        0.05,
        {"1": SiteForecast("1", *flat, DUE, 0.05, 0.01, None, Basis.USUAL_LIFE, "typed in")},
        {"1": Renewal("1", put_in + 60, put_in + 61, put_in + 70, put_in + 80, Basis.USUAL_LIFE)},
        {"1": np.full(days, 0.01)},
        {"1": np.full((days // 7 + 1, days), 0.001)},
        7,
    )


def rules(fleet: Fleet, outlook: Outlook, plan: Plan) -> list[str]:
    return [str(refusal) for refusal in check_plan(fleet, outlook, measure_travel(fleet), plan)]


def with_needless_trip(fleet: Fleet, outlook: Outlook) -> Plan:
    """Return the best plan, and the same trip once more a week later."""
    plan = plan_season(fleet, outlook, measure_travel(fleet), made_on=ON, seed=1)
    assert (plan.status, plan.trip_count) == (Status.PROVED, 1)
    (trip,) = plan.trips
    week, last = timedelta(days=7), trip.date
    (stop,) = trip.stops
    (loop,) = stop.loops
    (visit,) = loop.visits
    again = replace(
        visit,
        **{name: getattr(visit, name) + week for name in ("arrive", "start", "finish", "next_swap_by")},
        swap_by=last + timedelta(days=60),
        flat_early=last + timedelta(days=61),
        flat_likely=last + timedelta(days=70),
        flat_late=last + timedelta(days=80),
        fallback_left=0,
        fallback_possible=True,
        jobs=(),
    )
    loop = replace(loop, leave=loop.leave + week, back=loop.back + week, visits=(again,))
    stop = replace(stop, arrive=stop.arrive + week, leave=stop.leave + week, loops=(loop,))
    second = replace(
        trip,
        trip_id=f"{last + week}-A",
        date=last + week,
        leave=trip.leave + week,
        back=trip.back + week,
        stops=(stop,),
    )
    dark = sum(
        outlook.expected_dark_days("1", since, until)
        for since, until in ((None, last), (last, last + week), (last + week, TO))
    )
    return replace(
        plan, trips=(trip, second), lower_bound=2, expected_dark_days=dark, life_days=0, life_days_bound=0
    )


def test_a_trip_that_nobody_needs_refutes_the_bound(fleet, outlook):
    plan = with_needless_trip(fleet, outlook)
    assert rules(fleet, outlook, plan) == [
        f"{trip.trip_id}: without this trip the others serve every site in time, so 2 is no bound "
        "(rule: lower bound)"
        for trip in plan.trips[1:]
    ]
    assert rules(fleet, outlook, replace(plan, status=Status.BEST_FOUND)) != []
    assert rules(fleet, outlook, replace(plan, status=Status.BEST_FOUND, lower_bound=1)) == []


def test_a_trip_that_serves_no_purpose_but_whose_site_has_a_job_is_let_pass(fleet, outlook):
    """The job is done on the first visit, so nothing certain is said of sites with jobs."""
    with_job = replace(fleet, jobs=(Job("1", "clean the lens", minutes=0.0),))
    plan = with_needless_trip(with_job, outlook)
    assert rules(with_job, outlook, plan) == []


def unserved(proved: bool) -> Unserved:
    return Unserved("1", DUE, proved, None, (TO - DUE).days, "no date was found", "")


@pytest.mark.parametrize("proved", [True, False])
def test_a_site_that_a_free_crew_could_serve_is_not_impossible(fleet, outlook, proved):
    plan = Plan(
        "one",
        ON,
        ON,
        TO,
        0.05,
        1,
        Status.NO_FULL_PLAN,
        0,
        (),
        late_sites=1,
        late_days=(TO - DUE).days,
        expected_dark_days=outlook.expected_dark_days("1", None, TO),
        unserved=(unserved(proved),),
    )
    expected = (
        "site 1: said to be impossible to serve in time, but trips to it alone on 2027-03-06 would do it "
        "(rule: said to be proved)"
    )
    assert rules(fleet, outlook, plan) == ([expected] if proved else [])
    counted = replace(fleet, pack_types={"P": replace(fleet.pack_types["P"], shelf_charged=0)})
    assert rules(counted, outlook, plan) == []  # there the lack of packs may be the reason
    away = replace(fleet, crews=(replace(fleet.crews[0], day_start_minute=1000),))
    assert rules(away, outlook, plan) == []  # 30 minutes are not enough for any trip
