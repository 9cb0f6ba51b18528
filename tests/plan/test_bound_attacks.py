"""Wrong proofs found by attack: each of these was once claimed against a plan that exists."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
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

from tripplan.fleet import AccessRule, Charger, Job
from tripplan.plan import check_plan, solve
from tripplan.plan.build import build_season
from tripplan.plan.charging import charge_schedule, most_charged
from tripplan.plan.check_rules import Rule
from tripplan.plan.document import Status, VisitKind
from tripplan.plan.master import Master
from tripplan.plan.owed import owed_by
from tripplan.plan.pricing import Pricer
from tripplan.plan.solution import Judge
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel
from tripplan.wishes import Wish, WishKind


def _with_shelf(fleet, charged, *chargers):
    kinds = {name: replace(kind, shelf_charged=charged) for name, kind in fleet.pack_types.items()}
    return replace(fleet, pack_types=kinds, chargers=chargers)


def _gate(*rows):
    """Return a place open between minutes of the day, each row in a span of days."""
    return {
        "gate": tuple(
            AccessRule(
                "gate",
                season_from=ON + timedelta(days=first),
                season_to=ON + timedelta(days=last),
                from_minute=opens,
                to_minute=closes,
            )
            for first, last, opens, closes in rows
        )
    }


def test_the_pack_of_a_device_that_need_not_be_taken_in_may_feed_another_site():
    """F is over on day 1 and its taking in owed after the season; its pack, charged, serves B on day 8."""
    from brute_force import solve_by_force

    over = make_site("F", 0.1, active_to=ON + timedelta(days=1))
    fleet = _with_shelf(make_fleet([over, make_site("B", 0.12)], weeks=2), 0)
    outlook = make_outlook(fleet, {"F": 60, "B": 8}, lasting(100))
    plan, travel = plan_checked(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert (best.late_sites, best.trips) == (0, 2)
    assert not any(late.proved for late in plan.unserved)


def test_a_call_that_does_the_jobs_first_leaves_more_dates_to_fall_back_on():
    """
    A's mast takes two hours, and from day 17 on its gate is open for one.

    A swap there on the first visit leaves a fallback only by day 14; after a call on day 1 (a fresh pack would
    not last as long as the old one) the swap may wait for day 22, where B's trip runs anyway.
    """
    from brute_force import solve_by_force

    jobs = (Job("A", "mast", minutes=120.0),)
    gate = _gate((0, 16, 480, 1000), (17, 60, 600, 660))
    sites = [make_site("A", 0.1, access="gate"), make_site("B", 0.12)]
    fleet = make_fleet(sites, weeks=6, fallback=1, jobs=jobs, access=gate)

    def renewed(name, day):
        return (20 if day < 8 else 200) if name == "A" else (29 if day < 15 else 200)

    outlook = make_outlook(fleet, {"A": 29, "B": 1}, renewed)
    plan, travel = plan_checked(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert (best.late_sites, best.trips) == (0, 2)
    assert plan.lower_bound <= best.trips
    season = build_season(fleet, outlook, travel)
    windows = build_windows(season, 1)
    days = {"strict": windows.rows, "loose": windows.bound_rows}
    assert {name: {row.days for row in rows if row.site == 0} for name, rows in days.items()} == {
        "strict": {(8,)},
        "loose": {(8, 15, 22)},
    }


def test_windows_of_plans_and_bounds_are_the_same_where_no_call_can_come_first(random_fleets):
    same = 0
    for seed in range(60):
        fleet, outlook = random_fleets.random_fleet(seed)
        season = build_season(fleet, outlook, measure_travel(fleet))
        windows = build_windows(season, fleet.plan.fallback_dates)
        same += windows.rows == windows.bound_rows
        for row in windows.bound_rows:
            inner = [one.days for one in windows.rows if one.site == row.site]
            assert any(set(days) <= set(row.days) for days in inner), "a bound asks for no more than a plan"
    assert same >= 50


def test_dates_on_which_a_visit_takes_a_pack_or_brings_one_are_not_priced_together():
    """On Saturday a visit swaps, on Sunday (the device's last day) it takes in and needs no charged pack."""
    crew = replace(SATURDAYS, weekdays=frozenset({5, 6}))
    sites = [make_site(f"{k}", 0.1 + 0.01 * k, active_to=ON + timedelta(days=9)) for k in range(2)]
    fleet = _with_shelf(make_fleet(sites, (crew,), weeks=4), 1)
    outlook = make_outlook(fleet, {"0": 9, "1": 9}, lasting(100))
    season = build_season(fleet, outlook, measure_travel(fleet))
    book, pricer = TripBook(season), Pricer(season)
    prize = np.array([0.6, 0.7])
    several = 0
    for group in Master(season, (), (), book, pricer)._twin_days():
        priced = pricer.price(tuple(group), prize, 0.1)
        for index in group:
            day = season.days[index].day
            needs = int(sum(task.pays[day] for task in season.tasks))
            if book.fits(index, (0, 1)) and needs <= 1:
                assert priced.best >= 1.3 - 1e-9
        several += len({tuple(bool(t.pays[season.days[i].day]) for t in season.tasks) for i in group}) > 1
    assert not several


@pytest.mark.parametrize("hours", [12.0001, 19384.2 / 3600, 7 * 1.13 / 0.7])
def test_charges_of_any_length_pass_the_checker(hours):
    """Hours that come from a charger's current are no whole seconds; a pack stays the full hours."""
    fleet = make_fleet([make_site("A", 0.1), make_site("B", 0.12)], weeks=3)
    fleet = _with_shelf(fleet, 1, Charger(("P",), hours, 1))
    plan, _ = plan_checked(fleet, make_outlook(fleet, {"A": 2, "B": 9}, lasting(100)))
    assert plan.status is Status.PROVED
    assert plan.charging
    assert all((slot.off - slot.on).total_seconds() >= hours * 3600 - 1e-6 for slot in plan.charging)


def test_the_night_in_which_clocks_go_back_has_an_hour_more_for_charging():
    """A pack put on at 00:00 of 31 October 2027 for 6.5 hours is charged at 05:30 by the clock."""
    fleet = replace(make_fleet([make_site("A", 0.1)]), timezone="Europe/Berlin")
    fleet = _with_shelf(fleet, 1, Charger(("P",), 6.0, 1), Charger(("P",), 6.5, 1))
    for saturday, most in ((date(2027, 10, 30), 5), (date(2027, 11, 6), 4)):
        assert most_charged(fleet, saturday, "P", 0, 1) == most
    run = charge_schedule(fleet, date(2027, 10, 30), {"P": {0: 1, 1: 1}})
    assert run.shortages == ()


def test_a_plan_that_leaves_too_few_fallback_dates_is_bounded_by_plans_that_may(monkeypatch):
    """One pack and two sites, both due on day 8: whoever is left for day 8 has no fallback."""
    from brute_force import solve_by_force

    fleet = _with_shelf(make_fleet([make_site("A", 0.1), make_site("B", 0.12)], weeks=3, fallback=1), 1)
    outlook = make_outlook(fleet, {"A": 8, "B": 8}, lasting(100))
    runs = []
    kept = solve._best_run

    def keep(*args):
        runs.append(kept(*args))
        return runs[-1]

    monkeypatch.setattr(solve, "_best_run", keep)
    plan, travel = plan_checked(fleet, outlook)
    best = solve_by_force(replace(fleet, plan=replace(fleet.plan, fallback_dates=0)), outlook, travel)
    assert (plan.late_sites, best.late_sites, best.trips) == (0, 0, 2)
    assert runs[-1].bound <= best.trips, "no bound may rest on windows that its own plan does not keep"


def test_a_call_names_every_date_that_is_left_after_it():
    """A job is due on day 2; a fresh pack lasts as long as the old one only from day 20 on."""
    jobs = (Job("A", "clean", due_by=ON + timedelta(days=2), minutes=5.0),)
    fleet = make_fleet([make_site("A", 0.1)], weeks=5, fallback=1, jobs=jobs)
    outlook = make_outlook(fleet, {"A": 23}, lambda _, day: day + 5 if day < 20 else 200)
    plan, _ = plan_checked(fleet, outlook)  # the checker counts them too
    (call, swap) = (visit for trip in plan.trips for visit in trip.visits)
    assert (call.kind, call.fallback_left) == (VisitKind.CALL, 3)
    assert (swap.kind, swap.fallback_left) == (VisitKind.SWAP, 0)


def test_a_visit_that_comes_late_leaves_no_date_to_fall_back_on():
    """A site dark already: whatever count its visit gives beside nought is refused."""
    fleet = make_fleet([make_site("A", 0.1), make_site("B", 0.12)], weeks=3)
    outlook = make_outlook(fleet, {"A": -3, "B": 14}, lasting(100))
    plan, travel = plan_checked(fleet, outlook)

    def told(left):
        """The plan with another count for the late visit."""

        def visit(one):
            return replace(one, fallback_left=left) if one.site_id == "A" else one

        return replace(
            plan,
            trips=tuple(
                replace(
                    trip,
                    stops=tuple(
                        replace(
                            stop,
                            loops=tuple(
                                replace(loop, visits=tuple(visit(one) for one in loop.visits))
                                for loop in stop.loops
                            ),
                        )
                        for stop in trip.stops
                    ),
                )
                for trip in plan.trips
            ),
        )

    (late,) = [(trip.date, one) for trip in plan.trips for one in trip.visits if one.site_id == "A"]
    assert late[0] > late[1].swap_by
    assert check_plan(fleet, outlook, travel, told(0)) == ()
    for left in (1, 7, 10**300):
        assert {one.rule for one in check_plan(fleet, outlook, travel, told(left))} == {Rule.FALLBACK}


def test_a_visit_that_nobody_owes_may_make_room_before_dusk():
    """A opens 28 minutes before dusk, and 30 are to be free after the last loop: B, not due, lies further west."""
    fleet = fleet_at_dusk()
    outlook = make_outlook(fleet, {"A": 5, "B": 100}, lasting(100))
    wish = Wish(WishKind.KEEP, date(2027, 3, 6), crew="N", sites=("A", "B"))
    kept, travel = plan_checked(replace(fleet, wishes=(wish,)), outlook)
    assert kept.late_sites == 0
    assert check_plan(fleet, outlook, travel, replace(kept, wishes=())) == (), "nobody need wish for it"
    plan, _ = plan_checked(fleet, outlook)
    assert not any(late.proved for late in plan.unserved)
    assert plan.lower_bound <= kept.trip_count


def test_life_is_not_bounded_by_swaps_where_a_job_may_leave_the_pack_in():
    """A's job is due on day 3; until day 10 a fresh pack is due the very day that the one in place is."""
    from brute_force import solve_by_force

    jobs = (Job("A", "clean", due_by=ON + timedelta(days=3), minutes=5.0),)
    fleet = make_fleet([make_site("A", 0.1)], weeks=5, jobs=jobs)
    outlook = make_outlook(fleet, {"A": 20}, lambda _, day: 20 if day < 10 else 200)
    plan, travel = plan_checked(fleet, outlook)
    best = solve_by_force(fleet, outlook, travel)
    assert plan.trip_count == best.trips
    assert plan.life_days_bound <= best.life_days


def test_a_site_late_anyway_may_give_up_a_fallback_date_too():
    """C is late in every plan; a plan that leaves it no date to fall back on is as good as others that leave B none."""
    fleet = make_fleet(
        [make_site("B", 0.1), make_site("C", 0.12, access="gate")],
        weeks=3,
        fallback=1,
        access=_gate((0, 10, 0, 1440)),
    )
    outlook = make_outlook(fleet, {"B": 15, "C": 9}, lasting(9))
    season = build_season(fleet, outlook, measure_travel(fleet))
    windows = build_windows(season, 1)
    at = {task.site.site_id: s for s, task in enumerate(season.tasks)}
    on = {day.day: i for i, day in enumerate(season.days)}
    b, c = at["B"], at["C"]
    assert set(windows.sure_late) == {c}
    assert {row.days for row in windows.rows if row.site == b} == {(8,), (15,)}
    judge = Judge(season, windows.rows, TripBook(season))
    without = {on[8]: frozenset({b, c}), on[15]: frozenset({b})}
    assert [row.site for row in judge.missed(without)] == [c]
    owed = owed_by(season, windows, judge, without, bent=False)
    assert owed.bends
    assert [row.days for row in owed.rows] == [(15,)]
    kept = owed_by(season, windows, judge, {on[1]: frozenset({c}), **without}, bent=False)
    assert not kept.bends
    assert [row.days for row in kept.rows] == [(8,), (15,)]
