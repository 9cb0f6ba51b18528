"""
A small piece of the earth laid flat, for maps without tiles.

Metres per degree are the ellipsoid's own at the middle of the map, so over some tens of kilometres a
scale bar is true to a hundredth up to 70 degrees of latitude, finer than a hand-sized map can show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["FlatFrame", "frame_points", "nice_length", "spread_apart"]

_WGS84_A = 6_378_137.0  # semi-major axis [m]
_WGS84_E2 = 6.694379990141e-3  # first eccentricity squared, NIMA TR8350.2 table 3.3


@dataclass(frozen=True)
class FlatFrame:
    """
    A window on the ground and the drawing it fills.

    Attributes
    ----------
    lat, lon : float
        Middle of the map. [deg]
    metres_per_unit : float
        Ground metres for one unit of the drawing. [m]
    width, height : float
        The drawing.
    """

    lat: float
    lon: float
    metres_per_unit: float
    width: float
    height: float

    def place(self, lat: float, lon: float) -> tuple[float, float]:
        """Return x, y on the drawing; y grows southwards."""
        east, north = _metres(self.lat, self.lon, lat, lon)
        return (
            self.width / 2 + east / self.metres_per_unit,
            self.height / 2 - north / self.metres_per_unit,
        )


def frame_points(
    points: Sequence[tuple[float, float]], width: float, height: float, margin: float
) -> FlatFrame:
    """
    Return the frame that shows all points with a margin.

    Parameters
    ----------
    points : sequence of (lat, lon)
        At least one. [deg]
    width, height, margin : float
        Size of the drawing and its clear border.

    Returns
    -------
    FlatFrame
        North up. A single point gets a view of 400 m.

    Examples
    --------
    >>> frame = frame_points([(52.0, -3.0), (52.1, -3.0)], 400, 400, 50)
    >>> [round(v) for v in frame.place(52.1, -3.0)], round(frame.metres_per_unit, 1)
    ([200, 50], 37.1)
    """
    lat0, lon0 = points[0]
    offsets = [_metres(lat0, lon0, lat, lon) for lat, lon in points]
    east = [offset[0] for offset in offsets]
    north = [offset[1] for offset in offsets]
    north_per_degree, east_per_degree = _metres_per_degree(lat0)
    middle_lat = lat0 + (min(north) + max(north)) / 2 / north_per_degree
    middle_lon = lon0 + (min(east) + max(east)) / 2 / east_per_degree
    scale = max(
        (max(east) - min(east)) / (width - 2 * margin),
        (max(north) - min(north)) / (height - 2 * margin),
        400.0 / width,
    )
    return FlatFrame(middle_lat, middle_lon, scale, width, height)


def nice_length(longest: float) -> float:
    """
    Return the greatest 1, 2 or 5 times a power of ten that is not above `longest`.

    Examples
    --------
    >>> nice_length(730), nice_length(19_000)
    (500.0, 10000.0)
    """
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest)


def spread_apart(
    points: Sequence[tuple[float, float]], gap: float, width: float, height: float
) -> list[tuple[float, float]]:
    """
    Move marks that would cover each other apart, as little as that takes.

    Parameters
    ----------
    points : sequence of (x, y)
        Where the marks belong.
    gap : float
        Least distance between two marks.
    width, height : float
        The drawing, which the marks do not leave.

    Returns
    -------
    list of (x, y)
        Where to draw them; the caller draws a thin line to where they belong.

    Examples
    --------
    >>> a, b = spread_apart([(50, 50), (50, 50)], 20, 100, 100)
    >>> round(((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5) >= 20
    True
    """
    # Coinciding marks start on a small spiral, so that the push has a direction.
    placed = [
        (x + 0.01 * k * math.cos(2.4 * k), y + 0.01 * k * math.sin(2.4 * k))
        for k, (x, y) in enumerate(points)
    ]
    inset = gap / 2
    for _ in range(200):
        moved = False
        for i in range(len(placed)):
            for j in range(i + 1, len(placed)):
                dx, dy = placed[j][0] - placed[i][0], placed[j][1] - placed[i][1]
                far = math.hypot(dx, dy)
                if far >= gap:
                    continue
                push = (gap * 1.02 - far) / 2 / max(far, 1e-9)
                placed[i] = (placed[i][0] - dx * push, placed[i][1] - dy * push)
                placed[j] = (placed[j][0] + dx * push, placed[j][1] + dy * push)
                moved = True
        placed = [(min(max(x, inset), width - inset), min(max(y, inset), height - inset)) for x, y in placed]
        if not moved:
            break
    return placed


def _metres_per_degree(lat: float) -> tuple[float, float]:
    """Return metres per degree of latitude and of longitude on WGS84."""
    squeeze = 1 - _WGS84_E2 * math.sin(math.radians(lat)) ** 2
    meridian = _WGS84_A * (1 - _WGS84_E2) / squeeze**1.5
    parallel = _WGS84_A * math.cos(math.radians(lat)) / math.sqrt(squeeze)
    return math.radians(meridian), math.radians(max(parallel, 1.0))


def _metres(lat0: float, lon0: float, lat: float, lon: float) -> tuple[float, float]:
    north_per_degree, east_per_degree = _metres_per_degree(lat0)
    around = (lon - lon0 + 180) % 360 - 180
    return around * east_per_degree, (lat - lat0) * north_per_degree
