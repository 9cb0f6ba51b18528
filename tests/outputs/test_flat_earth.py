"""The flat map against geodesics of the ellipsoid (pyproj, which follows Karney 2013)."""

from __future__ import annotations

import itertools
import math

import pytest
from pyproj import Geod

from tripplan.outputs.flat_earth import frame_points, nice_length, spread_apart

GEOD = Geod(ellps="WGS84")


@pytest.mark.parametrize(
    ("lat", "lon"), [(0.0, 0.0), (57.25, -4.15), (-42.1, 147.2), (69.9, 23.0), (-16.8, 179.98)]
)
def test_distances_on_the_map_are_true_to_a_hundredth_over_forty_kilometres(lat, lon):
    points = [
        (lat + dlat, (lon + dlon + 180) % 360 - 180) for dlat in (0, 0.15, 0.3) for dlon in (0, 0.2, 0.4)
    ]
    frame = frame_points(points, 420, 330, 46)
    for (lat1, lon1), (lat2, lon2) in itertools.combinations(points, 2):
        x1, y1 = frame.place(lat1, lon1)
        x2, y2 = frame.place(lat2, lon2)
        drawn = math.hypot(x2 - x1, y2 - y1) * frame.metres_per_unit
        # The parallels change their length by 0.72 % over 0.15 degrees at 70 degrees north.
        assert drawn == pytest.approx(GEOD.inv(lon1, lat1, lon2, lat2)[2], rel=0.0075)


def test_all_points_keep_the_margin():
    frame = frame_points([(57.2, -4.2), (57.3, -4.1), (57.25, -4.3)], 420, 330, 46)
    for point in ((57.2, -4.2), (57.3, -4.1), (57.25, -4.3)):
        x, y = frame.place(*point)
        assert 46 - 0.5 <= x <= 420 - 46 + 0.5
        assert 46 - 0.5 <= y <= 330 - 46 + 0.5


def test_north_is_up_and_east_is_right():
    frame = frame_points([(57.2, -4.2), (57.3, -4.1)], 400, 400, 40)
    (x1, y1), (x2, y2) = frame.place(57.2, -4.2), frame.place(57.3, -4.1)
    assert x2 > x1
    assert y2 < y1


@pytest.mark.parametrize("count", [2, 7, 20])
def test_marks_in_one_place_end_up_apart_and_inside(count):
    placed = spread_apart([(210.0, 165.0)] * count, 42.5, 420, 330)
    for a, b in itertools.combinations(placed, 2):
        assert math.hypot(a[0] - b[0], a[1] - b[1]) >= 42
    assert all(21 <= x <= 399 and 21 <= y <= 309 for x, y in placed)


def test_marks_that_do_not_touch_stay():
    assert spread_apart([(50.0, 50.0), (300.0, 200.0)], 40, 420, 330) == [
        pytest.approx((50.0, 50.0), abs=0.02),
        pytest.approx((300.0, 200.0), abs=0.02),
    ]


@pytest.mark.parametrize(
    ("longest", "nice"), [(1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (4.9, 2.0), (9.9, 5.0), (0.7, 0.5)]
)
def test_scale_bars_have_round_lengths(longest, nice):
    assert nice_length(longest) == pytest.approx(nice)
