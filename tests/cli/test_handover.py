"""The command ``handover``."""

from __future__ import annotations

import json

import pytest

from tripplan.outputs.sealed_page import open_page

pytestmark = pytest.mark.usefixtures("short_search")

GOOD = "bakomu ridase tulivo pegabi"


@pytest.fixture(autouse=True)
def no_variable(monkeypatch):
    monkeypatch.delenv("TRIPPLAN_PASSPHRASE", raising=False)


@pytest.fixture
def secret(tmp_path):
    file = tmp_path / "secret.txt"
    file.write_text(GOOD, encoding="utf-8")
    file.chmod(0o600)
    return file


def test_the_whole_fleet_is_refused_in_the_clear(door, example):
    folder = example("first-weekend")
    done = door("handover", folder)
    assert done.exit_code == 1
    words = " ".join(done.stderr.split())
    assert "Give a passphrase (--passphrase or --passphrase-file FILE), or --plain" in words
    assert not (folder / "maps").exists()


def test_the_whole_fleet_under_a_passphrase(door, example, secret, faults_of):
    folder = example("first-weekend")
    done = door("handover", folder, "--passphrase-file", secret, "--json", folder / "out.json")
    assert done.exit_code == 0, done.stderr
    file = folder / "maps" / "handover-2026-11-25-locked.html"
    assert f"Written: {file}" in done.stdout.replace("\n", "")
    assert "opened again with the passphrase by another implementation" in " ".join(done.stdout.split())
    text = file.read_text("utf-8")
    assert "owl-1" not in text
    opened = open_page(text, GOOD)
    for site in ("owl-1", "owl-2", "quarry", "pond", "ridge", "mill"):
        assert site in opened
    written = json.loads((folder / "out.json").read_text("utf-8"))
    assert faults_of(written) == []
    assert written["locked"]
    assert written["whole"]
    assert len(written["sites"]) == 6
    assert written["trips"] == ["2026-12-05-A", "2027-03-06-A"]


def test_plain_on_request_is_warned_of(door, example, secret):
    folder = example("first-weekend")
    done = door("handover", folder, "--plain")
    assert done.exit_code == 0
    assert "Not locked: whoever finds this file" in " ".join(done.stderr.split())
    assert door("handover", folder, "--plain", "--passphrase-file", secret).exit_code == 2


def test_an_absence(door, example, faults_of):
    folder = example("first-weekend")
    done = door(
        "handover", folder, "--from", "2026-12-01", "--to", "2026-12-31", "--json", folder / "out.json"
    )
    assert done.exit_code == 0, done.stderr
    assert "Handed over: 1 trip and 0 charging evenings, Tue 1 Dec 2026 to Thu 31 Dec 2026." in done.stdout
    assert (folder / "maps" / "handover-2026-12-01-to-2026-12-31.html").is_file()
    written = json.loads((folder / "out.json").read_text("utf-8"))
    assert faults_of(written) == []
    assert not written["whole"]
    assert written["sites"] == []


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ("2027-01-20", "2027-01-10", "The time away ends (2027-01-10) before it begins (2027-01-20)."),
        ("2026-11-01", "2026-12-10", "2026-11-01 lies outside what is planned: today is 2026-11-25"),
        ("2026-12-01", "2028-01-01", "2028-01-01 lies outside what is planned"),
    ],
)
def test_days_that_make_no_sense_are_refused(door, example, first, last, said):
    folder = example("first-weekend")
    done = door("handover", folder, "--from", first, "--to", last)
    assert done.exit_code == 1
    assert said in " ".join(done.stderr.split())
    assert not (folder / "maps").exists()


def test_the_overview_is_written_and_says_what_it_holds(door, example, faults_of):
    folder = example("first-weekend")
    done = door("overview", folder, "--json", folder / "out.json")
    assert done.exit_code == 0, done.stderr
    assert "6 sites, 2 trips ahead." in done.stdout
    text = (folder / "maps" / "season.html").read_text("utf-8")
    assert "2 trips; no plan does it with 1." in text
    assert "There was no earlier plan of this season on file." in text
    written = json.loads((folder / "out.json").read_text("utf-8"))
    assert faults_of(written) == []
    assert written["trips"] == ["2026-12-05-A", "2027-03-06-A"]
    assert written["changes"] == 0


def test_the_overview_tells_what_changed_since_the_last_plan(door, example):
    folder = example("first-weekend")
    with (folder / "tripplan.toml").open("a", encoding="utf-8") as file:
        file.write('\n[calendar]\nblocked = ["2026-12-05"]\n')
    done = door("overview", folder, "--json", folder / "out.json")
    assert done.exit_code == 0, done.stderr
    assert "Planned the season anew: the files have changed" in " ".join(done.stderr.split())
    written = json.loads((folder / "out.json").read_text("utf-8"))
    assert written["changes"] > 0
    assert "2026-12-05-A \u2192" in (folder / "maps" / "season.html").read_text("utf-8")
    again = door("overview", folder)  # read back from plan.json, it still knows what changed
    assert again.exit_code == 0
    assert "2026-12-05-A \u2192" in (folder / "maps" / "season.html").read_text("utf-8")


@pytest.mark.parametrize("command", ["overview", "handover"])
def test_a_page_is_never_written_over_another_kind_of_file(door, example, command):
    folder = example("first-weekend")
    before = (folder / "plan.json").read_bytes()
    done = door(command, folder, "--out", folder / "plan.json")
    assert done.exit_code == 2
    assert "let it end in .html" in " ".join(done.stderr.split())
    assert (folder / "plan.json").read_bytes() == before
