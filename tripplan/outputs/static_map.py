"""
Maps as inline SVG: for paper, and for the page when no script runs.

One drawing shows the drive of the whole trip, one more each stop on foot. Lines are straight
between known points, and the page says so. Marks carry shape, letter and colour together: a house
for the base, a square P for a parking, a disc for a swap, a diamond for a call without one.
The attributes alone draw it in black and white, for readers that know no style sheets; these add the colour.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

from tripplan.outputs.flat_earth import FlatFrame, frame_points, nice_length, spread_apart
from tripplan.outputs.kit_model import KitView, StopView
from tripplan.outputs.wording import Wording

__all__ = ["SHAPES", "mark_svg", "stop_map", "trip_map"]

_WIDTH, _HEIGHT, _MARGIN = 420.0, 320.0, 46.0
_STOP_HEIGHT = 260.0
_FOOT = 34.0  # the strip below the map with scale and north
_MARK = 17.0  # half the size of a mark, in drawing units

# Outlines of the marks about the origin, fitting a box of +-17.
SHAPES = {
    "base": "M0 -17 L17 -3 L17 16 L-17 16 L-17 -3 Z",
    "parking": "M-16 -16 H16 V16 H-16 Z",
    "swap": "M0 -17 A17 17 0 1 1 0 17 A17 17 0 1 1 0 -17 Z",
    "call": "M0 -21 L21 0 L0 21 L-21 0 Z",
    "set-out": "M0 -24 L23 16 H-23 Z",
    "take-in": "M0 24 L23 -16 H-23 Z",
}


def mark_svg(kind: str, label: str, x: float = 0.0, y: float = 0.0) -> str:
    """
    Return one mark as an SVG group.

    Parameters
    ----------
    kind : str
        Key of `SHAPES`.
    label : str
        Letter or number inside.
    x, y : float
        Where it stands.

    Returns
    -------
    str
        Markup; the label is escaped.

    Examples
    --------
    >>> mark_svg("swap", "3", 10, 20)[:56]
    '<g class="mark mark-swap" transform="translate(10,20)"><'
    """
    size = 17 if len(label) < 3 else 13
    shift = {"base": 11, "set-out": 12, "take-in": 2}.get(kind, 6)
    return (
        f'<g class="mark mark-{kind}" transform="translate({_n(x)},{_n(y)})"><path d="{SHAPES[kind]}"/>'
        f'<text y="{shift}" text-anchor="middle" font-size="{size}" font-weight="700" fill="#fff">'
        f"{html.escape(label)}</text></g>"
    )


def trip_map(kit: KitView, wording: Wording) -> str:
    """
    Return the drawing of the whole drive.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        Language and units.

    Returns
    -------
    str
        One ``svg`` element with a title for screen readers.
    """
    base = (kit.base_lat, kit.base_lon)
    parkings = [(stop.lat, stop.lon) for stop in kit.stops]
    frame = frame_points([base, *parkings], _WIDTH, _HEIGHT, _MARGIN)
    true = [frame.place(*point) for point in (base, *parkings)]
    drawn = spread_apart(true, 2.5 * _MARK, _WIDTH, _HEIGHT)
    route = [*drawn, drawn[0]]
    parts = [_grid(frame), *_leaders(true, drawn)]
    parts.append(_line("drive", route))
    parts.extend(_arrow(a, b) for a, b in pairwise(route))
    parts.append(mark_svg("base", wording.say("mark.base"), *drawn[0]))
    for stop, (x, y) in zip(kit.stops, drawn[1:], strict=True):
        parts.append(mark_svg("parking", stop.label, x, y))
        parts.append(_text("note", x, y + 33, stop.numbers_text))
    parts.append(_scale_and_north(frame, wording))
    return _svg("trip-map", wording.say("map.trip_title"), frame, parts)


def stop_map(stop: StopView, wording: Wording) -> str:
    """
    Return the drawing of one stop's foot loops.

    Parameters
    ----------
    stop : StopView
        The stop.
    wording : Wording
        Language and units.

    Returns
    -------
    str
        One ``svg`` element with a title for screen readers.
    """
    sites = stop.sites
    points = [(stop.lat, stop.lon), *((site.lat, site.lon) for site in sites)]
    frame = frame_points(points, _WIDTH, _STOP_HEIGHT, _MARGIN)
    true = [frame.place(*point) for point in points]
    drawn = spread_apart(true, 2.5 * _MARK, _WIDTH, _STOP_HEIGHT)
    where = {site.number: drawn[k + 1] for k, site in enumerate(sites)}
    parts = [_grid(frame), *_leaders(true, drawn)]
    for loop in stop.loops:
        way = [drawn[0], *(where[site.number] for site in loop.sites), drawn[0]]
        parts.append(_line("walk", way))
        parts.extend(_arrow(a, b) for a, b in pairwise(way))
    parts.append(mark_svg("parking", stop.label, *drawn[0]))
    parts.extend(mark_svg(site.mark, str(site.number), *where[site.number]) for site in sites)
    parts.append(_scale_and_north(frame, wording))
    return _svg(f"stop-map-{stop.number}", wording.say("map.stop_title", label=stop.label), frame, parts)


def _svg(name: str, title: str, frame: FlatFrame, parts: Iterable[str]) -> str:
    box = f"0 0 {_n(frame.width)} {_n(frame.height + _FOOT)}"
    head = (
        f'<svg class="flat-map" role="img" aria-labelledby="{name}-title" viewBox="{box}">'
        f'<title id="{name}-title">{html.escape(title)}</title>'
    )
    return head + "".join(parts) + "</svg>"


def _grid(frame: FlatFrame) -> str:
    """Return a light grid of round lengths, so that distances can be judged by eye."""
    step = nice_length(frame.width * frame.metres_per_unit / 5) / frame.metres_per_unit
    path = []
    x = frame.width / 2 % step
    while x < frame.width:
        path.append(f"M{_n(x)} 0V{_n(frame.height)}")
        x += step
    y = frame.height / 2 % step
    while y < frame.height:
        path.append(f"M0 {_n(y)}H{_n(frame.width)}")
        y += step
    return f'<path class="grid" fill="none" stroke="#ccc" d="{"".join(path)}"/>'


def _line(kind: str, points: Sequence[tuple[float, float]]) -> str:
    path = "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points)
    dashes = ' stroke-dasharray="2 8"' if kind == "walk" else ""
    return f'<path class="way way-{kind}" fill="none" stroke="#000" stroke-width="4"{dashes} d="{path}"/>'


def _leaders(true: Sequence[tuple[float, float]], drawn: Sequence[tuple[float, float]]) -> list[str]:
    """Return thin lines from marks that had to move to where they belong."""
    lines = []
    for (x, y), (u, v) in zip(true, drawn, strict=True):
        if math.hypot(u - x, v - y) > 4:
            lines.append(
                f'<path class="leader" fill="none" stroke="#000" d="M{_n(x)} {_n(y)}L{_n(u)} {_n(v)}"/>'
                f'<circle class="leader-dot" cx="{_n(x)}" cy="{_n(y)}" r="3.5"/>'
            )
    return lines


def _arrow(a: tuple[float, float], b: tuple[float, float]) -> str:
    """Return an arrowhead a little past the middle of a line, where there is room for one."""
    length = math.hypot(b[0] - a[0], b[1] - a[1])
    if length < 3.4 * _MARK:
        return ""
    # Off the middle, so that the heads of a way out and the same way back do not cover each other.
    x, y = a[0] + (b[0] - a[0]) * 0.6, a[1] + (b[1] - a[1]) * 0.6
    angle = math.degrees(math.atan2(b[1] - a[1], b[0] - a[0]))
    where = f"translate({_n(x)},{_n(y)}) rotate({_n(angle)})"
    return f'<path class="arrow" transform="{where}" d="M-8 -7L8 0L-8 7Z"/>'


def _scale_and_north(frame: FlatFrame, wording: Wording) -> str:
    metres = nice_length(frame.width * frame.metres_per_unit / 3.2)
    if not wording.metric:
        miles = nice_length(frame.width * frame.metres_per_unit / 3.2 / 1609.344)
        metres = miles * 1609.344
    length = metres / frame.metres_per_unit
    north = html.escape(wording.say("map.north"))
    words = html.escape(wording.distance(metres))
    top = frame.height
    low, high = _n(top + 23), _n(top + 12)
    left = 12
    return (
        f'<path class="frame" fill="none" stroke="#000" d="M0 {_n(top)}H{_n(frame.width)}"/>'
        '<g class="scale"><path fill="none" stroke="#000" stroke-width="2.5" '
        f'd="M{left} {high}V{low}H{_n(left + length)}V{high}"/>'
        f'<text x="{_n(left + length + 9)}" y="{low}">{words}</text></g>'
        f'<g class="north" transform="translate({_n(frame.width - 44)},{_n(top + 17)})">'
        f'<path d="M0 -13L8 12L0 7L-8 12Z"/><text x="16" y="6">{north}</text></g>'
    )


def _text(name: str, x: float, y: float, words: str) -> str:
    """Return words set in the middle above x, y."""
    where = f'x="{_n(x)}" y="{_n(y)}" text-anchor="middle" font-size="18"'
    return f'<text class="{name}" {where}>{html.escape(words)}</text>'


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
