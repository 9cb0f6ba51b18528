"""Fixtures of the field kit's tests; ``kit_trip`` lies beside this file."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))

from kit_trip import TODAY, KitCase, hand_case, hostile_case

from tripplan.outputs import write_kit


@pytest.fixture(scope="session")
def case() -> KitCase:
    return hand_case()


@pytest.fixture(scope="session")
def kit_folder(case: KitCase, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kit")
    write_kit(*case.arguments(), folder, today=TODAY, extra_spares={"SLA12": 1})
    return folder


@pytest.fixture(scope="session")
def hostile_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    write_kit(*hostile_case().arguments(), folder, today=TODAY)
    return folder
