"""Write a value as a spreadsheet would, read it back: the same value, or a clear refusal."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripplan.inputs.cells import (
    CellError,
    clean_text,
    parse_angle,
    parse_clock,
    parse_date,
    parse_month_day,
    parse_number,
    parse_timestamp,
    parse_yes_no,
)
from tripplan.inputs.decisions import settle_date_order, settle_decimal_sign
from tripplan.inputs.find_files import find_tables
from tripplan.inputs.findings import Findings

DAYS = st.dates(date(1980, 1, 1), date(2100, 12, 31))
DEGREE_MARKS = st.sampled_from("°º˚")
MINUTE_MARKS = st.sampled_from(["'", "′", "’", "‘", "´", "`"])
SECOND_MARKS = st.sampled_from(['"', "″", "”", "“", "''", "′′"])
SPACES = st.sampled_from(["", " ", "\u00a0", "  "])
FIRST_SERIAL, LAST_SERIAL = date(1899, 12, 30) + timedelta(20_000), date(1899, 12, 30) + timedelta(60_000)


@given(
    tenths=st.integers(0, 90 * 36_000),
    south=st.booleans(),
    letter_first=st.booleans(),
    degree=DEGREE_MARKS,
    minute=MINUTE_MARKS,
    second=SECOND_MARKS,
    space=SPACES,
    decimal=st.sampled_from(".,"),
)
def test_degrees_minutes_seconds(tenths, south, letter_first, degree, minute, second, space, decimal):
    whole, rest = divmod(tenths, 36_000)
    minutes, part = divmod(rest, 600)
    angle = f"{whole}{degree}{space}{minutes}{minute}{space}{part // 10}{decimal}{part % 10}{second}"
    letter = "S" if south else "N"
    text = f"{letter}{space}{angle}" if letter_first else f"{angle}{space}{letter}"
    expected = tenths / 36_000 * (-1 if south else 1)
    assert parse_angle(clean_text(text), "lat") == pytest.approx(expected, abs=1e-9)


@given(
    thousandths=st.integers(0, 180 * 60_000),
    west=st.booleans(),
    marked=st.booleans(),
    space=st.sampled_from([" ", "  ", "\u00a0"]),
)
def test_degrees_and_minutes(thousandths, west, marked, space):
    whole, rest = divmod(thousandths, 60_000)
    minutes = f"{rest // 1000}.{rest % 1000:03d}"
    marks = ("°", "'") if marked else ("", "")
    text = f"{'W' if west else 'E'}{whole}{marks[0]}{space}{minutes}{marks[1]}"
    expected = thousandths / 60_000 * (-1 if west else 1)
    assert parse_angle(clean_text(text), "lon") == pytest.approx(expected, abs=1e-9)


@given(st.floats(-180, 180), st.sampled_from(".,"))
def test_decimal_degrees(value, decimal):
    assert parse_angle(f"{value:.7f}".replace(".", decimal), "lon") == pytest.approx(value, abs=6e-8)


@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from([", ", " ", ";", "/"]))
def test_two_numbers_in_one_cell_are_refused(lat, lon, between):
    with pytest.raises(CellError):
        parse_angle(f"{lat:.5f}{between}{lon:.5f}", "lat")


@given(DAYS, st.sampled_from("-/."))
def test_dates_in_the_three_orders(day, separator):
    year, month, number = f"{day:%Y}", f"{day:%m}", f"{day:%d}"
    assert parse_date(separator.join((year, month, number)), "month first") == day
    assert parse_date(separator.join((number, month, year)), "day first") == day
    assert parse_date(separator.join((month, number, year)), "month first") == day
    assert parse_date(separator.join((str(day.day), str(day.month), year)), "day first") == day


@given(DAYS, st.sampled_from(["%d %B %Y", "%d-%b-%Y", "%B %d, %Y", "%b %d %Y", "%Y%m%d"]))
def test_dates_with_names_need_no_order(day, form):
    text = day.strftime(form)
    assert parse_date(text, "day first") == parse_date(text, "month first") == day


@given(st.dates(FIRST_SERIAL, LAST_SERIAL))
def test_day_numbers_of_both_calendars(day):
    assert parse_date(str((day - date(1899, 12, 30)).days)) == day
    number = (day - date(1904, 1, 1)).days
    if number >= 20_000:
        assert parse_date(str(number), epoch_1904=True) == day


@given(st.datetimes(datetime(1981, 1, 1), datetime(2099, 12, 31)), st.sampled_from("T "), st.booleans())  # noqa: DTZ001
def test_timestamps(moment, between, with_zone):
    moment = moment.replace(microsecond=0, tzinfo=UTC if with_zone else None)
    assert parse_timestamp(moment.isoformat(between)) == moment


@given(st.lists(DAYS, min_size=1, max_size=8), st.booleans())
def test_a_settled_order_is_the_true_one(days, month_first):
    form = "%m/%d/%Y" if month_first else "%d/%m/%Y"
    texts = {row: day.strftime(form) for row, day in enumerate(days, start=2)}
    order, doubts = settle_date_order(texts)
    telling = any(day.day > 12 for day in days)
    either = all(day.day == day.month for day in days)
    assert (order is None) == (not telling)
    assert bool(doubts) == (not telling and not either)
    if order is not None:
        assert [parse_date(text, order) for text in texts.values()] == days


@given(st.integers(0, 1440))
def test_clock_times(minute):
    assert parse_clock(f"{minute // 60:02d}:{minute % 60:02d}") == minute
    if minute < 1440:
        assert parse_clock(f"{minute / 1440:.6f}") == minute


@given(st.dates(date(2023, 1, 1), date(2023, 12, 31)))
def test_days_of_the_year(day):
    found = parse_month_day(f"{day:%m-%d}")
    assert (found.month, found.day) == (day.month, day.day)
    assert parse_month_day(f"{day:%d-%b}") == found


@given(st.floats(-1e6, 1e6), st.sampled_from(".,"), st.booleans())
def test_numbers(value, decimal, grouped):
    text = f"{value:,.2f}" if grouped else f"{value:.2f}"
    if decimal == ",":
        text = text.translate(str.maketrans(",.", ".,"))
    assert parse_number(text, decimal) == pytest.approx(value, abs=0.0051)


@given(st.lists(st.floats(0.001, 99.999), min_size=1, max_size=6), st.integers(1, 6), st.sampled_from(".,"))
def test_a_settled_decimal_sign_is_the_true_one(values, places, decimal):
    texts = {row: f"{value:.{places}f}".replace(".", decimal) for row, value in enumerate(values, start=2)}
    sign, doubts = settle_decimal_sign(texts, 0, 100)
    assert (sign, doubts) == (decimal, ())
    assert [parse_number(text, sign) for text in texts.values()] == pytest.approx(
        [float(f"{value:.{places}f}") for value in values]
    )


@given(st.text(max_size=40))
def test_no_text_breaks_a_parser(text):
    for parse in (
        parse_number,
        parse_date,
        parse_timestamp,
        parse_clock,
        parse_month_day,
        parse_yes_no,
        lambda cell: parse_angle(cell, "lat"),
        lambda cell: parse_angle(cell, "lon"),
    ):
        try:
            parse(clean_text(text))
        except CellError as error:
            problem = error.problem
        else:
            continue
        assert problem


CELLS = st.text(
    st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\u200b\u200c\u2060\ufeff"),
    max_size=20,
)


@settings(max_examples=60)
@given(st.lists(st.tuples(CELLS, CELLS), min_size=1, max_size=5), st.sampled_from(",;\t"))
def test_a_written_table_is_read_back(tmp_path_factory, rows, separator):
    folder = tmp_path_factory.mktemp("table")
    written = io.StringIO(newline="")
    writer = csv.writer(written, delimiter=separator)
    writer.writerow(["site_id", "job", "bring", "minutes"])
    writer.writerows(["A", job, bring, "5"] for job, bring in rows)
    (folder / "jobs.csv").write_text(written.getvalue(), "utf-8", newline="")
    table = find_tables(folder, Findings())["jobs"]
    assert [row.number for row in table.rows] == list(range(2, len(rows) + 2))
    found = [
        tuple(row.cells[name].text if name in row.cells else "" for name in ("job", "bring"))
        for row in table.rows
    ]
    assert found == [(clean_text(job), clean_text(bring)) for job, bring in rows]
