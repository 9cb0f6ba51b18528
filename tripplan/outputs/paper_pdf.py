"""
The checklist as PDF, where the optional extra ``pdf`` is installed: the only module that imports weasyprint.

It lays out the very page that goes on paper from a browser. It may load nothing, and nothing is asked for.
"""

from __future__ import annotations

from importlib import util
from typing import Any

from tripplan.errors import StorageError

__all__ = ["checklist_pdf", "require_pdf_extra"]

_HOW = "pip install 'tripplan[pdf]'; on Debian also: apt-get install libpango-1.0-0 libpangoft2-1.0-0"


def require_pdf_extra() -> None:
    """
    Refuse to go on where no PDF can be made.

    Raises
    ------
    StorageError
        If the extra, or a library of the system that it needs, is missing; the message says how to get it.
    """
    if util.find_spec("weasyprint") is None:
        raise StorageError(f"checklist.pdf needs the optional extra 'pdf', which is not installed ({_HOW}).")
    _library()


def checklist_pdf(page: str, *, letter: bool) -> bytes:
    """
    Return ``checklist.pdf``.

    Parameters
    ----------
    page : str
        The whole ``checklist.html``.
    letter : bool
        Letter paper instead of A4.

    Returns
    -------
    bytes
        The file; the same for the same page.

    Raises
    ------
    StorageError
        As `require_pdf_extra`.
    """
    library = _library()
    size = library.CSS(string=f"@page{{size:{'letter' if letter else 'A4'}}}")
    nothing = library.urls.URLFetcher(allowed_protocols=())
    document = library.HTML(string=page, url_fetcher=nothing)
    made: bytes = document.write_pdf(stylesheets=[size])
    return made


def _library() -> Any:
    try:
        import weasyprint
    except ImportError as error:
        raise StorageError(f"checklist.pdf needs the optional extra 'pdf' ({_HOW}).") from error
    except OSError as error:  # what it draws text with is a library of the system
        raise StorageError(f"checklist.pdf cannot be made: {error} ({_HOW}).") from error
    return weasyprint
