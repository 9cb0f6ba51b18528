"""What was told and cannot be taken over as it is: the question, its choices, and answers to it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from tripplan.errors import Fault, InputError
from tripplan.fleet import Cause, Done, Found, PackState, VisitRecord
from tripplan.inputs.cells import CellError, parse_date, parse_number
from tripplan.inputs.findings import say_date
from tripplan.inputs.words import parse_choice, range_problem
from tripplan.records.told import FIELDS, visit_values

__all__ = ["ADD", "LEAVE_OUT", "REPLACE", "Answers", "Choice", "Question", "contradiction", "visit_label"]

LEAVE_OUT, ADD, REPLACE = "leave out", "add", "replace"
_DECISIONS = (LEAVE_OUT, ADD, REPLACE)
_PACK_FIELDS = ("pack_in", "pack_out")
_KEEPS = (*_PACK_FIELDS, "told")
_KEY = re.compile(r"(\d+)(?:\.(\w+))?")
_MOST = {"volts_out": 80.0, "volts_in": 80.0, "minutes": 1440.0}


@dataclass(frozen=True)
class Choice:
    """
    One way to answer.

    Attributes
    ----------
    key, value : str
        What ``--answer KEY=VALUE`` takes; a value of None is for the user to name.
    text : str
        What it means, as a clause.
    """

    key: str
    value: str | None
    text: str


@dataclass(frozen=True)
class Question:
    """
    What has to be settled before anything is written.

    Attributes
    ----------
    visit : int
        Number of the visit.
    text : str
        What is wrong, as a full sentence.
    choices : tuple of Choice
        At least one.
    """

    visit: int
    text: str
    choices: tuple[Choice, ...]


def visit_label(visit: VisitRecord) -> str:
    """Return how messages name a visit."""
    return f"visit {visit.row} ({visit.site_id})"


def contradiction(visit: VisitRecord, fault: Fault, *, kept: bool) -> Question:
    """
    Ask about a visit with which the files would hold a fault: mostly that packs.csv and visits.csv disagree.

    Parameters
    ----------
    visit : VisitRecord
        As told, corrected by the answers given so far.
    fault : Fault
        What the reader would say of the files.
    kept : bool
        Whether it has been answered already that packs.csv is to follow this visit.

    Returns
    -------
    Question
        With its choices.
    """
    number = visit.row
    choices = [Choice(f"{number}.date", None, "name the right day")]
    if visit.done in (Done.SWAPPED, Done.INSTALLED):
        choices.append(Choice(f"{number}.pack_in", None, "name the pack that went in"))
    if visit.done is Done.INSTALLED:
        choices.append(Choice(f"{number}.done", "swapped", "the pack that was there came out: it was a swap"))
    if visit.done in (Done.SWAPPED, Done.REMOVED):
        choices.append(Choice(f"{number}.pack_out", None, "name the pack that came out"))
    is_place = (fault.file, fault.column) == ("packs.csv", "where")
    if is_place and not kept:
        choices.append(Choice(f"{number}.keep", "told", "it was as told: packs.csv follows it"))
    choices.append(Choice(str(number), LEAVE_OUT, "leave this visit out (the journal keeps it)"))
    told = f"{visit_label(visit)}: with this visit of {say_date(visit.day)}"
    what = f"contradict each other: {fault.problem}." if is_place else f"hold a fault: {fault}"
    return Question(number, f"{told} the files would {what}", tuple(choices))


class Answers:
    """
    Answers given, by key.

    Parameters
    ----------
    texts : iterable of str
        ``3.pack_in=A17`` corrects a field of visit 3, ``3=leave out`` decides on it, ``3.keep=pack_in``
        takes a pack over as told, ``3.keep=told`` has packs.csv follow the visit, ``3.new=pack_in`` adds the
        pack to packs.csv, ``3.state=flat`` sets the state of the pack that came out.

    Raises
    ------
    InputError
        With every answer that cannot be one.
    """

    def __init__(self, texts: Iterable[str] = ()) -> None:
        self._decisions: dict[int, str] = {}
        self._fields: dict[tuple[int, str], str] = {}
        self._words: set[tuple[int, str, str]] = set()
        self._states: dict[int, PackState] = {}
        faults: list[Fault] = []
        for text in texts:
            problem = self._take(text)
            if problem:
                faults.append(Fault("--answer", values=(text,), problem=problem, mend=_HOW))
        if faults:
            raise InputError(faults)

    def decision(self, visit: VisitRecord) -> str:
        """Return what was decided on a visit; empty where nothing was."""
        return self._decisions.get(visit.row, "")

    def keeps(self, visit: VisitRecord, field: str) -> bool:
        """Tell whether a pack, or with `field` ``told`` the whole visit, is to be taken over as told."""
        return (visit.row, "keep", field) in self._words

    def leaving_out(self, numbers: Iterable[int]) -> Answers:
        """Return the same answers, but for some visits that are to be left out."""
        answers = Answers()
        answers._decisions = self._decisions | dict.fromkeys(numbers, LEAVE_OUT)
        answers._fields, answers._words, answers._states = self._fields, self._words, self._states
        return answers

    def adds(self, visit: VisitRecord, field: str) -> bool:
        """Tell whether a pack is to be added to packs.csv."""
        return (visit.row, "new", field) in self._words

    def state(self, visit: VisitRecord) -> PackState | None:
        """Return the state given for the pack that came out."""
        return self._states.get(visit.row)

    def correct(self, visits: Sequence[VisitRecord]) -> tuple[VisitRecord, ...]:
        """
        Return visits with the fields that answers correct; what was told goes into the notes.

        Parameters
        ----------
        visits : sequence of VisitRecord
            As told.

        Returns
        -------
        tuple of VisitRecord
            In the same order.

        Raises
        ------
        InputError
            If an answer is to a visit that is not there, or does not fit its field.
        """
        numbers = {visit.row for visit in visits}
        given = {
            *self._decisions,
            *(n for n, _ in self._fields),
            *(n for n, _, _ in self._words),
            *self._states,
        }
        faults = [
            Fault("--answer", values=(str(number),), problem=f"there is no visit {number}")
            for number in sorted(given - numbers)
        ]
        corrected = []
        for visit in visits:
            for (number, field), text in self._fields.items():
                if number == visit.row:
                    try:
                        visit = _with_field(visit, field, text)  # noqa: PLW2901 - one after the other
                    except CellError as error:
                        faults.append(
                            Fault("--answer", (), f"{number}.{field}", (text,), error.problem, error.mend)
                        )
            corrected.append(visit)
        if faults:
            raise InputError(faults)
        return tuple(corrected)

    def _take(self, text: str) -> str:
        key, equals, value = text.partition("=")
        value = " ".join(value.split())
        match = _KEY.fullmatch(key.strip())
        if not equals or match is None:
            return "cannot be read"
        number, word = int(match[1]), match[2]
        if word is None:
            if value not in _DECISIONS:
                return f"must be one of {', '.join(_DECISIONS)}"
            self._decisions[number] = value
        elif word in {"keep", "new"}:
            known = _KEEPS if word == "keep" else _PACK_FIELDS
            if value not in known:
                return f"must be one of {', '.join(known)}"
            self._words.add((number, word, value))
        elif word == "state":
            try:
                self._states[number] = parse_choice(value, PackState)
            except CellError as error:
                return error.problem
            if self._states[number] in (PackState.IN_USE, PackState.CHARGING):
                return "a pack that came out is charged, flat, suspect or retired"
        elif word in FIELDS:
            self._fields[number, word] = value
        else:
            return f"there is no field {word}"
        return ""


_HOW = "Write the visit's number with a field, as 3.pack_in=A17, or with a decision, as '3=leave out'."


def _with_field(visit: VisitRecord, field: str, text: str) -> VisitRecord:
    told = visit_values(visit)[field]
    changed = _changed(visit, field, text)
    if told in (None, "") or field == "notes" or changed == visit:
        return changed
    said = f"{told:g}" if isinstance(told, float) else told.isoformat() if isinstance(told, date) else told
    note = f"told: {field} {said}"
    return replace(changed, notes=f"{visit.notes}; {note}" if visit.notes else note)


def _changed(visit: VisitRecord, field: str, text: str) -> VisitRecord:
    if field == "date":
        return replace(visit, day=parse_date(text))
    if field == "site_id":
        if not text:
            raise CellError("the site is missing", "Write which site it was.")
        return replace(visit, site_id=text)
    if field == "found":
        return replace(visit, found=parse_choice(text, Found) if text else None)
    if field == "cause":
        return replace(visit, cause=parse_choice(text, Cause) if text else None)
    if field == "done":
        return replace(visit, done=parse_choice(text, Done) if text else None)
    if field == "pack_in":
        return replace(visit, pack_in=text)
    if field == "pack_out":
        return replace(visit, pack_out=text)
    if field == "notes":
        return replace(visit, notes=text)
    number = parse_number(text, "," if "," in text else ".") if text else None
    problem = None if number is None else range_problem(number, 0, _MOST[field])
    if problem:
        raise CellError(problem)
    if field == "volts_out":
        return replace(visit, volts_out=number)
    if field == "volts_in":
        return replace(visit, volts_in=number)
    return replace(visit, minutes=number)
