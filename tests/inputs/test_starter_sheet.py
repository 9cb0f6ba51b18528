"""`init --from`: the user's own spreadsheet or waypoints become a fleet that can be planned."""

from __future__ import annotations

import csv
import io
import tomllib
from datetime import date, datetime

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tripplan.errors import InputError, StorageError
from tripplan.inputs import read_fleet
from tripplan.inputs.sheet_headings import Sheet, guess_pack_column
from tripplan.inputs.sheet_import import HEADINGS_NAME, import_sheet

BASE = {"base_lat": "57.25", "base_lon": "-4.05", "volts": "12", "plug": "5.5x2.1 centre +"}
PLAIN = (
    "Camera,Latitude,Longitude,Last swap,Colour\n"
    "gate,57.24152,-4.15766,2026-10-31,green\n"
    "birch,57.24457,-4.15946,2026-10-31,brown\n"
)


def write(folder, text, name="cams.csv", encoding="utf-8"):
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def rows_of(folder):
    with (folder / "sites.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def faults_of(caught):
    return str(caught.value).splitlines()


def typed(**answers):
    """Answer by key; return for everything else. Keeps what was asked."""

    def ask(question):
        ask.asked.append(question)
        return answers.get(question.key, "")

    ask.asked = []
    return ask


def test_a_plain_sheet_needs_only_base_and_pack(tmp_path):
    sheet = write(tmp_path, PLAIN)
    folder = tmp_path / "new"
    result = import_sheet(folder, sheet, answers=BASE)
    assert [path.name for path in result.paths] == ["tripplan.toml", "sites.csv", "tripplan.headings.toml"]
    assert result.site_count == 2
    fleet = read_fleet(folder)
    assert fleet.name == "new"
    assert [(site.site_id, site.lat, site.lon, site.swapped_on) for site in fleet.sites] == [
        ("gate", 57.24152, -4.15766, date(2026, 10, 31)),
        ("birch", 57.24457, -4.15946, date(2026, 10, 31)),
    ]
    assert fleet.crews[0].weekdays == {5, 6}
    assert fleet.pack_types["standard"].usual_months == 5.0
    assert [row["Colour"] for row in rows_of(folder)] == ["green", "brown"]
    assert "cams.csv: lat is read from the column 'Latitude'." in result.remarks


def test_what_is_missing_is_named_at_once_and_nothing_is_written(tmp_path):
    sheet = write(tmp_path, "Kamera,Breite,Rechts\ngate,57.24,-4.15\n")
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet)
    assert faults_of(caught) == [
        (
            "--answer site_id_heading: this answer is missing. Which column names the site "
            "(its number or short name)? (Kamera / Breite / Rechts / none of these)"
        ),
        (
            "--answer lat_heading: this answer is missing. Which column holds the latitude (north and south)? "
            "(Kamera / Breite / Rechts)"
        ),
        (
            "--answer lon_heading: this answer is missing. Which column holds the longitude (east and west)? "
            "(Kamera / Breite / Rechts)"
        ),
        (
            "--answer swapped_on_heading: this answer is missing. Which column holds the date on which the pack "
            "now there went in? (Kamera / Breite / Rechts / none of these)"
        ),
        (
            "--answer base_lat: this answer is missing. Where do you set out from? First the latitude in decimal "
            "degrees, such as 57.25"
        ),
        "--answer base_lon: this answer is missing. And the longitude, west negative, such as -4.05",
        "--answer volts: this answer is missing. How many volts does the pack give at its plug, such as 12 or 6?",
        (
            "--answer plug: this answer is missing. Size and polarity of its plug, such as 5.5x2.1 centre + "
            "(the wrong one destroys a device)"
        ),
    ]
    assert not (tmp_path / "new").exists()


