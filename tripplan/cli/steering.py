"""The options by which a user steers a plan, and what changed since the last one."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from tripplan.cli.printing import Printer
from tripplan.cli.running import read_date
from tripplan.cli.wording import weekday

if TYPE_CHECKING:
    from tripplan.pipeline import Asked, PlanResult

__all__ = ["print_difference", "print_wishes", "read_asked", "steering_options"]

_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option("--go", multiple=True, metavar="DATE[:CREW]", help="Go on that date."),
    click.option(
        "--stay-home",
        multiple=True,
        metavar="DATE[/DATE][:CREW]",
        help="Do not go on that date, or in that span.",
    ),
    click.option(
        "--keep", multiple=True, metavar="TRIP_ID", help="Leave that trip of the last plan as it is."
    ),
    click.option("--include", multiple=True, metavar="SITE[:DATE]", help="Visit that site, due or not."),
    click.option(
        "--forget",
        multiple=True,
        metavar="DATE|SITE|TRIP_ID|all",
        help="Take back what was asked for about it in wishes.csv.",
    ),
    click.option(
        "--afresh", is_flag=True, help="Plan as if there were no last plan, instead of changing it least."
    ),
)


def steering_options(body: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that steer a plan."""
    for option in reversed(_OPTIONS):
        body = option(body)
    return body


def read_asked(
    go: tuple[str, ...],
    stay_home: tuple[str, ...],
    keep: tuple[str, ...],
    include: tuple[str, ...],
    forget: tuple[str, ...],
) -> Asked:
    """
    Read what was typed.

    Parameters
    ----------
    go, stay_home, keep, include, forget : tuple of str
        The options, as typed.

    Returns
    -------
    Asked
        Dates read; crews, sites and trips not yet looked up.

    Raises
    ------
    click.BadParameter
        If a date cannot be read.
    """
    from tripplan.pipeline import Asked

    spans = []
    for text in stay_home:
        when, crew = _split(text)
        first, _, last = when.partition("/")
        begin, end = read_date(first), read_date(last or first)
        if end < begin:
            raise click.BadParameter(f"{when!r} ends before it begins.")
        spans.append((begin, end, crew))
    return Asked(
        go=tuple((read_date(when), crew) for when, crew in map(_split, go)),
        stay_home=tuple(spans),
        keep=keep,
        include=tuple(_site_and_date(text) for text in include),
        forget=forget,
    )


def _split(text: str) -> tuple[str, str]:
    when, _, crew = text.partition(":")
    return when.strip(), crew.strip()


def _site_and_date(text: str) -> tuple[str, date | None]:
    """Split SITE:DATE at the last colon, where a date follows it; a site's own name may hold colons."""
    site, colon, when = text.rpartition(":")
    if colon and re.fullmatch(r"\s*\d[\d-]*\s*", when):
        return site.strip(), read_date(when.strip())
    return text.strip(), None


def print_wishes(printer: Printer, result: PlanResult) -> None:
    """
    Print what was asked for; the plan keeps all of it.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    result : PlanResult
        A checked plan.
    """
    for wish in result.plan.wishes:
        printer.say(f"As asked: {wish}.")


def print_difference(printer: Printer, result: PlanResult) -> None:
    """
    Print what changed since the last plan.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    result : PlanResult
        A plan with the one before it; nothing is printed where there was none.
    """
    if result.difference is None or result.last is None:
        return
    found = result.difference
    printer.say(f"{found.headline} of {weekday(result.last.made_on)}.", "bold")
    if found.is_empty:
        printer.say()
        return
    for trip in found.trips:
        printer.say(f"  {trip}")
    if found.sites:
        printer.say("Sites with other dates:")
        for site in found.sites:
            printer.say(f"  {site}")
    printer.say()
