"""The commands ``forecast`` and ``plan``."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripplan.cli.open_trips import ask_about_trips, print_open_trips
from tripplan.cli.outlook_lines import (
    print_back_test,
    print_cold,
    print_moves,
    print_words,
    read_cold,
    read_earlier,
    read_last,
)
from tripplan.cli.printing import Printer
from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, read_date, run_options
from tripplan.cli.steering import print_difference, print_wishes, read_asked, steering_options
from tripplan.cli.wording import (
    clock,
    clock_up,
    count,
    day,
    duration,
    likely_text,
    packs_text,
    proof_line,
    stages_line,
    weekday,
)

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.forecast.outlook import Outlook, SiteForecast
    from tripplan.pipeline import ForecastResult, PlanResult
    from tripplan.plan.document import Plan, Unserved, Visit

__all__ = ["count_remarks", "forecast", "plan", "print_forecast", "print_plan", "print_remarks"]

_CHARGING_SHOWN = timedelta(days=14)


@click.command(
    epilog="Example: tripplan forecast myfleet --json forecast.json",
    short_help="When each pack goes flat, and the last day to swap it.",
)
@folder_argument
@click.option("--weeks", type=click.IntRange(1, 520), default=None, help="Weeks to look ahead.")
@click.option(
    "--picture",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write a page of pictures: each site's charge over the coming months.",
)
@click.option(
    "--keep",
    is_flag=True,
    help="Keep this forecast in FOLDER (forecast.json, forecast.html) for the next to be compared with.",
)
@click.option(
    "--since",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="An earlier forecast: say which dates moved, and why. [default: the one kept in FOLDER]",
)
@click.option("--cold", type=click.FloatRange(-60, 20), metavar="CELSIUS", help="A cold spell of this mean.")
@click.option("--from", "cold_from", type=read_date, metavar="DATE", help="Its first day. [default: today]")
@click.option("--days", "cold_days", type=click.IntRange(1, 90), default=7, help="Its days. [default: 7]")
@click.option("--back-test", is_flag=True, help="Test the forecast on the fleet's own past runs.")
@run_options
def forecast(
    run: Run,
    folder: Path,
    weeks: int | None,
    picture: Path | None,
    keep: bool,
    since: Path | None,
    cold: float | None,
    cold_from: date | None,
    cold_days: int,
    back_test: bool,
) -> None:
    """
    Forecast when each pack goes flat.

    Shows for every site, soonest first, the early, likely and late flat dates (5, 50 and 95 chances
    in 100 that the pack is flat by then), the swap-by date, the chance that the site is dark today
    and what the dates rest on; where a forecast was kept in FOLDER, also which dates moved since and
    why. FOLDER is the fleet's folder; the current one where not given.
    """
    from tripplan.forecast import outlook_to_json
    from tripplan.pipeline import keep_forecast, run_forecast

    spell = read_cold(cold, cold_from, cold_days, run.today)
    before = read_last(run.printer, folder, run.today) if since is None else read_earlier(since)
    ask_about_trips(run, folder)
    with reporting(run.printer) as reports:
        result = run_forecast(folder, today=run.today, weeks=weeks, reports=reports)
    document = outlook_to_json(result.outlook)
    if result.open_trips:
        document["open_trips"] = [trip.to_json() for trip in result.open_trips]
    run.write_json(document)
    count_remarks(run.printer, result.fleet)
    print_open_trips(run.printer, result.open_trips)
    print_forecast(run.printer, result)
    print_words(run.printer, result.fleet, result.outlook)
    if before is not None:
        print_moves(run.printer, before, result.outlook)
    if spell is not None:
        from tripplan.forecast.cold import forecast_cold

        print_cold(run.printer, result.fleet, spell, forecast_cold(result.fleet, run.today, spell))
    if back_test:
        from tripplan.forecast.backtest import back_test as test_on_own_past

        with reporting(run.printer) as reports:
            reports.stage("Testing the forecast on past runs")
            found = test_on_own_past(result.fleet, run.today)
        print_back_test(run.printer, found)
    if picture is not None or keep:
        for path in keep_forecast(folder, result, document if keep else None, picture):
            run.printer.say(f"Written: {path}")


@click.command(
    epilog="Example: tripplan plan myfleet --time-limit 60",
    short_help="The season's trips, as few as possible; writes plan.json.",
)
@folder_argument
@steering_options
@run_options
def plan(
    run: Run,
    folder: Path,
    go: tuple[str, ...],
    stay_home: tuple[str, ...],
    keep: tuple[str, ...],
    include: tuple[str, ...],
    forget: tuple[str, ...],
    afresh: bool,
) -> None:
    """
    Plan the season with as few trips as possible.

    Prints the swap-by dates, what was proved about the number of trips, the trips and what changed
    since the last plan; writes FOLDER/plan.json. What you ask for with --go, --stay-home, --keep and
    --include comes before all else and stays in FOLDER/wishes.csv until you take it back with --forget. Of
    plans with equally few trips the one that changes the last plan least is taken, unless --afresh is
    given. Ctrl-C ends the search early and keeps the best plan found. FOLDER is the fleet's folder; the
    current one where not given.
    """
    from tripplan.pipeline import CALENDAR_NAME, run_plan

    asked = read_asked(go, stay_home, keep, include, forget)
    ask_about_trips(run, folder)
    with reporting(run.printer) as reports:
        result = run_plan(
            folder,
            today=run.today,
            seed=1 if run.seed is None else run.seed,
            time_limit_s=run.time_limit_s,
            asked=asked,
            afresh=afresh,
            reports=reports,
        )
    run.write_json(result.document)
    count_remarks(run.printer, result.fleet)
    print_plan(run.printer, result)
    run.printer.say(f"Calendar of the season: {result.path.with_name(CALENDAR_NAME)}")
    run.printer.say(f"Written: {result.path}")


def print_remarks(printer: Printer, fleet: Fleet) -> None:
    """
    Print what the reader decided or found worth a word.

    Parameters
    ----------
    printer : Printer
        Prints on standard error.
    fleet : Fleet
        With its remarks.
    """
    for text in fleet.remarks:
        printer.remark(f"Note: {text}")


def count_remarks(printer: Printer, fleet: Fleet) -> None:
    """
    Say that the reader has remarks and who tells them, so that not every command tells them again.

    Parameters
    ----------
    printer : Printer
        Prints on standard error.
    fleet : Fleet
        With its remarks.
    """
    if fleet.remarks:
        printer.remark(
            f"Note: {count(len(fleet.remarks), 'remark')} on the files; 'tripplan check' shows them."
        )


def print_forecast(printer: Printer, result: ForecastResult) -> None:
    """
    Print the forecast of all sites, soonest swap-by date first.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    result : ForecastResult
        Fleet and outlook.
    """
    fleet, outlook = result.fleet, result.outlook
    printer.table(
        f"{fleet.name}: flat dates as of {weekday(outlook.on)}, accepted risk {outlook.risk:.0%}",
        ("Swap by", "Site", "Early>", "Likely", "Late>", "Dark>", "Charge>", "Rests on"),
        (
            (
                _swap_by_text(one, outlook, fleet),
                fleet.sites_by_id[one.site_id].label,
                "" if one.at_home else day(one.flat_early),
                likely_text(one),
                "" if one.at_home else _late_text(one, outlook),
                _chance(one.chance_dark_today),
                "" if one.charge_left is None else f"{one.charge_left:.0%}",
                str(one.basis),
            )
            for one in sorted(outlook.sites.values(), key=lambda one: (one.swap_by, one.flat_likely))
        ),
    )
    _print_set_aside(printer, fleet)


def _late_text(site: SiteForecast, outlook: Outlook) -> str:
    from tripplan.forecast.outlook import FAR_DAYS

    is_cut_short = (site.flat_late - outlook.on).days >= FAR_DAYS
    return f"after {day(site.flat_late)}" if is_cut_short else day(site.flat_late)


def _swap_by_text(site: SiteForecast, outlook: Outlook, fleet: Fleet) -> str:
    if site.at_home and site.swap_by != fleet.sites_by_id[site.site_id].active_from:
        return "not in service"
    text = weekday(site.swap_by) + (" (past)" if site.swap_by < outlook.on else "")
    if site.at_home:
        text += ": set out"
    if site.freezes_from is not None and site.freezes_from <= site.swap_by:
        text += f"; freezing sets the date: from {weekday(site.freezes_from)}"
    return text


def _chance(chance: float) -> str:
    return "" if chance == 0 else "<1%" if chance < 0.01 else ">99%" if chance > 0.99 else f"{chance:.0%}"


def print_plan(printer: Printer, result: PlanResult) -> None:
    """
    Print swap-by dates, proof line, trips, what is late, what to charge, and notes.

    Parameters
    ----------
    printer : Printer
        Prints on standard output.
    result : PlanResult
        A checked plan with what it rests on.
    """
    fleet, outlook, season = result.fleet, result.outlook, result.plan
    printer.table(
        f"{fleet.name}: swap-by dates from {weekday(season.first)} to {weekday(season.to)}",
        ("Swap by", "Site", "Flat: likely", "Rests on"),
        (
            (
                _swap_by_text(one, outlook, fleet),
                fleet.sites_by_id[one.site_id].label,
                likely_text(one),
                str(one.basis),
            )
            for one in sorted(outlook.sites.values(), key=lambda one: (one.swap_by, one.flat_likely))
            if one.swap_by < season.to
        ),
    )
    printer.say(proof_line(season, outlook) + ".", "bold")
    stages = stages_line(season)
    if stages:
        printer.say(stages)
    dark = season.expected_dark_days
    printer.say(
        f"Expected dark days of all sites in the season: {dark:.1f}. "
        f"Accepted risk at each swap-by date: {season.risk:.0%}."
    )
    print_wishes(printer, result)
    printer.say()
    _print_trips(printer, season)
    _print_reasons(printer, fleet, season)
    print_difference(printer, result)
    _print_unserved(printer, fleet, season)
    _print_charging(printer, season)
    for note in season.notes:
        printer.say(f"Note: {note}")


def _print_trips(printer: Printer, season: Plan) -> None:
    if not season.trips:
        return
    printer.table(
        "Trips",
        ("Trip", "Date", "Crew", "Leave>", "Back>", "Drive>", "Walk>", "Packs", "Sites in visiting order"),
        (
            (
                one.trip_id,
                weekday(one.date),
                one.crew,
                clock(one.leave),
                clock_up(one.back),
                duration(one.drive_minutes),
                duration(one.walk_minutes),
                packs_text(one.packs),
                ", ".join(visit.label for visit in one.visits),
            )
            for one in season.trips
        ),
    )


def _due_text(fleet: Fleet, visit: Visit) -> str:
    """Say what is to be done at a site, and by when."""
    end = fleet.sites_by_id[visit.site_id].active_to
    if visit.kind == "take in" and end is not None:
        return f"take in by {weekday(end + timedelta(days=fleet.plan.take_in_days))}"
    return f"{'set out' if visit.kind == 'set out' else 'swap'} by {weekday(visit.swap_by)}"


def _print_reasons(printer: Printer, fleet: Fleet, season: Plan) -> None:
    if not any(trip.moving for trip in season.trips):
        return
    printer.say("Why these dates, and what a week would cost while the other trips stay", "bold")
    for trip in season.trips:
        visits = {visit.site_id: visit for visit in trip.visits}
        first = [f"{site_id} ({_due_text(fleet, visits[site_id])})" for site_id in trip.set_by[:1]]
        more = f" and {len(trip.set_by) - 1} more" if len(trip.set_by) > 1 else ""
        printer.say(f"{trip.trip_id}: set by {', '.join(first)}{more}.")
        for text in trip.moving:
            printer.say(f"  {text}")
    printer.say()


def _late_word(fleet: Fleet, late: Unserved) -> str:
    """Say what was to be done by the date that was missed."""
    site = fleet.sites_by_id[late.site_id]
    if late.swap_by == site.active_from:
        return "set out"
    days = timedelta(days=fleet.plan.take_in_days)
    return "take in" if site.active_to and late.swap_by == site.active_to + days else "swap"


def _print_unserved(printer: Printer, fleet: Fleet, season: Plan) -> None:
    if not season.unserved:
        return
    days = count(season.late_days, "late day")
    printer.say(f"Late or never reached: {count(season.late_sites, 'site')}, {days} in all", "bold")
    before = {visit.site_id for trip in season.trips for visit in trip.visits}
    for late in season.unserved:
        label = fleet.sites_by_id[late.site_id].label
        never = "not visited again" if late.site_id in before else "not visited"
        visited = (
            f"{never} this season"
            if late.visited_on is None
            else f"first visited late on {weekday(late.visited_on)}"
        )
        shown = "shown to be impossible" if late.proved else "not found in the time given"
        printer.say(
            f"! {label}: {_late_word(fleet, late)} by {weekday(late.swap_by)}, {visited}, "
            f"{count(late.late_days, 'day')} late; in time: {shown}."
        )
        printer.say(f"  Why: {late.reason}")
        if late.smallest_change:
            printer.say(f"  Smallest change: {late.smallest_change}")
    if not all(late.proved for late in season.unserved):
        printer.say(
            "Not found in the time given does not mean impossible: a longer search (a larger --time-limit, "
            "or none) may serve those sites."
        )
    printer.say()


def _print_charging(printer: Printer, season: Plan) -> None:
    until = season.first + _CHARGING_SHOWN
    slots = sorted(season.charging, key=lambda slot: (slot.on, slot.charger))
    soon = [slot for slot in slots if slot.on.date() < until]
    printer.table(
        f"On the charger until {weekday(until)}",
        ("On", "Off", "Charger>", "Pack type", "Pack"),
        (
            (
                f"{weekday(slot.on)} {clock(slot.on)}",
                f"{weekday(slot.off)} {clock(slot.off)}",
                str(slot.charger),
                slot.pack_type,
                f"{slot.pack_id}, top up" if slot.top_up else slot.pack_id,
            )
            for slot in soon
        ),
    )
    if len(slots) > len(soon):
        later = count(len(slots) - len(soon), "charge")
        printer.say(f"{later} from then on, each with its hours in plan.json.")
        printer.say()


def _print_set_aside(printer: Printer, fleet: Fleet) -> None:
    if fleet.set_aside:
        printer.say(
            f"Set aside with in_use = no, neither forecast nor planned: {', '.join(fleet.set_aside)}."
        )
