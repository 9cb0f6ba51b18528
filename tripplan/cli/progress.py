"""How far a run is, told on standard error once it takes longer than two seconds."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.status import Status

from tripplan.cli.printing import Printer
from tripplan.cli.wording import duration

if TYPE_CHECKING:
    from tripplan.plan import Progress

__all__ = ["Reporter", "reporting", "season_text"]

_SILENT_S = 2.0
_BETWEEN_LINES_S = 10.0


@contextlib.contextmanager
def reporting(printer: Printer) -> Iterator[Reporter]:
    """
    Report the steps of a run while the block lasts.

    A terminal gets one moving line; anything else gets plain lines, at most one in ten seconds
    unless the step or the plan has changed. Quiet runs get nothing.

    Parameters
    ----------
    printer : Printer
        Prints on standard error.

    Yields
    ------
    Reporter
        For the functions of `tripplan.pipeline`.
    """
    reporter = Reporter(printer)
    try:
        yield reporter
    finally:
        reporter.close()


class Reporter:
    """
    Tells on standard error what the run is at.

    Parameters
    ----------
    printer : Printer
        Prints there; a quiet one is told nothing.
    """

    def __init__(self, printer: Printer) -> None:
        self._printer = printer
        self._status: Status | None = None
        self._timer: threading.Timer | None = None
        self._lock = threading.Lock()
        self._begun = time.monotonic()
        self._shown_at = float("-inf")
        self._shown = ""
        self._text = ""
        self._counts: tuple[object, ...] = ()

    def stage(self, text: str) -> None:
        """Take note that a step begins; say so if it is still going on two seconds later."""
        if self._printer.quiet:
            return
        with self._lock:
            self._stop_timer()
            self._text = text
            if self._status is not None:
                self._status.update(self._text + " ...")
            else:
                timer = threading.Timer(_SILENT_S, lambda: self._late(timer))
                timer.daemon = True
                self._timer = timer
                timer.start()

    def season(self, progress: Progress) -> None:
        """Tell how far the planning of the season is."""
        if self._printer.quiet:
            return
        text = season_text(progress)
        if not progress.ready:
            self.stage(text)
            return
        with self._lock:
            counts = (progress.trip_count, progress.lower_bound, progress.step)
            changed = counts != self._counts
            self._counts = counts
            self._text = text
            if self._status is not None:
                self._status.update(text)
            elif progress.elapsed_s >= _SILENT_S:
                self._show(force=changed)

    def close(self) -> None:
        """Say no more."""
        with self._lock:
            self._stop_timer()
            if self._status is not None:
                self._status.stop()

    def _late(self, timer: threading.Timer) -> None:
        with self._lock:
            if timer is self._timer:  # else its step ended while it was about to speak
                self._show(force=True)

    def _show(self, *, force: bool) -> None:
        if self._printer.err.is_terminal:
            self._status = Status(self._text, console=self._printer.err)
            self._status.start()
            return
        now = time.monotonic()
        if self._text != self._shown and (force or now - self._shown_at >= _BETWEEN_LINES_S):
            self._printer.remark(f"{self._text} ...")
            self._shown, self._shown_at = self._text, now

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def season_text(progress: Progress) -> str:
    """
    Return how far the planning of the season is, in words.

    Parameters
    ----------
    progress : Progress
        From `tripplan.plan.plan_season`.

    Returns
    -------
    str
        One line.
    """
    if not progress.ready:
        return "Getting ready to plan; only the first run on a computer takes about a minute for it"
    if progress.trip_count is None and not progress.lower_bound:
        return "Planning the season"
    found, least = progress.trip_count, progress.lower_bound
    said = [f"best plan {_trips(found)}" if found else "no plan yet", f"at least {least} needed"]
    if found and not progress.in_time:
        said[0] += " with sites late or without a date to spare"
        said[1:] = [f"a plan without such sites: {said[1]}"] if least else []
    elif found and found == least:
        said = [_trips(least), "no plan does it with fewer"]
    step = ""
    if progress.step == "less crew time" and progress.crew_seconds is not None:
        step = f"; saving crew time, {duration(-(-progress.crew_seconds // 60))} now"
    elif progress.step == "reasons":
        step = "; working out what else is proved, and the reasons"
    kept = f"{progress.elapsed_s:.0f} s; Ctrl-C keeps the best plan so far"
    return f"Planning the season: {', '.join(said)}{step} ({kept})"


def _trips(count: int) -> str:
    return f"{count} trip" if count == 1 else f"{count} trips"
