"""Visits told late that packs.csv contradicts: a question with its choices, never a refusal, never a guess."""

from __future__ import annotations

from collections import Counter
from datetime import date
from itertools import product
from pathlib import Path

import pytest
from record_fleet import PACKS, TODAY, VISITS, write_fleet

from tripplan.fleet import Done, Found, VisitRecord
from tripplan.records.prepare import prepare
from tripplan.records.questions import Answers
from tripplan.records.told import Told

#: packs.csv is ahead of the visits: A5 stands at C1 since October, A1 is home.
AHEAD = PACKS.replace("C1,2026-09-05,in use,red", "shelf,2026-10-10,flat,red").replace(
    "A5,SLA12,2025-09-01,shelf,2026-10-01,charged", "A5,SLA12,2025-09-01,C1,2026-10-10,in use"
)
LATER = f"{VISITS}2026-10-10,C1,Ada,,,swapped,A1,12.0,A5,12.8,,\n"
NO_DATES = PACKS.replace("C1,2026-09-05,in use", "C1,,in use").replace("shelf,2026-10-01", "shelf,")
FLEETS = {
    "agree": {},
    "packs ahead": {"packs_csv": AHEAD},
    "later swap": {"packs_csv": AHEAD, "visits_csv": LATER},
    "no dates": {"packs_csv": NO_DATES},
    "no visits": {"visits_csv": None},
}
CONTRADICT = "the files would contradict each other"


def _told(day: date, done: Done, out: str, into: str) -> Told:
    return Told("x", (VisitRecord(day, "C1", Found.RUNNING, None, done, out, None, into, row=1),))


def _prepare(folder: Path, told: Told, *answers: str):
    return prepare(folder, lambda _: told, Answers(answers), today=date.fromisoformat(TODAY))


@pytest.mark.parametrize("name", FLEETS)
def test_whatever_is_told_late_is_taken_over_or_asked_about(tmp_path: Path, name: str) -> None:
    """Every swap and setting out at C1 on six days with any packs: the reader never has the last word."""
    folder = write_fleet(tmp_path / "fleet", **FLEETS[name])
    days = [date(2026, month, day) for month, day in ((9, 1), (9, 5), (9, 20), (10, 10), (11, 1), (12, 5))]
    ids = ("", "A1", "A2", "A4", "A5")
    seen: Counter[str] = Counter()
    for day, done, out, into in product(days, (Done.SWAPPED, Done.INSTALLED), ids, ids):
        if done is Done.INSTALLED and out:
            continue
        told = _told(day, done, out, into)
        first = _prepare(folder, told)
        if not first.changes.questions:
            seen["taken over"] += 1
            assert first.files or first.changes.already
            continue
        (question, *others) = first.changes.questions
        fixed = [f"{one.key}={one.value}" for one in question.choices if one.value]
        # a device set out where one stands already is asked about first; told so all the same, it contradicts too
        if others or (CONTRADICT not in question.text and "1.keep=told" not in fixed):
            seen["asked otherwise"] += 1
            continue
        seen["asked"] += 1
        assert not first.files
        assert {"1.keep=told", "1=leave out"} <= set(fixed)
        assert not _prepare(folder, told, "1=leave out").files
        kept = _prepare(folder, told, "1.keep=told")
        if kept.changes.questions:
            # another site is then without a pack, and nothing says when its next went in
            (other,) = kept.changes.questions
            assert "hold a fault: sites.csv, row 3, column swapped_on" in other.text
            assert "keep" not in {one.key.split(".")[-1] for one in other.choices}
        else:
            wanted = {"visits.csv", "packs.csv"} if CONTRADICT in question.text else {"visits.csv"}
            assert {path.name for path in kept.files} >= wanted
            seen["kept"] += 1
    assert seen["taken over"] > 20
    assert seen["kept"] > 0


def test_the_question_names_both_rows_and_all_ways_out(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet", packs_csv=AHEAD)
    told = _told(date(2026, 9, 20), Done.SWAPPED, "A1", "A5")
    (question,) = _prepare(folder, told).changes.questions
    assert question.text == (
        "visit 1 (C1): with this visit of 20 September 2026 the files would contradict each other: row 6 here and "
        "row 6 of visits.csv disagree about site C1: here pack A5 is there since 2026-10-10, there pack A5 went in "
        "on 2026-09-20."
    )
    assert [(one.key, one.value) for one in question.choices] == [
        ("1.date", None),
        ("1.pack_in", None),
        ("1.pack_out", None),
        ("1.keep", "told"),
        ("1", "leave out"),
    ]
    lines = _prepare(folder, told, "1.keep=told").lines
    assert "packs.csv, A5: at C1, in use -> at C1 since 2026-09-20, in use" in " | ".join(lines)
    day = _prepare(folder, told, "1.date=2026-10-10")
    assert not day.changes.questions
    assert {path.name for path in day.files} == {"visits.csv"}


def test_a_pack_on_the_shelf_since_an_unknown_day_gets_the_day_of_the_next_swap(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet", packs_csv=NO_DATES)
    told = _told(date(2026, 9, 1), Done.SWAPPED, "", "A4")
    (question,) = _prepare(folder, told).changes.questions
    assert CONTRADICT in question.text
    lines = _prepare(folder, told, "1.keep=told").lines
    assert any(
        "A4: on the shelf, charged -> on the shelf since 2026-09-05, charged (it went in at C1 before" in one
        for one in lines
    ), lines


def test_of_several_visits_the_one_that_contradicts_is_asked_about(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet", packs_csv=AHEAD)
    good = VisitRecord(date(2026, 12, 5), "C2", Found.RUNNING, None, Done.SWAPPED, "A2", None, "A4", row=1)
    late = VisitRecord(date(2026, 9, 20), "C1", Found.RUNNING, None, Done.SWAPPED, "A1", None, "A5", row=2)
    (question,) = _prepare(folder, Told("x", (good, late))).changes.questions
    assert question.visit == 2
    done = _prepare(folder, Told("x", (good, late)), "2=leave out")
    assert [one.row for one in done.changes.visits] == [1]
    assert done.changes.left_out == ("visit 2 (C1)",)
