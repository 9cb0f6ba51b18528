"""A CSV file is changed in the cells that were meant, and nowhere else."""

from __future__ import annotations

import csv
import io
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripplan.errors import InputError
from tripplan.inputs.schema import TABLES
from tripplan.records.csv_text import CsvText, apply_splices, new_table, reverse_splices

VISITS, PACKS = TABLES["visits"], TABLES["packs"]
DAY = date(2026, 12, 5)


def visits(text: str, encoding: str = "utf-8") -> CsvText:
    return CsvText("visits.csv", text.encode(encoding), VISITS)


def changed(table: CsvText) -> str:
    content, splices = table.result()
    assert apply_splices(table.data, splices) == content
    assert apply_splices(content, reverse_splices(splices)) == table.data
    return content.decode()


def test_a_row_goes_behind_the_last_in_the_users_own_order_of_columns() -> None:
    table = visits("Notes;who;DATE;Site ID\r\n;Ada;4.12.2026;C1\r\n")
    table.add_row({"date": table.date_text("date", DAY), "site_id": "C2", "notes": "a; b"})
    assert changed(table) == 'Notes;who;DATE;Site ID\r\n;Ada;4.12.2026;C1\r\n"a; b";;5.12.2026;C2\r\n'


def test_a_missing_column_comes_behind_the_others_and_old_rows_stay() -> None:
    table = visits("date,site_id\n2026-12-01,C1")
    table.add_row({"date": "2026-12-05", "site_id": "C2", "found": "", "volts_out": "11.9"})
    assert changed(table) == "date,site_id,volts_out\n2026-12-01,C1\n2026-12-05,C2,11.9"


def test_rows_above_the_header_blank_rows_and_unknown_columns_stay() -> None:
    text = "# my list, please do not sort\n\ndate,mood,site_id,done\n2026-12-01,good,C1,left\n,,,\n\n"
    table = visits(text)
    table.add_row({"date": "2026-12-05", "site_id": "C2", "done": "swapped"})
    assert changed(table) == text + "2026-12-05,,C2,swapped\n"


def test_a_cell_is_changed_in_its_place() -> None:
    table = CsvText("packs.csv", b'pack_id,pack_type,where\n"A1","SLA,12",shelf\nA2,X,C1\nA3,X\n', PACKS)
    table.set_cell(2, "where", "C9")
    table.set_cell(3, "where", "C1")  # as it is: not touched
    table.set_cell(4, "where", "C2")
    table.set_cell(4, "state", "in use")
    assert changed(table) == ('pack_id,pack_type,where,state\n"A1","SLA,12",C9\nA2,X,C1\nA3,X,C2,in use\n')


@pytest.mark.parametrize(
    ("column", "expected"),
    [
        ("2026-12-01", "2026-12-05"),
        ("2026/12/01", "2026/12/05"),
        ("2026-1-3", "2026-12-5"),
        ("20261201", "20261205"),
        ("01.12.2026", "05.12.2026"),
        ("1.2.2026", "5.12.2026"),
        ("13/04/2026", "05/12/2026"),
        ("04/13/2026", "12/05/2026"),
        ("1 December 2026", "2026-12-05"),
        ("46125", "2026-12-05"),
        ("", "2026-12-05"),
    ],
)
def test_a_date_is_written_as_the_column_writes_its_dates(column: str, expected: str) -> None:
    assert visits(f"date,site_id,notes\n{column},C1,x\n").date_text("date", DAY) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("date,site_id,volts_out\n2026-12-01,C1,12.4\n", "11.95"),
        ('date,site_id,volts_out\n2026-12-01,C1,"12,4"\n', "11,95"),
        ("date;site_id;volts_out\n2026-12-01;C1;\n", "11,95"),
        ("date;site_id;volts_out\n2026-12-01;C1;12.4\n", "11.95"),
        ("date;site_id;volts_out;volts_in\n2026-12-01;C1;;12.4\n", "11.95"),
        ("date\tsite_id\tvolts_out\n2026-12-01\tC1\t12\n", "11.95"),
    ],
)
def test_a_number_takes_the_columns_decimal_sign(text: str, expected: str) -> None:
    assert visits(text).number_text("volts_out", 11.95) == expected


def test_three_decimals_are_never_taken_for_thousands() -> None:
    assert visits("date;site_id;volts_out\n2026-12-01;C1;\n").number_text("volts_out", 11.875) == "11,8750"


