"""
A plan worked out by hand passes the checker; one tampered with in one place is refused by name.

The fleet is `tiny_fleet`. By hand: the vehicle holds three packs and four are due, so two trips are
needed; A1 + A2 (20 min out) and B1 + B2 (30 min out) take the least crew time. Naismith on a path
is 0.012 min a metre and 0.1 min a metre of climb; the equator's degree is 111.3195 km, so A1 to A2
(0.003 degrees) is 333.96 m = 4.0075 min = 241 s rounded up, and B1 to B2 (0.006 degrees, 60 m up)
667.92 m = 8.015 + 6 min = 841 s rounded up. A trip leaves as late as the crew's day (17:30) allows.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from tripplan.fleet import AccessRule, Charger, DateSpan, Fleet, Job, Pack, PackState
from tripplan.forecast.at_home import forecast_at_home
from tripplan.forecast.outlook import Outlook
from tripplan.plan.check import check_document, check_plan
from tripplan.plan.document import ChargeSlot, Loop, Plan, Status, Stop, Trip, Unserved, Visit, VisitKind
from tripplan.travel import measure_travel
from tripplan.wishes import Wish, WishKind

FIRST, SECOND = date(2027, 3, 13), date(2027, 4, 3)
Tamper = Callable[[Fleet, Plan], tuple[Fleet, Plan]]


def _at(day: date, clock: str) -> datetime:
    hours, minutes, seconds = (int(part) for part in clock.split(":"))
    return datetime(day.year, day.month, day.day, hours, minutes, seconds, tzinfo=UTC)


def _visit(
    site_id: str, day: date, clocks: tuple[str, str, str], kind: str, swap_by: date, left: int
) -> Visit:
    return Visit(
        site_id=site_id,
        arrive=_at(day, clocks[0]),
        start=_at(day, clocks[1]),
        finish=_at(day, clocks[2]),
        swap_by=swap_by,
        next_swap_by=day + timedelta(days=70),
        flat_early=swap_by + timedelta(days=1),
        flat_likely=swap_by + timedelta(days=15),
        flat_late=swap_by + timedelta(days=29),
        pack_type=kind,
        fallback_left=left,
    )


@pytest.fixture
def tiny_plan() -> Plan:
    """
    Return the best plan of the tiny fleet, every clock time worked out by hand.

    First trip, 13 March, backwards from 17:30: drive 20, walk 9 min, work 15, walk 4 min 1 s, work 15,
    walk 6, park 5, drive 20 = 94 min 1 s. Second, 3 April: drive 30, walk 12, work 15,
    walk 14 min 1 s, work 15, walk 3, park 5, drive 30 = 124 min 1 s.

    Fallback dates, Saturdays and Sundays: after 13 March A1 has the 14th, A2 the 14th and the 20th;
    after 3 April B1 has the 4th, B2 the 4th, 10th and 11th.

    Dark days at 1 % a day in place and 1 permille after: 12 d x 2 + 33 d x 2 = 90 d -> 0.90, then
    44 d x 2 + 23 d x 2 = 134 d -> 0.134; together 1.034.
    """
    first = Trip(
        trip_id="2027-03-13-A",
        date=FIRST,
        crew="North",
        leave=_at(FIRST, "15:55:59"),
        back=_at(FIRST, "17:30:00"),
        drive_minutes=45.0,
        walk_minutes=1141 / 60,
        work_minutes=30.0,
        wait_minutes=0.0,
        drive_km=24.0,
        packs={"SLA12": 2},
        stops=(
            Stop(
                0.0,
                0.1,
                _at(FIRST, "16:15:59"),
                _at(FIRST, "17:10:00"),
                (
                    Loop(
                        _at(FIRST, "16:20:59"),
                        _at(FIRST, "17:10:00"),
                        walk_m=500.0 + 333.958 + 750.0,
                        carried_kg=6.0,
                        visits=(
                            _visit(
                                "A1",
                                FIRST,
                                ("16:26:59", "16:26:59", "16:41:59"),
                                "SLA12",
                                date(2027, 3, 14),
                                1,
                            ),
                            _visit(
                                "A2",
                                FIRST,
                                ("16:46:00", "16:46:00", "17:01:00"),
                                "SLA12",
                                date(2027, 3, 20),
                                2,
                            ),
                        ),
                    ),
                ),
            ),
        ),
        set_by=("A1",),
    )
    second = Trip(
        trip_id="2027-04-03-A",
        date=SECOND,
        crew="North",
        leave=_at(SECOND, "15:25:59"),
        back=_at(SECOND, "17:30:00"),
        drive_minutes=65.0,
        walk_minutes=1741 / 60,
        work_minutes=30.0,
        wait_minutes=0.0,
        drive_km=40.0,
        packs={"SLA12": 1, "SLA6": 1},
        stops=(
            Stop(
                0.0,
                0.2,
                _at(SECOND, "15:55:59"),
                _at(SECOND, "17:00:00"),
                (
                    Loop(
                        _at(SECOND, "16:00:59"),
                        _at(SECOND, "17:00:00"),
                        walk_m=250.0 + 667.917 + 1000.0,
                        carried_kg=4.5,
                        visits=(
                            _visit(
                                "B1",
                                SECOND,
                                ("16:03:59", "16:03:59", "16:18:59"),
                                "SLA12",
                                date(2027, 4, 4),
                                1,
                            ),
                            _visit(
                                "B2",
                                SECOND,
                                ("16:33:00", "16:33:00", "16:48:00"),
                                "SLA6",
                                date(2027, 4, 11),
                                3,
                            ),
                        ),
                    ),
                ),
            ),
        ),
        set_by=("B1",),
    )
    return Plan(
        fleet="tiny",
        made_on=date(2027, 3, 1),
        first=date(2027, 3, 1),
        to=date(2027, 4, 26),
        risk=0.05,
        seed=1,
        status=Status.PROVED,
        lower_bound=2,
        trips=(first, second),
        expected_dark_days=1.034,
        charging=(
            ChargeSlot("SLA12", 1, _at(FIRST, "18:00:00"), _at(FIRST + timedelta(days=1), "06:00:00")),
        ),
    )


def _edit_trip(plan: Plan, number: int, **changes: Any) -> Plan:
    trips = list(plan.trips)
    trips[number] = replace(trips[number], **changes)
    return replace(plan, trips=tuple(trips))


def _edit_stop(plan: Plan, number: int, **changes: Any) -> Plan:
    return _edit_trip(plan, number, stops=(replace(plan.trips[number].stops[0], **changes),))


def _edit_loop(plan: Plan, number: int, **changes: Any) -> Plan:
    stop = plan.trips[number].stops[0]
    return _edit_stop(plan, number, loops=(replace(stop.loops[0], **changes),))


def _edit_visit(plan: Plan, number: int, place: int, **changes: Any) -> Plan:
    visits = list(plan.trips[number].visits)
    visits[place] = replace(visits[place], **changes)
    return _edit_loop(plan, number, visits=tuple(visits))


def _moved(trip: Trip, by: timedelta) -> Trip:
    """Move a whole trip, its date and every clock time, without touching anything else."""
    stops = tuple(
        replace(
            stop,
            arrive=stop.arrive + by,
            leave=stop.leave + by,
            loops=tuple(
                replace(
                    loop,
                    leave=loop.leave + by,
                    back=loop.back + by,
                    visits=tuple(
                        replace(v, arrive=v.arrive + by, start=v.start + by, finish=v.finish + by)
                        for v in loop.visits
                    ),
                )
                for loop in stop.loops
            ),
        )
        for stop in trip.stops
    )
    leave = trip.leave + by
    return replace(
        trip,
        leave=leave,
        back=trip.back + by,
        date=leave.date(),
        trip_id=f"{leave.date()}-A",
        stops=stops,
    )


def _move(plan: Plan, number: int, by: timedelta) -> Plan:
    trips = list(plan.trips)
    trips[number] = _moved(trips[number], by)
    return replace(plan, trips=tuple(trips))


def _crew(fleet: Fleet, **changes: Any) -> Fleet:
    return replace(fleet, crews=(replace(fleet.crews[0], **changes), *fleet.crews[1:]))


def _site(fleet: Fleet, site_id: str, **changes: Any) -> Fleet:
    return replace(
        fleet, sites=tuple(replace(s, **changes) if s.site_id == site_id else s for s in fleet.sites)
    )


def _minutes(number: float) -> timedelta:
    return timedelta(minutes=number)


def _days(number: int) -> timedelta:
    return timedelta(days=number)


def test_the_plan_worked_out_by_hand_passes(tiny_fleet, tiny_outlook, tiny_plan):
    assert check_plan(tiny_fleet, tiny_outlook, measure_travel(tiny_fleet), tiny_plan) == ()


def test_it_passes_as_a_document_too(tiny_fleet, tiny_outlook, tiny_plan):
    travel = measure_travel(tiny_fleet)
    assert check_document(tiny_fleet, tiny_outlook, travel, tiny_plan.to_json()) == ()


def _second_crew(fleet: Fleet, plan: Plan) -> tuple[Fleet, Plan]:
    other = replace(fleet.crews[0], name="South")
    trip = replace(plan.trips[0], crew="South", trip_id="2027-03-13-B")
    return replace(fleet, crews=(*fleet.crews, other)), replace(
        plan, trips=(plan.trips[0], trip, plan.trips[1])
    )


def _wrong_offset(fleet: Fleet, plan: Plan) -> tuple[Fleet, Plan]:
    """The fleet lives two hours east of the offsets in the plan."""
    return replace(fleet, timezone="Africa/Cairo"), plan


def _drop_visit(plan: Plan, number: int, place: int) -> Plan:
    visits = plan.trips[number].visits
    return _edit_loop(plan, number, visits=visits[:place] + visits[place + 1 :])


def _late_trip(fleet: Fleet, plan: Plan) -> tuple[Fleet, Plan]:
    """Both A sites are visited on 27 March, 13 and 7 days late, and nobody says so."""
    return fleet, _move(plan, 0, _days(14))


def _named(plan: Plan, **changes: Any) -> Plan:
    late = Unserved(
        "A1",
        date(2027, 3, 14),
        proved=False,
        visited_on=None,
        late_days=1,
        reason="no charged pack",
        smallest_change="",
    )
    return replace(plan, status=Status.NO_FULL_PLAN, unserved=(replace(late, **changes),))


def _slot(plan: Plan, **changes: Any) -> Plan:
    return replace(plan, charging=(replace(plan.charging[0], **changes),))


_EVENING, _MORNING = _at(FIRST, "18:00:00"), _at(FIRST + _days(1), "06:00:00")

# Each row: the rule, what the tampering is, and the tampering. Where a rule has several sides, each has a row.
TAMPERED: list[tuple[str, str, Tamper]] = [
    ("header", "another fleet", lambda f, p: (f, replace(p, fleet="other"))),
    ("header", "another season", lambda f, p: (f, replace(p, to=date(2027, 5, 3)))),
    ("header", "another risk", lambda f, p: (f, replace(p, risk=0.1))),
    ("date in season", "after the season", lambda f, p: (f, _move(p, 1, _days(28)))),
    ("date in season", "before the season", lambda f, p: (f, _move(p, 0, _days(-14)))),
    ("crew day", "a Monday", lambda f, p: (f, _move(p, 0, _days(-5)))),
    ("crew day", "blocked", lambda f, p: (replace(f, blocked=(DateSpan(FIRST, FIRST),)), p)),
    ("crew day", "away", lambda f, p: (_crew(f, away=(DateSpan(SECOND, SECOND),)), p)),
    ("one trip a crew and date", "two trips", lambda f, p: (f, replace(p, trips=(p.trips[0], *p.trips)))),
    ("shared people", "two crews, one Ada", _second_crew),
    ("order of trips", "swapped", lambda f, p: (f, replace(p, trips=p.trips[::-1]))),
    ("trip id", "the second crew's letter", lambda f, p: (f, _edit_trip(p, 0, trip_id="2027-03-13-B"))),
    ("trip id", "another date", lambda f, p: (f, _edit_trip(p, 0, trip_id="2027-03-14-A"))),
    ("unknown crew", "a crew nobody knows", lambda f, p: (f, _edit_trip(p, 0, crew="East"))),
    ("unknown site", "a site nobody knows", lambda f, p: (f, _edit_visit(p, 0, 0, site_id="Z9"))),
    (
        "unknown site",
        "a stranger under unserved",
        lambda f, p: (f, _named(p, site_id="Z9")),
    ),
    ("visited twice", "one site twice", lambda f, p: (f, _edit_visit(p, 0, 1, site_id="A1"))),
    ("empty trip", "no stop", lambda f, p: (f, _edit_trip(p, 0, stops=()))),
    ("empty trip", "a loop to nowhere", lambda f, p: (f, _edit_loop(p, 0, visits=()))),
    ("set by", "a site of another trip", lambda f, p: (f, _edit_trip(p, 0, set_by=("B1",)))),
    ("clock", "wrong offset", _wrong_offset),
    ("clock", "no offset", lambda f, p: (f, _edit_trip(p, 0, leave=p.trips[0].leave.replace(tzinfo=None)))),
    (
        "clock",
        "half a second",
        lambda f, p: (f, _edit_trip(p, 0, leave=p.trips[0].leave.replace(microsecond=500000))),
    ),
    ("clock", "back before the last stop", lambda f, p: (f, _edit_trip(p, 0, back=_at(FIRST, "17:00:00")))),
    (
        "clock",
        "waiting after the last loop",
        lambda f, p: (f, _edit_stop(p, 0, leave=_at(FIRST, "17:12:00"))),
    ),
    ("clock", "leaves on another date", lambda f, p: (f, _edit_trip(p, 0, date=date(2027, 3, 14)))),
    (
        "clock",
        "charging with the wrong offset",
        lambda f, p: (f, _slot(p, on=datetime.fromisoformat("2027-03-13T20:00:00+02:00"))),
    ),
    ("crew hours", "back too late", lambda f, p: (f, _move(p, 0, _minutes(1 / 60)))),
    ("crew hours", "leaves too early", lambda f, p: (_crew(f, day_start_minute=956), p)),
    (
        "drive minutes",
        "a minute saved on the way home",
        lambda f, p: (f, _edit_trip(p, 0, back=_at(FIRST, "17:29:00"))),
    ),
    ("drive minutes", "one second saved", lambda f, p: (f, _edit_stop(p, 0, arrive=_at(FIRST, "16:15:58")))),
    (
        "drive minutes",
        "a given leg undercut",
        lambda f, p: (replace(f, legs=(replace(f.legs[0], minutes=21.0), *f.legs[1:])), p),
    ),
    ("park minutes", "parked in four", lambda f, p: (f, _edit_stop(p, 0, arrive=_at(FIRST, "16:16:59")))),
    (
        "walk minutes",
        "a minute saved to A1",
        lambda f, p: (f, _edit_visit(p, 0, 0, arrive=_at(FIRST, "16:25:59"))),
    ),
    ("walk minutes", "the climb forgotten", lambda f, p: (_site(f, "B2", climb_m=70.0), p)),
    (
        "work minutes",
        "a minute saved at A1",
        lambda f, p: (f, _edit_visit(p, 0, 0, finish=_at(FIRST, "16:40:59"))),
    ),
    ("work minutes", "a job forgotten", lambda f, p: (replace(f, jobs=(Job("A1", "cord", minutes=5.0),)), p)),
    ("jobs", "a job forgotten", lambda f, p: (replace(f, jobs=(Job("A1", "cord"),)), p)),
    ("jobs", "a job that nobody asked for", lambda f, p: (f, _edit_visit(p, 0, 0, jobs=("paint it",)))),
    (
        "waiting",
        "work before arriving",
        lambda f, p: (f, _edit_visit(p, 0, 0, start=_at(FIRST, "16:25:59"))),
    ),
    ("sums", "drive", lambda f, p: (f, _edit_trip(p, 0, drive_minutes=44.0))),
    ("sums", "walk", lambda f, p: (f, _edit_trip(p, 0, walk_minutes=19.0))),
    ("sums", "work", lambda f, p: (f, _edit_trip(p, 0, work_minutes=45.0))),
    ("sums", "wait", lambda f, p: (f, _edit_trip(p, 0, wait_minutes=1.0))),
    ("sums", "not a number", lambda f, p: (f, _edit_trip(p, 0, wait_minutes=float("nan")))),
    ("sums", "kilometres", lambda f, p: (f, _edit_trip(p, 0, drive_km=23.9))),
    ("sums", "metres on foot", lambda f, p: (f, _edit_loop(p, 0, walk_m=1500.0))),
    ("sums", "kilograms", lambda f, p: (f, _edit_loop(p, 0, carried_kg=3.0))),
    ("sums", "packs", lambda f, p: (f, _edit_trip(p, 0, packs={"SLA12": 3}))),
    ("daylight", "in the dark", lambda f, p: (f, _move(p, 0, _minutes(180)))),
    ("daylight", "before dawn", lambda f, p: (f, _move(p, 0, -_minutes(11 * 60)))),
    (
        "reserve",
        "the last loop too near to dusk",
        lambda f, p: (replace(f, plan=replace(f.plan, reserve_minutes=50.0)), p),
    ),
    ("latest leave", "an hour early", lambda f, p: (f, _move(p, 0, _minutes(-60)))),
    ("device out or in", "taken in before", lambda f, p: (_site(f, "A1", active_to=date(2027, 3, 12)), p)),
    (
        "device out or in",
        "set out where one stands",
        lambda f, p: (f, _edit_visit(p, 0, 0, kind=VisitKind.SET_OUT)),
    ),
    (
        "device out or in",
        "taken in though it is to stay",
        lambda f, p: (f, _edit_visit(p, 0, 0, kind=VisitKind.TAKE_IN)),
    ),
    ("active dates", "set out later", lambda f, p: (_site(f, "A2", active_from=date(2027, 3, 14)), p)),
    (
        "access window",
        "the gate shuts at four",
        lambda f, p: (replace(f, access={"gate": (AccessRule("gate", from_minute=540, to_minute=960),)}), p),
    ),
    (
        "access window",
        "begun inside, ended outside",
        lambda f, p: (replace(f, access={"gate": (AccessRule("gate", from_minute=540, to_minute=1000),)}), p),
    ),
    (
        "access window",
        "closed that weekday",
        lambda f, p: (replace(f, access={"gate": (AccessRule("gate", weekdays=frozenset({6})),)}), p),
    ),
    (
        "access window",
        "other crews only",
        lambda f, p: (replace(f, access={"gate": (AccessRule("gate", crews=("South",)),)}), p),
    ),
    ("carry weight", "too heavy", lambda f, p: (_crew(f, carry_kg=5.9), p)),
    ("packs aboard", "too many", lambda f, p: (_crew(f, packs_aboard=1), p)),
    ("parking", "the vehicle elsewhere", lambda f, p: (f, _edit_stop(p, 0, park_lon=0.10001))),
    (
        "parking",
        "sites of two parkings on one loop",
        lambda f, p: (f, _edit_visit(p, 0, 1, site_id="B1")),
    ),
    ("voltage", "12 V on a 6 V device", lambda f, p: (f, _edit_visit(p, 1, 1, pack_type="SLA12"))),
    (
        "plug",
        "centre negative",
        lambda f, p: (_site(f, "A1", plug="5.5x2.1 centre -"), p),
    ),
    (
        "pack type",
        "another type of the same voltage",
        lambda f, p: (f, _edit_visit(p, 0, 0, pack_type="LFP12")),
    ),
    ("pack type", "a type nobody knows", lambda f, p: (f, _edit_visit(p, 0, 0, pack_type="SLA24"))),
    ("pack identity", "a pack nobody knows", lambda f, p: (f, _edit_visit(p, 0, 0, pack_in="P77"))),
    ("call without a swap", "left in, no job", lambda f, p: (f, _edit_visit(p, 0, 0, kind=VisitKind.CALL))),
    (
        "call without a swap",
        "left in though due and a fresh one would last longer",
        lambda f, p: (
            replace(f, jobs=(Job("A1", "cord"),)),
            _edit_visit(p, 0, 0, kind=VisitKind.CALL, jobs=("cord",)),
        ),
    ),
    ("swap-by chain", "a false date", lambda f, p: (f, _edit_visit(p, 0, 0, swap_by=date(2027, 3, 21)))),
    (
        "swap-by chain",
        "a false next date",
        lambda f, p: (f, _edit_visit(p, 0, 0, next_swap_by=date(2027, 6, 1))),
    ),
    ("swap-by chain", "late and not named", _late_trip),
    ("flat dates", "a false date", lambda f, p: (f, _edit_visit(p, 1, 0, flat_likely=date(2027, 4, 5)))),
    ("site left out", "A2 dropped", lambda f, p: (f, _drop_visit(p, 0, 1))),
    ("site left out", "a whole trip dropped", lambda f, p: (f, replace(p, trips=p.trips[:1], lower_bound=1))),
    (
        "site left out",
        "a job with a date, and nobody comes",
        lambda f, p: (
            replace(f, jobs=(Job("B2", "cord", due_by=date(2027, 3, 20)),)),
            replace(_drop_visit(p, 1, 1)),
        ),
    ),
    (
        "swap-by chain",
        "a job's date missed",
        lambda f, p: (replace(f, jobs=(Job("B1", "cord", due_by=date(2027, 3, 20)),)), p),
    ),
    ("late days", "named, but in time", lambda f, p: (f, _named(p))),
    ("late days", "late sites miscounted", lambda f, p: (f, replace(p, late_sites=1))),
    ("late days", "late days miscounted", lambda f, p: (f, replace(p, late_days=3))),
    (
        "late days",
        "late days of one site miscounted",
        lambda f, p: (f, _named(_late_trip(f, p)[1], visited_on=date(2027, 3, 27), late_days=12)),
    ),
    (
        "late days",
        "visited on another date",
        lambda f, p: (f, _named(_late_trip(f, p)[1], visited_on=date(2027, 3, 28), late_days=13)),
    ),
    ("fallback dates", "no date left for A1", lambda f, p: (f, _move(p, 0, _days(1)))),
    ("fallback dates", "false count", lambda f, p: (f, _edit_visit(p, 0, 0, fallback_left=2))),
    (
        "fallback dates",
        "said to be impossible",
        lambda f, p: (f, _edit_visit(p, 0, 0, fallback_possible=False)),
    ),
    (
        "stock",
        "a pack that was not yet charged",
        lambda f, p: (f, replace(p, charging=())),
    ),
    (
        "stock",
        "charged only at seven",
        lambda f, p: (
            f,
            _slot(p, on=_at(SECOND - _days(1), "19:00:00"), off=_at(SECOND, "07:00:00")),
        ),
    ),
    ("charging", "at noon, before it came back", lambda f, p: (f, _slot(p, on=_at(FIRST, "12:00:00")))),
    ("charging", "a minute before six", lambda f, p: (f, _slot(p, on=_at(FIRST, "17:59:00")))),
    ("charging", "an hour short", lambda f, p: (f, _slot(p, off=_at(FIRST + _days(1), "05:00:00")))),
    ("charging", "a charger that is not there", lambda f, p: (f, _slot(p, charger=2))),
    ("charging", "a type nobody knows", lambda f, p: (f, _slot(p, pack_type="SLA24"))),
    (
        "charging",
        "a charger not made for the type",
        lambda f, p: (replace(f, chargers=(Charger(("SLA6",)),)), p),
    ),
    (
        "charging",
        "two packs at a time",
        lambda f, p: (
            replace(f, chargers=(replace(f.chargers[0], changeovers_per_day=5),)),
            replace(p, charging=p.charging * 2),
        ),
    ),
    (
        "charging",
        "two change-overs on one date",
        lambda f, p: (
            replace(f, chargers=(replace(f.chargers[0], hours_per_pack=2.0),)),
            replace(
                p,
                charging=(
                    ChargeSlot("SLA12", 1, _EVENING, _EVENING + _minutes(120)),
                    ChargeSlot("SLA12", 1, _EVENING + _minutes(120), _EVENING + _minutes(240)),
                ),
            ),
        ),
    ),
    (
        "charging",
        "more packs than came back",
        lambda f, p: (
            f,
            replace(
                p,
                charging=tuple(
                    ChargeSlot("SLA12", 1, _EVENING + _days(k), _MORNING + _days(k)) for k in range(3)
                ),
            ),
        ),
    ),
    ("status", "proved with another bound", lambda f, p: (f, replace(p, lower_bound=1))),
    ("status", "full, but a site named", lambda f, p: (f, replace(_named(p), status=Status.BEST_FOUND))),
    ("status", "no full plan, but nobody named", lambda f, p: (f, replace(p, status=Status.NO_FULL_PLAN))),
    ("lower bound", "above the crew time", lambda f, p: (f, replace(p, crew_seconds_bound=10**7))),
    ("lower bound", "below nothing", lambda f, p: (f, replace(p, crew_seconds_bound=-60))),
    ("life thrown away", "another sum", lambda f, p: (f, replace(p, life_days=10**6))),
    ("lower bound", "above the count", lambda f, p: (f, replace(p, status=Status.BEST_FOUND, lower_bound=3))),
    (
        "wish",
        "a date to go without a trip",
        lambda f, p: (replace(f, wishes=(Wish(WishKind.GO, FIRST + timedelta(days=7)),)), p),
    ),
    (
        "wish",
        "a trip on a date to stay home",
        lambda f, p: (replace(f, wishes=(Wish(WishKind.STAY_HOME, FIRST),)), p),
    ),
    ("wish", "told but not asked", lambda f, p: (f, replace(p, wishes=("a crew goes",)))),
    ("expected dark days", "one fewer", lambda f, p: (f, replace(p, expected_dark_days=0.034))),
    ("expected dark days", "not a number", lambda f, p: (f, replace(p, expected_dark_days=float("nan")))),
]


@pytest.mark.parametrize(
    ("rule", "tamper"),
    [pytest.param(rule, tamper, id=f"{rule}: {name}") for rule, name, tamper in TAMPERED],
)
def test_a_tampered_plan_is_refused_by_name(tiny_fleet, tiny_outlook, tiny_plan, rule, tamper):
    fleet, plan = tamper(tiny_fleet, tiny_plan)
    found = {refusal.rule for refusal in check_plan(fleet, tiny_outlook, measure_travel(fleet), plan)}
    assert rule in found


def test_a_fresh_pack_that_lasts_shorter_is_a_needless_swap(tiny_fleet, tiny_outlook, tiny_plan):
    renewal = tiny_outlook.renewals["B2"]
    short = replace(renewal, swap_by=renewal.swap_by - 63)
    outlook = replace(tiny_outlook, renewals={**tiny_outlook.renewals, "B2": short})
    plan = _edit_visit(tiny_plan, 1, 1, next_swap_by=date(2027, 4, 10))
    rules = {refusal.rule for refusal in check_plan(tiny_fleet, outlook, measure_travel(tiny_fleet), plan)}
    assert "needless swap" in rules


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"state": PackState.SUSPECT}, "pack P1 is suspect"),
        ({"state": PackState.RETIRED}, "pack P1 is retired"),
        ({"pack_type": "SLA6"}, "pack P1 is of type SLA6, not SLA12"),
        ({"where": "B1", "state": PackState.IN_USE}, "pack P1 is then at site B1"),
    ],
)
def test_a_named_pack_must_be_fit_and_at_hand(tiny_fleet, tiny_outlook, tiny_plan, change, text):
    pack = replace(Pack("P1", "SLA12"), **change)
    fleet = replace(tiny_fleet, packs=(pack, *(Pack(f"Q{k}", "SLA12") for k in range(3)), Pack("Q9", "SLA6")))
    plan = _edit_visit(tiny_plan, 0, 0, pack_in="P1")
    found = check_plan(fleet, tiny_outlook, measure_travel(fleet), plan)
    assert [refusal.text for refusal in found if refusal.rule == "pack identity"] == [text]


def test_a_pack_is_not_put_in_at_two_sites(tiny_fleet, tiny_outlook, tiny_plan):
    fleet = replace(tiny_fleet, packs=(*(Pack(f"Q{k}", "SLA12") for k in range(3)), Pack("Q9", "SLA6")))
    plan = _edit_visit(_edit_visit(tiny_plan, 0, 0, pack_in="Q1"), 1, 0, pack_in="Q1")
    found = check_plan(fleet, tiny_outlook, measure_travel(fleet), plan)
    assert [refusal.text for refusal in found if refusal.rule == "pack identity"] == [
        "pack Q1 is then at site A1"
    ]


def test_a_pack_that_came_back_is_not_put_in_before_it_was_charged(tiny_fleet, tiny_outlook, tiny_plan):
    """R1 comes back from A1 on 13 March: not for A2 on the same loop, and for B1 on 3 April only charged."""
    standing = Pack("R1", "SLA12", where="A1", since=date(2027, 1, 2), state=PackState.IN_USE)
    spares = (Pack("Q1", "SLA12"), Pack("Q2", "SLA12"), Pack("Q9", "SLA6"))
    fleet = replace(tiny_fleet, packs=(standing, *spares))
    travel = measure_travel(fleet)

    def told(plan: Plan, fleet: Fleet = fleet) -> list[str]:
        found = check_plan(fleet, tiny_outlook, travel, plan)
        return [refusal.text for refusal in found if refusal.rule == "pack identity"]

    at_once = _edit_visit(tiny_plan, 0, 1, pack_in="R1")
    too_soon = "pack R1 came back on 2027-03-13 and is not charged by then"
    assert told(at_once) == [too_soon]
    assert told(at_once, replace(fleet, chargers=())) == [too_soon]
    later = _edit_visit(tiny_plan, 1, 0, pack_in="R1")
    assert told(later) == []
    assert told(replace(later, charging=())) == [too_soon]
    assert told(replace(later, charging=()), replace(fleet, chargers=())) == []
    others = replace(later, charging=tuple(replace(slot, pack_id="Q1") for slot in later.charging))
    assert told(others) == [too_soon]


def test_every_rule_has_a_tampered_plan():
    from tripplan.plan.check import Rule

    elsewhere = {"needless swap", "format", "trip count", "said to be proved"}  # see also test_check_claims
    assert {rule for rule, _, _ in TAMPERED} | elsewhere == {str(rule) for rule in Rule}


@pytest.mark.parametrize(
    ("rule", "edit"),
    [
        ("trip count", {"trip_count": 1}),
        ("trip count", {"trip_count": None}),
        ("format", {"format": "tripplan-plan/0"}),
        ("format", {"from": "the first of March"}),
        ("format", {"trips": None}),
        ("format", {"trips": [7]}),
        ("format", {"status": "surely best"}),
    ],
)
def test_a_tampered_document_is_refused_by_name(tiny_fleet, tiny_outlook, tiny_plan, rule, edit):
    document = tiny_plan.to_json() | edit
    found = check_document(tiny_fleet, tiny_outlook, measure_travel(tiny_fleet), document)
    assert [refusal.rule for refusal in found] == [rule]


def test_no_value_of_another_kind_passes_for_what_it_looks_like(tiny_fleet, tiny_outlook, tiny_plan):
    """The number 8 as text, a flag as text or as 1, a count of 8.5: each would once have been bent into shape."""
    late = Unserved("A1", FIRST, proved=True, visited_on=None, late_days=1, reason="r", smallest_change="c")
    slot = ChargeSlot("SLA12", 1, _at(FIRST, "20:00:00"), _at(SECOND, "20:00:00"))
    plan = replace(tiny_plan, unserved=(late,), charging=(slot,), notes=("n",), wishes=("w",))
    document = plan.to_json()
    travel = measure_travel(tiny_fleet)
    plain = json.dumps(document)
    assert not [r for r in check_document(tiny_fleet, tiny_outlook, travel, document) if r.rule == "format"]
    for path, was in _leaves(document):
        if path in (("trip_count",), ("format",)):
            continue
        bent = json.loads(plain)
        holder = bent
        for key in path[:-1]:
            holder = holder[key]
        others: list[Any] = [[was], {"it": was}, float("nan"), 10**400]
        if isinstance(was, bool):
            others += [str(was).lower(), int(was), None]
        elif isinstance(was, int | float):
            others += [str(was), bool(was), None, *([was + 0.5] if isinstance(was, int) else [])]
        elif isinstance(was, str):
            others += [7, *([] if path[-1] == "pack_in" else [None])]
        else:
            others += [7, False]
        for other in others:
            holder[path[-1]] = other
            found = check_document(tiny_fleet, tiny_outlook, travel, bent)
            assert [refusal.rule for refusal in found] == ["format"], (path, other)


def test_a_document_without_a_key_is_refused(tiny_fleet, tiny_outlook, tiny_plan):
    document = tiny_plan.to_json()
    del document["trips"]
    (found,) = check_document(tiny_fleet, tiny_outlook, measure_travel(tiny_fleet), document)
    assert str(found) == "plan: 'trips' is missing (rule: format)"


@pytest.mark.parametrize(
    ("tamper", "line"),
    [
        (
            lambda f, p: (_crew(f, carry_kg=5.0), p),
            "2027-03-13-A, stop 1: a loop carries 3 + 3 = 6 kg; North can carry 5 kg (rule: carry weight)",
        ),
        (
            lambda f, p: (f, replace(p, charging=())),
            (
                "2027-04-03, SLA12: 1 put in; 2 on the shelf + 0 charged since - 2 used before = 0 charged packs"
                " (rule: stock)"
            ),
        ),
        (
            lambda f, p: (f, _edit_trip(p, 0, back=_at(FIRST, "17:29:00"), drive_minutes=44.0)),
            "2027-03-13-A, way home: the drive is given 19 min, it takes 20 min (rule: drive minutes)",
        ),
        (
            lambda f, p: (replace(f, blocked=(DateSpan(FIRST, FIRST + _days(6)),)), p),
            "2027-03-13-A: 2027-03-13 is blocked (2027-03-13 to 2027-03-19) (rule: crew day)",
        ),
        (
            lambda f, p: (f, _edit_visit(p, 1, 1, pack_type="SLA12")),
            (
                "2027-04-03-A, site B2: takes 6 V, a pack of type SLA12 gives 12 V: the wrong voltage can destroy the "
                "device (rule: voltage)"
            ),
        ),
        (
            lambda f, p: (f, _edit_trip(p, 0, work_minutes=15.0)),
            "2027-03-13-A: work_minutes says 15; the clock times make 30.0000 (30 min) (rule: sums)",
        ),
        (
            lambda f, p: (f, _move(p, 0, _minutes(-60))),
            (
                "2027-03-13-A: leaves 14:55:59; the same trip, no longer, could leave 15:55:59, 60 min later "
                "(rule: latest leave)"
            ),
        ),
    ],
)
def test_a_refusal_shows_the_sum(tiny_fleet, tiny_outlook, tiny_plan, tamper, line):
    fleet, plan = tamper(tiny_fleet, tiny_plan)
    found = [str(refusal) for refusal in check_plan(fleet, tiny_outlook, measure_travel(fleet), plan)]
    assert line in found


def test_without_counts_stock_does_not_limit(tiny_fleet, tiny_outlook, tiny_plan):
    types = {name: replace(kind, shelf_charged=None) for name, kind in tiny_fleet.pack_types.items()}
    fleet = replace(tiny_fleet, pack_types=types, chargers=())
    plan = replace(tiny_plan, charging=())
    assert check_plan(fleet, tiny_outlook, measure_travel(fleet), plan) == ()


def test_without_chargers_packs_are_charged_by_the_next_date(tiny_fleet, tiny_outlook, tiny_plan):
    fleet = replace(tiny_fleet, chargers=())
    plan = replace(tiny_plan, charging=())
    assert check_plan(fleet, tiny_outlook, measure_travel(fleet), plan) == ()


def test_a_late_visit_that_is_named_passes(tiny_fleet, tiny_outlook, tiny_plan):
    """Two packs stay 14 days longer: dark days rise by 2 x 14 x (0.01 - 0.001). Dusk is 5 min earlier."""
    fleet = replace(tiny_fleet, plan=replace(tiny_fleet.plan, reserve_minutes=25.0))
    plan = _move(tiny_plan, 0, _days(14))
    for place, site_id in enumerate(("A1", "A2")):
        assert plan.trips[0].visits[place].site_id == site_id
        plan = _edit_visit(plan, 0, place, next_swap_by=date(2027, 3, 27) + _days(70), fallback_left=0)
    slot = _slot(plan, on=_at(date(2027, 3, 27), "18:00:00"), off=_at(date(2027, 3, 28), "06:00:00"))
    named = (
        Unserved(
            "A1",
            date(2027, 3, 14),
            proved=False,
            visited_on=date(2027, 3, 27),
            late_days=13,
            reason="no free date before",
            smallest_change="a free Saturday",
        ),
        Unserved(
            "A2",
            date(2027, 3, 20),
            proved=False,
            visited_on=date(2027, 3, 27),
            late_days=7,
            reason="no free date before",
            smallest_change="a free Saturday",
        ),
    )
    plan = replace(
        slot,
        status=Status.NO_FULL_PLAN,
        unserved=named,
        late_sites=2,
        late_days=20,
        expected_dark_days=1.034 + 2 * 14 * 0.009,
    )
    assert check_plan(fleet, tiny_outlook, measure_travel(fleet), plan) == ()


def _at_home(fleet: Fleet, outlook: Outlook, site_ids: tuple[str, ...]) -> Outlook:
    """Return the forecast with some devices at home."""
    said, dark = dict(outlook.sites), dict(outlook.dark_chance_in_place)
    for site_id in site_ids:
        site = fleet.sites_by_id[site_id]
        said[site_id], dark[site_id] = forecast_at_home(site, outlook.risk, outlook.on, outlook.to)
    return replace(outlook, sites=said, dark_chance_in_place=dark)


def _set_out_by_hand(fleet: Fleet, outlook: Outlook, plan: Plan) -> tuple[Fleet, Outlook, Plan]:
    """
    Return the tiny plan with B1 and B2 set out on the second trip, on 4 and 11 April at the latest.

    Nothing runs there before: 33 days of 0.01 each are no dark days any more.
    """
    for site_id, begin in (("B1", date(2027, 4, 4)), ("B2", date(2027, 4, 11))):
        fleet = _site(fleet, site_id, active_from=begin)
    for number in (0, 1):
        by = plan.trips[1].visits[number].swap_by
        flat = {"flat_early": by, "flat_likely": by, "flat_late": by}
        plan = _edit_visit(plan, 1, number, kind=VisitKind.SET_OUT, **flat)
    plan = replace(plan, expected_dark_days=1.034 - 2 * 33 * 0.01)
    return fleet, _at_home(fleet, outlook, ("B1", "B2")), plan


def _taken_in_by_hand(fleet: Fleet, outlook: Outlook, plan: Plan) -> tuple[Fleet, Outlook, Plan]:
    """
    Return the tiny plan with B1 and B2 taken in on the second trip, 3 April, within 14 days.

    Of the dates left until 17 April, 4, 10, 11 and 17 are a Saturday or Sunday. The 23 days of 0.001 of each
    new pack are gone, and no pack is brought.
    """
    for site_id in ("B1", "B2"):
        fleet = _site(fleet, site_id, active_to=date(2027, 4, 3))
    for number in (0, 1):
        plan = _edit_visit(
            plan, 1, number, kind=VisitKind.TAKE_IN, next_swap_by=date(2027, 4, 26), fallback_left=4
        )
    plan = replace(_edit_trip(plan, 1, packs={}), expected_dark_days=1.034 - 2 * 23 * 0.001)
    return fleet, outlook, plan


@pytest.mark.parametrize("by_hand", [_set_out_by_hand, _taken_in_by_hand])
def test_devices_set_out_and_taken_in_by_hand_pass(tiny_fleet, tiny_outlook, tiny_plan, by_hand):
    fleet, outlook, plan = by_hand(tiny_fleet, tiny_outlook, tiny_plan)
    assert check_plan(fleet, outlook, measure_travel(fleet), plan) == ()
    assert check_document(fleet, outlook, measure_travel(fleet), json.loads(json.dumps(plan.to_json()))) == ()


@pytest.mark.parametrize(
    ("by_hand", "change", "rule", "text"),
    [
        (
            _set_out_by_hand,
            lambda f, p: (f, replace(p, trips=p.trips[:1], lower_bound=1)),
            "site left out",
            "due by 2027-04-04, not visited after that",
        ),
        (
            _set_out_by_hand,
            lambda f, p: (f, _edit_visit(p, 1, 0, kind=VisitKind.SWAP)),
            "device out or in",
            "the visit is a swap, but the device stands at home: it is set out",
        ),
        (
            _set_out_by_hand,
            lambda f, p: (f, _edit_visit(p, 1, 0, kind=VisitKind.TAKE_IN)),
            "device out or in",
            "the visit is a take in, but the device stands at home",
        ),
        (
            _set_out_by_hand,
            lambda f, p: (replace(f, plan=replace(f.plan, set_out_days=7)), p),
            "active dates",
            "is active from 2027-04-11 and not visited before 2027-04-04",
        ),
        (
            _set_out_by_hand,
            lambda f, p: (_site(f, "B1", device_kg=0.7), p),
            "sums",
            "the packs weigh 5.2 kg",
        ),
        (
            _set_out_by_hand,
            lambda f, p: (_site(f, "B1", device_kg=1.6), p),
            "carry weight",
            "a loop carries 4.6 + 1.5 = 6.1 kg; North can carry 6 kg",
        ),
        (
            _set_out_by_hand,
            lambda f, p: (_site(f, "B1", active_to=date(2027, 4, 3), active_from=date(2027, 4, 3)), p),
            "device out or in",
            "set out on 2027-04-03; active until 2027-04-03",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (f, replace(p, trips=p.trips[:1], lower_bound=1)),
            "site left out",
            "due by 2027-04-17, not visited after that",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (f, _edit_visit(p, 1, 0, kind=VisitKind.SWAP)),
            "device out or in",
            "a swap on 2027-04-03; from 2027-04-03 (active_to) on a visit takes the device in",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (_site(f, "B1", active_to=date(2027, 4, 4)), p),
            "device out or in",
            "the device is taken in on 2027-04-03; it is to run until 2027-04-04",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (f, _edit_visit(p, 1, 0, next_swap_by=date(2027, 5, 1))),
            "swap-by chain",
            "nothing is owed after taking in",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (f, _edit_visit(p, 1, 0, fallback_left=3)),
            "fallback dates",
            "5 dates serve from 2027-04-03 to 2027-04-17, 4 of them later: 4, True",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (f, _edit_visit(p, 1, 0, pack_in="P1")),
            "pack identity",
            "pack P1 is named, but the visit puts none in",
        ),
        (
            _taken_in_by_hand,
            lambda f, p: (_crew(f, packs_aboard=1), p),
            "packs aboard",
            "2 packs to bring or fetch; the vehicle of North takes 1 packs",
        ),
    ],
)
def test_devices_set_out_or_taken_in_wrongly_are_refused(
    tiny_fleet, tiny_outlook, tiny_plan, by_hand, change, rule, text
):
    fleet, outlook, plan = by_hand(tiny_fleet, tiny_outlook, tiny_plan)
    fleet, plan = change(fleet, plan)
    found = [r for r in check_plan(fleet, outlook, measure_travel(fleet), plan) if r.rule == rule]
    assert any(text in refusal.text for refusal in found), found


def test_a_pack_that_was_taken_in_is_charged_before_it_goes_out_again(tiny_fleet, tiny_outlook, tiny_plan):
    """B1's pack comes home on 13 March; named for A... on 3 April it must have been on the charger."""
    fleet, outlook, plan = _taken_in_by_hand(tiny_fleet, tiny_outlook, tiny_plan)
    packs = (
        Pack("P1", "SLA12", where="B1", state=PackState.IN_USE),
        *(Pack(f"Q{k}", "SLA12") for k in range(3)),
        Pack("Q9", "SLA6"),
    )
    fleet = replace(fleet, packs=packs)
    again = replace(plan.trips[1], trip_id="later", date=date(2027, 4, 4))
    again = replace(plan, trips=(*plan.trips, again))
    again = _edit_visit(again, 2, 0, site_id="A1", kind=VisitKind.SWAP, pack_in="P1")
    found = check_plan(fleet, outlook, measure_travel(fleet), again)
    texts = [refusal.text for refusal in found if refusal.rule == "pack identity"]
    assert texts == ["pack P1 came back on 2027-04-03 and is not charged by then"]


