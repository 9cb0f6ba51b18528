"""
User text made safe for every output: one place, one rule each.

Names, notes and contacts come from other people's spreadsheets. `clean` removes what no file format
can carry or what would turn the reading direction of the text around it; escaping for HTML, XML and
iCalendar is left to the libraries that write them; CSV cells and JSON blocks are guarded here.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

__all__ = ["clean", "csv_cell", "csv_table", "json_block"]

# C0 and C1 controls, surrogates and the two non-characters that XML 1.0 section 2.2 forbids.
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
# Embeddings, overrides and isolates of Unicode UAX 9: unbalanced ones turn the text around them.
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")
_SPACE = re.compile("[\\s\u2028\u2029\u0085]+")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def clean(text: str) -> str:
    r"""
    Return user text on one line without anything that a file format or a reader stumbles over.

    Parameters
    ----------
    text : str
        As the user wrote it.

    Returns
    -------
    str
        Without control characters, lone surrogates and direction overrides; runs of white space are one
        space. Nothing is escaped and nothing is shortened.

    Examples
    --------
    >>> clean("gate\x07 code \u202e1234\n  left")
    'gate code 1234 left'
    """
    kept = _TURNING.sub("", _FORBIDDEN.sub("", text.replace("\x85", " ")))
    return _SPACE.sub(" ", kept).strip()


def csv_cell(value: str | float | None) -> str:
    """
    Return one CSV cell that no spreadsheet runs as a formula (CWE-1236).

    Parameters
    ----------
    value : str, float or None
        Numbers are written as they are; None is an empty cell.

    Returns
    -------
    str
        Text that starts with ``= + - @``, tab or carriage return gets a leading apostrophe.

    Examples
    --------
    >>> csv_cell("=cmd()"), csv_cell(-72.5), csv_cell("-72.5 volts"), csv_cell(None)
    ("'=cmd()", '-72.5', "'-72.5 volts", '')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        guarded = value.startswith(_FORMULA_STARTS)
        text = clean(value)
        return f"'{text}" if guarded or text.startswith(_FORMULA_STARTS) else text
    return f"{value:.12g}"


def csv_table(header: Iterable[str], rows: Iterable[Iterable[str | float | None]]) -> bytes:
    r"""
    Return a CSV file: UTF-8 with a byte order mark, commas, CRLF, every cell guarded.

    Parameters
    ----------
    header : iterable of str
        Column names.
    rows : iterable of iterables
        One for each row.

    Returns
    -------
    bytes
        The file.

    Examples
    --------
    >>> csv_table(["item", "count"], [["pole; short", 2]])
    b'\xef\xbb\xbfitem,count\r\n"pole; short",2\r\n'
    """
    lines = [",".join(header)]
    lines.extend(",".join(_quoted(csv_cell(value)) for value in row) for row in rows)
    return ("\r\n".join(lines) + "\r\n").encode("utf-8-sig")


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in ',";\n\r') else cell


def json_block(data: Mapping[str, Any]) -> str:
    r"""
    Return JSON that may stand inside a script element, whatever the texts hold.

    Parameters
    ----------
    data : mapping
        What the page's own script reads with ``JSON.parse``.

    Returns
    -------
    str
        ASCII only, without ``<``, ``>`` and ``&``, so that neither ``</script>`` nor a comment can begin.

    Examples
    --------
    >>> json_block({"name": "</script>\u2028"})
    '{"name":"\\u003c/script\\u003e\\u2028"}'
    """
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for mark, code in (("<", "\\u003c"), (">", "\\u003e"), ("&", "\\u0026")):
        text = text.replace(mark, code)
    return text
