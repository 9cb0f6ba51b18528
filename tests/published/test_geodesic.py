"""
Distances against published worked examples.

* Flinders Peak to Buninyong: Geocentric Datum of Australia Technical Manual (Intergovernmental
  Committee on Surveying and Mapping), the worked example of Vincenty's inverse formula on GRS80.
* Two cases of the GeographicLib documentation, and its classic inverse example.
* Land's End to John o'Groats: the pair often used to compare distance formulas; value recomputed.
* geographiclib (C. F. F. Karney's own Python code) as an oracle.

GRS80 and WGS84 differ by 0.1 mm in the polar axis, far below the millimetre asserted here.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import Geod

from tripplan.travel import geodesic_m
from tripplan.travel.geodesic import _WGS84

MILLIMETRE = 1e-3  # the last digit that the sources print


def degrees(sign: int, degree: int, minute: int, second: float) -> float:
    return sign * (degree + minute / 60 + second / 3600)


FLINDERS_PEAK = degrees(-1, 37, 57, 3.72030), degrees(1, 144, 25, 29.52440)
BUNINYONG = degrees(-1, 37, 39, 10.15610), degrees(1, 143, 55, 35.38390)


def test_flinders_peak_to_buninyong():
    assert float(geodesic_m(*FLINDERS_PEAK, *BUNINYONG)) == pytest.approx(54972.271, abs=MILLIMETRE)


def test_flinders_peak_shows_a_wrong_ellipsoid():
    # The older Australian National Spheroid gives 54972.469 m: the check above would notice it.
    old = Geod(a=6378160.0, rf=298.25)
    _, _, metres = old.inv(FLINDERS_PEAK[1], FLINDERS_PEAK[0], BUNINYONG[1], BUNINYONG[0])
    assert metres == pytest.approx(54972.469, abs=MILLIMETRE)
    assert abs(metres - float(geodesic_m(*FLINDERS_PEAK, *BUNINYONG))) > 100 * MILLIMETRE


@pytest.mark.parametrize(
    ("start", "end", "metres"),
    [
        # GeographicLib documentation, Wellington to Salamanca
        ((-41.32, 174.81), (40.96, -5.50), 19959679.267),
        # GeographicLib documentation, John F. Kennedy airport to London Heathrow
        ((40.6, -73.8), (51.6, -0.5), 5551759.400),
        # Land's End to John o'Groats, recomputed with geographiclib
        ((50.06632, -5.71475), (58.64402, -3.07009), 969954.166),
    ],
)
def test_printed_distances(start, end, metres):
    assert float(geodesic_m(*start, *end)) == pytest.approx(metres, abs=MILLIMETRE)


def test_printed_end_of_a_direct_problem():
    # GeographicLib documentation: 20000 km from Perth at azimuth 225 ends at this place, printed to 1e-8 degrees.
    lon, lat, _ = _WGS84.fwd(115.74, -32.06, 225.0, 20_000_000.0)
    assert (lat, lon) == pytest.approx((32.11195529, -63.95925278), abs=1e-8)
    # So close to the far side of the globe another way round is shorter (recomputed with geographiclib).
    assert float(geodesic_m(-32.06, 115.74, lat, lon)) == pytest.approx(19_990_773.630, abs=MILLIMETRE)


def test_geographiclib_as_oracle():
    rng = np.random.default_rng(20261125)
    lat1, lat2 = rng.uniform(-90, 90, (2, 300))
    lon1, lon2 = rng.uniform(-180, 180, (2, 300))
    lat2[:20], lon2[:20] = -lat1[:20] + 1e-3, lon1[:20] + 179.9  # nearly on the other side of the globe
    lat2[20:40], lon2[20:40] = lat1[20:40] + 1e-5, lon1[20:40]  # a metre apart
    ours = geodesic_m(lat1, lon1, lat2, lon2)
    theirs = [Geodesic.WGS84.Inverse(*pair)["s12"] for pair in zip(lat1, lon1, lat2, lon2, strict=True)]
    # Both claim some nanometres; a micrometre leaves room for the order of sums.
    assert np.abs(ours - theirs).max() < 1e-6
