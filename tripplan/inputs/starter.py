"""
`tripplan init FOLDER`: a starter set of files that says itself what to fill in next.

Nothing that stands in the folder is ever overwritten.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from tripplan.errors import StorageError
from tripplan.fleet import Chemistry
from tripplan.inputs.interview import (
    Ask,
    Interview,
    Question,
    parse_days,
    parse_in_range,
    parse_latitude,
    parse_longitude,
    parse_text,
)
from tripplan.inputs.starter_text import FIRST_STEPS, SITES_HEADER, PackValues, StarterValues, starter_toml
from tripplan.storage import write_files

__all__ = [
    "FIRST_STEPS_NAME",
    "SETTINGS_NAME",
    "SITES_NAME",
    "STARTER_QUESTIONS",
    "Ask",
    "Question",
    "refuse_existing",
    "starter_values",
    "write_starter",
]

T = TypeVar("T")

SETTINGS_NAME = "tripplan.toml"
SITES_NAME = "sites.csv"
FIRST_STEPS_NAME = "FIRST-STEPS.md"

_VOLTS_IN_NAME = re.compile(r"(?<![\d.,])(\d{1,2}(?:[.,]\d)?)\s*(?:V|[Vv]olts?)\b")
_KINDS_IN_NAME: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(r"\b(?:lfp|lifepo_?4?)", re.IGNORECASE), str(Chemistry.LITHIUM_IRON_PHOSPHATE)),
    (re.compile(r"lithium|li-?ion|\bli\b|\bli-", re.IGNORECASE), ""),
    (re.compile(r"alkali", re.IGNORECASE), str(Chemistry.ALKALINE)),
    (re.compile(r"ni-?mh|nickel", re.IGNORECASE), str(Chemistry.NICKEL_METAL_HYDRIDE)),
)
_AMPERE_HOURS_IN_NAME = re.compile(r"(?<![\d.,])(\d{1,3}(?:[.,]\d{1,2})?)\s*Ah\b", re.IGNORECASE)
_SITES_NAMES = (SITES_NAME, "sites.xlsx", "fleet.xlsx")

STARTER_QUESTIONS: Mapping[str, Question] = {
    question.key: question
    for question in (
        Question("fleet_name", "What do you call the whole (your cameras, the survey, the valley)?"),
        Question("crew_name", "What do we call you, or the people who go together?", default="Me"),
        Question(
            "base_lat", "Where do you set out from? First the latitude in decimal degrees, such as 57.25"
        ),
        Question("base_lon", "And the longitude, west negative, such as -4.05"),
        Question("days", "On which days of the week can you go?", default="sat sun"),
        Question("pack_type", "A short name for your kind of pack", default="standard"),
        Question("volts", "How many volts does the pack give at its plug, such as 12 or 6?"),
        Question(
            "plug",
            "Size and polarity of its plug, such as 5.5x2.1 centre + (the wrong one destroys a device)",
        ),
        Question(
            "chemistry",
            "What kind of battery is it?",
            choices=tuple(str(kind) for kind in Chemistry),
            default=str(Chemistry.SEALED_LEAD_ACID),
        ),
        Question("capacity_ah", "How many ampere-hours (Ah) are printed on it?", default="7"),
        Question("usual_months", "How many months does one usually last? A rough guess will do"),
    )
}


def starter_values(
    interview: Interview,
    *,
    folder: Path,
    needed: bool,
    pack_types: Sequence[str] = (),
    months_needed: bool = True,
) -> StarterValues | None:
    """
    Put the questions about base, days and packs.

    Parameters
    ----------
    interview : Interview
        Where answers come from; faults are collected there.
    folder : pathlib.Path
        The fleet's folder; its name is the default of the fleet's name.
    needed : bool
        Whether every answer is needed; else only what was given beforehand is taken.
    pack_types : sequence of str, default ()
        Names of the kinds of pack where they are known already. With several, the key of a question
        carries the name: ``volts:NAME``.
    months_needed : bool, default True
        Whether the usual life must be known for packs that have no default.

    Returns
    -------
    StarterValues or None
        None where an answer that is needed is missing or does not fit.
    """
    before = len(interview.faults)
    name = folder.resolve().name or "My fleet"
    questions = dict(STARTER_QUESTIONS)
    questions["fleet_name"] = replace(questions["fleet_name"], default=name)

    def take(key: str, parse: Callable[[str], T]) -> T | None:
        return interview.get(questions[key], parse) if needed or key in interview.given else None

    fleet_name = take("fleet_name", parse_text)
    crew_name = take("crew_name", parse_text)
    base_lat = take("base_lat", parse_latitude)
    base_lon = take("base_lon", parse_longitude)
    days = take("days", parse_days)
    names = tuple(pack_types) or (take("pack_type", parse_text) or PackValues().name,)
    packs = tuple(
        _pack_values(
            interview, kind, several=len(names) > 1, needed=needed, months_needed=needed and months_needed
        )
        for kind in names
    )
    if len(interview.faults) > before:
        return None
    return StarterValues(
        fleet_name=fleet_name or name,
        crew_name=crew_name or "Me",
        base_lat=base_lat,
        base_lon=base_lon,
        days=days or (),
        packs=packs,
    )


def _pack_values(
    interview: Interview, name: str, *, several: bool, needed: bool, months_needed: bool
) -> PackValues:
    """Put the questions about one kind of pack."""

    def take(key: str, parse: Callable[[str], T], *, wanted: bool = needed) -> T | None:
        question = STARTER_QUESTIONS[key]
        question = replace(question, default=_said_by_name(key, name, question.default))
        if several:
            question = replace(question, key=f"{key}:{name}", text=f"Packs called {name}: {question.text}")
        return interview.get(question, parse) if wanted or question.key in interview.given else None

    volts = take("volts", parse_in_range(1, 60, "volts"))
    plug = take("plug", parse_text)
    chemistry = take("chemistry", parse_text)
    capacity = take("capacity_ah", parse_in_range(0.1, 1000, "ampere-hours"))
    standard = (
        volts == 12.0
        and chemistry == Chemistry.SEALED_LEAD_ACID
        and capacity is not None
        and 6.5 <= capacity <= 7.5
    )
    months = take(
        "usual_months",
        parse_in_range(0.1, 120, "months"),
        wanted=months_needed and not standard and volts is not None,
    )
    return PackValues(name, volts, plug or "", chemistry or "", capacity, months)


def _said_by_name(key: str, name: str, default: str) -> str:
    """Return the default of a question about a kind of pack: what its name says, else the usual one."""
    pattern = {"volts": _VOLTS_IN_NAME, "capacity_ah": _AMPERE_HOURS_IN_NAME}.get(key)
    said = pattern.search(name) if pattern is not None else None
    if said is not None:
        return said[1].replace(",", ".")
    if key == "chemistry":
        return next((kind for words, kind in _KINDS_IN_NAME if words.search(name)), default)
    return default


def refuse_existing(folder: Path, names: Iterable[str]) -> None:
    """
    Refuse to start where files stand already.

    Parameters
    ----------
    folder : pathlib.Path
        The folder to start.
    names : iterable of str
        Files that would be written.

    Raises
    ------
    StorageError
        If one of them is there, or `folder` is a file.
    """
    if folder.exists() and not folder.is_dir():
        raise StorageError(f"{folder} is a file, not a folder. Give another name.")
    present = [name for name in dict.fromkeys((*names, *_SITES_NAMES)) if (folder / name).exists()]
    if present:
        stand = "stands" if len(present) == 1 else "stand"
        raise StorageError(
            f"{folder}: {', '.join(present)} {stand} there already, and nothing is overwritten. "
            "Take another folder, or move them away first."
        )


def write_starter(folder: Path, answers: Mapping[str, str]) -> tuple[Path, ...]:
    """
    Write a commented starter set: settings, an empty table of sites, and the first steps.

    What is not answered stays commented out in tripplan.toml, so that reading the folder names exactly
    what is missing.

    Parameters
    ----------
    folder : pathlib.Path
        Made where it does not exist.
    answers : mapping of str to str
        Any of the keys of `STARTER_QUESTIONS`; may be empty.

    Returns
    -------
    tuple of pathlib.Path
        The files written.

    Raises
    ------
    InputError
        If an answer does not fit; nothing is then written.
    StorageError
        If a file stands there already or cannot be written.
    """
    refuse_existing(folder, (SETTINGS_NAME, SITES_NAME, FIRST_STEPS_NAME))
    interview = Interview(given=answers)
    values = starter_values(interview, folder=folder, needed=False)
    interview.refuse_unknown(tuple(STARTER_QUESTIONS))
    interview.raise_faults()
    if values is None:
        raise ValueError("no values and no faults")
    header = io.StringIO()
    csv.writer(header, lineterminator="\n").writerow(SITES_HEADER)
    files = {
        folder / SETTINGS_NAME: starter_toml(values).encode(),
        folder / SITES_NAME: header.getvalue().encode(),
        folder / FIRST_STEPS_NAME: FIRST_STEPS.encode(),
    }
    write_files(files)
    return tuple(files)
