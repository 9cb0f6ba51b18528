"""The table of battery numbers for people says what the package takes."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

HERE = Path(__file__).parent


def load():
    spec = importlib.util.spec_from_file_location("battery_table", HERE / "battery_table.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["battery_table"] = module
    spec.loader.exec_module(module)
    return module


def test_the_file_is_the_table():
    wanted = load().table()
    assert (HERE.parents[1] / "batteries.md").read_text(encoding="utf-8") == wanted


def test_every_line_names_a_source():
    lines = [line for line in load().table().splitlines() if line.startswith("| `")]
    assert len(lines) == 5 * 18
    assert all(line.split("|")[4].strip() for line in lines)
