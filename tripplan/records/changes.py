"""
What was told, held against what the files say: the changes that follow, and what must be asked first.

Nothing is guessed and nothing dropped. What fits is turned into rows and moves of packs; what does not
becomes a question with its choices; what is on file already is said to be so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Literal

from tripplan.errors import Fault, InputError
from tripplan.fleet import SHELF, Done, Fleet, Found, PackState, Reading, Site, VisitRecord
from tripplan.inputs.findings import fold
from tripplan.inputs.names import Names
from tripplan.inputs.whereabouts import NOT_LISTED
from tripplan.records.csv_text import CsvText
from tripplan.records.doubts import Doubts
from tripplan.records.jobs_done import JobEdit, jobs_done
from tripplan.records.pack_book import PackBook, PackEdit, PackNow
from tripplan.records.questions import LEAVE_OUT, REPLACE, Answers, Question, visit_label
from tripplan.records.suspect import suspect_reason
from tripplan.records.told import Told, visit_values

__all__ = ["Changes", "SiteEdit", "visit_key", "work_out"]

_MOVES = (Done.SWAPPED, Done.INSTALLED, Done.REMOVED)
_GOES_IN = (Done.SWAPPED, Done.INSTALLED)
_COMES_OUT = (Done.SWAPPED, Done.REMOVED)


@dataclass(frozen=True)
class SiteEdit:
    """A cell of sites.csv that follows from a visit; `value` None empties it."""

    site_id: str
    row: int
    column: Literal["active_to", "flat_on"]
    before: date | None
    value: date | None
    because: str

    @property
    def emptied(self) -> tuple[str, ...]:
        """Columns of the row that say nothing once this one is empty."""
        return ("flat_on_sd_days",) if self.column == "flat_on" else ()

    @property
    def line(self) -> str:
        """The change as it is shown."""
        if self.column == "flat_on" and self.before is not None:
            return f"{self.site_id}: flat_on {self.before.isoformat()} is emptied ({self.because})"
        if self.value is None:
            return f"{self.site_id}: planned again, active_to is emptied ({self.because})"
        return f"{self.site_id}: not planned after {self.value.isoformat()} (active_to; {self.because})"


@dataclass(frozen=True)
class Changes:
    """
    All that follows from what was told.

    Attributes
    ----------
    visits : tuple of VisitRecord
        Rows to add; `row` is the visit's number.
    replaced : mapping of int to int
        By visit number, the row of visits.csv that it replaces.
    final : tuple of VisitRecord or None
        What was made of each visit told, in order; None for one left out.
    already : tuple of str
        Visits and readings that are on file already.
    left_out : tuple of str
        Visits left out by an answer.
    not_told : tuple of str
        Planned sites of the trip of which nothing was told.
    """

    visits: tuple[VisitRecord, ...] = ()
    replaced: Mapping[int, int] | None = None
    readings: tuple[Reading, ...] = ()
    packs: tuple[PackEdit, ...] = ()
    sites: tuple[SiteEdit, ...] = ()
    jobs: tuple[JobEdit, ...] = ()
    final: tuple[VisitRecord | None, ...] = ()
    already: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    questions: tuple[Question, ...] = ()
    remarks: tuple[str, ...] = ()
    not_told: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether no file of the fleet would change."""
        return not (self.visits or self.readings or self.packs or self.sites or self.jobs)


def work_out(
    fleet: Fleet,
    told: Told,
    answers: Answers,
    *,
    today: date,
    packs_text: CsvText | None,
    planned: Sequence[str] = (),
) -> Changes:
    """
    Return what follows from what was told.

    Parameters
    ----------
    fleet : Fleet
        As the files have it.
    told : Told
        Visits and readings.
    answers : Answers
        To questions asked before.
    today : datetime.date
        Today, local to the fleet.
    packs_text : CsvText or None
        packs.csv; None where the fleet keeps none.
    planned : sequence of str
        Sites of the trip on which the visits were made.

    Returns
    -------
    Changes
        With questions, if any are open; nothing may be written then.

    Raises
    ------
    InputError
        If an answer is to no visit, or does not fit its field; or if a reading cannot be so.
    """
    return _Working(fleet, told, answers, today, packs_text, planned).run()


