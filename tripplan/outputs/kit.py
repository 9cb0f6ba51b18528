"""
Write the field kit of one trip: six files that agree with each other, or two that open with a passphrase.

A locked kit holds no file in the clear: the calendar, the waypoints and the tables stay at home. An open
one may hold the checklist as PDF too.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

from tripplan.errors import SealError, StorageError
from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.outputs.interchange_geojson import trip_geojson
from tripplan.outputs.interchange_gpx import trip_gpx
from tripplan.outputs.interchange_ics import trip_ics
from tripplan.outputs.kit_model import KitView
from tripplan.outputs.kit_share import share_kit
from tripplan.outputs.kit_view import build_kit_view
from tripplan.outputs.load_csv import load_csv
from tripplan.outputs.pages import kit_parts, render_checklist, render_map_page
from tripplan.outputs.paper_pdf import checklist_pdf, require_pdf_extra
from tripplan.outputs.sealed_page import fresh_nonce, open_page, seal_page
from tripplan.outputs.wording import Wording, wording_for
from tripplan.plan.document import Plan, Trip
from tripplan.storage import read_bytes, write_files
from tripplan.travel import Travel

__all__ = ["KIT_FILES", "LOCKED_FILES", "PDF_FILE", "write_kit"]

KIT_FILES = ("map.html", "checklist.html", "load.csv", "trip.gpx", "trip.ics", "trip.geojson")
LOCKED_FILES = ("map.html", "checklist.html")
"""What a kit under a passphrase consists of."""
PDF_FILE = "checklist.pdf"


def write_kit(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    trip: Trip,
    folder: Path,
    *,
    today: date,
    extra_spares: Mapping[str, int] | None = None,
    passphrase: str | None = None,
    share: tuple[str, frozenset[str]] | None = None,
    pdf: bool = False,
) -> tuple[Path, ...]:
    """
    Write the field kit of one trip into a folder.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        What the trip was planned from.
    trip : Trip
        One of the plan's trips, as the checker passed it.
    folder : pathlib.Path
        Made if it is not there; older files of the same names are replaced together.
    today : datetime.date
        Day on which the kit is made.
    extra_spares : mapping of str to int, optional
        Spares to take beyond the planned swaps, by pack type.
    passphrase : str, optional
        Locks map.html and checklist.html; the other files are then not written. What was written is read
        back from the disk and opened with another implementation of the cipher.
    share : tuple of str and frozenset of str, optional
        Whose kit it is and which sites are theirs; the places of the trip's other sites are left out.
    pdf : bool, default False
        Write `PDF_FILE` too, from the same page as ``checklist.html``. One that lies in the folder is always
        made anew, so that no paper of an older plan stays behind.

    Returns
    -------
    tuple of pathlib.Path
        The files written, in the order of `KIT_FILES`, the PDF last.

    Raises
    ------
    SealError
        If the passphrase is unfit, or what was written does not open again.
    StorageError
        If a file cannot be written, a PDF cannot be made or is to be locked, or a kit is to be locked where
        an open one lies; then none is changed.
    ValueError
        If there are no texts in the fleet's language, or the trip is not one of this fleet.
    """
    wording = wording_for(fleet.language, metric=fleet.units == "metric")
    kit = build_kit_view(
        fleet, outlook, travel, plan, trip, today=today, wording=wording, extra_spares=extra_spares
    )
    if share is not None:
        kit = share_kit(kit, *share)
    if passphrase is not None:
        if pdf:
            raise StorageError(f"{PDF_FILE} cannot be locked under a passphrase; nothing was written.")
        return _write_locked(kit, wording, folder, passphrase)
    pdf = pdf or (folder / PDF_FILE).exists()
    if pdf:
        require_pdf_extra()
    calendar = folder / "trip.ics"
    before = read_bytes(calendar) if calendar.is_file() else None
    checklist = render_checklist(kit, wording)
    content = {
        "map.html": render_map_page(kit, wording, recording=True).encode("utf-8"),
        "checklist.html": checklist.encode("utf-8"),
        "load.csv": load_csv(kit),
        "trip.gpx": trip_gpx(kit, wording),
        "trip.ics": trip_ics(kit, wording, today=today, before=before),
        "trip.geojson": trip_geojson(kit),
    }
    paths = {folder / name: content[name] for name in KIT_FILES}
    if pdf:
        paths[folder / PDF_FILE] = checklist_pdf(checklist, letter=not wording.metric)
    write_files(paths)
    return tuple(paths)


def _write_locked(kit: KitView, wording: Wording, folder: Path, passphrase: str) -> tuple[Path, ...]:
    in_clear = (*(name for name in KIT_FILES if name not in LOCKED_FILES), PDF_FILE)
    open_ones = [name for name in in_clear if (folder / name).exists()]
    if open_ones:
        raise StorageError(
            f"{folder} holds files of a kit that is not locked: {', '.join(open_ones)}. "
            "Take them away or choose another folder with --out; nothing was written."
        )
    nonce = fresh_nonce()
    pages = {
        "map.html": render_map_page(kit, wording, recording=True, nonce=nonce),
        "checklist.html": render_checklist(kit, wording),
    }
    parts = kit_parts()
    locked = {
        folder / name: seal_page(page, passphrase, wording, nonce=nonce, parts=parts).encode("utf-8")
        for name, page in pages.items()
    }
    write_files(locked)
    for name, page in pages.items():
        if open_page(read_bytes(folder / name).decode("utf-8"), passphrase) != page:
            raise SealError(f"{folder / name} does not open to what was locked. Write it again.")
    return tuple(folder / name for name in LOCKED_FILES)
