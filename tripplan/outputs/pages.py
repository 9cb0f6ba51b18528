"""The two pages of a kit, filled from templates and proved to be self-contained."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from html.parser import HTMLParser
from importlib import resources

import jinja2
from markupsafe import Markup

from tripplan.outputs.kit_model import KitView
from tripplan.outputs.page_data import page_data
from tripplan.outputs.plain_text import json_block
from tripplan.outputs.static_map import mark_svg, stop_map, trip_map
from tripplan.outputs.wording import Wording

__all__ = [
    "OutsideRequestError",
    "asset",
    "kit_parts",
    "page_environment",
    "render_checklist",
    "render_map_page",
    "require_self_contained",
    "script_policy",
]

_LINK_ATTRIBUTES = frozenset(
    ("src", "href", "srcset", "data", "action", "poster", "formaction", "xlink:href", "background")
)
_OUTSIDE = re.compile(r"^\s*(?:[a-z][a-z0-9+.-]*:)?//", re.IGNORECASE)
_CSS_LOAD = re.compile(r"url\s*\(|@import", re.IGNORECASE)
_SCRIPT_LOAD = re.compile(r"""(?:src|href)\s*[=:]\s*\\?["'](?:https?:)?//""", re.IGNORECASE)


class OutsideRequestError(RuntimeError):
    """A page would ask a host for something: a bug in this program, never the user's fault."""


def render_map_page(kit: KitView, wording: Wording, *, recording: bool, nonce: str = "") -> str:
    """
    Return ``map.html``.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        Language and units.
    recording : bool
        Whether outcomes can be recorded in the page.
    nonce : str
        Put on every script, for a page that is written into a locked one.

    Returns
    -------
    str
        One self-contained HTML file; complete without scripts.

    Raises
    ------
    OutsideRequestError
        If the page would ask any host for anything.
    """
    from tripplan.outputs.leaflet_map import build_live_map, leaflet_css, leaflet_js  # heavy, so only here

    live = build_live_map(kit, wording)
    scripts = [leaflet_js(), asset("page.js"), asset("map.js") + live.script]
    if recording:
        scripts[1:1] = [asset("results.js"), asset("record.js")]
    text = (
        page_environment(wording)
        .get_template("map.html.j2")
        .render(
            kit=kit,
            policy=script_policy(scripts),
            styles=Markup(leaflet_css() + asset("marks.css") + asset("page.css")),  # noqa: S704 - our own files
            trip_map=Markup(trip_map(kit, wording)),  # noqa: S704 - escaped where it is built
            stop_maps=[Markup(stop_map(stop, wording)) for stop in kit.stops],  # noqa: S704 - as above
            live_html=Markup(live.html),  # noqa: S704 - a constant
            scripts=[Markup(script) for script in scripts],  # noqa: S704 - our own code and numbers
            nonce=nonce,
            data=Markup(json_block(page_data(kit, wording, recording=recording))),  # noqa: S704 - made safe by json_block
            recording=recording,
        )
    )
    require_self_contained(text)
    return text


def render_checklist(kit: KitView, wording: Wording) -> str:
    """
    Return ``checklist.html``.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        Language and units.

    Returns
    -------
    str
        One self-contained HTML file for A4 or Letter paper, without any script.

    Raises
    ------
    OutsideRequestError
        If the page would ask any host for anything.
    """
    text = (
        page_environment(wording)
        .get_template("checklist.html.j2")
        .render(
            kit=kit,
            policy=script_policy([]),
            styles=Markup(asset("marks.css") + asset("paper.css")),  # noqa: S704 - our own files
            trip_map=Markup(trip_map(kit, wording)),  # noqa: S704 - escaped where it is built
            stop_maps=[Markup(stop_map(stop, wording)) for stop in kit.stops],  # noqa: S704 - as above
        )
    )
    require_self_contained(text)
    return text


def kit_parts() -> tuple[str, ...]:
    """
    Return the texts that are the same in every kit: the map library, styles and scripts.

    Returns
    -------
    tuple of str
        Each as it stands in the pages.
    """
    from tripplan.outputs.leaflet_map import leaflet_css, leaflet_js

    own = ("page.css", "paper.css", "marks.css", "results.js", "record.js", "map.js")
    return (leaflet_js(), leaflet_css(), *(asset(name) for name in own))


def require_self_contained(text: str) -> None:
    """
    Refuse a page that would ask any host for anything.

    Parameters
    ----------
    text : str
        A whole HTML page.

    Raises
    ------
    OutsideRequestError
        If an element loads or links to a host, a style loads anything but a data URI, or a script holds
        markup that does.

    Examples
    --------
    >>> require_self_contained('<p>see https://example.org</p><a href="geo:1,2">x</a>')
    >>> require_self_contained('<img src="//example.org/x.png">')
    Traceback (most recent call last):
    ...
    tripplan.outputs.pages.OutsideRequestError: <img src="//example.org/x.png"> asks another host
    """
    reader = _Reader()
    reader.feed(text)
    reader.close()
    if reader.problem:
        raise OutsideRequestError(reader.problem)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.problem = ""
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag if tag in {"style", "script"} else self._inside
        for name, value in attrs:
            if name in _LINK_ATTRIBUTES and _OUTSIDE.match(value or ""):
                self.problem = f'<{tag} {name}="{value}"> asks another host'
            if name == "style" and _CSS_LOAD.search(value or ""):
                self.problem = f"a style of <{tag}> loads something"
            if name.startswith("on"):
                self.problem = f"<{tag}> carries a script in {name}"

    def handle_endtag(self, tag: str) -> None:
        if tag == self._inside:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "style" and _CSS_LOAD.search(data):
            self.problem = "a style sheet loads something"
        if self._inside == "script" and _SCRIPT_LOAD.search(data):
            self.problem = "a script holds markup that asks another host"


def script_policy(scripts: Sequence[str], nonce: str = "") -> str:
    """
    Return a page's content security policy: these scripts and nothing else, no host at all.

    Parameters
    ----------
    scripts : sequence of str
        The whole text of each script.
    nonce : str
        Also lets scripts run that carry it: those of a page that is decrypted into this one.

    Returns
    -------
    str
        For a meta element.
    """
    hashes = " ".join(
        "'sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() + "'"
        for script in scripts
    )
    hashes += f" 'nonce-{nonce}'" if nonce else ""
    allowed = hashes or "'none'"
    return (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
        f"script-src {allowed}; base-uri 'none'; form-action 'none'"
    )


def page_environment(wording: Wording) -> jinja2.Environment:
    """
    Return the environment that fills this package's templates, with everything escaped.

    Parameters
    ----------
    wording : Wording
        For ``say``.

    Returns
    -------
    jinja2.Environment
        With ``say`` and ``mark_svg``.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tripplan.outputs"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["say"] = wording.say
    environment.globals["mark_svg"] = _mark
    return environment


def _mark(kind: str, label: str | int) -> Markup:
    return Markup(mark_svg(kind, str(label)))  # noqa: S704 - mark_svg escapes the label


def asset(name: str, *, missing: str | None = None) -> str:
    """
    Return one of this package's own scripts or styles.

    Parameters
    ----------
    name : str
        File name below ``assets``.
    missing : str, optional
        What to return where it is not there; an error where not given.

    Returns
    -------
    str
        Its text.
    """
    file = resources.files("tripplan.outputs") / "assets" / name
    return missing if missing is not None and not file.is_file() else file.read_text("utf-8")
