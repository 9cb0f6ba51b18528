"""Progress: silent for two seconds, then plain lines, or one moving line on a terminal."""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

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
    ready: bool = True
    step: str = "fewer trips"
    crew_seconds: int | None = None


class HandTimer:
    """A timer that goes off when the test says so."""

    all: ClassVar[list[HandTimer]] = []

    def __init__(self, seconds: float, act: Callable[[], None]) -> None:
        self.seconds, self.act = seconds, act
        self.running = False
        self.all.append(self)

    def start(self) -> None:
        self.running = True

    def cancel(self) -> None:
        self.running = False


@pytest.fixture
def timers(monkeypatch: pytest.MonkeyPatch) -> list[HandTimer]:
    monkeypatch.setattr(HandTimer, "all", [])
    monkeypatch.setattr(progress.threading, "Timer", HandTimer)
    return HandTimer.all


def until(holds: Callable[[], bool]) -> None:
    """Wait for what a thread of another library does in its own time; the test's own limit is the only one."""
    while not holds():
        time.sleep(0.01)


def test_what_is_quick_says_nothing(capsys: pytest.CaptureFixture[str], timers: list[HandTimer]) -> None:
    with reporting(Printer()) as reports:
        reports.stage("Reading the files")
        reports.season(Told(0.5, 3, 9))  # type: ignore[arg-type]
    assert list(capsys.readouterr()) == ["", ""]
    assert [(timer.seconds, timer.running) for timer in timers] == [(2.0, False)]


def test_a_step_is_named_once_it_takes_long(
    capsys: pytest.CaptureFixture[str], timers: list[HandTimer]
) -> None:
    with reporting(Printer()) as reports:
        reports.stage("Reading the files")
        reports.stage("Measuring the ways")
        reading, measuring = timers
        assert (reading.running, measuring.running) == (False, True)
        measuring.act()
        reports.stage("Planning the season")
    assert list(capsys.readouterr()) == ["", "Measuring the ways ...\n"]


def test_a_step_that_ends_just_as_it_is_about_to_be_named_is_not(
    capsys: pytest.CaptureFixture[str], timers: list[HandTimer]
) -> None:
    with reporting(Printer()) as reports:
        reports.stage("Reading the files")
        reports.stage("Measuring the ways")
        timers[0].act()  # it had gone off already, and waited for its turn
    timers[1].act()
    assert list(capsys.readouterr()) == ["", ""]


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


def test_a_first_run_says_what_it_waits_for(
    capsys: pytest.CaptureFixture[str], timers: list[HandTimer]
) -> None:
    with reporting(Printer()) as reports:
        reports.stage("Planning the season")
        reports.season(Told(0.0, 0, None, ready=False))  # type: ignore[arg-type]
        planning, ready = timers
        assert (planning.running, ready.running) == (False, True)
        ready.act()
        assert capsys.readouterr().err.startswith(
            "Getting ready to plan; only the first run on a computer takes"
        )


def test_a_later_run_is_ready_before_it_says_so(
    capsys: pytest.CaptureFixture[str], timers: list[HandTimer]
) -> None:
    with reporting(Printer()) as reports:
        reports.stage("Planning the season")
        reports.season(Told(0.0, 0, None, ready=False))  # type: ignore[arg-type]
        reports.season(Told(0.0, 0, None))  # type: ignore[arg-type]
        timers[-1].act()
    assert capsys.readouterr().err == "Planning the season ...\n"


def test_a_quiet_run_tells_nothing(capsys: pytest.CaptureFixture[str], timers: list[HandTimer]) -> None:
    with reporting(Printer(quiet=True)) as reports:
        reports.stage("Reading the files")
        reports.season(Told(60.0, 3, 9))  # type: ignore[arg-type]
    assert timers == []
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
        until(lambda: "best plan 1 trip, at least 3 needed" in terminal.getvalue())
        reports.stage("Checking the plan")
        until(lambda: "Checking the plan ..." in terminal.getvalue())
    shown = terminal.getvalue()
    assert "\x1b[?25h" in shown[-40:]  # the cursor is back


def test_season_text() -> None:
    assert season_text(Told(65.4, 5, 4, in_time=False)) == (  # type: ignore[arg-type]
        "Planning the season: best plan 4 trips with sites late or without a date to spare, a plan without such sites: "
        "at least 5 needed (65 s; Ctrl-C keeps the best plan so far)"
    )
    assert season_text(Told(65.4, 1, None)).startswith(  # type: ignore[arg-type]
        "Planning the season: no plan yet, at least 1 needed (65 s;"
    )
    saving = Told(20.0, 7, 7, step="less crew time", crew_seconds=44 * 3600 + 121)
    assert season_text(saving) == (  # type: ignore[arg-type]
        "Planning the season: 7 trips, no plan does it with fewer; saving crew time, 44 h 03 min now "
        "(20 s; Ctrl-C keeps the best plan so far)"
    )
    assert season_text(Told(30.0, 7, 8, step="reasons")) == (  # type: ignore[arg-type]
        "Planning the season: best plan 8 trips, at least 7 needed; working out what else is proved, and the reasons "
        "(30 s; Ctrl-C keeps the best plan so far)"
    )
    late = Told(30.0, 0, 2, in_time=False)
    assert season_text(late) == (  # type: ignore[arg-type]
        "Planning the season: best plan 2 trips with sites late or without a date to spare "
        "(30 s; Ctrl-C keeps the best plan so far)"
    )
    nothing = Told(3.0, 0, 0, in_time=False)
    assert season_text(nothing).startswith("Planning the season: no plan yet")  # type: ignore[arg-type]