def test_the_polar_day_needs_no_reserve(tiny_fleet, tiny_outlook, tiny_plan):
    """Near the pole the sun stays up: a reserve of twelve hours would otherwise refuse the trips."""
    outlook: Outlook = tiny_outlook
    sites = tuple(
        replace(s, lat=89.0, lon=10.0, park_lat=89.0, park_lon=10.0, walk_m=250.0, climb_m=0.0)
        for s in tiny_fleet.sites
    )
    fleet = replace(
        _crew(tiny_fleet, base_lat=89.0, base_lon=10.0),
        sites=sites,
        legs=(),
        plan=replace(tiny_fleet.plan, reserve_minutes=720.0),
    )
    found = check_plan(fleet, outlook, measure_travel(fleet), tiny_plan)
    second = [r for r in found if r.where.startswith("2027-04-03") and r.rule in {"reserve", "daylight"}]
    assert second == []
    dark = replace(fleet, plan=replace(fleet.plan, daylight_margin_minutes=0.0))
    early = [r.rule for r in check_plan(dark, outlook, measure_travel(dark), tiny_plan) if "03-13" in r.where]
    assert "daylight" in early  # on 13 March the sun has not risen there yet


def _leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[tuple[Any, ...], Any]]:
    if isinstance(value, dict):
        return [leaf for key, inner in value.items() for leaf in _leaves(inner, (*path, key))]
    if isinstance(value, list):
        return [leaf for key, inner in enumerate(value) for leaf in _leaves(inner, (*path, key))]
    return [(path, value)]