def test_headings_in_another_language_are_asked_once_and_remembered(tmp_path):
    text = (
        "Meine Kameras;;;;\nStelle;Breite;Länge;Wechsel;Farbe\n"
        "Tor;57,24152;-4,15766;05/04/2026;grün\n;;;;\nBirke;57,24457;-4,15946;07/04/2026;braun\n"
    )
    sheet = write(tmp_path, text)
    folder = tmp_path / "new"
    ask = typed(
        site_id_heading="Stelle",
        lat_heading="Breite",
        lon_heading="länge",
        swapped_on_heading="Wechsel",
        swapped_on_order="day first",
        days="Sundays",
        **BASE,
    )
    import_sheet(folder, sheet, ask=ask)
    fleet = read_fleet(folder)
    assert [(site.site_id, site.lat, site.swapped_on) for site in fleet.sites] == [
        ("Tor", 57.24152, date(2026, 4, 5)),
        ("Birke", 57.24457, date(2026, 4, 7)),
    ]
    keys = [question.key for question in ask.asked]
    assert len(keys) == len(set(keys))
    assert keys[:5] == [
        "site_id_heading",
        "lat_heading",
        "lon_heading",
        "swapped_on_heading",
        "swapped_on_order",
    ]
    order = ask.asked[4]
    assert order.text == (
        "The column 'Wechsel' has dates such as '05/04/2026': 5 April 2026 (day first) or "
        "4 May 2026 (month first)?"
    )
    assert order.default == ""

    remembered = tomllib.loads((folder / "tripplan.headings.toml").read_text("utf-8"))
    assert remembered["from_file"] == "cams.csv"
    assert remembered["answers"]["lon_heading"] == "Länge"
    before = (folder / "sites.csv").read_bytes()
    (folder / "sites.csv").unlink()
    (folder / "tripplan.toml").unlink()
    import_sheet(folder, sheet)
    assert (folder / "sites.csv").read_bytes() == before
    assert read_fleet(folder).crews[0].weekdays == {6}


def test_a_remembered_answer_can_be_overruled(tmp_path):
    sheet = write(tmp_path, PLAIN)
    folder = tmp_path / "new"
    import_sheet(folder, sheet, answers=BASE)
    (folder / "sites.csv").unlink()
    (folder / "tripplan.toml").unlink()
    import_sheet(folder, sheet, answers={"volts": "12", "plug": "two-pin, long pin +"})
    assert read_fleet(folder).pack_types["standard"].plug == "two-pin, long pin +"


def test_damaged_remembered_answers(tmp_path):
    folder = tmp_path / "new"
    folder.mkdir()
    (folder / "tripplan.headings.toml").write_text("answers = [")
    with pytest.raises(InputError) as caught:
        import_sheet(folder, write(tmp_path, PLAIN), answers=BASE)
    assert str(caught.value).startswith("tripplan.headings.toml, setting") is False
    assert str(caught.value).startswith("tripplan.headings.toml: cannot be read (")
    assert str(caught.value).endswith("Delete it; you are asked anew.")


def test_x_and_y_are_never_guessed(tmp_path):
    sheet = write(tmp_path, "id,x,y,swapped_on\ngate,-4.15,57.24,2026-10-31\n")
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers=BASE)
    assert [fault.file for fault in caught.value.faults] == ["--answer lat_heading", "--answer lon_heading"]
    import_sheet(tmp_path / "new", sheet, answers={**BASE, "lat_heading": "y", "lon_heading": "x"})
    site = read_fleet(tmp_path / "new").sites[0]
    assert (site.lat, site.lon) == (57.24, -4.15)


def test_two_columns_that_could_be_meant_are_asked_about(tmp_path):
    sheet = write(tmp_path, "id,latitude,gps lat,lon,swapped\ngate,57.24,57.25,-4.15,2026-10-31\n")
    ask = typed(lat_heading="gps lat", **BASE)
    import_sheet(tmp_path / "new", sheet, ask=ask)
    assert read_fleet(tmp_path / "new").sites[0].lat == 57.25


def test_one_column_for_two_things(tmp_path):
    sheet = write(tmp_path, "id,x,y,swapped_on\ngate,-4.15,57.24,2026-10-31\n")
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={**BASE, "lat_heading": "y", "lon_heading": "y"})
    assert "cams.csv, column y: the column was chosen for lat and lon. Choose another, with --answer " in str(
        caught.value
    )


def test_a_wrong_guess_can_be_put_right(tmp_path):
    sheet = write(tmp_path, "Camera,Lat,Lon,Changed,Pack since\ngate,57.24,-4.15,yes,2026-10-31\n")
    ask = typed(headings_right="no", swapped_on_heading="Pack since", **BASE)
    import_sheet(tmp_path / "new", sheet, ask=ask)
    assert ask.asked[0].text == (
        "I read site_id = 'Camera', lat = 'Lat', lon = 'Lon', swapped_on = 'Changed'. Is that right?"
    )
    assert read_fleet(tmp_path / "new").sites[0].swapped_on == date(2026, 10, 31)
    assert rows_of(tmp_path / "new")[0]["Changed"] == "yes"


