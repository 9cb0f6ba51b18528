from __future__ import annotations

from datetime import date

import pytest

from tripplan.fleet import AccessRule, Crew, DriveSettings, Job, Leg, PlanSettings, WalkSettings
from tripplan.travel import measure_travel, single_visit_sum, usable_daylight

DAY = date(2026, 12, 5)


@pytest.fixture
def build(make_fleet, make_site):
    def sums(day=DAY, lat=52.1, crew=None, site=None, **fleet):
        place = make_site("A", lat, -4.1, walk_m=1000.0, climb_m=100.0, work_minutes=20.0, **(site or {}))
        crew = crew or Crew("home", 52.0, -4.0)
        fleet.setdefault("drive", DriveSettings(park_minutes=5.0))
        whole = make_fleet(
            place,
            crews=(crew,),
            walk=WalkSettings(speed_factor=1.0),
            legs=(Leg("home", "A", 95.0), Leg("A", "home", 90.0)),
            **fleet,
        )
        return whole, single_visit_sum(whole, measure_travel(whole), crew, place, day)

    return sums


def test_the_sum_and_its_text(build):
    _, total = build(jobs=(Job("A", "cord", minutes=10.0), Job("A", "lens", minutes=99.0, done_on=DAY)))
    parts = (total.drive_out, total.park, total.walk_out, total.work, total.walk_back, total.drive_back)
    assert parts == pytest.approx((95.0, 5.0, 22.0, 30.0, 12.0, 90.0))
    assert total.total == pytest.approx(254.0)
    assert total.on_foot == pytest.approx(64.0)
    assert total.short_by < 0
    assert str(total) == "drive 95 + park 5 + walk 22 + work 30 + walk 12 + drive 90 = 254 min"


def test_daylight_leaves_out_the_reserve(build):
    fleet, total = build(plan=PlanSettings(daylight_margin_minutes=20, reserve_minutes=40))
    light = usable_daylight(52.1, -4.1, DAY, fleet.zone, 20)
    assert total.daylight_minutes == pytest.approx((light[1] - light[0]) / 60 - 40)
    assert total.crew_minutes == 600.0
    assert total.open_minutes == 1440.0


def test_no_reserve_in_the_polar_day(build):
    _, total = build(date(2026, 6, 21), lat=71.0, timezone="Europe/Oslo")
    assert total.daylight_minutes == 1440.0
    assert total.loop_room_minutes == pytest.approx(600.0 - 95.0 - 5.0 - 90.0)


def test_polar_night_leaves_nothing(build):
    _, total = build(lat=75.0)
    assert (total.daylight_minutes, total.loop_room_minutes) == (0.0, 0.0)
    assert str(total) == "walk 22 + work 20 + walk 12 = 54 min; daylight leaves 0"
    assert total.short_by == pytest.approx(54.0)


def test_the_crews_hours_bind(build):
    _, total = build(crew=Crew("home", 52.0, -4.0, day_start_minute=600, day_end_minute=780))
    assert str(total).endswith("= 244 min; the crew's hours leave 180")
    assert total.short_by == pytest.approx(64.0)


def test_both_together_bind(build):
    late = Crew("home", 52.0, -4.0, day_start_minute=780, day_end_minute=1440)
    _, total = build(crew=late)
    assert total.total < total.crew_minutes
    assert total.on_foot < total.daylight_minutes
    assert str(total).startswith(
        "walk 22 + work 20 + walk 12 = 54 min; between the drives, daylight and the crew's"
    )


def test_access_binds(build):
    gate = {"site": {"access": "gate"}}
    _, total = build(**gate, access={"gate": (AccessRule("gate", from_minute=600, to_minute=615),)})
    assert str(total) == "work 20 min; access leaves 15"
    _, total = build(**gate, access={"gate": (AccessRule("gate", is_open=False),)})
    assert str(total).endswith("= 244 min; the site is closed that day")
