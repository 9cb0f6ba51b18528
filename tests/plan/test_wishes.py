"""
What the user asks of a plan: kept by the solver, verified by the checker, named where it contradicts.

The tiny fleet by hand: crew North can go on Saturdays and Sundays from 6 March to 1 May 2027; two trips
are needed for four due sites, since the vehicle holds three packs.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from typed_seasons import (
    ON,
    SATURDAYS,
    fleet_at_dusk,
    lasting,
    make_fleet,
    make_outlook,
    make_site,
    plan_checked,
)

from tripplan.errors import NoPlanError
from tripplan.fleet import Charger, Crew, DateSpan, Job, Pack, PackState
from tripplan.plan import plan_season
from tripplan.plan.build import build_season
from tripplan.plan.check import check_plan
from tripplan.plan.difference import TripFate, compare_plans
from tripplan.plan.document import Status
from tripplan.plan.start import Start
from tripplan.plan.trips import TripBook
from tripplan.travel import measure_travel
from tripplan.wishes import Wish, WishKind

GO, HOME, KEEP, INCLUDE = WishKind.GO, WishKind.STAY_HOME, WishKind.KEEP, WishKind.INCLUDE
SATURDAY, SUNDAY = date(2027, 3, 13), date(2027, 3, 14)


@pytest.fixture
def plan_with(tiny_fleet, tiny_outlook):
    """Plan the tiny fleet with wishes; every plan must pass the checker."""

    def plan(*wishes, last=None, fleet=tiny_fleet):
        asking = replace(fleet, wishes=wishes)
        travel = measure_travel(asking)
        made = plan_season(asking, tiny_outlook, travel, made_on=tiny_outlook.on, last=last)
        assert check_plan(asking, tiny_outlook, travel, made) == ()
        return made

    return plan


def _visits(plan):
    return {trip.date: {visit.site_id for visit in trip.visits} for trip in plan.trips}


def test_a_date_to_go_has_a_trip(plan_with):
    free = plan_with()
    other = SUNDAY if SUNDAY not in _visits(free) else SATURDAY
    plan = plan_with(Wish(GO, other))
    assert other in _visits(plan)
    assert plan.trip_count == free.trip_count
    assert plan.wishes == (f"a crew goes on {other:%a} {other.day} Mar 2027",)


def test_a_date_to_stay_home_has_none(plan_with):
    free = plan_with()
    first = free.trips[0].date
    plan = plan_with(Wish(HOME, first, first + timedelta(days=1)))
    assert not {first, first + timedelta(days=1)} & set(_visits(plan))


def test_a_trip_to_keep_visits_exactly_its_sites(plan_with):
    plan = plan_with(Wish(KEEP, SATURDAY, crew="North", sites=("A1", "B1")))
    assert _visits(plan)[SATURDAY] == {"A1", "B1"}


def test_a_plan_with_a_lock_keeps_the_lock_through_a_new_plan(plan_with):
    free = plan_with()
    trip = free.trips[0]
    lock = Wish(KEEP, trip.date, crew=trip.crew, sites=tuple(v.site_id for v in trip.visits))
    plan = plan_with(lock, Wish(GO, date(2027, 3, 28)), last=free)
    assert _visits(plan)[trip.date] == set(lock.sites)
    assert date(2027, 3, 28) in _visits(plan)


def test_a_site_is_included_on_its_date(plan_with):
    plan = plan_with(Wish(INCLUDE, SUNDAY, sites=("B2",)))
    assert "B2" in _visits(plan)[SUNDAY]


def test_a_site_with_a_job_that_takes_no_time_is_visited_on_request(tiny_fleet, tiny_outlook):
    late = replace(tiny_outlook.sites["A1"], swap_by=tiny_outlook.to + timedelta(days=9))
    outlook = replace(tiny_outlook, sites={**tiny_outlook.sites, "A1": late})
    fleet = replace(
        tiny_fleet, jobs=(Job("A1", "look", minutes=0.0),), wishes=(Wish(INCLUDE, sites=("A1",)),)
    )
    plan, _ = plan_checked(fleet, outlook)
    assert "A1" in set().union(*_visits(plan).values())


def test_a_date_to_go_may_be_for_taking_a_device_in():
    over = make_site("F", 0.1, active_to=ON + timedelta(days=7))
    going = Wish(GO, ON + timedelta(days=15))
    fleet = make_fleet([over], wishes=(going,))
    plan, _ = plan_checked(fleet, make_outlook(fleet, {"F": 60}, lasting(100)))
    assert set(_visits(plan)) == {going.day}


def test_a_site_that_is_not_due_is_visited_on_request(tiny_fleet, tiny_outlook):
    late = replace(tiny_outlook.sites["A1"], swap_by=tiny_outlook.to + timedelta(days=9))
    outlook = replace(tiny_outlook, sites={**tiny_outlook.sites, "A1": late})
    travel = measure_travel(tiny_fleet)

    def visits(fleet):
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
        assert check_plan(fleet, outlook, travel, plan) == ()
        return [visit.site_id for trip in plan.trips for visit in trip.visits]

    assert "A1" not in visits(tiny_fleet)
    assert "A1" in visits(replace(tiny_fleet, wishes=(Wish(INCLUDE, sites=("A1",)),)))


def test_a_wish_that_lies_behind_or_beyond_asks_for_nothing(plan_with, tiny_outlook):
    plan = plan_with(
        Wish(GO, tiny_outlook.on - timedelta(days=1)), Wish(GO, tiny_outlook.to + timedelta(days=1))
    )
    assert plan.wishes == ()


def test_a_wish_can_make_a_site_late_and_the_plan_says_so(plan_with, tiny_outlook):
    plan = plan_with(Wish(HOME, tiny_outlook.on, tiny_outlook.to - timedelta(days=6)))
    assert plan.status is Status.NO_FULL_PLAN


@pytest.mark.parametrize(
    ("wishes", "text"),
    [
        (
            (Wish(GO, date(2027, 3, 17)),),
            (
                "This wish cannot be met: a crew goes on Wed 17 Mar 2027. North can go on Saturdays and "
                "Sundays only."
            ),
        ),
        (
            (Wish(GO, date(2027, 3, 20), crew="North"),),
            (
                "This wish cannot be met: a trip of North on Sat 20 Mar 2027. North: away from Sat 20 Mar 2027 "
                "to Sun 21 Mar 2027."
            ),
        ),
        (
            (Wish(INCLUDE, sites=("A1",)), Wish(GO, SATURDAY, row=2), Wish(HOME, SATURDAY, SUNDAY, row=3)),
            (
                "These wishes contradict each other: a crew goes on Sat 13 Mar 2027 (wishes.csv, row 2); every "
                "crew stays home from Sat 13 Mar 2027 to Sun 14 Mar 2027 (wishes.csv, row 3). Without any one of "
                "them the other can be met; take one back."
            ),
        ),
        (
            (Wish(KEEP, SATURDAY, crew="North", sites=("A1", "A2", "B1", "B2")),),
            (
                "This wish cannot be met: the trip of North on Sat 13 Mar 2027 stays as it is (A1, A2, B1, B2). "
                "Each of its 4 sites can be visited that day, but not all in one trip: they are more than its "
                "hours, its daylight, the crew or the shelf allow."
            ),
        ),
        (
            (
                Wish(KEEP, SATURDAY, crew="North", sites=("A1",)),
                Wish(INCLUDE, SUNDAY, sites=("A2",)),
                Wish(INCLUDE, SATURDAY, sites=("B2",)),
            ),
            (
                "These wishes contradict each other: the trip of North on Sat 13 Mar 2027 stays as it is (A1); "
                "B2 is visited on Sat 13 Mar 2027. Without any one of them the other can be met; take one back."
            ),
        ),
        (
            tuple(Wish(INCLUDE, date(2027, 3, 6), sites=(site,)) for site in ("A1", "A2", "B1")),
            (
                "These wishes contradict each other: A1 is visited on Sat 6 Mar 2027; A2 is visited on Sat 6 "
                "Mar 2027; B1 is visited on Sat 6 Mar 2027. Without any one of them the others can be met "
                "together; take one back."
            ),
        ),
    ],
)
def test_wishes_that_cannot_be_kept_are_named_with_the_fewest_that_contradict(
    tiny_fleet, plan_with, wishes, text
):
    north = replace(tiny_fleet.crews[0], away=(DateSpan(date(2027, 3, 20), date(2027, 3, 21)),))
    with pytest.raises(NoPlanError) as caught:
        plan_with(*wishes, fleet=replace(tiny_fleet, crews=(north,)))
    assert str(caught.value) == text


def test_without_any_one_of_those_named_the_others_can_be_kept(plan_with):
    three = [Wish(INCLUDE, date(2027, 3, 6), sites=(site,)) for site in ("A1", "A2", "B1")]
    for wish in three:
        plan_with(*(other for other in three if other is not wish))


def test_a_crew_that_shares_a_person_with_a_kept_trip_stays_home(tiny_fleet, plan_with):
    two = replace(tiny_fleet, crews=(*tiny_fleet.crews, Crew("South", 0.0, 0.0, people=("Ada",))))
    with pytest.raises(NoPlanError, match="contradict each other"):
        plan_with(
            Wish(KEEP, SATURDAY, crew="North", sites=("A1",)), Wish(GO, SATURDAY, crew="South"), fleet=two
        )


def test_planning_again_changes_nothing(plan_with):
    first = plan_with()
    assert compare_plans(first, plan_with(last=first)).is_empty


def test_of_equally_few_trips_the_dates_of_the_last_plan_are_kept_at_a_stated_cost(plan_with):
    """The last plan goes a week earlier than it would, which is no fewer trips and as much crew time."""
    asked = plan_with(Wish(GO, date(2027, 3, 7)), Wish(GO, date(2027, 3, 21)))
    again = plan_with(last=asked)
    found = compare_plans(asked, again)
    assert found.count(TripFate.KEPT) == len(again.trips) == asked.trip_count
    assert set(_visits(plan_with())) != set(_visits(asked))


def test_trips_to_begin_with_that_do_not_fit_are_left_out(tiny_fleet, tiny_outlook):
    """They may have been found for a season in which other visits do the jobs."""
    season = build_season(tiny_fleet, tiny_outlook, measure_travel(tiny_fleet))
    book = TripBook(season)
    index = next(k for k, day in enumerate(season.days) if day.spans)
    day = season.days[index]
    key = (season.date_of(day.day), tiny_fleet.crews[day.crew].name)
    site = min(day.spans)
    one = frozenset((season.tasks[site].site.site_id,))
    assert book.fits(index, frozenset((site,)))
    assert Start({key: one}, None).of_season(season, book) == ({index: frozenset((site,))}, None)
    every = frozenset(task.site.site_id for task in season.tasks)
    assert not book.fits(index, frozenset(range(len(season.tasks))))
    assert Start({key: every}, None).of_season(season, book) == ({}, None)


def test_an_overdue_job_waits_for_the_kept_visit_that_would_have_nothing_else_to_do():
    """On 13 March the pack in place outlasts a fresh one; the job was due on 4 March."""
    call = Wish(KEEP, SATURDAY, crew="N", sites=("A",))
    fleet = make_fleet(
        [make_site("A", 0.1), make_site("B", 0.12)], jobs=(Job("A", "mow", ON - timedelta(days=1)),)
    )
    outlook = make_outlook(fleet, {"A": 20, "B": 3}, lambda _, put_in: 9 if put_in < 15 else put_in + 60)
    free, _ = plan_checked(fleet, outlook)
    assert {visit.site_id for visit in free.trips[0].visits} == {"A", "B"}
    plan, _ = plan_checked(replace(fleet, wishes=(call,)), outlook)
    first = next(trip for trip in plan.trips if any(visit.site_id == "A" for visit in trip.visits))
    assert (first.date, first.visits[0].jobs) == (SATURDAY, ("mow",))
    late = next(one for one in plan.unserved if one.site_id == "A")
    assert (late.proved, late.late_days) == (True, 9)


def test_the_reason_of_a_job_that_waits_names_the_visit_asked_for():
    fleet = make_fleet(
        [make_site("A", 0.1)],
        jobs=(Job("A", "mow", ON + timedelta(days=3)),),
        wishes=(Wish(INCLUDE, SATURDAY, sites=("A",)),),
    )
    lives = make_outlook(fleet, {"A": 20}, lambda _, put_in: 9 if put_in < 15 else put_in + 60)
    plan, _ = plan_checked(fleet, lives)
    assert [(late.reason, late.proved) for late in plan.unserved] == [
        ("its job waits for the visit asked for on Sat 13 Mar 2027, which has no other", True)
    ]
    swaps, _ = plan_checked(fleet, make_outlook(fleet, {"A": 60}, lasting(100)))  # a visit before is allowed
    assert not any(late.proved for late in swaps.unserved)


def test_a_job_without_a_date_is_done_on_request_before_a_swap_is_worth_while():
    wish = Wish(INCLUDE, SATURDAY, sites=("A",))
    fleet = make_fleet([make_site("A", 0.1)], jobs=(Job("A", "mow"),), wishes=(wish,))
    outlook = make_outlook(fleet, {"A": 20}, lambda _, put_in: 9 if put_in < 15 else put_in + 60)
    plan, _ = plan_checked(fleet, outlook)
    assert [trip.date for trip in plan.trips] == [SATURDAY, date(2027, 3, 20)]
    assert plan.unserved == ()


def test_a_device_is_not_set_out_on_request_with_a_pack_that_is_due_before_it_is_to_run():
    wish = Wish(INCLUDE, SATURDAY, sites=("A",))
    site = make_site("A", 0.1, active_from=ON + timedelta(days=3))
    fleet = make_fleet([site], wishes=(wish,))
    outlook = make_outlook(fleet, {"A": 3}, lambda _, put_in: 2 if put_in < 15 else 100)
    outlook = replace(outlook, sites={"A": replace(outlook.sites["A"], at_home=True)})
    with pytest.raises(NoPlanError, match="would be due by Sun 7 Mar 2027, before the device is to run"):
        plan_checked(fleet, outlook)


def _long_job_season(*wishes, minutes=400.0):
    """A job of nearly seven hours: no other site fits into the day on which it is done."""
    sites = [make_site("A", 0.5), make_site("B", -0.5)]
    fleet = make_fleet(sites, jobs=(Job("A", "fence", minutes=minutes),), wishes=wishes)
    return fleet, make_outlook(fleet, {"A": 20, "B": 20}, lasting(100))


def test_a_kept_trip_has_its_long_job_done_by_a_visit_before():
    kept = Wish(KEEP, SATURDAY, crew="N", sites=("A", "B"))
    plan, _ = plan_checked(*_long_job_season(kept))
    assert _visits(plan) == {date(2027, 3, 6): {"A"}, SATURDAY: {"A", "B"}}
    assert plan.trips[0].stops[0].loops[0].visits[0].jobs == ("fence",)
    assert plan.lower_bound <= 2


def test_a_kept_trip_of_the_first_date_cannot_have_its_job_done_before():
    kept = Wish(KEEP, date(2027, 3, 6), crew="N", sites=("A", "B"))
    with pytest.raises(
        NoPlanError, match=r"This wish cannot be met: .* Each of its 2 sites can be visited that"
    ):
        plan_checked(*_long_job_season(kept))


def test_a_job_that_fits_no_day_is_said_to_be_in_the_way():
    wish = Wish(INCLUDE, SATURDAY, sites=("A",))
    with pytest.raises(NoPlanError, match=r"cannot be met: .* work 615 .* the crew's hours leave 600\."):
        plan_checked(*_long_job_season(wish, minutes=600.0))


def test_a_device_to_be_taken_in_on_request_is_set_out_before():
    site = make_site("A", 0.1, active_from=ON + timedelta(days=3), active_to=ON + timedelta(days=12))
    wish = Wish(INCLUDE, date(2027, 3, 20), sites=("A",))
    fleet = make_fleet([site], wishes=(wish,))
    outlook = make_outlook(fleet, {"A": 3}, lasting(100))
    outlook = replace(outlook, sites={"A": replace(outlook.sites["A"], at_home=True)})
    plan, _ = plan_checked(fleet, outlook)
    assert [str(v.kind) for trip in plan.trips for v in trip.visits] == ["set out", "take in"]


@pytest.mark.parametrize("last_day", [0, 30])
def test_a_pack_may_come_back_with_a_device_that_another_trip_takes_in(last_day):
    """The shelf is bare; B's pack is back before the kept trip only where B is taken in on the Saturday before."""
    sites = [make_site("A", 0.5), make_site("B", -0.5, active_to=ON + timedelta(days=last_day))]
    kept = Wish(KEEP, SATURDAY, crew="N", sites=("A",))
    bare = {"P": replace(make_fleet(sites).pack_types["P"], shelf_charged=0)}
    fleet = make_fleet(sites, pack_types=bare, wishes=(kept,))
    outlook = make_outlook(fleet, {"A": 20, "B": 60}, lasting(100))
    if last_day:
        with pytest.raises(NoPlanError, match="no charged pack of type P is on the shelf by then"):
            plan_checked(fleet, outlook)
        return
    plan, _ = plan_checked(fleet, outlook)
    assert _visits(plan) == {date(2027, 3, 6): {"B"}, SATURDAY: {"A"}}


