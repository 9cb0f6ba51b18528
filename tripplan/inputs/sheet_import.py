"""
`tripplan init FOLDER --from SHEET`: a fleet from the user's own spreadsheet or GPX waypoints.

What the sheet does not say is asked once and remembered in ``tripplan.headings.toml`` beside the new files.
The order of coordinates and of day and month is never guessed. The new files are read back by
`tripplan.inputs.read_fleet` before they are put in place, so that the first plan works.
"""

from __future__ import annotations

import contextlib
import csv
import io
import tempfile
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripplan.errors import Fault, InputError, StorageError
from tripplan.inputs.cells import (
    CellError,
    parse_number,
)
from tripplan.inputs.findings import Findings
from tripplan.inputs.interview import Ask, Interview, Question, parse_text
from tripplan.inputs.schema import TABLES
from tripplan.inputs.sheet_headings import (
    ASKED_FIELDS,
    FIELD_WORDS,
    NO_HEADING,
    Sheet,
    guess_headings,
    guess_pack_column,
)
from tripplan.inputs.sheet_reading import read_sheet
from tripplan.inputs.sheet_sites import DATE_FIELDS, SheetSites, holds_both_coordinates
from tripplan.inputs.starter import (
    SETTINGS_NAME,
    SITES_NAME,
    STARTER_QUESTIONS,
    refuse_existing,
    starter_values,
)
from tripplan.inputs.starter_text import starter_toml, toml_value
from tripplan.storage import read_bytes, write_files

__all__ = ["HEADINGS_NAME", "SheetImport", "import_sheet", "remembered_answers"]

HEADINGS_NAME = "tripplan.headings.toml"


@dataclass(frozen=True)
class SheetImport:
    """
    What came of a sheet.

    Attributes
    ----------
    paths : tuple of pathlib.Path
        The files written.
    site_count : int
        Sites taken in.
    remarks : tuple of str
        What was decided and why, in sentences for the user.
    """

    paths: tuple[Path, ...]
    site_count: int
    remarks: tuple[str, ...]


def import_sheet(
    folder: Path, sheet_path: Path, *, answers: Mapping[str, str] | None = None, ask: Ask | None = None
) -> SheetImport:
    """
    Start a folder from a spreadsheet (CSV, .xlsx) or the waypoints of a GPX file.

    Parameters
    ----------
    folder : pathlib.Path
        Made where it does not exist; nothing in it is overwritten but the remembered answers.
    sheet_path : pathlib.Path
        The user's file; only read.
    answers : mapping of str to str, optional
        Answers given beforehand, by the question's key; they win over remembered ones.
    ask : callable, optional
        Puts one question and returns what was typed. Without it every missing answer is a fault.

    Returns
    -------
    SheetImport
        The files written and what was decided.

    Raises
    ------
    InputError
        With all missing answers and all faults of the sheet that can be seen without them; nothing is then
        written but, where questions were asked, the answers so far.
    StorageError
        If the sheet cannot be read, or the folder has such files already or cannot be written.
    """
    refuse_existing(folder, (SETTINGS_NAME, SITES_NAME))
    interview = Interview(given=answers or {}, remembered=remembered_answers(folder), ask=ask)
    try:
        return _import_sheet(folder, sheet_path, interview)
    except BaseException:
        if ask is not None and interview.answers:  # what was typed is offered at the next try
            with contextlib.suppress(StorageError):  # what went wrong first is what counts
                write_files(
                    {folder / HEADINGS_NAME: _answers_toml(sheet_path.name, interview.answers).encode()}
                )
        raise


