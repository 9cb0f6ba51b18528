"""Packs by name in the kit: the load list, the charging evenings, the calendar's alarms."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from icalendar import Calendar
from kit_trip import DAY, TODAY

from tripplan.fleet import Pack, PackState
from tripplan.outputs import write_kit
from tripplan.plan.document import ChargeSlot

SPARES = {"SLA12": 1}
NAMES = ("N1", "N9", "N2", "N3", "N4", "N5")


def _named(case, packs_in):
    """Name packs of the shelf for the first swaps of SLA12."""
    trip, names = case.trip, iter(packs_in)

    def visit_with(visit):
        if visit.swap and visit.pack_type == "SLA12":
            return replace(visit, pack_in=next(names, None))
        return visit

    stops = tuple(
        replace(
            stop,
            loops=tuple(replace(loop, visits=tuple(map(visit_with, loop.visits))) for loop in stop.loops),
        )
        for stop in trip.stops
    )
    return replace(trip, stops=stops)


@pytest.fixture
def named_folder(case, tmp_path: Path) -> Path:
    packs = tuple(Pack(f"N{k}", "SLA12", since=TODAY - timedelta(days=9)) for k in range(1, 9))
    flat = Pack("N9", "SLA12", since=TODAY - timedelta(days=9), state=PackState.FLAT)
    fleet = replace(case.fleet, packs=(*packs, flat))
    trip = _named(case, NAMES)
    evening = datetime(DAY.year, DAY.month, DAY.day, 18, tzinfo=fleet.zone) - timedelta(days=2)
    slots = (
        ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=12), "N9"),
        ChargeSlot(
            "SLA12", 1, evening + timedelta(days=1), evening + timedelta(days=1, hours=3), "N1", top_up=True
        ),
    )
    plan = replace(case.plan, trips=(trip,), charging=slots)
    write_kit(fleet, case.outlook, case.travel, plan, trip, tmp_path, today=TODAY, extra_spares=SPARES)
    return tmp_path


def test_the_load_list_names_the_packs_and_the_spares_beside_them(case, named_folder):
    rows = list(csv.DictReader((named_folder / "load.csv").read_text("utf-8-sig").splitlines()))
    (packs,) = [row for row in rows if row["kind"] == "pack" and row["item"] == "SLA12"]
    assert int(packs["count"]) == case.trip.packs["SLA12"]
    assert packs["packs"].split() == list(NAMES[: case.trip.packs["SLA12"]])
    (spare,) = [row for row in rows if row["kind"] == "spare"]
    beside = {f"N{k}" for k in range(1, 9)} - set(packs["packs"].split())
    assert set(spare["packs"].split()) == beside  # charged, and not already taken


def test_the_calendar_rings_on_each_evening_with_the_packs_names(case, named_folder):
    calendar = Calendar.from_ical((named_folder / "trip.ics").read_bytes())
    events = [event for event in calendar.walk("VEVENT") if str(event["UID"]).startswith("charge-")]
    assert len(events) == 2
    for event, name in zip(events, ("N9", "N1"), strict=True):
        assert name in str(event["SUMMARY"])
        (alarm,) = event.walk("VALARM")
        assert name in str(alarm["DESCRIPTION"])
        assert alarm["TRIGGER"].dt == timedelta(0)
        assert "ventilated" in str(event["DESCRIPTION"])
    evening = datetime(DAY.year, DAY.month, DAY.day, 18, tzinfo=case.fleet.zone) - timedelta(days=2)
    assert [event["DTSTART"].dt for event in events] == [evening, evening + timedelta(days=1)]


def test_the_paper_names_each_pack_to_load(case, named_folder):
    text = (named_folder / "checklist.html").read_text("utf-8")
    load = text.split('<table class="load">')[1].split("</table>")[0]
    named = NAMES[: case.trip.packs["SLA12"]]
    assert [name for name in NAMES if f"<b><bdi>{name}</bdi></b>" in load] == list(named)
