"""Whatever fails or dies while something is recorded: the folder is before or after, and both runs count."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
from datetime import date, datetime
from pathlib import Path

import pytest
from failing_disk import Died, FailingDisk
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_fleet import SWAP, TODAY, VISITS, results, snapshot, visit, write_fleet

from tripplan.errors import StorageError
from tripplan.fleet import Cause, Done, Found
from tripplan.inputs import read_fleet
from tripplan.records.commit import commit, holding_records, prepare_undo, write_undo
from tripplan.records.journal import Entry, entry_path, read_journal
from tripplan.records.prepare import Prepared, prepare
from tripplan.records.questions import Answers
from tripplan.records.results_file import read_told
from tripplan.storage import lock_folder, settle_folder

DAY = date.fromisoformat(TODAY)
TOLD = json.dumps(results(SWAP, visit("C3", found="missing"))).encode()
HELPERS = Path(__file__).parents[1] / "properties"
posix_only = pytest.mark.skipif(sys.platform == "win32", reason="forks and signals of POSIX")


def now() -> datetime:
    return datetime.now().astimezone()


def work_out(folder: Path, told: bytes = TOLD) -> Prepared:
    return prepare(folder, lambda fleet: read_told("r.json", told, fleet.zone), Answers(), today=DAY)


def record(folder: Path, told: bytes = TOLD) -> Entry:
    with holding_records(folder):
        return commit(work_out(folder, told), now=now())


def undo(folder: Path) -> None:
    with holding_records(folder):
        undoing = prepare_undo(folder)
        assert undoing is not None
        write_undo(undoing, now=now())


def state(folder: Path) -> tuple[dict[str, bytes], int]:
    return snapshot(folder), len(read_journal(folder))


@pytest.mark.parametrize("how", ["once", "for good", "dies"])
def test_each_write_of_a_record_and_of_its_undo_fails_in_turn(tmp_path: Path, how: str) -> None:
    before_folder = write_fleet(tmp_path / "before")
    before = state(before_folder)
    recorded = write_fleet(tmp_path / "recorded")
    with FailingDisk(at=None) as disk:
        record(recorded)
    writes = disk.count
    assert writes > 30
    after = state(recorded)
    kept = tmp_path / "kept"
    shutil.copytree(recorded, kept)
    with FailingDisk(at=None) as disk:
        undo(recorded)
    undo_writes = disk.count
    undone = state(recorded)
    assert undone == (before[0], 2)
    seen = set()
    for start, do, total, first, last in (
        (before_folder, record, writes, before, after),
        (kept, undo, undo_writes, after, undone),
    ):
        for number in range(1, total + 1):
            folder = tmp_path / "fleet"
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(start, folder)
            with FailingDisk(at=number, how=how), contextlib.suppress(StorageError, OSError, Died):
                do(folder)
            settle_folder(folder)
            with lock_folder(folder):
                pass
            found = state(folder)
            assert found in (first, last), f"between before and after when write {number} {how}"
            seen.add((do.__name__, found == last))
    assert {("record", False), ("undo", False)} <= seen
    if how == "dies":
        assert {("record", True), ("undo", True)} <= seen


@posix_only
@pytest.mark.parametrize("count", [40, pytest.param(600, marks=pytest.mark.slow)])
def test_killed_at_random_moments(tmp_path: Path, count: int) -> None:
    env = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(HELPERS), str(HELPERS.parents[1])]),
        "OMP_NUM_THREADS": "1",
    }
    done = subprocess.run(
        [sys.executable, str(HELPERS / "kill_records.py"), str(tmp_path), str(count), "7"],
        capture_output=True,
        text=True,
        check=False,
        env=env,
    )
    assert done.returncode == 0, done.stderr
    outcome = json.loads(done.stdout)
    assert outcome["before"] + outcome["after"] == count
    assert outcome["before"] > 0
    assert outcome["after"] > 0
    print(outcome)


@pytest.mark.parametrize("pairs", [1, pytest.param(20, marks=pytest.mark.slow)])
def test_two_processes_recording_at_once_both_count(tmp_path: Path, pairs: int) -> None:
    folder = write_fleet(tmp_path / "fleet")
    command = [sys.executable, "-m", "tripplan", "record", str(folder), "--found", "running", "--yes",
               "--today", TODAY, "--quiet"]  # fmt: skip
    env = os.environ | {"PYTHONPATH": str(HELPERS.parents[1])}
    for pair in range(pairs):
        day = f"2026-10-{pair + 1:02d}"
        both = [
            subprocess.Popen([*command, "--site", site, "--date", day], env=env, stdout=subprocess.PIPE)
            for site in ("C1", "C2")
        ]
        assert [one.wait() for one in both] == [0, 0]
        for one in both:
            one.communicate()
    rows = (folder / "visits.csv").read_text().splitlines()
    assert sorted(rows[5:]) == sorted(
        f"2026-10-{pair + 1:02d},{site},,running,,,,,,,," for pair in range(pairs) for site in ("C1", "C2")
    )
    assert [entry.number for entry in read_journal(folder)] == list(range(1, 2 * pairs + 1))


def test_a_hand_change_between_reading_and_writing_is_noticed(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    prepared = work_out(folder)
    by_hand = VISITS + "2026-12-06,C2,,running,,left,,,,,,\n"
    (folder / "visits.csv").write_text(by_hand)
    before = state(folder)
    with holding_records(folder), pytest.raises(StorageError) as caught:
        commit(prepared, now=now())
    assert str(caught.value) == (
        "visits.csv: another program changed the file while tripplan was at work. Nothing was changed. Run it again."
    )
    assert state(folder) == before


def test_a_journal_from_elsewhere_cannot_reach_other_files(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    entry = record(folder)
    path = entry_path(folder, entry.number)
    for name in (
        "../victim.csv",
        "/etc/victim",
        "journal/../../victim",
        "tripplan.toml",
        "journal/000001.json",
    ):
        found = json.loads(path.read_bytes())
        found["files"][0]["name"] = name
        path.write_text(json.dumps(found))
        with pytest.raises(StorageError, match="this entry names a file that is none of the records"):
            prepare_undo(folder)


def test_a_damaged_journal_is_named_and_nothing_else_is_touched(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    entry = record(folder)
    entry_path(folder, entry.number).write_text("{")
    before = snapshot(folder)
    with pytest.raises(StorageError, match=r"000001\.json: this entry of the journal is damaged"):
        prepare_undo(folder)
    assert snapshot(folder) == before


def test_many_undos_lead_back_to_the_first_state_byte_for_byte(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    first = snapshot(folder)
    states = [first]
    for number, site in enumerate(("C1", "C2", "C3", "C1"), start=1):
        told = json.dumps(results(visit(site, found="silent", when=f"2026-11-0{number}T10:00:00Z"))).encode()
        record(folder, told)
        states.append(snapshot(folder))
    for expected in reversed(states[:-1]):
        undo(folder)
        assert snapshot(folder) == expected
    assert snapshot(folder) == first


words = st.text(alphabet=st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Z")), max_size=20).map(
    lambda text: " ".join(text.split())
)
told_visits = st.fixed_dictionaries(
    {
        "site_id": st.sampled_from(["C1", "C2", "C3", "D1"]),
        "when": st.dates(date(2026, 9, 10), date(2026, 12, 1)).map(
            lambda day: f"{day.isoformat()}T12:00:00+00:00"
        ),
        "found": st.sampled_from(
            [None, *(str(one) for one in Found if one not in (Found.MISSING, Found.NOT_REACHED))]
        ),
        "cause": st.sampled_from([None, *map(str, Cause)]),
        "done": st.sampled_from([None, str(Done.LEFT), str(Done.REPAIRED)]),
        "volts_out": st.none() | st.integers(310, 740).map(lambda n: n / 100),
        "minutes": st.none() | st.integers(0, 200),
        "notes": st.none() | words,
    }
)
layouts = st.sampled_from(
    [
        VISITS,
        VISITS.replace("\n", "\r\n"),
        "\ufeff" + VISITS,
        VISITS.replace('"stile, then left"', "stile").replace(",", ";").replace(".", ","),
        VISITS.replace("2026-09-05", "5.9.2026").replace("2026-09-06", "16.9.2026"),
        "date,site_id,done\n" + "\n".join(line[:13] + ",installed" for line in VISITS.splitlines()[1:]),
    ]
)


@settings(
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    deadline=None,
)
@given(
    told=st.lists(told_visits, min_size=1, max_size=4, unique_by=lambda one: (one["site_id"], one["when"])),
    layout=layouts,
)
def test_what_is_recorded_is_read_back_the_same_and_undone_byte_for_byte(tmp_path, told, layout) -> None:  # type: ignore[no-untyped-def]
    folder = tmp_path / "fleet"
    shutil.rmtree(folder, ignore_errors=True)
    write_fleet(folder, packs_csv=None, visits_csv=layout)
    told = [one for one in told if one["volts_out"] is None or one["site_id"] == "D1"]
    before = snapshot(folder)
    known = len(read_fleet(folder, DAY).visits)
    prepared = work_out(folder, json.dumps(results(*told)).encode() if told else TOLD)
    assert prepared.changes.questions == ()
    with holding_records(folder):
        commit(prepared, now=now())
    read = read_fleet(folder, DAY).visits[known:]
    assert len(read) == len(prepared.changes.visits)
    for one, back in zip(told, read, strict=False):
        assert back.site_id == one["site_id"]
        assert back.day.isoformat() == one["when"][:10]
        for field in ("found", "cause", "done", "volts_out", "minutes"):
            assert getattr(back, field) == one[field]
        assert back.notes.lstrip("'") == (one["notes"] or "").lstrip("'")
    undo(folder)
    assert snapshot(folder) == before
