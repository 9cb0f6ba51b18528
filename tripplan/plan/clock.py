"""How far a search is, and whether to go on."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

__all__ = ["Clock", "Progress"]


@dataclass(frozen=True)
class Progress:
    """
    How far planning is.

    Attributes
    ----------
    elapsed_s : float
        Since the start. [s]
    lower_bound : int
        Trips that no plan can undercut, as proved so far.
    trip_count : int or None
        Trips of the best plan found so far.
    in_time : bool
        Whether that plan is in time everywhere with the fallback dates asked for; only then does the
        bound speak of plans like it.
    """

    elapsed_s: float
    lower_bound: int
    trip_count: int | None
    in_time: bool = True


@dataclass
class Clock:
    """Asks whether to go on; remembers Ctrl-C."""

    time_limit_s: float | None
    begun: float = field(default_factory=time.monotonic)
    stopped: bool = False

    @property
    def elapsed_s(self) -> float:
        """Seconds since the search began."""
        return time.monotonic() - self.begun

    def go_on(self, share: float = 1.0) -> bool:
        """Tell whether less than this share of the time is used up, and nobody asked to stop."""
        return not self.stopped and (self.time_limit_s is None or self.elapsed_s < share * self.time_limit_s)
