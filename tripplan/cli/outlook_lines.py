"""What ``forecast`` prints beside its table: history, warnings, cold spells, the track record."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tripplan.cli.printing import Printer
from tripplan.cli.wording import day, weekday

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.forecast.backtest import BackTest
    from tripplan.forecast.cold import ColdEffect
    from tripplan.forecast.outlook import Outlook
    from tripplan.forecast.weather import ColdSpell

__all__ = [
    "print_back_test",
    "print_cold",
    "print_moves",
    "print_words",
    "read_cold",
    "read_earlier",
    "read_last",
]


def print_words(printer: Printer, fleet: Fleet, outlook: Outlook) -> None:
    """
    Print each site's last runs, what stands out, and the risk in people's terms.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    fleet : Fleet
        The fleet.
    outlook : Outlook
        Its forecast.
    """
    from tripplan.forecast.words import risk_text, runs_text, track_record

    any_runs = any(one.last_runs for one in outlook.sites.values())
    printer.table(
        "What the dates rest on"
        + ("; last runs beside what would have been said of the last one" if any_runs else ""),
        ("Site", "Rests on", "Last runs", "Own share>"),
        (
            (
                fleet.sites_by_id[one.site_id].label,
                one.because,
                runs_text(one.last_runs),
                f"{one.own_share:.0%}" if one.last_runs else "",
            )
            for one in outlook.sites.values()
        ),
    )
    if any_runs:
        printer.say(
            "Own share: how much of what is known comes from the site itself, the rest from the fleet."
        )
    for one in outlook.sites.values():
        for flag in one.flags:
            printer.say(f"{fleet.sites_by_id[one.site_id].label}: {flag}.")
    for note in outlook.notes:
        printer.say(f"{note[:1].upper()}{note[1:]}.")
    if outlook.sites:
        if risk := risk_text(outlook):
            printer.say(risk)
        printer.say(track_record(outlook))


def read_cold(temp_c: float | None, first: date | None, days: int, today: date) -> ColdSpell | None:
    """
    Return the cold spell that the command line names.

    Parameters
    ----------
    temp_c : float or None
        None where there is none. [deg C]
    first : datetime.date or None
        None: today.
    days : int
        How many.
    today : datetime.date
        Day of the forecast.

    Returns
    -------
    ColdSpell or None
        None where no temperature was given.

    Raises
    ------
    click.UsageError
        If a date stands there without a temperature, or lies in the past.
    """
    from tripplan.forecast.weather import ColdSpell

    if temp_c is None:
        if first is not None:
            raise click.UsageError("--from goes with --cold, for example: --cold -25 --from 2027-01-10")
        return None
    begin = today if first is None else first
    if begin < today:
        raise click.UsageError(f"--from {begin.isoformat()} lies in the past; a cold spell must lie ahead.")
    return ColdSpell(temp_c, begin, days)


def print_cold(printer: Printer, fleet: Fleet, spell: ColdSpell, effects: tuple[ColdEffect, ...]) -> None:
    """
    Print which sites a cold spell pulls forward, and which packs could freeze.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    fleet : Fleet
        The fleet.
    spell : ColdSpell
        The cold days.
    effects : tuple of ColdEffect
        Most days forward first.
    """
    said = f"{spell.temp_c:g} C for {spell.days} days from {weekday(spell.first)}"
    if not effects:
        printer.say(f"{said}: no site's swap-by date moves, and no pack could freeze.")
        return
    printer.table(
        f"{said}: these sites it touches",
        ("Site", "Swap by, usually", "In the cold", "Dark by its end>", "Could freeze from"),
        (
            (
                fleet.sites_by_id[one.site_id].label,
                day(one.usual_swap_by),
                day(one.swap_by),
                f"{one.chance_dark:.0%} (else {one.usual_chance_dark:.0%})",
                "" if one.freezes_from is None else day(one.freezes_from),
            )
            for one in effects
        ),
    )
    if any(one.freezes_from is not None for one in effects):
        printer.say("Never charge a frozen or swollen pack: warm it overnight first.")


def print_back_test(printer: Printer, found: BackTest) -> None:
    """
    Print how the forecast would have done on the fleet's own past.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    found : BackTest
        Of the fleet.
    """
    for line in found.lines():
        printer.say(line)


def read_earlier(path: Path) -> Mapping[str, Any]:
    """
    Return an earlier forecast that was written with ``--json``.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    mapping
        ``tripplan-forecast/1``.

    Raises
    ------
    click.BadParameter
        If it is none.
    StorageError
        If it cannot be read.
    """
    from tripplan.forecast.document import FORECAST_FORMAT
    from tripplan.storage import read_bytes

    problem = f"{path} is no forecast; give a file that 'tripplan forecast --json FILE' wrote."
    try:
        data = json.loads(read_bytes(path))
    except ValueError:
        raise click.BadParameter(problem) from None
    if not isinstance(data, dict) or data.get("format") != FORECAST_FORMAT:
        raise click.BadParameter(problem)
    try:
        date.fromisoformat(data["on"])
        for site in data["sites"]:
            date.fromisoformat(site["swap_by"])
            _ = (
                str(site["site_id"]),
                str(site["basis"]),
                [run["start"] for run in site.get("last_runs", ())],
            )
    except (KeyError, TypeError, ValueError, AttributeError):
        raise click.BadParameter(problem) from None
    return data


def read_last(printer: Printer, folder: Path, today: date) -> Mapping[str, Any] | None:
    """
    Return the last forecast that was kept in a folder.

    Parameters
    ----------
    printer : Printer
        Takes the remark where a file of that name is no forecast.
    folder : pathlib.Path
        The fleet's.
    today : datetime.date
        A forecast of a later day is no earlier one.

    Returns
    -------
    mapping or None
        None where there is none.
    """
    from tripplan.pipeline import FORECAST_NAME

    path = folder / FORECAST_NAME
    if not path.is_file():
        return None
    try:
        found = read_earlier(path)
    except click.BadParameter:
        printer.remark(f"Note: {path} is no forecast that can be read, so nothing is compared with it.")
        return None
    return found if date.fromisoformat(found["on"]) <= today else None


def print_moves(printer: Printer, before: Mapping[str, Any], outlook: Outlook) -> None:
    """
    Print which swap-by dates moved since an earlier forecast, and why.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    before : mapping
        The earlier forecast.
    outlook : Outlook
        The one of today.
    """
    from tripplan.forecast.words import why_moved

    lines = why_moved(before, outlook)
    since = day(date.fromisoformat(before["on"]))
    if not lines:
        printer.say(f"No swap-by date moved by three days or more since {since}.")
    for line in lines:
        printer.say(f"Since {since}, {line}.")
