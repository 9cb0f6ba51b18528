"""
The live map of the field kit: the only module that imports folium.

folium writes the Leaflet code for the map, its lines and its marks; none of the ten files it would
fetch from other hosts is used. Leaflet itself comes from an installed package and is inlined. No
user text passes through folium: marks carry numbers only, and the page's own script sets all other
text with ``textContent``. Element names are fixed, so that the same trip gives the same bytes.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any

import folium
from branca.element import Element

from tripplan.errors import StorageError
from tripplan.outputs.kit_model import KitView
from tripplan.outputs.static_map import mark_svg
from tripplan.outputs.wording import Wording
from tripplan.storage import read_bytes

__all__ = ["LiveMap", "build_live_map", "leaflet_css", "leaflet_js"]

_LEAFLET_PACKAGE = "xstatic-leaflet"
_MAP_ID = "map_live"


@dataclass(frozen=True)
class LiveMap:
    """
    The pieces of the live map.

    Attributes
    ----------
    html : str
        The element that Leaflet fills.
    script : str
        What builds the map and calls the page's ``tripplanMap``; for one script element.
    """

    html: str
    script: str


def build_live_map(kit: KitView, wording: Wording) -> LiveMap:
    """
    Return the live map of a trip.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        For the letter of the base.

    Returns
    -------
    LiveMap
        Base, route in driving order, parkings, foot loops, numbered sites; scale bar; no tiles.
    """
    base = (kit.base_lat, kit.base_lon)
    parkings = [(stop.lat, _near(stop.lon, base[1])) for stop in kit.stops]
    figure_map = folium.Map(
        location=base,
        tiles=None,
        control_scale=False,
        zoom_control=False,
        attribution_control=False,
        zoom_snap=0.5,
        # A tap during a zoom animation would be lost.
        zoom_animation=False,
        max_zoom=19,
        min_zoom=4,
    )
    _fix_name(figure_map, "live")
    figure_map.default_js = []
    figure_map.default_css = []
    _line("drive", [base, *parkings, base], "way-drive").add_to(figure_map)
    for stop in kit.stops:
        park = (stop.lat, _near(stop.lon, base[1]))
        for loop in stop.loops:
            way = [park, *((site.lat, _near(site.lon, base[1])) for site in loop.sites), park]
            _line(f"walk_{stop.number}_{loop.number}", way, "way-walk").add_to(figure_map)
    marks = [("base", "base", wording.say("mark.base"), base)]
    marks += [
        (f"stop_{stop.number}", "parking", stop.label, at)
        for stop, at in zip(kit.stops, parkings, strict=True)
    ]
    marks += [
        (
            f"site_{site.number}",
            site.mark,
            str(site.number),
            (site.lat, _near(site.lon, base[1])),
        )
        for site in kit.sites
    ]
    for name, kind, label, at in marks:
        _mark(name, kind, label, at).add_to(figure_map)
    figure: Any = figure_map.get_root()  # a branca Figure, which is not typed
    figure.render()
    names = json.dumps([name for name, _, _, _ in marks])
    objects = "{" + ",".join(f"{name}:marker_{name}" for name, _, _, _ in marks) + "}"
    lines = "[poly_line_drive," + ",".join(
        f"poly_line_walk_{stop.number}_{loop.number}" for stop in kit.stops for loop in stop.loops
    )
    script = (
        '(function(){"use strict";\n'
        + figure.script.render()
        + f"\ntripplanMap({_MAP_ID},{names},{objects},{lines}]);\n}})();"
    )
    return LiveMap(f'<div id="{_MAP_ID}" class="live-map"></div>', script)


def _near(lon: float, lon0: float) -> float:
    """Return the longitude on the same turn of the globe as `lon0`."""
    return lon0 + (lon - lon0 + 180) % 360 - 180


def _line(name: str, points: list[tuple[float, float]], style: str) -> folium.PolyLine:
    options: dict[str, Any] = {"class_name": f"way {style}", "interactive": False, "smooth_factor": 0}
    line = folium.PolyLine(points, **options)  # type: ignore[no-untyped-call]
    _fix_name(line, name)
    return line


def _mark(name: str, kind: str, label: str, at: tuple[float, float]) -> folium.Marker:
    picture = mark_svg(kind, label)
    svg = f'<svg viewBox="-22 -22 44 44" width="44" height="44" aria-hidden="true">{picture}</svg>'
    icon = folium.DivIcon(
        html=svg, icon_size=(44, 44), icon_anchor=(22, 22), class_name=f"live-mark live-{kind}"
    )
    _fix_name(icon, name)
    marker = folium.Marker(at, icon=icon, keyboard=True, title="", alt=label)
    _fix_name(marker, name)
    return marker


def _fix_name(element: Element, name: str) -> None:
    """Give a folium element a name of ours in place of a random one."""
    element._id = name  # noqa: SLF001 - folium offers no other way to a repeatable name


@lru_cache(maxsize=1)
def leaflet_js() -> str:
    """
    Return Leaflet's script without its link home and its source map.

    Returns
    -------
    str
        For one script element; the copyright notice at its head is kept.

    Raises
    ------
    StorageError
        If the package that carries it is damaged or of another version.
    """
    text = _asset("leaflet.js")
    text = re.sub(r"//# sourceMappingURL=.*", "", text)
    text, changed = re.subn(r"prefix:'<a href=\"https://leafletjs\.com\".*?Leaflet</a>\"", "prefix:!1", text)
    if changed != 1 or "</script" in text:
        raise StorageError("leaflet.js is not the version this program knows; install it again.")
    return text


@lru_cache(maxsize=1)
def leaflet_css() -> str:
    """
    Return Leaflet's style without the rules that load pictures.

    Returns
    -------
    str
        For one style element; it holds no ``url()``.

    Raises
    ------
    StorageError
        If the package that carries it is damaged or of another version.
    """
    text = re.sub(r"/\*.*?\*/", "", _asset("leaflet.css"), flags=re.DOTALL)
    text = re.sub(r"[^{}]*\{[^{}]*url\([^{}]*\}", "", text)
    if "url(" in text or ".leaflet-pane" not in text:
        raise StorageError("leaflet.css is not the version this program knows; install it again.")
    return re.sub(r"\s+", " ", text).strip()


def _asset(name: str) -> str:
    for file in metadata.files(_LEAFLET_PACKAGE) or ():
        if file.name == name:
            return read_bytes(Path(str(file.locate()))).decode("utf-8")
    raise StorageError(f"{name} is missing from the installed packages; install tripplan again.")