@pytest.mark.parametrize(
    ("cell", "answers", "place"),
    [
        ("57.24, -4.15", {"coordinate_order": "latitude first"}, (57.24, -4.15)),
        ("-4.15 57.24", {"coordinate_order": "longitude first"}, (57.24, -4.15)),
        ("57.24 N, 4.15 W", {}, (57.24, -4.15)),
        ("4.15 W; 57.24 N", {}, (57.24, -4.15)),
        ("57°14'24\"N 4°09'00\"W", {}, (57.24, -4.15)),
        ("57,24; -4,15", {"coordinate_order": "latitude first"}, (57.24, -4.15)),
    ],
)
def test_both_coordinates_in_one_cell(tmp_path, cell, answers, place):
    buffer = io.StringIO()
    csv.writer(buffer).writerows([["site", "GPS", "swapped_on"], ["gate", cell, "2026-10-31"]])
    sheet = write(tmp_path, buffer.getvalue())
    import_sheet(tmp_path / "new", sheet, answers={**BASE, **answers})
    site = read_fleet(tmp_path / "new").sites[0]
    assert (site.lat, site.lon) == pytest.approx(place, abs=1e-6)


@pytest.mark.parametrize("headings", [["site", "Lat"], ["site", "Latitude", "Longitude"]])
def test_both_coordinates_in_the_column_of_one(tmp_path, headings):
    """A longitude column that stands empty says nothing; with anything in it the cells are faults."""
    blank = [""] * (len(headings) - 2)
    rows = [["gate", "57.24, -4.15", *blank, "2026-10-31"], ["birch", "57.25 -4.16", *blank, "2026-10-31"]]

    def sheet_of(rows):
        buffer = io.StringIO()
        csv.writer(buffer).writerows([[*headings, "swapped_on"], *rows])
        return write(tmp_path, buffer.getvalue())

    answers = {**BASE, "coordinate_order": "latitude first"}
    import_sheet(tmp_path / "new", sheet_of(rows), answers=answers)
    sites = read_fleet(tmp_path / "new").sites
    assert [(site.lat, site.lon) for site in sites] == [(57.24, -4.15), (57.25, -4.16)]
    with pytest.raises(InputError) as caught:
        import_sheet(
            tmp_path / "one", sheet_of([*rows, ["lek", "57.26", *blank, "2026-10-31"]]), answers=answers
        )
    assert any("holds two numbers" in line for line in faults_of(caught))
    if blank:
        rows[0][2] = "-4.15"
        with pytest.raises(InputError) as caught:
            import_sheet(tmp_path / "two", sheet_of(rows), answers=BASE)
        assert any("holds two numbers" in line for line in faults_of(caught))


def test_missing_answers_and_faults_of_the_sheet_come_in_one_report(tmp_path):
    sheet = write(tmp_path, "site,lat,lon,swapped_on\ngate,95,-4.15,2026-10-31\n,57.2,-4.1,2026-13-01\n")
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={"volts": "lots"})
    lines = faults_of(caught)
    assert [line.split(":")[0] for line in lines] == [
        "--answer base_lat",
        "--answer base_lon",
        "--answer volts",
        "--answer plug",
        "cams.csv, row 2, column lat",
        "cams.csv, row 3, column swapped_on",
        "cams.csv, row 3, column site",
    ]
    assert not (tmp_path / "new").exists()


def test_the_order_of_one_cell_is_asked(tmp_path):
    sheet = write(tmp_path, 'site,GPS,swapped_on\ngate,"57.24, -4.15",2026-10-31\nbad,here,2026-10-31\n')
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers=BASE)
    assert faults_of(caught) == [
        (
            "--answer coordinate_order: this answer is missing. The column 'GPS' holds two numbers, such as "
            "'57.24, -4.15'. Which stands first? (latitude first / longitude first)"
        ),
        (
            "cams.csv, row 3, column GPS: these are not two coordinates (found 'here'). "
            "Write two numbers with a comma between, or put them into two columns."
        ),
    ]
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={**BASE, "coordinate_order": "latitude first"})
    assert faults_of(caught) == [
        (
            "cams.csv, row 3, column GPS: these are not two coordinates (found 'here'). "
            "Write two numbers with a comma between, or put them into two columns."
        )
    ]