def _import_sheet(folder: Path, sheet_path: Path, interview: Interview) -> SheetImport:
    findings = Findings()
    sheet = read_sheet(sheet_path, interview, findings)
    mapping = _settle_headings(sheet, interview, findings)
    table = SheetSites(sheet, mapping, interview, findings)
    if interview.ask is not None and findings.faults:  # before more is asked
        raise InputError(findings.faults)
    values = starter_values(
        interview,
        folder=folder,
        needed=True,
        pack_types=table.pack_types,
        months_needed=not {"usual_months", "draw_mah_per_day"} & set(mapping),
    )
    header, rows = table.rows(values.packs[0].name if values else "")
    interview.refuse_unknown(_known_keys())
    if interview.faults or findings.faults:
        raise InputError([*interview.faults, *findings.faults])
    if values is None:
        raise ValueError("no values and no faults")
    files = {
        SETTINGS_NAME: starter_toml(values).encode(),
        SITES_NAME: _csv_bytes(header, rows),
        HEADINGS_NAME: _answers_toml(sheet_path.name, interview.answers).encode(),
    }
    _read_back(files, sheet)
    written = {folder / name: content for name, content in files.items()}
    write_files(written)
    return SheetImport(tuple(written), len(rows), tuple(findings.remarks))


def remembered_answers(folder: Path) -> dict[str, str]:
    """
    Return the answers of an earlier ``init --from`` in this folder.

    Parameters
    ----------
    folder : pathlib.Path
        The fleet's folder.

    Returns
    -------
    dict of str to str
        Empty where there are none.

    Raises
    ------
    InputError
        If the file is there but is not what `import_sheet` writes.
    """
    path = folder / HEADINGS_NAME
    if not path.exists():
        return {}
    try:
        found = tomllib.loads(read_bytes(path).decode("utf-8-sig")).get("answers", {})
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        reason = " ".join(str(error).split())
        raise InputError(
            [
                Fault(
                    HEADINGS_NAME, problem=f"cannot be read ({reason})", mend="Delete it; you are asked anew."
                )
            ]
        ) from error
    if not isinstance(found, dict):
        raise InputError(
            [Fault(HEADINGS_NAME, problem="answers is not a table", mend="Delete it; you are asked anew.")]
        )
    return {key: value for key, value in found.items() if isinstance(value, str)}


def _known_keys() -> tuple[str, ...]:
    columns = (*FIELD_WORDS, *(name for name in TABLES["sites"].columns if name not in FIELD_WORDS))
    return (
        *STARTER_QUESTIONS,
        "swapped_on",
        "sheet",
        "headings_right",
        "coordinate_order",
        *(f"{name}_heading" for name in columns),
        *(f"{name}_order" for name in DATE_FIELDS),
    )


def _settle_headings(sheet: Sheet, interview: Interview, findings: Findings) -> dict[str, str]:
    """Return the heading of each field: said by its word, given, or asked."""
    guesses = guess_headings(sheet.headings)
    mapping = {field: found[0] for field, found in guesses.items() if len(found) == 1}
    if "lat" in mapping and "lon" in mapping:
        mapping.pop("lat_lon", None)
    if "lat" in mapping and holds_both_coordinates(sheet, mapping["lat"]):
        lon = mapping.get("lon")
        if lon is None or not any(cells[lon] for _, cells in sheet.rows):
            mapping.pop("lon", None)
            mapping["lat_lon"] = mapping.pop("lat")
    packs = None if "pack_type" in guesses else guess_pack_column(sheet, mapping.values())
    if packs is not None:
        mapping["pack_type"] = packs
    for field in (*FIELD_WORDS, *TABLES["sites"].columns):
        key = f"{field}_heading"
        kept = interview.remembered.get(key, "") in (*sheet.headings, NO_HEADING)
        if key in interview.given or (kept and field not in mapping):
            _put_heading(field, sheet, interview, mapping, "")
    changed = False
    if interview.ask is not None and mapping:
        said = ", ".join(f"{field} = '{heading}'" for field, heading in mapping.items())
        right = Question("headings_right", f"I read {said}. Is that right?", ("yes", "no"), "yes")
        changed = interview.get(right, parse_text) == "no"
    for field, text in ASKED_FIELDS.items():
        if field in {"lat", "lon"} and "lat_lon" in mapping and not changed:
            continue
        if f"{field}_heading" in interview.answers:
            continue
        candidates = guesses.get(field, ())
        if field not in mapping or changed:
            if field == "site_id" and "name" in mapping and not candidates and not changed:
                continue
            dated = "flat_on" in mapping or "swapped_on" in interview.given
            if field == "swapped_on" and dated and not candidates and not changed:
                continue
            _put_heading(field, sheet, interview, mapping, text, default=mapping.get(field, ""))
    for heading, count in Counter(mapping.values()).items():
        fields = [field for field, chosen in mapping.items() if chosen == heading]
        if count > 1 and set(fields) != {"site_id", "name"}:
            findings.fault(
                sheet.file,
                f"the column was chosen for {' and '.join(fields)}",
                "Choose another, with --answer FIELD_heading=HEADING.",
                column=heading,
            )
    for field, heading in mapping.items():
        findings.remark(f"{sheet.file}: {field} is read from the column '{heading}'.")
    own = [f"'{heading}'" for heading in sheet.headings if heading not in mapping.values()]
    if own:
        findings.remark(
            f"{sheet.file}: kept in sites.csv as your own, and not read: {', '.join(own)}. "
            "Where one of them holds park_lat, walk_m or the like, --answer FIELD_heading=HEADING says so."
        )
    return mapping


