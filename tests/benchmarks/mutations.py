"""
Plans broken on purpose: each mutation breaks one named rule, by construction.

A mutation may break others along with it (a trip moved to another date has other swap-by dates),
but it is certain that the named one is broken; where that cannot be had, the mutation steps aside.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from greedy_plan import first_date, taken_in_by

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import Fleet, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import ChargeSlot, Loop, Plan, Status, Stop, Trip, Unserved, Visit, VisitKind
from tripplan.travel import crew_dates, crews_share_people, usable_daylight

__all__ = ["MUTATORS", "Mutation", "Subject", "mutate"]


@dataclass(frozen=True)
class Subject:
    """A valid plan, with all that it was made from."""

    fleet: Fleet
    outlook: Outlook
    travel: Any
    plan: Plan


@dataclass(frozen=True)
class Mutation:
    """A broken plan and the rule that is certainly broken in it."""

    rule: str
    name: str
    plan: Plan


Mutator = Callable[[random.Random, Subject], Plan | None]
MUTATORS: list[tuple[str, Mutator]] = []


def _breaks(rule: str) -> Callable[[Mutator], Mutator]:
    def register(mutator: Mutator) -> Mutator:
        MUTATORS.append((rule, mutator))
        return mutator

    return register


def mutate(
    rng: random.Random, subject: Subject, count: int, seen: Mapping[str, int] | None = None
) -> Iterator[Mutation]:
    """
    Yield broken plans, kinds seen least first and else in random order, as far as they apply.

    Parameters
    ----------
    rng : random.Random
        Source of chance.
    subject : Subject
        A valid plan.
    count : int
        Most mutations.
    seen : mapping of str to int, optional
        How often each kind was had already, by name.

    Yields
    ------
    Mutation
        At most one of a kind.
    """
    shuffled = rng.sample(MUTATORS, len(MUTATORS))
    for rule, mutator in sorted(shuffled, key=lambda pair: (seen or {}).get(pair[1].__name__, 0)):
        if count <= 0:
            return
        broken = mutator(rng, subject)
        if broken is not None:
            count -= 1
            yield Mutation(rule, mutator.__name__, broken)


# --- ways to reach into a plan -------------------------------------------------------------------


def _with_trip(plan: Plan, number: int, trip: Trip) -> Plan:
    return replace(plan, trips=(*plan.trips[:number], trip, *plan.trips[number + 1 :]))


def _edit_trip(rng: random.Random, plan: Plan, edit: Callable[[Trip], Trip | None]) -> Plan | None:
    """Edit the first trip, in random order, to which the edit applies."""
    for number in rng.sample(range(len(plan.trips)), len(plan.trips)):
        edited = edit(plan.trips[number])
        if edited is not None:
            return _with_trip(plan, number, edited)
    return None


def _edit_stop(rng: random.Random, plan: Plan, edit: Callable[[Stop], Stop | None]) -> Plan | None:
    def one(trip: Trip) -> Trip | None:
        for number in rng.sample(range(len(trip.stops)), len(trip.stops)):
            edited = edit(trip.stops[number])
            if edited is not None:
                return replace(trip, stops=(*trip.stops[:number], edited, *trip.stops[number + 1 :]))
        return None

    return _edit_trip(rng, plan, one)


def _edit_loop(rng: random.Random, plan: Plan, edit: Callable[[Loop], Loop | None]) -> Plan | None:
    def one(stop: Stop) -> Stop | None:
        for number in rng.sample(range(len(stop.loops)), len(stop.loops)):
            edited = edit(stop.loops[number])
            if edited is not None:
                return replace(stop, loops=(*stop.loops[:number], edited, *stop.loops[number + 1 :]))
        return None

    return _edit_stop(rng, plan, one)


def _edit_visit(rng: random.Random, plan: Plan, edit: Callable[[Visit], Visit | None]) -> Plan | None:
    def one(loop: Loop) -> Loop | None:
        for number in rng.sample(range(len(loop.visits)), len(loop.visits)):
            edited = edit(loop.visits[number])
            if edited is not None:
                return replace(loop, visits=(*loop.visits[:number], edited, *loop.visits[number + 1 :]))
        return None

    return _edit_loop(rng, plan, one)


def _each_clock(trip: Trip, move: Callable[[datetime], datetime]) -> Trip:
    def visit(v: Visit) -> Visit:
        return replace(v, arrive=move(v.arrive), start=move(v.start), finish=move(v.finish))

    def loop(one: Loop) -> Loop:
        visits = tuple(visit(v) for v in one.visits)
        return replace(one, leave=move(one.leave), back=move(one.back), visits=visits)

    stops = tuple(
        replace(s, arrive=move(s.arrive), leave=move(s.leave), loops=tuple(loop(one) for one in s.loops))
        for s in trip.stops
    )
    return replace(trip, leave=move(trip.leave), back=move(trip.back), stops=stops)


def _moved(subject: Subject, trip: Trip, seconds: int) -> Trip:
    """Move every clock time of a trip, keeping its date."""
    zone = subject.fleet.zone
    return _each_clock(trip, lambda clock: moment_to_local(round(clock.timestamp()) + seconds, zone))


def _on_date(subject: Subject, trip: Trip, day: date) -> Trip:
    """Put a trip on another date with the same local clock, its id with it."""
    zone = subject.fleet.zone
    start, end = local_moment(trip.date, 720, zone), local_moment(day, 720, zone)
    moved = _each_clock(trip, lambda clock: moment_to_local(round(clock.timestamp()) + end - start, zone))
    return replace(moved, date=day, trip_id=f"{day.isoformat()}{trip.trip_id[10:]}")


def _put_on_date(rng: random.Random, subject: Subject, days: list[date], number: int) -> Plan | None:
    if not days:
        return None
    moved = _on_date(subject, subject.plan.trips[number], rng.choice(days))
    rest = subject.plan.trips[:number] + subject.plan.trips[number + 1 :]
    places = [crew.name for crew in subject.fleet.crews]
    trips = sorted((*rest, moved), key=lambda trip: (trip.date, places.index(trip.crew)))
    return replace(subject.plan, trips=tuple(trips))


def _season(subject: Subject) -> list[date]:
    first, last = subject.outlook.on, subject.outlook.to
    return [first + timedelta(days=number) for number in range((last - first).days + 1)]


def _pick(rng: random.Random, plan: Plan) -> int | None:
    return rng.randrange(len(plan.trips)) if plan.trips else None


def _t(clock: datetime) -> int:
    return round(clock.timestamp())


def _later(clock: datetime, seconds: int) -> datetime:
    moment = clock.timestamp() + seconds
    return moment_to_local(moment, clock.tzinfo)  # type: ignore[arg-type]


# --- the plan's head -----------------------------------------------------------------------------


@_breaks("header")
def another_head(rng: random.Random, s: Subject) -> Plan:
    return rng.choice(
        (
            replace(s.plan, fleet=s.plan.fleet + "x"),
            replace(s.plan, to=s.plan.to + timedelta(days=7)),
            replace(s.plan, first=s.plan.first - timedelta(days=1)),
            replace(s.plan, risk=s.plan.risk / 2),
        )
    )


@_breaks("lower bound")
def bound_too_high(rng: random.Random, s: Subject) -> Plan:
    return replace(s.plan, lower_bound=s.plan.trip_count + rng.randint(1, 3))


@_breaks("life thrown away")
def life_counted_wrong(rng: random.Random, s: Subject) -> Plan | None:
    if not s.plan.trips:
        return None
    return replace(s.plan, life_days=10**6 * len(s.plan.trips) + rng.randint(1, 30))


@_breaks("lower bound")
def crew_time_bound_too_high(rng: random.Random, s: Subject) -> Plan | None:
    if not s.plan.trips:
        return None
    return replace(s.plan, crew_seconds_bound=10**6 * len(s.plan.trips) + rng.randint(1, 9))


@_breaks("status")
def proved_without_proof(_: random.Random, s: Subject) -> Plan | None:
    if not s.plan.trips and not s.plan.unserved:
        return None
    return replace(s.plan, status=Status.PROVED, lower_bound=max(0, s.plan.trip_count - 1))


@_breaks("status")
def status_against_the_sites(_: random.Random, s: Subject) -> Plan:
    return replace(s.plan, status=Status.BEST_FOUND if s.plan.unserved else Status.NO_FULL_PLAN)


@_breaks("expected dark days")
def dark_days_changed(rng: random.Random, s: Subject) -> Plan:
    return replace(
        s.plan, expected_dark_days=s.plan.expected_dark_days + rng.choice((-1, 1)) * rng.uniform(0.01, 5)
    )


@_breaks("late days")
def late_days_miscounted(rng: random.Random, s: Subject) -> Plan:
    return replace(s.plan, late_days=s.plan.late_days + rng.randint(1, 9))


@_breaks("late days")
def late_sites_miscounted(_: random.Random, s: Subject) -> Plan:
    return replace(s.plan, late_sites=s.plan.late_sites + 1)


@_breaks("late days")
def a_site_in_time_named_late(rng: random.Random, s: Subject) -> Plan | None:
    named = {late.site_id for late in s.plan.unserved}
    fine = [site.site_id for site in s.fleet.sites if site.site_id not in named]
    if not fine:
        return None
    site_id = rng.choice(fine)
    late = Unserved(
        site_id,
        s.outlook.sites[site_id].swap_by,
        proved=False,
        visited_on=None,
        late_days=3,
        reason="made up",
        smallest_change="",
    )
    return replace(s.plan, unserved=(*s.plan.unserved, late))


@_breaks("late days")
def one_sites_late_days_changed(rng: random.Random, s: Subject) -> Plan | None:
    if not s.plan.unserved:
        return None
    number = rng.randrange(len(s.plan.unserved))
    late = s.plan.unserved[number]
    changed = replace(late, late_days=late.late_days + 1)
    return replace(s.plan, unserved=(*s.plan.unserved[:number], changed, *s.plan.unserved[number + 1 :]))


@_breaks("unknown site")
def a_stranger_named_late(_: random.Random, s: Subject) -> Plan:
    late = Unserved(
        "nowhere", s.plan.to, proved=False, visited_on=None, late_days=1, reason="made up", smallest_change=""
    )
    return replace(s.plan, unserved=(*s.plan.unserved, late))


# --- trips on the calendar -----------------------------------------------------------------------


@_breaks("crew day")
def on_a_date_that_is_not_free(rng: random.Random, s: Subject) -> Plan | None:
    number = _pick(rng, s.plan)
    if number is None:
        return None
    crew = s.fleet.crews_by_name[s.plan.trips[number].crew]
    free = set(crew_dates(s.fleet, crew, s.outlook.on, s.outlook.to))
    return _put_on_date(rng, s, [day for day in _season(s) if day not in free], number)


@_breaks("date in season")
def outside_the_season(rng: random.Random, s: Subject) -> Plan | None:
    number = _pick(rng, s.plan)
    if number is None:
        return None
    days = [s.outlook.to + timedelta(days=k) for k in (1, 7, 30)] + [s.outlook.on - timedelta(days=1)]
    return _put_on_date(rng, s, days, number)


@_breaks("one trip a crew and date")
def the_same_trip_twice(rng: random.Random, s: Subject) -> Plan | None:
    number = _pick(rng, s.plan)
    if number is None:
        return None
    return replace(s.plan, trips=(*s.plan.trips[: number + 1], *s.plan.trips[number:]))


@_breaks("shared people")
def two_crews_that_share_somebody(rng: random.Random, s: Subject) -> Plan | None:
    options = [
        (number, place, other)
        for number, trip in enumerate(s.plan.trips)
        for place, other in enumerate(s.fleet.crews)
        if other.name != trip.crew and crews_share_people(s.fleet.crews_by_name[trip.crew], other)
    ]
    if not options:
        return None
    number, place, other = rng.choice(options)
    trip = s.plan.trips[number]
    copy = replace(trip, crew=other.name, trip_id=f"{trip.date.isoformat()}-{'ABC'[place]}")
    return replace(s.plan, trips=(*s.plan.trips[: number + 1], copy, *s.plan.trips[number + 1 :]))


@_breaks("order of trips")
def out_of_order(_: random.Random, s: Subject) -> Plan | None:
    return replace(s.plan, trips=s.plan.trips[::-1]) if len(s.plan.trips) > 1 else None


@_breaks("trip id")
def another_id(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_trip(
        rng,
        s.plan,
        lambda t: replace(t, trip_id=rng.choice((t.trip_id + "X", t.trip_id[:-1], t.trip_id.lower()))),
    )


@_breaks("unknown crew")
def a_crew_nobody_knows(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_trip(rng, s.plan, lambda t: replace(t, crew="nobody"))


@_breaks("unknown site")
def a_site_nobody_knows(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, site_id="nowhere"))


@_breaks("empty trip")
def a_stop_without_loops(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_stop(rng, s.plan, lambda stop: replace(stop, loops=()))


@_breaks("visited twice")
def a_site_twice_on_one_loop(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_loop(rng, s.plan, lambda loop: replace(loop, visits=(*loop.visits, loop.visits[0])))


@_breaks("set by")
def set_by_a_stranger(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_trip(rng, s.plan, lambda t: replace(t, set_by=(*t.set_by, "nowhere")))


@_breaks("active dates")
def when_the_site_is_not_active(rng: random.Random, s: Subject) -> Plan | None:
    options = []
    for number, trip in enumerate(s.plan.trips):
        for visit in trip.visits:
            site = s.fleet.sites_by_id[visit.site_id]
            days = [
                day
                for day in _season(s)
                if site.active_from is not None and day < first_date(s.fleet, s.outlook, site)
            ]
            if days:
                options.append((number, days))
    if not options:
        return None
    number, days = rng.choice(options)
    return _put_on_date(rng, s, days, number)


# --- the clock -----------------------------------------------------------------------------------


@_breaks("clock")
def wrong_offset(rng: random.Random, s: Subject) -> Plan | None:
    def one(trip: Trip) -> Trip:
        offset = trip.leave.utcoffset()
        assert offset is not None
        from datetime import timezone

        wrong = timezone(offset + timedelta(hours=rng.choice((-1, 1, 2))))
        return replace(trip, leave=trip.leave.astimezone(wrong))

    return _edit_trip(rng, s.plan, one)


@_breaks("clock")
def a_fraction_of_a_second(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, arrive=v.arrive.replace(microsecond=250000)))


@_breaks("clock")
def home_before_the_last_stop(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_trip(rng, s.plan, lambda t: replace(t, back=_later(t.stops[-1].leave, -rng.randint(1, 900))))


@_breaks("clock")
def idling_after_the_last_loop(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_stop(rng, s.plan, lambda stop: replace(stop, leave=_later(stop.leave, rng.randint(1, 900))))


@_breaks("crew hours")
def home_too_late(rng: random.Random, s: Subject) -> Plan | None:
    def one(trip: Trip) -> Trip:
        crew = s.fleet.crews_by_name[trip.crew]
        over = local_moment(trip.date, crew.day_end_minute, s.fleet.zone) - _t(trip.back)
        return _moved(s, trip, over + rng.randint(1, 1800))

    return _edit_trip(rng, s.plan, one)


@_breaks("crew hours")
def off_too_early(rng: random.Random, s: Subject) -> Plan | None:
    def one(trip: Trip) -> Trip:
        crew = s.fleet.crews_by_name[trip.crew]
        early = _t(trip.leave) - local_moment(trip.date, crew.day_start_minute, s.fleet.zone)
        return _moved(s, trip, -early - rng.randint(1, 1800))

    return _edit_trip(rng, s.plan, one)


@_breaks("drive minutes")
def a_drive_cut_short(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_stop(
        rng, s.plan, lambda stop: replace(stop, arrive=_later(stop.arrive, -rng.randint(1, 300)))
    )


@_breaks("drive minutes")
def a_long_way_home(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_trip(rng, s.plan, lambda t: replace(t, back=_later(t.back, rng.randint(1, 600))))


@_breaks("park minutes")
def parked_too_fast(rng: random.Random, s: Subject) -> Plan | None:
    def one(stop: Stop) -> Stop | None:
        free = _t(stop.loops[0].leave) - _t(stop.arrive)
        park = s.fleet.drive.park_minutes * 60
        if park < 1:
            return None
        return replace(stop, arrive=_later(stop.arrive, free - rng.randrange(int(park))))

    return _edit_stop(rng, s.plan, one)


@_breaks("walk minutes")
def a_walk_out_changed(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(
        rng, s.plan, lambda v: replace(v, arrive=_later(v.arrive, rng.choice((-60, -1, 1, 60))))
    )


@_breaks("walk minutes")
def a_walk_back_changed(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_loop(rng, s.plan, lambda p: replace(p, back=_later(p.back, rng.choice((-60, -1, 1, 60)))))


@_breaks("work minutes")
def work_cut_short(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, finish=_later(v.finish, -rng.randint(1, 300))))


@_breaks("waiting")
def work_before_arriving(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, start=_later(v.arrive, -rng.randint(1, 600))))


@_breaks("waiting")
def the_next_loop_before_the_last_is_back(rng: random.Random, s: Subject) -> Plan | None:
    def one(stop: Stop) -> Stop | None:
        if len(stop.loops) < 2:
            return None
        early = replace(stop.loops[1], leave=_later(stop.loops[0].back, -rng.randint(1, 600)))
        return replace(stop, loops=(stop.loops[0], early, *stop.loops[2:]))

    return _edit_stop(rng, s.plan, one)


@_breaks("sums")
def minutes_that_do_not_add_up(rng: random.Random, s: Subject) -> Plan | None:
    field = rng.choice(("drive_minutes", "walk_minutes", "work_minutes", "wait_minutes", "drive_km"))
    change = rng.choice((-1, 1)) * rng.uniform(0.01, 20)
    return _edit_trip(rng, s.plan, lambda t: replace(t, **{field: getattr(t, field) + change}))


@_breaks("sums")
def metres_or_kilograms_that_do_not_add_up(rng: random.Random, s: Subject) -> Plan | None:
    field = rng.choice(("walk_m", "carried_kg"))
    return _edit_loop(rng, s.plan, lambda p: replace(p, **{field: getattr(p, field) + rng.uniform(0.5, 9)}))


@_breaks("sums")
def packs_that_do_not_add_up(rng: random.Random, s: Subject) -> Plan | None:
    kind = rng.choice(sorted(s.fleet.pack_types))
    return _edit_trip(rng, s.plan, lambda t: replace(t, packs={**t.packs, kind: t.packs.get(kind, 0) + 1}))


def _light(s: Subject, stop: Stop, day: date) -> tuple[float, float] | None:
    """Return usable daylight at a stop; None in the polar day, where it limits nothing."""
    place = s.travel.places[s.travel.place_of_site[stop.loops[0].visits[0].site_id]]
    span = usable_daylight(place.lat, place.lon, day, s.fleet.zone, s.fleet.plan.daylight_margin_minutes)
    assert span is not None
    midnights = (local_moment(day, 0, s.fleet.zone), local_moment(day, 1440, s.fleet.zone))
    return None if span == midnights else span


@_breaks("daylight")
def on_foot_after_dusk(rng: random.Random, s: Subject) -> Plan | None:
    def one(trip: Trip) -> Trip | None:
        span = _light(s, trip.stops[-1], trip.date)
        if span is None:
            return None
        return _moved(s, trip, int(span[1]) - _t(trip.stops[-1].loops[-1].back) + rng.randint(2, 1800))

    return _edit_trip(rng, s.plan, one)


@_breaks("daylight")
def on_foot_before_dawn(rng: random.Random, s: Subject) -> Plan | None:
    def one(trip: Trip) -> Trip | None:
        span = _light(s, trip.stops[0], trip.date)
        if span is None:
            return None
        return _moved(s, trip, int(span[0]) - _t(trip.stops[0].loops[0].leave) - rng.randint(2, 1800))

    return _edit_trip(rng, s.plan, one)


@_breaks("reserve")
def the_reserve_used_up(rng: random.Random, s: Subject) -> Plan | None:
    reserve = int(s.fleet.plan.reserve_minutes * 60)
    if reserve < 60:
        return None

    def one(trip: Trip) -> Trip | None:
        span = _light(s, trip.stops[-1], trip.date)
        if span is None:
            return None
        back = int(span[1]) - rng.randint(2, reserve - 2)
        return _moved(s, trip, back - _t(trip.stops[-1].loops[-1].back))

    return _edit_trip(rng, s.plan, one)


@_breaks("latest leave")
def off_earlier_than_need_be(rng: random.Random, s: Subject) -> Plan | None:
    """A trip to sites open all day, moved a little earlier: the old hours were later and no longer."""

    def one(trip: Trip) -> Trip | None:
        crew = s.fleet.crews_by_name[trip.crew]
        if any(s.fleet.sites_by_id[v.site_id].access for v in trip.visits):
            return None
        room = _t(trip.leave) - local_moment(trip.date, crew.day_start_minute, s.fleet.zone)
        for stop in trip.stops:
            span = _light(s, stop, trip.date)
            if span is not None:
                room = min(room, _t(stop.loops[0].leave) - int(span[0]) - 1)
            else:
                room = min(room, _t(stop.loops[0].leave) - local_moment(trip.date, 0, s.fleet.zone))
        return _moved(s, trip, -rng.randint(2, min(room, 3600))) if room >= 2 else None

    return _edit_trip(rng, s.plan, one)


@_breaks("access window")
def work_outside_every_window(rng: random.Random, s: Subject) -> Plan | None:
    """Work moved to begin before the gate opens, or to end after it shuts; the clock runs on from there."""
    from tripplan.travel import open_spans

    def one(trip: Trip) -> Trip | None:
        for visit in rng.sample(trip.visits, len(trip.visits)):
            site = s.fleet.sites_by_id[visit.site_id]
            if not site.access:
                continue
            spans = open_spans(s.fleet, site, trip.crew, trip.date)
            midnight = local_moment(trip.date, 0, s.fleet.zone)
            next_midnight = local_moment(trip.date, 1440, s.fleet.zone)
            work = _t(visit.finish) - _t(visit.start)
            shifts = []
            for opens, closes in spans:
                if opens > midnight:
                    shifts.append(opens - rng.randint(1, work - 1) - _t(visit.start))
                if closes < next_midnight:
                    shifts.append(closes + rng.randint(1, work - 1) - _t(visit.finish))
            if shifts:
                return _moved(s, trip, rng.choice(shifts))
        return None

    return _edit_trip(rng, s.plan, one)


@_breaks("access window")
def on_a_date_on_which_it_is_closed(rng: random.Random, s: Subject) -> Plan | None:
    from tripplan.travel import open_spans

    options = []
    for number, trip in enumerate(s.plan.trips):
        crew = s.fleet.crews_by_name[trip.crew]
        dates = crew_dates(s.fleet, crew, s.outlook.on, s.outlook.to)
        for visit in trip.visits:
            site = s.fleet.sites_by_id[visit.site_id]
            if not site.access or site.active_from or site.active_to:
                continue
            shut = [day for day in dates if not open_spans(s.fleet, site, crew.name, day)]
            if shut:
                options.append((number, shut))
    if not options:
        return None
    number, shut = rng.choice(options)
    return _put_on_date(rng, s, shut, number)


# --- what is carried -----------------------------------------------------------------------------


@_breaks("carry weight")
def everything_on_one_loop(rng: random.Random, s: Subject) -> Plan | None:
    """Loops of one stop joined, where together they are too heavy."""

    def heavy(trip: Trip) -> Trip | None:
        limit = s.fleet.crews_by_name[trip.crew].carry_kg
        for number, stop in enumerate(trip.stops):
            if sum(loop.carried_kg for loop in stop.loops) > limit + 0.01:
                joined = Loop(
                    stop.loops[0].leave,
                    stop.loops[-1].back,
                    sum(loop.walk_m for loop in stop.loops),
                    sum(loop.carried_kg for loop in stop.loops),
                    tuple(v for loop in stop.loops for v in loop.visits),
                )
                one = replace(stop, loops=(joined,))
                return replace(trip, stops=(*trip.stops[:number], one, *trip.stops[number + 1 :]))
        return None

    return _edit_trip(rng, s.plan, heavy)


@_breaks("carry weight")
def visits_of_the_whole_season_on_one_loop(rng: random.Random, s: Subject) -> Plan | None:
    swaps = [v for trip in s.plan.trips for v in trip.visits if v.swap]
    weight = sum(s.fleet.pack_types[v.pack_type].weight_kg for v in swaps)
    trip = rng.choice(s.plan.trips) if s.plan.trips else None
    if trip is None or weight <= s.fleet.crews_by_name[trip.crew].carry_kg + 0.01:
        return None
    return _edit_loop(
        rng, replace(s.plan, trips=(trip,)), lambda p: replace(p, visits=tuple(swaps), carried_kg=weight)
    )


@_breaks("packs aboard")
def more_packs_than_the_vehicle_takes(rng: random.Random, s: Subject) -> Plan | None:
    """All swaps of the season on one stop of one trip."""
    swaps = tuple(v for trip in s.plan.trips for v in trip.visits if v.swap)
    trip = rng.choice(s.plan.trips) if s.plan.trips else None
    if trip is None or len(swaps) <= s.fleet.crews_by_name[trip.crew].packs_aboard:
        return None
    return _edit_loop(rng, replace(s.plan, trips=(trip,)), lambda p: replace(p, visits=swaps))


@_breaks("parking")
def parked_elsewhere(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_stop(
        rng, s.plan, lambda stop: replace(stop, park_lat=stop.park_lat + rng.choice((-1e-4, 1e-4)))
    )


@_breaks("parking")
def a_site_of_another_parking_on_the_loop(rng: random.Random, s: Subject) -> Plan | None:
    def one(loop: Loop) -> Loop | None:
        here = s.fleet.sites_by_id[loop.visits[0].site_id].parking_key
        others = [site.site_id for site in s.fleet.sites if site.parking_key != here]
        if not others:
            return None
        stranger = replace(loop.visits[0], site_id=rng.choice(others))
        return replace(loop, visits=(*loop.visits, stranger))

    return _edit_loop(rng, s.plan, one)


def _another_type(s: Subject, visit: Visit, differs: Callable[[Any, Any], bool]) -> str | None:
    site = s.fleet.sites_by_id[visit.site_id]
    fits = [name for name, kind in s.fleet.pack_types.items() if differs(kind, site)]
    return fits[0] if fits else None


@_breaks("voltage")
def the_wrong_voltage(rng: random.Random, s: Subject) -> Plan | None:
    def one(visit: Visit) -> Visit | None:
        name = _another_type(s, visit, lambda kind, site: kind.volts != site.takes_volts)
        return None if name is None else replace(visit, pack_type=name)

    return _edit_visit(rng, s.plan, one)


@_breaks("plug")
def the_wrong_plug(rng: random.Random, s: Subject) -> Plan | None:
    def one(visit: Visit) -> Visit | None:
        name = _another_type(s, visit, lambda kind, site: kind.plug != site.plug)
        return None if name is None else replace(visit, pack_type=name)

    return _edit_visit(rng, s.plan, one)


@_breaks("pack type")
def another_type(rng: random.Random, s: Subject) -> Plan | None:
    def one(visit: Visit) -> Visit:
        name = _another_type(s, visit, lambda kind, site: kind.name != site.pack_type)
        return replace(visit, pack_type=name or "unheard of")

    return _edit_visit(rng, s.plan, one)


@_breaks("pack identity")
def a_pack_nobody_knows(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, pack_in="nobody's"))


@_breaks("jobs")
def a_job_made_up(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, jobs=(*v.jobs, "paint it green")))


@_breaks("jobs")
def a_job_forgotten(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(rng, s.plan, lambda v: replace(v, jobs=v.jobs[1:]) if v.jobs else None)


@_breaks("call without a swap")
def left_in_without_a_job(rng: random.Random, s: Subject) -> Plan | None:
    return _edit_visit(
        rng,
        s.plan,
        lambda v: replace(v, kind=VisitKind.CALL) if v.swap and v.site_id not in s.fleet.open_jobs else None,
    )


@_breaks("call without a swap")
def left_in_though_due(rng: random.Random, s: Subject) -> Plan | None:
    """A first visit with a job whose pack is due this season, left without its swap."""

    def one(visit: Visit) -> Visit | None:
        site = s.fleet.sites_by_id[visit.site_id]
        due = _owed(s, site, visit.swap_by)
        still = site.active_from is None and visit.kind is VisitKind.SWAP
        return replace(visit, kind=VisitKind.CALL) if visit.jobs and due and still else None

    return _edit_visit(rng, s.plan, one)


# --- devices set out and taken in -------------------------------------------------------------------


def _owed(s: Subject, site: Site, due: date) -> bool:
    over = site.active_to is not None and (due > site.active_to or site.active_to < s.outlook.on)
    return due < s.outlook.to and not over


def _visits(plan: Plan, kind: VisitKind) -> list[tuple[int, Visit]]:
    """Return the visits of a kind with the place of their trip."""
    return [(n, v) for n, trip in enumerate(plan.trips) for v in trip.visits if v.kind is kind]


def _as_kind(plan: Plan, number: int, visit: Visit, kind: VisitKind) -> Plan:
    """Return the plan with one visit of another kind."""
    trip = plan.trips[number]
    stops = tuple(
        replace(
            stop,
            loops=tuple(
                replace(loop, visits=tuple(replace(v, kind=kind) if v is visit else v for v in loop.visits))
                for loop in stop.loops
            ),
        )
        for stop in trip.stops
    )
    trips = (*plan.trips[:number], replace(trip, stops=stops), *plan.trips[number + 1 :])
    return replace(plan, trips=trips)


@_breaks("device out or in")
def set_out_where_it_stands(rng: random.Random, s: Subject) -> Plan | None:
    found = _visits(s.plan, VisitKind.SWAP)
    return _as_kind(s.plan, *rng.choice(found), VisitKind.SET_OUT) if found else None


@_breaks("device out or in")
def swapped_where_none_stands(rng: random.Random, s: Subject) -> Plan | None:
    found = _visits(s.plan, VisitKind.SET_OUT)
    return _as_kind(s.plan, *rng.choice(found), VisitKind.SWAP) if found else None


@_breaks("device out or in")
def taken_in_too_early(rng: random.Random, s: Subject) -> Plan | None:
    found = _visits(s.plan, VisitKind.SWAP)
    return _as_kind(s.plan, *rng.choice(found), VisitKind.TAKE_IN) if found else None


@_breaks("device out or in")
def left_out_after_its_last_day(rng: random.Random, s: Subject) -> Plan | None:
    found = _visits(s.plan, VisitKind.TAKE_IN)
    return _as_kind(s.plan, *rng.choice(found), VisitKind.SWAP) if found else None


@_breaks("device out or in")
def visited_after_it_was_taken_in(rng: random.Random, s: Subject) -> Plan | None:
    options = []
    for number, visit in _visits(s.plan, VisitKind.TAKE_IN):
        later = [n for n, trip in enumerate(s.plan.trips) if trip.date > s.plan.trips[number].date]
        options += [(n, visit) for n in later]
    if not options:
        return None
    number, visit = rng.choice(options)
    trip = s.plan.trips[number]
    loop = trip.stops[0].loops[0]
    more = replace(loop, visits=(*loop.visits, visit))
    stop = replace(trip.stops[0], loops=(more, *trip.stops[0].loops[1:]))
    trips = (
        *s.plan.trips[:number],
        replace(trip, stops=(stop, *trip.stops[1:])),
        *s.plan.trips[number + 1 :],
    )
    return replace(s.plan, trips=trips)


@_breaks("site left out")
def never_set_out(rng: random.Random, s: Subject) -> Plan | None:
    named = {late.site_id for late in s.plan.unserved}
    found = [
        visit.site_id
        for _, visit in _visits(s.plan, VisitKind.SET_OUT)
        if visit.site_id not in named and _owed(s, s.fleet.sites_by_id[visit.site_id], visit.swap_by)
    ]
    return _without(s.plan, rng.choice(found)) if found else None


@_breaks("site left out")
def never_taken_in(rng: random.Random, s: Subject) -> Plan | None:
    """Every visit of a site kept but the one that takes its device in."""
    named = {late.site_id for late in s.plan.unserved}
    found = [
        (number, visit)
        for number, visit in _visits(s.plan, VisitKind.TAKE_IN)
        if visit.site_id not in named
        and taken_in_by(s.fleet, s.outlook, s.fleet.sites_by_id[visit.site_id]) is not None
    ]
    if not found:
        return None
    number, visit = rng.choice(found)
    trip = _without(replace(s.plan, trips=(s.plan.trips[number],)), visit.site_id).trips
    return replace(s.plan, trips=(*s.plan.trips[:number], *trip, *s.plan.trips[number + 1 :]))


@_breaks("swap-by chain")
def taken_in_too_late(rng: random.Random, s: Subject) -> Plan | None:
    named = {late.site_id for late in s.plan.unserved}
    options = []
    for number, visit in _visits(s.plan, VisitKind.TAKE_IN):
        in_by = taken_in_by(s.fleet, s.outlook, s.fleet.sites_by_id[visit.site_id])
        days = [] if in_by is None else [day for day in _season(s) if day > in_by]
        if days and visit.site_id not in named:
            options.append((number, days))
    if not options:
        return None
    number, days = rng.choice(options)
    return _put_on_date(rng, s, days, number)


@_breaks("sums")
def a_device_without_weight(rng: random.Random, s: Subject) -> Plan | None:
    """The load of a loop given without the device that it moves."""

    def one(loop: Loop) -> Loop | None:
        extra = sum(s.fleet.sites_by_id[v.site_id].device_kg for v in loop.visits if v.moves_device)
        return replace(loop, carried_kg=loop.carried_kg - extra) if extra > 0.01 else None

    return _edit_loop(rng, s.plan, one)


# --- the chain of swap-by dates ------------------------------------------------------------------


@_breaks("swap-by chain")
def another_swap_by_date(rng: random.Random, s: Subject) -> Plan | None:
    field = rng.choice(("swap_by", "next_swap_by"))
    days = timedelta(days=rng.choice((-20, -1, 1, 20)))
    return _edit_visit(rng, s.plan, lambda v: replace(v, **{field: getattr(v, field) + days}))


@_breaks("flat dates")
def another_flat_date(rng: random.Random, s: Subject) -> Plan | None:
    field = rng.choice(("flat_early", "flat_likely", "flat_late"))
    days = timedelta(days=rng.choice((-20, -1, 1, 20)))
    return _edit_visit(rng, s.plan, lambda v: replace(v, **{field: getattr(v, field) + days}))


def _without(plan: Plan, site_id: str) -> Plan:
    """Return the plan without any visit to a site, its sums left as they were."""
    trips = []
    for trip in plan.trips:
        stops = []
        for stop in trip.stops:
            loops = [
                replace(loop, visits=tuple(v for v in loop.visits if v.site_id != site_id))
                for loop in stop.loops
            ]
            kept = tuple(loop for loop in loops if loop.visits)
            if kept:
                stops.append(replace(stop, loops=kept))
        if stops:
            trips.append(replace(trip, stops=tuple(stops)))
    return replace(plan, trips=tuple(trips))


@_breaks("site left out")
def a_due_site_left_out(rng: random.Random, s: Subject) -> Plan | None:
    named = {late.site_id for late in s.plan.unserved}
    due = [
        site.site_id
        for site in s.fleet.sites
        if site.site_id not in named
        and site.active_from is None
        and _owed(s, site, s.outlook.sites[site.site_id].swap_by)
    ]
    return _without(s.plan, rng.choice(due)) if due else None


@_breaks("site left out")
def a_missing_site_not_named(rng: random.Random, s: Subject) -> Plan | None:
    silent = [late for late in s.plan.unserved if late.visited_on is None]
    if not silent:
        return None
    gone = rng.choice(silent)
    return replace(s.plan, unserved=tuple(late for late in s.plan.unserved if late is not gone))


@_breaks("swap-by chain")
def a_late_visit_not_named(rng: random.Random, s: Subject) -> Plan | None:
    late = [late for late in s.plan.unserved if late.visited_on is not None]
    if not late:
        return None
    gone = rng.choice(late)
    return replace(s.plan, unserved=tuple(one for one in s.plan.unserved if one is not gone))


@_breaks("swap-by chain")
def a_trip_after_the_swap_by_date(rng: random.Random, s: Subject) -> Plan | None:
    """A trip moved past the swap-by date of one of its sites, which nobody names."""
    named = {late.site_id for late in s.plan.unserved}
    options = []
    for number, trip in enumerate(s.plan.trips):
        for visit in trip.visits:
            site = s.fleet.sites_by_id[visit.site_id]
            visits = sum(v.site_id == visit.site_id for t in s.plan.trips for v in t.visits)
            plain = site.active_from is None and site.active_to is None and visit.site_id not in named
            days = [day for day in _season(s) if day > visit.swap_by]
            if visits == 1 and plain and days and visit.swap_by < s.outlook.to:
                options.append((number, days))
    if not options:
        return None
    number, days = rng.choice(options)
    return _put_on_date(rng, s, days, number)


def _counts_for_fallback(s: Subject, trip: Trip, visit: Visit) -> bool:
    site = s.fleet.sites_by_id[visit.site_id]
    if visit.kind is VisitKind.TAKE_IN:
        in_by = taken_in_by(s.fleet, s.outlook, site)
        return in_by is not None and trip.date <= in_by
    return _owed(s, site, visit.swap_by) and trip.date <= visit.swap_by and site.active_from is None


@_breaks("fallback dates")
def fallback_miscounted(rng: random.Random, s: Subject) -> Plan | None:
    change = rng.choice(({"left": 1}, {"left": -1}, {"possible": True}))

    def edit(visit: Visit) -> Visit:
        if "possible" in change:
            return replace(visit, fallback_possible=not visit.fallback_possible)
        return replace(visit, fallback_left=visit.fallback_left + int(change["left"]))

    def one(trip: Trip) -> Trip | None:
        for n, stop in enumerate(trip.stops):
            for m, loop in enumerate(stop.loops):
                for k, visit in enumerate(loop.visits):
                    if _counts_for_fallback(s, trip, visit):
                        visits = (*loop.visits[:k], edit(visit), *loop.visits[k + 1 :])
                        loops = (*stop.loops[:m], replace(loop, visits=visits), *stop.loops[m + 1 :])
                        stops = (*trip.stops[:n], replace(stop, loops=loops), *trip.stops[n + 1 :])
                        return replace(trip, stops=stops)
        return None

    return _edit_trip(rng, s.plan, one)


@_breaks("fallback dates")
def no_date_left_to_fall_back_on(rng: random.Random, s: Subject) -> Plan | None:
    """A visit that has its fallback dates, moved to the very day of its swap-by date."""
    options = []
    for number, trip in enumerate(s.plan.trips):
        for visit in trip.visits:
            visits = sum(v.site_id == visit.site_id for t in s.plan.trips for v in t.visits)
            wanted = s.fleet.plan.fallback_dates
            enough = wanted and visit.fallback_possible and visit.fallback_left >= wanted
            stays = s.fleet.sites_by_id[visit.site_id].active_to is None
            if visits == 1 and enough and stays and _counts_for_fallback(s, trip, visit):
                options.append((number, [visit.swap_by]))
    if not options:
        return None
    number, days = rng.choice(options)
    return _put_on_date(rng, s, days, number)


# --- stock and chargers --------------------------------------------------------------------------


@_breaks("stock")
def nothing_was_charged(_: random.Random, s: Subject) -> Plan | None:
    """No charging at all, where the shelf alone does not last."""
    if not s.fleet.stock_is_kept or not s.fleet.chargers:
        return None
    used: dict[str, int] = {}
    for trip in s.plan.trips:
        for visit in trip.visits:
            used[visit.pack_type] = used.get(visit.pack_type, 0) + visit.swap
    if any(count > s.fleet.charged_on_shelf(name) for name, count in used.items()):
        return replace(s.plan, charging=())
    return None


@_breaks("stock")
def more_swaps_than_packs(rng: random.Random, s: Subject) -> Plan | None:
    """So many visits more on one date that no stock could serve them."""
    if not s.fleet.stock_is_kept:
        return None
    return _edit_loop(
        rng,
        s.plan,
        lambda p: replace(p, visits=p.visits + (p.visits[0],) * 60) if p.visits[0].swap else None,
    )


def _slot_changed(
    rng: random.Random, s: Subject, edit: Callable[[ChargeSlot], ChargeSlot | None]
) -> Plan | None:
    slots = s.plan.charging
    for number in rng.sample(range(len(slots)), len(slots)):
        changed = edit(slots[number])
        if changed is not None:
            return replace(s.plan, charging=(*slots[:number], changed, *slots[number + 1 :]))
    return None


@_breaks("charging")
def off_the_charger_too_soon(rng: random.Random, s: Subject) -> Plan | None:
    def one(slot: ChargeSlot) -> ChargeSlot:
        hours = s.fleet.chargers[slot.charger - 1].hours_per_pack
        return replace(slot, off=_later(slot.on, int(hours * 3600) - rng.randint(1, 7200)))

    return _slot_changed(rng, s, one)


@_breaks("charging")
def a_charger_that_is_not_there(rng: random.Random, s: Subject) -> Plan | None:
    return _slot_changed(
        rng, s, lambda slot: replace(slot, charger=rng.choice((0, len(s.fleet.chargers) + 1)))
    )


@_breaks("charging")
def a_charger_not_made_for_it(rng: random.Random, s: Subject) -> Plan | None:
    def one(slot: ChargeSlot) -> ChargeSlot | None:
        others = [name for name in s.fleet.pack_types if name not in s.fleet.chargers[slot.charger - 1].types]
        return replace(slot, pack_type=others[0]) if others else None

    return _slot_changed(rng, s, one)


@_breaks("charging")
def on_the_charger_before_it_came_back(rng: random.Random, s: Subject) -> Plan | None:
    """The first slot of a type moved before 18:00 of the season's first date."""
    if not s.plan.charging:
        return None
    start = local_moment(s.outlook.on, 1080, s.fleet.zone) - rng.randint(1, 30000)

    def one(slot: ChargeSlot) -> ChargeSlot:
        long = _t(slot.off) - _t(slot.on)
        zone = s.fleet.zone
        return replace(slot, on=moment_to_local(start, zone), off=moment_to_local(start + long, zone))

    return _slot_changed(rng, s, one)


