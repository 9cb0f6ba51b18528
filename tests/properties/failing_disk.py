"""
A disk that fails, or a process that dies, at a chosen operation.

Every operation by which tripplan changes the disk goes through a handful of functions; each call is
counted. ``once``: that call alone fails, with a full disk if nothing else is said. ``for good``: that call and all later ones
fail. ``dies``: the process is gone at that point, so nothing later has any effect either, not even the
clearing up; afterwards the lock is free again, as it is when the system ends a process.
"""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from typing import Any, Self

import pytest


class Died(BaseException):
    """The process is gone."""


_OPERATIONS = (
    (Path, "open"),
    (Path, "replace"),
    (Path, "unlink"),
    (Path, "mkdir"),
    (Path, "rmdir"),
    (os, "fsync"),
    (os, "link"),
)


class FailingDisk:
    """Patches the operations while the block lasts; `count` is how many there were."""

    def __init__(self, at: int | None, how: str = "once", only: str = "", code: int = errno.ENOSPC) -> None:
        self.at, self.how, self.only, self.code, self.count = at, how, only, code, 0
        self._patch = pytest.MonkeyPatch()
        self._dead = False

    def __enter__(self) -> Self:
        for owner, name in _OPERATIONS:
            self._patch.setattr(owner, name, self._wrap(name, getattr(owner, name)))
        self._patch.setattr(fcntl, "flock", self._flock(fcntl.flock))
        return self

    def __exit__(self, *_: object) -> None:
        self._patch.undo()

    def _flock(self, real: Any) -> Any:
        def flock(*args: Any) -> Any:
            if self._dead:
                raise Died
            return real(*args)

        return flock

    def _wrap(self, name: str, real: Any) -> Any:
        def call(*args: Any, **kwargs: Any) -> Any:
            reads = name == "open" and not set(
                str(kwargs.get("mode", args[1] if len(args) > 1 else "r"))
            ) & set("wxa+")
            if self._dead:
                raise Died
            if reads or (self.only and name != self.only):
                return real(*args, **kwargs)
            self.count += 1
            if self.at is not None and (
                self.count == self.at or (self.how == "for good" and self.count > self.at)
            ):
                if self.how == "dies":
                    self._dead = True
                    raise Died
                raise OSError(self.code, os.strerror(self.code))
            return real(*args, **kwargs)

        return call
