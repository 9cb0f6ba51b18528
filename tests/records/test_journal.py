"""The journal's short ways agree with its whole reading."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tripplan.records.journal import (
    Entry,
    FileChange,
    can_redo,
    can_undo,
    entry_path,
    find_recorded,
    next_number,
    read_journal,
    standing,
)

AT = datetime(2026, 12, 6, 8, tzinfo=UTC)


def number_of(entry: Entry | None) -> int | None:
    return None if entry is None else entry.number


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    deadline=None,
)
@given(steps=st.lists(st.sampled_from(["record", "undo", "redo"]), max_size=12))
def test_what_can_be_undone_and_redone_is_found_from_the_end(tmp_path, steps) -> None:  # type: ignore[no-untyped-def]
    shutil.rmtree(tmp_path / "journal", ignore_errors=True)
    (tmp_path / "journal").mkdir()
    for step in steps:
        stand, undone = standing(read_journal(tmp_path))
        assert number_of(can_undo(tmp_path)) == (stand[-1].number if stand else None)
        assert number_of(can_redo(tmp_path)) == (undone[-1].number if undone else None)
        for entry in stand + undone:
            assert number_of(find_recorded(tmp_path, entry.digest)) == (
                entry.number if entry in stand else None
            )
        of = {"record": 0, "undo": number_of(can_undo(tmp_path)), "redo": number_of(can_redo(tmp_path))}[step]
        if of is not None:
            number = next_number(tmp_path)
            entry = Entry(
                number, AT, step, "what", of=of, digest=f"{number:064d}" if step == "record" else ""
            )
            entry_path(tmp_path, number).write_bytes(entry.to_bytes())


def test_an_entry_is_read_back_as_it_was_written() -> None:
    entry = Entry(
        7, AT, "record", "r.json: 1 record", ("a",), 0, "r.json", "Ruth", "2026-12-05-A", "{\u00e9}", "d" * 64,
        ({"site_id": "C1", "volts_in": 12.5},), (FileChange.of("visits.csv", b"\xff\x00old", None),),
    )  # fmt: skip
    assert Entry.from_bytes(entry.to_bytes()) == entry
