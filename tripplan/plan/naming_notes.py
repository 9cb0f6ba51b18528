"""
Notes that excuse sites by name: the one wording that planner and checker share.

What a plan may leave undone only if it says so, it says in one of these; an id that happens to stand in
another note excuses nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["NO_FALLBACK_NOTE", "names_site", "naming_note"]

#: What stands before and after the names.
NO_FALLBACK_NOTE = ("No date leaves a fallback at ", ": if that trip falls through, nobody comes in time.")


def naming_note(words: tuple[str, str], site_ids: Iterable[str]) -> str:
    """
    Return a note that names sites.

    Parameters
    ----------
    words : tuple of str
        What stands before and after the names.
    site_ids : iterable of str
        The sites.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> naming_note(("Not visited: ", "."), ["A1", "A2"])
    'Not visited: A1, A2.'
    """
    return f"{words[0]}{', '.join(site_ids)}{words[1]}"


def names_site(words: tuple[str, str], note: str, site_id: str) -> bool:
    """
    Tell whether a note is of one kind and names a site.

    Parameters
    ----------
    words : tuple of str
        What stands before and after the names in a note of that kind.
    note : str
        Any note.
    site_id : str
        The site.

    Returns
    -------
    bool
        False for a site whose id only happens to stand in another note.

    Examples
    --------
    >>> names_site(("Not visited: ", "."), "Not visited: 1, 2.", "2")
    True
    >>> names_site(("Not visited: ", "."), "2 of 3 sites rest on the usual life of their pack type.", "2")
    False
    """
    before, after = words
    if not (note.startswith(before) and note.endswith(after)):
        return False
    return f", {site_id}, " in f", {note[len(before) : len(note) - len(after)]}, "
