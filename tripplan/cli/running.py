"""One run: the options that every command takes, and where its machine-readable result goes."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from tripplan.cli.printing import Printer
from tripplan.errors import StorageError

__all__ = ["Run", "folder_argument", "read_date", "run_options", "say_other_defaults"]

_Result = TypeVar("_Result")
_FIRST_YEAR, _LAST_YEAR = 1980, 2100  # as for dates in the files


def read_date(text: str) -> date:
    """
    Return a date typed on the command line.

    Parameters
    ----------
    text : str
        As ISO 8601 has it.

    Returns
    -------
    datetime.date
        That day.

    Raises
    ------
    click.BadParameter
        If it is no such date, or lies outside the years that the files of a fleet may name.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"{text!r} is not a date; write it as 2026-12-05.") from None
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise click.BadParameter(f"the year of {text} must lie between {_FIRST_YEAR} and {_LAST_YEAR}.")
    return day


@dataclass(frozen=True)
class Run:
    """
    What the common options say.

    Attributes
    ----------
    today_given : datetime.date or None
        None where the user gave no day.
    seed : int or None
        None where the user gave none.
    time_limit_s : float or None
        Time for the search. [s]
    json_file : str or None
        Where the machine-readable result goes; ``-`` is standard output.
    """

    today_given: date | None
    seed: int | None
    time_limit_s: float | None
    json_file: str | None
    printer: Printer

    @property
    def today(self) -> date:
        """The day given, else today by this machine's clock."""
        return datetime.now().astimezone().date() if self.today_given is None else self.today_given

    def write_json(self, data: Mapping[str, Any]) -> None:
        """
        Write the machine-readable result where it was asked for.

        Parameters
        ----------
        data : mapping
            JSON object.

        Raises
        ------
        StorageError
            If the file cannot be written.
        """
        from tripplan.storage import json_bytes, storage_error, write_files

        if self.json_file == "-":
            try:
                click.echo(json_bytes(data), nl=False)
            except BrokenPipeError:
                raise
            except OSError as error:
                raise storage_error("cannot be written", Path("standard output"), error) from error
        elif self.json_file is not None:
            write_files({Path(self.json_file): json_bytes(data)})


def _refuse_other_kinds(path: Path) -> None:
    """Refuse to write JSON over a file that holds something else: a table of the fleet, say."""
    try:
        with path.open("rb") as file:
            begin = file.read(256).removeprefix(b"\xef\xbb\xbf").lstrip()
    except OSError:  # not there yet, or whoever writes it will say why that cannot be
        return
    if begin[:1] not in (b"", b"{", b"["):
        raise StorageError(
            f"{path}: this file holds no JSON, so it is not written over. Name another file with --json."
        )


_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option(
        "--today",
        type=read_date,
        default=None,
        metavar="DATE",
        help="Day to take as today. [default: the clock's date]",
    ),
    click.option("--seed", type=click.IntRange(min=0), default=None, help="Seed of the search. [default: 1]"),
    click.option(
        "--time-limit",
        type=click.FloatRange(min=0, min_open=True),
        default=None,
        metavar="SECONDS",
        help="Most time for the search; compiling, on the first run, and the reasons come on top.",
    ),
    click.option(
        "--json",
        "json_file",
        type=click.Path(dir_okay=False, allow_dash=True),
        default=None,
        metavar="FILE",
        help="Write the machine-readable result; '-': only that, on standard output.",
    ),
    click.option("--quiet", is_flag=True, help="No progress and no remarks."),
)


def run_options(body: Callable[..., _Result]) -> Callable[..., _Result]:
    """Give a command the common options; its body takes them as one `Run`."""

    @functools.wraps(body)
    def command(
        today: date | None,
        seed: int | None,
        time_limit: float | None,
        json_file: str | None,
        quiet: bool,
        **others: Any,
    ) -> _Result:
        if json_file is not None and json_file != "-":
            _refuse_other_kinds(Path(json_file))
        printer = Printer(results=json_file != "-", quiet=quiet)
        return body(run=Run(today, seed, time_limit, json_file, printer), **others)

    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def say_other_defaults(command: click.Command, **help_texts: str) -> None:
    """
    Let a command explain common options of it that it takes in its own way.

    Parameters
    ----------
    command : click.Command
        The command.
    **help_texts : str
        Help by parameter name, in place of the usual one.
    """
    for parameter in command.params:
        if isinstance(parameter, click.Option) and parameter.name in help_texts:
            parameter.help = help_texts.pop(parameter.name)
    if help_texts:
        raise ValueError(f"{command.name} has no options {', '.join(help_texts)}")


folder_argument = click.argument(
    "folder", type=click.Path(file_okay=False, path_type=Path), default=Path(), metavar="[FOLDER]"
)
