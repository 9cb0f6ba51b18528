"""Each command on the demo and on every example: streams, JSON, files, exit status."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from tripplan.cli import main
from tripplan.plan.document import Plan

pytestmark = pytest.mark.usefixtures("short_search")

ROOT = Path(__file__).parents[2]
EXAMPLES = tuple(sorted(path.name for path in (ROOT / "examples").iterdir() if path.is_dir()))
KIT = {"map.html", "checklist.html", "load.csv", "trip.gpx", "trip.ics", "trip.geojson"}
PROOF = re.compile(
    r"^(\d+ trips?; no plan does it with \d+|\d+ trips? found; at least \d+ (is|are) needed)"
    r" \(for the swap-by dates above(; \d+ of \d+ rests? on the usual life of their pack type)?\)\.$",
    re.MULTILINE,
)

Door = Callable[..., Result]
Faults = Callable[[Any], list[str]]


def _snapshot(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def _rewrite(path: Path, change: Callable[[list[dict[str, str]]], None]) -> None:
    with path.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    change(rows)
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


# --- the demo -----------------------------------------------------------------------------------


def test_the_demo_does_the_whole_job(demo_run: Any, faults_of: Faults) -> None:
    assert PROOF.search(demo_run.output), demo_run.output
    assert faults_of(json.loads((demo_run.folder / "forecast.json").read_bytes())) == []
    plan = json.loads((demo_run.fleet / "plan.json").read_bytes())
    assert faults_of(plan) == []
    assert plan["made_on"] == "2026-11-25"
    (kit,) = (demo_run.fleet / "maps").iterdir()
    assert {file.name for file in kit.iterdir()} == KIT
    assert kit.name == plan["trips"][0]["trip_id"]
    assert f"Open first: {kit / 'map.html'}" in demo_run.output
    for file in (*kit.iterdir(), demo_run.folder / "forecast.json", demo_run.fleet / "plan.json"):
        assert str(file) in demo_run.output


def test_the_demo_names_what_it_set_aside_and_says_that_it_is_invented(demo_run: Any) -> None:
    assert "Set aside with in_use = no, neither forecast nor planned: M8." in demo_run.output
    assert "Note: Set aside with in_use = no: M8." in demo_run.output
    assert "(invented)" in demo_run.output


def test_the_demo_leaves_no_temporary_file_or_lock(demo_run: Any) -> None:
    assert list(demo_run.folder.rglob(".*")) == []


def test_the_demo_does_not_write_over_a_changed_fleet(tmp_path: Path, door: Door) -> None:
    settings = tmp_path / "fleet" / "tripplan.toml"
    settings.parent.mkdir()
    settings.write_text("mine", encoding="utf-8")
    done = door("demo", "--out", tmp_path)
    assert done.exit_code == 1
    assert done.stderr == (
        f"{tmp_path / 'fleet'}: tripplan.toml there is not as the demo brings it, so nothing was written over. "
        "Choose another folder with --out, or move that one away.\n"
    )
    assert _snapshot(tmp_path) == {"fleet/tripplan.toml": b"mine"}


# --- every command on every fleet ----------------------------------------------------------------


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("command", ["check", "forecast", "trip"])
def test_json_alone_on_standard_output(
    door: Door, example: Callable[[str], Path], faults_of: Faults, command: str, name: str
) -> None:
    done = door(command, example(name), "--json", "-")
    assert done.exit_code == 0, done.stderr
    assert faults_of(json.loads(done.stdout)) == []
    assert done.stdout.endswith("}\n")


def test_check_says_where_no_walk_is_counted(door: Door, example: Callable[[str], Path]) -> None:
    beside = "4 of them without park_lat, park_lon or walk_m: the vehicle is taken to stop beside them"
    assert beside in door("check", example("first-weekend")).stdout
    assert "without park_lat" not in door("check", example("two-crews")).stdout


def test_the_load_list_names_the_spare_packs(door: Door, example: Callable[[str], Path]) -> None:
    load = door("trip", example("first-weekend")).stdout.split("To load")[1].splitlines()
    packs = [row for row in load if "standard" in row]
    assert [row.split()[0] for row in packs] == ["6", "1"]
    assert packs[0].rstrip().endswith("mill owl-1 owl-2 pond ridge quarry")
    assert packs[1].rstrip().endswith("spare")


@pytest.mark.parametrize("name", EXAMPLES)
def test_plan_on_every_example(planned_example: Callable[[str], Path], faults_of: Faults, name: str) -> None:
    data = json.loads((planned_example(name) / "plan.json").read_bytes())
    assert faults_of(data) == []
    assert data["trip_count"] == len(data["trips"]) > 0
    assert Plan.from_json(data).to_json() == data


@pytest.mark.parametrize("command", ["check", "forecast"])
def test_the_demo_fleet_as_json(demo_run: Any, door: Door, faults_of: Faults, command: str) -> None:
    done = door(command, demo_run.fleet, "--json", "-", "--quiet")
    assert faults_of(json.loads(done.stdout)) == []
    assert done.stderr == ""


def test_json_to_a_file_comes_beside_the_tables(
    tmp_path: Path, door: Door, example: Callable[[str], Path], faults_of: Faults
) -> None:
    target = tmp_path / "new" / "forecast.json"
    done = door("forecast", example("first-weekend"), "--json", target)
    assert done.exit_code == 0
    assert faults_of(json.loads(target.read_bytes())) == []
    assert "Swap by" in done.stdout


def test_init_and_its_json(tmp_path: Path, door: Door, faults_of: Faults) -> None:
    done = door("init", tmp_path / "new", "--json", "-")
    assert faults_of(json.loads(done.stdout)) == []


def test_init_asks_at_a_terminal_and_the_first_plan_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, door: Door
) -> None:
    sheet = tmp_path / "cameras.csv"
    sheet.write_text(
        "Camera,Latitude,Longitude,Battery in\nowl,50.24120,8.60110,2026-09-12\nhill,50.24125,8.60300,2026-09-20\n",
        encoding="utf-8",
    )
    folder = tmp_path / "fleet"
    refused = door("init", folder, "--from", sheet)
    assert refused.exit_code == 1
    assert "--answer base_lat:" in refused.stderr  # nobody can be asked: all that is missing is named
    assert "--answer volts:" in refused.stderr
    assert not folder.exists()
    typed = (
        "yes",
        "Battery in",
        "",
        "Lene",
        "50.231",
        "east",
        "8.587",
        "",
        "",
        "12",
        "5.5x2.1 centre +",
        "",
        "",
    )
    monkeypatch.setattr("tripplan.cli.reading._can_ask", lambda: True)
    done = CliRunner().invoke(
        main,
        ["init", str(folder), "--from", str(sheet)],
        input="\n".join(typed) + "\n",
        catch_exceptions=False,
    )
    assert done.exit_code == 0, done.output
    assert "I read site_id = 'Camera', lat = 'Latitude', lon = 'Longitude'. Is that right?" in done.stderr
    assert done.stdout.splitlines()[-1] == f"2 sites taken in. Next: tripplan plan {folder}"
    assert door("plan", folder).exit_code == 0


# --- forecast -------------------------------------------------------------------------------------


def test_forecast_stands_soonest_first(door: Door, example: Callable[[str], Path]) -> None:
    folder = example("dates-only")
    done = door("forecast", folder)
    data = json.loads(door("forecast", folder, "--json", "-").stdout)
    wanted = [
        site["site_id"] for site in sorted(data["sites"], key=lambda s: (s["swap_by"], s["flat_likely"]))
    ]
    table = done.stdout.splitlines()[3:]
    at = [next(n for n, line in enumerate(table) if f" {site_id} " in line) for site_id in wanted]
    assert at == sorted(at)
    assert len(set(at)) == len(wanted)


def test_forecast_looks_as_many_weeks_ahead_as_asked(door: Door, example: Callable[[str], Path]) -> None:
    assert door("forecast", example("first-weekend"), "--weeks", "4").exit_code == 0


# --- check ----------------------------------------------------------------------------------------


def test_check_points_to_its_notes_where_it_finds_no_fault(
    door: Door, example: Callable[[str], Path]
) -> None:
    folder = example("two-crews")
    assert door("check", folder).stdout.splitlines()[-1] == "No fault found."
    table = folder / "sites.csv"
    table.write_text(table.read_text("utf-8").replace("work_minutes", "work_mins", 1), "utf-8")
    done = door("check", folder)
    assert "Did you mean 'work_minutes'?" in done.stderr
    assert done.stdout.splitlines()[-1] == "No fault found; read the 1 note all the same."


def test_check_names_every_fault_and_ends_with_1(
    door: Door, example: Callable[[str], Path], faults_of: Faults
) -> None:
    folder = example("first-weekend")

    def damage(rows: list[dict[str, str]]) -> None:
        rows[0]["lat"] = "147.2"
        rows[2]["pack_type"] = "standrad"

    _rewrite(folder / "sites.csv", damage)
    done = door("check", folder)
    assert done.exit_code == 1
    assert done.stdout.splitlines()[-1] == f"2 faults in {folder}. Nothing was planned."
    assert "sites.csv, row 2, column lat" in done.stdout
    assert "sites.csv, row 4, column pack_type" in done.stdout
    data = json.loads(door("check", folder, "--json", "-").stdout)
    assert faults_of(data) == []
    assert [fault["rows"] for fault in data["faults"]] == [[2], [4]]
    for command in ("forecast", "plan", "trip"):
        before = _snapshot(folder)
        again = door(command, folder)
        assert again.exit_code == 1
        assert again.stdout == ""
        assert "sites.csv, row 2, column lat" in again.stderr
        assert _snapshot(folder) == before


@pytest.mark.parametrize("command", ["check", "forecast", "plan", "trip"])
def test_an_empty_folder(tmp_path: Path, door: Door, command: str) -> None:
    done = door(command, tmp_path)
    assert done.exit_code == 1
    assert f"{tmp_path}: the folder is empty. tripplan init FOLDER" in done.stdout + done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["check", "forecast", "plan", "trip"])
def test_a_missing_folder_is_not_made(tmp_path: Path, door: Door, command: str) -> None:
    done = door(command, tmp_path / "none")
    assert done.exit_code == 1
    assert f"{tmp_path / 'none'}: there is no such folder." in done.stdout + done.stderr
    assert list(tmp_path.iterdir()) == []


# --- plan -----------------------------------------------------------------------------------------


def test_plan_prints_dates_proof_and_trips(door: Door, example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    done = door("plan", folder)
    assert done.exit_code == 0
    assert PROOF.search(done.stdout), done.stdout
    assert done.stdout.index("swap-by dates from") < PROOF.search(done.stdout).start()  # type: ignore[union-attr]
    for trip in json.loads((folder / "plan.json").read_bytes())["trips"]:
        assert trip["trip_id"] in done.stdout
    assert done.stdout.splitlines()[-1] == f"Written: {folder / 'plan.json'}"


@pytest.mark.usefixtures("searched_in_full")
def test_the_same_files_day_and_seed_give_the_same_plan(door: Door, example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    before = (folder / "plan.json").read_bytes()
    door("plan", folder)
    assert (folder / "plan.json").read_bytes() == before


def test_a_site_that_no_day_can_reach_is_named_and_the_rest_is_planned(
    door: Door, example: Callable[[str], Path]
) -> None:
    folder = example("first-weekend")

    def send_far(rows: list[dict[str, str]]) -> None:
        for key in ("park_lat", "park_lon"):
            rows[-1][key] = ""
        rows[-1]["lat"], rows[-1]["lon"] = "53.5", "10.0"

    _rewrite(folder / "sites.csv", send_far)
    done = door("plan", folder)
    assert done.exit_code == 0, done.stderr
    plan = json.loads((folder / "plan.json").read_bytes())
    (late,) = plan["unserved"]
    assert plan["status"] == "no full plan"
    assert late["proved"] is True
    assert "1 site late or never reached" in done.stdout
    assert f"Why: {late['reason']}" in done.stdout
    assert plan["trips"]


def test_a_refused_plan_is_not_written(
    monkeypatch: pytest.MonkeyPatch, door: Door, example: Callable[[str], Path]
) -> None:
    folder = example("first-weekend")
    before = _snapshot(folder)
    monkeypatch.setattr(
        "tripplan.pipeline.season.check_document", lambda *_: ("S1: too heavy (rule: carry)",)
    )
    done = door("plan", folder)
    assert done.exit_code == 1
    assert done.stderr.endswith("the plan breaks its own rules:\nS1: too heavy (rule: carry)\n")
    assert _snapshot(folder) == before


def test_a_full_disk_leaves_the_old_plan(
    monkeypatch: pytest.MonkeyPatch, door: Door, example: Callable[[str], Path]
) -> None:
    folder = example("first-weekend")
    before = _snapshot(folder)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    done = door("plan", folder)
    assert done.exit_code == 1
    assert "cannot be written: the disk is full. Nothing was changed." in done.stderr
    assert _snapshot(folder) == before


def test_a_second_run_at_the_same_time_is_refused(door: Door, example: Callable[[str], Path]) -> None:
    from tripplan.storage import lock_folder

    folder = example("first-weekend")
    with lock_folder(folder):
        done = door("plan", folder)
    assert done.exit_code == 1
    assert f"{folder}: another run of tripplan is at work here (process {os.getpid()}, since " in done.stderr


def test_hostile_names_cannot_steer_the_terminal(door: Door, example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")

    def poison(rows: list[dict[str, str]]) -> None:
        for row in rows:
            row["name"] = "[bold]x[/bold] \u202e\u009b31m \\ =cmd() ${alert(1)}"

    with (folder / "sites.csv").open(encoding="utf-8-sig", newline="") as handle:
        rows = [{"name": "", **row} for row in csv.DictReader(handle)]
    poison(rows)
    with (folder / "sites.csv").open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    for command in ("check", "forecast", "plan", "trip"):
        done = door(command, folder)
        shown = done.stdout + done.stderr
        assert "\x1b" not in shown
        assert "\u202e" not in shown
        assert "\u009b" not in shown
        if command == "forecast":
            assert done.exit_code == 0, shown
            assert "[bold]x[/bold]" in shown


# --- trip -----------------------------------------------------------------------------------------


def _no_planning(*_: object, **__: object) -> None:
    raise AssertionError("the season was planned anew")


def test_trip_uses_the_plan_on_file(
    monkeypatch: pytest.MonkeyPatch, door: Door, example: Callable[[str], Path]
) -> None:
    monkeypatch.setattr("tripplan.pipeline.season.plan_season", _no_planning)
    folder = example("first-weekend")
    plan = (folder / "plan.json").read_bytes()
    done = door("trip", folder)
    assert done.exit_code == 0, done.stderr
    first = json.loads(plan)["trips"][0]
    assert f"Trip {first['trip_id']}: " in done.stdout
    assert "Planned the season anew" not in done.stderr
    assert {file.name for file in (folder / "maps" / first["trip_id"]).iterdir()} == KIT
    assert (folder / "plan.json").read_bytes() == plan
    out = folder / "elsewhere"
    last = json.loads(plan)["trips"][-1]
    assert door("trip", folder, "--date", last["date"], "--out", out).exit_code == 0
    assert {file.name for file in out.iterdir()} == KIT
    later = door("trip", folder, today="2026-11-26")  # a day later, nothing has changed
    assert f"Trip {first['trip_id']}: " in later.stdout


def test_the_demos_trip_is_told_in_full(demo_run: Any) -> None:
    plan = json.loads((demo_run.fleet / "plan.json").read_bytes())
    trip = plan["trips"][0]
    shown = demo_run.output[demo_run.output.index(f"Trip {trip['trip_id']}: ") :]
    for stop in trip["stops"]:
        assert f"{stop['park_lat']:.5f}, {stop['park_lon']:.5f}" in shown
        for loop in stop["loops"]:
            for visit in loop["visits"]:
                work = [one for one in shown.splitlines() if one.startswith(visit["start"][11:16])]
                assert any(f" {visit['site_id']} " in one and "until " in one for one in work), work
    with (demo_run.fleet / "maps" / trip["trip_id"] / "load.csv").open(
        encoding="utf-8-sig", newline=""
    ) as handle:
        for row in csv.DictReader(handle):
            item = row["item"].removeprefix("'")
            assert any(one.split()[:1] == [row["count"]] and item in one for one in shown.splitlines()), item
    assert "Agree on a call by " in shown


def _delete(folder: Path) -> str:
    (folder / "plan.json").unlink()
    return "there is no plan.json yet"


def _garble(folder: Path) -> str:
    (folder / "plan.json").write_text("{", encoding="utf-8")
    return "plan.json is not JSON"


def _empty(folder: Path) -> str:
    (folder / "plan.json").write_text('{"format": "tripplan-plan/1"}', encoding="utf-8")
    return "plan.json is not a plan that can be read"


def _list(folder: Path) -> str:
    (folder / "plan.json").write_text("[]", encoding="utf-8")
    return "plan.json is not a plan"


def _endless(folder: Path) -> str:
    path = folder / "plan.json"
    path.write_text(
        path.read_text("utf-8").replace('"lower_bound": ', '"lower_bound": 1e999, "was": '), "utf-8"
    )
    return "plan.json is not a plan that can be read"


def _deep(folder: Path) -> str:
    (folder / "plan.json").write_text("[" * 100_000 + "]" * 100_000, encoding="utf-8")
    return "plan.json is not JSON"


def _lists_for_ids(folder: Path) -> str:
    path = folder / "plan.json"
    data = json.loads(path.read_bytes())
    data["trips"][0]["stops"][0]["loops"][0]["visits"][0]["site_id"] = ["owl-1"]
    path.write_text(json.dumps(data), encoding="utf-8")
    return "plan.json is not a plan that can be read"


def _touch_sites(folder: Path) -> str:
    _rewrite(folder / "sites.csv", lambda rows: rows.sort(key=lambda row: row["site_id"], reverse=True))
    return "the files have changed since plan.json was made"


def _tamper(folder: Path) -> str:
    path = folder / "plan.json"
    data = json.loads(path.read_bytes())
    data["trips"][0]["wait_minutes"] += 30
    path.write_text(json.dumps(data), encoding="utf-8")
    return "the checker refuses the plan in plan.json ("


UNUSABLE = [_delete, _garble, _empty, _list, _endless, _deep, _lists_for_ids, _touch_sites, _tamper]


@pytest.mark.parametrize("change", [_garble, _empty, _list, _endless, _deep, _lists_for_ids])
def test_plan_passes_over_a_last_plan_that_cannot_be_read(
    door: Door, example: Callable[[str], Path], change: Callable[[Path], str]
) -> None:
    folder = example("first-weekend")
    change(folder)
    done = door("plan", folder)
    assert done.exit_code == 0, done.stderr
    assert json.loads((folder / "plan.json").read_bytes())["trips"]


@pytest.mark.parametrize("change", UNUSABLE)
def test_trip_plans_anew_and_says_why(
    door: Door, example: Callable[[str], Path], change: Callable[[Path], str]
) -> None:
    folder = example("first-weekend")
    because = change(folder)
    done = door("trip", folder)
    assert done.exit_code == 0, done.stderr
    assert f"Planned the season anew: {because}" in done.stderr
    assert json.loads((folder / "plan.json").read_bytes())["trips"]
    again = door("trip", folder, "--json", "-")
    assert json.loads(again.stdout)["plan"]["planned_anew"] is False


def test_trip_plans_anew_for_another_seed_or_after_a_trip_without_record(
    door: Door, example: Callable[[str], Path]
) -> None:
    folder = example("first-weekend")
    done = door("trip", folder, today="2026-11-24")
    assert "Planned the season anew: plan.json covers 2026-11-25 to 2027-05-26 only." in done.stderr
    done = door("trip", folder, "--seed", "2", today="2026-11-24")
    assert "Planned the season anew: plan.json was made with seed 1." in done.stderr
    first = json.loads((folder / "plan.json").read_bytes())["trips"][0]["date"]
    after = f"{first[:8]}{int(first[8:]) + 1:02d}"
    done = door("trip", folder, today=after)
    assert (
        f"Planned the season anew: nothing has been told of trip {first}-A, which lies behind." in done.stderr
    )
    assert f"! Trip {first}-A (Lene) lies behind without results: " in done.stdout


def test_trip_on_a_date_without_a_trip(door: Door, example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    done = door("trip", folder, "--date", "2026-11-30")
    assert done.exit_code == 1
    assert done.stderr.splitlines()[-1].startswith(
        "No trip is planned on Monday 2026-11-30. Trips are planned on Sat 20"
    )
    assert not (folder / "maps").exists()


def test_trip_of_a_crew(door: Door, example: Callable[[str], Path]) -> None:
    folder = example("two-crews")
    trips = json.loads((folder / "plan.json").read_bytes())["trips"]
    for crew in {trip["crew"] for trip in trips}:
        first = next(trip["trip_id"] for trip in trips if trip["crew"] == crew)
        assert f"Trip {first}: " in door("trip", folder, "--crew", crew).stdout
    done = door("trip", folder, "--crew", "Nobody")
    assert done.exit_code == 1
    assert done.stderr.splitlines()[-1].startswith(
        "There is no crew 'Nobody' in tripplan.toml. The crews are: "
    )


def test_no_trip_is_needed_where_nothing_is_due(
    door: Door, example: Callable[[str], Path], faults_of: Faults
) -> None:
    folder = example("first-weekend")
    settings = folder / "tripplan.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + "\n[plan]\nweeks = 1\n", encoding="utf-8")
    done = door("plan", folder)
    assert done.exit_code == 0
    assert "No trip is needed: nothing is due before 2 Dec 2026" in done.stdout
    done = door("trip", folder)
    assert done.exit_code == 0
    assert "No trip is needed from Wed 25 Nov 2026 to Wed 2 Dec 2026: nothing is due." in done.stdout
    data = json.loads(door("trip", folder, "--json", "-").stdout)
    assert faults_of(data) == []
    assert data["trip"] is None


# --- Ctrl-C ---------------------------------------------------------------------------------------


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize(
    "moment",
    [
        "before the first plan",
        "with a plan in hand",
        "less crew time",
        "soon after the less crew time",
        "reasons",
        "soon after the reasons",
        "from outside",
    ],
)
def test_ctrl_c_while_planning_leaves_nothing_half_written(tmp_path: Path, moment: str) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(ROOT / "tripplan" / "demo", folder)
    before = _snapshot(folder)
    code = f"""
