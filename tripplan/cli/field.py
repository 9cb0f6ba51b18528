"""The commands ``trip`` and ``demo``."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tripplan.cli.leeway_lines import print_leeway
from tripplan.cli.open_trips import ask_about_trips, print_open_trips
from tripplan.cli.passphrase import find_passphrase, passphrase_options
from tripplan.cli.printing import Printer
from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, read_date, run_options, say_other_defaults
from tripplan.cli.season import count_remarks, print_forecast, print_plan
from tripplan.cli.wording import clock, clock_up, day, duration, weekday

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.outputs.kit_model import KitView, LoadRow
    from tripplan.pipeline import TripResult
    from tripplan.plan.document import Loop, Stop, Trip, Visit
    from tripplan.plan.leeway import Leeway

__all__ = ["demo", "print_trip", "trip"]


@click.command(
    epilog="Example: tripplan trip myfleet --date 2026-12-05",
    short_help="The next trip in full: hours, loops, load list, map and checklist.",
)
@folder_argument
@click.option(
    "--date", "on", type=read_date, default=None, metavar="DATE", help="Date of the trip. [default: the next]"
)
@click.option("--crew", default=None, help="Whose trip, where several crews go on that date.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=None,
    help="Folder of the field kit. [default: FOLDER/maps/TRIP_ID]",
)
@click.option(
    "--for",
    "share_with",
    default="",
    metavar="NAME",
    help="A helper's kit: the places of their --sites only; the others by number.",
)
@click.option(
    "--sites",
    default="",
    metavar="LIST",
    help="Whose places the helper gets: site ids, stops (P2) or loops (P2.1), with commas.",
)
@click.option("--pdf", is_flag=True, help="The checklist as PDF too; needs the optional extra 'pdf'.")
@passphrase_options
@run_options
def trip(
    run: Run,
    folder: Path,
    on: date | None,
    crew: str | None,
    out: Path | None,
    share_with: str,
    sites: str,
    pdf: bool,
    ask: bool,
    passphrase_file: Path | None,
) -> None:
    """
    Show one trip hour by hour and write its field kit.

    The kit holds map.html (map, checklist and load list in one file that needs no signal),
    checklist.html (for printing), load.csv, trip.gpx, trip.ics and trip.geojson. The plan in
    FOLDER/plan.json is used if nothing it rests on has changed; else the season is planned anew.

    With a passphrase (--passphrase, --passphrase-file or TRIPPLAN_PASSPHRASE in the environment)
    map.html and checklist.html open only with it, and nothing else is written. It is never taken
    from the command line, which others on this machine can read.
    """
    from tripplan.pipeline import run_trip

    share_sites = [word for word in sites.split(",") if word.strip()]
    if bool(share_with.strip()) != bool(share_sites):
        raise click.UsageError("A helper's kit needs both --for NAME and --sites LIST.")
    passphrase = find_passphrase(run.printer, ask=ask, file=passphrase_file)
    if pdf and passphrase is not None:
        raise click.UsageError("A PDF cannot be locked: leave out --pdf, or make it without a passphrase.")
    ask_about_trips(run, folder)
    with reporting(run.printer) as reports:
        result = run_trip(
            folder,
            today=run.today,
            on=on,
            crew=crew,
            out=out,
            passphrase=passphrase,
            share_with=share_with.strip(),
            share_sites=share_sites,
            seed=run.seed,
            time_limit_s=run.time_limit_s,
            pdf=pdf,
            reports=reports,
        )
    run.write_json(_trip_json(result))
    count_remarks(run.printer, result.planned.fleet)
    print_open_trips(run.printer, result.planned.open_trips)
    print_trip(run.printer, result)


@click.command(
    epilog="Example: tripplan demo --out demo",
    short_help="The whole job on an invented fleet, from files to map and checklist.",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("tripplan-demo"),
    help="Folder to fill. [default: ./tripplan-demo]",
)
@run_options
def demo(run: Run, out: Path) -> None:
    """
    Do the whole job on the bundled demo fleet.

    Copies an invented fleet of cameras into DIR/fleet, reads it, forecasts, plans the season and
    writes the field kit of the next trip. The search may end at its time limit; 'tripplan plan
    DIR/fleet --today 2026-11-25' searches to its own end.
    """
    from tripplan.pipeline import DEMO_TIME_LIMIT_S, DEMO_TODAY, run_demo

    today = DEMO_TODAY if run.today_given is None else run.today_given
    with reporting(run.printer) as reports:
        result = run_demo(
            out,
            today=today,
            seed=1 if run.seed is None else run.seed,
            time_limit_s=DEMO_TIME_LIMIT_S if run.time_limit_s is None else run.time_limit_s,
            reports=reports,
        )
    run.write_json(_trip_json(result.trip))
    printer = run.printer
    count_remarks(printer, result.planned.fleet)
    print_forecast(printer, result.forecast)
    printer.say()
    print_plan(printer, result.planned)
    printer.say()
    print_trip(printer, result.trip)
    printer.say()
    printer.say("Where to look", "bold")
    for path, what in (
        (result.fleet_folder, "the fleet's files, invented; change them and plan again"),
        (result.forecast_path, "the forecast as JSON"),
        (result.planned.path, "the plan as JSON"),
        *((file, _KIT_WORDS.get(file.name, "")) for file in result.trip.files),
    ):
        printer.say(f"  {path}" + (f": {what}" if what else ""))
    maps = [file for file in result.trip.files if file.name == "map.html"]
    if maps:
        printer.say(f"Open first: {maps[0]}", "bold")


# In words of its own, since help loads nothing heavy; a test holds them against the pipeline's numbers.
say_other_defaults(
    demo,
    today="Day to take as today. [default: 2026-11-25, whatever the clock says]",
    time_limit="Most time for the search. [default: 45]",
)

_KIT_WORDS = {
    "map.html": "map, checklist and load list in one file, for the phone, no signal needed",
    "checklist.html": "for printing",
    "checklist.pdf": "for printing",
    "load.csv": "what to load",
    "trip.gpx": "for a GPS receiver",
    "trip.ics": "for the calendar",
    "trip.geojson": "for a map program",
}


def _trip_json(result: TripResult) -> dict[str, Any]:
    season = result.planned.plan
    whole = season.to_json()
    shown = result.trip
    return {
        "format": "tripplan-trip/1",
        "fleet": season.fleet,
        "today": result.today.isoformat(),
        "plan": {key: whole[key] for key in ("made_on", "from", "to", "status", "lower_bound", "trip_count")}
        | {"planned_anew": result.planned.anew, "because": result.planned.because},
        "trip": None
        if shown is None
        else next(one for one in whole["trips"] if one["trip_id"] == shown.trip_id),
        "also_on_this_date": [one.trip_id for one in result.also],
        "files": [str(file) for file in result.files],
        "locked": result.locked,
        "shared_with": result.shared_with,
        "open_trips": [one.to_json() for one in result.planned.open_trips],
        "leeway": None if result.leeway is None else _leeway_json(result.leeway),
    }


def _leeway_json(leeway: Leeway) -> dict[str, Any]:
    return {
        "stops": [
            {
                "lose_minutes": one.lose_minutes,
                "lose_with_reserve_minutes": one.lose_with_reserve_minutes,
                "turn_back": one.turn_back.isoformat(timespec="seconds"),
            }
            for one in leeway.stops
        ],
        "sites": [
            {
                "site_id": one.site_id,
                "waits_until": None if one.waits_until is None else one.waits_until.isoformat(),
            }
            for one in leeway.visits
        ],
        "skip": [
            {
                "site_id": one.site_id,
                "saved_minutes": one.saved_minutes,
                "waits_until": one.waits_until.isoformat(),
            }
            for one in leeway.skip
        ],
    }


def print_trip(printer: Printer, result: TripResult) -> None:
    """
    Print one trip hour by hour, its load, whom to ring and where its kit stands.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    result : TripResult
        The trip and its plan.
    """
    planned, shown = result.planned, result.trip
    if planned.because:
        printer.warn(f"Planned the season anew: {planned.because}.")
    if shown is None:
        printer.say(
            f"No trip is needed from {weekday(result.today)} to {weekday(planned.plan.to)}: nothing is due."
        )
        return
    fleet = planned.fleet
    minutes = (shown.back - shown.leave).total_seconds() / 60
    printer.say(f"Trip {shown.trip_id}: {weekday(shown.date)}, {shown.crew}", "bold")
    printer.say(
        f"Away {clock(shown.leave)} to {clock_up(shown.back)}: "
        f"drive and park {duration(shown.drive_minutes)} + walk {duration(shown.walk_minutes)} + "
        f"work {duration(shown.work_minutes)} + wait {duration(shown.wait_minutes)} = {duration(minutes)}; "
        f"{shown.drive_km:.0f} km."
    )
    for late in planned.plan.unserved:
        if late.visited_on == shown.date:
            printer.say(f"! {late.site_id} is visited late: swap by was {weekday(late.swap_by)}.")
    printer.say()
    printer.table("Hour by hour", ("Time", "What", "Where"), _hours(fleet, shown))
    if result.leeway is not None:
        print_leeway(printer, fleet, shown, result.leeway)
    if result.kit is not None:
        _print_kit(printer, result.kit)
    for one in result.also:
        printer.say(
            f"On the same date, {one.crew}: tripplan trip --date {one.date.isoformat()} "
            f'--crew "{one.crew}" writes that kit.'
        )
    if result.shared_with:
        printer.say(
            f"This kit is {result.shared_with}'s: it holds the places of their sites only. "
            "Base, hours and load list are the whole trip's."
        )
    if result.files:
        printer.say(f"Field kit in {result.files[0].parent}: {', '.join(file.name for file in result.files)}")
    if result.locked:
        print_locked(printer, "map.html", stand_in=result.stand_in)
        printer.say("Left out, since they cannot be locked: load.csv, trip.gpx, trip.ics, trip.geojson.")


def print_locked(printer: Printer, name: str, *, stand_in: bool) -> None:
    """
    Print what a passphrase protects and what not, and that opening was tried.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    name : str
        File to try.
    stand_in : bool
        Whether the pages carry a cipher for browsers that deny a file their own.
    """
    printer.say("Locked. What was written was opened again with the passphrase by another implementation.")
    printer.say(
        f"Try {name} on the phone before you leave, with the network off. Send the passphrase another way "
        "than the file. A weak passphrase is no lock; an opened page is open to whoever holds the phone; "
        "results that come back are not locked."
    )
    if not stand_in:
        printer.warn(
            "This installation lacks the stand-in cipher: some phones cannot open the file. "
            "Install npm and install tripplan again."
        )


def _print_kit(printer: Printer, kit: KitView) -> None:
    for contact in kit.contacts:
        printer.say(
            f"Ring by {weekday(contact.ring_by)}: {contact.text} (for {', '.join(contact.site_ids)})", "bold"
        )
    printer.table(
        "To load",
        ("Count>", "What", "", "For", "On the shelf"),
        ((str(row.count), row.text, row.detail, _for_text(row), _shelf_text(row)) for row in kit.load),
    )
    printer.say("Before you go", "bold")
    for line in (
        f"Agree on a call by {kit.call_by_text}, and what happens if it does not come.",
        *kit.cautions.every,
    ):
        printer.say(f"  - {line}")


def _for_text(row: LoadRow) -> str:
    return "spare" if row.kind == "spare" else " ".join(row.site_ids)


def _shelf_text(row: LoadRow) -> str:
    """Return the packs to take, or those to choose from where more would do."""
    return (" or " if len(row.pack_ids) > row.count else " ").join(row.pack_ids)


def _hours(fleet: Fleet, shown: Trip) -> list[tuple[str, str, str]]:
    rows = [(clock(shown.leave), f"Leave the base ({shown.crew})", "")]
    for number, stop in enumerate(shown.stops, 1):
        rows.append((clock(stop.arrive), f"Stop {number}: park", f"{stop.park_lat:.5f}, {stop.park_lon:.5f}"))
        for loop in stop.loops:
            rows += _loop_hours(fleet, stop, loop)
        rows.append((clock(stop.leave), "Drive on", ""))
    rows[-1] = (rows[-1][0], "Drive home", "")
    rows.append((clock_up(shown.back), "Back at the base", ""))
    return rows


def _loop_hours(fleet: Fleet, stop: Stop, loop: Loop) -> list[tuple[str, str, str]]:
    which = f"Loop {stop.loops.index(loop) + 1}" if len(stop.loops) > 1 else "On foot"
    carried = f", carrying {loop.carried_kg:.1f} kg" if loop.carried_kg else ""
    way = f"{loop.walk_m / 1000:.1f} km" if loop.walk_m >= 50 else "beside the vehicle"
    rows = [(clock(loop.leave), f"{which}: {way}{carried}", "")]
    rows.extend(
        (clock(visit.start), _work_text(visit), fleet.sites_by_id[visit.site_id].label)
        for visit in loop.visits
    )
    rows.append((clock(loop.back), "Back at the vehicle", ""))
    return rows


def _work_text(visit: Visit) -> str:
    named = f" (pack {visit.pack_in})" if visit.pack_in else ""
    what = {
        "swap": f"Swap {visit.pack_type}{named}",
        "set out": f"Set out the device with {visit.pack_type}{named}",
        "take in": f"Take the device in with its {visit.pack_type}",
    }.get(visit.kind, "Call, no swap")
    jobs = f"; {'; '.join(visit.jobs)}" if visit.jobs else ""
    due = {"swap": "; swap by ", "call": "; swap by ", "set out": "; to run from "}.get(visit.kind, "")
    due += day(visit.swap_by) if due else ""
    wait = f" (wait from {clock(visit.arrive)})" if visit.start > visit.arrive else ""
    return f"{what}{jobs}, until {clock(visit.finish)}{wait}{due}"