def test_a_second_visit_on_request_swaps_where_the_first_one_did_the_job():
    """The site is not due this season: the first visit is a call for the job."""
    wishes = [Wish(INCLUDE, day, sites=("A",)) for day in (date(2027, 3, 6), SATURDAY)]
    fleet = make_fleet([make_site("A", 0.1)], jobs=(Job("A", "mow"),), wishes=tuple(wishes))
    plan, _ = plan_checked(fleet, make_outlook(fleet, {"A": 60}, lasting(100)))
    assert [str(v.kind) for trip in plan.trips for v in trip.visits] == ["call", "swap"]


@pytest.mark.parametrize(("hours", "days", "count"), [(5.0, 1, 2), (14.5, 2, 2), (20.0, 3, 3)])
def test_a_charger_may_change_over_at_any_hour(hours, days, count):
    """The planner's own charging keeps each date's change-over for the evening; the rules do not."""
    sites = [make_site(name, 0.1 * k) for k, name in enumerate("ABCD")]
    packs = tuple(Pack(f"P{k}", "P", state=PackState.FLAT) for k in range(4))
    every = replace(SATURDAYS, weekdays=frozenset(range(7)))
    for more in (0, 1):
        kept = Wish(KEEP, ON + timedelta(days=days), crew="N", sites=tuple("ABCD"[: count + more]))
        fleet = make_fleet(
            sites, crews=(every,), packs=packs, chargers=(Charger(("P",), hours, 1),), wishes=(kept,)
        )
        outlook = make_outlook(fleet, dict.fromkeys("ABCD", 20), lasting(100))
        with pytest.raises(
            NoPlanError, match="cannot be met" if more else "nothing shows that there is none"
        ):
            plan_checked(fleet, outlook)


