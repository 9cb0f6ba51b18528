"""
Records of the field to runs: one pack at one site from the day it went in to its end.

Only flat packs teach how long packs last. A run ended by a swap was still alive then (right-censored);
one found dark for another cause (cord, plug, fuse, water, theft) was alive at the last sign of life; one
found dark and flat died between the last sign of life and that visit. Silence alone proves nothing.
What contradicts itself is named and left out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from itertools import pairwise

from tripplan.fleet import Cause, Done, Fleet, Found, PackType, Reading, Site, VisitRecord
from tripplan.forecast.battery import battery_of, charge_from_rested_volts

__all__ = ["History", "Run", "SiteHistory", "read_history"]

#: A rested pack above this share was not flat, whatever was found.
_NOT_FLAT_ABOVE = 0.5
#: A rested pack below this share was flat, though nobody named a cause.
_FLAT_BELOW = 0.25
#: A device that reported every so often is taken as dark when it misses this many reports in a row.
_MISSED_REPORTS = 3.0
_ENOUGH_REPORTS = 4
#: A rested pack without a panel that holds so much more than before was swapped, or one reading is wrong.
_CLEARLY_MORE = 0.5


@dataclass(frozen=True)
class Run:
    """
    One pack at one site.

    Attributes
    ----------
    start : datetime.date
        Day it went in.
    end : datetime.date or None
        Day it came out; None for the pack in place.
    alive_on : datetime.date
        It ran until the start of this day at least.
    dark_by : datetime.date or None
        It was flat by the end of this day; None where it never was as far as known.
    charges : tuple of (datetime.date, float)
        Share of charge read from rested volts.
    charge_in : float
        Share of charge with which it went in.
    pack_id : str
        Empty where not known.
    silent_since : datetime.date or None
        Last report of a device that reported regularly and has missed several reports since.
    percents : tuple of (datetime.date, float)
        Percentages that the device gave; no charge until its own flat packs show what they mean. [%]
    """

    site_id: str
    start: date
    end: date | None
    alive_on: date
    dark_by: date | None = None
    charges: tuple[tuple[date, float], ...] = ()
    charge_in: float = 1.0
    pack_id: str = ""
    silent_since: date | None = None
    percents: tuple[tuple[date, float], ...] = ()

    @property
    def last_percent(self) -> float | None:
        """The last percentage that the device gave. [%]."""
        return self.percents[-1][1] if self.percents else None

    @property
    def days(self) -> int:
        """Days it is known to have run. [day]."""
        return (self.alive_on - self.start).days


@dataclass(frozen=True)
class SiteHistory:
    """
    The runs of one site since the last change.

    Attributes
    ----------
    past : tuple of Run
        Ended runs, oldest first.
    now : Run or None
        The pack in place.
    before_change : int
        Runs left out because something was changed at the site since.
    """

    past: tuple[Run, ...] = ()
    now: Run | None = None
    before_change: int = 0


@dataclass(frozen=True)
class History:
    """Runs of every site in use, and what was left out of the learning."""

    sites: dict[str, SiteHistory] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()


def read_history(fleet: Fleet, on: date) -> History:
    """
    Return the runs that a fleet's records hold.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast; later records are not used.

    Returns
    -------
    History
        With one clause for each record that contradicts another.
    """
    visits: dict[str, list[VisitRecord]] = defaultdict(list)
    for visit in sorted(fleet.visits, key=lambda row: (row.day, row.row)):
        if visit.day <= on:
            visits[visit.site_id].append(visit)
    readings: dict[str, list[tuple[date, Reading]]] = defaultdict(list)
    for reading in sorted(fleet.readings, key=lambda row: row.when):
        day = reading.when.astimezone(fleet.zone).date()
        if day <= on:
            readings[reading.site_id].append((day, reading))
    left_out: list[str] = []
    sites = {
        site.site_id: _site_runs(fleet, site, visits[site.site_id], readings[site.site_id], on, left_out)
        for site in fleet.sites
    }
    return History(sites, tuple(left_out))


def _site_runs(
    fleet: Fleet,
    site: Site,
    visits: Sequence[VisitRecord],
    readings: Sequence[tuple[date, Reading]],
    on: date,
    left_out: list[str],
) -> SiteHistory:
    kind, has_panel = fleet.pack_types[site.pack_type], site.panel_w is not None
    start: date | None = None
    pack_id, charge_in = "", 1.0
    if site.swapped_on is not None and (not visits or site.swapped_on < visits[0].day):
        start = site.swapped_on
    inside: list[VisitRecord] = []
    past: list[Run] = []
    before_change = 0
    taken_in = False
    for visit in visits:
        is_end = visit.done in (Done.SWAPPED, Done.INSTALLED, Done.REMOVED)
        if is_end and start is not None and visit.day > start:
            run = Run(site.site_id, start, visit.day, start, charge_in=charge_in, pack_id=pack_id)
            if pack_id and visit.pack_out and visit.pack_out != pack_id:
                left_out.append(
                    f"visits.csv, row {visit.row}, site {site.site_id}: pack {visit.pack_out} came out, but "
                    f"{pack_id} went in on {start.isoformat()}; left out of the learning"
                )
            else:
                past.append(
                    _with_evidence(run, kind, [*inside, visit], readings, left_out, has_panel=has_panel)
                )
        if is_end:
            start = None if visit.done is Done.REMOVED else visit.day
            pack_id, inside = visit.pack_in, []
            charge_in = _charge_in(kind, visit.volts_in)
        else:
            inside.append(visit)
        back_out = taken_in and visit.done is Done.INSTALLED
        taken_in = visit.done is Done.REMOVED or (
            taken_in and not is_end and visit.found is not Found.MISSING
        )
        if is_change(visit, back_out=back_out):
            before_change += len(past)
            past = []
            if not is_end:
                # the pack in place ran under two settings: it teaches neither
                start = None
    place = fleet.in_place[site.site_id]
    now: Run | None = None
    if place.since is not None and place.since <= on:
        if start is not None and place.since != start:
            inside = [visit for visit in inside if visit.day >= place.since]
            charge_in = 1.0
        run = Run(
            site.site_id,
            place.since,
            None,
            place.since,
            charge_in=charge_in,
            pack_id=place.pack.pack_id if place.pack is not None else pack_id,
        )
        now = _with_evidence(run, kind, inside, readings, left_out, has_panel=has_panel)
        now = replace(now, silent_since=_silent_since(now, inside, readings, on))
    return SiteHistory(tuple(past), now, before_change)


def is_change(visit: VisitRecord, *, back_out: bool = False) -> bool:
    """
    Tell whether a visit starts the learning of its site afresh.

    Parameters
    ----------
    visit : VisitRecord
        ``done`` = installed, or notes that begin with the word "change" or "changed".
    back_out : bool, default False
        Whether the device was taken in before and is set out again: only the notes then make a change.

    Returns
    -------
    bool
        True where what was learned before no longer holds.
    """
    first_word = visit.notes.strip().lower().replace(":", " ").split(" ", 1)[0]
    return (visit.done is Done.INSTALLED and not back_out) or first_word in ("change", "changed")


def _charge_in(kind: PackType, volts_in: float | None) -> float:
    """Return the charge a pack went in with: full, unless its rested volts say clearly less."""
    if volts_in is None:
        return 1.0
    charge = charge_from_rested_volts(battery_of(kind), kind.nominal_volts, volts_in)
    return 1.0 if charge is None or charge >= 0.8 else charge


def _with_evidence(
    run: Run,
    kind: PackType,
    visits: Sequence[VisitRecord],
    readings: Sequence[tuple[date, Reading]],
    left_out: list[str],
    *,
    has_panel: bool,
) -> Run:
    battery = battery_of(kind)
    alive, dark = run.start, None
    charges: list[tuple[date, float]] = []
    reports: list[date] = []
    percents: list[tuple[date, float]] = []
    for day, reading in readings:
        if day < run.start or (run.end is not None and day >= run.end) or reading.source != "pack":
            continue
        reports.append(day)
        alive = max(alive, day)
        if reading.percent is not None:
            percents.append((day, reading.percent))
        if reading.volts is not None:
            charge = charge_from_rested_volts(battery, kind.nominal_volts, reading.volts)
            if charge is not None:
                charges.append((day, charge))
    running_after: VisitRecord | None = None
    for visit in visits:
        charge = None
        if visit.volts_out is not None:
            charge = charge_from_rested_volts(battery, kind.nominal_volts, visit.volts_out)
            if charge is not None and visit.found is not Found.DARK:
                charges.append((visit.day, charge))
        where = f"visits.csv, row {visit.row}, site {run.site_id}"
        ends = visit.done in (Done.SWAPPED, Done.INSTALLED, Done.REMOVED)
        if visit.found is Found.DARK and visit.cause in (Cause.FLAT, Cause.UNKNOWN, None):
            if charge is not None and charge > _NOT_FLAT_ABOVE:
                if visit.cause is Cause.FLAT:
                    left_out.append(
                        f"{where}: found dark and flat, but {visit.volts_out:g} V is above half charge; "
                        "left out of the learning"
                    )
                continue
            if visit.cause is Cause.FLAT or (charge is not None and charge < _FLAT_BELOW):
                dark = visit.day
        elif visit.found is Found.RUNNING or (ends and visit.found is None and visit.cause is None):
            if dark is not None and visit.found is Found.RUNNING and visit.day > dark:
                running_after = visit
            # a swap without a word was one of a pack that still ran
            alive = max(alive, visit.day)
    if dark is not None:
        late_reports = [day for day in reports if day > dark]
        if late_reports:
            left_out.append(
                f"visits.csv, site {run.site_id}: found dark and flat on {dark.isoformat()}, but it reported "
                f"on {late_reports[0].isoformat()}; left out of the learning"
            )
            return _taught_nothing(run, alive)
        if running_after is not None:
            left_out.append(
                f"visits.csv, row {running_after.row}, site {run.site_id}: found running, but found dark and "
                f"flat on {dark.isoformat()} with no swap between; left out of the learning"
            )
            return _taught_nothing(run, alive)
        alive = min(alive, dark)
        dark = _dark_by_silence(reports, dark)
    charges.sort()
    jump = None if has_panel else _unrecorded_swap(charges)
    if jump is not None:
        before, after = jump
        left_out.append(
            f"site {run.site_id}: the rested pack rose from {before[1]:.0%} of charge on "
            f"{before[0].isoformat()} to {after[1]:.0%} on {after[0].isoformat()} with no swap on record; "
            "left out of the learning"
        )
        return _taught_nothing(run, alive)
    return replace(run, alive_on=alive, dark_by=dark, charges=tuple(charges), percents=tuple(percents))


def _taught_nothing(run: Run, alive: date) -> Run:
    """Return a run whose records contradict each other: the pack in place still gave its signs of life."""
    return replace(run, alive_on=alive if run.end is None else run.start)


def _unrecorded_swap(
    charges: Sequence[tuple[date, float]],
) -> tuple[tuple[date, float], tuple[date, float]] | None:
    """Return two rested readings of one run between which the charge rose beyond any error of a meter."""
    for before, after in pairwise(charges):
        if after[0] > before[0] and after[1] - before[1] > _CLEARLY_MORE:
            return before, after
    return None


def _usual_gap(reports: Sequence[date]) -> int | None:
    """Return the usual days between reports; None where there are too few to tell."""
    days = sorted(set(reports))
    if len(days) < _ENOUGH_REPORTS:
        return None
    gaps = sorted((b - a).days for a, b in pairwise(days))
    return max(1, gaps[len(gaps) // 2])


def _dark_by_silence(reports: Sequence[date], found: date) -> date:
    """Return the day by which a device that reported regularly, and was then found flat, had gone dark."""
    usual = _usual_gap(reports)
    if usual is None:
        return found
    return min(found, max(reports) + timedelta(days=round(_MISSED_REPORTS * usual)))


def _silent_since(
    run: Run, visits: Sequence[VisitRecord], readings: Sequence[tuple[date, Reading]], on: date
) -> date | None:
    """Return the last sign of life where the device has been silent for longer than is usual."""
    reports = [day for day, reading in readings if day >= run.start and reading.source == "pack"]
    silent = [visit.day for visit in visits if visit.found is Found.SILENT and visit.day >= run.alive_on]
    if silent and run.dark_by is None:
        return run.alive_on
    usual = _usual_gap(reports)
    if usual is None or run.dark_by is not None:
        return None
    is_late = (on - run.alive_on).days > _MISSED_REPORTS * usual
    return run.alive_on if is_late else None
