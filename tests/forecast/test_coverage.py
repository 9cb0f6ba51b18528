"""A small count of the coverage that the benchmark counts in full, against a world of another make."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def coverage():
    spec = importlib.util.spec_from_file_location("forecast_coverage", BENCHMARKS / "forecast_coverage.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["forecast_coverage"] = module
    spec.loader.exec_module(module)
    return module


def test_the_world_knows_nothing_of_the_package():
    tree = ast.parse((BENCHMARKS / "forecast_world.py").read_text(encoding="utf-8"))
    named = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    named |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert named == {"__future__", "dataclasses", "datetime", "numpy"}


def test_the_world_keeps_its_law(coverage):
    module = coverage.load_world_module()
    runs = [run for seed in range(3) for site in module.make_world(seed).runs for run in site]
    swapped = np.mean([not run.found_dark for run in runs])
    assert swapped == pytest.approx(0.75, abs=0.06)
    assert np.mean([run.volts is None for run in runs]) == pytest.approx(0.5, abs=0.06)
    assert 0.005 < np.mean([run.is_early_failure for run in runs]) < 0.04
    assert all(run.flat <= run.end for run in runs if run.found_dark)


def test_intervals_cover_about_what_they_say(coverage):
    """Some 350 cases, so chance alone allows three to five points either way; the full count is the benchmark's."""
    rows, fresh = coverage.collect(12, 2001, yardstick=False)
    mine = [row for row in rows if row[0] == "tripplan"]
    said, truth = np.stack([row[1] for row in mine]), np.array([row[2] for row in mine])
    assert len(mine) > 250

    def inside(low, high):
        return np.mean((truth >= said[:, low]) & (truth < said[:, high]))

    assert inside(2, 4) == pytest.approx(0.50, abs=0.10)
    assert inside(1, 5) == pytest.approx(0.80, abs=0.08)
    assert inside(0, 6) == pytest.approx(0.90, abs=0.06)
    assert np.mean(truth >= said[:, 1]) == pytest.approx(0.90, abs=0.06)
    early, likely, late, swap_by, life = np.array(fresh).T
    assert np.mean(life >= swap_by + 1) > 0.91
    assert np.mean((life >= early) & (life < late + 1)) == pytest.approx(0.90, abs=0.06)
    assert np.mean(life >= likely) == pytest.approx(0.5, abs=0.10)
    # what it must beat: each site alone promises far too much
    alone = [row for row in rows if row[0] == "each site alone"]
    assert np.mean([row[2] >= row[1][1] for row in alone]) < 0.8


def test_other_seeds_give_other_worlds_and_the_same_seed_the_same(coverage):
    module = coverage.load_world_module()
    first, again, other = (module.make_world(seed).temps for seed in (5, 5, 8))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
