"""The group of commands: turns what went wrong into a message and an exit status."""

from __future__ import annotations

import _thread
import contextlib
import io
import os
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import click

from tripplan import __version__
from tripplan.cli.field import demo, trip
from tripplan.cli.handover import handover, overview
from tripplan.cli.history import history
from tripplan.cli.packs import packs
from tripplan.cli.printing import Printer
from tripplan.cli.reading import check, init
from tripplan.cli.record import record, undo
from tripplan.cli.season import forecast, plan
from tripplan.cli.supplies import spares
from tripplan.errors import StorageError, TripPlanError

__all__ = ["main"]

_STDOUT = 1
_INTERRUPTED = 130  # 128 + SIGINT, as shells have it

_AGAIN_S = 0.2
"""After so long an interrupt is sent again that came in while foreign code called back. [s]"""


class _Interrupts:
    """Remembers whether Ctrl-C was pressed, also where the planner used it to stop early."""

    def __init__(self) -> None:
        self.seen = False
        self._again: threading.Timer | None = None

    def handle(self, number: int, frame: FrameType | None) -> None:
        self.seen = True
        signal.default_int_handler(number, frame)

    def lost(self) -> None:
        """Send an interrupt again that was raised where foreign code calls back, and thrown away there."""
        self.let_go()
        self._again = threading.Timer(_AGAIN_S, _thread.interrupt_main)
        self._again.daemon = True
        self._again.start()

    def let_go(self) -> None:
        """Send nothing any more."""
        if self._again is not None:
            self._again.cancel()


@contextlib.contextmanager
def _watching() -> Iterator[_Interrupts]:
    interrupts = _Interrupts()
    if threading.current_thread() is not threading.main_thread():  # signals reach the main thread only
        yield interrupts
        return
    ignore = sys.unraisablehook

    def unraisable(what: Any) -> None:
        if isinstance(what.exc_value, KeyboardInterrupt):
            interrupts.lost()
        else:
            ignore(what)

    before = signal.signal(signal.SIGINT, interrupts.handle)
    sys.unraisablehook = unraisable
    try:
        yield interrupts
    finally:
        sys.unraisablehook = ignore
        interrupts.let_go()
        signal.signal(signal.SIGINT, before)


class _Results(io.TextIOWrapper):
    """Standard output whose failing is told like that of any other file; a closed pipe stays what it is."""

    def write(self, text: str, /) -> int:
        with self._told():
            return super().write(text)

    def flush(self) -> None:
        with self._told():
            super().flush()

    @staticmethod
    @contextlib.contextmanager
    def _told() -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise
        except OSError as error:
            from tripplan.storage import storage_error

            raise storage_error("cannot be written", Path("standard output"), error) from error


@contextlib.contextmanager
def _results_only() -> Iterator[None]:
    """Keep standard output for this package: libraries in C greet there, which would spoil JSON."""
    ours = sys.stdout
    try:
        is_real = ours.fileno() == _STDOUT
    except (AttributeError, OSError, ValueError):  # a test, or another program, put its own stream there
        is_real = False
    if not is_real:
        yield
        return
    ours.flush()
    kept = os.dup(_STDOUT)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _STDOUT)
    os.close(nowhere)
    stream = _Results(os.fdopen(os.dup(kept), "wb"), encoding=ours.encoding, errors="backslashreplace")
    sys.stdout = stream
    try:
        yield
        stream.flush()
    finally:
        sys.stdout = ours
        os.dup2(kept, _STDOUT)
        os.close(kept)
        with contextlib.suppress(OSError, StorageError):  # the flush above has said so
            stream.close()


def _is_interrupt(error: BaseException) -> bool:
    # Compiled code that is entered while Ctrl-C comes in reports it as the cause of a SystemError; one
    # that is just being loaded, as an ImportError that does not say why.
    return isinstance(error, KeyboardInterrupt) or isinstance(error.__cause__, KeyboardInterrupt)


def _keep_to_one_thread() -> None:
    """
    Keep matrix products to one thread, unless the user has settled it or they are loaded already.

    The products here are many and small. Shared out among threads they wait for each other; on a busy machine
    that costs several times the work itself, and the last digits depend on the number of cores.
    """
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
    if "numpy" not in sys.modules and not any(name in os.environ for name in names):
        os.environ.update(dict.fromkeys(names[1:], "1"))


class _Door(click.Group):
    def invoke(self, ctx: click.Context) -> Any:
        _keep_to_one_thread()
        for stream in (sys.stdout, sys.stderr):
            reconfigure = getattr(stream, "reconfigure", None)
            if reconfigure is not None:  # a terminal that cannot show a letter gets its number instead
                reconfigure(errors="backslashreplace")
        with _results_only(), _watching() as interrupts:
            value = None
            try:
                value = super().invoke(ctx)
                sys.stdout.flush()
            except TripPlanError as error:
                Printer().complain(str(error))
                ctx.exit(_INTERRUPTED if interrupts.seen else 1)
            except (KeyboardInterrupt, SystemError, ImportError) as error:
                if not (interrupts.seen or _is_interrupt(error)):
                    raise
                Printer().complain("Stopped. Nothing is half written.")
                ctx.exit(_INTERRUPTED)
            if interrupts.seen:
                Printer().complain("Stopped early: the best plan found until then was kept.")
                ctx.exit(_INTERRUPTED)
            return value


@click.group(
    cls=_Door,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Begin with 'tripplan demo', then 'tripplan init FOLDER'. Every command explains itself: "
    "'tripplan plan --help'.",
)
@click.version_option(__version__, "-V", "--version", prog_name="tripplan")
def main() -> None:
    """
    Keep remote devices alive on the packs you swap.

    tripplan reads one folder of plain files and tells what goes flat when, which trips the season
    needs, as few as possible, and what the next trip looks like, hour by hour, with a map and a
    checklist that need no signal.
    """


for _command in (
    demo,
    init,
    check,
    forecast,
    plan,
    trip,
    overview,
    handover,
    spares,
    packs,
    record,
    undo,
    history,
):
    main.add_command(_command)
