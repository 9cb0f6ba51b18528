"""The house keeps its own rules where no tool looks."""

from __future__ import annotations

import ast
import hashlib
import importlib
import re
import tomllib
from pathlib import Path

import tripplan

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "tripplan"


def _contract(name: str) -> dict[str, list[str]]:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return next(one for one in settings["tool"]["importlinter"]["contracts"] if one["name"] == name)


def test_every_module_of_plan_stands_on_one_side_of_the_checkers_contract() -> None:
    contract = _contract("The checker shares no code with the solvers")
    modules = {f"tripplan.plan.{path.stem}" for path in (PACKAGE / "plan").glob("*.py")}
    checkers = {name for name in modules if name.split(".")[-1].startswith("check")}
    neutral = {
        f"tripplan.plan.{name}"
        for name in ("__init__", "document", "naming_notes", "plan_file", "trip_document")
    }
    assert set(contract["source_modules"]) == checkers
    assert (
        set(contract["forbidden_modules"]) - {"ortools", "highspy", "numba"} == modules - checkers - neutral
    )


def test_every_part_of_the_package_is_in_the_contracts_that_list_all_but_one() -> None:
    parts = {
        f"tripplan.{path.stem}"
        for path in PACKAGE.iterdir()
        if path.stem not in ("__init__", "__main__", "__pycache__")
        and (path.suffix == ".py" or (path / "__init__.py").exists())
    }
    assert set(_contract("The solvers are met in plan only")["source_modules"]) == parts - {"tripplan.plan"}
    assert set(_contract("The map library is met in outputs only")["source_modules"]) == parts - {
        "tripplan.outputs"
    }


def test_only_the_door_prints_exits_or_reads_the_command_line() -> None:
    guilty = []
    for path in PACKAGE.rglob("*.py"):
        if path.parent.name == "cli":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in ("print", "exit")
            ):
                guilty.append(f"{path.relative_to(ROOT)}:{node.lineno}")
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Name)
                and (node.value.id, node.attr) in {("sys", "argv"), ("sys", "exit"), ("os", "_exit")}
            ):
                guilty.append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert guilty == []


def test_the_changelog_knows_this_version() -> None:
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"## {tripplan.__version__}" in changelog


def test_every_module_name_in_the_glossary_of_folders_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = text.split("```text\n", 1)[1].split("```", 1)[0]
    named = {line.split()[0] for line in block.splitlines()[1:]}
    assert {name for name in named if not (PACKAGE / name).exists()} == set()
    present = {
        path.name + ("/" if path.is_dir() else "")
        for path in PACKAGE.iterdir()
        if not path.name.startswith("__") and path.name != "py.typed"
    }
    assert present - named == {"demo/"}


_LOOKS_ONCE = re.compile(
    r"wait_for_timeout|time\.sleep|\.count\(\) [=!<>]"
    r"|assert .*\.(is_visible|is_hidden|is_checked|is_disabled|is_enabled|inner_text|text_content|input_value)\("
)


def test_browser_tests_look_until_the_page_answers() -> None:
    """A look taken once, or a wait for a while, fails when the machine is busy: `tests/browser/looking.py`."""
    files = sorted((ROOT / "tests" / "browser").glob("test_*.py"))
    assert len(files) > 8
    once = [
        f"{file.name}:{number}: {line.strip()}"
        for file in files
        for number, line in enumerate(file.read_text("utf-8").splitlines(), 1)
        if _LOOKS_ONCE.search(line)
    ]
    assert once == []
    for line in ('assert page.locator("a").is_visible()', 'assert page.locator("img").count() == 0'):
        assert _LOOKS_ONCE.search(line)


def test_no_test_plans_against_a_time_limit() -> None:
    """What is found in a time depends on the machine; `tests/test_pipeline.py` only passes one through."""
    limited = re.compile(r"time_limit_s=[0-9]")
    found = [
        str(file.relative_to(ROOT))
        for file in sorted((ROOT / "tests").rglob("test_*.py"))
        if limited.search(file.read_text("utf-8"))
    ]
    assert found == ["tests/test_pipeline.py"]


def test_what_the_second_python_leaves_out_has_run_on_the_first() -> None:
    """Folders left out by name must be there, and README's test command, which runs first, leaves out none."""
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    left_out = re.findall(r"--ignore=([\w/]+)", script)
    assert left_out == ["tests/plan", "tests/properties"]
    assert all((ROOT / folder).is_dir() for folder in left_out)
    assert "--deselect" not in script
    first, second = script.index('"$(readme_command test)"'), script.index("--ignore=")
    assert first < second
    assert 'PYTEST_ADDOPTS="--cov=tripplan --cov-report=term:skip-covered"\n' in script


def _compiled_in(path: Path, seen: set[Path] | None = None) -> list[str]:
    """Sources of the compiled modules that one uses, and constants of others that are compiled in."""
    seen = {path} if seen is None else seen
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("tripplan."):
            continue
        other = ROOT / (str(node.module).replace(".", "/") + ".py")
        if other.is_file() and re.search(r"^@compiled", other.read_text("utf-8"), re.MULTILINE):
            if other not in seen:
                seen.add(other)
                found += [other.read_text("utf-8"), *_compiled_in(other, seen)]
            continue
        values = vars(importlib.import_module(str(node.module)))
        found += [f"{one.name} = {values[one.name]!r}" for one in node.names if one.name.isupper()]
    return found


def test_compiled_modules_name_what_is_compiled_into_them() -> None:
    """
    Machine code kept on the disk is made anew where the file of its outer function changes, and only there.

    So this file carries a mark of all that is compiled in from others, which changes with them.
    """
    wrong, marked = [], 0
    for path in sorted((ROOT / "tripplan" / "plan").glob("*.py")):
        text = path.read_text("utf-8")
        if not re.search(r"^@compiled$", text, re.MULTILINE):
            continue
        parts = _compiled_in(path)
        if not parts:
            continue
        marked += 1
        line = f"# Compiled in: {hashlib.sha256(chr(0).join(sorted(parts)).encode()).hexdigest()[:12]}"
        if line not in text.splitlines():
            wrong.append(f"{path.relative_to(ROOT)} wants the line '{line}'")
    assert wrong == []
    assert marked >= 4
