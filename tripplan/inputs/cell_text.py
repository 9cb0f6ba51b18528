"""The text of a cell, and what is said of one that cannot be read."""

from __future__ import annotations

__all__ = ["MINUSES", "CellError", "clean_text"]

_INVISIBLE = dict.fromkeys(map(ord, "\u200b\u200c\u2060\ufeff"), None)
MINUSES = str.maketrans({"\u2212": "-", "\u2013": "-", "\u2010": "-", "\u2011": "-"})


class CellError(ValueError):
    """
    A cell that cannot be read.

    Parameters
    ----------
    problem : str
        What is wrong, as a clause without a full stop.
    mend : str, default ""
        What to do about it, as a full sentence.
    """

    def __init__(self, problem: str, mend: str = "") -> None:
        self.problem = problem
        self.mend = mend
        super().__init__(problem)


def clean_text(text: str) -> str:
    r"""
    Return a cell's text without stray and invisible space around it.

    Parameters
    ----------
    text : str
        As it stands in the file.

    Returns
    -------
    str
        No-break spaces count as spaces; line breaks inside are kept.

    Examples
    --------
    >>> clean_text("\u00a0 NA\u200b ")
    'NA'
    """
    if text.isascii():
        return text.strip()  # the usual case, and the quick one
    return text.translate(_INVISIBLE).replace("\u00a0", " ").replace("\u202f", " ").strip()
