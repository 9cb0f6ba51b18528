"""A fleet handed over as one page, or what happens in it between two dates."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from tripplan.errors import NoPlanError, SealError
from tripplan.forecast import forecast_fleet
from tripplan.outputs.handover_model import Handover
from tripplan.outputs.handover_page import render_handover, sheet_parts
from tripplan.outputs.handover_view import build_handover
from tripplan.outputs.sealed_page import fresh_nonce, has_stand_in, open_page, seal_page
from tripplan.outputs.wording import Wording, wording_for
from tripplan.pipeline.field import usable_plan
from tripplan.pipeline.season import QUIET, PlanResult, Reports
from tripplan.storage import lock_folder, read_bytes, write_files

__all__ = ["HandoverResult", "run_handover"]


@dataclass(frozen=True)
class HandoverResult:
    """
    A handover that was written.

    Attributes
    ----------
    first, last : datetime.date
        Its trips and charging evenings lie between these days, both included.
    stand_in : bool
        Whether a locked page carries a cipher for browsers that deny a file their own.
    """

    planned: PlanResult
    today: date
    first: date
    last: date
    whole: bool
    locked: bool
    file: Path
    handover: Handover
    stand_in: bool


def run_handover(
    folder: Path,
    *,
    today: date,
    first: date | None = None,
    last: date | None = None,
    out: Path | None = None,
    passphrase: str | None = None,
    plain: bool = False,
    seed: int | None = None,
    time_limit_s: float | None = None,
    reports: Reports = QUIET,
) -> HandoverResult:
    """
    Write a handover of the whole fleet, or of the trips and charging evenings between two dates.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.
    today : datetime.date
        Day on which it is made; nothing before it is handed over.
    first, last : datetime.date, optional
        Days between which trips and charging evenings are handed over, both included. With neither the
        whole fleet is; one alone goes from today or to the season's end.
    out : pathlib.Path, optional
        The file; below ``FOLDER/maps`` where not given.
    passphrase : str, optional
        Locks the page.
    plain : bool
        Lets the whole fleet be written without a lock; fields marked private then stay out.
    seed, time_limit_s, reports
        As in `run_trip`.

    Returns
    -------
    HandoverResult
        What was written.

    Raises
    ------
    InputError
        If the files hold faults.
    NoPlanError
        If there is no plan, or the days lie outside its season or in the wrong order.
    SealError
        If the whole fleet would be written in the clear without being asked to, the passphrase is unfit, or
        the locked page does not open again.
    StorageError
        If a folder is in use or cannot be written.
    """
    whole = first is None and last is None
    if whole and passphrase is None and not plain:
        raise SealError(
            "The whole fleet in one file tells whoever finds it where every device stands. Give a passphrase "
            "(--passphrase or --passphrase-file FILE), or --plain to write it all the same."
        )
    if first is not None and last is not None and last < first:
        raise NoPlanError(f"The time away ends ({last}) before it begins ({first}).")
    planned = usable_plan(folder, today, seed, time_limit_s, reports)
    span = _span(planned, today, first, last)
    reports.stage("Writing the handover")
    fleet = planned.fleet
    wording = wording_for(fleet.language, metric=fleet.units == "metric")
    handover = build_handover(
        fleet,
        forecast_fleet(fleet, today) if whole else planned.outlook,
        planned.travel,
        planned.plan,
        span=span,
        whole=whole,
        private=passphrase is not None,
        today=today,
        wording=wording,
    )
    name = f"handover-{today}" if whole else f"handover-{span[0]}-to-{span[1]}"
    target = out or folder / "maps" / f"{name}{'-locked' if passphrase is not None else ''}.html"
    with lock_folder(target.parent):
        _write(target, render_handover(handover, wording), passphrase, wording)
    return HandoverResult(
        planned, today, *span, whole, passphrase is not None, target, handover, has_stand_in()
    )


def _span(planned: PlanResult, today: date, first: date | None, last: date | None) -> tuple[date, date]:
    plan = planned.plan
    span = (max(first or today, today), last or plan.to)
    outside = [day for day in (first, last) if day is not None and not plan.first <= day <= plan.to]
    if outside or span[1] < span[0]:
        shown = ", ".join(str(day) for day in outside) or str(last)
        raise NoPlanError(
            f"{shown} lies outside what is planned: today is {today}, the season runs from {plan.first} to "
            f"{plan.to}. Choose days in it, or plan more weeks ahead ([plan] weeks in tripplan.toml)."
        )
    return span


def _write(target: Path, page: str, passphrase: str | None, wording: Wording) -> None:
    if passphrase is None:
        write_files({target: page.encode("utf-8")})
        return
    locked = seal_page(page, passphrase, wording, nonce=fresh_nonce(), parts=sheet_parts())
    write_files({target: locked.encode("utf-8")})
    if open_page(read_bytes(target).decode("utf-8"), passphrase) != page:
        raise SealError(f"{target} does not open to what was locked. Write it again.")
