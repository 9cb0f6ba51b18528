"""One visit or reading typed as options of ``record``."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tripplan.cli.running import Run, read_date

if TYPE_CHECKING:
    from tripplan.fleet import Fleet
    from tripplan.records.told import Told

__all__ = ["Typed", "typed_options", "typed_told"]

_Result = TypeVar("_Result")

_FOUND = ("running", "silent", "dark", "missing", "not reached")
_CAUSES = ("flat", "cord", "plug", "fuse", "water", "device", "card", "signal", "theft", "unknown")
_DONE = ("swapped", "left", "repaired", "installed", "removed")


def _read_moment(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"{text!r} is no moment; write it as 2026-12-05T08:30.") from None


_VISIT_OPTIONS: dict[str, Callable[[Any], Any]] = {
    "date": click.option("--date", "day", type=read_date, metavar="DATE", help="Day of it. [default: today]"),
    "found": click.option("--found", type=click.Choice(_FOUND), help="How the site was found."),
    "cause": click.option("--cause", type=click.Choice(_CAUSES), help="Cause of a fault."),
    "done": click.option("--done", type=click.Choice(_DONE), help="What was done."),
    "pack_out": click.option("--pack-out", metavar="ID", help="Pack that came out."),
    "volts_out": click.option("--volts-out", type=float, help="Its rested volts."),
    "pack_in": click.option("--pack-in", metavar="ID", help="Pack that went in."),
    "volts_in": click.option("--volts-in", type=float, help="Its rested volts."),
    "minutes": click.option("--minutes", type=click.FloatRange(0, 1440), help="Minutes at the site."),
    "notes": click.option("--notes", help="Anything else."),
}
_READING_OPTIONS: dict[str, Callable[[Any], Any]] = {
    "when": click.option("--when", type=_read_moment, metavar="MOMENT", help="Moment of a reading."),
    "volts": click.option("--volts", type=float, help="A reading: volts."),
    "percent": click.option("--percent", type=click.FloatRange(0, 100), help="A reading: percentage."),
    "temp": click.option("--temp", type=click.FloatRange(-60, 80), help="A reading: temperature [deg C]."),
    "source": click.option("--source", type=click.Choice(("pack", "backup")), help="A reading: of what."),
}


@dataclass(frozen=True)
class Typed:
    """
    What was typed.

    Attributes
    ----------
    site : str or None
        None where nothing was typed.
    by : str
        Who tells.
    values : dict of str to object
        The other options that were given, by name.
    """

    site: str | None
    by: str
    values: dict[str, Any]

    @property
    def is_reading(self) -> bool:
        """Whether a reading was typed, not a visit."""
        return any(name in self.values for name in _READING_OPTIONS)

    def refuse_without_site(self) -> None:
        """Refuse options that go with a site, or with the other of visit and reading."""
        if self.site is None:
            if self.values:
                name = next(iter(self.values)).replace("_", "-")
                raise click.UsageError(f"--{name} goes with --site.")
            return
        visit = [name for name in _VISIT_OPTIONS if name in self.values and name != "date"]
        if self.is_reading and visit:
            raise click.UsageError(
                f"--{visit[0].replace('_', '-')} belongs to a visit, the rest to a reading; type one of them."
            )
        if not self.is_reading and not visit:
            raise click.UsageError(
                "Say what was found or done at the site: --found, --done, --volts-out, ...; or, for a "
                "reading, --volts, --percent or --temp."
            )


def typed_options(body: Callable[..., _Result]) -> Callable[..., _Result]:
    """Give a command the options of one visit or reading; its body takes them as `Typed`."""

    @functools.wraps(body)
    def command(site: str | None, by: str | None, **others: Any) -> _Result:
        names = {"day": "date"}
        ours = {*_VISIT_OPTIONS, *_READING_OPTIONS, "day"} - {"date"}
        values = {names.get(n, n): others.pop(n) for n in list(others) if n in ours}
        given = {name: value for name, value in values.items() if value is not None}
        return body(typed=Typed(site, by or "", given), **others)

    options = [
        click.option("--site", metavar="ID", help="Site of one visit or reading typed here."),
        *_VISIT_OPTIONS.values(),
        *_READING_OPTIONS.values(),
        click.option("--by", metavar="NAME", help="Who tells."),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def typed_told(typed: Typed, fleet: Fleet, run: Run) -> Told:
    """
    Return the visit or reading that was typed.

    Parameters
    ----------
    typed : Typed
        With a site.
    fleet : Fleet
        For its zone.
    run : Run
        For its day.

    Returns
    -------
    Told
        One visit or one reading.
    """
    from tripplan.fleet import Cause, Done, Found, Reading, VisitRecord
    from tripplan.outputs.plain_text import clean
    from tripplan.records.told import Told

    values = typed.values
    day: date = values.get("date", run.today)
    site = clean(typed.site or "")
    if typed.is_reading:
        when = values.get("when") or datetime.combine(day, time(0))
        when = when.replace(tzinfo=fleet.zone) if when.tzinfo is None else when.astimezone(fleet.zone)
        reading = Reading(
            when=when,
            site_id=site,
            volts=values.get("volts"),
            percent=values.get("percent"),
            source=values.get("source", "pack"),
            temp_c=values.get("temp"),
            row=1,
        )
        return Told("command line", (), (reading,), by=clean(typed.by))
    visit = VisitRecord(
        day=day,
        site_id=site,
        found=Found(values["found"]) if "found" in values else None,
        cause=Cause(values["cause"]) if "cause" in values else None,
        done=Done(values["done"]) if "done" in values else None,
        pack_out=clean(values.get("pack_out", "")),
        volts_out=values.get("volts_out"),
        pack_in=clean(values.get("pack_in", "")),
        volts_in=values.get("volts_in"),
        minutes=values.get("minutes"),
        notes=clean(values.get("notes", "")),
        row=1,
    )
    return Told("command line", (visit,), by=clean(typed.by))
