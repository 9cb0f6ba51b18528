"""What comes back from the field, in all its shapes, and every way in which it may be spoilt."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from record_fleet import SWAP, TODAY, TRIP, results, visit, write_fleet, write_results
from results_writer import results_text

from tripplan.cli import main
from tripplan.errors import InputError
from tripplan.fleet import Done, Found, VisitRecord
from tripplan.records.jobs_done import joined_names
from tripplan.records.results_file import read_told
from tripplan.records.told import Told

ZONE = ZoneInfo("Europe/London")
WHOLE = VisitRecord(
    date(2026, 12, 5), "C1", Found.RUNNING, None, Done.SWAPPED, "A1", 12.1, "A4", 12.9, 15.0, "", row=1
)
# As the kit's own page writes it (asCsv in record.js).
KIT_CSV = (
    "\ufefftrip_id,by,site_id,when,found,cause,done,pack_out,volts_out,pack_in,volts_in,minutes,notes\r\n"
    f"{TRIP},Ruth,C1,2026-12-05T09:31:00+00:00,running,,swapped,A1,12.1,A4,12.9,15,\r\n"
    f'{TRIP},Ruth,C2,2026-12-05T10:31:00+00:00,not reached,,left,,,,,,"\'=1+1, gate; locked"\r\n'
)


def read(data: str | bytes) -> Told:
    return read_told("r.json", data if isinstance(data, bytes) else data.encode(), ZONE)


def refused(data: str | bytes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(data)
    return str(caught.value).splitlines()


def test_the_three_shapes_say_the_same() -> None:
    whole = results(SWAP, visit("C2", found="not reached", done="left", notes="=1+1, gate; locked"))
    shapes = [read(json.dumps(whole)), read(KIT_CSV), read(results_text(whole))]
    assert shapes[0].visits[0] == WHOLE
    for told in shapes:
        assert told.trip_id == TRIP
        assert told.by == "Ruth"
        assert told.visits[0] == WHOLE
        assert told.visits[1].notes == "=1+1, gate; locked"
        assert told.visits[1].found is Found.NOT_REACHED
        assert told.received
        assert len(told.digest) == 64


def test_a_table_of_ones_own_with_decimal_commas_and_days() -> None:
    told = read("date;site_id;found;volts_out\n5.12.2026;C1;running;12,1\n16.12.2026;C2;dark;11,9\n")
    assert [(one.day, one.volts_out) for one in told.visits] == [
        (date(2026, 12, 5), 12.1),
        (date(2026, 12, 16), 11.9),
    ]


def test_utf_16_and_a_byte_order_mark() -> None:
    text = json.dumps(results(SWAP))
    assert read(b"\xef\xbb\xbf" + text.encode()).visits == (WHOLE,)
    assert read(text.encode("utf-16")).visits == (WHOLE,)


@pytest.mark.parametrize("cut", range(1, len(json.dumps(results(SWAP))), 7))
def test_a_results_file_that_is_cut_off_is_never_taken_for_whole(cut: int) -> None:
    (line,) = refused(json.dumps(results(SWAP))[:cut])
    assert (
        line.startswith("r.json: the file is cut off in line 1. Have it sent again") or "sound JSON" in line
    )


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("", "r.json: the file is empty. Have it sent again."),
        ("{}", "r.json: this is not a results file (it names no format, wanted is tripplan-results/1). Is it the right file?"),
        ('{"format": "tripplan-plan/1"}', "r.json: this is not a results file (its format is tripplan-plan/1, wanted is tripplan-results/1). Is it the right file?"),
        ("[1]", "r.json: this is not a results file. Is it the right file?"),
        ("[" * 100_000, "r.json: this is not a results file. Is it the right file?"),
        ('{"format": "tripplan-results/1", "visits": [}', "r.json: this is not sound JSON: line 1, character 45. If it was changed by hand, mend that place; else have it sent again."),
        ('{"format": "tripplan-results/1"}', "r.json: it has no list of visits. If it was changed by hand, mend it."),
        ('{"format": "tripplan-results/1", "visits": []}', "r.json: there is no visit in it. Is it the right file?"),
        ("hello\nworld\n", "r.json: no header row found. One row must name the columns; needed are site_id."),
        (b"\x00\x01\x02", "r.json: this is not a text file. Save it as CSV in UTF-8."),
        (b"x" * 5_000_001, "r.json: this is far too large for results of a trip. Is it the right file?"),
    ],
)  # fmt: skip
def test_what_is_no_results_file_is_refused_with_a_sentence(data: str | bytes, message: str) -> None:
    assert refused(data) == [message]


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("site_id", "", "r.json, visit 1, column site_id: the site is missing. Write which site it was."),
        ("site_id", ["C1"], "r.json, visit 1, column site_id: must be a text (found '['C1']')."),
        ("when", None, "r.json, visit 1 (C1), column when: the day is missing. Write the day of the visit."),
        ("when", "yesterday", "r.json, visit 1 (C1), column when: is not a date (found 'yesterday'). Write it as 2026-04-13T07:05:00+02:00."),
        ("when", "2026-13-45T10:00:00Z", "r.json, visit 1 (C1), column when: there is no such day (found '2026-13-45T10:00:00Z'). Write the date as year-month-day, for example 2026-04-13."),
        ("found", "asleep", "r.json, visit 1 (C1), column found: must be one of running, silent, dark, missing, not reached (found 'asleep')."),
        ("done", True, "r.json, visit 1 (C1), column done: must be a text (found 'True')."),
        ("volts_out", "much", "r.json, visit 1 (C1), column volts_out: is not a number (found 'much')."),
        ("volts_out", -3, "r.json, visit 1 (C1), column volts_out: must lie between 0 and 80 (found '-3'). Mend it, or leave it blank."),
        ("volts_in", {}, "r.json, visit 1 (C1), column volts_in: must be a number (found '{}')."),
        ("minutes", 1e9, "r.json, visit 1 (C1), column minutes: must lie between 0 and 1440 (found '1000000000.0'). Mend it, or leave it blank."),
        ("pack_in", "x" * 81, f"r.json, visit 1 (C1), column pack_in: has more than 80 characters (found '{'x' * 57}...'). Shorten it."),
    ],
)  # fmt: skip
def test_each_field_that_cannot_be_read_names_visit_field_and_value(
    field: str, value: Any, message: str
) -> None:
    assert refused(json.dumps(results(SWAP | {field: value}))) == [message]


def test_all_faults_come_at_once() -> None:
    assert len(refused(json.dumps(results(SWAP | {"found": "x", "done": "y"}, visit("", volts_in="z"))))) == 4


def test_a_number_with_a_comma_and_unknown_fields() -> None:
    told = read(json.dumps(results(SWAP | {"volts_out": "12,1", "mood": "good"})))
    assert told.visits == (WHOLE,)
    assert told.remarks == ("r.json, visit 1 (C1): not known, so not taken over: mood.",)


def test_rows_of_several_trips_are_not_mixed() -> None:
    assert refused(KIT_CSV.replace(f"{TRIP},Ruth,C2", "2026-12-12-A,Ruth,C2")) == [
        f"r.json: the rows belong to several trips ({TRIP}, 2026-12-12-A). Record one trip at a time."
    ]


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_nothing_that_comes_in_breaks_the_reader(data: bytes) -> None:
    try:
        told = read(data)
    except InputError:
        return
    assert told.visits


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=20),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(list(SWAP)), inner, max_size=4)
        ),
        max_leaves=12,
    )
)
def test_no_results_object_breaks_the_reader(visits: Any) -> None:
    try:
        told = read(json.dumps({"format": "tripplan-results/1", "visits": visits}))
    except InputError:
        return
    assert all(one.site_id for one in told.visits)


def test_results_of_another_fleet(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    file = write_results(tmp_path / "r.json", visit("X1", found="running"), visit("X2", found="dark"))
    done = CliRunner().invoke(main, ["record", str(folder), str(file), "--yes", "--today", TODAY])
    assert done.exit_code == 1
    assert done.stderr == (
        "r.json: none of its sites is in this fleet (X1, X2). Is it another fleet's? Then name that fleet's folder.\n"
    )
    assert not (folder / "journal").exists()


def test_results_of_another_trip_than_named(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    file = write_results(tmp_path / "r.json", SWAP)
    args = ["record", str(folder), str(file), "--trip", "2026-12-12-A", "--yes", "--today", TODAY]
    done = CliRunner().invoke(main, args)
    assert done.exit_code == 1
    assert (
        done.stderr
        == f"r.json: these are the results of trip {TRIP}, not of 2026-12-12-A. Leave out --trip.\n"
    )


JOBS = ("new card", 'wipe the lens; inside too = "well"')


def test_jobs_done_and_the_polarity_tick_come_in_all_three_shapes() -> None:
    with_jobs = SWAP | {"jobs_done": list(JOBS), "polarity": True, "notes": "mud"}
    whole = results(with_jobs, visit("C2", found="running", done="left"))
    csv_text = (
        "trip_id,by,site_id,when,found,done,pack_out,volts_out,pack_in,volts_in,minutes,notes,jobs_done,polarity\r\n"
        f"{TRIP},Ruth,C1,2026-12-05T09:31:00+00:00,running,swapped,A1,12.1,A4,12.9,15,mud,"
        '"new card; wipe the lens; inside too = ""well""",yes\r\n'
        f"{TRIP},Ruth,C2,2026-12-05T09:31:00+00:00,running,left,,,,,,,,\r\n"
    )
    told = [read(json.dumps(whole)), read(results_text(whole)), read(csv_text)]
    assert [one.jobs for one in told[:2]] == [{1: JOBS}] * 2
    # a table cannot tell a semicolon of a job's own; its name in jobs.csv puts it together again
    assert told[2].jobs == {1: ("new card", "wipe the lens", 'inside too = "well"')}
    assert tuple(joined_names(told[2].jobs[1], JOBS)) == JOBS
    for one in told:
        assert one.visits[0].notes == "mud; polarity checked"
        assert one.visits[1].notes == ""
    old = json.dumps(results(SWAP, visit("C2", found="running", done="left")))
    assert read(old).jobs == {}
    assert read(old).visits[0].notes == ""


@pytest.mark.parametrize(
    ("field", "value", "line"),
    [
        ("jobs_done", "new card", "column jobs_done: must be a list of texts (found 'new card')."),
        ("jobs_done", [1], "column jobs_done: must be a list of texts (found '[1]')."),
        ("polarity", "yes", "column polarity: must be true or false (found 'yes')."),
    ],
)
def test_jobs_and_polarity_of_another_kind_are_refused(field: str, value: Any, line: str) -> None:
    assert refused(json.dumps(results(SWAP | {field: value}))) == [f"r.json, visit 1 (C1), {line}"]


def test_a_polarity_in_a_table_is_yes_or_no() -> None:
    table = "site_id,date,found,polarity\nC1,2026-12-05,running,{}\n"
    assert read(table.format("No")).visits[0].notes == "polarity not checked"
    assert refused(table.format("maybe")) == [
        "r.json, row 2, column polarity: must be yes or no (found 'maybe'). Mend it, or leave it blank."
    ]
