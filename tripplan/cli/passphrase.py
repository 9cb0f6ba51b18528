"""
Where a passphrase comes from: a file, the environment, or typed unseen.

Never from the command line itself: other users of the machine can read the arguments of a running
program, and a shell keeps them in its history.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from tripplan.cli.printing import Printer
from tripplan.errors import SealError

__all__ = ["VARIABLE", "find_passphrase", "passphrase_options"]

VARIABLE = "TRIPPLAN_PASSPHRASE"
_Body = TypeVar("_Body", bound=Callable[..., Any])


def passphrase_options(body: _Body) -> _Body:
    """Give a command ``--passphrase`` and ``--passphrase-file``."""
    body = click.option(
        "--passphrase-file",
        type=click.Path(dir_okay=False, exists=True, path_type=Path),
        metavar="FILE",
        help="Lock with the passphrase on the first line of FILE.",
    )(body)
    return click.option(
        "--passphrase",
        "ask",
        is_flag=True,
        help=f"Lock with a passphrase: that of {VARIABLE} in the environment, else you are asked for it. "
        "Where that variable is set, everything that can be locked is, also without this option.",
    )(body)


def find_passphrase(printer: Printer, *, ask: bool, file: Path | None) -> str | None:
    """
    Return the passphrase to lock with, after a word on how strong it is.

    Parameters
    ----------
    printer : Printer
        Warns on standard error.
    ask : bool
        Whether ``--passphrase`` was given.
    file : pathlib.Path or None
        What ``--passphrase-file`` names.

    Returns
    -------
    str or None
        None where nothing is to be locked.

    Raises
    ------
    SealError
        If the passphrase is empty or cannot be typed on a phone, or the file holds more than it.
    click.UsageError
        If it is to be asked for and there is no terminal.
    """
    from tripplan.outputs.passphrases import suggest_passphrase, weigh_passphrase
    from tripplan.outputs.sealing import plain_passphrase

    text = _given(printer, ask=ask, file=file)
    if text is None:
        return None
    passphrase = plain_passphrase(text)
    strength = weigh_passphrase(passphrase)
    if strength.weak:
        printer.warn(
            f"The passphrase is weak: about {strength.guesses:.0e} guesses find it, and whoever has the file "
            f"can go on guessing. A better one, drawn just now: {suggest_passphrase()}"
        )
    return passphrase


def _given(printer: Printer, *, ask: bool, file: Path | None) -> str | None:
    if file is not None:
        return _from_file(printer, file)
    held = os.environ.get(VARIABLE)
    if held:
        if not ask:
            printer.remark(f"{VARIABLE} is set in the environment: what is written is locked with it.")
        return held
    if not ask:
        return None
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise click.UsageError(
            "--passphrase asks at a terminal, and there is none. "
            f"Set {VARIABLE} or give --passphrase-file FILE."
        )
    typed: str = click.prompt("Passphrase", hide_input=True, confirmation_prompt="Once more", err=True)
    return typed


def _from_file(printer: Printer, file: Path) -> str:
    try:
        text = file.read_text(encoding="utf-8-sig")
        mode = file.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        raise SealError(f"{file} cannot be read as a passphrase in UTF-8: {error}.") from error
    first, _, rest = text.partition("\n")
    if rest.strip():
        raise SealError(f"{file} holds more than one line. Leave the passphrase alone on the first.")
    if os.name == "posix" and mode & (stat.S_IRGRP | stat.S_IROTH):
        printer.warn(f"Other users of this machine can read {file}: chmod 600 makes it yours alone.")
    return first
