"""
The season as its planner wants to see it: charge, dates, trips, and what changed since the last plan.

No coordinates and no way to find a site: the page answers "when", not "where".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from tripplan.fleet import Fleet
from tripplan.forecast.outlook import Outlook, SiteForecast
from tripplan.forecast.words import NEVER_FLAT
from tripplan.outputs.plain_text import clean
from tripplan.outputs.wording import Wording
from tripplan.plan.document import Plan, Status, Trip, Unserved, VisitKind
from tripplan.units import so_many

__all__ = ["ChangeRow", "SeasonView", "SiteRow", "TripRow", "build_season_view"]

SOON = timedelta(weeks=4)
"""Swap-by dates within this are marked."""

_VAGUE_DAYS = 14  # nine in ten within this and a date is given as a day, else as a part of a month
_MONTHS_FROM = 66  # a spread of more days than this is said in months
_DAYS_A_MONTH = 30.4375


@dataclass(frozen=True)
class SiteRow:
    """
    One site.

    Attributes
    ----------
    state : str
        ``past``, ``soon`` or ``later``, by its swap-by date.
    charge : int or None
        Charge left in the likely case; None where no model says. [%]
    dark : str
        Chance of being dark today in percent; empty below one.
    swap_by : str
        The date; for a device at home the last to set it out, empty where it is not to be set out.
    """

    site_id: str
    name: str
    state: str
    charge: int | None
    swap_by: str
    at_home: bool
    flat: str
    basis: str
    because: str
    dark: str
    visits: tuple[str, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class TripRow:
    """One trip."""

    trip_id: str
    day: str
    crew: str
    hours: str
    sums: str
    packs: str
    sites: tuple[str, ...]


@dataclass(frozen=True)
class ChangeRow:
    """What became of a trip or a site since the last plan; `why` is in English, as the plan says it."""

    fate: str
    text: str
    why: str


@dataclass(frozen=True)
class SeasonView:
    """
    The whole page.

    Attributes
    ----------
    since : str
        When the last plan was made; empty where there was none.
    changes : tuple of ChangeRow
        Trips first, then sites whose visits moved; trips that were kept are only counted.
    unserved : tuple of ChangeRow
        Sites late or never reached.
    notes, wishes : tuple of str
        In English, as the plan says them.
    """

    language: str
    fleet: str
    span_text: str
    made_text: str
    proof_text: str
    rests_text: str
    dark_text: str
    next_text: str
    charge_text: str
    sites: tuple[SiteRow, ...]
    trips: tuple[TripRow, ...]
    since: str
    changes_head: str
    changes: tuple[ChangeRow, ...]
    unserved: tuple[ChangeRow, ...]
    notes: tuple[str, ...]
    wishes: tuple[str, ...]
    set_aside: tuple[str, ...]


def build_season_view(
    fleet: Fleet,
    outlook: Outlook,
    plan: Plan,
    *,
    since_last: Mapping[str, Any] | None,
    today: date,
    wording: Wording,
) -> SeasonView:
    """
    Return all that the season's page shows.

    Parameters
    ----------
    fleet : Fleet
        The fleet.
    outlook : Outlook
        Its forecast as of today.
    plan : Plan
        The season.
    since_last : mapping or None
        ``since_last_plan`` of the plan on file; None where there was no earlier plan.
    today : datetime.date
        The day.
    wording : Wording
        Language and units.

    Returns
    -------
    SeasonView
        Ready for the template.
    """
    ahead = [trip for trip in plan.trips if trip.date >= today]
    visits: dict[str, list[str]] = {}
    for trip in ahead:
        for visit in trip.visits:
            day = _day(trip.date, wording)
            key = {VisitKind.SET_OUT: "season.set_out", VisitKind.TAKE_IN: "season.take_in"}.get(visit.kind)
            said = day if key is None else wording.say(key, day=day)
            visits.setdefault(visit.site_id, []).append(said)
    order = sorted(outlook.sites.values(), key=lambda one: (one.swap_by, one.flat_likely, one.site_id))
    usual = sum(str(one.basis) == "usual life" for one in outlook.sites.values())
    return SeasonView(
        language=wording.language,
        fleet=clean(fleet.name),
        span_text=wording.say("handover.from_to", first=wording.day(plan.first), last=wording.day(plan.to)),
        made_text=wording.say("trip.made", made=wording.day(today), plan=wording.day(plan.made_on)),
        proof_text=_proof_text(plan, wording),
        rests_text=wording.say("season.rests", usual=usual, all=len(outlook.sites)) if usual else "",
        dark_text=wording.say(
            "season.dark_days",
            days=wording.number(plan.expected_dark_days, 1),
            percent=wording.number(100 * plan.risk, 1),
        ),
        next_text=_next_text(ahead, today, wording),
        charge_text=_charge_text(fleet, plan, today, wording),
        sites=tuple(_site_row(fleet, one, visits.get(one.site_id, []), today, wording) for one in order),
        trips=tuple(_trip_row(trip, wording) for trip in ahead),
        since="" if since_last is None else _day(date.fromisoformat(since_last["made_on"]), wording),
        changes_head=_changes_head(since_last, wording),
        changes=_changes(since_last, wording),
        unserved=tuple(
            ChangeRow(
                clean(one.site_id),
                wording.say(_late_key(one, visits), day=_day(one.swap_by, wording)),
                clean(_sentences(one.reason, one.smallest_change)),
            )
            for one in plan.unserved
        ),
        notes=tuple(clean(note) for note in plan.notes),
        wishes=tuple(clean(wish) for wish in plan.wishes),
        set_aside=tuple(clean(one) for one in fleet.set_aside),
    )


def _sentences(*parts: str) -> str:
    """Return clauses as sentences, each with its capital and one full stop."""
    plain = (part.strip(". ") for part in parts)
    return " ".join(f"{part[0].upper()}{part[1:]}." for part in plain if part)


def _day(day: date, wording: Wording) -> str:
    return f"{wording.day_short(day)} {day.year}"


def _proof_text(plan: Plan, wording: Wording) -> str:
    trips = wording.count("n.trips", plan.trip_count)
    if plan.status is Status.NO_FULL_PLAN:
        return wording.say("season.not_all", trips=trips, late=wording.count("n.sites", plan.late_sites))
    if plan.trip_count == 0:
        return wording.say("season.none_needed", day=_day(plan.to, wording))
    if plan.status is Status.PROVED:
        return wording.say("season.proved", trips=trips, less=plan.trip_count - 1)
    return wording.say("season.found", trips=trips, bound=plan.lower_bound)


def _next_text(ahead: list[Trip], today: date, wording: Wording) -> str:
    if not ahead:
        return wording.say("season.no_trip")
    trip = min(ahead, key=lambda one: (one.date, one.trip_id))
    days = (trip.date - today).days
    return wording.say(
        "season.next",
        day=wording.day(trip.date),
        days=wording.say("season.today") if days == 0 else wording.count("n.in_days", days),
        crew=clean(trip.crew),
        packs=_packs(trip),
    )


def _packs(trip: Trip) -> str:
    return ", ".join(so_many(count, clean(name)) for name, count in trip.packs.items())


def _charge_text(fleet: Fleet, plan: Plan, today: date, wording: Wording) -> str:
    ahead = [slot for slot in plan.charging if slot.on.astimezone(fleet.zone).date() >= today]
    if not ahead:
        return ""
    first = min(slot.on for slot in ahead)
    counts: dict[str, int] = {}
    for slot in ahead:
        if slot.on == first:
            counts[slot.pack_type] = counts.get(slot.pack_type, 0) + 1
    moment = first.astimezone(fleet.zone)
    return wording.say(
        "season.charge",
        moment=f"{_day(moment.date(), wording)} {wording.clock(moment)}",
        packs=", ".join(so_many(count, clean(name)) for name, count in counts.items()),
    )


def _late_key(late: Unserved, visits: Mapping[str, Sequence[str]]) -> str:
    """Return the key of what is said of a site that is late: it is visited late, not again, or not at all."""
    if late.visited_on is not None:
        return "season.late"
    return "season.not_again" if late.site_id in visits else "season.never"


def _site_row(fleet: Fleet, one: SiteForecast, visits: list[str], today: date, wording: Wording) -> SiteRow:
    site = fleet.sites_by_id[one.site_id]
    left = one.swap_by - today
    percent = 100 * one.chance_dark_today
    return SiteRow(
        site_id=clean(site.site_id),
        name=clean(site.name) if site.name != site.site_id else "",
        state="past" if left.days < 0 else "soon" if left <= SOON else "later",
        charge=None if one.charge_left is None else max(0, min(100, round(100 * one.charge_left))),
        swap_by=_swap_by(one, site.active_from, wording),
        at_home=one.at_home,
        flat=wording.say("season.at_home")
        if one.at_home
        else wording.say("season.never_flat")
        if any(flag.startswith(NEVER_FLAT) for flag in one.flags)
        else _when(one.flat_early, one.flat_likely, one.flat_late, wording),
        basis=wording.say(f"basis.{str(one.basis).replace(' ', '_')}"),
        because=clean(one.because),
        dark=wording.number(percent) if percent >= 1 else "",
        visits=tuple(visits),
        flags=tuple(clean(flag) for flag in one.flags),
    )


def _swap_by(one: SiteForecast, active_from: date | None, wording: Wording) -> str:
    if not one.at_home:
        return _day(one.swap_by, wording)
    if one.swap_by != active_from:
        return ""
    return wording.say("season.set_out", day=_day(one.swap_by, wording))


def _when(early: date, likely: date, late: date, wording: Wording) -> str:
    """Return a date as sharply as it is known: a day, a part of a month with weeks, or with months."""
    before, after = (likely - early).days, (late - likely).days
    if before + after <= 0:
        return _day(likely, wording)
    if before + after <= _VAGUE_DAYS:
        return wording.say(
            "season.give_or_take",
            when=_day(likely, wording),
            spread=wording.count("n.days", max(before, after)),
        )
    spread = max(before, (before + after) / 2)
    part = "season.early" if likely.day <= 10 else "season.mid" if likely.day <= 20 else "season.end"
    when = wording.say(part, month=wording.texts[f"month.{likely.month}"], year=likely.year)
    key, size = ("weeks", 7.0) if spread < _MONTHS_FROM else ("months", _DAYS_A_MONTH)
    return wording.say(
        "season.give_or_take", when=when, spread=wording.count(f"n.{key}", max(1, round(spread / size)))
    )


def _trip_row(trip: Trip, wording: Wording) -> TripRow:
    return TripRow(
        trip_id=trip.trip_id,
        day=wording.day(trip.date),
        crew=clean(trip.crew),
        hours=f"{wording.clock(trip.leave)}\N{EN DASH}{wording.clock_up(trip.back)}",
        sums=wording.say(
            "season.sums",
            drive=wording.duration(trip.drive_minutes),
            walk=wording.duration(trip.walk_minutes),
            work=wording.duration(trip.work_minutes),
        ),
        packs=_packs(trip),
        sites=tuple(clean(visit.label) for visit in trip.visits),
    )


def _changes_head(since_last: Mapping[str, Any] | None, wording: Wording) -> str:
    if since_last is None:
        return wording.say("season.no_last")
    fates = [one["fate"] for one in since_last["trips"]]
    told = [
        f"{fates.count(fate)} {wording.say(f'fate.{fate}')}"
        for fate in ("kept", "changed", "moved", "added", "dropped", "behind")
        if fate in fates
    ]
    if set(fates) <= {"kept", "behind"} and not since_last["sites"]:
        return wording.say("season.nothing_changed")
    return ", ".join(told)


def _changes(since_last: Mapping[str, Any] | None, wording: Wording) -> tuple[ChangeRow, ...]:
    if since_last is None:
        return ()
    rows = []
    for one in since_last["trips"]:
        if one["fate"] in {"kept", "behind"}:
            continue
        ids = [trip_id for trip_id in dict.fromkeys((one["before"], one["after"])) if trip_id]
        text = " \N{RIGHTWARDS ARROW} ".join(ids)
        for key, said in (("joined", "season.joined"), ("left", "season.left")):
            if one[key]:
                text += "; " + wording.say(said, sites=", ".join(clean(site) for site in one[key]))
        rows.append(ChangeRow(wording.say(f"fate.{one['fate']}"), text, clean(one["why"])))
    for one in since_last["sites"]:
        before, after = (
            ", ".join(_day(date.fromisoformat(day), wording) for day in one[key]) or "\N{EN DASH}"
            for key in ("before", "after")
        )
        rows.append(
            ChangeRow(clean(one["site_id"]), f"{before} \N{RIGHTWARDS ARROW} {after}", clean(one["why"]))
        )
    return tuple(rows)
