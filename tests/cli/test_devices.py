"""Cameras that are taken in for the winter and set out in spring, as whoever keeps them meets them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

pytestmark = pytest.mark.usefixtures("short_search")

Door = Callable[..., Result]
FETCH, OUT = "2026-12-19-A", "2027-03-21-A"


@pytest.fixture
def fleet(example: Callable[[str], Path]) -> Path:
    return example("winter-rest")


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig") as file:
        return list(csv.DictReader(file))


def test_the_plan_says_who_is_set_out_and_taken_in_by_when(fleet: Path, door: Door) -> None:
    said = door("plan", fleet).stdout
    assert "ford (take in)" in said
    assert "mouth (set out)" in said
    assert "Sat 27 Mar 2027: set out   mouth Stream mouth" in said
    assert f"{FETCH}: set by ford (take in by Sun 20 Dec 2026)." in said
    assert f"{OUT}: set by mouth (set out by Sat 27 Mar 2027)." in said
    plan = json.loads((fleet / "plan.json").read_text("utf-8"))
    kinds = {
        (visit["site_id"], visit["kind"], visit["swap"])
        for trip in plan["trips"]
        for stop in trip["stops"]
        for loop in stop["loops"]
        for visit in loop["visits"]
        if visit["site_id"] in {"ford", "mouth", "reed"}
    }
    assert kinds == {("ford", "take in", False), ("mouth", "set out", True), ("reed", "set out", True)}
    assert plan["status"] == "proved"


def test_the_forecast_says_what_is_at_home(
    fleet: Path, door: Door, faults_of: Callable[[object], list[str]]
) -> None:
    done = door("forecast", fleet, "--json", "-")
    found = json.loads(done.stdout)
    assert faults_of(found) == []
    assert {one["site_id"]: one["at_home"] for one in found["sites"]} == {
        "weir": False, "oxbow": False, "ford": False, "island": False, "mouth": True, "reed": True
    }  # fmt: skip


def test_the_kit_says_it_in_plain_words_on_every_file(fleet: Path, door: Door) -> None:
    assert "Take the device in with its box12" in door("trip", fleet).stdout
    assert "Set out the device with box12" in door("trip", fleet, "--date", "2027-03-21").stdout
    fetch, out = fleet / "maps" / FETCH, fleet / "maps" / OUT
    for name in ("map.html", "checklist.html", "trip.gpx"):
        assert "Take the device in" in (fetch / name).read_text("utf-8"), name
        assert "Disconnect at the battery first." in (fetch / name).read_text("utf-8"), name
        assert "Set out the device" in (out / name).read_text("utf-8"), name
    for folder, words in ((fetch, "1 device to take in"), (out, "1 device to set out")):
        calendar = (folder / "trip.ics").read_text("utf-8").replace("\r\n ", "")
        assert words in calendar
    (load,) = [row for row in rows(out / "load.csv") if row["kind"] == "device"]
    assert (load["item"], load["count"], load["weight_kg"], load["sites"]) == (
        "device to set out, with strap and lead",
        "1",
        "1.1",
        "mouth",
    )
    (bag,) = [row for row in rows(fetch / "load.csv") if row["kind"] == "device"]
    assert (bag["item"], bag["sites"]) == ("bag for a device that comes home", "ford")
    packs = [row for row in rows(fetch / "load.csv") if row["kind"] == "pack"]
    assert [(row["count"], row["sites"]) for row in packs] == [("3", "oxbow island weir")]
    features = json.loads((fetch / "trip.geojson").read_text("utf-8"))["features"]
    kinds = {
        f["properties"]["site_id"]: f["properties"]["kind"] for f in features if "kind" in f["properties"]
    }
    assert kinds == {"ford": "take in", "oxbow": "swap", "island": "swap", "weir": "swap"}


def test_the_calendar_and_the_season_page_tell_them_apart(fleet: Path, door: Door) -> None:
    page = (fleet / "calendar.html").read_text("utf-8")
    assert "ford: taken in on Sat 19 Dec 2026, trip 1, could wait until Sun 20 Dec 2026" in page
    assert "mouth: set out on Sun 21 Mar 2027, trip 3, could wait until Sat 27 Mar 2027" in page
    assert "Cattle ford (take in)" in page
    done = door("overview", fleet)
    assert done.exit_code == 0
    season = (fleet / "maps" / "season.html").read_text("utf-8")
    assert "device at home" in season
    assert "(set out)" in season
    assert "(take in)" in season


def test_recorded_as_planned_the_device_is_home_and_its_pack_on_the_shelf(fleet: Path, door: Door) -> None:
    done = door("record", fleet, "--trip", FETCH, "--as-planned", "--yes", today="2026-12-20")
    assert "visits.csv, new row: 2026-12-19, ford, found running, removed, out A3" in done.stdout
    assert "packs.csv, A3: at ford, in use -> on the shelf since 2026-12-19, flat" in done.stdout
    said = door("forecast", fleet, today="2026-12-20")
    assert "not in service             ford Cattle ford" in said.stdout
    plan = door("plan", fleet, today="2026-12-20")
    assert "At home, and no active_from says when they are set out: ford." in plan.stdout
    later = json.loads((fleet / "plan.json").read_text("utf-8"))
    assert "ford" not in json.dumps(later["trips"])
    assert any(slot["pack_id"] == "A3" for slot in later["charging"])
    door("undo", fleet, "--yes", today="2026-12-20")
    assert "Cattle ford" in door("forecast", fleet, today="2026-12-20").stdout.split("Rests on")[1]


def test_an_open_trip_says_what_counts_as_not_done(fleet: Path, door: Door) -> None:
    said = door("forecast", fleet, today="2026-12-20")
    assert "ford, oxbow, island, weir count as not swapped or not taken in" in said.stdout + said.stderr


def test_set_out_and_recorded_the_forecast_begins(fleet: Path, door: Door) -> None:
    door("record", fleet, "--trip", FETCH, "--as-planned", "--yes", today="2026-12-20")
    told = ("--site", "mouth", "--done", "installed", "--pack-in", "A1", "--yes")
    done = door("record", fleet, *told, today="2027-03-21")
    assert "packs.csv, A1: on the shelf, flat -> at mouth since 2027-03-21, in use" in done.stdout
    found = json.loads(door("forecast", fleet, "--json", "-", today="2027-03-22").stdout)
    (mouth,) = [one for one in found["sites"] if one["site_id"] == "mouth"]
    assert not mouth["at_home"]
    assert mouth["swap_by"] > "2027-05-01"


@pytest.mark.parametrize(
    ("told", "question", "choice"),
    [
        (
            ("ford", "removed"),
            "its device was taken in, but as the records have it, it has been at home since 19 December 2026",
            "--answer 1.done=left: nothing was taken in",
        ),
        (
            ("ford", "swapped"),
            "its pack was swapped, but as the records have it, it has been at home since 19 December 2026",
            "--answer 1.done=installed: it was set out",
        ),
        (
            ("reed", "removed"),
            "its device was taken in, but as the records have it, it was never set out",
            "--answer 1.keep=told: so it was; write it down as told",
        ),
        (
            ("weir", "installed"),
            "a device was set out, but one has stood there since 19 December 2026",
            "--answer 1.done=swapped: it was a swap",
        ),
    ],
)
def test_what_cannot_be_is_asked(
    fleet: Path, door: Door, told: tuple[str, str], question: str, choice: str
) -> None:
    door("record", fleet, "--trip", FETCH, "--as-planned", "--yes", today="2026-12-20")
    before = (fleet / "visits.csv").read_bytes()
    site, what = told
    done = door("record", fleet, "--site", site, "--done", what, "--yes", today="2026-12-21")
    assert done.exit_code == 1
    assert f"visit 1 ({site}): {question}." in done.stderr
    assert choice in done.stderr
    assert (fleet / "visits.csv").read_bytes() == before
    answer = ("--answer", "1.keep=told")
    kept = door("record", fleet, "--site", site, "--done", what, "--yes", *answer, today="2026-12-21")
    assert kept.exit_code == 0
    assert f"2026-12-21,{site},,,{what}," in (fleet / "visits.csv").read_text("utf-8")


def test_two_told_at_once_are_held_against_each_other(fleet: Path, tmp_path: Path, door: Door) -> None:
    """Set out on one day and again the next: the second is asked about, though no file has the first yet."""
    results = tmp_path / "results.csv"
    results.write_text("date,site_id,done\n2027-03-20,mouth,installed\n2027-03-21,mouth,installed\n", "utf-8")
    done = door("record", fleet, results, "--yes", today="2027-03-22")
    assert done.exit_code == 1
    assert (
        "visit 2 (mouth): a device was set out, but one has stood there since 20 March 2027." in done.stderr
    )


def test_an_overdue_device_is_named_until_it_is_recorded(fleet: Path, door: Door) -> None:
    door("record", fleet, "--trip", FETCH, "--not-made", "--yes", today="2026-12-28")
    said = door("plan", fleet, today="2026-12-28").stdout
    assert "! ford Cattle ford: take in by Sun 20 Dec 2026, first visited late on" in said
    assert "it was to be taken in by Sun 20 Dec 2026, before the season began" in said
    assert "To be taken in already before today (active_to): ford." in said


@pytest.mark.parametrize(
    ("cell", "fault"),
    [
        ("heavy", "sites.csv, row 6, column device_kg: is not a number (found 'heavy')."),
        ("-1", "sites.csv, row 6, column device_kg: must lie between 0 and 50 (found '-1')."),
        ("70", "sites.csv, row 6, column device_kg: must lie between 0 and 50 (found '70')."),
    ],
)
def test_a_weight_that_is_none_is_a_fault(fleet: Path, door: Door, cell: str, fault: str) -> None:
    text = (fleet / "sites.csv").read_text("utf-8")
    (fleet / "sites.csv").write_text(text.replace("2027-03-27,,1.1", f"2027-03-27,,{cell}"), "utf-8")
    done = door("check", fleet)
    assert done.exit_code == 1
    assert fault in done.stderr + done.stdout


def test_days_ahead_and_after_are_settings(fleet: Path, door: Door) -> None:
    text = (fleet / "tripplan.toml").read_text("utf-8")
    (fleet / "tripplan.toml").write_text(text.replace("set_out_days = 14", "set_out_days = 200"), "utf-8")
    done = door("check", fleet)
    assert done.exit_code == 1
    assert "set_out_days" in done.stderr + done.stdout
