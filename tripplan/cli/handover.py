"""The commands ``handover`` and ``overview``."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tripplan.cli.field import print_locked
from tripplan.cli.passphrase import VARIABLE, find_passphrase, passphrase_options
from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, read_date, run_options
from tripplan.cli.season import count_remarks
from tripplan.cli.wording import count, weekday

if TYPE_CHECKING:
    from tripplan.pipeline import HandoverResult

__all__ = ["handover", "overview"]


def _page_name(context: click.Context, parameter: click.Parameter, file: Path | None) -> Path | None:
    """Refuse a name that would write a page over one of the fleet's own files."""
    del context, parameter
    if file is not None and file.suffix.lower() not in {".html", ".htm"}:
        raise click.BadParameter(f"{str(file)!r} is no name of a page; let it end in .html.")
    return file


@click.command(
    epilog="Example: tripplan handover myfleet --from 2027-01-04 --to 2027-01-24 --passphrase",
    short_help="The whole fleet as one locked page, or what happens while you are away.",
)
@folder_argument
@click.option("--from", "first", type=read_date, metavar="DATE", help="First day away.")
@click.option("--to", "last", type=read_date, metavar="DATE", help="Last day away.")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_page_name,
    metavar="FILE",
    help="The page. [default: FOLDER/maps/handover-...html]",
)
@click.option("--plain", is_flag=True, help="Write the whole fleet without a lock all the same.")
@passphrase_options
@run_options
def handover(
    run: Run,
    folder: Path,
    first: date | None,
    last: date | None,
    out: Path | None,
    plain: bool,
    ask: bool,
    passphrase_file: Path | None,
) -> None:
    """
    Hand the fleet over as one page, for good or for some weeks.

    Without dates the page holds the whole fleet: trips ahead, charging evenings, every site and how
    to find it, open jobs, packs, chargers, access and contacts, crews. It is then written only under a
    passphrase, or with --plain, which leaves out what is marked private. With --from and --to
    it holds the trips and charging evenings of that time and nothing else. The notes of a
    site stay at home either way. FOLDER is the fleet's folder; the current one where not given.
    """
    from tripplan.pipeline import run_handover

    passphrase = find_passphrase(run.printer, ask=ask, file=passphrase_file)
    if plain and passphrase is not None:
        raise click.UsageError(
            f"--plain and a passphrase exclude each other; {VARIABLE} in the environment is one."
        )
    with reporting(run.printer) as reports:
        result = run_handover(
            folder,
            today=run.today,
            first=first,
            last=last,
            out=out,
            passphrase=passphrase,
            plain=plain,
            seed=run.seed,
            time_limit_s=run.time_limit_s,
            reports=reports,
        )
    run.write_json(_handover_json(result))
    printer = run.printer
    count_remarks(printer, result.planned.fleet)
    if result.planned.because:
        printer.warn(f"Planned the season anew: {result.planned.because}.")
    shown = result.handover
    what = f"{count(len(shown.kits), 'trip')} and {count(len(shown.evenings), 'charging evening')}"
    if result.whole:
        what += f", {count(len(shown.sites), 'site')}, {count(len(shown.packs), 'pack')}"
    printer.say(f"Handed over: {what}, {weekday(result.first)} to {weekday(result.last)}.")
    printer.say(f"Written: {result.file}")
    if result.locked:
        print_locked(printer, result.file.name, stand_in=result.stand_in)
    elif result.whole:
        printer.warn("Not locked: whoever finds this file knows where every device stands.")


def _handover_json(result: HandoverResult) -> dict[str, Any]:
    shown = result.handover
    return {
        "format": "tripplan-handover/1",
        "fleet": result.planned.fleet.name,
        "today": result.today.isoformat(),
        "from": result.first.isoformat(),
        "to": result.last.isoformat(),
        "whole": result.whole,
        "locked": result.locked,
        "file": str(result.file),
        "trips": [kit.trip_id for kit in shown.kits],
        "charging_evenings": len(shown.evenings),
        "sites": [site.site_id for site in shown.sites],
        "planned_anew": result.planned.anew,
        "because": result.planned.because,
    }


@click.command(
    epilog="Example: tripplan overview myfleet",
    short_help="The season as one page: charge, swap-by dates, trips, what changed.",
)
@folder_argument
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_page_name,
    metavar="FILE",
    help="The page. [default: FOLDER/maps/season.html]",
)
@run_options
def overview(run: Run, folder: Path, out: Path | None) -> None:
    """
    Write the season as one page for its planner.

    Every site with the charge that is left, its swap-by date and the visits planned, the season's
    trips, and what changed since the last plan. It needs no scripts and no signal and names no
    place. The plan in FOLDER/plan.json is used if nothing it rests on has changed. FOLDER is the
    fleet's folder; the current one where not given.
    """
    from tripplan.pipeline import run_overview

    with reporting(run.printer) as reports:
        result = run_overview(
            folder,
            today=run.today,
            out=out,
            seed=run.seed,
            time_limit_s=run.time_limit_s,
            reports=reports,
        )
    season, planned = result.season, result.planned
    run.write_json(
        {
            "format": "tripplan-overview/1",
            "fleet": planned.fleet.name,
            "today": result.today.isoformat(),
            "from": planned.plan.first.isoformat(),
            "to": planned.plan.to.isoformat(),
            "file": str(result.file),
            "trips": [trip.trip_id for trip in season.trips],
            "swap_by_past": [site.site_id for site in season.sites if site.state == "past"],
            "changes": len(season.changes),
            "planned_anew": planned.anew,
            "because": planned.because,
        }
    )
    count_remarks(run.printer, planned.fleet)
    if planned.because:
        run.printer.warn(f"Planned the season anew: {planned.because}.")
    past = sum(site.state == "past" for site in season.sites)
    run.printer.say(
        f"{count(len(season.sites), 'site')}, {count(len(season.trips), 'trip')} ahead"
        + (f"; the swap-by date of {count(past, 'site')} is past." if past else ".")
    )
    run.printer.say(f"Written: {result.file}")
