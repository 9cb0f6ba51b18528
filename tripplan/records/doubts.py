"""Each thing told that cannot be so, as a question with its choices."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from tripplan.errors import Fault
from tripplan.fleet import SHELF, Done, Fleet, Found, PackType, Reading, VisitRecord
from tripplan.inputs.cross_checks import pack_volts_span
from tripplan.inputs.findings import fold, say_date
from tripplan.inputs.names import Names
from tripplan.records.devices import Devices
from tripplan.records.pack_book import PackBook, PackNow
from tripplan.records.questions import ADD, LEAVE_OUT, REPLACE, Answers, Choice, Question, visit_label

__all__ = ["Doubts"]


class Doubts:
    """
    Collects the questions.

    Parameters
    ----------
    fleet : Fleet
        As the files have it.
    answers : Answers
        What has been answered already.
    book : PackBook or None
        Packs as they stand after the visits taken in so far; None where the fleet keeps no packs.csv.
    sites : Names
        Every site_id.
    today : datetime.date
        Today, local to the fleet.
    """

    def __init__(
        self, fleet: Fleet, answers: Answers, book: PackBook | None, sites: Names, today: date
    ) -> None:
        self.fleet, self.answers, self.book, self.sites, self.today = fleet, answers, book, sites, today
        self.questions: list[Question] = []
        self.devices = Devices(fleet)

    def settled(self, visit: VisitRecord) -> bool:
        """
        Note every question that a visit raises.

        Parameters
        ----------
        visit : VisitRecord
            With names spelt as the files have them.

        Returns
        -------
        bool
            Whether none is open on this visit.
        """
        self._site(visit)
        self._day(visit)
        self._sense(visit)
        self._device(visit)
        self._volts(visit)
        if self.book is not None:
            self._pack_in(visit, self.book)
            self._pack_out(visit, self.book)
        return not any(question.visit == visit.row for question in self.questions)

    def other_visit_that_day(self, visit: VisitRecord, others: Sequence[VisitRecord]) -> None:
        """Ask what to do with a second visit to a site on one day."""
        shown = "; ".join(f"row {one.row}: {_summary(one)}" for one in others)
        choices = [Choice(str(visit.row), ADD, "it was a second visit: add it")]
        if any(_alike(one, visit) for one in others):
            choices.append(Choice(str(visit.row), REPLACE, "it is the same visit: put this in its place"))
        choices.append(Choice(str(visit.row), LEAVE_OUT, "leave this one out"))
        self._ask(
            visit,
            f"visits.csv has another visit of {visit.day.isoformat()} ({shown}); told is {_summary(visit)}",
            *choices,
        )

    def cannot_replace(self, visit: VisitRecord) -> None:
        """Say that another pack cannot be exchanged in place."""
        self._ask(
            visit,
            "the visit on file moved other packs, so it cannot simply be replaced; take it back with "
            "tripplan undo, or mend its row in visits.csv and packs.csv by hand",
            Choice(str(visit.row), ADD, "add this one all the same"),
            Choice(str(visit.row), LEAVE_OUT, "leave this one out"),
        )

    def reading_faults(self, reading: Reading) -> list[Fault]:
        """
        Return what cannot be so about a reading.

        Parameters
        ----------
        reading : Reading
            As told.

        Returns
        -------
        list of Fault
            Each with its mend.
        """
        faults = []
        if self.sites.find(reading.site_id) is None:
            hint = self.sites.hint(reading.site_id) or "sites.csv has no such site_id."
            faults.append(Fault("reading", (), "site_id", (reading.site_id,), "unknown site", hint))
        if reading.when.date() > self.today:
            problem = f"the day lies after today ({say_date(self.today)})"
            faults.append(Fault("reading", (), "when", (f"{reading.when:%Y-%m-%d}",), problem, "Mend it."))
        site = self.fleet.sites_by_id.get(reading.site_id)
        kind = None if site is None else self.fleet.pack_types.get(site.pack_type)
        if reading.volts is not None and kind is not None and reading.source == "pack":
            low, high = pack_volts_span(kind)
            if not low <= reading.volts <= high:
                problem = f"a {kind.nominal_volts:g} V pack shows {low:g} to {high:g} V"
                faults.append(Fault("reading", (), "volts", (f"{reading.volts:g}",), problem, "Mend it."))
        return faults

    def _ask(self, visit: VisitRecord, problem: str, *choices: Choice) -> None:
        end = "" if problem.endswith("?") else "."
        self.questions.append(Question(visit.row, f"{visit_label(visit)}: {problem}{end}", choices))

    def _site(self, visit: VisitRecord) -> None:
        if self.sites.find(visit.site_id) is None:
            hint = self.sites.hint(visit.site_id)
            self._ask(
                visit,
                f"sites.csv has no site of this name{'. ' + hint.rstrip('.') if hint else ''}",
                Choice(f"{visit.row}.site_id", None, "name the right site"),
                Choice(str(visit.row), LEAVE_OUT, "leave this visit out (the journal keeps it)"),
            )

    def _day(self, visit: VisitRecord) -> None:
        if visit.day > self.today:
            self._ask(
                visit,
                f"its day, {visit.day.isoformat()}, lies after today ({say_date(self.today)})",
                Choice(f"{visit.row}.date", None, "name the right day"),
                Choice(str(visit.row), LEAVE_OUT, "leave this visit out (the journal keeps it)"),
            )

    def _sense(self, visit: VisitRecord) -> None:
        if visit.found is Found.NOT_REACHED and visit.done not in (None, Done.LEFT):
            self._ask(
                visit,
                f"the site was not reached, yet the pack or device was {visit.done}",
                Choice(f"{visit.row}.found", None, "say how the site was found"),
                Choice(f"{visit.row}.done", "left", "nothing was done"),
            )
        if visit.pack_in and fold(visit.pack_in) == fold(visit.pack_out) and visit.done is Done.SWAPPED:
            self._ask(
                visit,
                f"pack {visit.pack_in} went in and came out",
                Choice(f"{visit.row}.pack_in", None, "name the pack that went in"),
                Choice(f"{visit.row}.pack_out", None, "name the pack that came out"),
            )

    def _device(self, visit: VisitRecord) -> None:
        problem = self.devices.at_odds(visit)
        if not problem or self.answers.keeps(visit, "told"):
            return
        key = f"{visit.row}.done"
        first = {
            Done.REMOVED: Choice(key, "left", "nothing was taken in"),
            Done.INSTALLED: Choice(key, "swapped", "it was a swap"),
        }.get(visit.done or Done.LEFT, Choice(key, "installed", "it was set out"))
        self._ask(
            visit,
            problem,
            first,
            Choice(f"{visit.row}.keep", "told", "so it was; write it down as told"),
            Choice(str(visit.row), LEAVE_OUT, "leave this visit out (the journal keeps it)"),
        )

    def _volts(self, visit: VisitRecord) -> None:
        site = self.fleet.sites_by_id.get(visit.site_id)
        for field, volts, name, what in (
            ("volts_out", visit.volts_out, visit.pack_out, "came out"),
            ("volts_in", visit.volts_in, visit.pack_in, "went in"),
        ):
            pack = None if self.book is None else self.book.find(name)
            type_name = pack.pack_type if pack is not None else "" if site is None else site.pack_type
            kind = self.fleet.pack_types.get(type_name)
            if volts is None or kind is None:
                continue
            low, high = pack_volts_span(kind)
            if not low <= volts <= high:
                self._ask(
                    visit,
                    f"a pack of {volts:g} V {what}, but a {kind.nominal_volts:g} V pack shows {low:g} to "
                    f"{high:g} V",
                    Choice(f"{visit.row}.{field}", None, "name the right figure"),
                    Choice(f"{visit.row}.{field}", "", "leave it blank; what was told goes into the notes"),
                )

    def _pack_in(self, visit: VisitRecord, book: PackBook) -> None:
        if not visit.pack_in:
            return
        pack = book.find(visit.pack_in)
        if pack is None:
            self._unknown_pack(visit, "pack_in", visit.pack_in, "went in")
            return
        self._fit(visit, pack)
        self._bought(visit, "pack_in", pack)
        if visit.done not in (Done.SWAPPED, Done.INSTALLED) or self.answers.keeps(visit, "pack_in"):
            return
        later = pack.since is not None and pack.since > visit.day
        if pack.where not in {"", SHELF, visit.site_id} and not later:
            self._ask(
                visit,
                f"pack {pack.pack_id} went in here, but {pack.source} has it {pack.place_since}",
                Choice(f"{visit.row}.pack_in", None, "name the pack that went in"),
                Choice(
                    f"{visit.row}.keep",
                    "pack_in",
                    f"it is here now; {pack.where} is then without a known pack",
                ),
            )

    def _pack_out(self, visit: VisitRecord, book: PackBook) -> None:
        if not visit.pack_out:
            return
        pack = book.find(visit.pack_out)
        if pack is None:
            self._unknown_pack(visit, "pack_out", visit.pack_out, "came out")
            return
        self._bought(visit, "pack_out", pack)
        if visit.done not in (Done.SWAPPED, Done.REMOVED) or self.answers.keeps(visit, "pack_out"):
            return
        home_that_day = pack.where == SHELF and pack.since == visit.day
        later = pack.since is not None and pack.since > visit.day
        if pack.where == visit.site_id or not pack.where or later or home_that_day:
            return
        there = book.at(visit.site_id)
        known = f"; here it has {there.pack_id}" if there is not None else ""
        choices = [Choice(f"{visit.row}.pack_out", None, "name the pack that came out")]
        left = ""
        if there is not None:
            choices.insert(0, Choice(f"{visit.row}.pack_out", there.pack_id, f"it was {there.pack_id}"))
            left = f"; where {there.pack_id} is, is then not known"
        choices.append(
            Choice(f"{visit.row}.keep", "pack_out", f"{pack.pack_id} it was, and is home now{left}")
        )
        self._ask(
            visit,
            f"pack {pack.pack_id} came out here, but {pack.source} has it {pack.place_since}{known}",
            *choices,
        )

    def _unknown_pack(self, visit: VisitRecord, field: str, name: str, what: str) -> None:
        if self.answers.keeps(visit, field) or self.answers.adds(visit, field) or self.book is None:
            return
        hint = self.book.hint(name)
        site = self.fleet.sites_by_id.get(visit.site_id)
        choices = [Choice(f"{visit.row}.{field}", None, "name the right pack")]
        if site is not None:
            choices.append(
                Choice(
                    f"{visit.row}.new", field, f"it is a new pack: add it to packs.csv as {site.pack_type}"
                )
            )
        choices.append(
            Choice(
                f"{visit.row}.keep",
                field,
                "write the name into visits.csv, leave packs.csv alone; the notes say so",
            )
        )
        self._ask(
            visit,
            f"pack '{name}' {what}, but packs.csv has none of this name"
            f"{'. ' + hint.rstrip('.') if hint else ''}",
            *choices,
        )

    def _fit(self, visit: VisitRecord, pack: PackNow) -> None:
        site, kind = self.fleet.sites_by_id.get(visit.site_id), self.fleet.pack_types.get(pack.pack_type)
        if site is None or kind is None or visit.done not in (Done.SWAPPED, Done.INSTALLED):
            return
        problem = _misfit(kind, site.takes_volts, site.plug)
        if problem:
            self._ask(
                visit,
                f"pack {pack.pack_id} {problem}",
                Choice(f"{visit.row}.pack_in", None, "name the pack that went in"),
                Choice(f"{visit.row}.pack_in", "", "leave it blank; what was told goes into the notes"),
            )

    def _bought(self, visit: VisitRecord, field: str, pack: PackNow) -> None:
        if pack.bought is not None and visit.day < pack.bought:
            self._ask(
                visit,
                f"pack {pack.pack_id} was bought on {pack.bought.isoformat()}, after this visit of "
                f"{visit.day.isoformat()}",
                Choice(f"{visit.row}.date", None, "name the right day"),
                Choice(f"{visit.row}.{field}", None, "name the right pack"),
                Choice(f"{visit.row}.{field}", "", "leave it blank; what was told goes into the notes"),
            )


def _misfit(kind: PackType, takes_volts: float, plug: str) -> str:
    if abs(kind.volts - takes_volts) > 1e-6:
        danger = (
            " and destroys the device; if it is really there, take it out before anything else"
            if kind.volts > takes_volts
            else ""
        )
        return f"gives {kind.volts:g} V, but the site takes in {takes_volts:g} V{danger}"
    if fold(kind.plug) != fold(plug):
        return f"has the plug '{kind.plug}', but the site's is '{plug}'"
    return ""


def _alike(one: VisitRecord, other: VisitRecord) -> bool:
    return (one.done, fold(one.pack_in), fold(one.pack_out)) == (
        other.done,
        fold(other.pack_in),
        fold(other.pack_out),
    )


def _summary(visit: VisitRecord) -> str:
    parts = [
        str(visit.found or ""),
        str(visit.done or ""),
        f"out {visit.pack_out}" if visit.pack_out else "",
        f"in {visit.pack_in}" if visit.pack_in else "",
        f"{visit.volts_out:g} V out" if visit.volts_out is not None else "",
        visit.notes[:40],
    ]
    return ", ".join(part for part in parts if part) or "nothing further"
