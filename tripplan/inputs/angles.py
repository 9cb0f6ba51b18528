"""Latitudes and longitudes: decimal degrees, or degrees with minutes and seconds, in any usual spelling."""

from __future__ import annotations

import re
from typing import Literal

from tripplan.inputs.cell_text import MINUSES, CellError

__all__ = ["parse_angle"]

_DEGREES = "\u00b0\u00ba\u02dad"
_PRIMES = "'\u2032\u2019\u2018\u02b9\u00b4`\u201a\u02bc"
_SECONDS = '"\u2033\u201d\u201c\u02ba\u201e\u02dd'
_NUMBER = r"\d+(?:[.,]\d+)?"
_ANGLE = re.compile(
    rf"(?P<before>[NSEWO])?\s*(?P<sign>[+-])?\s*(?P<deg>{_NUMBER})\s*(?P<degmark>[{_DEGREES}]|deg)?"
    rf"(?:[\s:]*(?P<min>{_NUMBER})\s*(?P<minmark>[{_PRIMES}](?![{_PRIMES}])|m(?:in)?)?"
    rf"(?:[\s:]*(?P<sec>{_NUMBER})\s*(?P<secmark>[{_SECONDS}]|[{_PRIMES}]{{2}}|s(?:ec)?(?![A-Za-z]))?)?)?"
    r"\s*(?P<after>[NSEWO])?",
    re.IGNORECASE,
)
_TWO_PLACES = re.compile(r"[+-]?\d+[.,]\d+\s*[NSEW]?\s*[,;/\s]\s*[+-]?\d+[.,]\d+.*", re.IGNORECASE)


def parse_angle(text: str, axis: Literal["lat", "lon"]) -> float:
    r"""
    Return a latitude or longitude in degrees.

    Parameters
    ----------
    text : str
        Decimal degrees (with point or comma), or degrees and minutes, or degrees, minutes and seconds,
        with any degree and quote marks and the letter N, S, E or W on either side.
    axis : {"lat", "lon"}
        Which of the two the column holds.

    Returns
    -------
    float
        North and east positive. [deg]

    Raises
    ------
    CellError
        If this is no such angle, or lies out of range.

    Examples
    --------
    >>> parse_angle("48\u00b030\u203212\u2033 N", "lat")
    48.50333333333333
    >>> parse_angle("W 3 30.0", "lon")
    -3.5
    """
    name, limit = ("latitude", 90) if axis == "lat" else ("longitude", 180)
    plain = text.translate(MINUSES)
    if _TWO_PLACES.fullmatch(plain):
        raise CellError(
            "holds two numbers", "Put the latitude into the column lat and the longitude into the column lon."
        )
    match = _ANGLE.fullmatch(plain)
    if match is None:
        raise CellError(f"is not a {name}", "Write decimal degrees, for example 48.50333.")
    letters = [letter.upper() for letter in (match["before"], match["after"]) if letter]
    marked = bool(letters or match["degmark"])
    if match["min"] and not marked:
        raise CellError(
            f"is not a {name}",
            "Write decimal degrees, for example 48.50333, or mark the degrees, for example 48\u00b030'12\".",
        )
    degrees = _angle_value(match)
    if len(letters) > 1 or (letters and match["sign"]):
        raise CellError("has both a sign and a letter, or two letters", "Keep one of them.")
    if letters == ["O"]:
        raise CellError("the letter O may mean east or west", "Write E or W, or a sign (west is negative).")
    if letters and letters[0] not in ("NS" if axis == "lat" else "EW"):
        other = "longitude" if axis == "lat" else "latitude"
        raise CellError(
            f"the letter {letters[0]} belongs to a {other}, but this column holds the {name}",
            "Are lat and lon swapped?",
        )
    value = -degrees if match["sign"] == "-" or letters in (["S"], ["W"]) else degrees
    if not abs(value) <= limit:
        mend = "Are lat and lon swapped?" if abs(value) <= 180 else "Write degrees, not metres of a map grid."
        raise CellError(f"{name} must lie between -{limit} and {limit}", mend)
    return value


def _angle_value(match: re.Match[str]) -> float:
    parts = [match["deg"], match["min"], match["sec"]]
    given = [part for part in parts if part]
    for part in given[:-1]:
        if not part.isdigit():
            raise CellError("only the last part of an angle may have decimals")
    numbers = [float(part.replace(",", ".")) for part in given]
    if any(number >= 60 for number in numbers[1:]):
        raise CellError("minutes and seconds of an angle must be less than 60")
    return sum(number / 60.0**power for power, number in enumerate(numbers))
