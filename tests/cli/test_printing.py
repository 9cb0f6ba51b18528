"""What users typed into their files can be shown by a terminal, but not obeyed."""

from __future__ import annotations

import io
import sys
from typing import Any

import pytest

from tripplan.cli.printing import Printer, plain


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("\x1b[31mred\x1b[0m", "red"),
        ("\x1b]0;new title\x07after", "after"),
        ("\x1b]8;;http://example.org\x1b\\link\x1b]8;;\x1b\\", "link"),
        ("\x1bPq#0;2;0;0;0\x1b\\sixel", "sixel"),
        ("\x1b]0;never closed", ""),
        ("\x9b2Jc1", "c1"),
        ("bell\x07 back\x08 del\x7f", "bell back del"),
        ("over\rwritten", "overwritten"),
        ("two\nlines\tand a tab", "two\nlines and a tab"),
        ("\u202eright to left\u202c \u2066x\u2069", "right to left x"),
        ("\x1bc reset", " reset"),
        ("half\ud800", "half"),
        ("[bold]not markup[/bold] :smile:", "[bold]not markup[/bold] :smile:"),
        ("Sørøya – 57°", "Sørøya – 57°"),
    ],
)
def test_plain(text: str, shown: str) -> None:
    assert plain(text) == shown


@pytest.fixture(autouse=True)
def _width(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)


def test_results_and_the_rest_go_to_their_own_streams(capsys: pytest.CaptureFixture[str]) -> None:
    printer = Printer()
    printer.say("result", "bold")
    printer.table("Title", ("Site", "Days>"), [("S1 [red]x[/red]\x1b[2J\n=cmd()", "7")])
    printer.remark("remark")
    printer.warn("warning")
    printer.complain("fault")
    out, err = capsys.readouterr()
    assert err == "remark\nwarning\nfault\n"
    assert "\x1b" not in out
    lines = out.splitlines()
    assert lines[:2] == ["result", "Title"]
    assert lines[2].split() == ["Site", "Days"]
    assert lines[4].rstrip() == "S1 [red]x[/red] =cmd()      7"


def test_long_lines_are_not_broken_where_another_program_reads(capsys: pytest.CaptureFixture[str]) -> None:
    Printer().say("word " * 100)
    assert capsys.readouterr().out.count("\n") == 1


def test_no_result_where_standard_output_carries_json(capsys: pytest.CaptureFixture[str]) -> None:
    printer = Printer(results=False)
    printer.say("result")
    printer.table("Title", ("Site",), [("S1",)])
    printer.warn("warning")
    assert list(capsys.readouterr()) == ["", "warning\n"]


def test_a_quiet_run_still_warns(capsys: pytest.CaptureFixture[str]) -> None:
    printer = Printer(quiet=True)
    printer.remark("remark")
    printer.warn("warning")
    printer.say("result")
    assert list(capsys.readouterr()) == ["result\n", "warning\n"]


def test_a_terminal_gets_colours(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    Printer().complain("fault")
    assert terminal.getvalue() == "\x1b[1;31mfault\x1b[0m\n"


def test_a_column_in_which_nothing_stands_is_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    Printer().table("", ("Site", "Last runs", "Days>"), [("S1", "", "7"), ("S2", " ", "8")])
    shown = capsys.readouterr().out
    assert "Last runs" not in shown
    assert [line.split() for line in shown.splitlines() if line.startswith("S")] == [
        ["Site", "Days"],
        ["S1", "7"],
        ["S2", "8"],
    ]


def test_a_fleet_without_history_shows_no_columns_of_runs(door: Any, example: Any) -> None:
    shown = door("forecast", example("first-weekend")).stdout
    assert "What the dates rest on\n" in shown
    assert "Last runs" not in shown
    assert "Own share" not in shown
    assert "Charge" not in shown