def test_a_loop_may_eat_the_reserve_where_another_one_follows_with_a_later_dusk():
    """A opens 28 minutes before dusk, and 30 are to be free after the last loop: B lies further west."""
    fleet = fleet_at_dusk()
    outlook = make_outlook(fleet, {"A": 5, "B": 5}, lasting(100))
    plan, _ = plan_checked(fleet, outlook)
    assert (plan.late_sites, plan.trip_count, plan.lower_bound) == (0, 1, 1)
    plan_checked(replace(fleet, wishes=(Wish(KEEP, date(2027, 3, 6), crew="N", sites=("A", "B")),)), outlook)


def test_fewer_wishes_that_contradict_are_named_before_more():
    """Three sites on Saturday are one more than North takes; four on Sunday are one more than South does."""
    crews = (
        replace(SATURDAYS, packs_aboard=2),
        replace(SATURDAYS, name="S", packs_aboard=3, weekdays=frozenset({6})),
    )
    days = {"A": 1, "B": 1, "C": 1, "D": 2, "E": 2, "F": 2, "G": 2}
    wishes = tuple(Wish(INCLUDE, ON + timedelta(days=k), sites=(name,)) for name, k in days.items())
    fleet = make_fleet([make_site(name, 0.01) for name in days], crews=crews, wishes=wishes)
    with pytest.raises(NoPlanError) as caught:
        plan_checked(fleet, make_outlook(fleet, dict.fromkeys(days, 20), lasting(100)))
    assert [name for name in days if f"{name} is visited" in str(caught.value)] == ["A", "B", "C"]


def test_a_visit_that_would_leave_one_asked_for_idle_spoils_no_other():
    """A, not due, has a job due before the visit asked for; B is due on the first Saturday too."""
    fleet = make_fleet(
        [make_site("A", 0.1), make_site("B", 0.12)],
        jobs=(Job("A", "mow", ON + timedelta(days=3)),),
        wishes=(Wish(INCLUDE, SATURDAY, sites=("A",)),),
    )
    plan, _ = plan_checked(fleet, make_outlook(fleet, {"A": 60, "B": 3}, lasting(100)))
    assert {late.site_id for late in plan.unserved} <= {"A"}
