"""The fleet's language and units."""

from __future__ import annotations

from pathlib import Path

import pytest

from tripplan.errors import InputError
from tripplan.inputs import read_fleet

TOML = """
[fleet]
name = "Two"
timezone = "UTC"
{extra}
[[crew]]
name = "One"
base_lat = 50.0
base_lon = 8.0
[pack_types.A]
volts = 12.0
plug = "5.5x2.1 centre +"
"""


def folder(tmp_path: Path, extra: str) -> Path:
    (tmp_path / "tripplan.toml").write_text(TOML.format(extra=extra), "utf-8")
    (tmp_path / "sites.csv").write_text(
        "site_id,lat,lon,pack_type,swapped_on\nS,50.1001,8.1001,A,2026-10-01\n"
    )
    return tmp_path


def test_default_is_english_and_metric(tmp_path):
    fleet = read_fleet(folder(tmp_path, ""))
    assert (fleet.language, fleet.units) == ("en", "metric")


def test_both_can_be_chosen(tmp_path):
    fleet = read_fleet(folder(tmp_path, 'language = "de"\nunits = "Imperial"'))
    assert (fleet.language, fleet.units) == ("de", "imperial")


def test_unknown_ones_are_faults(tmp_path):
    with pytest.raises(InputError) as caught:
        read_fleet(folder(tmp_path, 'language = "xx"\nunits = "leagues"'))
    assert [str(fault) for fault in caught.value.faults] == [
        "tripplan.toml, setting [fleet] language: must be one of en, de (found 'xx').",
        "tripplan.toml, setting [fleet] units: must be one of metric, imperial (found 'leagues').",
    ]
