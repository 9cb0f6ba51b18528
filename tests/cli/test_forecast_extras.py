"""What ``forecast`` does beside its table."""

from __future__ import annotations

import json
import re
import shutil
from datetime import date
from pathlib import Path

import pytest

from tripplan.cli.season import _swap_by_text
from tripplan.forecast.outlook import Basis, Outlook, SiteForecast


@pytest.fixture
def weekend(example, tmp_path):
    folder = tmp_path / "fleet"
    shutil.copytree(example("first-weekend"), folder)
    return str(folder)


def test_it_says_the_risk_in_peoples_terms_and_the_track_record(door, weekend):
    said = door("forecast", weekend).stdout
    assert re.search(r"At 5 %, with \d+ sites left until the swap-by date, expect ", said)
    assert "Track record: " in said


def test_a_picture_is_one_page_without_requests(door, weekend, tmp_path):
    target = tmp_path / "forecast.html"
    done = door("forecast", weekend, "--picture", str(target))
    assert done.exit_code == 0
    page = target.read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert page.count("<svg") >= 3
    assert not re.search(r"(?:src|href)=|https?://", page)


def test_a_cold_spell_is_weighed(door, weekend):
    done = door("forecast", weekend, "--cold", "-25", "--days", "10")
    assert done.exit_code == 0
    assert "-25 C for 10 days from " in done.stdout


def test_a_cold_spell_needs_a_temperature_and_a_date_ahead(door, weekend):
    done = door("forecast", weekend, "--from", "2099-01-01")
    assert done.exit_code == 2
    assert "--from goes with --cold" in done.stderr
    late = door("forecast", weekend, "--cold", "-20", "--from", "2001-01-01")
    assert late.exit_code == 2
    assert "lies in the past" in late.stderr


def test_a_back_test_says_when_there_is_too_little(door, weekend):
    done = door("forecast", weekend, "--back-test")
    assert done.exit_code == 0
    assert "Too little history to judge the forecast" in done.stdout


def test_moved_dates_are_told_with_the_reason(door, weekend, tmp_path):
    earlier = tmp_path / "earlier.json"
    door("forecast", weekend, "--json", str(earlier))
    assert (
        "No swap-by date moved by three days or more since"
        in door("forecast", weekend, "--since", str(earlier)).stdout
    )
    data = json.loads(earlier.read_text(encoding="utf-8"))
    data["sites"][0]["swap_by"] = "2020-01-01"
    earlier.write_text(json.dumps(data), encoding="utf-8")
    said = door("forecast", weekend, "--since", str(earlier)).stdout
    assert f"{data['sites'][0]['site_id']}: " in said
    assert "days later; " in said


def test_what_is_no_forecast_is_refused(door, weekend, tmp_path):
    other = tmp_path / "plan.json"
    other.write_text('{"format": "tripplan-plan/1"}', encoding="utf-8")
    done = door("forecast", weekend, "--since", str(other))
    assert done.exit_code == 2
    assert "is no forecast" in done.stderr


def test_a_kept_forecast_is_the_one_the_next_is_compared_with(door, weekend, faults_of):
    folder = Path(weekend)
    before = sorted(path.name for path in folder.iterdir())
    assert "No swap-by date moved" not in door("forecast", weekend).stdout
    assert sorted(path.name for path in folder.iterdir()) == before
    done = door("forecast", weekend, "--keep")
    assert done.stdout.count("Written: ") == 2
    assert (folder / "forecast.html").read_text(encoding="utf-8").count("<svg") >= 3
    assert faults_of(json.loads((folder / "forecast.json").read_bytes())) == []
    assert "No swap-by date moved by three days or more since" in door("forecast", weekend).stdout
    sites = folder / "sites.csv"
    sites.write_text(sites.read_text(encoding="utf-8").replace("2026-", "2025-", 1), encoding="utf-8")
    assert re.search(r"Since .*: \d+ days earlier; ", door("forecast", weekend).stdout)


def test_a_spoilt_kept_forecast_is_said_and_stops_nothing(door, weekend):
    (Path(weekend) / "forecast.json").write_text('{"format": "tripplan-forecast/1", "on": 5}', "utf-8")
    done = door("forecast", weekend)
    assert done.exit_code == 0
    assert "is no forecast that can be read, so nothing is compared with it" in done.stderr


@pytest.mark.parametrize(
    "text",
    [
        '{"format": "tripplan-forecast/1"}',
        '{"format": "tripplan-forecast/1", "on": "2026-11-01", "sites": [{"site_id": "A"}]}',
        (
            '{"format": "tripplan-forecast/1", "on": "2026-11-01", "sites": [{"site_id": "A", '
            '"basis": "model", "swap_by": "soon"}]}'
        ),
        '{"format": "tripplan-forecast/1", "on": "2026-11-01", "sites": 7}',
    ],
)
def test_half_a_forecast_is_refused(door, weekend, tmp_path, text):
    other = tmp_path / "half.json"
    other.write_text(text, encoding="utf-8")
    done = door("forecast", weekend, "--since", str(other))
    assert done.exit_code == 2
    assert "is no forecast" in done.stderr


def test_where_freezing_sets_the_date_the_table_says_so(tiny_fleet):
    days = [date(2027, 1, d) for d in (20, 25, 30, 19)]
    one = SiteForecast("A", *days, 0.05, 0.0, 0.5, Basis.MODEL, freezes_from=date(2027, 1, 10))
    outlook = Outlook(date(2026, 11, 25), date(2027, 5, 1), 0.05, {"A": one}, {})
    assert _swap_by_text(one, outlook, tiny_fleet) == (
        "Tue 19 Jan 2027; freezing sets the date: from Sun 10 Jan 2027"
    )
