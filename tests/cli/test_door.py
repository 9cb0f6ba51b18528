"""Help, exit status and interrupts: what holds for every command."""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

import tripplan
from tripplan.cli import main
from tripplan.errors import NoPlanError, RefusedError, StorageError

COMMANDS = (
    "demo",
    "init",
    "check",
    "forecast",
    "plan",
    "trip",
    "overview",
    "handover",
    "spares",
    "packs",
    "record",
    "undo",
    "history",
)
HEAVY = (
    "pandas",
    "numpy",
    "ortools",
    "highspy",
    "folium",
    "numba",
    "scipy",
    "networkx",
    "pyproj",
)


def run(*args: str) -> Result:
    return CliRunner().invoke(main, args)


def test_the_commands_are_those_that_do_something() -> None:
    assert tuple(main.commands) == COMMANDS


@pytest.mark.parametrize("args", [("--help",), *((name, "--help") for name in COMMANDS)])
def test_help_loads_nothing_heavy(args: tuple[str, ...]) -> None:
    code = (
        "import sys\n"
        "from tripplan.cli import main\n"
        "try:\n"
        f"    main({list(args)!r}, prog_name='tripplan')\n"
        "except SystemExit as end:\n"
        "    assert not end.code\n"
        f"print('LOADED', sorted(set({HEAVY!r}) & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("Usage: tripplan")
    assert done.stdout.splitlines()[-1] == "LOADED []"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself_with_an_example(name: str) -> None:
    done = run(name, "-h")
    assert done.exit_code == 0
    assert f"Example: tripplan {name}" in " ".join(done.output.split())
    for option in ("--today DATE", "--seed", "--time-limit SECONDS", "--json FILE", "--quiet"):
        assert option in done.output


def test_the_demo_says_what_it_takes_as_today_and_for_how_long_it_searches() -> None:
    from tripplan.pipeline import DEMO_TIME_LIMIT_S, DEMO_TODAY

    text = " ".join(run("demo", "--help").output.split())
    assert f"Day to take as today. [default: {DEMO_TODAY}, whatever the clock says]" in text
    assert f"Most time for the search. [default: {DEMO_TIME_LIMIT_S:g}]" in text
    assert "[default: the clock's date]" in " ".join(run("plan", "--help").output.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_of_the_help_is_right_usage(name: str) -> None:
    command = main.commands[name]
    assert command.epilog is not None
    words = command.epilog.removeprefix("Example: tripplan ").split()
    assert words[0] == name
    # Under its group, as always: a command keeps the help option of its first use, and would never know -h.
    parent = click.Context(main, info_name="tripplan", **main.context_settings)
    command.make_context(name, words[1:], parent=parent)


def test_version() -> None:
    assert run("--version").output == f"tripplan, version {tripplan.__version__}\n"


def test_python_dash_m_is_the_same_door() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tripplan", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout == f"tripplan, version {tripplan.__version__}\n"


@pytest.mark.parametrize(
    "args",
    [
        ("fly",),
        ("plan", "--fast"),
        ("plan", ".", "."),
        ("plan", "--today", "5.12.2026"),
        ("plan", "--today", "2026-02-30"),
        ("plan", "--today", "9999-12-31"),
        ("forecast", "--today", "0001-01-01"),
        ("plan", "--time-limit", "0"),
        ("plan", "--time-limit", "soon"),
        ("plan", "--seed", "-1"),
        ("forecast", "--weeks", "0"),
        ("trip", "--date", "next"),
        ("init",),
        ("init", "x", "--answer", "days"),
        ("init", "x", "--answer", "days=sat", "--answer", "days=sun"),
    ],
)
def test_wrong_usage_ends_with_2(args: tuple[str, ...]) -> None:
    done = run(*args)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert "Error: " in done.stderr
    assert "Traceback" not in done.output


def test_a_wrong_date_says_how_to_write_it() -> None:
    assert (
        "Invalid value for '--today': '5.12.2026' is not a date; write it as 2026-12-05."
        in run("plan", "--today", "5.12.2026").stderr
    )
    assert (
        "Invalid value for '--today': the year of 9999-12-31 must lie between 1980 and 2100."
        in run("plan", "--today", "9999-12-31").stderr
    )


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (
            NoPlanError("no day is long enough: 290 min against 265"),
            "no day is long enough: 290 min against 265\n",
        ),
        (StorageError("plan.json: the disk is full."), "plan.json: the disk is full.\n"),
        (
            RefusedError(["daylight: S1: too late"]),
            "the plan breaks its own rules:\ndaylight: S1: too late\n",
        ),
    ],
)
def test_what_goes_wrong_is_said_without_a_traceback(
    monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("tripplan.pipeline.run_plan", fail)
    done = run("plan", ".")
    assert done.exit_code == 1
    assert done.stderr == said
    assert done.stdout == ""


def test_a_bug_is_not_dressed_up(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ValueError("a caller's bug")

    monkeypatch.setattr("tripplan.pipeline.run_plan", fail)
    done = run("plan", ".")
    assert isinstance(done.exception, ValueError)


def test_json_is_never_written_over_a_file_of_another_kind(tmp_path: Path) -> None:
    sites, old = tmp_path / "sites.csv", tmp_path / "old.json"
    sites.write_text("site_id,lat,lon,pack_type\n", encoding="utf-8")
    old.write_text('\n {"format": "tripplan-check/1"}', encoding="utf-8")
    done = run("check", str(tmp_path), "--json", str(sites))
    assert done.exit_code == 1
    assert done.stderr == (
        f"{sites}: this file holds no JSON, so it is not written over. Name another file with --json.\n"
    )
    assert sites.read_text(encoding="utf-8") == "site_id,lat,lon,pack_type\n"
    assert run("check", str(tmp_path), "--json", str(old)).exit_code == 1
    assert json.loads(old.read_bytes())["faults"]


def test_ctrl_c_ends_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def press(*_: object, **__: object) -> None:
        os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr("tripplan.pipeline.run_forecast", press)
    done = run("forecast", ".")
    assert done.exit_code == 130
    assert done.stderr == "Stopped. Nothing is half written.\n"


def test_ctrl_c_inside_compiled_code_ends_with_130_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def press(*_: object, **__: object) -> None:
        raise SystemError("returned a result with an exception set") from KeyboardInterrupt()

    monkeypatch.setattr("tripplan.pipeline.run_forecast", press)
    assert run("forecast", ".").exit_code == 130


def test_ctrl_c_while_compiled_code_is_loaded_ends_with_130_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def press(*_: object, **__: object) -> None:
        with contextlib.suppress(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
        raise ImportError("initialization failed")

    monkeypatch.setattr("tripplan.pipeline.run_forecast", press)
    done = run("forecast", ".")
    assert done.exit_code == 130
    assert done.stderr == "Stopped. Nothing is half written.\n"


def test_ctrl_c_where_foreign_code_calls_back_is_sent_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is raised in a callback from C is thrown away there; a compiler calls back for seconds on end."""
    waited, rung = threading.Event(), list[int]()

    def press(*_: object, **__: object) -> None:
        @ctypes.CFUNCTYPE(None)
        def call_back() -> None:
            rung.append(1)
            os.kill(os.getpid(), signal.SIGINT)
            waited.wait(60)  # the handler runs here at the latest

        call_back()
        rung.append(2)
        waited.wait(60)
        rung.append(3)

    monkeypatch.setattr("tripplan.pipeline.run_forecast", press)
    done = run("forecast", ".")
    assert done.exit_code == 130
    assert done.stderr == "Stopped. Nothing is half written.\n"
    assert rung == [1, 2]


def test_other_errors_in_callbacks_are_shown_as_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    monkeypatch.setattr(sys, "unraisablehook", lambda what: seen.append(what.exc_type))

    def press(*_: object, **__: object) -> None:
        ctypes.CFUNCTYPE(None)(lambda: int("one"))()
        raise StorageError("enough")

    monkeypatch.setattr("tripplan.pipeline.run_forecast", press)
    assert run("forecast", ".").exit_code == 1
    assert seen == [ValueError]


@pytest.mark.parametrize("kind", [SystemError, ImportError])
def test_an_error_of_its_own_is_a_bug(monkeypatch: pytest.MonkeyPatch, kind: type[Exception]) -> None:
    def fail(*_: object, **__: object) -> None:
        raise kind("broken")

    monkeypatch.setattr("tripplan.pipeline.run_forecast", fail)
    assert isinstance(run("forecast", ".").exception, kind)


def test_a_command_added_to_the_group_is_documented_in_the_readme() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for name, command in main.commands.items():
        assert isinstance(command, click.Command)
        assert f"`tripplan {name}" in readme, f"README.md says nothing of tripplan {name}"


def test_init_writes_a_starter_set_once(tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    done = run("init", str(folder), "--json", "-")
    assert done.exit_code == 0
    assert json.loads(done.stdout)["files"] == [
        str(folder / name) for name in ("tripplan.toml", "sites.csv", "FIRST-STEPS.md")
    ]
    again = run("init", str(folder))
    assert again.exit_code == 1
    assert again.stderr == (
        f"{folder}: tripplan.toml, sites.csv, FIRST-STEPS.md stand there already, and nothing is overwritten. "
        "Take another folder, or move them away first.\n"
    )


@pytest.mark.parametrize(("given", "expected"), [({}, "1"), ({"OMP_NUM_THREADS": "3"}, "not set")])
def test_matrix_products_keep_to_one_thread_unless_the_user_settled_it(
    given: dict[str, str], expected: str
) -> None:
    code = (
        "import contextlib, os\n"
        "from tripplan.cli import main\n"
        "with contextlib.suppress(SystemExit):\n"
        "    main(['check', 'nowhere'])\n"
        "print(os.environ.get('OPENBLAS_NUM_THREADS', 'not set'))\n"
    )
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
    env = {name: value for name, value in os.environ.items() if name not in names} | given
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)
    assert done.stdout.splitlines()[-1:] == [expected], done.stderr
