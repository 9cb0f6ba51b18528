"""The commands ``record`` and ``undo``."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from tripplan.cli.printing import Printer
from tripplan.cli.record_asking import can_ask, confirm, print_questions, resolve
from tripplan.cli.record_typed import Typed, typed_options, typed_told
from tripplan.cli.running import Run, folder_argument, run_options
from tripplan.cli.wording import count, weekday
from tripplan.errors import StorageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from tripplan.fleet import Fleet
    from tripplan.records.journal import Entry
    from tripplan.records.prepare import Prepared
    from tripplan.records.told import Told

__all__ = ["record", "record_trip", "undo"]

_CLIPBOARD = "-"


@click.command(
    epilog="Example: tripplan record myfleet --site C1 --done swapped --pack-in B10 --volts-out 11.9",
    short_help="Take in what came back from the field, or one visit or reading typed here.",
)
@click.argument(
    "places", nargs=-1, type=click.Path(path_type=Path, allow_dash=True), metavar="[FOLDER] [FILE]"
)
@click.option("--trip", "trip_id", metavar="ID", help="Walk through this planned trip, site by site.")
@click.option("--as-planned", is_flag=True, help="With --trip: every site was visited as planned.")
@click.option("--not-made", is_flag=True, help="With --trip: the trip was not made.")
@typed_options
@click.option(
    "--answer",
    "answers",
    multiple=True,
    metavar="KEY=VALUE",
    help="Answer to a question, as it is printed with it; may be repeated.",
)
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--dry-run", is_flag=True, help="Only say what would change.")
@run_options
def record(
    run: Run,
    places: tuple[Path, ...],
    trip_id: str | None,
    as_planned: bool,
    not_made: bool,
    typed: Typed,
    answers: tuple[str, ...],
    yes: bool,
    dry_run: bool,
) -> None:
    """
    Take what was found in the field into the records.

    FILE is a results file that the field kit saved (JSON or CSV) or a message with its short text; '-' reads
    it from standard input. Or one visit is typed with --site and its options, or a reading with --site and
    --volts, --percent or --temp. Or --trip walks through a planned trip, where Enter means as planned. What
    will change is shown first: rows of visits.csv, where packs are now, sites whose device is gone. What
    cannot be so is asked. The same results may be taken in twice; they change nothing the second time.
    """
    folder, file = _places(places)
    ways = [file is not None, typed.site is not None, trip_id is not None and file is None]
    if sum(ways) > 1:
        raise click.UsageError("Give one of FILE, --site and --trip.")
    if (as_planned or not_made) and trip_id is None:
        raise click.UsageError("--as-planned and --not-made go with --trip.")
    if as_planned and not_made:
        raise click.UsageError("--as-planned and --not-made exclude each other.")
    typed.refuse_without_site()
    if trip_id is not None and file is None:
        record_trip(
            run, folder, trip_id, answers, as_planned=as_planned, not_made=not_made, yes=yes, dry_run=dry_run
        )
    elif file is not None:
        _take_in(run, folder, _file_reader(file, trip_id), answers, yes=yes, dry_run=dry_run)
    elif typed.site is not None:
        _take_in(run, folder, lambda fleet: typed_told(typed, fleet, run), answers, yes=yes, dry_run=dry_run)
    else:
        _say_what_is_open(run, folder)


def _places(places: Sequence[Path]) -> tuple[Path, Path | None]:
    """Return folder and file; either may be left out."""
    if len(places) > 2:
        raise click.UsageError("Give at most a folder and a file.")
    if len(places) == 2:
        return places[0], places[1]
    if not places:
        return Path(), None
    only = places[0]
    return (only, None) if only.is_dir() else (Path(), only)


def _file_reader(file: Path, trip_id: str | None) -> Callable[[Fleet], Told]:
    from tripplan.records.results_file import read_told
    from tripplan.storage import read_bytes

    if str(file) == _CLIPBOARD:
        name, data = "standard input", sys.stdin.buffer.read()
    else:
        name, data = file.name, read_bytes(file)

    def make(fleet: Fleet) -> Told:
        told = read_told(name, data, fleet.zone)
        if trip_id is not None and told.trip_id not in {"", trip_id}:
            raise StorageError(
                f"{name}: these are the results of trip {told.trip_id}, not of {trip_id}. Leave out --trip."
            )
        return told

    return make


def record_trip(
    run: Run,
    folder: Path,
    trip_id: str,
    answers: Sequence[str] = (),
    *,
    as_planned: bool = False,
    not_made: bool = False,
    yes: bool = False,
    dry_run: bool = False,
) -> None:
    """
    Take in a planned trip, site by site, or that it was not made.

    Parameters
    ----------
    run : Run
        The run's options.
    folder : pathlib.Path
        The fleet's folder.
    trip_id : str
        A trip that stood in a plan.
    answers : sequence of str
        Answers given beforehand.
    as_planned, not_made : bool
        Every site was visited as planned; the trip was not made.
    yes, dry_run : bool
        Write without asking; write nothing.
    """
    from tripplan.cli.record_walk import planned_told, walk_told
    from tripplan.inputs import read_fleet
    from tripplan.records.commit import holding_records, note_not_made
    from tripplan.records.trips import RECORDED, find_trip

    fleet = read_fleet(folder, run.today)
    trip = find_trip(folder, trip_id)
    if trip is None:
        raise StorageError(
            f"There is no trip {trip_id} in {folder / 'plan.json'}, nor is one open. Record its visits with "
            "a results file or with --site."
        )
    printer = run.printer
    if not_made:
        if trip.answered == RECORDED:
            raise StorageError(
                f"Trip {trip_id} has been recorded already. tripplan undo takes that back if it is wrong."
            )
        printer.say(f"Trip {trip_id} ({weekday(trip.day)}, {trip.crew}): noted as not made.")
        if _may_write(run, _not_made_json(folder, trip_id, None), yes=yes, dry_run=dry_run):
            with holding_records(folder):
                entry = note_not_made(folder, trip, now=_now())
            run.write_json(_not_made_json(folder, trip_id, entry))
            _say_recorded(printer, entry)
        return
    if trip.day > run.today:
        raise StorageError(f"Trip {trip_id} is planned for {weekday(trip.day)}, which is still to come.")
    if as_planned:
        told = planned_told(trip, fleet)
    elif can_ask():
        told = walk_told(printer, trip, fleet)
    else:
        raise StorageError(
            "There is no terminal to ask at. Give --as-planned if every site was visited as planned, "
            "--not-made if the trip was not made, or a results file."
        )
    if not told.visits:
        printer.say(f"No site of trip {trip_id} was visited, as told: it is noted as not made.")
        record_trip(run, folder, trip_id, not_made=True, yes=yes, dry_run=dry_run)
        return
    _take_in(run, folder, lambda _: told, answers, yes=yes, dry_run=dry_run)


def _not_made_json(folder: Path, trip_id: str, entry: Entry | None) -> dict[str, object]:
    empty: list[object] = []
    names = (
        "visits",
        "readings",
        "packs",
        "sites",
        "jobs",
        "already",
        "left_out",
        "not_told",
        "questions",
        "by_hand",
    )
    return {
        "format": "tripplan-record/1",
        "folder": str(folder),
        "source": "command line",
        "trip_id": trip_id,
        "by": "",
        "recorded": entry is not None,
        "change": None if entry is None else entry.number,
        **dict.fromkeys(names, empty),
        "lines": [f"trip {trip_id} was not made"],
        "remarks": empty,
    }


def _take_in(
    run: Run,
    folder: Path,
    make_told: Callable[[Fleet], Told],
    answers: Sequence[str],
    *,
    yes: bool,
    dry_run: bool,
) -> None:
    from tripplan.records.commit import commit, holding_records
    from tripplan.records.document import record_document
    from tripplan.records.prepare import prepare
    from tripplan.records.questions import Answers

    printer, given = run.printer, list(answers)

    def work_out() -> Prepared:
        return prepare(folder, make_told, Answers(given), today=run.today)

    def stop(prepared: Prepared) -> NoReturn:
        run.write_json(record_document(prepared, None))
        click.get_current_context().exit(1)
        raise AssertionError

    if yes and not dry_run:  # nobody is asked, so the folder can be held all the while
        with holding_records(folder):
            prepared = work_out()
            if prepared.changes.questions:
                print_questions(printer, prepared)
                stop(prepared)
            _show(printer, prepared)
            entry = commit(prepared, now=_now()) if prepared.files else None
        run.write_json(record_document(prepared, entry))
        _say_recorded(printer, entry)
        return
    prepared = work_out()
    while prepared.changes.questions:
        if dry_run or not can_ask():
            print_questions(printer, prepared)
            stop(prepared)
        given += resolve(printer, prepared)
        prepared = work_out()
    _show(printer, prepared)
    if not prepared.files:
        run.write_json(record_document(prepared, None))
        _say_recorded(printer, None)
        return
    if not _may_write(run, record_document(prepared, None), yes=yes, dry_run=dry_run):
        return
    with holding_records(folder):
        again = work_out()
        if again.lines != prepared.lines or again.changes.questions:
            raise StorageError(
                "The files were changed while you were asked, so what was shown no longer holds. Nothing was "
                "changed. Record again and look at it anew."
            )
        entry = commit(again, now=_now())
    run.write_json(record_document(again, entry))
    _say_recorded(printer, entry)


def _may_write(run: Run, unwritten: Mapping[str, Any], *, yes: bool, dry_run: bool) -> bool:
    """Tell whether to write; ends the run with status 1 where nobody can be asked or the answer is no."""
    if yes and not dry_run:
        return True
    if not dry_run and can_ask() and confirm("Write this?"):
        return True
    run.write_json(unwritten)
    if dry_run:
        run.printer.say("Nothing was written (--dry-run).")
        return False
    asked = "" if can_ask() else ": there is no terminal to ask at. --yes writes it"
    run.printer.complain(f"Nothing was written{asked}.")
    click.get_current_context().exit(1)
    raise AssertionError


def _show(printer: Printer, prepared: Prepared) -> None:
    told, changes = prepared.told, prepared.changes
    title = told.source
    if told.visits:
        title += f": {count(len(told.visits), 'visit')}"
    title += f", trip {told.trip_id}" if told.trip_id not in told.source else ""
    title += f", told by {told.by}" if told.by else ""
    printer.say(title, "bold")
    for line in prepared.lines:
        printer.say(f"  {line}")
    for line in prepared.by_hand:
        printer.warn(f"By hand: {line}")
    if changes.already:
        printer.say(f"On file already, not written again: {'; '.join(changes.already)}.")
    if changes.left_out:
        printer.say(f"Left out: {', '.join(changes.left_out)}.")
    if changes.not_told:
        printer.say(f"Planned, but nothing was told of {', '.join(changes.not_told)}: not swapped there.")
    for text in changes.remarks:
        printer.remark(f"Note: {text}")


def _say_recorded(printer: Printer, entry: Entry | None) -> None:
    if entry is None:
        printer.say("Nothing is new: no file was changed.")
    else:
        printer.say(f"Recorded as change {entry.number}. tripplan undo takes it back.", "bold")


def _say_what_is_open(run: Run, folder: Path) -> None:
    from tripplan.inputs import read_fleet
    from tripplan.records.trips import open_trips

    trips = open_trips(folder, read_fleet(folder, run.today), run.today)
    for trip in trips:
        run.printer.say(
            f"Trip {trip.trip_id} ({weekday(trip.day)}, {trip.crew}) has no results: "
            f"{', '.join(trip.untold)}."
        )
    if trips:
        run.printer.say(f"tripplan record {folder} --trip {trips[0].trip_id} walks through it.")
    raise click.UsageError(
        "Give a results FILE, or --site with what was found, or --trip with a planned trip."
    )


@click.command(
    epilog="Example: tripplan undo myfleet",
    short_help="Take the last record back, or bring it again with --redo.",
)
@folder_argument
@click.option("--redo", is_flag=True, help="Bring the record that was taken back last again.")
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--dry-run", is_flag=True, help="Only say what would change.")
@run_options
def undo(run: Run, folder: Path, redo: bool, yes: bool, dry_run: bool) -> None:
    """
    Take the last record back.

    The files become again, byte for byte, what they were before it; that is refused where they were changed
    by hand since. Repeated, it takes back one record after the other. Nothing is ever taken out of the
    journal, so --redo brings a record again.
    """
    from tripplan.records.commit import holding_records, prepare_undo, write_undo
    from tripplan.records.document import undo_document

    printer = run.printer
    if not folder.is_dir():
        raise StorageError(f"{folder}: there is no such folder. Name the folder that holds tripplan.toml.")
    with holding_records(folder):
        undoing = prepare_undo(folder, redo=redo)
    if undoing is None:
        run.write_json(undo_document(None, str(folder), None, redo=redo))
        printer.say("There is nothing to bring again." if redo else "There is nothing to take back.")
        return
    printer.say(
        f"{'Bring again' if redo else 'Take back'} change {undoing.entry.number} of "
        f"{weekday(undoing.entry.at.date())}: {undoing.entry.what}",
        "bold",
    )
    for line in undoing.lines:
        printer.say(f"  {line}")
    unwritten = undo_document(undoing, str(folder), None, redo=redo)
    if not _may_write(run, unwritten, yes=yes, dry_run=dry_run):
        return
    with holding_records(folder):
        again = prepare_undo(folder, redo=redo)
        if again is None or again.entry.number != undoing.entry.number:
            raise StorageError("Another run has changed the records meanwhile. Nothing was changed.")
        entry = write_undo(again, now=_now())
    run.write_json(undo_document(again, str(folder), entry, redo=redo))
    printer.say(
        f"Done, as change {entry.number}. tripplan undo{'' if redo else ' --redo'} reverses it.", "bold"
    )


def _now() -> datetime:
    return datetime.now().astimezone()
