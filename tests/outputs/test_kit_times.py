"""Latest times by hand: plain sums over the planned order."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from kit_trip import hand_case, hand_fleet, timed_trip

from tripplan.clock import local_moment
from tripplan.fleet import PlanSettings
from tripplan.outputs.kit_times import latest_times, skip_order
from tripplan.travel import measure_travel, usable_daylight


def test_latest_times_never_lie_before_the_planned_ones(case):
    for stop, times in zip(case.trip.stops, latest_times(case.fleet, case.travel, case.trip), strict=True):
        assert stop.arrive <= times.arrive
        assert stop.leave <= times.turn_back <= times.straight_home
        for loop, latest in zip(stop.loops, times.loops, strict=True):
            assert loop.leave <= latest.leave < latest.back
            assert loop.back <= latest.back


def test_last_stop_turns_back_for_the_earlier_of_dusk_with_reserve_and_crew_hours(case):
    fleet, trip = case.fleet, case.trip
    last = trip.stops[-1]
    dusk = usable_daylight(last.park_lat, last.park_lon, trip.date, fleet.zone, 30.0)[1]
    home_s = (trip.back - last.leave).total_seconds()
    crew_end = local_moment(trip.date, fleet.crews[0].day_end_minute, fleet.zone)
    expected = min(int(dusk) - 30 * 60, crew_end - home_s)
    assert latest_times(fleet, case.travel, trip)[-1].turn_back.timestamp() == expected
    short = replace(fleet, crews=(replace(fleet.crews[0], day_end_minute=870),))
    times = latest_times(short, case.travel, trip)
    assert times[-1].turn_back.timestamp() == local_moment(trip.date, 870, fleet.zone) - home_s


def test_shifting_the_whole_trip_to_its_latest_times_still_keeps_the_day(case):
    """Play the day from each stop's turn-back time: windows, dusk and crew hours must hold to the second."""
    fleet, travel, trip = case.fleet, case.travel, case.trip
    times = latest_times(fleet, travel, trip)
    gate_closes = local_moment(trip.date, 960, fleet.zone)
    for index in range(len(trip.stops) - 1):
        late = times[index].turn_back - trip.stops[index].leave
        for stop in trip.stops[index + 1 :]:
            for loop in stop.loops:
                for visit in loop.visits:
                    if fleet.sites_by_id[visit.site_id].access:
                        assert (visit.finish + late).timestamp() <= gate_closes
        end = local_moment(trip.date, fleet.crews[0].day_end_minute, fleet.zone)
        assert (trip.back + late).timestamp() <= end


def test_one_second_later_breaks_a_limit(case):
    """The turn-back time of P1 is tight: something that comes after stands exactly at its limit."""
    fleet, travel, trip = case.fleet, case.travel, case.trip
    times = latest_times(fleet, travel, trip)
    late = times[0].turn_back - trip.stops[0].leave
    limits = [local_moment(trip.date, 1080, fleet.zone) - (trip.back + late).timestamp()]
    for stop in trip.stops[1:]:
        dusk = int(usable_daylight(stop.park_lat, stop.park_lon, trip.date, fleet.zone, 30.0)[1])
        for loop in stop.loops:
            is_last = loop is trip.stops[-1].loops[-1]
            limits.append(dusk - (1800 if is_last else 0) - (loop.back + late).timestamp())
            limits.extend(
                local_moment(trip.date, 960, fleet.zone) - (visit.finish + late).timestamp()
                for visit in loop.visits
                if fleet.sites_by_id[visit.site_id].access
            )
    assert min(limits) == 0


def test_waiting_is_given_up_first():
    """With the gate opening late, the crew may leave P1 as late as the drive and walk to the gate allow."""
    fleet = hand_fleet()
    rule = replace(fleet.access["gate"][0], from_minute=720)
    early = replace(fleet, access={"gate": (rule,)})
    travel = measure_travel(early)
    plain = timed_trip(fleet, travel)
    waited = _with_waiting(plain)
    assert latest_times(early, travel, waited)[0].turn_back == latest_times(fleet, travel, plain)[0].turn_back


def _with_waiting(trip):
    """Move everything from the first work at P2 on an hour later."""
    hour = timedelta(hours=1)

    def moved(stop, *, first):
        loops = tuple(
            replace(
                loop,
                leave=loop.leave if first else loop.leave + hour,
                back=loop.back + hour,
                visits=tuple(
                    replace(
                        visit,
                        arrive=visit.arrive + (timedelta(0) if first and k == 0 else hour),
                        start=visit.start + hour,
                        finish=visit.finish + hour,
                    )
                    for k, visit in enumerate(loop.visits)
                ),
            )
            for loop in stop.loops
        )
        return replace(
            stop, arrive=stop.arrive if first else stop.arrive + hour, leave=stop.leave + hour, loops=loops
        )

    stops = (trip.stops[0], moved(trip.stops[1], first=True), moved(trip.stops[2], first=False))
    return replace(trip, stops=stops, back=trip.back + hour, wait_minutes=60.0)


def test_polar_day_needs_no_reserve():
    fleet = hand_fleet()
    north = replace(
        fleet,
        timezone="Europe/Oslo",
        sites=tuple(replace(s, lat=s.lat + 14, park_lat=s.park_lat + 14, access="") for s in fleet.sites),
        crews=(replace(fleet.crews[0], base_lat=fleet.crews[0].base_lat + 14, day_end_minute=1440),),
        plan=PlanSettings(reserve_minutes=120.0),
    )
    travel = measure_travel(north)
    summer = date(2027, 6, 19)
    trip = timed_trip(north, travel)
    days = summer - trip.date

    def shift(value):
        return datetime.combine(value.date() + days, value.timetz().replace(tzinfo=None), tzinfo=north.zone)

    stops = tuple(
        replace(
            s, arrive=shift(s.arrive), leave=shift(s.leave),
            loops=tuple(
                replace(o, leave=shift(o.leave), back=shift(o.back), visits=tuple(
                    replace(v, arrive=shift(v.arrive), start=shift(v.start), finish=shift(v.finish)) for v in o.visits
                )) for o in s.loops
            ),
        ) for s in trip.stops
    )  # fmt: skip
    moved = replace(trip, date=summer, leave=shift(trip.leave), back=shift(trip.back), stops=stops)
    times = latest_times(north, travel, moved)
    home_s = (moved.back - moved.stops[-1].leave).total_seconds()
    assert times[-1].turn_back.timestamp() == local_moment(summer, 1440, north.zone) - home_s


def test_skip_order_takes_calls_first_then_what_waits_longest(case):
    until = {visit.site_id: visit.swap_by for visit in case.trip.visits} | {"C2": None}
    assert skip_order(case.trip.visits, until) == ("E1", "C3", "D2", "E2", "C1", "D1")


def test_a_trip_that_was_never_checked_is_a_bug():
    case = hand_case()
    closed = replace(
        case.fleet, access={"gate": (replace(case.fleet.access["gate"][0], from_minute=900, to_minute=960),)}
    )
    with pytest.raises(ValueError, match="work at D2 lies in no access window"):
        latest_times(closed, case.travel, case.trip)