def test_all_faults_of_the_sheet_in_one_report_with_its_own_rows(tmp_path):
    text = (
        "My cameras,,,\nsite,lat,lon,swapped_on\ngate,57.24,-4.15,2026-10-31\nbirch,,-4.16,2026-10-31\n"
        "lek,147.24,-4.15,31.10.2026\nhags,57.2,north,2026-13-31\n,57.26,-4.15,2026-10-31\nGate,57.24,-4.2,\n"
    )
    sheet = write(tmp_path, text)
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={**BASE, "swapped_on": "2026-10-01"})
    report = str(caught.value)
    assert (
        "cams.csv, row 4, column lat: the site has no coordinates. Fill them in, or delete the row." in report
    )
    assert (
        "cams.csv, row 5, column lat: latitude must lie between -90 and 90 (found '147.24'). "
        "Are lat and lon swapped?" in report
    )
    assert "cams.csv, row 6, column lon: is not a longitude (found 'north')." in report
    assert "cams.csv, row 6, column swapped_on:" in report
    assert "cams.csv, row 7, column site: the site has no id. Give each site its own." in report
    assert (
        "cams.csv, rows 3, 8, column site: two sites have the same id (found 'gate', 'Gate'). "
        "Give each site its own." in report
    )
    assert not (tmp_path / "new").exists()


def test_faults_found_when_reading_back_name_the_rows_of_the_sheet(tmp_path):
    text = "My cameras\n\nsite,lat,lon,swapped_on,walk_m\na,57.24,-4.15,2026-10-31,200\nb,57.24,-4.16,2026-10-31,far\n"
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", write(tmp_path, text), answers=BASE)
    (fault,) = caught.value.faults
    assert (fault.file, fault.rows, fault.column, fault.values) == ("cams.csv", (5,), "walk_m", ("far",))
    assert not (tmp_path / "new").exists()


def test_names_alone_become_ids_and_same_names_get_a_number(tmp_path):
    text = "Name,Lat,Lon\nNorth,57.24,-4.15\nnorth,57.25,-4.15\nNorth-2,57.26,-4.15\n,57.27,-4.15\n"
    result = import_sheet(
        tmp_path / "new", write(tmp_path, text), answers={**BASE, "swapped_on": "2026-10-31"}
    )
    assert [site.site_id for site in read_fleet(tmp_path / "new").sites] == [
        "North",
        "north-3",
        "North-2",
        "site-5",
    ]
    assert "cams.csv, rows 2, 3: the same name; a number was put behind it." in result.remarks
    assert "cams.csv, row 5: no name; the site is called after its row (site-5)." in result.remarks


def test_sites_without_a_date_get_the_one_that_is_answered(tmp_path):
    text = "site,lat,lon,swapped_on\na,57.24,-4.15,2026-10-31\nb,57.25,-4.15,\n"
    ask = typed(swapped_on="1 September 2026", **BASE)
    result = import_sheet(tmp_path / "new", write(tmp_path, text), ask=ask)
    assert [site.swapped_on for site in read_fleet(tmp_path / "new").sites] == [
        date(2026, 10, 31),
        date(2026, 9, 1),
    ]
    (question,) = [question for question in ask.asked if question.key == "swapped_on"]
    assert question.text == (
        "On which date did the packs of row 3 (no date there) go in, roughly? One date, year-month-day "
        "(single rows can be corrected in sites.csv)"
    )
    assert "cams.csv, row 3: pack taken to have gone in on 1 September 2026." in result.remarks


def test_the_answered_date_must_be_clear(tmp_path):
    sheet = write(tmp_path, "site,lat,lon\na,57.24,-4.15\n")
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={**BASE, "swapped_on": "05/04/2026"})
    assert str(caught.value).startswith(
        "--answer swapped_on: the order of day and month is not clear; write year-month-day (found '05/04/2026')."
    )


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("13/04/2026", "05/04/2026", date(2026, 4, 5)),
        ("04/13/2026", "05/04/2026", date(2026, 5, 4)),
        ("2026-04-13", "2026-04-05", date(2026, 4, 5)),
        ("04/04/2026", "13/04/2026", date(2026, 4, 13)),
    ],
)
def test_a_column_that_settles_its_own_order_is_not_asked_about(tmp_path, first, second, expected):
    text = f"site,lat,lon,swapped_on\na,57.24,-4.15,{first}\nb,57.25,-4.15,{second}\n"
    import_sheet(tmp_path / "new", write(tmp_path, text), answers=BASE)
    assert read_fleet(tmp_path / "new").sites[1].swapped_on == expected


