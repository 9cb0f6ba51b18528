"""
What came back from the field, read: a results file, the same as CSV, or the short text of a message.

Every value is checked for what it is; what it means for this fleet is looked at later. All faults are
reported at once, each with its visit. What cannot be read is refused, never repaired.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from tripplan.errors import Fault, InputError
from tripplan.fleet import Cause, Done, Found, VisitRecord
from tripplan.inputs.cells import CellError, parse_number, parse_timestamp
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings
from tripplan.inputs.schema import TableSpec
from tripplan.inputs.tables import csv_grid, split_grid
from tripplan.inputs.words import parse_choice, range_problem
from tripplan.outputs.plain_text import clean
from tripplan.outputs.results_text import RESULTS_FORMAT, looks_like_results_text, read_results_text
from tripplan.records.told import Told
from tripplan.storage import content_digest

__all__ = ["read_told"]

E = TypeVar("E", bound=StrEnum)
T = TypeVar("T")

_SPEC = TableSpec(
    "results",
    ("site_id",),
    (
        "trip_id",
        "by",
        "when",
        "date",
        "found",
        "cause",
        "done",
        "pack_out",
        "volts_out",
        "pack_in",
        "volts_in",
        "minutes",
        "notes",
        "jobs_done",
        "polarity",
    ),
)
_NUMBERS = {"volts_out": 80.0, "volts_in": 80.0, "minutes": 1440.0}
_KNOWN = {"site_id", "when", "date", "found", "cause", "done", "pack_out", "pack_in", "notes", *_NUMBERS}
_KNOWN |= {"jobs_done", "polarity"}
_YES_NO = {"yes": True, "no": False}
_MOST_BYTES = 5_000_000  # a season's visits are some hundred kilobytes
_LONGEST_ID = 80
_LONGEST_NOTE = 2000
_GUARD = re.compile(r"'(?=[=+\-@])")


def read_told(name: str, data: bytes, zone: ZoneInfo) -> Told:
    """
    Read what came back from the field.

    Parameters
    ----------
    name : str
        How messages name it.
    data : bytes
        All of it: JSON, CSV or the short text.
    zone : zoneinfo.ZoneInfo
        The fleet's, in which days are counted.

    Returns
    -------
    Told
        At least one visit.

    Raises
    ------
    InputError
        With every fault; each names the visit, the field and the value.
    """
    if len(data) > _MOST_BYTES:
        raise _refusal(name, "this is far too large for results of a trip", "Is it the right file?")
    if not data.strip():
        raise _refusal(name, "the file is empty", "Have it sent again.")
    text = _text(data)
    if text is not None and text.lstrip().startswith(("{", "[")):
        told = _from_json(name, text, zone)
    elif text is not None and looks_like_results_text(text):
        try:
            told = _from_object(name, read_results_text(text), zone)
        except ValueError as error:
            raise _refusal(name, str(error), "") from error
    else:
        told = _from_csv(name, data, zone)
    if not told.visits:
        raise _refusal(name, "there is no visit in it", "Is it the right file?")
    received = text if text is not None else data.decode("latin-1")
    return replace(told, received=received, digest=content_digest(data))


def _refusal(name: str, problem: str, mend: str) -> InputError:
    return InputError([Fault(name, problem=problem, mend=mend)])


def _text(data: bytes) -> str | None:
    encoding = "utf-16" if data[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        return None


def _from_json(name: str, text: str, zone: ZoneInfo) -> Told:
    try:
        found = json.loads(text)
    except json.JSONDecodeError as error:
        if text[error.pos :].strip() == "" or "Unterminated" in error.msg:
            raise _refusal(
                name,
                f"the file is cut off in line {error.lineno}",
                "Have it sent again; nothing was recorded.",
            ) from error
        raise _refusal(
            name,
            f"this is not sound JSON: line {error.lineno}, character {error.colno}",
            "If it was changed by hand, mend that place; else have it sent again.",
        ) from error
    except RecursionError as error:
        raise _refusal(name, "this is not a results file", "Is it the right file?") from error
    if not isinstance(found, dict):
        raise _refusal(name, "this is not a results file", "Is it the right file?")
    kind = str(found.get("format", ""))
    if kind != RESULTS_FORMAT:
        what = f"its format is {kind[:40]}" if kind else "it names no format"
        raise _refusal(
            name, f"this is not a results file ({what}, wanted is {RESULTS_FORMAT})", "Is it the right file?"
        )
    return _from_object(name, found, zone)


def _from_object(name: str, found: Mapping[str, Any], zone: ZoneInfo) -> Told:
    visits = found.get("visits")
    if not isinstance(visits, list):
        raise _refusal(name, "it has no list of visits", "If it was changed by hand, mend it.")
    faults: list[Fault] = []
    read: list[VisitRecord] = []
    remarks: list[str] = []
    jobs: dict[int, tuple[str, ...]] = {}
    for number, one in enumerate(visits, start=1):
        if not isinstance(one, dict):
            faults.append(Fault(f"{name}, visit {number}", problem="this is no visit"))
            continue
        reader = _VisitReader(name, number, one, zone, faults)
        visit = reader.read()
        unknown = sorted(str(key)[:40] for key in one if key not in _KNOWN)
        if unknown:
            remarks.append(f"{reader.label}: not known, so not taken over: {', '.join(unknown)}.")
        done = reader.jobs()
        if visit is not None:
            read.append(visit)
            if done:
                jobs[number] = done
    trip_id, by = found.get("trip_id"), found.get("by")
    for key, value in (("trip_id", trip_id), ("by", by)):
        if value is not None and not isinstance(value, str):
            faults.append(Fault(name, column=key, values=(str(value)[:60],), problem="must be a text"))
    if faults:
        raise InputError(faults)
    return Told(
        name,
        tuple(read),
        trip_id=clean(str(trip_id or ""))[:_LONGEST_ID],
        by=clean(str(by or ""))[:_LONGEST_ID],
        remarks=tuple(remarks),
        jobs=jobs,
    )


@dataclass
class _VisitReader:
    """One visit of a results file, field by field."""

    name: str
    number: int
    fields: Mapping[str, Any]
    zone: ZoneInfo
    faults: list[Fault]

    @property
    def label(self) -> str:
        site = self.fields.get("site_id")
        shown = f" ({clean(site)[:30]})" if isinstance(site, str) and site.strip() else ""
        return f"{self.name}, visit {self.number}{shown}"

    def read(self) -> VisitRecord | None:
        before = len(self.faults)
        site = self._string("site_id", _LONGEST_ID)
        if not site and len(self.faults) == before:
            self._fault("site_id", "the site is missing", "Write which site it was.")
        day = self._day()
        visit = VisitRecord(
            day=day or date.min,
            site_id=site,
            found=self._choice("found", Found),
            cause=self._choice("cause", Cause),
            done=self._choice("done", Done),
            pack_out=self._string("pack_out", _LONGEST_ID),
            volts_out=self._number("volts_out"),
            pack_in=self._string("pack_in", _LONGEST_ID),
            volts_in=self._number("volts_in"),
            minutes=self._number("minutes"),
            notes=_with_polarity(self._string("notes", _LONGEST_NOTE), self._polarity()),
            row=self.number,
        )
        return visit if len(self.faults) == before else None

    def jobs(self) -> tuple[str, ...]:
        """Return the jobs done, as told."""
        told = self.fields.get("jobs_done")
        if told is None or told == "":
            return ()
        if not isinstance(told, list) or not all(isinstance(one, str) for one in told):
            self._fault("jobs_done", "must be a list of texts", value=told)
            return ()
        return tuple(dict.fromkeys(job for one in told if (job := clean(one)[:_LONGEST_NOTE])))

    def _polarity(self) -> bool | None:
        told = self.fields.get("polarity")
        if told is not None and not isinstance(told, bool):
            self._fault("polarity", "must be true or false", value=told)
            return None
        return told

    def _fault(self, column: str, problem: str, mend: str = "", value: Any = None) -> None:
        values = () if value is None else (str(value)[:200],)
        self.faults.append(Fault(self.label, (), column, values, problem, mend))

    def _string(self, column: str, longest: int) -> str:
        value = self.fields.get(column)
        if value is None:
            return ""
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self._fault(column, "must be a text", value=value)
            return ""
        text = clean(str(value))
        if len(text) > longest:
            self._fault(column, f"has more than {longest} characters", "Shorten it.", text)
        return text

    def _choice(self, column: str, kind: type[E]) -> E | None:
        text = self._string(column, _LONGEST_NOTE)
        return self._parsed(column, text, lambda word: parse_choice(word, kind)) if text else None

    def _number(self, column: str) -> float | None:
        value = self.fields.get(column)
        if value is None or value == "":
            return None
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self._fault(column, "must be a number", value=value)
            return None
        text = str(value).strip()
        number = self._parsed(column, text, lambda word: parse_number(word, "," if "," in word else "."))
        if number is None:
            return None
        problem = range_problem(number, 0, _NUMBERS[column])
        if problem:
            self._fault(column, problem, "Mend it, or leave it blank.", value)
            return None
        return number

    def _day(self) -> date | None:
        column = "when" if self.fields.get("when") else "date"
        text = self._string(column, _LONGEST_ID)
        if not text:
            self._fault("when", "the day is missing", "Write the day of the visit.")
            return None
        moment = self._parsed(column, text, _iso_moment)
        if moment is None:
            return None
        return (moment if moment.tzinfo is None else moment.astimezone(self.zone)).date()

    def _parsed(self, column: str, text: str, parse: Callable[[str], T]) -> T | None:
        try:
            return parse(text)
        except CellError as error:
            self._fault(column, error.problem, error.mend, text)
        except (ValueError, OverflowError):
            self._fault(column, "cannot be read", value=text)
        return None


def _with_polarity(notes: str, polarity: bool | None) -> str:
    """Return the notes of a visit with what was told of the polarity at the plug."""
    if polarity is None:
        return notes
    said = "polarity checked" if polarity else "polarity not checked"
    return f"{notes}; {said}" if notes else said


def _iso_moment(text: str) -> datetime:
    if not re.match(r"\d{4}-\d{2}-\d{2}", text):
        raise CellError("is not a date", "Write it as 2026-04-13T07:05:00+02:00.")
    return parse_timestamp(re.sub(r"(:\d{2})\.\d+", r"\1", text))


def _from_csv(name: str, data: bytes, zone: ZoneInfo) -> Told:
    findings = Findings()
    grid = csv_grid(name, data, _SPEC, findings)
    table = None if grid is None else split_grid(grid, _SPEC, findings)
    if table is None:
        raise InputError(findings.faults)
    reader = ColumnReader(table, findings)
    reader.require("site_id")
    whens = reader.timestamps("when")
    days = {row: (m if m.tzinfo is None else m.astimezone(zone)).date() for row, m in whens.items()}
    days |= {row: day for row, day in reader.dates("date").items() if row not in days}
    for row in reader.rows:
        if row.number not in days and not {"when", "date"} & {c for r, c in reader.bad if r == row.number}:
            reader.fault(row.number, "when", "the day is missing", "Write the day of the visit.")
    sites = reader.names("site_id")
    found, cause, done = (
        reader.choices("found", Found),
        reader.choices("cause", Cause),
        reader.choices("done", Done),
    )
    pack_out, pack_in = reader.names("pack_out"), reader.names("pack_in")
    numbers = {column: reader.numbers(column, 0, most) for column, most in _NUMBERS.items()}
    notes = reader.texts("notes")
    done_jobs = reader.texts("jobs_done")
    polarity = {
        row: cell.strip().casefold() for row, cell in reader.texts("polarity").items() if cell.strip()
    }
    for at, cell in polarity.items():
        if cell not in _YES_NO:
            reader.fault(at, "polarity", "must be yes or no", "Mend it, or leave it blank.")
    trips = {_plain(text) for text in reader.names("trip_id").values()}
    people = {_plain(text) for text in reader.names("by").values()}
    if len(trips) > 1:
        shown = ", ".join(sorted(trips))
        findings.fault(name, f"the rows belong to several trips ({shown})", "Record one trip at a time.")
    if findings.faults:
        raise InputError(findings.faults)
    visits = tuple(
        VisitRecord(
            day=days[row.number],
            site_id=_plain(sites[row.number]),
            found=found.get(row.number),
            cause=cause.get(row.number),
            done=done.get(row.number),
            pack_out=_plain(pack_out.get(row.number, "")),
            volts_out=numbers["volts_out"].get(row.number),
            pack_in=_plain(pack_in.get(row.number, "")),
            volts_in=numbers["volts_in"].get(row.number),
            minutes=numbers["minutes"].get(row.number),
            notes=_with_polarity(
                _plain(notes.get(row.number, ""))[:_LONGEST_NOTE], _YES_NO.get(polarity.get(row.number, ""))
            ),
            row=number,
        )
        for number, row in enumerate(reader.rows, start=1)
    )
    jobs = {
        number: tuple(job for one in done_jobs.get(row.number, "").split(";") if (job := _plain(one.strip())))
        for number, row in enumerate(reader.rows, start=1)
    }
    return Told(
        name,
        visits,
        trip_id=next(iter(trips), "")[:_LONGEST_ID],
        by=", ".join(sorted(people))[:_LONGEST_ID],
        remarks=tuple(findings.remarks),
        jobs={number: told for number, told in jobs.items() if told},
    )


def _plain(text: str) -> str:
    """Return a cell's text without the apostrophe that keeps spreadsheets from running it."""
    return clean(_GUARD.sub("", text, count=1) if text.startswith("'") else text)
