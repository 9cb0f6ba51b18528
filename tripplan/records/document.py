"""A record, an undo and the journal's state as JSON, for other programs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from tripplan.fleet import VisitRecord
from tripplan.records.commit import Undoing
from tripplan.records.journal import Entry
from tripplan.records.prepare import Prepared
from tripplan.records.told import visit_values

__all__ = ["record_document", "undo_document"]


def record_document(prepared: Prepared, entry: Entry | None) -> Mapping[str, Any]:
    """
    Return what a record changed, or would change.

    Parameters
    ----------
    prepared : Prepared
        As worked out.
    entry : Entry or None
        As the journal has it; None where nothing was written.

    Returns
    -------
    mapping
        ``tripplan-record/1``.
    """
    changes, told = prepared.changes, prepared.told
    return {
        "format": "tripplan-record/1",
        "folder": str(prepared.folder),
        "source": told.source,
        "trip_id": told.trip_id,
        "by": told.by,
        "recorded": entry is not None,
        "change": None if entry is None else entry.number,
        "visits": [_visit(visit) for visit in changes.visits],
        "readings": [
            {
                "when": reading.when.isoformat(timespec="minutes"),
                "site_id": reading.site_id,
                "volts": reading.volts,
                "percent": reading.percent,
                "source": reading.source,
                "temp_c": reading.temp_c,
            }
            for reading in changes.readings
        ],
        "packs": [
            {
                "pack_id": edit.after.pack_id,
                "new": edit.before is None,
                "where_before": "" if edit.before is None else edit.before.where,
                "state_before": "" if edit.before is None else str(edit.before.state),
                "where": edit.after.where,
                "since": None if edit.after.since is None else edit.after.since.isoformat(),
                "state": str(edit.after.state),
                "because": edit.after.because,
            }
            for edit in changes.packs
        ],
        "sites": [
            {
                "site_id": edit.site_id,
                edit.column: None if edit.value is None else edit.value.isoformat(),
                "because": edit.because,
            }
            for edit in changes.sites
        ],
        "jobs": [
            {"site_id": edit.site_id, "job": edit.job, "done_on": edit.done_on.isoformat()}
            for edit in changes.jobs
        ],
        "already": list(changes.already),
        "left_out": list(changes.left_out),
        "not_told": list(changes.not_told),
        "questions": [
            {
                "visit": question.visit,
                "text": question.text,
                "choices": [
                    {"key": choice.key, "value": choice.value, "text": choice.text}
                    for choice in question.choices
                ],
            }
            for question in changes.questions
        ],
        "lines": list(prepared.lines),
        "by_hand": list(prepared.by_hand),
        "remarks": list(changes.remarks),
    }


def _visit(visit: VisitRecord) -> Mapping[str, Any]:
    return {"visit": visit.row, **visit_values(visit), "date": visit.day.isoformat()}


def undo_document(
    undoing: Undoing | None, folder: str, entry: Entry | None, *, redo: bool
) -> Mapping[str, Any]:
    """
    Return what an undo or redo changed, or would change.

    Parameters
    ----------
    undoing : Undoing or None
        As worked out; None where there is nothing to undo.
    folder : str
        The fleet's folder.
    entry : Entry or None
        As the journal has it; None where nothing was written.
    redo : bool
        Whether a change is brought again.

    Returns
    -------
    mapping
        ``tripplan-undo/1``.
    """
    return {
        "format": "tripplan-undo/1",
        "folder": folder,
        "kind": "redo" if redo else "undo",
        "of": None if undoing is None else undoing.entry.number,
        "what": "" if undoing is None else undoing.entry.what,
        "lines": [] if undoing is None else undoing.lines,
        "files": [] if undoing is None else [change.name for change in undoing.changes],
        "written": entry is not None,
        "change": None if entry is None else entry.number,
    }
