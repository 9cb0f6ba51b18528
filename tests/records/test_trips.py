"""A planned trip that lies behind is not forgotten until somebody tells what became of it."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from record_fleet import SWAP, snapshot, visit, write_fleet, write_results

from tripplan.cli import main
from tripplan.inputs import folder_digest, read_fleet
from tripplan.pipeline import run_plan, run_trip
from tripplan.records.trips import find_trip, hold_back, open_trips

pytestmark = pytest.mark.usefixtures("short_search")

PLANNED_ON = date(2026, 11, 25)
LATER = date(2027, 1, 20)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_fleet(tmp_path_factory.mktemp("trips") / "fleet")
    run_plan(folder, today=PLANNED_ON)
    return folder


@pytest.fixture
def fleet(tmp_path: Path, planned: Path) -> Path:
    folder = write_fleet(tmp_path / "fleet")
    (folder / "plan.json").write_bytes((planned / "plan.json").read_bytes())
    return folder


def first_trip(fleet: Path) -> dict[str, Any]:
    trip: dict[str, Any] = json.loads((fleet / "plan.json").read_bytes())["trips"][0]
    return trip


def packs_in(fleet: Path) -> dict[str, str]:
    stops = first_trip(fleet)["stops"]
    visits = [visit for stop in stops for loop in stop["loops"] for visit in loop["visits"]]
    return {visit["site_id"]: visit["pack_in"] or "" for visit in visits}


def day_after(fleet: Path) -> date:
    day = date.fromisoformat(first_trip(fleet)["date"])
    return date.fromordinal(day.toordinal() + 1)


def tripplan(*words: object, today: date, **others: Any) -> Result:
    args = [*map(str, words), "--today", today.isoformat()]
    return CliRunner().invoke(main, args, catch_exceptions=False, **others)


def test_no_trip_is_open_before_its_day_is_over(fleet: Path) -> None:
    day = date.fromisoformat(first_trip(fleet)["date"])
    assert open_trips(fleet, read_fleet(fleet, day), day) == ()
    today = day_after(fleet)
    (trip,) = open_trips(fleet, read_fleet(fleet, today), today)
    assert trip.trip_id == first_trip(fleet)["trip_id"]
    assert set(trip.untold) == {"C1", "C2", "C3", "D1"}


def test_its_packs_are_no_spares_and_its_sites_not_swapped(fleet: Path) -> None:
    today = day_after(fleet)
    known = read_fleet(fleet, today)
    held = hold_back(known, open_trips(fleet, known, today))
    assert (known.charged_on_shelf("SLA12"), held.charged_on_shelf("SLA12")) == (3, 0)
    assert (known.charged_on_shelf("SLA6"), held.charged_on_shelf("SLA6")) == (1, 0)
    assert held.uncharged_on_shelf("SLA12") == known.uncharged_on_shelf("SLA12")
    assert held.in_place == known.in_place


def test_counts_of_spares_are_held_back_too(fleet: Path) -> None:
    (fleet / "packs.csv").unlink()
    toml = (fleet / "tripplan.toml").read_text()
    (fleet / "tripplan.toml").write_text(
        toml.replace("[pack_types.SLA6]", "shelf_charged = 2\n\n[pack_types.SLA6]")
    )
    today = day_after(fleet)
    known = read_fleet(fleet, today)
    held = hold_back(known, open_trips(fleet, known, today))
    assert (known.charged_on_shelf("SLA12"), held.charged_on_shelf("SLA12")) == (2, 0)


def test_it_is_named_in_every_output_until_answered(fleet: Path) -> None:
    today = day_after(fleet)
    trip_id = first_trip(fleet)["trip_id"]
    line = f"Trip {trip_id} (Ada) lies behind without results: "
    for command in ("forecast", "plan", "trip"):
        done = tripplan(command, fleet, today=today)
        assert done.exit_code in (0, 1)
        assert line in done.stdout + done.stderr, command
    assert (fleet / "journal" / f"trip-{trip_id}.json").exists()  # plan.json was written anew
    notes = json.loads((fleet / "plan.json").read_bytes())["notes"]
    assert any(note.startswith(line) for note in notes)

    done = tripplan("record", fleet, "--trip", trip_id, "--not-made", "--yes", today=today)
    assert done.exit_code == 0
    assert done.stdout.splitlines()[-1] == "Recorded as change 1. tripplan undo takes it back."
    for command in ("forecast", "plan"):
        done = tripplan(command, fleet, today=today)
        assert line not in done.stdout + done.stderr, command
    assert tripplan("undo", fleet, "--yes", today=today).exit_code == 0
    assert line in tripplan("forecast", fleet, today=today).stdout


def test_the_plan_on_file_is_used_again_also_while_a_trip_is_open(fleet: Path) -> None:
    (fleet / "packs.csv").unlink()  # where stock limits, no trip can be planned before the packs are told of
    today = day_after(fleet)
    before = folder_digest(fleet)
    anew = run_trip(fleet, today=today)
    assert anew.planned.anew
    again = run_trip(fleet, today=today)
    assert not again.planned.anew
    assert [trip.trip_id for trip in again.planned.open_trips] == [anew.planned.open_trips[0].trip_id]
    assert folder_digest(fleet) == before
    done = tripplan(
        "record", fleet, "--trip", anew.planned.open_trips[0].trip_id, "--not-made", "--yes", today=today
    )
    assert done.exit_code == 0
    told = run_trip(fleet, today=today)
    assert told.planned.anew  # its packs are spares again
    assert told.planned.open_trips == ()
    assert not run_trip(fleet, today=today).planned.anew


def test_results_answer_it_and_name_what_was_not_told(fleet: Path, tmp_path: Path) -> None:
    trip = first_trip(fleet)
    told = visit("C1", found="running", done="swapped", pack_in="A4", when=f"{trip['date']}T10:00:00+00:00")
    file = write_results(tmp_path / "r.json", told, trip_id=trip["trip_id"])
    today = day_after(fleet)
    done = tripplan("record", fleet, file, "--yes", today=today)
    assert done.exit_code == 0, done.stderr
    assert f"  trip {trip['trip_id']}: recorded" in done.stdout.splitlines()
    untold = next(
        line for line in done.stdout.splitlines() if line.startswith("Planned, but nothing was told of ")
    )
    assert set(untold.removeprefix("Planned, but nothing was told of ").split(":")[0].split(", ")) == {
        "C2",
        "C3",
        "D1",
    }
    assert open_trips(fleet, read_fleet(fleet, today), today) == ()
    found = find_trip(fleet, trip["trip_id"])
    assert found is not None
    assert found.answered == "recorded"


def test_visits_entered_by_hand_answer_it(fleet: Path) -> None:
    day = first_trip(fleet)["date"]
    path = fleet / "visits.csv"
    rows = "".join(f"{day},{site},,running,,left,,,,,,\n" for site in ("C1", "C2", "C3"))
    path.write_text(path.read_text() + rows)
    today = day_after(fleet)
    (trip,) = open_trips(fleet, read_fleet(fleet, today), today)
    assert trip.untold == ("D1",)
    path.write_text(path.read_text() + f"{day},D1,,not reached,,,,,,,,\n")
    assert open_trips(fleet, read_fleet(fleet, today), today) == ()


def test_as_planned(fleet: Path) -> None:
    trip, today = first_trip(fleet), day_after(fleet)
    done = tripplan("record", fleet, "--trip", trip["trip_id"], "--as-planned", "--yes", today=today)
    assert done.exit_code == 0, done.stderr
    rows = (fleet / "visits.csv").read_text().splitlines()[-4:]
    assert sorted(rows) == sorted(
        f"{trip['date']},{site},,running,,swapped,{pack},,{packs_in(fleet)[site]},,,"
        for site, pack in (("C1", "A1"), ("C2", "A2"), ("C3", "A3"), ("D1", "B1"))
    )
    assert tripplan("check", fleet, today=today).exit_code == 0
    again = tripplan("record", fleet, "--trip", trip["trip_id"], "--not-made", "--yes", today=today)
    assert again.exit_code == 1
    assert again.stderr == (
        f"Trip {trip['trip_id']} has been recorded already. tripplan undo takes that back if it is wrong.\n"
    )


def test_the_walk_goes_site_by_site_and_enter_means_as_planned(
    fleet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tripplan.cli.record.can_ask", lambda: True)
    trip, today = first_trip(fleet), day_after(fleet)
    order = [v["site_id"] for s in trip["stops"] for loop in s["loops"] for v in loop["visits"]]
    answers = {
        "C1": "\n",  # as planned
        "C2": "huh\n11,8\n",  # as planned, and a figure
        "C3": "n\n",  # not visited
        "D1": "d\ndark\ncord\nrepaired\n-\n\n-\n\n25\nchewed through\n",
    }
    said = "".join(answers[site] for site in order) + "y\n"
    done = tripplan("record", fleet, "--trip", trip["trip_id"], today=today, input=said)
    assert done.exit_code == 0, done.stderr
    rows = (fleet / "visits.csv").read_text().splitlines()
    day = trip["date"]
    assert sorted(rows[5:]) == [
        f"{day},C1,,running,,swapped,A1,,{packs_in(fleet)['C1']},,,",
        f"{day},C2,,running,,swapped,A2,11.8,{packs_in(fleet)['C2']},,,",
        f"{day},D1,,dark,cord,repaired,,,,,25,chewed through",
    ]
    assert "Type Enter, a figure of volts, n, d or q." in done.stderr


def test_a_walk_that_is_stopped_records_nothing(fleet: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tripplan.cli.record.can_ask", lambda: True)
    before = snapshot(fleet)
    done = tripplan(
        "record", fleet, "--trip", first_trip(fleet)["trip_id"], today=day_after(fleet), input="\nq\n"
    )
    assert done.exit_code == 1
    assert snapshot(fleet) == before
    assert not (fleet / "journal").exists()


def test_a_terminal_is_asked_before_a_forecast(fleet: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tripplan.cli.open_trips.can_ask", lambda: True)
    monkeypatch.setattr("tripplan.cli.record.can_ask", lambda: True)
    today = day_after(fleet)
    done = tripplan("forecast", fleet, today=today, input="later\n")
    assert "has no results." in done.stderr
    assert "lies behind without results" in done.stdout
    done = tripplan("forecast", fleet, today=today, input="no\ny\n")
    assert done.exit_code == 0
    assert "Recorded as change 1." in done.stdout
    assert "lies behind without results" not in done.stdout


def test_trips_that_are_not_there_or_still_to_come(fleet: Path) -> None:
    done = tripplan("record", fleet, "--trip", "2026-01-01-A", "--as-planned", "--yes", today=LATER)
    assert done.exit_code == 1
    assert done.stderr == (
        f"There is no trip 2026-01-01-A in {fleet / 'plan.json'}, nor is one open. Record its visits with a "
        "results file or with --site.\n"
    )
    trip = first_trip(fleet)
    done = tripplan("record", fleet, "--trip", trip["trip_id"], "--as-planned", "--yes", today=PLANNED_ON)
    assert done.exit_code == 1
    assert "which is still to come." in done.stderr


def test_a_damaged_note_is_named(fleet: Path) -> None:
    (fleet / "journal").mkdir()
    (fleet / "journal" / "trip-2026-12-05-A.json").write_text("{")
    done = tripplan("forecast", fleet, today=LATER)
    assert done.exit_code == 1
    assert "this note about a planned trip is damaged" in done.stderr


def test_the_whole_way_from_a_kits_results_to_a_changed_forecast(fleet: Path, tmp_path: Path) -> None:
    trip, today = first_trip(fleet), day_after(fleet)
    before = json.loads(tripplan("forecast", fleet, "--json", "-", today=today).stdout)
    told = [
        visit(
            v["site_id"],
            when=v["start"],
            found="running",
            done="swapped",
            volts_in=12.9 if v["pack_type"] == "SLA12" else 6.4,
            pack_in={"C1": "A4", "C2": "A5", "C3": "A6", "D1": "B2"}[v["site_id"]],
        )
        for s in trip["stops"]
        for loop in s["loops"]
        for v in loop["visits"]
    ]
    file = write_results(tmp_path / "results.json", *told, trip_id=trip["trip_id"])
    assert tripplan("record", fleet, file, "--yes", today=today).exit_code == 0
    after = json.loads(tripplan("forecast", fleet, "--json", "-", today=today).stdout)
    assert "open_trips" in before
    assert "open_trips" not in after
    for old, new in zip(before["sites"], after["sites"], strict=True):
        assert new["site_id"] == old["site_id"]
        assert new["flat_likely"] > old["flat_likely"]
        assert new["swap_by"] > old["swap_by"]


def test_moments_in_results_are_days_of_the_fleets_zone(fleet: Path, tmp_path: Path) -> None:
    toml = (fleet / "tripplan.toml").read_text().replace("Europe/London", "Pacific/Auckland")
    (fleet / "tripplan.toml").write_text(toml)
    when = datetime.fromisoformat("2026-12-05T20:00:00+00:00").isoformat()
    file = write_results(tmp_path / "r.json", SWAP | {"when": when})
    tripplan("record", fleet, file, "--yes", today=LATER)
    assert (fleet / "visits.csv").read_text().splitlines()[-1].startswith("2026-12-06,C1,")
