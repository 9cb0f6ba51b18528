"""Folders of a fleet, made from the sound one by laying files over it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from tripplan.errors import InputError
from tripplan.fleet import Fleet
from tripplan.inputs import read_fleet

DATA = Path(__file__).resolve().parent.parent / "data"


@pytest.fixture
def data() -> Path:
    """The folder of the test files."""
    return DATA


@pytest.fixture
def today() -> date:
    """The day on which every test reads."""
    return date(2026, 11, 25)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the sound fleet, for a test to damage."""
    copy = tmp_path / "fleet"
    shutil.copytree(DATA / "sound", copy)
    return copy


@pytest.fixture
def read(folder: Path, today: date) -> Callable[[], Fleet]:
    """Read the folder as it now is."""
    return lambda: read_fleet(folder, today)


@pytest.fixture
def faults(folder: Path, today: date) -> Callable[[], list[str]]:
    """Read the folder as it now is and return the lines of its report."""

    def lines() -> list[str]:
        with pytest.raises(InputError) as caught:
            read_fleet(folder, today)
        assert str(caught.value) == "\n".join(str(fault) for fault in caught.value.faults)
        return str(caught.value).splitlines()

    return lines
