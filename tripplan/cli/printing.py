"""Text to the terminal: results on standard output, all else on standard error."""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from collections.abc import Iterable, Sequence
from typing import TextIO

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

__all__ = ["Printer", "plain"]

_PIPE_WIDTH = 150

# Escape sequences of ECMA-48: control strings (OSC, DCS, ...) with their end, CSI, and two-byte ones.
_SEQUENCES = re.compile(
    "(?:\x1b[\\]PX^_]|[\x9d\x90\x98\x9e\x9f]).*?(?:\x07|\x1b\\\\|\x9c|$)"
    "|(?:\x1b\\[|\x9b)[0-?]*[ -/]*[@-~]"
    "|\x1b[ -/]*[0-~]?",
    re.DOTALL,
)
_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def plain(text: str) -> str:
    r"""
    Return text that a terminal can only show, never obey.

    Parameters
    ----------
    text : str
        User text, or a message that holds some.

    Returns
    -------
    str
        Without escape sequences, control characters and direction marks; line ends are kept.

    Examples
    --------
    >>> plain("gate\x1b[2J \x1b]0;title\x07code\u202e 12\x08")
    'gate code 12'
    """
    without = _SEQUENCES.sub("", text)
    return "".join(
        " " if mark == "\t" else mark
        for mark in without
        if mark in "\n\t" or (unicodedata.category(mark) not in ("Cc", "Cs") and mark not in _TURNING)
    )


class Printer:
    """
    The two consoles of one run.

    Parameters
    ----------
    results : bool, default True
        Whether results are printed; False where standard output carries JSON only.
    quiet : bool, default False
        Leave out progress and remarks.
    """

    def __init__(self, *, results: bool = True, quiet: bool = False) -> None:
        self.shows_results = results
        self.quiet = quiet
        self.out = _console(sys.stdout)
        self.err = _console(sys.stderr)

    def say(self, text: str = "", style: str = "") -> None:
        """Print one line of the result."""
        if self.shows_results:
            _print(self.out, text, style)

    def table(self, title: str, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
        """
        Print a table of the result, if it has rows; a heading that ends in ``>`` stands right.

        A column in which nothing stands is left out.

        Parameters
        ----------
        title : str
            Printed above; may be empty.
        headings : sequence of str
            One for each column.
        rows : iterable of sequences of str
            Cells, printed as they are.
        """
        cells = [[Text(plain(cell).replace("\n", " ")) for cell in row] for row in rows]
        if not self.shows_results or not cells:
            return
        if title:
            _print(self.out, title, "bold")
        table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="bold", show_edge=False)
        filled = [k for k in range(len(headings)) if any(row[k].plain.strip() for row in cells)]
        for heading in (headings[k] for k in filled):
            right = heading.endswith(">")
            table.add_column(
                Text(heading.removesuffix(">")),
                justify="right" if right else "left",
                overflow="fold",
                no_wrap=right,
            )
        for row in cells:
            table.add_row(*(row[k] for k in filled))
        self.out.print(table)
        self.say()

    def remark(self, text: str) -> None:
        """Print a remark on standard error, unless the run is quiet."""
        if not self.quiet:
            _print(self.err, text, "dim")

    def warn(self, text: str) -> None:
        """Print a warning on standard error."""
        _print(self.err, text, "yellow")

    def complain(self, text: str) -> None:
        """Print what went wrong on standard error."""
        _print(self.err, text, "bold red")


def _console(stream: TextIO) -> Console:
    terminal = stream.isatty()
    width = None if terminal or "COLUMNS" in os.environ else _PIPE_WIDTH
    return Console(
        file=stream,
        width=width,
        markup=False,
        emoji=False,
        highlight=False,
        force_terminal=terminal,
        legacy_windows=None if terminal else False,
    )


def _print(console: Console, text: str, style: str) -> None:
    console.print(Text(plain(text), style=style), soft_wrap=not console.is_terminal)
