"""Inner loops compiled: kept on the disk for the next run where that can be, else compiled in each run."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numba as nb

__all__ = ["compiled", "compiled_inner", "compiled_part"]

_INNER: dict[str, Any] = {"nogil": True, "_nrt": False}
"""``_nrt``: whether arrays can be made; numba's own switch, which its manual does not name."""


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """
    Return a function compiled at its first call.

    The machine code is kept for the next run. Where no folder for it can be written (neither beside the
    package nor in the user's own cache), or the disk is full, it is compiled in each run anew.

    Parameters
    ----------
    function : callable
        Written in what numba understands.

    Returns
    -------
    callable
        The same, faster.
    """
    kernel: Callable[..., Any]
    try:
        kernel = nb.njit(cache=True, nogil=True)(function)
    except RuntimeError:  # numba finds no folder that it may write to
        kernel = compiled_part(function)

    @functools.wraps(function)
    def run(*args: Any) -> Any:
        try:
            try:
                return kernel(*args)
            except OSError:  # compiled, but it could not be written: the second call finds it in memory
                return kernel(*args)
        except SystemError as error:
            if isinstance(error.__cause__, KeyboardInterrupt):  # Ctrl-C came in while it was entered
                raise KeyboardInterrupt from error
            raise

    return run


def compiled_part(function: Callable[..., Any]) -> Callable[..., Any]:
    """
    Return a function that compiled ones call; it is kept as a part of them.

    Parameters
    ----------
    function : callable
        Written in what numba understands.

    Returns
    -------
    callable
        The same, faster.
    """
    kernel: Callable[..., Any] = nb.njit(nogil=True)(function)
    return kernel


def compiled_inner(function: Callable[..., Any]) -> Callable[..., Any]:
    """
    Return a function that compiled ones call in their inner loops, and that makes no array.

    Handing arrays on costs a count up and down of each, atomic, which is more than a short loop takes; a
    function that can make none needs no counts.

    Parameters
    ----------
    function : callable
        Written in what numba understands.

    Returns
    -------
    callable
        The same, faster.
    """
    kernel: Callable[..., Any] = nb.njit(**_INNER)(function)
    return kernel
