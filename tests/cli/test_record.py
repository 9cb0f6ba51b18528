"""``record`` and ``undo``: shown before it is done, word for word; questions; nothing lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from record_fleet import (
    PACKS,
    SWAP,
    TODAY,
    TRIP,
    VISITS,
    results,
    snapshot,
    visit,
    write_fleet,
    write_results,
)
from results_writer import results_text

from tripplan.cli import main


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    return write_fleet(tmp_path / "fleet")


def tripplan(*words: object, **others: Any) -> Result:
    args = [str(word) for word in words]
    return CliRunner().invoke(main, [*args, "--today", TODAY], catch_exceptions=False, **others)


def lines(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines()


def test_what_will_change_is_shown_and_without_a_terminal_nothing_is_written(
    fleet: Path, tmp_path: Path
) -> None:
    before = snapshot(fleet)
    file = write_results(tmp_path / "r.json", SWAP)
    done = tripplan("record", fleet, file)
    assert done.exit_code == 1
    assert done.stdout.splitlines() == [
        f"r.json: 1 visit, trip {TRIP}, told by Ruth",
        "  visits.csv, new row: 2026-12-05, C1, found running, swapped, out A1 12.1 V, in A4 12.9 V, 15 min",
        "  packs.csv, A1: at C1, in use -> on the shelf since 2026-12-05, flat",
        "  packs.csv, A4: on the shelf, charged -> at C1 since 2026-12-05, in use",
    ]
    assert done.stderr.splitlines() == [
        f"Note: The plan on file has no trip {TRIP}; the results may belong to an older plan.",
        "Nothing was written: there is no terminal to ask at. --yes writes it.",
    ]
    assert snapshot(fleet) == before
    assert not (fleet / "journal").exists()
    done = tripplan("record", fleet, file, "--dry-run")
    assert done.exit_code == 0
    assert done.stdout.splitlines()[-1] == "Nothing was written (--dry-run)."
    assert snapshot(fleet) == before


def test_a_record_is_written_once_and_undone_byte_for_byte(fleet: Path, tmp_path: Path) -> None:
    before = snapshot(fleet)
    file = write_results(tmp_path / "r.json", SWAP)
    done = tripplan("record", fleet, file, "--yes")
    assert done.exit_code == 0
    assert done.stdout.splitlines()[-1] == "Recorded as change 1. tripplan undo takes it back."
    assert (fleet / "visits.csv").read_text() == VISITS + (
        "2026-12-05,C1,,running,,swapped,A1,12.1,A4,12.9,15,\n"
    )
    assert (fleet / "packs.csv").read_text() == PACKS.replace(
        "A1,SLA12,2025-09-01,C1,2026-09-05,in use,red", "A1,SLA12,2025-09-01,shelf,2026-12-05,flat,red"
    ).replace("A4,SLA12,2025-09-01,shelf,2026-10-01,charged,", "A4,SLA12,2025-09-01,C1,2026-12-05,in use,")
    after = snapshot(fleet)

    done = tripplan("record", fleet, file, "--yes")
    assert done.exit_code == 0
    assert done.stdout.splitlines() == [
        f"r.json: 1 visit, trip {TRIP}, told by Ruth",
        "On file already, not written again: visit 1 (C1) of 2026-12-05.",
        "Nothing is new: no file was changed.",
    ]
    assert snapshot(fleet) == after

    done = tripplan("undo", fleet, "--yes")
    assert done.exit_code == 0
    assert done.stdout.splitlines()[-1] == "Done, as change 2. tripplan undo --redo reverses it."
    assert snapshot(fleet) == before
    done = tripplan("undo", fleet, "--yes")
    assert done.stdout == "There is nothing to take back.\n"
    assert tripplan("undo", fleet, "--redo", "--yes").exit_code == 0
    assert snapshot(fleet) == after
    assert tripplan("undo", fleet, "--redo", "--yes").stdout == "There is nothing to bring again.\n"
    assert tripplan("check", fleet).exit_code == 0


def test_undo_is_refused_after_a_change_by_hand(fleet: Path, tmp_path: Path) -> None:
    tripplan("record", fleet, write_results(tmp_path / "r.json", SWAP), "--yes")
    visits = fleet / "visits.csv"
    visits.write_text(visits.read_text() + "2026-12-06,C2,,running,,left,,,,,,\n")
    before = snapshot(fleet)
    done = tripplan("undo", fleet, "--yes")
    assert done.exit_code == 1
    assert done.stderr == (
        f"visits.csv was changed by hand or by another program since change 1 (r.json: 1 record, trip {TRIP}, told "
        "by Ruth), so that change cannot be taken back without losing what was done since. Nothing was changed. "
        "Mend the rows by hand; what was recorded stands in journal/000001.json.\n"
    )
    assert snapshot(fleet) == before


QUESTIONS = [
    (
        visit("C9", found="running"),
        "visit 1 (C9): sites.csv has no site of this name. Known: C1, C2, C3, D1.",
        ["1.site_id=...: name the right site", '"1=leave out": leave this visit out (the journal keeps it)'],
    ),
    (
        visit("C1", done="swapped", pack_out="A1", pack_in="A2"),
        "visit 1 (C1): pack A2 went in here, but packs.csv has it at C2 since 2026-09-05.",
        [
            "1.pack_in=...: name the pack that went in",
            "1.keep=pack_in: it is here now; C2 is then without a known pack",
        ],
    ),
    (
        visit("C1", done="swapped", pack_out="A3", pack_in="A4"),
        "visit 1 (C1): pack A3 came out here, but packs.csv has it at C3 since 2026-09-06; here it has A1.",
        [
            "1.pack_out=A1: it was A1",
            "1.pack_out=...: name the pack that came out",
            "1.keep=pack_out: A3 it was, and is home now; where A1 is, is then not known",
        ],
    ),
    (
        visit("C1", done="swapped", pack_in="A4", volts_out=21.9),
        "visit 1 (C1): a pack of 21.9 V came out, but a 12 V pack shows 6 to 15 V.",
        [
            "1.volts_out=...: name the right figure",
            "1.volts_out=: leave it blank; what was told goes into the notes",
        ],
    ),
    (
        visit("C1", done="swapped", pack_in="A6", when="2026-11-10T10:00:00+00:00"),
        "visit 1 (C1): pack A6 was bought on 2026-11-20, after this visit of 2026-11-10.",
        [
            "1.date=...: name the right day",
            "1.pack_in=...: name the right pack",
            "1.pack_in=: leave it blank; what was told goes into the notes",
        ],
    ),
    (
        visit("C1", done="swapped", pack_in="Z4"),
        "visit 1 (C1): pack 'Z4' went in, but packs.csv has none of this name.",
        [
            "1.pack_in=...: name the right pack",
            "1.new=pack_in: it is a new pack: add it to packs.csv as SLA12",
            "1.keep=pack_in: write the name into visits.csv, leave packs.csv alone; the notes say so",
        ],
    ),
    (
        visit("D1", done="swapped", pack_in="A4"),
        (
            "visit 1 (D1): pack A4 gives 12 V, but the site takes in 6 V and destroys the device; if it is really "
            "there, take it out before anything else."
        ),
        [
            "1.pack_in=...: name the pack that went in",
            "1.pack_in=: leave it blank; what was told goes into the notes",
        ],
    ),
    (
        visit("C1", found="running", when="2027-01-05T10:00:00+00:00"),
        "visit 1 (C1): its day, 2027-01-05, lies after today (6 December 2026).",
        ["1.date=...: name the right day", '"1=leave out": leave this visit out (the journal keeps it)'],
    ),
    (
        visit("C1", found="not reached", done="swapped", pack_in="A4"),
        "visit 1 (C1): the site was not reached, yet the pack or device was swapped.",
        ["1.found=...: say how the site was found", "1.done=left: nothing was done"],
    ),
    (
        visit("C1", done="swapped", pack_in="A1", pack_out="A1"),
        "visit 1 (C1): pack A1 went in and came out.",
        ["1.pack_in=...: name the pack that went in", "1.pack_out=...: name the pack that came out"],
    ),
    (
        visit("C1", found="running", when="2026-09-05T10:00:00+00:00"),
        "visit 1 (C1): visits.csv has another visit of 2026-09-05 (row 2: installed, in A1); told is running.",
        ["1=add: it was a second visit: add it", '"1=leave out": leave this one out'],
    ),
]


@pytest.mark.parametrize(("told", "question", "choices"), QUESTIONS, ids=[one[1][11:45] for one in QUESTIONS])
def test_what_cannot_be_so_is_asked_with_its_choices(
    fleet: Path, tmp_path: Path, told: dict[str, Any], question: str, choices: list[str]
) -> None:
    before = snapshot(fleet)
    done = tripplan("record", fleet, write_results(tmp_path / "r.json", told), "--yes")
    assert done.exit_code == 1
    assert done.stderr.splitlines() == [
        question,
        *(f"  --answer {choice}" for choice in choices),
        "1 question. Nothing was written.",
    ]
    assert snapshot(fleet) == before


ANSWERED = [
    (QUESTIONS[0][0], "1.site_id=c1", "2026-12-05,C1,,running,,,,,,,,told: site_id C9", {}),
    (QUESTIONS[0][0], "1=leave out", None, {}),
    (
        QUESTIONS[1][0],
        "1.keep=pack_in",
        "2026-12-05,C1,,,,swapped,A1,,A2,,,",
        {"A1": "shelf,2026-12-05,flat", "A2": "C1,2026-12-05,in use"},
    ),
    (
        QUESTIONS[1][0],
        "1.pack_in=a5",
        "2026-12-05,C1,,,,swapped,A1,,A5,,,told: pack_in A2",
        {"A1": "shelf,2026-12-05,flat", "A5": "C1,2026-12-05,in use"},
    ),
    (
        QUESTIONS[2][0],
        "1.pack_out=A1",
        "2026-12-05,C1,,,,swapped,A1,,A4,,,told: pack_out A3",
        {"A1": "shelf,2026-12-05,flat", "A4": "C1,2026-12-05,in use"},
    ),
    (
        QUESTIONS[2][0],
        "1.keep=pack_out",
        "2026-12-05,C1,,,,swapped,A3,,A4,,,",
        {"A1": ",2026-12-05,suspect", "A3": "shelf,2026-12-05,flat", "A4": "C1,2026-12-05,in use"},
    ),
    (
        QUESTIONS[3][0],
        "1.volts_out=",
        "2026-12-05,C1,,,,swapped,,,A4,,,told: volts_out 21.9",
        {"A1": "shelf,2026-12-05,flat", "A4": "C1,2026-12-05,in use"},
    ),
    (
        QUESTIONS[5][0],
        "1.new=pack_in",
        "2026-12-05,C1,,,,swapped,,,Z4,,,",
        {"A1": "shelf,2026-12-05,flat", "Z4": "C1,2026-12-05,in use"},
    ),
    (
        QUESTIONS[5][0],
        "1.keep=pack_in",
        "2026-12-05,C1,,,,swapped,,,Z4,,,pack Z4 is not in packs.csv",
        {"A1": "shelf,2026-12-05,flat"},
    ),
    (QUESTIONS[10][0], "1=add", "2026-09-05,C1,,running,,,,,,,,", {}),
]


@pytest.mark.parametrize(
    ("told", "answer", "row", "packs"), ANSWERED, ids=[f"{n}" for n in range(len(ANSWERED))]
)
def test_each_answer_does_what_it_says(
    fleet: Path, tmp_path: Path, told: dict[str, Any], answer: str, row: str | None, packs: dict[str, str]
) -> None:
    file = write_results(tmp_path / "r.json", told)
    done = tripplan("record", fleet, file, "--yes", "--answer", answer)
    assert done.exit_code == 0, done.stderr
    assert (fleet / "visits.csv").read_text() == VISITS + ("" if row is None else row + "\n")
    by_id = {line.split(",")[0]: ",".join(line.split(",")[3:6]) for line in lines(fleet / "packs.csv")}
    old = {line.split(",")[0]: ",".join(line.split(",")[3:6]) for line in PACKS.splitlines()}
    assert by_id == old | packs
    assert tripplan("check", fleet).exit_code == 0
    again = tripplan("record", fleet, file, "--yes", "--answer", answer)
    assert again.stdout.splitlines()[-1] == "Nothing is new: no file was changed."


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        ("pack", "--answer: cannot be read (found 'pack')."),
        ("1=maybe", "--answer: must be one of leave out, add, replace (found '1=maybe')."),
        ("1.colour=red", "--answer: there is no field colour (found '1.colour=red')."),
        ("1.keep=notes", "--answer: must be one of pack_in, pack_out, told (found '1.keep=notes')."),
        ("1.state=in use", "--answer: a pack that came out is charged, flat, suspect or retired (found '1.state=in use')."),
        ("7=add", "--answer: there is no visit 7 (found '7')."),
        ("1.volts_out=much", "--answer, column 1.volts_out: is not a number (found 'much')."),
    ],
)  # fmt: skip
def test_answers_that_are_none_are_refused(fleet: Path, tmp_path: Path, answer: str, message: str) -> None:
    done = tripplan("record", fleet, write_results(tmp_path / "r.json", SWAP), "--yes", "--answer", answer)
    assert done.exit_code == 1
    assert done.stderr.startswith(message)
    assert not (fleet / "journal").exists()


def test_a_missing_device_leaves_the_plan_its_pack_is_written_off_its_history_stays(fleet: Path) -> None:
    done = tripplan("record", fleet, "--site", "c3", "--found", "missing", "--date", "2026-12-01", "--yes")
    assert done.exit_code == 0
    assert done.stdout.splitlines() == [
        "command line: 1 visit",
        "  visits.csv, new row: 2026-12-01, C3, found missing",
        "  packs.csv, A3: at C3, in use -> nowhere known since 2026-12-01, retired (missing with the device)",
        "  sites.csv, C3: not planned after 2026-12-01 (active_to; the device is missing)",
        "Recorded as change 1. tripplan undo takes it back.",
    ]
    assert 'C3,Lek,54.41200,-2.91500,SLA12,12,2026-12-01,"a, b"' in lines(fleet / "sites.csv")
    assert '2026-09-06,C3,,,,installed,,,A3,,,"stile, then left"' in lines(fleet / "visits.csv")
    done = tripplan("record", fleet, "--site", "C3", "--done", "installed", "--pack-in", "A4", "--yes")
    assert (
        "  sites.csv, C3: planned again, active_to is emptied (a device was installed)"
        in done.stdout.splitlines()
    )
    assert 'C3,Lek,54.41200,-2.91500,SLA12,12,,"a, b"' in lines(fleet / "sites.csv")
    assert tripplan("check", fleet).exit_code == 0


@pytest.mark.parametrize(
    ("told", "state", "because"),
    [
        (["--volts-out", "10.4"], "suspect", " (came back at 10.4 V, below 10.5 V)"),
        (["--volts-out", "10.5"], "flat", ""),
        (["--notes", "box was leaking"], "suspect", " (the notes say 'leaking')"),
        (["--notes", "pack FROZEN solid"], "suspect", " (the notes say 'FROZEN')"),
        (["--notes", "wetter than usual"], "flat", ""),
        (["--found", "dark", "--cause", "water"], "suspect", " (the cause was water)"),
    ],
)
def test_a_pack_that_came_back_badly_is_suspect(
    fleet: Path, told: list[str], state: str, because: str
) -> None:
    args = ["--site", "C1", "--done", "swapped", "--pack-out", "A1", "--pack-in", "A4", *told]
    done = tripplan("record", fleet, *args, "--yes")
    assert (
        f"  packs.csv, A1: at C1, in use -> on the shelf since {TODAY}, {state}{because}"
        in done.stdout.splitlines()
    )
    assert f"A1,SLA12,2025-09-01,shelf,{TODAY},{state},red" in lines(fleet / "packs.csv")


def test_six_volts_have_half_the_limit(fleet: Path) -> None:
    args = ["--site", "D1", "--done", "swapped", "--pack-in", "B2", "--volts-out", "5.2", "--yes"]
    done = tripplan("record", fleet, *args)
    assert "suspect (not named, but it was there; came back at 5.2 V, below 5.25 V)" in done.stdout


def test_packs_that_change_places_on_one_trip(fleet: Path, tmp_path: Path) -> None:
    file = write_results(
        tmp_path / "r.json",
        visit("C1", done="swapped", pack_out="A1", pack_in="A4", when="2026-12-05T09:00:00+00:00"),
        visit("C2", done="swapped", pack_out="A2", pack_in="A1", when="2026-12-05T10:00:00+00:00"),
    )
    done = tripplan("record", fleet, file, "--yes")
    assert done.exit_code == 0, done.stderr
    assert "A1,SLA12,2025-09-01,C2,2026-12-05,in use,red" in lines(fleet / "packs.csv")
    assert tripplan("check", fleet).exit_code == 0


def test_a_visit_older_than_the_last_swap_is_history_only(fleet: Path, tmp_path: Path) -> None:
    tripplan("record", fleet, write_results(tmp_path / "r.json", SWAP), "--yes")
    packs = (fleet / "packs.csv").read_bytes()
    old = visit("C1", done="swapped", when="2026-10-05T09:00:00+00:00")
    done = tripplan("record", fleet, write_results(tmp_path / "old.json", old), "--yes")
    assert "visit 1 (C1): C1 has had a later swap, so packs.csv stays as it is." in done.stderr
    assert (fleet / "packs.csv").read_bytes() == packs


def test_hostile_text_neither_runs_nor_breaks_the_file(fleet: Path, tmp_path: Path) -> None:
    notes = '=HYPERLINK("http://x","y")\x1b[2J\n\r\x00<script>\u202e;",'
    told = visit("C1", found="running", done="left", notes=notes)
    done = tripplan("record", fleet, write_results(tmp_path / "r.json", told, by="@SUM(1)"), "--yes")
    assert done.exit_code == 0
    assert lines(fleet / "visits.csv")[-1] == (
        '2026-12-05,C1,,running,,left,,,,,,"\'=HYPERLINK(""http://x"",""y"")[2J <script>;"","'
    )
    assert "\x1b" not in done.stdout
    assert tripplan("check", fleet).exit_code == 0


def test_only_visits_csv_or_neither(tmp_path: Path) -> None:
    only_visits = write_fleet(tmp_path / "a", packs_csv=None)
    done = tripplan("record", only_visits, write_results(tmp_path / "r.json", SWAP), "--yes")
    assert done.exit_code == 0, done.stderr
    assert lines(only_visits / "visits.csv")[-1] == "2026-12-05,C1,,running,,swapped,A1,12.1,A4,12.9,15,"
    assert not (only_visits / "packs.csv").exists()
    sites = (
        "site_id;lat;lon;pack_type;swapped_on\r\nC1;54,41;-2,91;SLA12;05.09.2026\r\n"
        "C2;54,42;-2,92;SLA12;13.09.2026\r\n"
    )
    neither = write_fleet(tmp_path / "b", packs_csv=None, visits_csv=None, sites_csv=sites)
    done = tripplan("record", neither, tmp_path / "r.json", "--yes")
    assert done.exit_code == 0, done.stderr
    assert (neither / "visits.csv").read_bytes().decode() == (
        "date;site_id;found;cause;done;pack_out;volts_out;pack_in;volts_in;minutes;notes\r\n"
        "2026-12-05;C1;running;;swapped;A1;12,1;A4;12,9;15;\r\n"
    )
    assert tripplan("undo", neither, "--yes").exit_code == 0
    assert not (neither / "visits.csv").exists()


def test_readings_typed(fleet: Path) -> None:
    args = ["--site", "c1", "--volts", "12.4", "--temp", "3.5", "--when", "2026-12-05T07:30"]
    done = tripplan("record", fleet, *args, "--yes")
    assert done.exit_code == 0, done.stderr
    assert (fleet / "readings.csv").read_text() == (
        "when,site_id,volts,percent,source,temp_c\n2026-12-05T07:30,C1,12.4,,pack,3.5\n"
    )
    again = tripplan("record", fleet, *args, "--yes")
    assert again.stdout.splitlines() == [
        "command line",
        "On file already, not written again: the reading of C1, 2026-12-05 07:30.",
        "Nothing is new: no file was changed.",
    ]
    bad = tripplan("record", fleet, "--site", "C8", "--volts", "30", "--date", "2027-01-01", "--yes")
    assert bad.exit_code == 1
    assert bad.stderr.splitlines() == [
        "reading, column site_id: unknown site (found 'C8'). Known: C1, C2, C3, D1.",
        "reading, column when: the day lies after today (6 December 2026) (found '2027-01-01'). Mend it.",
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--found", "running"], "--found goes with --site."),
        (["--site", "C1"], "Say what was found or done at the site"),
        (
            ["--site", "C1", "--volts", "12", "--done", "left"],
            "--done belongs to a visit, the rest to a reading",
        ),
        (["--site", "C1", "--done", "left", "--trip", "x"], "Give one of FILE, --site and --trip."),
        (["--not-made"], "--as-planned and --not-made go with --trip."),
        ([], "Give a results FILE, or --site with what was found, or --trip with a planned trip."),
    ],
)
def test_wrong_usage(fleet: Path, words: list[str], message: str) -> None:
    done = tripplan("record", fleet, *words)
    assert done.exit_code == 2
    assert message in done.stderr


def test_the_short_text_from_standard_input(fleet: Path) -> None:
    text = "Hello!\n" + results_text(results(SWAP))
    done = tripplan("record", fleet, "-", "--yes", input=text)
    assert done.exit_code == 0, done.stderr
    assert done.stdout.splitlines()[0] == f"standard input: 1 visit, trip {TRIP}, told by Ruth"
    assert lines(fleet / "visits.csv")[-1] == "2026-12-05,C1,,running,,swapped,A1,12.1,A4,12.9,15,"


def test_a_terminal_is_asked(fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tripplan.cli.record.can_ask", lambda: True)
    before = snapshot(fleet)
    file = write_results(tmp_path / "r.json", QUESTIONS[2][0])
    done = tripplan("record", fleet, file, input="1\nn\n")
    assert done.exit_code == 1
    assert "Write this? [y/N]: n" in done.stderr
    assert snapshot(fleet) == before
    done = tripplan("record", fleet, file, input="2\na1\ny\n")
    assert done.exit_code == 0
    assert lines(fleet / "visits.csv")[-1] == "2026-12-05,C1,,,,swapped,A1,,A4,,,told: pack_out A3"


def test_files_changed_while_somebody_is_asked(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tripplan.cli.record.can_ask", lambda: True)

    def slow(_: str) -> bool:
        (fleet / "packs.csv").write_text(PACKS.replace("A1,SLA12,2025-09-01,C1,2026-09-05", "A1,SLA12,,C1,2026-09-05")
                                         .replace("A4,SLA12,2025-09-01,shelf", "A4,SLA12,2025-09-01,"))  # fmt: skip
        return True

    monkeypatch.setattr("tripplan.cli.record.confirm", slow)
    done = tripplan("record", fleet, write_results(tmp_path / "r.json", SWAP))
    assert done.exit_code == 0  # what was shown still holds
    before = snapshot(fleet)

    def other(_: str) -> bool:
        path = fleet / "visits.csv"
        path.write_text(path.read_text() + "2026-12-05,C2,,running,,left,,,,,,\n")
        return True

    monkeypatch.setattr("tripplan.cli.record.confirm", other)
    told = visit("C2", found="running", done="left")
    done = tripplan("record", fleet, write_results(tmp_path / "s.json", told))
    assert done.exit_code == 1
    assert "The files were changed while you were asked, so what was shown no longer holds." in done.stderr
    assert snapshot(fleet) | {"visits.csv": before["visits.csv"]} == before


def test_a_spreadsheet_that_has_the_file_open(fleet: Path, tmp_path: Path) -> None:
    before = snapshot(fleet)
    (fleet / ".~lock.visits.csv#").write_text("")
    done = tripplan("record", fleet, write_results(tmp_path / "r.json", SWAP), "--yes")
    assert done.exit_code == 1
    assert done.stderr.splitlines()[-1] == (
        "visits.csv: a spreadsheet has this file open (there is .~lock.visits.csv# beside it). Save and close it "
        "there, then record again; nothing was changed. If nothing has it open any more, delete that mark."
    )
    assert snapshot(fleet) == before


def test_workbooks_are_not_written_into(tmp_path: Path) -> None:
    from openpyxl import Workbook

    folder = write_fleet(tmp_path / "fleet", visits_csv=None, packs_csv=None)
    book = Workbook()
    book.active.title = "visits"
    for row in (("date", "site_id", "done", "pack_in"), ("2026-09-05", "C1", "installed", "A1"),
                ("2026-09-05", "C2", "installed", "A2"), ("2026-09-05", "C3", "installed", "A3"),
                ("2026-09-05", "D1", "installed", "B1")):  # fmt: skip
        book.active.append(row)
    book.save(folder / "visits.xlsx")
    before = (folder / "visits.xlsx").read_bytes()
    done = tripplan("record", folder, write_results(tmp_path / "r.json", SWAP), "--yes")
    assert done.exit_code == 1
    message = done.stderr[done.stderr.index("visits.xlsx: tripplan does not") :]
    assert message.splitlines() == [
        (
            "visits.xlsx: tripplan does not write into workbooks, where formulas and formats of yours could be "
            "lost; nothing was recorded. Save the sheet as visits.csv, take it out of the workbook and record "
            "again; or paste this row into it:"
        ),
        "date,site_id,found,cause,done,pack_out,volts_out,pack_in,volts_in,minutes,notes",
        "2026-12-05,C1,running,,swapped,A1,12.1,A4,12.9,15,",
    ]
    assert (folder / "visits.xlsx").read_bytes() == before
    assert not (folder / "visits.csv").exists()


def test_a_folder_with_faults_takes_no_records(fleet: Path, tmp_path: Path) -> None:
    (fleet / "sites.csv").write_text("site_id,lon,pack_type\nC1,1,SLA12\n")
    done = tripplan("record", fleet, write_results(tmp_path / "r.json", SWAP), "--yes")
    assert done.exit_code == 1
    assert "sites.csv, row 1: the column lat is missing" in done.stderr
    assert not (fleet / "journal").exists()


def test_json_says_what_was_done(fleet: Path, tmp_path: Path, faults_of: Callable[[Any], list[str]]) -> None:
    file = write_results(tmp_path / "r.json", SWAP, visit("C9"))
    asked = json.loads(tripplan("record", fleet, file, "--yes", "--json", "-").stdout)
    assert faults_of(asked) == []
    assert asked["recorded"] is False
    assert asked["questions"][0]["choices"][1] == {
        "key": "2",
        "value": "leave out",
        "text": "leave this visit out (the journal keeps it)",
    }
    done = tripplan("record", fleet, file, "--yes", "--json", "-", "--answer", "2=leave out")
    told = json.loads(done.stdout)
    assert faults_of(told) == []
    assert told["change"] == 1
    assert told["left_out"] == ["visit 2 (C9)"]
    assert [pack["pack_id"] for pack in told["packs"]] == ["A1", "A4"]
    reading = json.loads(
        tripplan("record", fleet, "--site", "C1", "--percent", "80", "--yes", "--json", "-").stdout
    )
    assert faults_of(reading) == []
    undone = json.loads(tripplan("undo", fleet, "--yes", "--json", "-").stdout)
    assert faults_of(undone) == []
    assert undone["of"] == 2
    assert undone["files"] == ["readings.csv"]


JOBS_CSV = "site_id,job,due_by,minutes,bring,done_on\nC1,new card,,10,card,\nC1,wipe the lens; inside too,,5,,\nC2,new card,,10,card,2026-09-05\n"


def test_jobs_told_as_done_are_closed_in_jobs_csv(fleet: Path, tmp_path: Path) -> None:
    (fleet / "jobs.csv").write_text(JOBS_CSV, "utf-8")
    told = write_results(
        tmp_path / "r.json",
        SWAP | {"jobs_done": ["New card", "wipe the lens", "inside too"]},
        visit("C2", found="running", done="left", jobs_done=["new card", "trap set"]),
        visit("C3", found="not reached", done="left", jobs_done=["look"]),
    )
    done = tripplan("record", fleet, told, "--yes", "--json", tmp_path / "out.json")
    assert done.exit_code == 0, done.output
    assert (fleet / "jobs.csv").read_text("utf-8").splitlines()[1:] == [
        "C1,new card,,10,card,2026-12-05",
        "C1,wipe the lens; inside too,,5,,2026-12-05",
        "C2,new card,,10,card,2026-09-05",
    ]
    data = json.loads((tmp_path / "out.json").read_bytes())
    assert [one["job"] for one in data["jobs"]] == ["new card", "wipe the lens; inside too"]
    text = " ".join((done.stdout + done.stderr).split())
    assert "jobs.csv, C1: new card, done on 2026-12-05" in text
    for line in (
        "the job 'new card' was done, but jobs.csv has it as done already; jobs.csv stays as it is.",
        "the job 'trap set' was done, but jobs.csv has no such job there; jobs.csv stays as it is.",
        "the site was not reached, so jobs told as done (look) stay open.",
    ):
        assert line in text
    # the same once more changes nothing, and undo takes all of it back
    after = snapshot(fleet)
    assert tripplan("record", fleet, told, "--yes").exit_code == 0
    assert {name: data for name, data in snapshot(fleet).items() if name.endswith(".csv")} == {
        name: data for name, data in after.items() if name.endswith(".csv")
    }
    assert tripplan("undo", fleet, "--yes").exit_code == 0
    assert (fleet / "jobs.csv").read_text("utf-8") == JOBS_CSV
