"""What only a real process shows: libraries that write to the streams by themselves, start-up time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest


def _run(*args: str, cwd: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tripplan", *args, "--today", "2026-11-25"],
        cwd=cwd,
        env=os.environ | variables,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


def test_standard_output_holds_the_plan_as_json_and_nothing_else(example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    done = _run("plan", "--json", "-", "--quiet", cwd=folder)  # FOLDER defaults to the current one
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == json.loads((folder / "plan.json").read_bytes())
    assert done.stderr == ""


def test_a_terminal_of_ascii_gets_every_table(example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    sites = folder / "sites.csv"
    sites.write_text(
        sites.read_text(encoding="utf-8-sig").replace("quarry", "Sørøya–brudd"), encoding="utf-8"
    )
    done = _run("forecast", cwd=folder, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
    assert "S\\xf8r\\xf8ya\\u2013brudd" in done.stdout


def test_output_that_nobody_reads_ends_quietly(example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    with subprocess.Popen(
        [sys.executable, "-m", "tripplan", "forecast", "--today", "2026-11-25"],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        errors = process.stderr.read()
    assert "Traceback" not in errors


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
@pytest.mark.parametrize("more", [(), ("--json", "-")])
def test_output_to_a_full_disk_is_told(example: Callable[[str], Path], more: tuple[str, ...]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "tripplan", "forecast", "--today", "2026-11-25", "--quiet", *more],
            cwd=example("first-weekend"),
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == (
        "standard output: cannot be written: the disk is full. Free some space and run it again.\n"
    )


def test_commands_that_only_read_leave_the_folder_alone(example: Callable[[str], Path]) -> None:
    folder = example("first-weekend")
    before = sorted(path.name for path in folder.iterdir())
    assert _run("forecast", cwd=folder).returncode == 0
    assert _run("check", cwd=folder).returncode == 0
    assert sorted(path.name for path in folder.iterdir()) == before
