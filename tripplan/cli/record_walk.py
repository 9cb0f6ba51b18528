"""A planned trip told site by site: Enter means as planned."""

from __future__ import annotations

import re
from dataclasses import replace
from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

import click

from tripplan.cli.printing import Printer, plain
from tripplan.cli.wording import weekday
from tripplan.fleet import Cause, Done, Fleet, Found, VisitRecord

if TYPE_CHECKING:
    from tripplan.records.told import Told
    from tripplan.records.trips import PlannedTrip, PlannedVisit

__all__ = ["planned_told", "walk_told"]

_E = TypeVar("_E", bound=StrEnum)
_DONE = {"swap": Done.SWAPPED, "call": Done.LEFT, "set out": Done.INSTALLED, "take in": Done.REMOVED}
_FIGURE = re.compile(r"\d{1,2}(?:[.,]\d{1,3})?")


def planned_told(trip: PlannedTrip, fleet: Fleet) -> Told:
    """
    Return a trip on which everything went as planned.

    Parameters
    ----------
    trip : PlannedTrip
        The trip.
    fleet : Fleet
        For the packs now at its sites.

    Returns
    -------
    Told
        One visit for each of its sites.
    """
    from tripplan.records.told import Told

    visits = tuple(_as_planned(one, trip, fleet, number) for number, one in enumerate(trip.visits, 1))
    return Told(f"trip {trip.trip_id} as planned", visits, trip_id=trip.trip_id)


def walk_told(printer: Printer, trip: PlannedTrip, fleet: Fleet) -> Told:
    """
    Ask for each site of a trip what was found and done.

    Parameters
    ----------
    printer : Printer
        Prints on standard error.
    trip : PlannedTrip
        The trip.
    fleet : Fleet
        For names and the packs now at its sites.

    Returns
    -------
    Told
        The visits that were made.
    """
    from tripplan.records.told import Told

    printer.warn(f"Trip {trip.trip_id}, {weekday(trip.day)}, {trip.crew}: {len(trip.visits)} sites in order.")
    printer.warn(
        "Enter: as planned. A figure: as planned, and the pack that came out rested at so many volts. "
        "n: not visited. d: something was different. q: stop, nothing is recorded."
    )
    told = []
    for number, planned in enumerate(trip.visits, 1):
        visit = _as_planned(planned, trip, fleet, number)
        site = fleet.sites_by_id.get(planned.site_id)
        label = planned.site_id if site is None else site.label
        text = f"{number}. {plain(label)}: {plain(_plan_text(visit))}"
        while True:
            answer = click.prompt(text, default="", show_default=False, err=True).strip().casefold()
            if answer == "n":
                break
            if answer == "q":
                raise click.Abort
            if answer == "d":
                told.append(_different(visit))
                break
            if answer and _FIGURE.fullmatch(answer) and visit.done is Done.INSTALLED:
                printer.warn("No pack comes out where a device is set out; type d to tell its volts.")
                continue
            if answer and _FIGURE.fullmatch(answer):
                visit = replace(visit, volts_out=float(answer.replace(",", ".")))
                answer = ""
            if not answer:
                told.append(visit)
                break
            printer.warn("Type Enter, a figure of volts, n, d or q.")
    return Told(f"trip {trip.trip_id}", tuple(told), trip_id=trip.trip_id)


def _as_planned(planned: PlannedVisit, trip: PlannedTrip, fleet: Fleet, number: int) -> VisitRecord:
    place = fleet.in_place.get(planned.site_id)
    there = "" if place is None or place.pack is None else place.pack.pack_id
    done = _DONE[planned.kind]
    return VisitRecord(
        day=trip.day,
        site_id=planned.site_id,
        found=None if done is Done.INSTALLED else Found.RUNNING,
        done=done,
        pack_out=there if done in (Done.SWAPPED, Done.REMOVED) else "",
        pack_in=(planned.pack_in or "") if planned.swap else "",
        row=number,
    )


def _plan_text(visit: VisitRecord) -> str:
    if visit.done is Done.LEFT:
        return "call, no swap"
    what = {Done.INSTALLED: "set out", Done.REMOVED: "take in"}.get(visit.done or Done.SWAPPED, "swap")
    out = f", {visit.pack_out} out" if visit.pack_out else ""
    return f"{what}{out}" + (f", {visit.pack_in} in" if visit.pack_in else "")


def _different(visit: VisitRecord) -> VisitRecord:
    found = _word("found", Found, visit.found)
    cause = None if found in (Found.RUNNING, None) else _word("cause, if known", Cause, None)
    done = _word("done", Done, visit.done)
    return replace(
        visit,
        found=found,
        cause=cause,
        done=done,
        pack_out=_text("pack out", visit.pack_out),
        volts_out=_number("volts of the pack that came out"),
        pack_in=_text("pack in", visit.pack_in),
        volts_in=_number("volts of the pack that went in"),
        minutes=_number("minutes at the site"),
        notes=_text("notes", ""),
    )


def _word(what: str, kind: type[_E], default: _E | None) -> _E | None:
    words = ["", *map(str, kind)] if default is None else list(map(str, kind))
    text: str = click.prompt(
        f"  {what} ({', '.join(map(str, kind))})",
        type=click.Choice(words),
        default="" if default is None else str(default),
        show_default=default is not None,
        show_choices=False,
        err=True,
    )
    return kind(text) if text else None


def _text(what: str, default: str) -> str:
    from tripplan.outputs.plain_text import clean

    shown = f"  {what} (- for none)" if default else f"  {what}"
    text: str = click.prompt(shown, default=default, show_default=bool(default), err=True)
    return "" if text.strip() == "-" else clean(text)


def _number(what: str) -> float | None:
    while True:
        text: str = click.prompt(f"  {what}", default="", show_default=False, err=True).strip()
        if not text:
            return None
        try:
            return float(text.replace(",", "."))
        except ValueError:
            click.echo("  That is no number.", err=True)