def test_a_column_that_mixes_both_orders_is_a_fault(tmp_path):
    text = "site,lat,lon,swapped_on\na,57.24,-4.15,13/04/2026\nb,57.25,-4.15,04/13/2026\n"
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", write(tmp_path, text), answers=BASE)
    (fault,) = caught.value.faults
    assert (fault.rows, fault.column, fault.values) == ((3,), "swapped_on", ("04/13/2026",))


def test_several_kinds_of_pack_are_asked_about_by_name(tmp_path):
    text = "site,lat,lon,swapped_on,pack_type\na,57.24,-4.15,2026-10-31,big\nb,57.25,-4.15,2026-10-31,six\n"
    place = {"base_lat": "57.25", "base_lon": "-4.05"}
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", write(tmp_path, text), answers=place)
    assert [fault.file for fault in caught.value.faults] == [
        "--answer volts:big",
        "--answer plug:big",
        "--answer volts:six",
        "--answer plug:six",
    ]
    packs = {
        "volts:big": "12",
        "plug:big": "5.5x2.1 centre +",
        "capacity_ah:big": "12",
        "usual_months:big": "8",
        "volts:six": "6",
        "plug:six": "5.5x2.5 centre +",
        "usual_months:six": "4",
    }
    import_sheet(tmp_path / "new", write(tmp_path, text), answers={**place, **packs})
    fleet = read_fleet(tmp_path / "new")
    assert {name: (kind.volts, kind.usual_months) for name, kind in fleet.pack_types.items()} == {
        "big": (12.0, 8.0),
        "six": (6.0, 4.0),
    }


def test_a_pack_without_a_usual_life_is_asked_about(tmp_path):
    sheet = write(tmp_path, PLAIN)
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={**BASE, "volts": "6"})
    assert faults_of(caught) == [
        (
            "--answer usual_months: this answer is missing. How many months does one usually last? "
            "A rough guess will do"
        )
    ]


def test_a_formula_in_a_text_is_made_harmless(tmp_path):
    text = 'site,lat,lon,swapped_on,Farm\na,57.24,-4.15,2026-10-31,"=cmd()"\nb,57.25,-4.15,2026-10-31,-7.5\n'
    import_sheet(tmp_path / "new", write(tmp_path, text), answers=BASE)
    assert [row["Farm"] for row in rows_of(tmp_path / "new")] == ["'=cmd()", "-7.5"]


def test_a_column_named_like_one_of_ours_is_kept_apart(tmp_path):
    text = "site,lat,latitude,lon,swapped_on\na,57.24,x,-4.15,2026-10-31\n"
    answers = {**BASE, "lat_heading": "lat"}
    import_sheet(tmp_path / "new", write(tmp_path, text), answers=answers)
    assert rows_of(tmp_path / "new")[0]["latitude"] == "x"
    other = "site,lat,Nord,lon,swapped_on\na,x,57.24,-4.15,2026-10-31\n"
    import_sheet(tmp_path / "two", write(tmp_path, other), answers={**BASE, "lat_heading": "Nord"})
    assert rows_of(tmp_path / "two")[0]["lat (sheet)"] == "x"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "cams.csv: the file is empty."),
        ("   \n\n", "cams.csv: the file is empty."),
        ("site,lat,lon\n", "cams.csv: no rows below the header. Write one row for each site."),
        (
            "here are my cameras\nI keep them well\n",
            (
                "cams.csv: no header row found above rows with numbers. "
                "Put one row with a heading for each column above the sites."
            ),
        ),
        ('site,lat,lon\n"a,57.24,-4.15\n', "cams.csv, row 2: quotation marks do not close"),
    ],
)
def test_sheets_with_nothing_to_read(tmp_path, text, message):
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", write(tmp_path, text), answers=BASE)
    assert str(caught.value).startswith(message)
    assert not (tmp_path / "new").exists()


