"""Words from a list, days of the week, and what is wrong with a number out of range."""

from __future__ import annotations

import math
from collections.abc import Iterable
from enum import StrEnum
from typing import TypeVar

from tripplan.inputs.cell_text import CellError
from tripplan.inputs.findings import did_you_mean, fold

__all__ = ["is_finite", "parse_choice", "parse_weekdays", "range_problem"]

E = TypeVar("E", bound=StrEnum)

_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_LONG_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_SHORT_NAMES = {
    "sla": "sealed lead-acid",
    "agm": "sealed lead-acid",
    "vrla": "sealed lead-acid",
    "gel": "sealed lead-acid",
    "lead-acid": "sealed lead-acid",
    "lead acid": "sealed lead-acid",
    "lifepo4": "lithium iron phosphate",
    "lfp": "lithium iron phosphate",
    "life": "lithium iron phosphate",
    "lifes2": "lithium iron disulfide",
    "lithium aa": "lithium iron disulfide",
    "nimh": "nickel metal hydride",
    "ni-mh": "nickel metal hydride",
}


def is_finite(number: float) -> bool:
    """
    Tell whether a number can be reckoned with.

    Parameters
    ----------
    number : float or int
        A whole number may have any count of digits.

    Returns
    -------
    bool
        False for infinity, for what is no number, and for whole numbers beyond all floats.

    Examples
    --------
    >>> is_finite(10**400), is_finite(0.5)
    (False, True)
    """
    try:
        return math.isfinite(number)
    except OverflowError:
        return False


def range_problem(
    number: float, low: float, high: float, *, above: bool = False, what: str = ""
) -> str | None:
    """
    Return what is wrong with a number out of range.

    Parameters
    ----------
    number : float
        Finite.
    low, high : float
        The range, ends included.
    above : bool, default False
        Whether `low` itself is too low.
    what : str, default ""
        Word for the number, put before the rest.

    Returns
    -------
    str or None
        None where nothing is wrong.

    Examples
    --------
    >>> range_problem(0, 0, 60, above=True)
    'must be more than 0 and at most 60'
    """
    if low <= number <= high and not (above and number == low):
        return None
    lead = f"{what} " if what else ""
    if above:
        return f"{lead}must be more than {low:g} and at most {high:.15g}"
    return f"{lead}must lie between {low:g} and {high:.15g}"


def parse_choice(text: str, kind: type[E]) -> E:
    """
    Return the member of an enumeration that a text names.

    Parameters
    ----------
    text : str
        Not blank.
    kind : type of StrEnum
        The words allowed.

    Returns
    -------
    StrEnum
        Compared without case, hyphens and underscores.

    Raises
    ------
    CellError
        If the word is not one of them.

    Examples
    --------
    >>> from tripplan.fleet import Found
    >>> parse_choice("Not_reached", Found)
    <Found.NOT_REACHED: 'not reached'>
    """

    def key(word: str) -> str:
        return fold(word.replace("-", " ").replace("_", " "))

    for member in kind:
        if key(member.value) == key(text):
            return member
    words = [member.value for member in kind]
    short = _SHORT_NAMES.get(fold(text))
    hint = f"Did you mean '{short}'?" if short in words else did_you_mean(text, words)
    raise CellError(f"must be one of {', '.join(words)}", hint)


def parse_weekdays(words: Iterable[str]) -> frozenset[int]:
    """
    Return days of the week as numbers.

    Parameters
    ----------
    words : iterable of str
        ``mon`` to ``sun``, or the full English names, or spans such as ``mon-fri``.

    Returns
    -------
    frozenset of int
        Monday is 0.

    Raises
    ------
    CellError
        If a word is no day.

    Examples
    --------
    >>> sorted(parse_weekdays(["sat", "Sunday"]))
    [5, 6]
    """
    found: set[int] = set()
    for word in words:
        ends = [part.strip().casefold() for part in word.split("-")]
        days = [
            _WEEKDAYS.index(part)
            if part in _WEEKDAYS
            else _LONG_WEEKDAYS.index(part)
            if part in _LONG_WEEKDAYS
            else None
            for part in ends
        ]
        if len(days) > 2 or None in days:
            hint = did_you_mean(word, (*_WEEKDAYS, *_LONG_WEEKDAYS))
            raise CellError(
                f"'{word}' is not a day of the week", hint or "Days are mon, tue, wed, thu, fri, sat, sun."
            )
        first, last = days[0], days[-1]
        if first is None or last is None:
            continue
        found.update((first + step) % 7 for step in range((last - first) % 7 + 1))
    return frozenset(found)
