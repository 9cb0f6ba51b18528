"""Trips of a world of another make: with the recommended spares they run short no oftener than asked for."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest
from spares_short import share_short
from spares_world import make_world


@pytest.mark.parametrize("asked", [0.80, 0.95])
def test_trips_run_short_no_oftener_than_asked_for(asked):
    share, _ = share_short(500, 11, asked)
    assert share <= 1.0 - asked


@pytest.mark.slow
@pytest.mark.parametrize("asked", [0.80, 0.90, 0.95, 0.99])
def test_ten_thousand_trips_run_short_no_oftener_than_asked_for(asked):
    share, _ = share_short(10_000, 12, asked)
    assert share <= 1.0 - asked


def test_without_spares_they_do():
    rng = np.random.default_rng(11)
    short = sum(make_world(rng).play(rng, {}) for _ in range(500))
    assert short / 500 > 0.3


def test_the_world_knows_nothing_of_the_formulas():
    path = Path(__file__).parents[1] / "benchmarks" / "spares_world.py"
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
    assert names == {"__future__", "math", "dataclasses", "numpy"}
