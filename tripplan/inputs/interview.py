"""
Ask once, in plain words: questions, answers given beforehand, answers remembered.

Nothing here prints or reads a terminal. Whoever has one hands in `ask`, a function that puts one
question and returns what was typed. Without it every question without a default is collected, so that
one message names all the answers that are missing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from tripplan.errors import Fault, InputError
from tripplan.inputs.cells import clean_text, parse_angle
from tripplan.inputs.columns import parse_weekdays
from tripplan.inputs.starter_text import WEEKDAY_WORDS

__all__ = [
    "Ask",
    "Interview",
    "Question",
    "parse_days",
    "parse_in_range",
    "parse_latitude",
    "parse_longitude",
    "parse_text",
]

T = TypeVar("T")

_TRIES = 3


@dataclass(frozen=True)
class Question:
    """
    One question to the user.

    Attributes
    ----------
    key : str
        Name of the answer, as in ``--answer KEY=VALUE``.
    text : str
        What is asked, in the user's words.
    choices : tuple of str
        The answers allowed; empty where anything may be typed.
    default : str
        Taken when the user just presses return; empty where an answer is needed.
    """

    key: str
    text: str
    choices: tuple[str, ...] = ()
    default: str = ""


Ask = Callable[[Question], str]


@dataclass
class Interview:
    """
    Collects answers: given beforehand, else asked, else remembered or the default.

    Attributes
    ----------
    given : mapping of str to str
        Answers given on the command line; they win.
    remembered : mapping of str to str
        Answers of an earlier run; offered as defaults, taken as they are where nobody can be asked.
    ask : callable or None
        Puts one question; None where nobody can be asked.
    answers : dict of str to str
        All answers taken so far, as text, in the order of the questions.
    faults : list of Fault
        What is missing or does not fit.
    """

    given: Mapping[str, str] = field(default_factory=dict)
    remembered: Mapping[str, str] = field(default_factory=dict)
    ask: Ask | None = None
    answers: dict[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def get(self, question: Question, parse: Callable[[str], T]) -> T | None:
        """
        Return the parsed answer to one question.

        Parameters
        ----------
        question : Question
            What to ask.
        parse : callable
            Turns the text into a value; raises ValueError with a short clause where it cannot.

        Returns
        -------
        object or None
            The value; None where the answer is missing or does not fit: `faults` then says so.

        Raises
        ------
        InputError
            If the third answer typed does not fit either.
        """
        known = self._match(question, self.remembered.get(question.key, ""))
        question = replace(question, default=known or question.default)
        if question.key in self.given:
            return self._take(question, self.given[question.key], parse)
        if self.ask is None:
            if question.default:
                return self._take(question, question.default, parse)
            self.faults.append(
                Fault(
                    f"--answer {question.key}",
                    problem="this answer is missing",
                    mend=f"{question.text}{_choices_text(question)}",
                )
            )
            return None
        return self._converse(question, parse)

    def refuse_unknown(self, known: Sequence[str]) -> None:
        """
        Note a fault for each answer given that no question asks for.

        Parameters
        ----------
        known : sequence of str
            Keys of all the questions there are.
        """
        for key, value in self.given.items():
            if key not in known and key not in self.answers:
                self.faults.append(
                    Fault(
                        f"--answer {key}",
                        values=(value,),
                        problem="there is no such question",
                        mend=f"The questions are {', '.join(known)}.",
                    )
                )

    def raise_faults(self) -> None:
        """
        Raise what has been found, if anything.

        Raises
        ------
        InputError
            With every missing answer and every one that does not fit.
        """
        if self.faults:
            raise InputError(self.faults)

    def _converse(self, question: Question, parse: Callable[[str], T]) -> T:
        if self.ask is None:
            raise ValueError("nobody can be asked")
        asked, text, problem, mend = question, "", "", ""
        for _ in range(_TRIES):
            text = self.ask(asked).strip() or question.default
            try:
                value = parse(self._checked(question, text))
            except ValueError as error:
                problem, mend = str(error), getattr(error, "mend", "")
                shown = f"'{text}': " if text else ""
                asked = replace(question, text=f"{shown}{problem}. {mend or 'Once more.'}\n{question.text}")
                continue
            self.answers[question.key] = self._checked(question, text)
            return value
        raise InputError(
            [Fault(f"answer {question.key}", (), "", (text,) if text else (), problem, mend or question.text)]
        )

    def _take(self, question: Question, text: str, parse: Callable[[str], T]) -> T | None:
        try:
            checked = self._checked(question, text.strip())
            value = parse(checked)
        except ValueError as error:
            self.faults.append(
                Fault(
                    f"--answer {question.key}",
                    values=(text,),
                    problem=str(error),
                    mend=getattr(error, "mend", "") or question.text,
                )
            )
            return None
        self.answers[question.key] = checked
        return value

    def _checked(self, question: Question, text: str) -> str:
        if not text:
            raise ValueError("an answer is needed")
        if not question.choices:
            return text
        match = self._match(question, text)
        if not match:
            raise ValueError(f"choose one of {', '.join(question.choices)}")
        return match

    @staticmethod
    def _match(question: Question, text: str) -> str:
        """Return the choice that a text means: as written, else whatever the case; '' for none."""
        if not question.choices or text in question.choices:
            return text
        same = [choice for choice in question.choices if choice.casefold() == text.strip().casefold()]
        return same[0] if len(same) == 1 else ""


def _choices_text(question: Question) -> str:
    return f" ({' / '.join(question.choices)})" if question.choices else ""


def parse_text(text: str) -> str:
    """
    Return an answer that may be any text, with spaces squeezed.

    Parameters
    ----------
    text : str
        What was typed.

    Returns
    -------
    str
        On one line.
    """
    return " ".join(text.split())


def parse_in_range(low: float, high: float, what: str) -> Callable[[str], float]:
    """
    Return a parser of one number that must lie in a range, ends included.

    Parameters
    ----------
    low, high : float
        The range.
    what : str
        Name of the thing with its unit, for the message.

    Returns
    -------
    callable
        From text to float; a decimal comma is understood.

    Examples
    --------
    >>> parse_in_range(1, 60, "volts")("12,0")
    12.0
    """

    def parse(text: str) -> float:
        plain = text.strip().replace(",", ".")
        try:
            value = float(plain)
        except ValueError:
            raise ValueError(f"{what} must be one number") from None
        if not (math.isfinite(value) and low <= value <= high):
            raise ValueError(f"{what} must lie between {low:g} and {high:g}")
        return value

    return parse


def parse_latitude(text: str) -> float:
    """
    Return a latitude in any of the usual notations; a letter N or S may stand on either side.

    Parameters
    ----------
    text : str
        What was typed.

    Returns
    -------
    float
        North positive. [deg]

    Raises
    ------
    ValueError
        If it is no latitude.

    Examples
    --------
    >>> parse_latitude("57,25 N"), parse_latitude("-33.1")
    (57.25, -33.1)
    """
    return parse_angle(clean_text(text), "lat")


def parse_longitude(text: str) -> float:
    """
    Return a longitude in any of the usual notations; a letter E or W may stand on either side.

    Parameters
    ----------
    text : str
        What was typed.

    Returns
    -------
    float
        East positive. [deg]

    Raises
    ------
    ValueError
        If it is no longitude.

    Examples
    --------
    >>> parse_longitude("4.05 W")
    -4.05
    """
    return parse_angle(clean_text(text), "lon")


def parse_days(text: str) -> tuple[str, ...]:
    """
    Return weekdays from plain words.

    Parameters
    ----------
    text : str
        Such as ``sat sun``, ``Saturdays and Sundays``, ``weekends``, ``weekdays`` or ``any day``.

    Returns
    -------
    tuple of str
        Of `WEEKDAY_WORDS`, Monday first.

    Raises
    ------
    ValueError
        If a word is no weekday.

    Examples
    --------
    >>> parse_days("Sundays and sat"), parse_days("weekends")
    (('sat', 'sun'), ('sat', 'sun'))
    """
    whole = " ".join(text.casefold().split())
    sets = {
        "weekend": WEEKDAY_WORDS[5:],
        "weekends": WEEKDAY_WORDS[5:],
        "weekdays": WEEKDAY_WORDS[:5],
        "any day": WEEKDAY_WORDS,
        "any": WEEKDAY_WORDS,
        "all": WEEKDAY_WORDS,
        "every day": WEEKDAY_WORDS,
    }
    if whole in sets:
        return sets[whole]
    words = re.split(r"[\s,;+&/.]+", whole)
    plain = [word.removesuffix("s") if word.endswith("days") else word for word in words]
    days = parse_weekdays(word for word in plain if word and word not in {"and", "or", "on"})
    if not days:
        raise ValueError("name at least one day of the week: mon, tue, wed, thu, fri, sat, sun")
    return tuple(WEEKDAY_WORDS[day] for day in sorted(days))