def test_files_that_quote_every_cell_go_on_so() -> None:
    table = visits('"date","site_id","notes"\n"2026-12-01","C1",\n')
    table.add_row({"date": "2026-12-05", "site_id": "C2", "notes": 'a "b"'})
    assert changed(table).splitlines()[-1] == '"2026-12-05","C2","a ""b"""'


@pytest.mark.parametrize("start", [b"\xef\xbb\xbf", b"", b"\xff\xfe", b"\xfe\xff"])
def test_byte_order_mark_and_encoding_stay(start: bytes) -> None:
    encoding = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}.get(start, "utf-8")
    text = "date,site_id,notes\r\n2026-12-01,C1,M\u00f8re\r\n"
    table = CsvText("visits.csv", start + text.encode(encoding), VISITS)
    table.add_row({"date": "2026-12-05", "site_id": "C2", "notes": "\u6771\u4eac"})
    content, splices = table.result()
    assert content == start + (text + "2026-12-05,C2,\u6771\u4eac\r\n").encode(encoding)
    assert apply_splices(content, reverse_splices(splices)) == table.data
    assert new_table(["pack_id", "pack_type"], table) == start + "pack_id,pack_type\r\n".encode(encoding)


def test_windows_1252_stays_and_says_what_it_cannot_hold() -> None:
    table = CsvText("visits.csv", "date;site_id;notes\n2026-12-01;C1;M\u00f8re\n".encode("cp1252"), VISITS)
    table.add_row({"date": "2026-12-05", "site_id": "C2", "notes": "\u00e9t\u00e9"})
    assert table.result()[0].decode("cp1252").endswith("2026-12-05;C2;\u00e9t\u00e9\n")
    table.add_row({"date": "2026-12-05", "site_id": "C2", "notes": "\u6771"})
    with pytest.raises(InputError) as caught:
        table.result()
    assert str(caught.value) == (
        "visits.csv: the file is in Windows-1252, which has no such letter (found '\u6771'). Save the file as CSV "
        "in UTF-8, then record again."
    )


def test_a_line_that_names_the_separator_stays() -> None:
    table = visits("sep=;\r\ndate;site_id;done\r\n2026-12-01;C1;left\r\n")
    table.set_cell(2, "done", "swapped")
    table.add_row({"date": "2026-12-05", "site_id": "C2"})
    assert changed(table) == "sep=;\r\ndate;site_id;done\r\n2026-12-01;C1;swapped\r\n2026-12-05;C2;\r\n"
    assert new_table(["pack_id", "pack_type"], table) == b"sep=;\r\npack_id;pack_type\r\n"


cells = st.text(alphabet=st.sampled_from('ab ",;\t\n\r\u00f8\u6771='), max_size=6)


@given(
    rows=st.lists(st.lists(cells, min_size=0, max_size=6), max_size=6),
    separator=st.sampled_from(",;\t"),
    end=st.sampled_from(["\n", "\r\n"]),
    final=st.booleans(),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    new=st.lists(cells, min_size=2, max_size=2),
)
def test_any_table_is_only_changed_where_it_was_meant(rows, separator, end, final, quoting, new) -> None:  # type: ignore[no-untyped-def]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator=end, quoting=quoting)
    writer.writerows([["date", "site_id", "found", "my own"], *rows])
    text = out.getvalue() if final else out.getvalue().removesuffix(end)
    table = visits(text)
    before = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    target = next((n for n, row in enumerate(before[1:], start=2) if row), None)
    if target is not None:
        table.set_cell(target, "notes", new[0])
    table.add_row({"date": "2026-12-05", "site_id": "C2", "notes": new[1]})
    content, splices = table.result()
    assert apply_splices(content, reverse_splices(splices)) == text.encode()
    after = list(csv.reader(io.StringIO(content.decode(), newline=""), delimiter=separator, strict=True))
    added = bool(new[1]) or (target is not None and bool(new[0]))
    assert after[0] == before[0] + (["notes"] if added else [])
    for number, (old, now) in enumerate(zip(before[1:], after[1:-1], strict=True), start=2):
        if number == target and new[0]:
            assert (
                now == [*(old + [""] * 4)[: max(4, len(old))], new[0]][: max(5, len(old))] or now[4] == new[0]
            )
        else:
            assert now == old
    assert after[-1] == ["2026-12-05", "C2", "", ""] + ([new[1]] if added else [])
