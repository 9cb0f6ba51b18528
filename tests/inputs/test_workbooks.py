"""Tables in .xlsx workbooks: same tables, same rows, same faults."""

from __future__ import annotations

import io
import random
import zipfile
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from tripplan.errors import InputError
from tripplan.fleet import MonthDay
from tripplan.inputs import read_fleet

HEADER = ["site_id", "lat", "lon", "pack_type", "swapped_on"]
ROW = ["A1", 50.27412, 8.49871, "SLA12", date(2026, 8, 30)]


def save(path, *sheets, epoch=None):
    """Write (title, rows) pairs as the sheets of a workbook, and return its sheets."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    if epoch is not None:
        book.epoch = epoch
    for title, rows in sheets:
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return book


@pytest.fixture
def alone(folder):
    for path in folder.glob("*.csv"):
        path.unlink()
    return folder


def test_a_workbook_for_one_table(alone, read):
    save(
        alone / "sites.xlsx", ("Sheet1", [HEADER, ROW, ["007", "50,27618", "8,49412", "SLA12", "13.9.2026"]])
    )
    fleet = read()
    assert [(site.site_id, site.lat, site.row) for site in fleet.sites] == [
        ("A1", 50.27412, 2),
        ("007", 50.27618, 3),
    ]
    assert [site.swapped_on for site in fleet.sites] == [date(2026, 8, 30), date(2026, 9, 13)]


def test_one_workbook_for_all_tables(alone, read):
    save(
        alone / "fleet.xlsx",
        ("Sites", [[*HEADER[:4], "access"], ["A1", 50.27412, 8.49871, "SLA12", "gate"]]),
        (
            "access",
            [
                ["access", "from", "to", "season_from", "season_to"],
                ["gate", time(8, 0), timedelta(days=1), "04-10", "05-20"],
            ],
        ),
        ("visits", [["date", "site_id", "done"], [datetime(2026, 9, 5, 14, 30), "A1", "swapped"]]),  # noqa: DTZ001 - as a workbook holds it
        ("readings", [["when", "site_id", "percent"], [datetime(2026, 9, 6, 7, 5), "A1", 80]]),  # noqa: DTZ001 - as a workbook holds it
        ("jbs", [["site_id", "job"], ["A1", "clean"]]),
        ("packs", []),
    )
    fleet = read()
    gate = fleet.access["gate"][0]
    assert (gate.from_minute, gate.to_minute, gate.season_from) == (480, 1440, MonthDay(4, 10))
    assert fleet.visits[0].day == date(2026, 9, 5)
    assert fleet.readings[0].when == datetime(2026, 9, 6, 7, 5, tzinfo=ZoneInfo("Europe/Berlin"))
    assert fleet.packs is None
    assert fleet.remarks == (
        "fleet.xlsx [jbs]: no table of a fleet has this name, so it was not read. Did you mean 'jobs'?",
    )


def test_days_counted_from_1904(alone, read):
    plain = (date(2026, 8, 30) - date(1904, 1, 1)).days
    save(
        alone / "sites.xlsx",
        ("sites", [HEADER, ROW, ["A2", 50.27618, 8.49412, "SLA12", plain]]),
        epoch=CALENDAR_MAC_1904,
    )
    fleet = read()
    assert [site.swapped_on for site in fleet.sites] == [date(2026, 8, 30), date(2026, 8, 30)]
    assert fleet.remarks == (
        (
            f"sites.xlsx [sites], column swapped_on: a spreadsheet's day numbers read as dates, for example {plain} "
            "is 30 August 2026."
        ),
    )


def test_dates_shown_without_a_year_are_days_of_every_year_in_seasons_only(alone, read):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "access"
    sheet.append(["access", "rule", "season_from", "season_to"])
    sheet.append(["gate", "closed", date(2026, 4, 10), date(2026, 5, 20)])
    for cell in sheet[2][2:]:
        cell.number_format = "d-mmm"
    sites = book.create_sheet("sites")
    sites.append([*HEADER, "access"])
    sites.append([*ROW, "gate"])
    sites["E2"].number_format = "d-mmm"
    book.save(alone / "fleet.xlsx")
    fleet = read()
    rule = fleet.access["gate"][0]
    assert (rule.season_from, rule.season_to) == (MonthDay(4, 10), MonthDay(5, 20))
    assert fleet.sites[0].swapped_on == date(2026, 8, 30)


def test_a_percent_format_is_no_fraction_in_the_column_percent(folder, read):
    (folder / "readings.csv").unlink()
    save(folder / "readings.xlsx", ("readings", [["when", "site_id", "percent"], ["2026-10-10", "A1", 0.8]]))
    book = openpyxl.load_workbook(folder / "readings.xlsx")
    book["readings"]["C2"].number_format = "0%"
    book.save(folder / "readings.xlsx")
    assert read().readings[0].percent == pytest.approx(80.0)


def test_faults_name_the_sheet_and_its_row(alone, faults):
    save(
        alone / "fleet.xlsx",
        ("sites", [["My sites"], [], HEADER, ROW, [], ["A2", 147.21, 8.49412, "SLA12", date(2026, 8, 30)]]),
    )
    assert faults() == [
        (
            "fleet.xlsx [sites], row 6, column lat: latitude must lie between -90 and 90 (found '147.21'). "
            "Are lat and lon swapped?"
        )
    ]


def test_a_table_in_two_files(folder, faults):
    save(folder / "sites.xlsx", ("sites", [HEADER, ROW]))
    assert faults() == [
        (
            "sites.csv: the table sites stands in sites.csv and sites.xlsx. "
            "Keep one of them, so that nobody plans from the old one."
        )
    ]


def test_merged_cells(alone, faults):
    book = save(
        alone / "sites.xlsx", ("sites", [["My sites"], HEADER, ROW, ["A2", *ROW[1:]], ["A3", *ROW[1:]]])
    )
    sheet = book["sites"]
    sheet.merge_cells("A1:E1")  # a title: no fault
    sheet.merge_cells("D3:D5")
    book.save(alone / "sites.xlsx")
    assert faults()[0] == (
        "sites.xlsx [sites], row 3: the cells D3:D5 are merged, so that only the first of them holds the value. "
        "Unmerge them and fill in each."
    )


def test_a_formula_without_a_stored_result(alone, faults):
    save(alone / "sites.xlsx", ("sites", [HEADER, [*ROW[:4], "=TODAY()-60"]]))
    assert faults()[0] == (
        "sites.xlsx [sites], row 2: the formula in cell E2 has no stored result. "
        "Open the workbook in a spreadsheet and save it, or write the value."
    )


def test_several_sheets_that_could_be_the_table(alone, faults):
    save(alone / "sites.xlsx", ("2025", [HEADER, ROW]), ("2026", [HEADER, ROW]))
    assert faults() == [
        "sites.xlsx: the workbook has several sheets (2025, 2026). Name the right one 'sites'."
    ]


def test_an_empty_workbook(alone, faults):
    save(alone / "sites.xlsx", ("sites", []))
    assert faults() == [
        "sites.xlsx: the workbook is empty. Give it a header row: site_id, lat, lon, pack_type."
    ]


@pytest.mark.parametrize("content", [b"no workbook", b"PK\x03\x04 cut off"])
def test_not_a_workbook(alone, faults, content):
    (alone / "sites.xlsx").write_bytes(content)
    assert faults() == [
        (
            "sites.xlsx: this is not a readable .xlsx workbook. "
            "Open it in a spreadsheet, take off a password if it has one, and save it as .xlsx."
        )
    ]


def test_a_hidden_sheet_is_not_read(alone, faults):
    book = save(alone / "fleet.xlsx", ("sites", [HEADER, ROW]), ("notes", [["nothing"]]))
    book["sites"].sheet_state = "hidden"
    book.save(alone / "fleet.xlsx")
    assert faults() == [
        "sites.csv: the file is missing. It needs the columns site_id, lat, lon and pack_type."
    ]


def _without_closing_tags(data):
    return _with_sheet(data, lambda text: text.replace("</row>", ""))


def _with_broken_deflate(data):
    at = data.index(b"xl/worksheets/sheet1.xml") + len("xl/worksheets/sheet1.xml")
    return data[:at] + b"\xff" * 40 + data[at + 40 :]


def _with_sheet(data, change):
    book = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(book, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            text = old.read(name).decode()
            new.writestr(name, change(text) if name == "xl/worksheets/sheet1.xml" else text)
    return book.getvalue()


@pytest.mark.parametrize("damage", [_without_closing_tags, _with_broken_deflate])
def test_a_damaged_workbook(alone, faults, damage):
    path = alone / "sites.xlsx"
    save(path, ("sites", [HEADER, ROW]))
    path.write_bytes(damage(path.read_bytes()))
    (line,) = faults()
    assert line == (
        "sites.xlsx: this is not a readable .xlsx workbook. "
        "Open it in a spreadsheet, take off a password if it has one, and save it as .xlsx."
    )


def test_random_damage_to_a_workbook_is_always_told(alone, today):
    """Flip bytes, cut off: whatever comes out is read or refused in words, never a crash."""
    path = alone / "sites.xlsx"
    rows = [[f"A{n}", 50.27 + n / 100, 8.49871, "SLA12", date(2026, 8, 30)] for n in range(9)]
    save(path, ("sites", [HEADER, *rows]))
    sound = path.read_bytes()
    rng = random.Random(4)
    told = 0
    for _ in range(40):
        damaged = bytearray(sound[: rng.randrange(len(sound))] if rng.random() < 0.2 else sound)
        for _ in range(rng.randint(1, 4)):
            if damaged:
                damaged[rng.randrange(len(damaged))] = rng.randrange(256)
        path.write_bytes(damaged)
        try:
            read_fleet(alone, today)
        except InputError as error:
            told += bool(error.faults)
    assert told >= 20