def _put_heading(
    field: str,
    sheet: Sheet,
    interview: Interview,
    mapping: dict[str, str],
    text: str,
    default: str = "",
) -> None:
    given = f"{field}_heading" in interview.given
    optional = field not in {"lat", "lon"}
    taken = {heading for other, heading in mapping.items() if other != field}
    free = tuple(heading for heading in sheet.headings if heading not in taken or given)
    if not free:
        return
    choices = (*free, NO_HEADING) if optional else free
    asked = text or f"Which column holds {field}?"
    heading = interview.get(Question(f"{field}_heading", asked, choices, default), parse_text)
    mapping.pop(field, None)
    if heading is not None and heading != NO_HEADING:
        mapping[field] = heading


def _harmless(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would run as a formula; numbers stay."""
    if not text.startswith(("=", "+", "-", "@", "\t", "\r")):
        return text
    for decimal in (".", ","):
        with contextlib.suppress(CellError):
            parse_number(text, decimal)
            return text
    return f"'{text}"


def _csv_bytes(header: Sequence[str], rows: Sequence[Sequence[str]]) -> bytes:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([_harmless(text) for text in header])
    writer.writerows([_harmless(text) for text in row] for row in rows)
    return buffer.getvalue().encode("utf-8-sig")


def _answers_toml(file: str, answers: Mapping[str, str]) -> str:
    lines = [
        "# What `tripplan init --from` was told. Run it again and these are the defaults.",
        f"from_file = {toml_value(file)}",
        "",
        "[answers]",
        *(f"{key} = {toml_value(value)}" for key, value in answers.items() if key != "headings_right"),
    ]
    return "\n".join(lines) + "\n"


def _read_back(files: Mapping[str, bytes], sheet: Sheet) -> None:
    """Read the new folder as any run would; faults of sites.csv name the rows of the user's sheet."""
    from tripplan.inputs import read_fleet  # loads every reader, and only here

    try:
        with tempfile.TemporaryDirectory(prefix="tripplan-") as name:
            trial = Path(name)
            for file, content in files.items():
                (trial / file).write_bytes(content)
            read_fleet(trial)
    except OSError as error:
        raise StorageError(
            f"the new files cannot be tried out in {tempfile.gettempdir()}: {error}."
        ) from error
    except InputError as error:
        numbers = [number for number, _ in sheet.rows]
        raise InputError(
            Fault(
                sheet.file if fault.file == SITES_NAME else fault.file,
                tuple(numbers[row - 2] for row in fault.rows if 0 <= row - 2 < len(numbers))
                if fault.file == SITES_NAME
                else fault.rows,
                fault.column,
                fault.values,
                fault.problem,
                fault.mend,
            )
            for fault in error.faults
        ) from error