@_breaks("charging")
def charged_though_it_came_back_as_no_spare(_: random.Random, s: Subject) -> Plan | None:
    """As many charges of a type as swaps, though one brought back a suspect pack or one of another type."""
    in_place = {pack.where: pack for pack in s.fleet.packs or ()}
    unfit = {"suspect", "retired"}
    for number, charger in enumerate(s.fleet.chargers, 1):
        for name in charger.types:
            swapped = [v.site_id for t in s.plan.trips for v in t.visits if v.swap and v.pack_type == name]
            old = [in_place[site] for site in set(swapped) if site in in_place]
            lost = [pack for pack in old if str(pack.state) in unfit or pack.pack_type != name]
            others = [site.site_id for site in s.fleet.sites if site.pack_type != name]
            if not lost or any(site in in_place and in_place[site].pack_type == name for site in others):
                continue
            placed = sum(slot.pack_type == name and not slot.top_up for slot in s.plan.charging)
            hours = math.ceil(charger.hours_per_pack * 3600)
            first = local_moment(s.outlook.to + timedelta(days=60), 1080, s.fleet.zone)
            starts = range(first, first + 10**9, hours + 2 * 86_400)
            slots = [
                ChargeSlot(
                    name, number, *(moment_to_local(moment, s.fleet.zone) for moment in (on, on + hours))
                )
                for on in starts[: s.fleet.uncharged_on_shelf(name) + len(swapped) - placed]
            ]
            return replace(s.plan, charging=(*s.plan.charging, *slots))
    return None


@_breaks("charging")
def two_packs_at_a_time(rng: random.Random, s: Subject) -> Plan | None:
    if not s.plan.charging:
        return None
    slot = rng.choice(s.plan.charging)
    return replace(s.plan, charging=(*s.plan.charging, slot))
