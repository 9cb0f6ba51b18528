"""
`tripplan init FOLDER`: a starter set of files that says itself what to fill in next.

Nothing that stands in the folder is ever overwritten.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from pathlib import Path

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
from tripplan.inputs.starter_text import FIRST_STEPS, SITES_HEADER, StarterValues, starter_toml
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

SETTINGS_NAME = "tripplan.toml"
SITES_NAME = "sites.csv"
FIRST_STEPS_NAME = "FIRST-STEPS.md"

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
    interview: Interview, *, folder: Path, needed: bool, months_needed: bool = True
) -> StarterValues | None:
    """
    Put the questions about base, days and pack.

    Parameters
    ----------
    interview : Interview
        Where answers come from; faults are collected there.
    folder : pathlib.Path
        The fleet's folder; its name is the default of the fleet's name.
    needed : bool
        Whether every answer is needed; else only what was given beforehand is taken.
    months_needed : bool, default True
        Whether the usual life must be known for packs that have no default.

    Returns
    -------
    StarterValues or None
        None where an answer that is needed is missing or does not fit.
    """
    before = len(interview.faults)
    asked = STARTER_QUESTIONS

    def wanted(key: str) -> bool:
        return needed or key in interview.given

    name = folder.resolve().name or "My fleet"
    fleet_name = (
        interview.get(Question("fleet_name", asked["fleet_name"].text, default=name), parse_text)
        if wanted("fleet_name")
        else name
    )
    crew_name = interview.get(asked["crew_name"], parse_text) if wanted("crew_name") else "Me"
    base_lat = interview.get(asked["base_lat"], parse_latitude) if wanted("base_lat") else None
    base_lon = interview.get(asked["base_lon"], parse_longitude) if wanted("base_lon") else None
    days = interview.get(asked["days"], parse_days) if wanted("days") else ()
    pack_type = interview.get(asked["pack_type"], parse_text) if wanted("pack_type") else "standard"
    volts = interview.get(asked["volts"], parse_in_range(1, 60, "volts")) if wanted("volts") else None
    plug = interview.get(asked["plug"], parse_text) if wanted("plug") else ""
    chemistry = interview.get(asked["chemistry"], parse_text) if wanted("chemistry") else ""
    capacity = (
        interview.get(asked["capacity_ah"], parse_in_range(0.1, 1000, "ampere-hours"))
        if wanted("capacity_ah")
        else None
    )
    months: float | None = None
    has_default = volts == 12.0 and chemistry == Chemistry.SEALED_LEAD_ACID and capacity == 7.0
    if "usual_months" in interview.given or (
        needed and months_needed and not has_default and volts is not None
    ):
        months = interview.get(asked["usual_months"], parse_in_range(0.1, 120, "months"))
    if len(interview.faults) > before:
        return None
    return StarterValues(
        fleet_name=fleet_name or name,
        crew_name=crew_name or "Me",
        base_lat=base_lat,
        base_lon=base_lon,
        days=days or (),
        pack_type=pack_type or "standard",
        volts=volts,
        plug=plug or "",
        chemistry=chemistry or "",
        capacity_ah=capacity,
        usual_months=months,
    )


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
