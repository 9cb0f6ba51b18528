"""What the tests of the command line share: runs in this process, one run of the demo, schemas."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner, Result

from tripplan.cli import main
from tripplan.schemas import load_schema

ROOT = Path(__file__).parents[2]
EXAMPLES = tuple(sorted(path.name for path in (ROOT / "examples").iterdir() if path.is_dir()))
TODAY = "2026-11-25"

Door = Callable[..., Result]


@pytest.fixture
def door() -> Door:
    """Run tripplan in this process; text of both streams is kept apart."""

    def run(*args: object, today: str | None = TODAY) -> Result:
        words = [str(arg) for arg in args]
        if today is not None and words[0] not in ("init", "demo"):
            words += ["--today", today]
        return CliRunner().invoke(main, words, catch_exceptions=False)

    return run


@pytest.fixture(scope="session")
def planned_example(
    once: Callable[[str, Callable[[Path], None]], Path], whole_search: Any
) -> Callable[[str], Path]:
    """Return a folder with an example and its plan.json, made once; copy it before changing it."""

    def planned(name: str) -> Path:
        def plan(folder: Path) -> None:
            shutil.copytree(ROOT / "examples" / name, folder)
            args = ["plan", str(folder), "--today", TODAY]
            with whole_search():
                done = CliRunner().invoke(main, args, catch_exceptions=False)
            assert done.exit_code == 0, done.output

        return once(name, plan)

    return planned


@pytest.fixture
def example(tmp_path: Path, planned_example: Callable[[str], Path]) -> Callable[[str], Path]:
    """Return an own copy of a planned example."""

    def copy(name: str) -> Path:
        folder = tmp_path / name
        shutil.copytree(planned_example(name), folder)
        return folder

    return copy


@pytest.fixture(scope="session")
def faults_of() -> Callable[[Any], list[str]]:
    """Check a JSON object against the schema that its format names."""

    def check(data: Any) -> list[str]:
        kind, version = data["format"].removeprefix("tripplan-").split("/")
        assert version == "1"
        validator = jsonschema.Draft202012Validator(
            load_schema(kind), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
        )
        return [f"{error.json_path}: {error.message}" for error in validator.iter_errors(data)]

    return check
