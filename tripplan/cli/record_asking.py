"""Questions of ``record``: printed with the answers they take, or asked at a terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from tripplan.cli.printing import Printer, plain
from tripplan.cli.wording import count

if TYPE_CHECKING:
    from tripplan.records.prepare import Prepared
    from tripplan.records.questions import Choice

__all__ = ["can_ask", "confirm", "print_questions", "resolve"]


def can_ask() -> bool:
    """Tell whether somebody sits at a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def confirm(text: str) -> bool:
    """Ask a question that yes or no answers; Enter means no."""
    return click.confirm(text, default=False, err=True)


def print_questions(printer: Printer, prepared: Prepared) -> None:
    """
    Print every open question with its choices.

    Parameters
    ----------
    printer : Printer
        Prints on standard error, so that nobody misses them.
    prepared : Prepared
        With open questions.
    """
    questions = prepared.changes.questions
    for question in questions:
        printer.complain(question.text)
        for choice in question.choices:
            printer.warn(f"  --answer {_quoted(choice)}: {choice.text}")
    printer.complain(f"{count(len(questions), 'question')}. Nothing was written.")


def _quoted(choice: Choice) -> str:
    text = f"{choice.key}={'...' if choice.value is None else choice.value}"
    return f'"{text}"' if " " in text else text


def resolve(printer: Printer, prepared: Prepared) -> list[str]:
    """
    Ask every open question at the terminal.

    Parameters
    ----------
    printer : Printer
        Prints the questions on standard error.
    prepared : Prepared
        With open questions.

    Returns
    -------
    list of str
        Answers, as ``--answer`` takes them.
    """
    found = []
    for question in prepared.changes.questions:
        printer.warn(question.text)
        for number, choice in enumerate(question.choices, 1):
            printer.warn(f"  {number}  {choice.text}")
        picked = click.prompt("Which", type=click.IntRange(1, len(question.choices)), err=True)
        choice = question.choices[picked - 1]
        value = choice.value
        if value is None:
            field = choice.key.partition(".")[2]
            value = click.prompt(plain(field), err=True)
        found.append(f"{choice.key}={value}")
    return found
