"""The commands ``init`` and ``check``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tripplan.cli.printing import plain
from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, run_options
from tripplan.cli.season import print_remarks
from tripplan.cli.wording import count
from tripplan.errors import Fault, InputError

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.inputs.interview import Question

__all__ = ["check", "init"]


@click.command(
    epilog="Example: tripplan init myfleet --from cameras.xlsx",
    short_help="A commented starter set of files, or a fleet from your own spreadsheet.",
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--from",
    "sheet",
    type=click.Path(path_type=Path),
    default=None,
    metavar="SHEET",
    help="Your own spreadsheet (.csv, .xlsx) or a GPX file of waypoints.",
)
@click.option(
    "--answer",
    "answers",
    multiple=True,
    metavar="KEY=VALUE",
    help="Answer to a question, given beforehand; may be repeated.",
)
@run_options
def init(run: Run, folder: Path, sheet: Path | None, answers: tuple[str, ...]) -> None:
    """
    Start the folder of a fleet.

    Writes tripplan.toml and sites.csv with comments that say what to fill in. With --from your own
    spreadsheet or GPX file is read instead: at a terminal you are asked once which heading is which,
    where you live and which days you go; elsewhere give the answers with --answer. Files that stand
    there already are never overwritten.
    """
    from tripplan.inputs.sheet_import import HEADINGS_NAME, import_sheet
    from tripplan.inputs.starter import write_starter

    printer = run.printer
    given = _answers(answers)
    site_count = 0
    remarks: tuple[str, ...] = ()
    if sheet is None:
        paths = write_starter(folder, given)
    else:
        try:
            taken = import_sheet(folder, sheet, answers=given, ask=_ask if _can_ask() else None)
        except BaseException:
            if _can_ask() and (folder / HEADINGS_NAME).exists():
                kept = folder / HEADINGS_NAME
                printer.warn(f"Your answers so far are kept in {kept} and offered at the next try.")
            raise
        paths, site_count, remarks = taken.paths, taken.site_count, taken.remarks
    run.write_json(
        {
            "format": "tripplan-init/1",
            "folder": str(folder),
            "files": [str(path) for path in paths],
            "sites": site_count,
            "remarks": list(remarks),
        }
    )
    for text in remarks:
        printer.remark(f"Note: {text}")
    for path in paths:
        printer.say(f"Written: {path}")
    if sheet is None:
        printer.say(f"Next: fill in what the comments ask for, then run: tripplan check {folder}", "bold")
    else:
        printer.say(f"{count(site_count, 'site')} taken in. Next: tripplan plan {folder}", "bold")


def _answers(texts: Sequence[str]) -> dict[str, str]:
    given: dict[str, str] = {}
    for text in texts:
        key, equals, value = text.partition("=")
        if not equals or not key.strip():
            raise click.BadParameter(f"{text!r} has no key; write it as days=sat,sun.", param_hint="--answer")
        if key.strip() in given:
            raise click.BadParameter(f"{key.strip()} is answered twice.", param_hint="--answer")
        given[key.strip()] = value.strip()
    return given


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _ask(question: Question) -> str:
    text = plain(question.text) + (
        f" ({' / '.join(map(plain, question.choices))})" if question.choices else ""
    )
    answer: str = click.prompt(text, default=question.default, show_default=bool(question.default), err=True)
    return answer


@click.command(
    epilog="Example: tripplan check myfleet",
    short_help="Read everything and report every fault at once.",
)
@folder_argument
@run_options
def check(run: Run, folder: Path) -> None:
    """
    Read a fleet's files and report every fault at once.

    Each fault names file, row as a spreadsheet counts it, column, value and mend; the exit status is
    then 1. FOLDER is the fleet's folder; the current one where not given.
    """
    from tripplan.inputs import read_fleet

    printer = run.printer
    try:
        with reporting(printer) as reports:
            reports.stage("Reading the files")
            fleet = read_fleet(folder, run.today)
    except InputError as error:
        run.write_json(_check_json(folder, None, error.faults))
        for fault in error.faults:
            printer.say(str(fault))
        printer.say(f"{count(len(error.faults), 'fault')} in {folder}. Nothing was planned.", "bold red")
        click.get_current_context().exit(1)
    run.write_json(_check_json(folder, fleet, ()))
    print_remarks(printer, fleet)
    for line in _summary(fleet):
        printer.say(line)
    if fleet.remarks:
        printer.say(f"No fault found; read the {count(len(fleet.remarks), 'note')} all the same.", "bold")
    else:
        printer.say("No fault found.", "bold green")


def _summary(fleet: Fleet) -> list[str]:
    kinds = ", ".join(
        f"{kind.name} ({kind.volts:g} V, {kind.plug}, {kind.chemistry})" for kind in fleet.pack_types.values()
    )
    parkings = len({site.parking_key for site in fleet.sites})
    jobs = sum(len(jobs) for jobs in fleet.open_jobs.values())
    lines = [
        f"{fleet.name}, clock times of {fleet.timezone}",
        f"  {count(len(fleet.sites), 'site')} in use at {count(parkings, 'parking place')}",
        f"  {count(len(fleet.crews), 'crew')}: {', '.join(crew.name for crew in fleet.crews)}",
        f"  {count(len(fleet.pack_types), 'pack type')}: {kinds}",
        f"  on record: {count(len(fleet.visits), 'visit')}, {count(len(fleet.readings), 'reading')}",
        f"  {count(jobs, 'open job')}",
    ]
    beside = sum(
        site.walk_m is None and (site.park_lat, site.park_lon) == (site.lat, site.lon) for site in fleet.sites
    )
    if beside:
        lines.insert(
            2,
            f"  {beside} of them without park_lat, park_lon or walk_m: the vehicle is taken to stop beside "
            "them, and no walk is counted",
        )
    if fleet.packs is not None:
        lines.append(f"  {count(len(fleet.packs), 'pack')} in packs.csv")
    if fleet.set_aside:
        lines.append(f"  Set aside with in_use = no: {', '.join(fleet.set_aside)}")
    return lines


def _check_json(folder: Path, fleet: Fleet | None, faults: Sequence[Fault]) -> dict[str, Any]:
    return {
        "format": "tripplan-check/1",
        "folder": str(folder),
        "ok": not faults,
        "fleet": None
        if fleet is None
        else {
            "name": fleet.name,
            "timezone": fleet.timezone,
            "sites": len(fleet.sites),
            "set_aside": list(fleet.set_aside),
            "crews": [crew.name for crew in fleet.crews],
            "pack_types": list(fleet.pack_types),
            "packs": None if fleet.packs is None else len(fleet.packs),
            "visits": len(fleet.visits),
            "readings": len(fleet.readings),
            "open_jobs": sum(len(jobs) for jobs in fleet.open_jobs.values()),
        },
        "remarks": list(fleet.remarks) if fleet is not None else [],
        "faults": [
            {
                "file": fault.file,
                "rows": list(fault.rows),
                "column": fault.column,
                "values": list(fault.values),
                "problem": fault.problem,
                "mend": fault.mend,
                "text": str(fault),
            }
            for fault in faults
        ],
    }
