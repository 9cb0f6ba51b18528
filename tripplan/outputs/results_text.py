"""
The short text in which results travel by message, read back into the contract's object.

The kit's page writes it (``assets/record.js``); this is its only reader::

    tripplan-results=1; trip=2026-12-05-A; by=Ruth;
    site=C1; when=2026-12-05T08:31:00+00:00; found=running; done=swapped; pack_in=B10;
    visits=1; sum=0123abcd;

Every field is ``name=value;``; ``%``, ``;`` and ``=`` in a value stand as ``%25``, ``%3B`` and ``%3D``.
``sum`` is the CRC-32 of everything before ``visits``, white space left out, so that line breaks put in
or taken out on the way do no harm and a lost or altered piece is noticed.
"""

from __future__ import annotations

import re
import zlib
from typing import Any

__all__ = ["RESULTS_FORMAT", "looks_like_results_text", "read_results_text"]

RESULTS_FORMAT = "tripplan-results/1"

_VISIT_FIELDS = (
    "when",
    "found",
    "cause",
    "done",
    "pack_out",
    "volts_out",
    "pack_in",
    "volts_in",
    "minutes",
    "notes",
)
_NUMBERS = frozenset(("volts_out", "volts_in", "minutes"))
_START = re.compile(r"tripplan-results\s*=\s*1\s*;")


def looks_like_results_text(text: str) -> bool:
    """
    Tell whether a pasted text holds results.

    Examples
    --------
    >>> looks_like_results_text("Hi, here you are: tripplan-results=1; trip=2026-12-05-A;")
    True
    """
    return _START.search(text) is not None


def read_results_text(text: str) -> dict[str, Any]:
    """
    Return the results that a pasted text holds.

    Parameters
    ----------
    text : str
        May have words before and after the results.

    Returns
    -------
    dict
        As a results file holds it: ``format``, ``trip_id``, ``by`` and ``visits``; what was not recorded
        is None. Values are not checked against any fleet.

    Raises
    ------
    ValueError
        With a sentence for the user: no results in it, cut off, altered on the way, or a field that is no
        field of results.

    Examples
    --------
    >>> read_results_text("tripplan-results=1; trip=T; by=Ada; site=C1; found=dark; visits=1; sum=cc22a2fd;")
    Traceback (most recent call last):
    ...
    ValueError: the text was altered on the way (its check sum does not fit); have it sent again
    """
    start = _START.search(text)
    if start is None:
        raise ValueError("the text holds no results (it does not begin with 'tripplan-results=1;')")
    body = text[start.start() :]
    end = re.search(r"visits\s*=\s*(\d+)\s*;\s*sum\s*=\s*([0-9a-f\s]{8,16}?)\s*;", body)
    if end is None:
        raise ValueError("the text is cut off before its end ('sum=...;'); have it sent again")
    content = body[: end.start()]
    packed = re.sub(r"\s+", "", content)
    if f"{zlib.crc32(packed.encode('utf-8')):08x}" != re.sub(r"\s+", "", end[2]):
        raise ValueError("the text was altered on the way (its check sum does not fit); have it sent again")
    results = _fields_to_results(content)
    if len(results["visits"]) != int(end[1]):
        raise ValueError(
            f"the text holds {len(results['visits'])} visits and says {end[1]}; have it sent again"
        )
    return results


def _fields_to_results(content: str) -> dict[str, Any]:
    results: dict[str, Any] = {"format": RESULTS_FORMAT, "trip_id": "", "by": "", "visits": []}
    for piece in content.split(";"):
        name, sign, value = piece.strip().partition("=")
        if not name and not sign:
            continue
        name, value = re.sub(r"\s+", "", name), _plain(value)
        if name == "tripplan-results":
            continue
        if name in {"trip", "by"}:
            results["trip_id" if name == "trip" else "by"] = value
        elif name == "site":
            results["visits"].append({"site_id": value, **dict.fromkeys(_VISIT_FIELDS)})
        elif name in _VISIT_FIELDS and results["visits"]:
            results["visits"][-1][name] = _number(name, value) if name in _NUMBERS else value
        else:
            raise ValueError(f"'{name}' is no field of results; have the text sent again")
    return results


def _number(name: str, value: str) -> float:
    try:
        return float(re.sub(r"\s+", "", value))
    except ValueError:
        raise ValueError(f"{name} must be a number (found '{value}')") from None


def _plain(value: str) -> str:
    """Return a value without its escapes, white space squeezed."""
    squeezed = " ".join(value.split())
    return re.sub("%(25|3B|3D)", lambda match: chr(int(match[1], 16)), squeezed)