import os, signal, threading
from tripplan.cli import main
import tripplan.pipeline.season as season
moment, real, told, steps = {moment!r}, season.plan_season, [], set()
def interrupt():
    os.kill(os.getpid(), signal.SIGINT)
def planning(*args, progress, **kwargs):
    def hear(how_far):
        progress(how_far)
        if how_far.trip_count and not told:
            told.append(how_far)
            print("PLANNING", flush=True)
            if moment == "with a plan in hand":
                interrupt()
        if how_far.step not in steps:
            steps.add(how_far.step)
            if moment == how_far.step:
                interrupt()
            elif moment == "soon after the " + how_far.step:
                threading.Timer(0.05, interrupt).start()
    if moment == "before the first plan":
        print("PLANNING", flush=True)
        interrupt()
    return real(*args, progress=hear, **kwargs)
season.plan_season = planning
main(["plan", {str(folder)!r}, "--today", "2026-11-25"], prog_name="tripplan")
"""
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "PLANNING\n"
        if moment == "from outside":
            process.send_signal(signal.SIGINT)
        _, errors = process.communicate()
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    after = _snapshot(folder)
    plan, calendar = after.pop("plan.json", None), after.pop("calendar.html", None)
    assert after == before
    assert (plan is None) == (calendar is None)
    assert plan is None or moment != "before the first plan"
    assert plan is not None or moment in ("before the first plan", "from outside")
    if plan is None:
        assert errors.endswith("Stopped. Nothing is half written.\n")
    else:
        assert json.loads(plan)["status"] in ("best found", "no full plan", "proved")
        assert errors.endswith("Stopped early: the best plan found until then was kept.\n")
