"""Planned trips that lie behind untold: asked about at a terminal, named everywhere else."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripplan.cli.printing import Printer
from tripplan.cli.record import record_trip
from tripplan.cli.record_asking import can_ask
from tripplan.cli.running import Run
from tripplan.cli.wording import weekday
from tripplan.errors import TripPlanError

if TYPE_CHECKING:
    from tripplan.records.trips import PlannedTrip

__all__ = ["ask_about_trips", "print_open_trips"]


def ask_about_trips(run: Run, folder: Path) -> None:
    """
    Ask, at a terminal, what became of planned trips that lie behind.

    Parameters
    ----------
    run : Run
        A quiet run, and one whose result goes to a program, is not asked.
    folder : pathlib.Path
        The fleet's folder; faults in it are left to the command itself.
    """
    if run.printer.quiet or run.json_file == "-" or not can_ask():
        return
    from dataclasses import replace

    from tripplan.inputs import read_fleet
    from tripplan.records.trips import open_trips

    try:
        trips = open_trips(folder, read_fleet(folder, run.today), run.today)
    except TripPlanError:
        return
    for trip in trips:
        run.printer.warn(
            f"Trip {trip.trip_id} of {weekday(trip.day)} ({trip.crew}: {', '.join(trip.untold)}) has no "
            "results."
        )
        answer = click.prompt(
            "Was it made? (yes: tell now, no: it was not made, later)",
            type=click.Choice(("yes", "no", "later")),
            default="later",
            show_choices=False,
            err=True,
        )
        if answer != "later":
            # What the command itself was asked to write as JSON is not this.
            record_trip(replace(run, json_file=None), folder, trip.trip_id, not_made=answer == "no")


def print_open_trips(printer: Printer, trips: Sequence[PlannedTrip]) -> None:
    """
    Print a line for every planned trip that lies behind untold.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    trips : sequence of PlannedTrip
        Those trips.
    """
    for trip in trips:
        printer.say(f"! {trip.line}", "bold")
