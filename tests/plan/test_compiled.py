"""Compiled loops work where their machine code cannot be kept: no folder to write to, or a full disk."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import numba as nb
import numpy as np
import pytest
from numba.core import caching

from tripplan.plan.compiled import compiled, compiled_inner, compiled_part


@compiled_part
def _twice(number):
    return number * 2


def _sum_of_doubles(numbers):
    total = 0
    for number in numbers:
        total += _twice(number)
    return total


def test_code_is_compiled_and_right():
    assert compiled(_sum_of_doubles)(np.arange(4)) == 12


def test_without_a_folder_for_the_code(monkeypatch):
    def refuse(*_args, **_kwargs):
        raise RuntimeError("cannot cache function: no locator available")

    monkeypatch.setattr(caching.FunctionCache, "__init__", refuse)
    with pytest.raises(RuntimeError):
        nb.njit(cache=True)(_sum_of_doubles)
    assert compiled(_sum_of_doubles)(np.arange(4)) == 12


def test_on_a_full_disk(monkeypatch):
    tried = []

    def full(_self, name):
        tried.append(name)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(caching.IndexDataCacheFile, "_open_for_write", full)
    monkeypatch.setattr(caching.IndexDataCacheFile, "_load_index", lambda _self: {})
    run = compiled(_sum_of_doubles)
    assert run(np.arange(4)) == 12
    assert run(np.arange(5)) == 20
    assert run(np.arange(4.0)) == 12.0
    assert len(tried) == 2  # once for each kind of argument


def _one_of_both(pair, at):
    first, second = pair
    if first.shape[0] > second.shape[0]:
        first = first[: second.shape[0]]
    return first[at] + second[at]


def test_inner_code_counts_no_arrays_up_and_down():
    pair = (np.arange(4.0), np.arange(4.0))
    code = {}
    for made in (compiled_part, compiled_inner):
        inner = made(_one_of_both)
        assert inner(pair, 3) == 6
        code[made] = "".join(inner.inspect_llvm().values())
    assert "NRT_incref" in code[compiled_part]  # or there is nothing to save any more
    assert "NRT_incref" not in code[compiled_inner]


@pytest.mark.parametrize("cause", [KeyboardInterrupt(), ValueError(), None])
def test_an_interrupt_that_comes_in_as_code_is_entered_stays_one(monkeypatch, cause):
    """The library then raises SystemError, with what was raised first as its cause."""

    def entered(_):
        raise SystemError("returned a result with an exception set") from cause

    monkeypatch.setattr(nb, "njit", lambda **_: lambda _: entered)
    with pytest.raises(KeyboardInterrupt if isinstance(cause, KeyboardInterrupt) else SystemError):
        compiled(_sum_of_doubles)(np.arange(4))


def test_planning_compiles_nothing_once_it_is_ready():
    """What is compiled later takes its time from a limit: the loops get one kind of arrays, also where few."""
    code = """
from numba.core.dispatcher import Dispatcher
from season_instances import TODAY, make_fleet
import tripplan.plan.solve as solve
from tripplan.forecast import forecast_fleet
from tripplan.plan.effort import Effort
from tripplan.travel import measure_travel

make_ready, compile_, ready, later = solve._make_ready, Dispatcher.compile, [], []

def told(season):
    make_ready(season)
    ready.append(season)

def counted(self, signature):
    if ready:
        later.append(self.py_func.__name__)
    return compile_(self, signature)

solve._make_ready, Dispatcher.compile = told, counted
fleet = make_fleet(2, 8, 14)
outlook = forecast_fleet(fleet, TODAY)
plan = solve.plan_season(fleet, outlook, measure_travel(fleet), made_on=TODAY, effort=Effort().short())
print(len(ready), plan.trip_count > 1, sorted(set(later)))
"""
    folders = [str(Path(__file__).parents[1] / "benchmarks"), *sys.path]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(folders)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False
    )
    assert done.stdout.splitlines()[-1:] == ["1 True []"], done.stdout + done.stderr
