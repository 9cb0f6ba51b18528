"""Kits of every trip that a simple planner makes of the demo and of random fleets."""

from __future__ import annotations

import gpxpy
import pytest
from greedy_plan import greedy_plan

from tripplan.cli.wording import clock_up
from tripplan.forecast import forecast_fleet
from tripplan.outputs import KIT_FILES, write_kit
from tripplan.outputs.kit_times import latest_times
from tripplan.outputs.kit_view import build_kit_view
from tripplan.outputs.pages import render_checklist, render_map_page
from tripplan.outputs.wording import wording_for
from tripplan.plan.leeway import stop_leeways
from tripplan.travel import measure_travel

DEMO_ON = "2026-11-25"


@pytest.fixture(scope="module")
def demo(valley_fleet):
    from datetime import date

    outlook = forecast_fleet(valley_fleet, date.fromisoformat(DEMO_ON))
    travel = measure_travel(valley_fleet)
    return valley_fleet, outlook, travel, greedy_plan(valley_fleet, outlook, travel)


def require_times_agree(fleet, outlook, travel, plan, trip):
    kit = build_kit_view(
        fleet, outlook, travel, plan, trip, today=outlook.on, wording=wording_for(fleet.language)
    )
    for stop in kit.stops:
        assert stop.arrive <= stop.leave <= stop.turn_back <= stop.straight_home
        for loop in stop.loops:
            assert loop.leave <= loop.latest_leave
            assert loop.back <= loop.latest_back
            for site in loop.sites:
                assert loop.leave <= site.arrive <= site.start <= site.finish <= loop.back
    assert kit.leave_text <= kit.stops[0].arrive
    assert kit.back_text < kit.call_by_text
    assert [site.number for site in kit.sites] == list(range(1, len(trip.visits) + 1))
    assert {s.key for s in kit.skip_first} | {s.key for s in kit.never_skip} == {
        v.site_id for v in trip.visits
    }
    assert sum(row.count for row in kit.load if row.kind == "pack") == sum(trip.packs.values())


def test_every_trip_of_the_demo_makes_a_kit_whose_times_agree(demo, tmp_path):
    fleet, outlook, travel, plan = demo
    assert plan.trips
    for trip in plan.trips:
        require_times_agree(fleet, outlook, travel, plan, trip)
    for trip in plan.trips[:3]:
        folder = tmp_path / trip.trip_id
        assert [
            path.name for path in write_kit(fleet, outlook, travel, plan, trip, folder, today=outlook.on)
        ] == [*KIT_FILES]
        assert gpxpy.parse((folder / "trip.gpx").read_text("utf-8")).waypoints
        page = (folder / "map.html").read_text("utf-8")
        for site in fleet.sites:
            if site.notes:
                assert site.notes not in page
            if site.find and site.site_id not in {visit.site_id for visit in trip.visits}:
                assert site.find not in page


def test_every_charging_slot_belongs_to_at_most_one_trip(demo):
    fleet, outlook, travel, plan = demo
    words = wording_for("en")
    shown = 0
    for trip in plan.trips:
        kit = build_kit_view(fleet, outlook, travel, plan, trip, today=outlook.on, wording=words)
        for evening in kit.charging:
            assert evening.off <= trip.leave
            shown += sum(int(part.split(" x ")[0]) for part in evening.text.split("; "))
    assert 0 < shown <= len(plan.charging)


@pytest.mark.parametrize("seed", range(6))
def test_random_fleets_make_kits_whose_times_agree(random_fleets, seed):
    fleet, outlook = random_fleets.random_fleet(seed)
    travel = measure_travel(fleet)
    plan = greedy_plan(fleet, outlook, travel)
    assert plan.trips
    for trip in plan.trips:
        require_times_agree(fleet, outlook, travel, plan, trip)
        for stop, times in zip(trip.stops, latest_times(fleet, travel, trip), strict=True):
            assert stop.leave <= times.turn_back
            for loop, latest in zip(stop.loops, times.loops, strict=True):
                assert loop.leave <= latest.leave
                assert loop.back <= latest.back


def test_the_kit_tells_the_return_rounded_up_as_plan_and_calendar_do(demo):
    fleet, outlook, travel, plan = demo
    told = {
        build_kit_view(
            fleet, outlook, travel, plan, trip, today=outlook.on, wording=wording_for(fleet.language)
        ).back_text
        == clock_up(trip.back)
        for trip in plan.trips
    }
    assert any(trip.back.second for trip in plan.trips)
    assert told == {True}


def test_the_kit_says_what_can_be_lost_at_each_stop_as_the_terminal_does(demo):
    fleet, outlook, travel, plan = demo
    wording, seen = wording_for("en"), set()
    for trip in plan.trips:
        kit = build_kit_view(fleet, outlook, travel, plan, trip, today=outlook.on, wording=wording)
        page, paper = render_map_page(kit, wording, recording=True), render_checklist(kit, wording)
        for stop, leeway in zip(kit.stops, stop_leeways(fleet, travel, trip), strict=True):
            lose, more = (
                wording.duration(minutes)
                for minutes in (leeway.lose_minutes, leeway.lose_with_reserve_minutes)
            )
            assert stop.turn_back == wording.clock(leeway.turn_back)
            begin = (
                f"You can lose {lose} at this stop" if leeway.lose_minutes else "No time to lose at this stop"
            )
            spent = leeway.lose_with_reserve_minutes > leeway.lose_minutes
            end = f"; {more} if the reserve before dusk is spent." if spent else "."
            assert stop.lose_text == begin + end
            assert stop.lose_text in page
            assert stop.lose_text in paper
            seen.add((leeway.lose_minutes > 0, spent))
        assert paper.count("Straight home from here, all the rest left out: off by ") == len(kit.stops)
    assert len(seen) > 1
