"""The command ``packs``: the register, the packs of the season's trips, labels."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripplan.cli.open_trips import ask_about_trips, print_open_trips
from tripplan.cli.printing import Printer
from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, run_options
from tripplan.cli.season import count_remarks
from tripplan.cli.wording import count, weekday

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.pipeline import PacksResult
    from tripplan.supply.arrange import TripPacks
    from tripplan.supply.register import Register

__all__ = ["packs", "print_register"]


@click.command(
    epilog="Example: tripplan packs myfleet --labels labels.html",
    short_help="The pack register: where each pack is, how good, what to do; labels to print.",
)
@folder_argument
@click.option(
    "--labels",
    type=click.Path(dir_okay=False, path_type=Path),
    default=None,
    metavar="FILE",
    help="Write a page of labels to print.",
)
@click.option("--pack", "only", multiple=True, metavar="ID", help="Label only this pack; may be repeated.")
@click.option(
    "--trip", "trip_ids", multiple=True, metavar="ID", help="Name this trip's packs too; may be repeated."
)
@click.option("--season", is_flag=True, help="Name the packs of every trip of the plan too.")
@run_options
def packs(
    run: Run,
    folder: Path,
    labels: Path | None,
    only: tuple[str, ...],
    trip_ids: tuple[str, ...],
    season: bool,
) -> None:
    """
    Show every pack of packs.csv: cycles, place, health and how sure that is, and what to do with it.

    Health is the share of the rated capacity, from the pack's test or age and its own runs against the
    forecast. With --trip or --season, which pack goes to which site and why; packs that come back are used
    again once their charge is over. FOLDER is the fleet's folder; the current one where not given.
    """
    from tripplan.pipeline import run_packs
    from tripplan.supply.documents import packs_to_json

    if only and labels is None:
        raise click.UsageError("--pack chooses what to label; give --labels FILE as well.")
    ask_about_trips(run, folder)
    with reporting(run.printer) as reports:
        result = run_packs(
            folder,
            today=run.today,
            labels=labels,
            only=only,
            trip_ids=trip_ids,
            season=season,
            seed=run.seed,
            time_limit_s=run.time_limit_s,
            reports=reports,
        )
    written = None if labels is None else str(labels)
    run.write_json(packs_to_json(result.fleet, result.register, written, result.trips))
    count_remarks(run.printer, result.fleet)
    print_open_trips(run.printer, result.open_trips)
    print_register(run.printer, result.fleet, result.register)
    _print_trips(run.printer, result)
    if result.labels is not None:
        run.printer.say(f"Written: {result.labels} ({count(len(result.labelled), 'label')})")


def _print_trips(printer: Printer, result: PacksResult) -> None:
    """Print the packs of the trips asked for."""
    if result.planned is None:
        return
    if result.planned.because:
        printer.warn(f"Planned the season anew: {result.planned.because}.")
    for one in result.trips:
        printer.say()
        _print_chosen(printer, f"Trip {one.trip.trip_id}: {weekday(one.trip.date)}, {one.trip.crew}", one)
    if not result.trips and result.fleet.packs is not None:
        printer.say(f"No trip is needed until {weekday(result.planned.plan.to)}: no pack goes out.")


def _print_chosen(printer: Printer, title: str, packs_of_trip: TripPacks) -> None:
    printer.table(
        title,
        ("Site", "Pack", "Why"),
        ((one.site_id, one.pack_id, one.because) for one in packs_of_trip.assignments),
    )
    if packs_of_trip.unnamed:
        sites = ", ".join(packs_of_trip.unnamed)
        printer.say(f"! No fit pack is known by name to be charged in time for {sites}.")


def print_register(printer: Printer, fleet: Fleet, register: Register) -> None:
    """
    Print the pack register and what to test first.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    fleet : Fleet
        Whose packs they are.
    register : Register
        As built.
    """
    if fleet.packs is None:
        printer.say(
            "There is no packs.csv, so no pack has an identity: which is where, how old and how good cannot "
            "be said. One row a pack (pack_id, pack_type, bought, where, since, state) is enough to begin."
        )
        return
    printer.table(
        f"{fleet.name}: packs on {weekday(register.on)}",
        ("Pack", "Type", "Bought", "Where", "State", "Cycles>", "Tested>", "Health", "What to do"),
        (
            (
                record.pack.pack_id,
                record.pack.pack_type,
                "" if record.pack.bought is None else f"{record.pack.bought:%b %Y}",
                record.pack.where or "?",
                record.state,
                str(record.moves.cycles),
                "" if record.pack.tested_ah is None else f"{record.pack.tested_ah:g} Ah",
                f"{record.health:.0%} ({record.health_at(-1.645):.0%} to {record.health_at(1.645):.0%})",
                "; ".join(f"{one.todo}: {one.because}" for one in record.advice),
            )
            for record in register.records
        ),
    )
    printer.say(
        "Health: share of the rated capacity, likely value and the span that holds nine times in ten. "
        f"Your limit for retiring is {fleet.spares.retire_below:.0%}."
    )
    if register.to_test:
        printer.say(f"Test first: {', '.join(register.to_test[:8])}.", "bold")
