"""Several compiled steps at once: they let go of the interpreter, so that threads share the cores."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from typing import TypeVar

__all__ = ["at_once", "in_order", "to_the_end"]

_MOST = 2
"""Labels of exact pricing take memory; what more threads would save was not measured."""

_HEED_S = 0.1

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


def in_order(
    work: Callable[[_Job], _Done], jobs: Sequence[_Job], *, on_end: Callable[[], None] | None = None
) -> Generator[_Done, None, None]:
    """
    Do jobs on the cores at hand.

    Parameters
    ----------
    work : callable
        Does one job; what it says does not depend on what else runs.
    jobs : sequence
        The jobs. Where the caller stops, or something fails, those not begun are dropped.
    on_end : callable, optional
        Called when the caller stops or something fails, before jobs under way are waited for, to tell them to
        stop; and after the last result. Never called where jobs run in turn.

    Yields
    ------
    object
        What each job gave, in the order of the jobs.
    """
    if min(at_once(), len(jobs)) < _MOST:
        yield from map(work, jobs)
        return
    pool = ThreadPoolExecutor(_MOST, thread_name_prefix="pricing")
    try:
        yield from pool.map(work, jobs)
    finally:
        if on_end is not None:
            on_end()
        pool.shutdown(wait=True, cancel_futures=True)


def to_the_end(
    solve: Callable[[], _Done], stop: Callable[[], object], go_on: Callable[[], bool] | None = None
) -> _Done:
    """
    Solve in a thread of its own, so that a Ctrl-C is heard at once and not once it is done.

    Parameters
    ----------
    solve : callable
        Solves; lets go of the interpreter.
    stop : callable
        Makes it end soon.
    go_on : callable, optional
        False stops too; what is found by then stays.

    Returns
    -------
    object
        What `solve` returned.
    """
    with ThreadPoolExecutor(1, thread_name_prefix="solving") as pool:
        solving = pool.submit(solve)
        try:
            while wait([solving], _HEED_S).not_done:
                if go_on is not None and not go_on():
                    stop()
        except BaseException:
            stop()
            raise
    return solving.result()


def at_once() -> int:
    """Return how many jobs run at once."""
    return min(_MOST, _cores())


def _cores() -> int:
    """Return the cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