class _Working:
    def __init__(
        self,
        fleet: Fleet,
        told: Told,
        answers: Answers,
        today: date,
        packs_text: CsvText | None,
        planned: Sequence[str],
    ) -> None:
        self.fleet, self.told, self.answers, self.planned = fleet, told, answers, planned
        self.book = None if packs_text is None else PackBook(fleet, packs_text)
        self.sites = Names([*fleet.sites_by_id, *fleet.set_aside])
        self.doubts = Doubts(fleet, answers, self.book, self.sites, today)
        self.remarks: list[str] = list(told.remarks)
        self.already: list[str] = []
        self.on_file: set[int] = set()
        self.left_out: list[str] = []
        self.replaced: dict[int, int] = {}
        self.site_edits: dict[tuple[str, str], SiteEdit] = {}
        self.by_day: dict[tuple[str, date], list[VisitRecord]] = {}
        self.last_move: dict[str, date] = {}
        for visit in fleet.visits:
            self.by_day.setdefault((fold(visit.site_id), visit.day), []).append(visit)
            if visit.done in _MOVES:
                key = fold(visit.site_id)
                self.last_move[key] = max(visit.day, self.last_move.get(key, visit.day))

    def run(self) -> Changes:
        final: dict[int, VisitRecord | None] = {}
        added = []
        corrected = self.answers.correct(self.told.visits)
        if len(corrected) > 1 and not any(self.sites.find(one.site_id) for one in corrected):
            shown = ", ".join(dict.fromkeys(one.site_id for one in corrected))
            raise InputError(
                [
                    Fault(
                        self.told.source,
                        problem=f"none of its sites is in this fleet ({shown})",
                        mend="Is it another fleet's? Then name that fleet's folder.",
                    )
                ]
            )
        # A pack comes out before it can go in elsewhere: in the order of days, then as told.
        for visit in sorted(corrected, key=lambda one: (one.day, one.row)):
            final[visit.row] = taken = self._take(visit)
            if taken is not None and taken.row not in self.on_file:
                added.append(taken)
        readings = self._readings()
        told_sites = {fold(one.site_id) for one in final.values() if one is not None}
        return Changes(
            visits=tuple(sorted(added, key=lambda one: one.row)),
            replaced=self.replaced,
            readings=readings,
            packs=() if self.book is None else self.book.edits(),
            sites=tuple(self.site_edits.values()),
            jobs=jobs_done(self.fleet, self.told, final, self.remarks),
            final=tuple(final.get(visit.row) for visit in self.told.visits),
            already=tuple(self.already),
            left_out=tuple(self.left_out),
            questions=tuple(self.doubts.questions),
            remarks=tuple(dict.fromkeys(self.remarks)),
            not_told=tuple(site for site in self.planned if fold(site) not in told_sites),
        )

    def _take(self, visit: VisitRecord) -> VisitRecord | None:
        """Return the row that a visit makes; None where it is left out or a question is open."""
        decision = self.answers.decision(visit)
        if decision == LEAVE_OUT:
            self.left_out.append(visit_label(visit))
            return None
        visit = self._with_known_names(visit)
        same_day = self.by_day.get((fold(visit.site_id), visit.day), [])
        twin = next((one for one in same_day if same_visit(one, visit)), None)
        if twin is not None:
            self.already.append(f"{visit_label(visit)} of {visit.day.isoformat()}")
            self.on_file.add(visit.row)
            return visit
        if same_day and not decision:
            self.doubts.other_visit_that_day(visit, same_day)
        if decision == REPLACE:
            self._replace(visit, same_day)
        if not self.doubts.settled(visit):
            return None
        self.doubts.devices.note(visit)
        self._move_packs(visit)
        self._follow_device(visit)
        return visit

    def _with_known_names(self, visit: VisitRecord) -> VisitRecord:
        """Spell sites and packs as the files do."""
        site = self.sites.find(visit.site_id) or visit.site_id
        if self.book is None:
            return replace(visit, site_id=site)
        goes_in, comes_out = self.book.find(visit.pack_in), self.book.find(visit.pack_out)
        notes = visit.notes
        if visit.pack_in and goes_in is None and self.answers.keeps(visit, "pack_in"):
            # said on file, so that no later reading takes it for a slip
            said = f"pack {visit.pack_in} is {NOT_LISTED}"
            notes = notes if NOT_LISTED in fold(notes) else f"{notes}; {said}" if notes else said
        return replace(
            visit,
            notes=notes,
            site_id=site,
            pack_in=visit.pack_in if goes_in is None else goes_in.pack_id,
            pack_out=visit.pack_out if comes_out is None else comes_out.pack_id,
        )

    def _replace(self, visit: VisitRecord, same_day: Sequence[VisitRecord]) -> None:
        alike = [one for one in same_day if same_packs(one, visit)]
        if len(alike) == 1:
            self.replaced[visit.row] = alike[0].row
        else:
            self.doubts.cannot_replace(visit)

    def _move_packs(self, visit: VisitRecord) -> None:
        if self.book is None or self.replaced.get(visit.row):
            return
        if visit.day < self.last_move.get(fold(visit.site_id), visit.day):
            if visit.done in _MOVES and self.answers.keeps(visit, "told"):
                self._date_place(visit)
            elif visit.done in _MOVES:
                self.remarks.append(
                    f"{visit_label(visit)}: {visit.site_id} has had a later swap, so packs.csv stays as "
                    "it is."
                )
            return
        label = visit_label(visit)
        if visit.done in _COMES_OUT:
            self._take_out(visit, label)
        elif visit.found is Found.MISSING and visit.done is not Done.INSTALLED and not visit.pack_out:
            self._write_off(visit)
        if visit.found is Found.MISSING and visit.done is Done.INSTALLED:
            self._write_off(visit)
        if visit.done in _GOES_IN:
            self._put_in(visit, label)
        if visit.done in _MOVES:
            self.last_move[fold(visit.site_id)] = visit.day

    def _date_place(self, visit: VisitRecord) -> None:
        """Say in packs.csv since when a pack is where it is: at the latest since its site's next swap."""
        pack = None if self.book is None or not visit.pack_in else self.book.find(visit.pack_in)
        if self.book is not None and pack is not None and pack.since is None:
            since = self.last_move[fold(visit.site_id)]
            because = f"it went in at {visit.site_id} before, where the next swap was on that day"
            self.book.move(pack, pack.where, since, pack.state, visit_label(visit), because)

    def _take_out(self, visit: VisitRecord, label: str) -> None:
        book = self.book
        if book is None:
            return
        there = book.at(visit.site_id)
        named = book.find(visit.pack_out) if visit.pack_out else None
        if visit.pack_out and named is None and self.answers.adds(visit, "pack_out"):
            named = book.add(visit.pack_out, self._site_type(visit), visit.day, label)
        came = named if visit.pack_out else there
        if came is not None and not self._is_newer(came, visit, label):
            because = suspect_reason(visit, self.fleet.pack_types.get(came.pack_type))
            state = PackState.SUSPECT if because else PackState.FLAT
            if not visit.pack_out:
                because = f"not named, but it was there{'; ' + because if because else ''}"
            given = self.answers.state(visit)
            book.move(came, SHELF, visit.day, state if given is None else given, label, because)
        if (
            there is not None
            and came is not None
            and there.pack_id != came.pack_id
            and not self._stands_later(there, visit)
        ):
            book.move(
                there,
                "",
                visit.day,
                PackState.SUSPECT,
                label,
                f"{came.pack_id} came out where it was; no spare until it is found",
            )

    def _put_in(self, visit: VisitRecord, label: str) -> None:
        book = self.book
        if book is None:
            return
        if not visit.pack_in and self.answers.keeps(visit, "told"):
            before = book.at(visit.site_id)
            if before is not None and not self._stands_later(before, visit):
                because = "a pack that is not named went in where it was; no spare until it is found"
                book.move(before, "", visit.day, PackState.SUSPECT, label, because)
            return
        if not visit.pack_in:
            self.remarks.append(
                f"{label}: the pack that went in is not named, so packs.csv still counts it where it was. "
                f"--answer {visit.row}.pack_in=ID names it."
            )
            return
        pack = book.find(visit.pack_in)
        if pack is None and self.answers.adds(visit, "pack_in"):
            pack = book.add(visit.pack_in, self._site_type(visit), visit.day, label)
        if pack is None or self._is_newer(pack, visit, label):
            return
        if pack.state in (PackState.SUSPECT, PackState.RETIRED):
            self.remarks.append(
                f"{label}: pack {pack.pack_id} was {pack.state} and is now in use; have an eye on it."
            )
        site = self.fleet.sites_by_id.get(visit.site_id)
        if site is not None and pack.pack_type != site.pack_type:
            self.remarks.append(
                f"{label}: pack {pack.pack_id} is a {pack.pack_type}, the site's usual type is "
                f"{site.pack_type}."
            )
        before = book.at(visit.site_id)
        if before is not None and before.pack_id != pack.pack_id and self._stands_later(before, visit):
            self.remarks.append(
                f"{label}: {before.source} has pack {before.pack_id} {before.place_since}, which is later; "
                "it stays so."
            )
            if self.answers.keeps(visit, "told") and before.since is not None:
                because = f"it went in at {visit.site_id} before {before.pack_id}"
                book.move(pack, pack.where, before.since, pack.state, label, because)
            return
        if before is not None and before.pack_id != pack.pack_id:
            book.move(before, "", visit.day, PackState.SUSPECT, label, "another pack stands in its place")
        book.move(pack, visit.site_id, visit.day, PackState.IN_USE, label)

    @staticmethod
    def _stands_later(pack: PackNow, visit: VisitRecord) -> bool:
        return pack.since is not None and pack.since > visit.day

    def _is_newer(self, pack: PackNow, visit: VisitRecord, label: str) -> bool:
        newer = self._stands_later(pack, visit) and not self.answers.keeps(visit, "told")
        if newer:
            self.remarks.append(
                f"{label}: {pack.source} has pack {pack.pack_id} {pack.place_since}, which is later; it "
                "stays so."
            )
        return newer

    def _write_off(self, visit: VisitRecord) -> None:
        gone = None if self.book is None else self.book.at(visit.site_id)
        if self.book is not None and gone is not None and not self._is_newer(gone, visit, visit_label(visit)):
            self.book.move(
                gone, "", visit.day, PackState.RETIRED, visit_label(visit), "missing with the device"
            )

    def _follow_device(self, visit: VisitRecord) -> None:
        """Keep the site's dates in step: out of the plan when its device is gone, back in when set out."""
        site = self.fleet.sites_by_id.get(visit.site_id)
        if site is None:
            return
        if visit.day < self.last_move.get(fold(visit.site_id), visit.day):
            return
        if visit.done in _GOES_IN:
            self._forget_flat_date(site, visit.day)
        before = site.active_to
        if visit.done is Done.INSTALLED:
            if before is not None and before <= visit.day:
                self._edit_site(site, "active_to", None, "a device was installed")
            else:
                self.site_edits.pop((site.site_id, "active_to"), None)
        elif visit.done is Done.REMOVED or visit.found is Found.MISSING:
            because = "the device was removed" if visit.done is Done.REMOVED else "the device is missing"
            # a device that is to run again later is planned again by its active_from
            ahead = site.active_from is not None and site.active_from > visit.day
            if (before is None or before > visit.day) and not ahead:
                self._edit_site(site, "active_to", visit.day, because)

    def _forget_flat_date(self, site: Site, day: date) -> None:
        """Empty a flat date that was given for the pack that is no longer there."""
        since = self.fleet.in_place[site.site_id].since
        if site.flat_on is not None and (since is None or since < day):
            self._edit_site(site, "flat_on", None, "it was said of the pack that stood there before")

    def _edit_site(
        self, site: Site, column: Literal["active_to", "flat_on"], value: date | None, why: str
    ) -> None:
        before = site.active_to if column == "active_to" else site.flat_on
        self.site_edits[site.site_id, column] = SiteEdit(site.site_id, site.row, column, before, value, why)

    def _site_type(self, visit: VisitRecord) -> str:
        site = self.fleet.sites_by_id.get(visit.site_id)
        return "" if site is None else site.pack_type

    def _readings(self) -> tuple[Reading, ...]:
        known = {_reading_key(one) for one in self.fleet.readings}
        fresh, faults = [], []
        for reading in self.told.readings:
            named = replace(reading, site_id=self.sites.find(reading.site_id) or reading.site_id)
            if _reading_key(named) in known:
                self.already.append(f"the reading of {named.site_id}, {named.when:%Y-%m-%d %H:%M}")
            else:
                faults += self.doubts.reading_faults(named)
                fresh.append(named)
        if faults:
            raise InputError(faults)
        return tuple(fresh)


def _reading_key(reading: Reading) -> tuple[object, ...]:
    return (
        fold(reading.site_id),
        reading.when,
        reading.volts,
        reading.percent,
        reading.source,
        reading.temp_c,
    )


def same_packs(one: VisitRecord, other: VisitRecord) -> bool:
    """Tell whether two visits did the same with the same packs."""
    return (one.done, fold(one.pack_in), fold(one.pack_out)) == (
        other.done,
        fold(other.pack_in),
        fold(other.pack_out),
    )


def visit_key(visit: VisitRecord) -> tuple[object, ...]:
    """Return what a visit says, apart from spelling and the guard of formulas, to compare it by."""
    return tuple(
        fold(value).lstrip("'") if isinstance(value, str) else "" if value is None else value
        for value in visit_values(visit).values()
    )


def same_visit(one: VisitRecord, other: VisitRecord) -> bool:
    """Tell whether two visits say the same."""
    return visit_key(one) == visit_key(other)
