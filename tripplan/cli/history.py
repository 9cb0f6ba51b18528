"""The command ``history``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tripplan.cli.progress import reporting
from tripplan.cli.running import Run, folder_argument, run_options
from tripplan.cli.season import count_remarks
from tripplan.cli.wording import count, day

if TYPE_CHECKING:
    from datetime import date

    from tripplan.fleet import Fleet
    from tripplan.inputs.stays import Stay

__all__ = ["history"]

_RUNS_SHOWN = 5


@click.command(
    epilog="Example: tripplan history myfleet --out history.html",
    short_help="What has been: runs and voltages of every site and pack, as a page.",
)
@folder_argument
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=None,
    metavar="FILE",
    help="The page. [default: FOLDER/history.html]",
)
@run_options
def history(run: Run, folder: Path, out: Path | None) -> None:
    """
    Show the runs and voltages on record.

    Writes a page with one picture for each site and each pack, which needs no script and no signal and
    prints well, and prints each site's last runs. It names all sites of the fleet, so keep it at home. FOLDER
    is the fleet's folder; the current one where not given.
    """
    from tripplan.inputs import read_fleet
    from tripplan.inputs.stays import read_stays, stays_by_pack
    from tripplan.outputs.history_page import render_history_page
    from tripplan.storage import write_files

    with reporting(run.printer) as reports:
        reports.stage("Reading the files")
        fleet = read_fleet(folder, run.today)
        reports.stage("Drawing the history")
        stays = read_stays(fleet)
        path = folder / "history.html" if out is None else out
        write_files({path: render_history_page(fleet, run.today).encode()})
    run.write_json(_history_json(fleet, run.today, stays, stays_by_pack(stays), path))
    count_remarks(run.printer, fleet)
    run.printer.table(
        f"{fleet.name}: the last runs",
        ("Site", "Runs>", "In place", "Since", "Days>", f"Days of the last {_RUNS_SHOWN} runs", "Last end"),
        (_row(fleet, site_id, own, run.today) for site_id, own in stays.items()),
    )
    run.printer.say(
        f"{count(len(fleet.visits), 'visit')} and {count(len(fleet.readings), 'reading')} on record. "
        f"Written: {path}"
    )


def _row(fleet: Fleet, site_id: str, stays: Sequence[Stay], today: date) -> tuple[str, ...]:
    site = fleet.sites_by_id.get(site_id)
    ended = [stay for stay in stays if stay.end is not None]
    now = stays[-1] if stays and stays[-1].end is None else None
    days = [stay.days(today) for stay in ended[-_RUNS_SHOWN:]]
    return (
        site_id if site is None else site.label,
        str(len(stays)),
        "" if now is None else now.pack_id or "not named",
        "" if now is None or now.start is None else day(now.start),
        "" if now is None or now.start is None else str(now.days(today)),
        ", ".join("?" if number is None else str(number) for number in days),
        str(ended[-1].ended) if ended else "",
    )


def _history_json(
    fleet: Fleet,
    today: date,
    stays: Mapping[str, Sequence[Stay]],
    by_pack: Mapping[str, Sequence[Stay]],
    path: Path,
) -> dict[str, Any]:
    packs = {pack.pack_id: () for pack in fleet.packs or ()} | dict(by_pack)
    return {
        "format": "tripplan-history/1",
        "fleet": fleet.name,
        "today": today.isoformat(),
        "file": str(path),
        "sites": [
            {"site_id": site_id, "stays": [_stay_json(stay, today) for stay in own]}
            for site_id, own in stays.items()
        ],
        "packs": [
            {"pack_id": pack_id, "stays": [_stay_json(stay, today) for stay in own]}
            for pack_id, own in packs.items()
        ],
    }


def _stay_json(stay: Stay, today: date) -> dict[str, Any]:
    return {
        "site_id": stay.site_id,
        "pack_id": stay.pack_id,
        "start": None if stay.start is None else stay.start.isoformat(),
        "end": None if stay.end is None else stay.end.isoformat(),
        "days": stay.days(today),
        "ended": str(stay.ended),
        "volts_in": stay.volts_in,
        "volts_out": stay.volts_out,
        "dark_on": None if stay.dark_on is None else stay.dark_on.isoformat(),
    }