def test_files_that_are_no_sheet(tmp_path):
    with pytest.raises(StorageError) as caught:
        import_sheet(tmp_path / "new", tmp_path / "none.csv", answers=BASE)
    assert str(caught.value) == (
        f"{tmp_path / 'none.csv'}: there is no such file. Give a CSV file (.csv, .tsv, .txt), "
        "a workbook (.xlsx) or GPX waypoints (.gpx)."
    )
    with pytest.raises(InputError) as refused:
        import_sheet(tmp_path / "new", write(tmp_path, "x", "cams.ods"), answers=BASE)
    assert str(refused.value) == (
        "cams.ods: this kind of file is not read. Save it as a CSV file (.csv, .tsv, .txt), "
        "a workbook (.xlsx) or GPX waypoints (.gpx)."
    )
    with pytest.raises(InputError):
        import_sheet(tmp_path / "new", write(tmp_path, "no workbook", "cams.xlsx"), answers=BASE)
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises((InputError, StorageError)):
        import_sheet(tmp_path / "new", tmp_path / "folder.csv", answers=BASE)


@pytest.mark.parametrize("name", ["tripplan.toml", "sites.csv", "fleet.xlsx"])
def test_nothing_is_overwritten(tmp_path, name):
    folder = tmp_path / "new"
    folder.mkdir()
    (folder / name).write_text("mine")
    with pytest.raises(StorageError, match="nothing is overwritten"):
        import_sheet(folder, write(tmp_path, PLAIN), answers=BASE)
    assert [path.name for path in folder.iterdir()] == [name]


def book_of(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


SITE_ROWS = [
    ["site", "lat", "lon", "changed", "owner"],
    [7, 57.24, -4.15, datetime(2026, 4, 5), "=x"],  # noqa: DTZ001
    ["NA", 57.25, -4.15, datetime(2026, 10, 31), None],  # noqa: DTZ001
]


def test_a_workbook_with_true_dates_is_not_asked_about(tmp_path):
    sheet = book_of(tmp_path / "cams.xlsx", Cameras=[*SITE_ROWS[:1], *[row[:4] for row in SITE_ROWS[1:]]])
    import_sheet(tmp_path / "new", sheet, answers=BASE)
    assert [(site.site_id, site.swapped_on) for site in read_fleet(tmp_path / "new").sites] == [
        ("7", date(2026, 4, 5)),
        ("NA", date(2026, 10, 31)),
    ]


def test_which_sheet_of_a_workbook_is_asked(tmp_path):
    rows = [row[:4] for row in SITE_ROWS]
    sheet = book_of(tmp_path / "cams.xlsx", Notes=[["paint", "the", "gate"]], Cameras=rows, Empty=[])
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers=BASE)
    assert faults_of(caught) == [
        "--answer sheet: this answer is missing. Which sheet of the workbook lists the sites? (Notes / Cameras)"
    ]
    result = import_sheet(tmp_path / "new", sheet, ask=typed(sheet="cameras", **BASE))
    assert result.site_count == 2


def test_an_empty_workbook(tmp_path):
    sheet = book_of(tmp_path / "cams.xlsx", One=[], Two=[])
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers=BASE)
    assert str(caught.value) == "cams.xlsx: all its sheets are empty. Write one row for each site."


GPX = (
    '<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
    '<wpt lat="57.24" lon="-4.15"><time>2026-01-01T00:00:00Z</time><name>gate</name><cmt>by the wall</cmt></wpt>'
    '<wpt lat="57.25" lon="-4.15"><name>gate</name><desc>left of it</desc></wpt>'
    '<wpt lat="57.26" lon="-4.15"/></gpx>'
)


def test_waypoints_become_sites(tmp_path):
    sheet = write(tmp_path, GPX, "cams.gpx")
    ask = typed(swapped_on="2026-10-31", **BASE)
    result = import_sheet(tmp_path / "new", sheet, ask=ask)
    assert [(site.site_id, site.lat, site.lon, site.find) for site in read_fleet(tmp_path / "new").sites] == [
        ("gate", 57.24, -4.15, "by the wall"),
        ("gate-2", 57.25, -4.15, "left of it"),
        ("site-3", 57.26, -4.15, ""),
    ]
    assert not [question.key for question in ask.asked if question.key.endswith("_heading")]
    assert "cams.gpx, rows 1, 2: the same name; a number was put behind it." in result.remarks


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            '<?xml version="1.0"?><gpx version="1.1" creator="t"><trk><name>x</name></trk></gpx>',
            "cams.gpx: no waypoints (tracks 1, routes 0). Export one waypoint for each site.",
        ),
        (
            '<!DOCTYPE gpx [<!ENTITY a "b">]><gpx version="1.1" creator="t"/>',
            "cams.gpx: the file declares entities, which a GPX file never needs. Export the waypoints anew.",
        ),
        ("not xml", "cams.gpx: this is no GPX file ("),
        ("", "cams.gpx: this is no GPX file ("),
        (GPX.replace('lat="57.24"', 'lat="north"'), "cams.gpx: this is no GPX file ("),
        (GPX.replace('lat="57.24"', ""), "cams.gpx: this is no GPX file ("),
    ],
)
def test_gpx_files_without_sites(tmp_path, text, message):
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", write(tmp_path, text, "cams.gpx"), answers=BASE)
    assert str(caught.value).startswith(message)
    assert not (tmp_path / "new").exists()


