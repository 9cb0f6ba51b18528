"""Steering a plan from the command line: what is asked for stays in wishes.csv until taken back."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import pytest

from tripplan.schemas import load_schema

pytestmark = pytest.mark.usefixtures("short_search")

_SOUND = Path(__file__).parents[1] / "data" / "sound"
_LIMIT = ("--quiet",)


@pytest.fixture
def fleet(tmp_path):
    copy = tmp_path / "fleet"
    shutil.copytree(_SOUND, copy)
    with (copy / "tripplan.toml").open("a", encoding="utf-8") as toml:
        toml.write("\n[plan]\nweeks = 8\n")  # short, so that every plan runs to its own end
    return copy


def _plan(fleet):
    return json.loads((fleet / "plan.json").read_text("utf-8"))


def test_a_wish_is_kept_shown_and_taken_back(door, fleet):
    first = door("plan", fleet, *_LIMIT)
    assert first.exit_code == 0
    assert "Since" not in first.output
    assert "since_last_plan" not in _plan(fleet)

    second = door("plan", fleet, "--go", "2026-12-19", "--stay-home", "2026-12-26/2026-12-27:lene", *_LIMIT)
    assert second.exit_code == 0, second.output
    assert "As asked: a crew goes on Sat 19 Dec 2026.\n" in second.output
    assert "As asked: Lene at home from Sat 26 Dec 2026 to Sun 27 Dec 2026.\n" in second.output
    assert "added: Sat 19 Dec 2026, Lene" in second.output or "-> Sat 19 Dec 2026" in second.output
    assert (fleet / "wishes.csv").read_text("utf-8") == (
        "wish,date,until,crew,sites,notes\ngo,2026-12-19,,,,\nstay home,2026-12-26,2026-12-27,Lene,,\n"
    )
    document = _plan(fleet)
    jsonschema.validate(document, load_schema("plan"))
    assert "2026-12-19" in {trip["date"] for trip in document["trips"]}
    assert document["wishes"][0] == "a crew goes on Sat 19 Dec 2026"
    assert document["since_last_plan"]["made_on"] == "2026-11-25"

    trip = door("trip", fleet, "--date", "2026-12-19", "--quiet")  # the plan on file knows the wish
    assert trip.exit_code == 0
    assert "planned anew" not in trip.output

    again = door("plan", fleet, *_LIMIT)  # a wish on file needs no option
    assert "Nothing has changed since the last plan of Wed 25 Nov 2026.\n" in again.output

    locked = door("plan", fleet, "--keep", "2026-12-19-A", "--forget", "2026-12-19", *_LIMIT)
    assert locked.exit_code == 0, locked.output
    kept = next(trip for trip in _plan(fleet)["trips"] if trip["date"] == "2026-12-19")
    sites = [v["site_id"] for s in kept["stops"] for loop in s["loops"] for v in loop["visits"]]
    assert (fleet / "wishes.csv").read_text("utf-8") == (
        "wish,date,until,crew,sites,notes\nstay home,2026-12-26,2026-12-27,Lene,,\n"
        f"keep,2026-12-19,,Lene,{'; '.join(sites)},\n"
    )
    assert door("plan", fleet, "--forget", "all", *_LIMIT).exit_code == 0
    assert (fleet / "wishes.csv").read_text("utf-8") == "wish,date,until,crew,sites,notes\n"
    assert _plan(fleet)["wishes"] == []


def test_a_contradiction_is_named_and_leaves_no_trace(door, fleet):
    result = door("plan", fleet, "--go", "2026-12-19", "--stay-home", "2026-12-19:Lene", *_LIMIT)
    assert result.exit_code == 1
    assert result.stderr == (
        "These wishes contradict each other: a crew goes on Sat 19 Dec 2026; Lene at home on Sat 19 Dec "
        "2026. Without any one of them the other can be met; take one back.\n"
    )
    assert not (fleet / "wishes.csv").exists()
    assert not (fleet / "plan.json").exists()


def test_every_option_that_names_nothing_is_a_fault_all_at_once(door, fleet):
    result = door(
        "plan",
        fleet,
        *("--go", "2026-12-12:Lena", "--include", "B9", "--keep", "2026-12-05-A", "--forget", "pond"),
        *("--stay-home", "2030-01-01", "--quiet"),
    )
    assert result.exit_code == 1
    assert result.stderr.splitlines() == [
        "--go: unknown crew (found 'Lena'). Did you mean 'Lene'?",
        (
            "--stay-home: the date lies outside the season (found '2030-01-01'). It runs from 2026-11-25 to "
            "2027-01-20."
        ),
        "--keep: there is no plan yet (found '2026-12-05-A'). Plan first.",
        "--include: unknown site (found 'B9'). Known: A1, A2, B1.",
        "--forget: no wish is about that (found 'pond'). There are no wishes on file.",
    ]


@pytest.mark.parametrize(
    ("option", "value", "text"),
    [
        ("--go", "12 December", "'12 December' is not a date; write it as 2026-12-05."),
        ("--stay-home", "2026-12-20/2026-12-12", "'2026-12-20/2026-12-12' ends before it begins."),
        ("--include", "A1:2026-13-01", "'2026-13-01' is not a date; write it as 2026-12-05."),
    ],
)
def test_what_is_no_date_is_wrong_usage(door, fleet, option, value, text):
    result = door("plan", fleet, option, value)
    assert result.exit_code == 2
    assert text in result.stderr


def test_a_file_of_ones_own_keeps_its_columns_separator_and_other_rows(door, fleet):
    own = "wish;date;until;crew;sites;who asked\ngo;2026-12-12;;;;Maj\n"
    (fleet / "wishes.csv").write_text(own, encoding="utf-8")
    assert door("plan", fleet, "--include", "B1", *_LIMIT).exit_code == 0
    assert (fleet / "wishes.csv").read_text("utf-8") == own + "include;;;;B1;\n"


def test_the_same_wish_twice_is_one(door, fleet):
    for _ in range(2):
        assert door("plan", fleet, "--go", "2026-12-12", *_LIMIT).exit_code == 0
    assert (fleet / "wishes.csv").read_text("utf-8").count("go,2026-12-12") == 1
