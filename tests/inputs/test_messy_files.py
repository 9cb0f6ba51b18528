"""Sound files as spreadsheets leave them: they must read right, and say what was decided."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from tripplan.fleet import Found, MonthDay

SITES = "site_id,lat,lon,pack_type,swapped_on\n"


def write(folder, name, text, encoding="utf-8"):
    (folder / name).write_bytes(text.encode(encoding))


@pytest.fixture
def alone(folder):
    """The folder with its settings only; the test writes the sites."""
    for path in folder.glob("*.csv"):
        path.unlink()
    return folder


def places(fleet):
    return {site.site_id: (round(site.lat, 5), round(site.lon, 5)) for site in fleet.sites}


def test_semicolons_with_decimal_commas(alone, read):
    write(
        alone,
        "sites.csv",
        "site_id;lat;lon;pack_type;walk_m;swapped_on\nA;50,27412;8,49871;SLA12;1.250,5;30.08.2026\n"
        "B;50,27618;8,49412;SLA12;80;05.09.2026\n",
    )
    fleet = read()
    assert places(fleet) == {"A": (50.27412, 8.49871), "B": (50.27618, 8.49412)}
    assert [site.walk_m for site in fleet.sites] == [1250.5, 80.0]
    assert [site.swapped_on for site in fleet.sites] == [date(2026, 8, 30), date(2026, 9, 5)]
    assert fleet.remarks == (
        "sites.csv: cells are separated by semicolons.",
        "sites.csv, column lat: read with decimal commas, for example 50,27412 is 50.2741.",
        "sites.csv, column lon: read with decimal commas, for example 8,49871 is 8.49871.",
        "sites.csv, column walk_m: read with decimal commas, for example 1.250,5 is 1250.5.",
        "sites.csv, column swapped_on: read as day first, for example 30.08.2026 is 30 August 2026.",
    )


def test_tabs_a_byte_order_mark_and_stray_spaces(alone, read):
    write(
        alone,
        "sites.csv",
        "\ufeffSite ID\tLat\t LON \tPack-Type\tswapped_on\t\n NA\u00a0\t50.27412\t8.49871 \tsla12\t2026-08-30\t\n",
    )
    fleet = read()
    assert places(fleet) == {"NA": (50.27412, 8.49871)}
    assert fleet.sites[0].pack_type == "SLA12"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "cp1252"])
def test_other_encodings(alone, read, encoding):
    text = SITES.replace("site_id", "name,site_id") + "Mühle,A,50.27412,8.49871,SLA12,2026-08-30\n"
    mark = "\ufeff" if encoding == "utf-16-le" else ""
    write(alone, "sites.csv", mark + text, encoding)
    fleet = read()
    assert fleet.sites[0].name == "Mühle"
    told = "sites.csv: not UTF-8; read as Windows-1252 (Western European)." in fleet.remarks
    assert told == (encoding == "cp1252")


def test_a_title_above_the_header_blank_rows_and_unknown_columns(alone, read):
    write(
        alone,
        "sites.csv",
        "My sites 2026,,,,,\n,,,,,\n" + SITES.strip() + ",workminutes\n,,,,,\n"
        "A,50.27412,8.49871,SLA12,2026-08-30,20\n,,,,,\n,,,,,\n",
    )
    fleet = read()
    assert fleet.sites[0].row == 5
    assert fleet.remarks == (
        "sites.csv: the header is row 3; what stands above it was not read.",
        "sites.csv, column workminutes: not known, so it was not read. Did you mean 'work_minutes'?",
    )


def test_rows_count_as_the_spreadsheet_counts_them(alone, faults):
    text = SITES.replace("lat", "notes,lat", 1)
    write(
        alone,
        "sites.csv",
        text + 'A,"first line\nsecond line\n\nfourth",50.27412,8.49871,SLA12,2026-08-30\n\n'
        "B,,95,8.49871,SLA12,2026-08-30\n",
    )
    assert faults() == [
        "sites.csv, row 4, column lat: latitude must lie between -90 and 90 (found '95'). Are lat and lon swapped?"
    ]


@pytest.mark.parametrize(
    ("lat", "lon"),
    [
        ("50°16'26.8\"N", "8°29'55.4\"E"),
        ("50º16’26.8”", "8º29’55.4”"),
        ("N 50° 16′ 26.8″", "E 8° 29′ 55.4″"),
        ("50 16 26.8 N", "8 29 55.4 E"),
        ("50°16''26.8", None),
        ("N50 16.44667", "E8 29.92333"),
        ("50° 16,44667' N", "8° 29,92333' E"),
        ("50.274111°", "8.498722°"),
        ("+50.274111", "8.498722 E"),
        ("50:16:26.8 N", "8:29:55.4 E"),
    ],
)
def test_angles_in_many_spellings(alone, read, faults, lat, lon):
    cells = [f'"{cell.replace(chr(34), chr(34) * 2)}"' for cell in (lat, lon or "8.49872")]
    write(alone, "sites.csv", SITES + f"A,{cells[0]},{cells[1]},SLA12,2026-08-30\n")
    if lon is None:  # seconds marked where minutes should be: not read as something else
        assert faults()[0].startswith("sites.csv, row 2, column lat: is not a latitude")
        return
    site = read().sites[0]
    assert (site.lat, site.lon) == pytest.approx((50.274111, 8.498722), abs=1e-6)


def test_what_angles_were_read_is_said(alone, read):
    write(alone, "sites.csv", SITES + 'A,"50°16\'26.8""N",8.49872,SLA12,2026-08-30\n')
    assert read().remarks == ("sites.csv, column lat: angles read, for example 50°16'26.8\"N is 50.27411.",)


@pytest.mark.parametrize(
    ("cells", "expected", "remark"),
    [
        (
            ["05/04/2026", "13/04/2026"],
            [date(2026, 4, 5), date(2026, 4, 13)],
            "read as day first, for example 13/04/2026 is 13 April 2026.",
        ),
        (
            ["05/04/2026", "04/13/2026"],
            [date(2026, 5, 4), date(2026, 4, 13)],
            "read as month first, for example 04/13/2026 is 13 April 2026.",
        ),
        (
            ["46125", "46130.0"],
            [date(2026, 4, 13), date(2026, 4, 18)],
            "a spreadsheet's day numbers read as dates, for example 46125 is 13 April 2026.",
        ),
        (["13 April 2026", "Apr 5, 2026"], [date(2026, 4, 13), date(2026, 4, 5)], None),
        (["2026/04/13", "20260405"], [date(2026, 4, 13), date(2026, 4, 5)], None),
        (["2026-04-13 00:00:00", "2026-04-05T10:30"], [date(2026, 4, 13), date(2026, 4, 5)], None),
        (["05/05/2026", "06/06/2026"], [date(2026, 5, 5), date(2026, 6, 6)], None),
    ],
)
def test_dates_are_settled_by_the_whole_column(alone, read, cells, expected, remark):
    rows = [f'{n},50.2741{n},8.49871,SLA12,"{cell}"\n' for n, cell in enumerate(cells, start=1)]
    write(alone, "sites.csv", SITES + "".join(rows))
    fleet = read()
    assert [site.swapped_on for site in fleet.sites] == expected
    assert fleet.remarks == (() if remark is None else (f"sites.csv, column swapped_on: {remark}",))


@pytest.mark.parametrize(
    ("order", "expected"), [("day first", date(2026, 4, 5)), ("month first", date(2026, 5, 4))]
)
def test_the_settings_settle_what_the_column_cannot(alone, read, order, expected):
    settings = alone / "tripplan.toml"
    settings.write_text(f'[files]\ndate_order = "{order}"\n' + settings.read_text("utf-8"), "utf-8")
    write(alone, "sites.csv", SITES + "A,50.27412,8.49871,SLA12,05/04/2026\n")
    fleet = read()
    assert fleet.sites[0].swapped_on == expected
    assert f"read as {order}, as tripplan.toml says, for example 05/04/2026" in fleet.remarks[0]


def test_a_date_that_contradicts_the_settings_is_a_fault(alone, faults):
    settings = alone / "tripplan.toml"
    settings.write_text('[files]\ndate_order = "month first"\n' + settings.read_text("utf-8"), "utf-8")
    write(alone, "sites.csv", SITES + "A,50.27412,8.49871,SLA12,13/04/2026\n")
    assert faults() == [
        (
            "sites.csv, row 2, column swapped_on: there is no such day (found '13/04/2026'). "
            "Write the date as year-month-day, for example 2026-04-13."
        )
    ]


def test_each_column_is_settled_by_itself(alone, faults):
    write(
        alone,
        "sites.csv",
        SITES.replace("swapped_on", "swapped_on,flat_on")
        + "A,50.27412,8.49871,SLA12,13/04/2026,05/06/2026\n",
    )
    assert [line.split(":")[0] for line in faults()] == ["sites.csv, row 2, column flat_on"]


def test_coarse_and_equal_coordinates_and_far_points_are_remarked(alone, read):
    rows = "A,50.27,8.49871,SLA12\nB,50.27618,8.49412,SLA12\nC,50.27618,8.49412,SLA12\nD,50.28000,8.50000,SLA12\n"
    write(
        alone,
        "sites.csv",
        "site_id,lat,lon,pack_type,flat_on\n"
        + rows.replace("SLA12", "SLA12,2027-02-01")
        + "E,51.28000,8.50000,SLA12,2027-02-01\n",
    )
    assert read().remarks == (
        "sites.csv, row 2, column lat: fewer than four decimals place a site only to within 100 m or worse.",
        "sites.csv, rows 3, 4: sites with the same coordinates (B, C). Is that right?",
        "sites.csv, row 6, column lat: 112 km from the middle of the sites. Is that right?",
    )


def test_the_first_line_may_name_the_separator(alone, read):
    write(alone, "sites.csv", "sep=;\n" + (SITES + "A,50.27412,8.49871,SLA12,2026-08-30\n").replace(",", ";"))
    assert read().sites[0].row == 2


def test_other_line_ends_and_trailing_separators(alone, read):
    text = SITES + "A,50.27412,8.49871,SLA12,2026-08-30,,\n"
    write(alone, "sites.csv", text.replace("\n", "\r\n"))
    assert places(read()) == {"A": (50.27412, 8.49871)}


def test_words_and_ids_match_without_capitals(folder, read):
    write(folder, "visits.csv", "DATE,site id,found,pack_in,done\n2026-09-05,a2,Not_Reached,,Left\n")
    visit = read().visits[0]
    assert (visit.site_id, visit.found) == ("A2", Found.NOT_REACHED)


def test_readings_carry_the_zone(folder, read):
    write(
        folder,
        "readings.csv",
        "when,site_id,volts\n2026-10-24 07:05,A1,12.5\n2026-10-26T06:05Z,A1,12.4\n2026-10-27,A1,\n46322.25,A1,\n",
    )
    berlin = ZoneInfo("Europe/Berlin")
    assert [reading.when for reading in read().readings] == [
        datetime(2026, 10, 24, 7, 5, tzinfo=berlin),
        datetime(2026, 10, 26, 7, 5, tzinfo=berlin),
        datetime(2026, 10, 27, 0, 0, tzinfo=berlin),
        datetime(2026, 10, 27, 6, 0, tzinfo=berlin),
    ]
    assert read().readings[0].when.isoformat() == "2026-10-24T07:05:00+02:00"


def test_access_rows_in_full(folder, read):
    write(
        folder,
        "access.csv",
        "access,rule,days,from,to,season_from,season_to,contact,notice_days,crews\n"
        "gate,open,mon-fri;Sunday,7:30,24:00,11-15,02-29,,,\n"
        "gate,closed,,,,2027-01-01,2027-01-06,,,lene\n",
    )
    one, other = read().access["gate"]
    assert one.weekdays == {0, 1, 2, 3, 4, 6}
    assert (one.from_minute, one.to_minute) == (450, 1440)
    assert (one.season_from, one.season_to) == (MonthDay(11, 15), MonthDay(2, 28))
    assert (other.is_open, other.season_from, other.season_to) == (False, date(2027, 1, 1), date(2027, 1, 6))
    assert other.crews == ("Lene",)
    assert "access.csv, row 3: a season of full dates holds once; MM-DD holds each year." in read().remarks


def test_a_cell_longer_than_the_csv_reader_takes_by_itself(folder, read):
    note = "way in, " * 20_000  # 160 000 characters; the reader's own limit is 131 072
    write(folder, "sites.csv", f'{SITES.strip()},notes\nA1,50.27412,8.49871,SLA12,2026-08-30,"{note}"\n')
    for name in ("packs", "visits", "readings", "jobs", "legs", "access"):
        (folder / f"{name}.csv").unlink()
    fleet = read()
    assert fleet.sites[0].notes == note.strip()
    assert fleet.remarks == ()


def test_crews_listed_with_commas_are_told_apart_from_an_unknown_crew(folder, faults):
    settings = (folder / "tripplan.toml").read_text(encoding="utf-8")
    second = '[[crew]]\nname = "Ole"\nbase_lat = 50.2\nbase_lon = 8.5\n\n[pack_types.SLA12]'
    write(folder, "tripplan.toml", settings.replace("[pack_types.SLA12]", second))
    access = (folder / "access.csv").read_text(encoding="utf-8")
    write(folder, "access.csv", access.replace(",Lene", ',"Lene, Ole"'))
    assert faults() == [
        "access.csv, row 2, column crews: unknown crew (found 'Lene, Ole'). Put semicolons between crews."
    ]


def test_shelf_counts_beside_a_list_of_packs_are_said_not_to_count(folder, read):
    settings = (folder / "tripplan.toml").read_text(encoding="utf-8")
    write(folder, "tripplan.toml", settings.replace("volts = 6.0", "volts = 6.0\nshelf_charged = 3"))
    assert read().remarks == (
        "tripplan.toml, setting [pack_types.SLA6] shelf_charged: not counted, since packs.csv lists the packs.",
    )


def test_a_shelf_count_left_out_while_others_are_given_counts_as_none(folder, read):
    (folder / "packs.csv").unlink()
    settings = (folder / "tripplan.toml").read_text(encoding="utf-8")
    write(folder, "tripplan.toml", settings.replace("volts = 6.0", "volts = 6.0\nshelf_charged = 3"))
    fleet = read()
    assert (fleet.charged_on_shelf("SLA6"), fleet.charged_on_shelf("SLA12")) == (3, 0)
    (remark,) = fleet.remarks
    assert remark == (
        "tripplan.toml, setting [pack_types.SLA12] shelf_charged: not given, while other pack types have it; "
        "counted as 0."
    )


def test_blank_names_of_people_are_nobody(folder, read):
    settings = (folder / "tripplan.toml").read_text(encoding="utf-8")
    write(folder, "tripplan.toml", settings.replace('people = ["Lene"]', 'people = ["", "Lene", " "]'))
    assert read().crews[0].people == ("Lene",)
