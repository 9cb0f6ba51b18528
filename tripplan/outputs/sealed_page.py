"""
A page that opens only with a passphrase, in any browser and with no signal.

Only what is the same in every kit (the map library, styles, scripts) stands in the clear beside the
ciphertext, and it is bound to it: a change of one sign there is refused like one in the ciphertext.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from html.parser import HTMLParser

from markupsafe import Markup

from tripplan.errors import SealError
from tripplan.outputs.pages import asset, page_environment, require_self_contained, script_policy
from tripplan.outputs.plain_text import json_block
from tripplan.outputs.sealing import Sealed, seal, unlock
from tripplan.outputs.wording import Wording

__all__ = ["fresh_nonce", "has_stand_in", "open_page", "seal_page"]

_WORDS = ("empty", "working", "working_slow", "wrong", "changed", "no_cipher")


def fresh_nonce() -> str:
    """Return the nonce that scripts of a page to be locked carry."""
    return secrets.token_urlsafe(16)


def has_stand_in() -> bool:
    """Return whether this installation carries the cipher for browsers that deny a file their own."""
    return bool(_stand_in())


def seal_page(page: str, passphrase: str, wording: Wording, *, nonce: str, parts: Sequence[str] = ()) -> str:
    """
    Return a page that holds another one, locked.

    Parameters
    ----------
    page : str
        A whole HTML page, its scripts with the nonce.
    passphrase : str
        What opens it.
    wording : Wording
        Language of the words before it is opened.
    nonce : str
        From `fresh_nonce`.
    parts : sequence of str
        Texts of the page that are the same in every kit and need no lock.

    Returns
    -------
    str
        One self-contained HTML file.

    Raises
    ------
    SealError
        If the passphrase is empty or holds control characters.
    ValueError
        If a part cannot stand inside a script element.
    """
    if "\x01" in page:
        raise ValueError("the page holds the sign that marks parts")
    used = [part for part in parts if part and part in page]
    for number, part in enumerate(used):
        if "</script" in part.lower() or "<!--" in part or "\r" in part or "\x00" in part:
            raise ValueError("a part cannot stand inside a script element")
        page = page.replace(part, f"\x01{number}\x01")
    locked = seal(page, passphrase, "".join(used))
    scripts = [script for script in (_stand_in(), asset("unlock.js")) if script]
    text = (
        page_environment(wording)
        .get_template("sealed.html.j2")
        .render(
            language=wording.language,
            policy=script_policy(scripts, nonce),
            styles=Markup(asset("marks.css") + asset("sealed.css")),  # noqa: S704 - our own files
            parts=[Markup(part) for part in used],  # noqa: S704 - our own code, looked at above
            words=Markup(json_block({key: wording.say(f"sealed.{key}") for key in _WORDS})),  # noqa: S704 - made safe
            header=Markup(locked.header),  # noqa: S704 - names, numbers and base64
            data=Markup(locked.data),  # noqa: S704 - base64
            scripts=[Markup(script) for script in scripts],  # noqa: S704 - our own code
        )
    )
    require_self_contained(text)
    return text


def open_page(text: str, passphrase: str) -> str:
    """
    Open a locked page as a browser would, with the second implementation of the cipher.

    Parameters
    ----------
    text : str
        The file, as `seal_page` made it.
    passphrase : str
        What opens it.

    Returns
    -------
    str
        The page that it holds.

    Raises
    ------
    SealError
        If it is no locked page, the passphrase is wrong or the file was changed.
    """
    reader = _Reader()
    reader.feed(text)
    reader.close()
    header, data = (reader.found.get(name) for name in ("sealed-header", "sealed-data"))
    if header is None or data is None:
        raise SealError("The file is not a locked page.")
    page = unlock(Sealed(header, data), passphrase, "".join(reader.parts))
    for number, part in enumerate(reader.parts):
        page = page.replace(f"\x01{number}\x01", part)
    return page


class _Reader(HTMLParser):
    """Collects what the scripts of a locked page read."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: dict[str, str] = {}
        self.parts: list[str] = []
        self._into = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        if tag == "script":
            if "data-part" in names:
                self.parts.append("")
                self._into = "part"
            else:
                self._into = names.get("id") or ""
                self.found[self._into] = ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "script":
            self._into = ""

    def handle_data(self, data: str) -> None:
        if self._into == "part":
            self.parts[-1] += data
        elif self._into:
            self.found[self._into] += data


def _stand_in() -> str:
    return asset("built/cipher.js", missing="")
