"""How far a search is, and whether to go on."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import FrameType
from typing import Literal

__all__ = ["Clock", "Progress", "Rounds", "Step"]


Step = Literal["fewer trips", "less crew time", "reasons"]
"""What planning is at; with the reasons come the bounds of what is not the number of trips."""


@dataclass(frozen=True)
class Progress:
    """
    How far planning is.

    Attributes
    ----------
    elapsed_s : float
        Since the start. [s]
    lower_bound : int
        Trips that no plan can undercut, as proved so far; 0 where that is not known before the end.
    trip_count : int or None
        Trips of the best plan found so far.
    in_time : bool
        Whether that plan is in time everywhere with the fallback dates asked for; only then does the
        bound speak of plans like it.
    ready : bool
        False before the inner loops are ready; compiling them takes about a minute on a first run.
    step : "fewer trips", "less crew time" or "reasons"
        What planning is at.
    crew_seconds : int or None
        Crew time of the best plan found so far. [s]
    """

    elapsed_s: float
    lower_bound: int
    trip_count: int | None
    in_time: bool = True
    ready: bool = True
    step: Step = "fewer trips"
    crew_seconds: int | None = None


@dataclass
class Clock:
    """
    Asks whether to go on; remembers Ctrl-C.

    Attributes
    ----------
    raises : bool
        Whether a Ctrl-C ends what is under way, in `hearing`; else it is only remembered, and all that asks
        the clock ends soon. Once the first search is over there is a plan, which no interrupt may lose.
    """

    time_limit_s: float | None
    begun: float = field(default_factory=time.monotonic)
    stopped: bool = False
    raises: bool = True

    @contextlib.contextmanager
    def hearing(self) -> Iterator[None]:
        """Hear each Ctrl-C as `raises` says; where nothing raises, the second one does so all the same."""
        before = signal.getsignal(signal.SIGINT)
        if threading.current_thread() is not threading.main_thread() or not callable(before):
            yield  # signals reach the main thread only, and those that are ignored stay so
            return
        heard = 0

        def hear(number: int, frame: FrameType | None) -> None:
            nonlocal heard
            heard += not self.raises
            if self.raises or heard > 1:
                before(number, frame)
                return
            self.stopped = True
            with contextlib.suppress(KeyboardInterrupt):  # who listens outside is told
                before(number, frame)

        signal.signal(signal.SIGINT, hear)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, before)

    @contextlib.contextmanager
    def raising(self) -> Iterator[None]:
        """Let a Ctrl-C end what is inside, and be remembered from then on."""
        self.raises = True
        try:
            yield
        finally:
            self.raises = False

    @property
    def elapsed_s(self) -> float:
        """Seconds since the search began."""
        return time.monotonic() - self.begun

    def left(self, share: float = 1.0) -> float | None:
        """Return the seconds left of this share, at least one, or None where there is no limit."""
        return None if self.time_limit_s is None else max(1.0, share * self.time_limit_s - self.elapsed_s)

    def with_part_of_rest(self, part: float) -> float:
        """Return the share of the time that is used up once this part of what is left now is."""
        if self.time_limit_s is None:
            return 1.0
        used = self.elapsed_s / self.time_limit_s
        return used + part * max(0.0, 1.0 - used)

    def go_on(self, share: float = 1.0) -> bool:
        """Tell whether less than this share of the time is used up, and nobody asked to stop."""
        return not self.stopped and (self.time_limit_s is None or self.elapsed_s < share * self.time_limit_s)


@dataclass
class Rounds:
    """
    Long steps of like length: the first may take what time there is, later ones begin only if they can end.

    Attributes
    ----------
    clock : Clock
        The clock.
    first, later : float
        Shares of the time up to which the first round may run, and by which later ones have to end.
    """

    clock: Clock
    first: float
    later: float
    _ended_s: float = field(init=False)
    _count: int = field(default=0, init=False)
    _enough: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        self._ended_s = self.clock.elapsed_s

    def ended(self) -> None:
        """Take down that a round has ended."""
        now, limit = self.clock.elapsed_s, self.clock.time_limit_s
        self._count += 1
        self._enough = limit is not None and now + (now - self._ended_s) > self.later * limit
        self._ended_s = now

    def go_on(self) -> bool:
        """Tell whether to go on."""
        return not self._enough and self.clock.go_on(self.later if self._count else self.first)