def test_a_waypoint_off_the_earth_is_a_fault(tmp_path):
    sheet = write(tmp_path, GPX.replace('lat="57.24"', 'lat="157.24"'), "cams.gpx")
    with pytest.raises(InputError) as caught:
        import_sheet(tmp_path / "new", sheet, answers={**BASE, "swapped_on": "2026-10-31"})
    assert "cams.gpx, row 1, column lat: latitude must lie between -90 and 90 (found '157.24')." in str(
        caught.value
    )


WORDS = st.text(st.characters(blacklist_categories=("Cs", "Cc", "Cf", "Zl", "Zp")), max_size=30)


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(names=st.lists(WORDS, min_size=1, max_size=5), more=WORDS)
def test_any_name_survives_or_is_refused_by_name(tmp_path_factory, names, more):
    tmp_path = tmp_path_factory.mktemp("sheet")
    buffer = io.StringIO()
    rows = [[name, f"{57.2 + 0.01 * place:.4f}", "-4.1500", more] for place, name in enumerate(names)]
    csv.writer(buffer).writerows([["Name", "Lat", "Lon", "Extra thing"], *rows])
    sheet = write(tmp_path, buffer.getvalue())
    result = import_sheet(tmp_path / "new", sheet, answers={**BASE, "swapped_on": "2026-10-31"})
    fleet = read_fleet(tmp_path / "new")
    assert result.site_count == len(fleet.sites) == len(names)
    assert len({site.site_id.casefold() for site in fleet.sites}) == len(names)
    assert [round(site.lat, 4) for site in fleet.sites] == [float(row[1]) for row in rows]


_TWO_KINDS = """Camera,Latitude,Longitude,Battery,Put in
oak,51.0361,3.7361,12V,2026-10-03
brook,51.0423,3.7123,6 V big,2026-10-14
"""


def test_a_column_of_pack_kinds_is_found_by_its_cells(tmp_path) -> None:
    sheet = tmp_path / "cams.csv"
    sheet.write_text(_TWO_KINDS, encoding="utf-8")
    answers = {
        "base_lat": "51.0",
        "base_lon": "3.7",
        "plug:12V": "5.5x2.1 centre +",
        "plug:6 V big": "5.5x2.5 centre +",
        "usual_months:6 V big": "5",
    }
    done = import_sheet(tmp_path / "fleet", sheet, answers=answers)
    fleet = read_fleet(tmp_path / "fleet")
    assert {site.site_id: site.pack_type for site in fleet.sites} == {"oak": "12V", "brook": "6 V big"}
    assert {name: kind.volts for name, kind in fleet.pack_types.items()} == {"12V": 12.0, "6 V big": 6.0}
    assert "cams.csv: pack_type is read from the column 'Battery'." in done.remarks


@pytest.mark.parametrize(
    "cells",
    [
        pytest.param(("03.10.2026", "14.10.2026"), id="dates"),
        pytest.param(("80%", "65%"), id="percentages"),
        pytest.param(("12,4", "11,9"), id="volts"),
        pytest.param(tuple(f"no {k}" for k in range(9)), id="pack numbers"),
    ],
)
def test_a_column_called_battery_of_anything_else_is_not_taken_for_pack_kinds(cells) -> None:
    rows = tuple((k, {"Camera": f"c{k}", "Battery": cell}) for k, cell in enumerate(cells, start=2))
    assert guess_pack_column(Sheet("cams.csv", ("Camera", "Battery"), rows), ()) is None


