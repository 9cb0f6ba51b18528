"""
The short text in which results travel by message, read back into the contract's object.

The kit's page writes it (``assets/record.js``); this is its only reader. Each part stands on its own::

    tripplan 1of3=a3f9: trip=2026-12-05-A; by=Ruth; visits=2; #5f3a
    tripplan 2of3=a3f9: site=C1; when=2026-12-05T08:31:00+00:00; found=running; pack_in=B10; #01bc
    tripplan 3of3=a3f9: site=C2; found=not_reached; notes=gate%20locked; #77d0

A visit may have several ``job=``, one for each job that was done, and ``polarity=yes`` where it was ticked.
White space means nothing, so lines may be wrapped, joined or cut anywhere. A value holds letters and
digits, ``_`` for a space, and ``. , : + -`` between two of these only; every other character stands as
``%XX`` of its UTF-8. So no quote, dash or run of dots is there for a phone to make prettier, and no sign that
an old network does not know. ``#`` carries the first four digits of the CRC-32 of the part's fields,
``=a3f9`` those of the fields of all parts: a lost, altered or foreign part is named.
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
# White space, what phones put in or around text without being seen, and the marks of a quoted message.
_UNSEEN = re.compile("[\\s>\u00ad\u180e\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff\ufe0f]+")
# Marks of a message cut in pieces: "(2/3)" anywhere, "2/3" at the head of a line. No slash is its own.
_PIECE = re.compile(
    r"[(\[]\s*(\d{1,2})\s*/\s*(\d{1,2})\s*[)\]]|^[ \t]*(\d{1,2})/(\d{1,2})(?=[\s:])", re.MULTILINE
)
_PART = re.compile(
    r"tripplan(\d{1,4})of(\d{1,4})=([0-9a-f]{4}):((?:(?!tripplan\d{1,4}of)[^#])*)#([0-9a-f]{4})",
    re.IGNORECASE,
)
_BEGUN = re.compile(r"tripplan(\d{1,4})of(\d{1,4})=", re.IGNORECASE)


def looks_like_results_text(text: str) -> bool:
    """
    Tell whether a pasted text holds results.

    Examples
    --------
    >>> looks_like_results_text("Hi, here you are: tripplan 1of2=a3f9: trip=2026-12-05-A;")
    True
    >>> looks_like_results_text("tripplan sends you off at 8")
    False
    """
    return _BEGUN.search(_UNSEEN.sub("", text)) is not None


def read_results_text(text: str) -> dict[str, Any]:
    """
    Return the results that a pasted text holds.

    Parameters
    ----------
    text : str
        May have words before, between and after the parts, which may stand in any order, also twice.

    Returns
    -------
    dict
        As a results file holds it: ``format``, ``trip_id``, ``by`` and ``visits``; what was not recorded
        is None. Values are not checked against any fleet.

    Raises
    ------
    ValueError
        With a sentence for the user: no results in it, a part missing or altered on the way, two sendings in
        one text, or a field that is no field of results.

    Examples
    --------
    >>> read_results_text("tripplan 1of2=a3f9: trip=T; by=Ada; visits=1; #0000")
    Traceback (most recent call last):
    ...
    ValueError: part 1 of 2 was altered on the way (its check sum does not fit); have the text sent again
    """
    packed = _UNSEEN.sub("", _in_order(text))
    begun = _BEGUN.findall(packed)
    if not begun:
        raise ValueError("the text holds no results (no part in it begins with 'tripplan 1of...')")
    count = int(begun[0][1])
    parts: dict[int, str] = {}
    sendings: dict[str, None] = {}
    altered: list[int] = []
    for found in _PART.finditer(packed):
        number, fields = int(found[1]), found[4]
        if _sum(fields) != found[5].lower():
            altered.append(number)
            continue
        sendings[found[3].lower()] = None
        parts[number] = fields
    if len(sendings) > 1:
        raise ValueError(
            f"the text holds parts of {len(sendings)} sendings ({', '.join(sendings)}); paste one at a time"
        )
    broken = sorted(set(altered) - set(parts))
    if broken:
        raise ValueError(
            f"{_parts(broken)} of {count} {'was' if len(broken) == 1 else 'were'} altered on the way "
            "(its check sum does not fit); have the text sent again"
        )
    missing = [number for number in range(1, count + 1) if number not in parts]
    if missing:
        raise ValueError(
            f"{_parts(missing)} of {count} {'is' if len(missing) == 1 else 'are'} missing or cut off; "
            "paste all parts together, or have the text sent again"
        )
    if [_sum("".join(parts[number] for number in range(1, count + 1)))] != list(sendings):
        raise ValueError("the parts do not belong together; have the text sent again")
    results = _fields_to_results([parts[number] for number in range(1, count + 1)])
    if len(results["visits"]) != count - 1:
        raise ValueError(
            f"the text holds {len(results['visits'])} visits in {count} parts; have it sent again"
        )
    return results


def _in_order(text: str) -> str:
    """
    Return the text without the marks of a message that was cut in pieces, its pieces in their order.

    Examples
    --------
    >>> _in_order("(2/2) b (1/2) a").split()
    ['a', 'b']
    """
    found = list(_PIECE.finditer(text))
    numbers = [int(mark[1] or mark[3]) for mark in found]
    of = {int(mark[2] or mark[4]) for mark in found}
    bare = _PIECE.sub(" ", text)
    if len(of) != 1 or sorted(numbers) != list(range(1, of.pop() + 1)):
        return bare
    ends = [mark.start() for mark in found[1:]] + [len(text)]
    pieces = sorted(
        (number, text[mark.end() : end]) for number, mark, end in zip(numbers, found, ends, strict=True)
    )
    return text[: found[0].start()] + " " + "".join(piece for _, piece in pieces)


def _sum(fields: str) -> str:
    return f"{zlib.crc32(fields.encode('utf-8')):08x}"[:4]


def _parts(numbers: list[int]) -> str:
    """
    Return parts by number, in words.

    Examples
    --------
    >>> _parts([3]), _parts([2, 5])
    ('part 3', 'parts 2, 5')
    """
    return f"part{'' if len(numbers) == 1 else 's'} {', '.join(map(str, numbers))}"


def _fields_to_results(parts: list[str]) -> dict[str, Any]:
    results: dict[str, Any] = {"format": RESULTS_FORMAT, "trip_id": "", "by": "", "visits": []}
    for piece in (piece for part in parts for piece in part.split(";") if piece):
        name, _, raw = piece.partition("=")
        name, value = name.lower(), _plain(raw)
        if name in {"trip", "by"}:
            results["trip_id" if name == "trip" else "by"] = value
        elif name == "site":
            results["visits"].append({"site_id": value, **dict.fromkeys(_VISIT_FIELDS)})
        elif name == "job" and results["visits"]:
            results["visits"][-1].setdefault("jobs_done", []).append(value)
        elif name == "polarity" and results["visits"]:
            results["visits"][-1][name] = value.lower() == "yes"
        elif name in _VISIT_FIELDS and results["visits"]:
            results["visits"][-1][name] = _number(name, value) if name in _NUMBERS else value
        elif name != "visits":
            raise ValueError(f"'{name}' is no field of results; have the text sent again")
    return results


def _number(name: str, value: str) -> float:
    try:
        return float(value)
    except ValueError:
        raise ValueError(f"{name} must be a number (found '{value}')") from None


def _plain(value: str) -> str:
    """
    Return a value without its escapes.

    Examples
    --------
    >>> _plain("gate_locked%3B_100%25_%C3%BCbel")
    'gate locked; 100% übel'
    """
    raw = bytearray()
    for kept, code in re.findall(r"([^%]+)|%([0-9A-Fa-f]{2})", value.replace("_", " ")):
        raw += bytes([int(code, 16)]) if code else kept.encode("utf-8")
    return raw.decode("utf-8", errors="replace")
