"""A flat date that somebody gave holds for the pack it was said of, and for no pack after it."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Door = Callable[..., Result]


@pytest.fixture
def fleet(example: Callable[[str], Path]) -> Path:
    folder = example("first-weekend")
    sites = folder / "sites.csv"
    lines = sites.read_text("utf-8").splitlines()
    given = {"owl-1": "2026-11-10,2", "quarry": "2027-01-20,"}
    more = [f"{line},{given.get(line.split(',')[0], ',')}" for line in lines[1:]]
    sites.write_text("\n".join([f"{lines[0]},flat_on,flat_on_sd_days", *more]) + "\n", "utf-8")
    return folder


def forecast_of(fleet: Path, door: Door, today: str) -> dict[str, dict[str, str]]:
    document = json.loads(door("forecast", fleet, "--json", "-", today=today).stdout)
    return {site["site_id"]: site for site in document["sites"]}


def test_a_recorded_swap_empties_the_date_that_was_given_for_the_pack_before(fleet: Path, door: Door) -> None:
    assert forecast_of(fleet, door, "2026-11-25")["owl-1"]["swap_by"] < "2026-11-11"
    swap = ("record", fleet, "--site", "owl-1", "--done", "swapped", "--yes")
    said = door(*swap, today="2026-11-28").stdout
    assert (
        "sites.csv, owl-1: flat_on 2026-11-10 is emptied (it was said of the pack that stood there before)"
        in said
    )
    with (fleet / "sites.csv").open(encoding="utf-8") as file:
        rows = {row["site_id"]: row for row in csv.DictReader(file)}
    assert (rows["owl-1"]["flat_on"], rows["owl-1"]["flat_on_sd_days"]) == ("", "")
    assert rows["quarry"]["flat_on"] == "2027-01-20"
    after = forecast_of(fleet, door, "2026-11-28")["owl-1"]
    assert after["basis"] != "given date"
    assert after["swap_by"] > "2026-11-28"
    before = (fleet / "sites.csv").read_bytes()
    door("undo", fleet, "--yes", today="2026-11-28")
    assert b"2026-11-10,2" in (fleet / "sites.csv").read_bytes()
    door("undo", fleet, "--redo", "--yes", today="2026-11-28")
    assert (fleet / "sites.csv").read_bytes() == before


def test_a_swap_told_late_leaves_a_date_of_the_pack_that_came_after(fleet: Path, door: Door) -> None:
    """The pack in place went in on 12 September; a visit of August says nothing about its date."""
    said = door("record", fleet, "--site", "quarry", "--done", "swapped", "--date", "2026-08-01", "--yes")
    assert "flat_on" not in said.stdout


def test_the_result_as_json_names_the_emptied_date(
    fleet: Path, door: Door, faults_of: Callable[[object], list[str]]
) -> None:
    swap = ("record", fleet, "--site", "quarry", "--done", "swapped", "--yes", "--json", "-")
    document = json.loads(door(*swap).stdout)
    assert faults_of(document) == []
    assert document["sites"] == [
        {
            "site_id": "quarry",
            "flat_on": None,
            "because": "it was said of the pack that stood there before",
        }
    ]


def test_a_date_before_the_pack_in_place_went_in_is_not_counted_and_said_so(fleet: Path, door: Door) -> None:
    (fleet / "visits.csv").write_text("date,site_id,done\n2026-11-21,owl-1,swapped\n", "utf-8")
    assert forecast_of(fleet, door, "2026-11-25")["owl-1"]["basis"] != "given date"
    said = door("forecast", fleet).stdout
    assert (
        "Owl-1: flat_on 2026-11-10 is not counted, since the pack now in place went in on 2026-11-21." in said
    )


def test_who_is_past_or_at_home_is_not_counted_among_the_sites_left(fleet: Path, door: Door) -> None:
    assert "with 5 sites left until the swap-by date" in door("forecast", fleet).stdout


def test_only_check_tells_the_remarks_on_the_files(fleet: Path, door: Door) -> None:
    (fleet / "readings.csv").write_text(
        "when,site_id,volts,colour\n2026-11-20T10:00,pond,12.6,red\n", "utf-8"
    )
    told = "Note: readings.csv, column colour: not known"
    assert told in door("check", fleet).stderr
    forecast = door("forecast", fleet).stderr
    assert told not in forecast
    assert "on the files; 'tripplan check' shows them.\n" in forecast
