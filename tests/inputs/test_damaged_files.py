"""
One small file a fault, its report asserted word for word.

Each file of ``tests/data/damaged`` is laid over the sound fleet in place of the file that the
first word of its name says. ``tests/data/damaged_messages.txt`` holds the reports.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

DATA = Path(__file__).resolve().parent.parent / "data"


def reports() -> dict[str, list[str]]:
    """The lines that each damaged file must bring, by its name."""
    found: dict[str, list[str]] = {}
    for line in (DATA / "damaged_messages.txt").read_text("utf-8").splitlines():
        if line.startswith("## "):
            lines = found[line.removeprefix("## ")] = []
        else:
            lines.append(line)
    return found


REPORTS = reports()


def test_the_sound_fleet_is_sound(read):
    fleet = read()
    assert [site.site_id for site in fleet.sites] == ["A1", "A2", "B1"]
    assert fleet.remarks == ()


def test_every_damaged_file_has_its_report_and_every_report_its_file():
    assert sorted(REPORTS) == sorted(path.name for path in (DATA / "damaged").iterdir())
    assert len(REPORTS) >= 45


@pytest.mark.parametrize("name", sorted(REPORTS))
def test_report(name, folder, faults):
    table = name.split("_")[0] + Path(name).suffix
    shutil.copy(DATA / "damaged" / name, folder / table)
    assert faults() == REPORTS[name]


def test_all_faults_of_all_files_come_in_one_report(folder, faults):
    names = ["sites_lat_out_of_range.csv", "visits_unknown_word.csv", "jobs_minutes_negative.csv"]
    names.append("tripplan_timezone_unknown.toml")
    for name in names:
        table = name.split("_")[0] + Path(name).suffix
        shutil.copy(DATA / "damaged" / name, folder / table)
    expected = [line for name in names for line in REPORTS[name]]
    assert sorted(faults()) == sorted(expected)
