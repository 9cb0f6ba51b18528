"""Progress: silent for two seconds, then plain lines, or one moving line on a terminal."""

from __future__ import annotations

import io
import sys
import time
from dataclasses import dataclass

import pytest

from tripplan.cli import progress
from tripplan.cli.printing import Printer
from tripplan.cli.progress import reporting, season_text


@dataclass(frozen=True)
class Told:
    """As `tripplan.plan.Progress`, which would load the solvers."""

    elapsed_s: float
    lower_bound: int
    trip_count: int | None
    in_time: bool = True


def test_what_is_quick_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with reporting(Printer()) as reports:
        reports.stage("Reading the files")
        reports.season(Told(0.5, 3, 9))  # type: ignore[arg-type]
    assert list(capsys.readouterr()) == ["", ""]


def test_a_step_is_named_once_it_takes_long(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(progress, "_SILENT_S", 0.05)
    with reporting(Printer()) as reports:
        reports.stage("Reading the files")
        reports.stage("Measuring the ways")
        time.sleep(0.3)
        reports.stage("Planning the season")
    assert list(capsys.readouterr()) == ["", "Measuring the ways ...\n"]


def test_the_season_is_told_when_it_changes_and_else_every_ten_seconds(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    with reporting(Printer()) as reports:
        for elapsed, bound, trips in (
            (1.0, 2, None),
            (2.0, 3, None),
            (3.0, 3, None),
            (4.0, 3, 9),
            (5.0, 3, 9),
            (15.0, 3, 9),
        ):
            now[0] = 100.0 + elapsed
            reports.season(Told(elapsed, bound, trips))  # type: ignore[arg-type]
    keeps = "Ctrl-C keeps the best plan so far) ..."
    assert capsys.readouterr().err.splitlines() == [
        f"Planning the season: no plan yet, at least 3 needed (2 s; {keeps}",
        f"Planning the season: best plan 9 trips, at least 3 needed (4 s; {keeps}",
        f"Planning the season: best plan 9 trips, at least 3 needed (15 s; {keeps}",
    ]


def test_a_quiet_run_tells_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(progress, "_SILENT_S", 0.0)
    with reporting(Printer(quiet=True)) as reports:
        reports.stage("Reading the files")
        reports.season(Told(60.0, 3, 9))  # type: ignore[arg-type]
        time.sleep(0.05)
    assert list(capsys.readouterr()) == ["", ""]


def test_a_terminal_gets_one_moving_line(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setattr(progress, "_SILENT_S", 0.0)
    with reporting(Printer()) as reports:
        reports.season(Told(3.0, 3, 1))  # type: ignore[arg-type]
        time.sleep(0.2)
        reports.stage("Checking the plan")
        time.sleep(0.2)
    shown = terminal.getvalue()
    assert "best plan 1 trip, at least 3 needed" in shown
    assert "Checking the plan ..." in shown
    assert "\x1b[?25h" in shown[-40:]  # the cursor is back


def test_season_text() -> None:
    assert season_text(Told(65.4, 5, 4, in_time=False)) == (  # type: ignore[arg-type]
        "Planning the season: best plan 4 trips, not yet all in time with dates to spare, for that at least "
        "5 needed (65 s; Ctrl-C keeps the best plan so far)"
    )
    assert season_text(Told(65.4, 1, None)).startswith(  # type: ignore[arg-type]
        "Planning the season: no plan yet, at least 1 needed (65 s;"
    )
