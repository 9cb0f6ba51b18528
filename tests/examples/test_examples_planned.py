"""Plans of the examples and of the demo keep the promises of their READMEs; `init --from` can plan at once."""

from __future__ import annotations

import json
import shutil
from collections import Counter
from datetime import date
from pathlib import Path

import pytest

import tripplan
from tripplan.inputs import read_fleet
from tripplan.inputs.sheet_import import import_sheet
from tripplan.pipeline import DEMO_TODAY, run_plan, run_trip
from tripplan.plan.document import Plan

EXAMPLES = Path(__file__).parents[2] / "examples"
TODAY = date(2026, 11, 25)
KIT = {"map.html", "checklist.html", "load.csv", "trip.gpx", "trip.ics", "trip.geojson"}


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    def make(name):
        folder = tmp_path_factory.mktemp(name) / "fleet"
        shutil.copytree(EXAMPLES / name, folder)
        return run_plan(folder, today=TODAY)

    return make


@pytest.fixture(scope="module")
def first_weekend(planned):
    return planned("first-weekend")


@pytest.fixture(scope="module")
def two_crews(planned):
    return planned("two-crews")


@pytest.fixture(scope="module")
def dates_only(planned):
    return planned("dates-only")


@pytest.fixture(scope="module")
def demo(demo_run):
    """The plan of the demo, as its one run wrote it, and its fleet."""
    plan = Plan.from_json(json.loads((demo_run.fleet / "plan.json").read_bytes()))
    return plan, read_fleet(demo_run.fleet, TODAY)


def visits_of(plan):
    return [
        (trip, loop, visit)
        for trip in plan.trips
        for stop in trip.stops
        for loop in stop.loops
        for visit in loop.visits
    ]


def test_the_fixed_today_is_the_one_of_the_readme():
    assert DEMO_TODAY == TODAY
    assert TODAY.isoformat() in (Path(tripplan.__file__).parent / "demo" / "README.md").read_text("utf-8")


def test_first_weekend_is_planned_in_time_and_one_walk_serves_the_owls(first_weekend):
    plan = first_weekend.plan
    assert plan.status in {"proved", "best found"}
    assert {visit.site_id for _, _, visit in visits_of(plan)} == {
        "owl-1",
        "owl-2",
        "quarry",
        "pond",
        "ridge",
        "mill",
    }
    together = [
        loop for _, loop, _ in visits_of(plan) if {v.site_id for v in loop.visits} == {"owl-1", "owl-2"}
    ]
    assert together


def test_first_weekend_gets_a_kit(first_weekend):
    folder = first_weekend.path.parent
    result = run_trip(folder, today=TODAY)
    assert result.trip is not None
    assert result.trip.trip_id == first_weekend.plan.trips[0].trip_id
    assert {path.name for path in result.files} == KIT
    assert all(path.stat().st_size > 0 for path in result.files)


def test_two_crews_never_go_on_the_same_date_and_keep_off_closed_land(two_crews):
    plan = two_crews.plan
    assert plan.status in {"proved", "best found"}
    dates = Counter(trip.date for trip in plan.trips)
    assert max(dates.values()) == 1
    for trip, _, visit in visits_of(plan):
        if visit.site_id.startswith("cave"):
            assert not (trip.date >= date(2026, 12, 1) and trip.date <= date(2027, 3, 15))
        if visit.site_id.startswith("cliff"):
            assert trip.date < date(2027, 3, 1)
        if visit.site_id == "hay":
            assert trip.crew == "Ana and Mira"
        assert not date(2026, 12, 23) <= trip.date <= date(2027, 1, 2)


def test_dates_only_serves_every_gauge_by_its_date(dates_only):
    plan = dates_only.plan
    assert plan.status in {"proved", "best found"}
    first = {}
    for trip, _, visit in visits_of(plan):
        first.setdefault(visit.site_id, trip.date)
    assert first["gorge"] <= date(2026, 12, 18)
    assert first["weir"] <= date(2027, 1, 7)
    assert len(first) == 7


def test_the_demo_is_interesting(demo):
    plan, fleet = demo
    assert plan.status in {"proved", "best found"}
    assert plan.late_sites == 0
    several = [loop for _, loop, _ in visits_of(plan) if len(loop.visits) >= 3]
    assert several, "foot loops that pay"
    assert {trip.crew for trip in plan.trips} == {"Tarvel pair", "Merrin van"}
    first = {}
    for trip, _, visit in visits_of(plan):
        first.setdefault(visit.site_id, trip)
    assert first["U6"].crew == "Merrin van"
    assert first["U6"].date.weekday() == 6
    assert first["U6"].date <= date(2026, 12, 6)
    assert "U6" in first["U6"].set_by, "U6 decides its trip's date"
    assert {first[site_id].crew for site_id in ("T5", "T6")} == {"Tarvel pair"}
    for site_id in ("C1", "C3"):
        assert first[site_id].date < date(2027, 4, 10)
    assert first["M7"].date < date(2027, 2, 15)
    assert first["T3"].date <= date(2026, 12, 20)
    assert all(trip.date not in span for trip in plan.trips for span in fleet.blocked)


def test_the_first_plan_after_init_from_a_sheet_works(tmp_path):
    sheet = tmp_path / "cams.csv"
    sheet.write_text(
        "Camera;Latitude;Longitude;Last swap;Colour\n"
        "gate;57,24152;-4,15766;2026-09-26;green\n"
        "birch;57,24457;-4,15946;2026-10-31;brown\n",
        "utf-8",
    )
    answers = {"base_lat": "57.25", "base_lon": "-4.05", "volts": "12", "plug": "5.5x2.1 centre +"}
    import_sheet(tmp_path / "new", sheet, answers=answers)
    result = run_plan(tmp_path / "new", today=TODAY)
    assert result.plan.status in {"proved", "best found"}
    assert result.plan.late_sites == 0
    assert {visit.site_id for _, _, visit in visits_of(result.plan)} == {"gate", "birch"}
    assert result.path.is_file()
