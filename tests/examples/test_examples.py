"""Every folder of examples/ is a fleet, says what it shows, and shows it."""

from __future__ import annotations

import shutil
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

import pytest

from tripplan.forecast import forecast_fleet
from tripplan.forecast.outlook import Basis
from tripplan.inputs import read_fleet
from tripplan.travel import crews_share_people, open_spans

EXAMPLES = Path(__file__).parents[2] / "examples"
FOLDERS = sorted(path.name for path in EXAMPLES.iterdir() if path.is_dir())
TODAY = date(2026, 11, 25)


@pytest.fixture(params=FOLDERS)
def example(request, tmp_path):
    """Copy one example, so that what is written does not stay in the repository."""
    return Path(shutil.copytree(EXAMPLES / request.param, tmp_path / request.param))


def test_there_are_at_least_three():
    assert {"first-weekend", "two-crews", "dates-only"} <= set(FOLDERS)


def test_each_says_what_it_shows_and_that_it_is_invented(example):
    text = (example / "README.md").read_text("utf-8")
    assert text.startswith("# ")
    assert "invented" in text
    assert "shows" in text
    assert f"({example.name}/README.md)" in (EXAMPLES / "README.md").read_text("utf-8")


def test_each_is_read_without_a_fault_and_forecast(example):
    fleet = read_fleet(example)
    outlook = forecast_fleet(fleet, TODAY)
    assert len(outlook.sites) == len(fleet.sites) >= 6
    for forecast in outlook.sites.values():
        assert TODAY + timedelta(days=7) < forecast.swap_by
        assert forecast.flat_early <= forecast.flat_likely <= forecast.flat_late


def test_first_weekend_has_nothing_but_places_pack_and_dates():
    fleet = read_fleet(EXAMPLES / "first-weekend")
    header = (EXAMPLES / "first-weekend" / "sites.csv").read_text("utf-8").splitlines()[0]
    assert header == "site_id,lat,lon,park_lat,park_lon,pack_type,swapped_on"
    assert fleet.timezone == "Europe/Berlin"
    outlook = forecast_fleet(fleet, TODAY)
    assert {forecast.basis for forecast in outlook.sites.values()} == {Basis.USUAL_LIFE}
    shared = Counter(site.parking_key for site in fleet.sites)
    assert sorted(shared.values()) == [1, 1, 1, 1, 2]


def test_two_crews_share_ana_and_keep_off_closed_land():
    fleet = read_fleet(EXAMPLES / "two-crews")
    assert crews_share_people(*fleet.crews)
    sites = fleet.sites_by_id
    for crew in fleet.crews:
        for day in (date(2026, 12, 1), date(2027, 1, 1), date(2027, 3, 15)):
            assert open_spans(fleet, sites["cave-1"], crew.name, day) == ()
        assert open_spans(fleet, sites["cave-1"], crew.name, date(2027, 3, 16))
        assert open_spans(fleet, sites["cliff-1"], crew.name, date(2027, 2, 28))
        assert open_spans(fleet, sites["cliff-1"], crew.name, date(2027, 3, 1)) == ()
    assert open_spans(fleet, sites["hay"], "Ana and Joel", date(2026, 12, 5)) == ()
    assert open_spans(fleet, sites["hay"], "Ana and Mira", date(2026, 12, 6))


def test_dates_only_a_wider_spread_is_due_earlier():
    fleet = read_fleet(EXAMPLES / "dates-only")
    outlook = forecast_fleet(fleet, TODAY)
    assert {forecast.basis for forecast in outlook.sites.values()} == {Basis.GIVEN_DATE}
    weir, gorge = outlook.sites["weir"], outlook.sites["gorge"]
    assert weir.flat_likely == gorge.flat_likely == date(2027, 1, 12)
    # By hand: F - 1 + floor(s z), z(0.05) = -1.64485: floor(-3.29) = -4, floor(-23.03) = -24.
    assert weir.swap_by == date(2027, 1, 7)
    assert gorge.swap_by == date(2026, 12, 18)
    # inlet: F - 1 + floor(5 z + 3) = F - 1 + floor(-5.22) = F - 1 - 6.
    assert outlook.sites["inlet"].swap_by == date(2026, 12, 13)
    # spillway: no spread, so the day before.
    assert outlook.sites["spillway"].swap_by == date(2027, 3, 15)
