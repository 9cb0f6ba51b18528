"""README.md is true: its commands run, its example output is what the demo prints."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from tripplan.cli import main
from tripplan.pipeline import DEMO_TODAY

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")

SHEET = """Camera,Latitude,Longitude,Battery in
owl box,50.24120,8.60110,12.9.2026
hill,50.24125,8.60300,20.9.2026
pond,50.26010,8.55500,1.10.2026
"""
ANSWERS = {
    "swapped_on_heading": "Battery in",
    "fleet_name": "Boxes",
    "crew_name": "Me",
    "base_lat": "50.231",
    "base_lon": "8.587",
    "days": "sat sun",
    "pack_type": "standard",
    "volts": "12",
    "plug": "5.5x2.1 centre +",
    "chemistry": "sealed lead-acid",
    "capacity_ah": "7",
}


def _blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def test_the_first_evening_runs_as_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("cameras.csv").write_text(SHEET, encoding="utf-8")
    lines = next(block for block in _blocks("sh") if "tripplan init" in block).splitlines()
    assert len(lines) == 5
    for line in lines:
        words = shlex.split(line)
        assert words[0] == "tripplan"
        args = words[1:]
        if args[0] == "init":
            for key, value in ANSWERS.items():
                args += ["--answer", f"{key}={value}"]
        else:
            args += ["--today", DEMO_TODAY.isoformat()]
        done = CliRunner().invoke(main, args)
        assert done.exit_code == 0, done.output
    assert len(list(Path("myfleet").glob("maps/*/map.html"))) == 1


def test_the_output_shown_is_what_the_command_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    monkeypatch.chdir(tmp_path)
    command = re.search(r"`tripplan (plan examples/[^`]+)` prints:\n\n```text\n(.*?)```", README, re.DOTALL)
    assert command is not None
    done = CliRunner().invoke(main, shlex.split(command[1]), catch_exceptions=False)
    printed = [line.rstrip() for line in done.stdout.splitlines()]
    assert printed == command[2].splitlines()


def test_every_file_that_readme_points_to_is_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_the_setup_lines_name_the_extra_and_the_command_that_exist() -> None:
    demo, test = (
        re.search(rf"<!-- command: {name} -->\n```sh\n(.*?)\n```", README, re.DOTALL)
        for name in ("demo", "test")
    )
    assert demo is not None
    assert test is not None
    assert demo[1].endswith(".venv/bin/tripplan demo")
    assert "'.[dev]'" in test[1]
    assert test[1].endswith('.venv/bin/pytest -q -n auto --dist worksteal -m "not slow"')
    assert shutil.which("python3") is not None
