"""Compiled loops work where their machine code cannot be kept: no folder to write to, or a full disk."""

from __future__ import annotations

import errno
import os

import numba as nb
import numpy as np
import pytest
from numba.core import caching

from tripplan.plan.compiled import compiled, compiled_part


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
