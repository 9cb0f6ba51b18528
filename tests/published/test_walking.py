"""
Walking rules against published worked examples.

Sources stand beside each check. Naismith's sentence and the later rules were read in pages that
quote them; the texts of 1892, of Tobler's report and of DIN 33466 themselves were not at hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from tripplan.travel import din33466_minutes, naismith_minutes, tobler_minutes


def test_naismith_worked_example():
    # W. W. Naismith, "Cruach Ardran, Stobinian, and Ben More," Scottish Mountaineering Club Journal 2 (1892) 136,
    # metric reading: 20 km with 1600 m of climb take 4 h + 2 h 40 min. Exact arithmetic, hence no tolerance but rounding.
    assert float(naismith_minutes(20_000, 1600)) / 60 == pytest.approx(6 + 2 / 3, abs=1e-12)


def test_naismith_is_not_the_eight_to_one_rule():
    # The same example by the 8:1 equivalence (P. Scarf's reading: a metre up is worth eight along) prints 6 h 34 min:
    # 32.8 km at 5 km/h. 5 km/h and 600 m/h make it 25:3, that is 6 h 40 min. The contract is the latter.
    eight_to_one = (20_000 + 8 * 1600) / 5000
    assert eight_to_one == pytest.approx(6 + 34 / 60, abs=1 / 60)  # printed to the minute
    assert float(naismith_minutes(20_000, 1600)) / 60 - eight_to_one == pytest.approx(0.1067, abs=1e-4)


def test_naismith_in_his_own_units():
    # "An hour for every three miles on the map, with an additional hour for every 2000 feet of ascent": 3 miles and
    # 2000 ft take 2 h. The metric reading (5 km, 600 m) rounds both; it is 1.3 % off at most.
    assert float(naismith_minutes(3 * 1609.344, 0.0)) == pytest.approx(60.0, rel=0.04)
    assert float(naismith_minutes(3 * 1609.344, 2000 * 0.3048)) == pytest.approx(120.0, rel=0.013)


def test_naismith_ignores_descent():
    assert float(naismith_minutes(5000, -900)) == 60.0


def test_tobler_table():
    # W. R. Tobler, "Three presentations on geographical analysis and modeling," NCGIA Tech. Rep. 93-1 (1993); the speeds
    # by angle are recomputed from his formula and agree with the table commonly printed with it, to two decimals.
    angle = np.array([-20, -10, -5, -2.8624, 0, 5, 10, 20])
    printed = [2.00, 3.86, 5.26, 6.00, 5.04, 3.71, 2.72, 1.41]
    speed_kmh = 60.0 / tobler_minutes(1000.0, 1000.0 * np.tan(np.radians(angle)))
    assert np.abs(speed_kmh - printed).max() < 0.0051  # half of the last digit printed, and a hair


def test_tobler_off_path_is_a_speed_factor():
    # The same report: off path three fifths, 3.02 km/h on the flat.
    assert 60.0 / float(tobler_minutes(1000.0, 0.0)) * 0.6 == pytest.approx(3.02, abs=0.005)


def test_tobler_is_quickest_on_a_gentle_descent():
    slopes = np.linspace(-0.3, 0.3, 601)
    minutes = tobler_minutes(1000.0, 1000.0 * slopes)
    assert slopes[minutes.argmin()] == pytest.approx(-0.05, abs=1e-9)
    assert minutes.min() == pytest.approx(10.0)


def test_tobler_refuses_a_wall():
    with pytest.raises(ValueError, match="no slope"):
        tobler_minutes(0.0, 5.0)
    assert float(tobler_minutes(0.0, 0.0)) == 0.0


@pytest.mark.parametrize(
    ("distance_m", "rise_m", "hours"),
    [
        # DIN 33466 as hiking guides quote it: 8 km with 900 m up, 3 h + 2 h / 2
        (8_000, 900, 4.0),
        # 10 km with 1200 m up: 4 h + 2.5 h / 2
        (10_000, 1200, 5.25),
        # and down again: 2.5 h + 2.4 h / 2. One guide prints 3.6 h, having halved the larger part: its slip.
        (10_000, -1200, 3.70),
    ],
)
def test_din_33466(distance_m, rise_m, hours):
    assert float(din33466_minutes(distance_m, rise_m)) / 60 == pytest.approx(hours, abs=1e-12)
