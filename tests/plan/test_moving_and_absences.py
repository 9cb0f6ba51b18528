"""What moving a trip by a week would cost, and what falls due while somebody is away; word for word."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations

import pytest

from tripplan.fleet import Crew, DateSpan, Leg
from tripplan.plan import plan_season
from tripplan.plan.build import build_season
from tripplan.plan.check import check_plan
from tripplan.plan.document import Status
from tripplan.plan.solution import Judge
from tripplan.plan.trips import TripBook
from tripplan.travel import measure_travel
from tripplan.wishes import Wish, WishKind

SATURDAY = date(2027, 3, 13)


def _plan(fleet, outlook):
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
    assert check_plan(fleet, outlook, travel, plan) == ()
    return plan


def _swap_by(outlook, **dates):
    sites = {name: replace(outlook.sites[name], swap_by=day) for name, day in dates.items()}
    return replace(outlook, sites={**outlook.sites, **sites})


@pytest.fixture
def kept(tiny_fleet, tiny_outlook):
    """Two trips whose dates and sites are known: A1 and A2 on 13 March, B1 and B2 on 3 April."""
    outlook = _swap_by(
        tiny_outlook,
        A1=date(2027, 3, 18),
        A2=date(2027, 4, 1),
        B1=date(2027, 4, 18),
        B2=date(2027, 4, 18),
    )
    days = (6, 13, 27), (3, 10)
    free = {*(date(2027, 3, k) for k in days[0]), *(date(2027, 4, k) for k in days[1])}
    everyday = [outlook.on + timedelta(days=k) for k in range((outlook.to - outlook.on).days + 1)]
    away = tuple(DateSpan(day, day) for day in everyday if day.weekday() in (5, 6) and day not in free)
    fleet = replace(tiny_fleet, crews=(replace(tiny_fleet.crews[0], away=away),))
    fleet = replace(fleet, plan=replace(fleet.plan, fallback_dates=0))
    return fleet, outlook


def test_a_week_later_makes_a_site_late_a_week_earlier_costs_nothing(kept):
    fleet, outlook = kept
    plan = _plan(fleet, outlook)
    assert plan.status is Status.PROVED
    first = next(trip for trip in plan.trips if "A1" in {v.site_id for v in trip.visits})
    assert first.date in {date(2027, 3, 6), SATURDAY}
    later, earlier = first.moving
    if first.date == SATURDAY:
        assert later == "A week later: North cannot go then."
        assert earlier == "A week earlier (Sat 6 Mar 2027): costs nothing."
    else:
        assert later == "A week later (Sat 13 Mar 2027): costs nothing."
        assert earlier == "A week earlier: North cannot go then."


def test_a_site_that_would_be_late_is_named_with_its_date(kept):
    fleet, outlook = kept
    outlook = _swap_by(outlook, A1=date(2027, 3, 8))
    plan = _plan(fleet, outlook)
    first = plan.trips[0]
    assert first.date == date(2027, 3, 6)
    assert first.moving[0] == (
        "A week later (Sat 13 Mar 2027): A1 (swap by Mon 8 Mar 2027) would be late, or it costs one trip more."
    )


def test_a_wished_date_is_not_moved(kept):
    fleet, outlook = kept
    plan = _plan(replace(fleet, wishes=(Wish(WishKind.GO, SATURDAY),)), outlook)
    trip = next(trip for trip in plan.trips if trip.date == SATURDAY)
    assert trip.moving == (
        "A week later: not as asked (a trip goes on that date).",
        "A week earlier: not as asked (a trip goes on that date).",
    )


def test_more_visits_never_make_a_site_later(random_fleets):
    """On this the claim rests that a site would be late: all dates that remain are its best case."""
    for seed in range(40):
        fleet, outlook = random_fleets.tiny_season(seed)
        season = build_season(fleet, outlook, measure_travel(fleet))
        judge = Judge(season, (), TripBook(season))
        for s, task in enumerate(season.tasks):
            days = list(task.possible)[:8]
            best = judge.late_days_of(s, days)
            for size in range(len(days)):
                for some in combinations(days, size):
                    assert best <= judge.late_days_of(s, list(some)), (seed, task.site.site_id, some)


@pytest.mark.parametrize("seed", range(8))
def test_what_would_be_late_is_late_when_the_trip_is_moved_by_a_wish(random_fleets, seed):
    """Re-plan with the other dates kept, this crew at home on the old date: the site named is late, or more trips run."""
    fleet, outlook = random_fleets.tiny_season(seed)
    plan = _plan(fleet, outlook)
    for trip in () if plan.unserved else plan.trips:
        _check_claims(fleet, outlook, plan, trip)


def _check_claims(fleet, outlook, plan, trip):
    season = [outlook.on + timedelta(days=k) for k in range((outlook.to - outlook.on).days + 1)]
    for text in trip.moving:
        match = re.match(r"A week \w+ \((.*?)\): (\S+) \(swap by", text)
        if match is None:
            continue
        target = next(day for day in season if f"{day:%a} {day.day} {day:%b %Y}" == match[1])
        allowed = {other.date for other in plan.trips if other is not trip} | {target}
        home = tuple(Wish(WishKind.STAY_HOME, day) for day in season if day not in allowed)
        again = _plan(replace(fleet, wishes=home), outlook)
        late = {one.site_id for one in again.unserved}
        # with two crews a date may hold a trip that the plan did not have
        assert match[2] in late or again.trip_count >= plan.trip_count + (trip.date not in allowed)


def test_nothing_falls_due_while_you_are_away(kept):
    fleet, outlook = kept
    notes = _plan(
        replace(
            fleet,
            crews=(
                replace(
                    fleet.crews[0],
                    away=(*fleet.crews[0].away, DateSpan(date(2027, 3, 20), date(2027, 3, 26))),
                ),
            ),
        ),
        outlook,
    ).notes
    assert "Nothing falls due while you are away (Sat 20 Mar 2027 to Fri 26 Mar 2027)." in notes


def test_what_is_swapped_before_an_absence_is_named(tiny_fleet, tiny_outlook):
    outlook = _swap_by(tiny_outlook, A1=date(2027, 3, 24))
    away = replace(tiny_fleet.crews[0], away=(DateSpan(date(2027, 3, 19), date(2027, 3, 28)),))
    notes = _plan(replace(tiny_fleet, crews=(away,)), outlook).notes
    (said,) = [note for note in notes if "you are away" in note]
    assert said.startswith(
        "Nothing falls due while you are away (Fri 19 Mar 2027 to Sun 28 Mar 2027); swapped before, because due in it: "
    )
    assert "A1 (swap by Wed 24 Mar 2027)" in said


def test_days_beside_blocked_ones_on_which_nobody_goes_count_too(tiny_fleet, tiny_outlook):
    """A blocked weekend keeps everybody at home from Monday to Friday of the next week; a Wednesday does not."""
    crews = tuple(replace(crew, weekdays=frozenset({5, 6}), away=()) for crew in tiny_fleet.crews)
    fleet = replace(tiny_fleet, crews=crews)

    def said(first, last):
        spans = (DateSpan(date(2027, 3, first), date(2027, 3, last)),)
        notes = _plan(replace(fleet, blocked=spans), tiny_outlook).notes
        return [note for note in notes if "while nobody goes" in note]

    (weekend,) = said(13, 14)
    assert "(Mon 8 Mar 2027 to Fri 19 Mar 2027)" in weekend
    assert said(17, 17) == []
    (week,) = said(15, 19)
    assert "(Mon 15 Mar 2027 to Fri 19 Mar 2027)" in week


def test_what_falls_due_in_an_absence_and_who_comes(tiny_fleet, tiny_outlook):
    outlook = _swap_by(tiny_outlook, A1=date(2027, 3, 13))
    away = replace(tiny_fleet.crews[0], away=(DateSpan(date(2027, 3, 1), date(2027, 3, 26)),))
    alone = _plan(replace(tiny_fleet, crews=(away,)), outlook).notes
    (said,) = [note for note in alone if "you are away" in note]
    assert re.fullmatch(
        r"A1 \(swap by Sat 13 Mar 2027\).* due while you are away \(Mon 1 Mar 2027 to Fri 26 Mar 2027\), and "
        r"nobody comes in time\.",
        said,
    )
    south = Crew("South", 0.0, 0.0, carry_kg=6.0, packs_aboard=3)
    legs = (*tiny_fleet.legs, Leg("South", "A1", 20.0, 12.0, 5), Leg("South", "B1", 30.0, 20.0, 6))
    both = _plan(replace(tiny_fleet, crews=(away, south), legs=legs), outlook).notes
    assert any(
        "due in the absence of North (Mon 1 Mar 2027 to Fri 26 Mar 2027), and another crew comes in time"
        in note
        for note in both
    )


def test_a_crew_that_can_reach_nothing_is_named_with_the_nearest_sum(tiny_fleet, tiny_outlook):
    far = Crew("Far", 0.0, 60.0, carry_kg=6.0, packs_aboard=3)
    notes = _plan(replace(tiny_fleet, crews=(*tiny_fleet.crews, far)), tiny_outlook).notes
    (said,) = [note for note in notes if note.startswith("Far ")]
    assert re.fullmatch(
        r"Far can reach none of the sites that are due on any of its dates; the nearest is \w+ on .*: drive "
        r"\d+ \+ park 5 \+ walk \d+ \+ work 15 \+ walk \d+ \+ drive \d+ = \d+ min; the crew's hours leave 600"
        r"(; .*)?\.",
        said,
    ), said


def test_a_season_without_any_date_names_the_reason(tiny_fleet, tiny_outlook):
    span = (DateSpan(tiny_outlook.on, tiny_outlook.to),)
    plan = _plan(replace(tiny_fleet, blocked=span), tiny_outlook)
    assert plan.trips == ()
    assert plan.late_sites == 4
    assert all(late.proved for late in plan.unserved)
    assert (
        "North can go on no date from Mon 1 Mar 2027 to Mon 26 Apr 2027: look at days, away and blocked."
        in plan.notes
    )
    assert "no crew goes on any of them (" in plan.unserved[0].reason
