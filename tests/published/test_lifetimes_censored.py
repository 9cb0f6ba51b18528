"""The learning against published fits of censored lives and a conjugate-normal example."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest

from tripplan.forecast import learning
from tripplan.forecast.crossing import WeatherSums
from tripplan.forecast.evidence import run_evidence
from tripplan.forecast.history import Run

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: ten failures, ten units still running at 500 h
FAILED = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)
RUNNING = (500,) * 10
START = date(2026, 1, 1)


def lives(base):
    """Likelihoods of the handbook's units, an hour counted as a day."""
    sums = WeatherSums(None, np.zeros((1, 1200)))
    runs = [
        Run("A", START, None, START + timedelta(days=hours), START + timedelta(days=hours))
        for hours in FAILED
    ]
    runs += [Run("A", START, None, START + timedelta(days=hours)) for hours in RUNNING]
    return [run_evidence(run, base, sums, START).signs for run in runs]


def test_censored_log_normal_fit_of_the_handbook():
    """8.4.1.3 prints an AIC of 154.39 for the log-normal; the estimates 6.226 and 0.909 are recomputed."""
    base = -6.226015
    evidence = np.stack(lives(base))

    def log_likelihood(shift, sd):
        return float(np.log(evidence @ learning.normal_cells(shift, sd)).sum())

    aic = -2.0 * log_likelihood(0.0, 0.908914) + 4.0
    # days instead of moments: each failure is known to one day in some 300
    assert aic == pytest.approx(154.39, abs=0.1)
    best = log_likelihood(0.0, 0.908914)
    for shift in (-0.15, 0.15):
        assert log_likelihood(shift, 0.908914) < best
    for sd in (0.75, 1.1):
        assert log_likelihood(0.0, sd) < best


def test_ignoring_censoring_would_be_told_apart():
    """Counting the ten units still running as failed at 500 h moves the fit: the evidence must not."""
    base = -6.226015
    censored = lives(base)[-1]
    # all loads below that of 500 h remain possible, equally so
    alive = base + learning.EDGES[1:] < -math.log(500.0)
    assert censored[alive] == pytest.approx(1.0)
    assert censored[base + learning.EDGES[:-1] > -math.log(500.0)] == pytest.approx(0.0)


def test_conjugate_normal_worked_example(monkeypatch):
    """
    Normal with known variance (any textbook; formula as in the MIT 18.05 notes).

    Prior N(5, 1), three lives averaging 4.2 with a spread of 0.8: mean 4.340659, spread 0.41931; here at half scale.
    """
    monkeypatch.setattr(learning, "STRAY_SHARE", 0.0)

    def seen(value):
        likelihood = np.zeros(learning.CELLS)
        likelihood[int(np.searchsorted(learning.EDGES, value)) - 1] = 1.0
        return likelihood

    # the middle of each cell is what is seen
    values = [-0.60, -0.39, -0.21]
    chain = learning.Chain(
        "all", tuple(seen(v) for v in values), np.ones(learning.CELLS), (0.0, 0.0), 0.5, 0.4
    )
    at = [float(learning.MIDDLES[int(np.argmax(seen(v)))]) for v in values]
    found = learning.learn_sites([chain], learning.FleetFit(0.5, 0.4, drift=1e-9))[0]
    precision = 1 / 0.5**2 + 3 / 0.4**2
    mean = sum(at) / 0.4**2 / precision
    assert found.shift == pytest.approx(mean, abs=2e-3)
    assert found.shift_sd == pytest.approx(precision**-0.5, abs=2e-3)
    # the textbook's numbers at half scale: (4.340659 - 5) / 2 and 0.41931 / 2
    assert mean == pytest.approx(-0.659341 / 2 * (np.mean(at) / -0.4), abs=1e-3)
    assert found.shift_sd == pytest.approx(0.41931 / 2, abs=2e-3)
