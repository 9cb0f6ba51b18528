"""The commands spares and packs: what they say with packs, without, and of bad input."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import pytest

pytestmark = pytest.mark.usefixtures("short_search")


@pytest.fixture
def demo_fleet(demo_run, tmp_path):
    return Path(shutil.copytree(demo_run.fleet, tmp_path / "fleet"))


def test_spares_of_the_demo(door, demo_fleet, faults_of, tmp_path):
    plan = (demo_fleet / "plan.json").read_bytes()
    done = door("spares", demo_fleet, "--json", tmp_path / "spares.json")
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    for heading in (
        "To carry on trip",
        "Chance of not running short, by number of spares",
        "Which pack to which site",
        "Packs to own for this season's trips",
        "On the charger tonight",
        "To have for the year",
        "Packs to see to",
    ):
        assert heading in text
    assert "ventilated" in text
    data = json.loads((tmp_path / "spares.json").read_bytes())
    assert faults_of(data) == []
    assert (demo_fleet / "plan.json").read_bytes() == plan  # it only looks
    for carry in data["carry"]:
        for name, curve in carry["curve"].items():
            assert curve == sorted(curve)
            assert carry["take"][name] < len(curve)
        if carry["chance"] < data["asked_chance"]:
            assert all(carry["take"][name] <= number for name, number in carry["wanted"].items())
            assert carry["limits"]
        assert carry["chance_wanted"] >= data["asked_chance"]
        assert sum(carry["take"].values()) <= carry["room"]
    named = {one["pack_id"] for one in data["assignments"]}
    assert len(named) == len(data["assignments"]) > 0
    assert not named & {"A03", "A04", "A18"}  # retired or suspect in the demo's packs.csv


def test_a_higher_chance_never_takes_fewer(door, demo_fleet):
    totals = []
    for chance in (0.5, 0.9, 0.99, 0.999):
        done = door("spares", demo_fleet, "--chance", chance, "--json", "-")
        assert done.exit_code == 0
        totals.append(sum(sum(one["wanted"].values()) for one in json.loads(done.stdout)["carry"]))
    assert totals == sorted(totals)
    assert totals[-1] > totals[0]


@pytest.mark.parametrize("chance", ["0", "1", "-1", "nan", "much"])
def test_a_chance_that_cannot_be_asked_is_wrong_usage(door, demo_fleet, chance):
    assert door("spares", demo_fleet, "--chance", chance).exit_code == 2


@pytest.mark.parametrize("name", ["first-weekend", "two-crews", "dates-only"])
def test_without_packs_it_says_what_it_cannot_say(door, example, faults_of, name):
    folder = example(name)
    done = door("spares", folder)
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    assert "There is no packs.csv" in text
    assert "not known: no shelf is counted" in text
    assert "what goes on which charger when cannot be said" in text
    data = json.loads(door("spares", folder, "--json", "-").stdout)
    assert faults_of(data) == []
    assert data["assignments"] == data["charging"] == data["shelf"] == []
    assert all(one["missing"] is None and one["shelf"] is None for one in data["own"])
    assert all(one["to_own"] >= one["in_use"] > 0 for one in data["own"])
    assert data["carry"]


def test_packs_of_the_demo(door, demo_fleet, faults_of, tmp_path):
    done = door("packs", demo_fleet, "--json", tmp_path / "packs.json", "--labels", tmp_path / "labels.html")
    assert done.exit_code == 0, done.output
    data = json.loads((tmp_path / "packs.json").read_bytes())
    assert faults_of(data) == []
    packs = {pack["pack_id"]: pack for pack in data["packs"]}
    assert packs["A01"]["cycles"] >= 3
    assert all(pack["health_low"] < pack["health"] < pack["health_high"] for pack in data["packs"])
    assert [one["todo"] for one in packs["A04"]["advice"]] == ["keep apart"]
    assert packs["A22"]["advice"][0]["todo"] == "charge now"
    assert set(data["to_test"]) >= {"A04", "A18"}
    assert "labels.html (41 labels)" not in done.stdout or len(packs) == 42
    page = (tmp_path / "labels.html").read_text("utf-8")
    assert page.count('<article class="label">') == sum(pack["state"] != "retired" for pack in data["packs"])


def test_labels_of_a_pack_that_is_not_there(door, demo_fleet, tmp_path):
    done = door(
        "packs", demo_fleet, "--labels", tmp_path / "l.html", "--pack", "A1", "--pack", "Z9", "--pack", "A01"
    )
    assert done.exit_code == 1
    assert (
        "packs.csv, column pack_id: there is no such pack (found 'A1', 'Z9'). Known are A01, A02"
        in " ".join(done.stderr.split())
    )
    assert not (tmp_path / "l.html").exists()
    assert door("packs", demo_fleet, "--pack", "A01").exit_code == 2


def test_packs_without_packs_csv(door, example, tmp_path, faults_of):
    folder = example("first-weekend")
    done = door("packs", folder)
    assert done.exit_code == 0
    assert "no pack has an identity" in done.stdout
    data = json.loads(door("packs", folder, "--json", "-").stdout)
    assert faults_of(data) == []
    assert data["packs"] == []
    assert data["kept"] is False
    refused = door("packs", folder, "--labels", tmp_path / "l.html")
    assert refused.exit_code == 1
    assert "there is none, so there is no pack to label" in refused.stderr


def test_bad_settings_are_named_all_at_once(door, example):
    folder = example("first-weekend")
    settings = folder / "tripplan.toml"
    settings.write_text(
        settings.read_text("utf-8")
        + "\n[spares]\nchance = 1.5\nretire_below = -0.2\nshelf_c = 'warm'\ndetour_minutes = -1\nlead_days = -3\nspare = 2\n"
        + "\n[[charging]]\ntypes = ['standard']\namps = -0.7\nhours_per_pack = 0\n",
        "utf-8",
    )
    done = door("spares", folder)
    assert done.exit_code == 1
    for key in ("chance", "retire_below", "shelf_c", "detour_minutes", "lead_days", "spare"):
        assert f"[spares] {key}:" in done.stderr
    for key in ("amps", "hours_per_pack"):
        assert f"[[charging]] 1 {key}:" in done.stderr


def test_packs_of_every_trip_of_the_season(door, demo_fleet, faults_of):
    plan = (demo_fleet / "plan.json").read_bytes()
    done = door("packs", demo_fleet, "--season")
    assert done.exit_code == 0, done.output
    data = json.loads(door("packs", demo_fleet, "--season", "--json", "-").stdout)
    assert faults_of(data) == []
    assert (demo_fleet / "plan.json").read_bytes() == plan  # it only looks
    trips = [trip["trip_id"] for trip in json.loads(plan)["trips"]]
    text = " ".join(done.stdout.split())
    for trip_id in trips:
        assert f"Trip {trip_id}:" in text
    for one in data["assignments"]:
        assert one["because"] in text or one["because"].split(";")[0] in text
    named = [(one["trip_id"], one["pack_id"]) for one in data["assignments"]]
    assert len(set(named)) == len(named)
    assert len({trip_id for trip_id, _ in named}) > 1
    # the packs of one trip are the same whether it is asked for alone or with the others
    last = json.loads(door("packs", demo_fleet, "--trip", trips[1], "--json", "-").stdout)
    assert last["assignments"] == [one for one in data["assignments"] if one["trip_id"] == trips[1]]
    first = json.loads(door("spares", demo_fleet, "--json", "-").stdout)["assignments"]
    assert first == [one for one in data["assignments"] if one["trip_id"] == trips[0]]


def test_packs_of_a_trip_that_is_not_planned(door, demo_fleet):
    done = door("packs", demo_fleet, "--trip", "2027-01-01-Z")
    assert done.exit_code == 1
    assert "There is no trip '2027-01-01-Z' in plan.json. The plan's trips are 20" in " ".join(
        done.stderr.split()
    )
    assert json.loads(door("packs", demo_fleet, "--json", "-").stdout)["assignments"] == []


def test_packs_and_spares_take_the_packs_of_an_untold_trip_as_unknown(door, demo_fleet, faults_of):
    plan = json.loads((demo_fleet / "plan.json").read_bytes())
    trip = plan["trips"][0]
    visits = [visit for stop in trip["stops"] for loop in stop["loops"] for visit in loop["visits"]]
    out = {visit["pack_in"] for visit in visits if visit["pack_in"]}
    assert out
    day = (date.fromisoformat(trip["date"]) + timedelta(days=1)).isoformat()
    done = door("packs", demo_fleet, today=day)
    assert f"Trip {trip['trip_id']} (" in done.stdout
    data = json.loads(door("packs", demo_fleet, "--json", "-", today=day).stdout)
    assert faults_of(data) == []
    because = f"it may have gone out on trip {trip['trip_id']}, of which nothing has been told"
    unknown = {pack["pack_id"]: pack for pack in data["packs"] if pack["state"] == "unknown"}
    assert set(unknown) == out
    for pack in unknown.values():
        assert [(one["todo"], one["because"]) for one in pack["advice"]] == [("tell first", because)]
        assert not pack["spare"]
        assert not pack["suspect"]
    assert not out & set(data["to_test"])