def _others(value: Any) -> list[Any]:
    """Return values near the true one: a second, a day, a fifth, a letter away, and far ones."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [value + 1, value - 1, 10**6]
    if isinstance(value, float):
        return [value + 0.2, value - 0.2, float("nan"), float("inf"), -1e9]
    if value is None:
        return ["P1"]
    if len(value) == 10 and value[4] == "-":
        day = date.fromisoformat(value)
        return [(day + _days(step)).isoformat() for step in (1, -1, 3650)]
    if len(value) == 25 and value[10] == "T":
        clock = datetime.fromisoformat(value)
        steps = [clock + timedelta(seconds=1), clock - timedelta(seconds=1), clock + _days(7)]
        return [*(moved.isoformat() for moved in steps), clock.replace(tzinfo=None).isoformat()]
    return [value + "x", ""]


def _replaced(document: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    copy = dict(document) if isinstance(document, dict) else list(document)
    copy[path[0]] = _replaced(copy[path[0]], path[1:], value)
    return copy


def test_every_value_in_the_file_is_checked(tiny_fleet, tiny_outlook, tiny_plan):
    """Change each value alone: all but the seed, the fingerprint of the inputs and free text is refused."""
    free = {"seed", "inputs_digest", "crew_minutes_bound"}  # a bound below the value cannot be proved again
    travel = measure_travel(tiny_fleet)
    document = tiny_plan.to_json()
    let_pass = []
    for path, value in _leaves(document):
        for other in _others(value):
            changed = _replaced(document, path, other)
            if path[-1] not in free and not check_document(tiny_fleet, tiny_outlook, travel, changed):
                let_pass.append((path, value, other))
    # A charger may keep a pack longer than its hours, and be given it a little later.
    slack = {
        (("charging", 0, "off"), step) for step in ("2027-03-14T06:00:01+00:00", "2027-03-21T06:00:00+00:00")
    }
    assert {(path, other) for path, _, other in let_pass} == slack


def test_nothing_in_a_document_breaks_the_checker_itself(tiny_fleet, tiny_outlook, tiny_plan):
    """Whatever stands in place of a value, list or table, there is an answer and never a crash."""
    travel = measure_travel(tiny_fleet)
    document = tiny_plan.to_json()
    paths = {path[:depth] for path, _ in _leaves(document) for depth in range(1, len(path) + 1)}
    assert len(paths) > 100
    for path in sorted(paths, key=str):
        if path[0] in {"seed", "inputs_digest"}:
            continue
        for other in (None, "", "x", -1, 1e308, float("inf"), [], {}, [[]], [None], {"a": 1}, True):
            assert isinstance(
                check_document(tiny_fleet, tiny_outlook, travel, _replaced(document, path, other)), tuple
            )


def _fleet_with_named(tiny_fleet, state):
    packs = (
        Pack("P1", "SLA12", state=state),
        *(Pack(f"Q{k}", "SLA12") for k in range(3)),
        Pack("Q9", "SLA6"),
    )
    return replace(tiny_fleet, packs=packs)


def _identity_refusals(fleet, outlook, plan):
    found = check_plan(fleet, outlook, measure_travel(fleet), plan)
    return [refusal.text for refusal in found if refusal.rule in ("pack identity", "charging")]


def test_a_flat_pack_that_is_named_must_be_charged_by_name_before(tiny_fleet, tiny_outlook, tiny_plan):
    fleet = _fleet_with_named(tiny_fleet, PackState.FLAT)
    plan = replace(_edit_visit(tiny_plan, 0, 0, pack_in="P1"), charging=())
    assert _identity_refusals(fleet, tiny_outlook, plan) == ["pack P1 is flat and not charged by then"]
    evening = datetime(2027, 3, 1, 18, tzinfo=fleet.zone)
    slot = ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=12), "P1")
    assert _identity_refusals(fleet, tiny_outlook, replace(plan, charging=(slot,))) == []
    other = replace(slot, pack_id="Q1")
    assert _identity_refusals(fleet, tiny_outlook, replace(plan, charging=(other,))) == [
        "pack P1 is flat and not charged by then"
    ]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"pack_id": "P7"}, "pack P7 is not in packs.csv"),
        ({"pack_id": "Q9"}, "pack Q9 is of type SLA6"),
        ({"pack_id": "P1", "top_up": True}, "only a pack that stands charged on the shelf is topped up"),
        ({"pack_id": "", "top_up": True}, "only a pack that stands charged on the shelf is topped up"),
    ],
)
def test_a_charge_by_name_must_fit_its_pack(tiny_fleet, tiny_outlook, tiny_plan, change, text):
    fleet = _fleet_with_named(tiny_fleet, PackState.FLAT)
    evening = datetime(2027, 3, 1, 18, tzinfo=fleet.zone)
    slot = replace(ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=12)), **change)
    assert text in _identity_refusals(fleet, tiny_outlook, replace(tiny_plan, charging=(slot,)))


def test_a_top_up_is_short_and_takes_no_flat_packs_turn(tiny_fleet, tiny_outlook, tiny_plan):
    fleet = _fleet_with_named(tiny_fleet, PackState.CHARGED)
    evening = datetime(2027, 3, 1, 18, tzinfo=fleet.zone)
    slot = ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=3), "P1", top_up=True)
    assert _identity_refusals(fleet, tiny_outlook, replace(tiny_plan, charging=(slot,))) == []
    back = replace(slot, off=evening)
    assert "it comes off before it goes on" in _identity_refusals(
        fleet, tiny_outlook, replace(tiny_plan, charging=(back,))
    )