def test_two_columns_that_could_name_the_pack_are_left_alone() -> None:
    rows = ((2, {"Battery": "12V", "Pack": "big"}),)
    assert guess_pack_column(Sheet("cams.csv", ("Battery", "Pack"), rows), ()) is None
    assert guess_pack_column(Sheet("cams.csv", ("Battery", "Pack"), rows), ("Pack",)) == "Battery"


def test_capitals_and_spaces_make_no_second_pack_type(tmp_path):
    text = (
        "Camera,Latitude,Longitude,Battery,Last swap\n"
        "gate,57.24152,-4.15766,12V 7Ah,2026-10-31\n"
        "birch,57.24457,-4.15946,12v  7ah,2026-10-31\n"
    )
    result = import_sheet(tmp_path / "new", write(tmp_path, text), answers=BASE)
    assert [row["pack_type"] for row in rows_of(tmp_path / "new")] == ["12V 7Ah", "12V 7Ah"]
    assert "cams.csv, row 3: read as the pack type '12V 7Ah'." in result.remarks


def test_at_a_terminal_faults_of_the_sheet_are_told_before_base_and_packs_are_asked(tmp_path):
    ask = typed()
    with pytest.raises(InputError, match="is not a latitude"):
        import_sheet(tmp_path / "new", write(tmp_path, PLAIN.replace("57.24152", "north")), ask=ask)
    assert not {"base_lat", "plug"} & {question.key for question in ask.asked}


@pytest.mark.parametrize(
    ("name", "chemistry", "capacity"),
    [
        ("12V 9Ah", "sealed lead-acid", "9"),
        ("LFP12", "lithium iron phosphate", "7"),
        ("LiFePO4 12 V 6,5 Ah", "lithium iron phosphate", "6.5"),
        ("lithium", "", "7"),
        ("AA alkaline", "alkaline", "7"),
        ("NiMH 2.5Ah", "nickel metal hydride", "2.5"),
    ],
)
def test_kind_and_capacity_are_offered_as_the_name_of_the_pack_says(tmp_path, name, chemistry, capacity):
    text = f'Camera,Latitude,Longitude,Battery,Last swap\ngate,57.24152,-4.15766,"{name}",2026-10-31\n'
    ask = typed(**BASE, chemistry="alkaline", usual_months="3")
    import_sheet(tmp_path / "new", write(tmp_path, text), ask=ask)
    offered = {question.key: question.default for question in ask.asked}
    assert (offered["chemistry"], offered["capacity_ah"]) == (chemistry, capacity)


def test_what_was_typed_is_offered_again_after_a_failure(tmp_path):
    sheet = write(tmp_path, PLAIN)
    folder = tmp_path / "fleet"

    def first(question):
        if question.key == "base_lon":
            raise KeyboardInterrupt
        return {"headings_right": "yes", "base_lat": "57.25"}.get(question.key, question.default)

    with pytest.raises(KeyboardInterrupt):
        import_sheet(folder, sheet, ask=first)
    assert [path.name for path in folder.iterdir()] == [HEADINGS_NAME]
    asked = {}

    def second(question):
        asked[question.key] = question.default
        return question.default or BASE.get(question.key, "")

    import_sheet(folder, sheet, ask=second)
    assert asked["base_lat"] == "57.25"
    assert (folder / "sites.csv").exists()


def test_parking_with_decimal_commas_south_of_the_line_is_read_and_what_is_not_read_is_named(tmp_path):
    """A minus before a decimal comma is a number, no formula: no apostrophe is put before it."""
    sheet = write(
        tmp_path,
        "Place;Latitude;Longitude;Put in;Car lat;Car lon;Walk (m);Height\n"
        "gate;-43,4012;171,6021;2026-09-03;-43,4040;171,6005;450;-12,5\n",
    )
    answers = {**BASE, "base_lat": "-43.43", "base_lon": "171.59"}
    result = import_sheet(tmp_path / "new", sheet, answers=answers)
    (site,) = read_fleet(tmp_path / "new").sites
    assert (site.park_lat, site.park_lon, site.walk_m) == (-43.404, 171.6005, 450.0)
    assert rows_of(tmp_path / "new")[0]["Height"] == "-12,5"
    (own,) = (remark for remark in result.remarks if "not read" in remark)
    assert own.startswith("cams.csv: kept in sites.csv as your own, and not read: 'Height'.")
