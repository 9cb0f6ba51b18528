"""One trip: whether its day obeys the clock, the light and the land."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise

from tripplan.clock import moment_to_local
from tripplan.fleet import Crew, Site
from tripplan.plan.check_load import check_load
from tripplan.plan.check_rules import Context, Refusal, Rule, exact_seconds, minutes_text
from tripplan.plan.document import Loop, Stop, Trip, Visit

__all__ = ["check_trip"]

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
# The plan file keeps minutes to four decimals, kilometres to three, metres to one: each
# tolerance is half of the last decimal and a little for adding up.
_MINUTES_TOLERANCE = 1e-4
_KM_TOLERANCE = 1e-3
_METRES_TOLERANCE = 0.1
_LIGHT_TOLERANCE_S = 0.01  # parkings agree to five decimals of a degree: 2.4 ms of the sun's way


@dataclass
class _Sums:
    """What the clock times of a trip add up to. [s], [km]."""

    drive: int = 0
    walk: int = 0
    work: int = 0
    drive_km: float = 0.0


def check_trip(context: Context, trip: Trip) -> Iterator[Refusal]:
    """
    Yield what is wrong with one trip by itself.

    Parameters
    ----------
    context : Context
        The inputs.
    trip : Trip
        Its crew and its sites may be unknown; what rests on them is then not looked at.

    Yields
    ------
    Refusal
        In the order of the day.
    """
    crew = context.fleet.crews_by_name.get(trip.crew)
    yield from _check_clock_times(context, trip)
    known = True
    for visit in trip.visits:
        if visit.site_id not in context.fleet.sites_by_id:
            known = False
            yield Refusal(
                Rule.UNKNOWN_SITE, trip.trip_id, f"site {visit.site_id} is not a site in use of this fleet"
            )
    if crew is None:
        yield Refusal(Rule.UNKNOWN_CREW, trip.trip_id, f"there is no crew named {trip.crew}")
        return
    if not trip.stops or not all(
        stop.loops and all(loop.visits for loop in stop.loops) for stop in trip.stops
    ):
        yield Refusal(Rule.EMPTY, trip.trip_id, "a trip, a stop or a foot loop without any visit")
        return
    yield from _check_crew_day(context, trip, crew)
    if not known:
        return
    yield from _check_hours(context, trip, crew)
    yield from _check_timeline(context, trip, crew)
    yield from check_load(context, trip, crew)


def _check_clock_times(context: Context, trip: Trip) -> Iterator[Refusal]:
    """Yield clock times with a wrong offset, with fractions of a second or out of order."""
    ordered: list[tuple[str, datetime]] = [("leave", trip.leave)]
    for number, stop in enumerate(trip.stops, 1):
        ordered.append((f"stop {number} arrive", stop.arrive))
        for loop in stop.loops:
            ordered.append((f"stop {number} loop leave", loop.leave))
            for visit in loop.visits:
                ordered.append((f"{visit.site_id} arrive", visit.arrive))
                ordered.append((f"{visit.site_id} start", visit.start))
                ordered.append((f"{visit.site_id} finish", visit.finish))
            ordered.append((f"stop {number} loop back", loop.back))
        ordered.append((f"stop {number} leave", stop.leave))
    ordered.append(("back", trip.back))
    for name, clock in ordered:
        if clock.tzinfo is None:
            yield Refusal(Rule.CLOCK, trip.trip_id, f"{name} {clock.isoformat()} has no offset")
            continue
        if clock.microsecond:
            yield Refusal(Rule.CLOCK, trip.trip_id, f"{name} {clock.isoformat()} is not a whole second")
        here = moment_to_local(clock.timestamp(), context.fleet.zone)
        if here.utcoffset() != clock.utcoffset():
            yield Refusal(
                Rule.CLOCK,
                trip.trip_id,
                f"{name} {clock.isoformat()} has the wrong offset: in {context.fleet.timezone} it is "
                f"{here.isoformat()}",
            )
    for (before, first), (after, second) in pairwise(ordered):
        if context.moment(second) < context.moment(first):
            yield Refusal(
                Rule.CLOCK, trip.trip_id, f"{after} {second:%H:%M:%S} comes before {before} {first:%H:%M:%S}"
            )
    leaves = moment_to_local(context.moment(trip.leave), context.fleet.zone)
    if leaves.date() != trip.date:
        yield Refusal(Rule.CLOCK, trip.trip_id, f"the trip is on {trip.date} but leaves on {leaves.date()}")


def _check_crew_day(context: Context, trip: Trip, crew: Crew) -> Iterator[Refusal]:
    """Yield a date outside the season or on which the crew cannot go."""
    day = trip.date
    first, last = context.outlook.on, context.outlook.to
    if not first <= day <= last:
        yield Refusal(Rule.DATE_IN_SEASON, trip.trip_id, f"{day} lies outside the season {first} to {last}")
    if day.weekday() not in crew.weekdays:
        goes = ", ".join(_WEEKDAYS[number] for number in sorted(crew.weekdays))
        yield Refusal(
            Rule.CREW_DAY,
            trip.trip_id,
            f"{day} is a {_WEEKDAYS[day.weekday()]}; {crew.name} can go on {goes}",
        )
    for span in context.fleet.blocked:
        if day in span:
            yield Refusal(Rule.CREW_DAY, trip.trip_id, f"{day} is blocked ({span.first} to {span.last})")
    for span in crew.away:
        if day in span:
            yield Refusal(
                Rule.CREW_DAY,
                trip.trip_id,
                f"{crew.name}: away from {span.first} to {span.last}, {day} included",
            )


def _check_hours(context: Context, trip: Trip, crew: Crew) -> Iterator[Refusal]:
    """Yield a start before or an end after the crew's day."""
    starts = context.at(trip.date, crew.day_start_minute)
    ends = context.at(trip.date, crew.day_end_minute)
    leave, back = context.moment(trip.leave), context.moment(trip.back)
    if leave < starts:
        yield Refusal(
            Rule.CREW_HOURS,
            trip.trip_id,
            f"leaves {context.clock_text(leave)}, the day of {crew.name} begins {context.clock_text(starts)}",
        )
    if back > ends:
        yield Refusal(
            Rule.CREW_HOURS,
            trip.trip_id,
            f"back {context.clock_text(back)}, the day of {crew.name} ends {context.clock_text(ends)}",
        )


def _check_timeline(context: Context, trip: Trip, crew: Crew) -> Iterator[Refusal]:
    """Yield legs, stops and loops whose minutes do not fit, then totals that do not add up."""
    sums = _Sums()
    place = context.travel.place_of_crew[crew.name]
    left = context.moment(trip.leave)
    for number, stop in enumerate(trip.stops, 1):
        where = f"{trip.trip_id}, stop {number}"
        first = context.fleet.sites_by_id[stop.loops[0].visits[0].site_id]
        here = context.place_of(first)
        arrive = context.moment(stop.arrive)
        yield from _check_drive(context, where, (place, here), arrive - left, sums)
        yield from _check_parking(context, where, stop, first)
        yield from _check_stop(context, trip, number, here, crew, sums)
        place, left = here, context.moment(stop.leave)
    base = context.travel.place_of_crew[crew.name]
    back = context.moment(trip.back)
    yield from _check_drive(context, f"{trip.trip_id}, way home", (place, base), back - left, sums)
    yield from _check_sums(context, trip, sums)


def _check_drive(
    context: Context, where: str, leg: tuple[int, int], taken: int, sums: _Sums
) -> Iterator[Refusal]:
    """Yield a drive that is not the minutes between the two places, rounded up to a second."""
    low, high = exact_seconds(float(context.travel.drive_minutes[leg]))
    sums.drive += taken
    sums.drive_km += float(context.travel.drive_km[leg])
    if not low <= taken <= high:
        yield Refusal(
            Rule.DRIVE, where, f"the drive is given {minutes_text(taken)}, it takes {minutes_text(low)}"
        )


def _check_parking(context: Context, where: str, stop: Stop, first: Site) -> Iterator[Refusal]:
    """Yield a stop whose sites do not all use the parking it names."""
    named = (round(stop.park_lat, 5), round(stop.park_lon, 5))
    for loop in stop.loops:
        for visit in loop.visits:
            site = context.fleet.sites_by_id[visit.site_id]
            if site.parking_key != named:
                yield Refusal(
                    Rule.PARKING,
                    f"{where}, site {site.site_id}",
                    f"the stop stands at {named[0]}, {named[1]}; the parking of {site.label} is "
                    f"{site.parking_key[0]}, {site.parking_key[1]}",
                )
            elif site.parking_key != first.parking_key:
                yield Refusal(
                    Rule.PARKING,
                    f"{where}, site {site.site_id}",
                    f"{site.label} does not share the parking of {first.label}",
                )


def _check_stop(
    context: Context, trip: Trip, number: int, place: int, crew: Crew, sums: _Sums
) -> Iterator[Refusal]:
    """Yield park minutes cut short, loops that overlap, loops in the dark, a reserve not kept."""
    stop = trip.stops[number - 1]
    where = f"{trip.trip_id}, stop {number}"
    low, _ = exact_seconds(context.fleet.drive.park_minutes)
    sums.drive += low
    free = context.moment(stop.arrive)
    if context.moment(stop.loops[0].leave) - free < low:
        yield Refusal(
            Rule.PARK,
            where,
            f"leaves the vehicle {minutes_text(context.moment(stop.loops[0].leave) - free)} after arriving; "
            f"parking takes {minutes_text(low)}",
        )
    for loop in stop.loops:
        leave, back = context.moment(loop.leave), context.moment(loop.back)
        if leave < free:
            yield Refusal(
                Rule.WAITING,
                where,
                f"a loop leaves {context.clock_text(leave)}, {minutes_text(free - leave)} before the crew is "
                f"at the vehicle ({context.clock_text(free)})",
            )
        final = number == len(trip.stops) and loop is stop.loops[-1]
        yield from _check_light(context, where, place, trip.date, leave, back, final=final)
        yield from _check_loop(context, trip, where, loop, crew, sums)
        free = back
    gone = context.moment(stop.leave)
    if gone != free:
        yield Refusal(
            Rule.CLOCK,
            where,
            f"drives off {context.clock_text(gone)}; the last loop is back {context.clock_text(free)}",
        )


def _check_light(
    context: Context, where: str, place: int, day: date, leave: int, back: int, *, final: bool
) -> Iterator[Refusal]:
    """Yield a loop outside usable daylight, or a last loop that eats the reserve."""
    light = context.daylight(place, day)
    if light is None:
        yield Refusal(Rule.DAYLIGHT, where, f"there is no usable daylight on {day}")
        return
    if leave < light.first - _LIGHT_TOLERANCE_S:
        yield Refusal(
            Rule.DAYLIGHT,
            where,
            f"a loop leaves {context.clock_text(leave)}; usable daylight begins "
            f"{context.clock_text(light.first)}",
        )
    if back > light.last + _LIGHT_TOLERANCE_S:
        yield Refusal(
            Rule.DAYLIGHT,
            where,
            f"a loop is back {context.clock_text(back)}; usable daylight ends "
            f"{context.clock_text(light.last)}",
        )
        return
    reserve = context.fleet.plan.reserve_minutes
    limit = light.last_for_final_loop(reserve)
    if final and back > limit + _LIGHT_TOLERANCE_S:
        yield Refusal(
            Rule.RESERVE,
            where,
            f"the last loop is back {context.clock_text(back)}; usable daylight ends "
            f"{context.clock_text(light.last)}, less {reserve:g} min reserve is {context.clock_text(limit)}",
        )


def _check_loop(
    context: Context, trip: Trip, where: str, loop: Loop, crew: Crew, sums: _Sums
) -> Iterator[Refusal]:
    """Yield walks, waits and work that do not fit, and work outside every access window."""
    at: str | None = None
    left = context.moment(loop.leave)
    metres = 0.0
    shared = {context.fleet.sites_by_id[visit.site_id].parking_key for visit in loop.visits}
    for visit in loop.visits:
        if len(shared) == 1:  # otherwise refused already, and no walk is defined
            metres += context.travel.walk_m(at, visit.site_id)
            yield from _check_walk(context, where, at, visit.site_id, context.moment(visit.arrive) - left)
        sums.walk += context.moment(visit.arrive) - left
        yield from _check_visit(context, trip, visit, crew, sums)
        at, left = visit.site_id, context.moment(visit.finish)
    sums.walk += context.moment(loop.back) - left
    if len(shared) != 1:
        return
    metres += context.travel.walk_m(at, None)
    yield from _check_walk(context, where, at, None, context.moment(loop.back) - left)
    if not abs(metres - loop.walk_m) <= _METRES_TOLERANCE:
        yield Refusal(
            Rule.SUMS, where, f"the loop says {loop.walk_m:.1f} m on foot; its legs add up to {metres:.1f} m"
        )


def _check_walk(context: Context, where: str, a: str | None, b: str | None, taken: int) -> Iterator[Refusal]:
    """Yield a walk that is not its minutes, rounded up to a second."""
    low, high = exact_seconds(context.travel.walk_minutes(a, b))
    if not low <= taken <= high:
        yield Refusal(
            Rule.WALK,
            where,
            f"the walk from {a or 'the vehicle'} to {b or 'the vehicle'} is given {minutes_text(taken)}, "
            f"it takes {minutes_text(low)}",
        )


def _check_visit(context: Context, trip: Trip, visit: Visit, crew: Crew, sums: _Sums) -> Iterator[Refusal]:
    """Yield a wait below nothing and work outside the site's dates or windows."""
    where = f"{trip.trip_id}, site {visit.site_id}"
    site = context.fleet.sites_by_id[visit.site_id]
    arrive, start, finish = (context.moment(clock) for clock in (visit.arrive, visit.start, visit.finish))
    sums.work += finish - start
    if start < arrive:
        yield Refusal(
            Rule.WAITING,
            where,
            f"work starts {context.clock_text(start)}, {minutes_text(arrive - start)} before arriving "
            f"{context.clock_text(arrive)}",
        )
    if trip.date < context.first_date(site):
        yield Refusal(
            Rule.ACTIVE,
            where,
            f"visited on {trip.date}; {site.label} is active from {site.active_from} and not visited before "
            f"{context.first_date(site)}",
        )
        return
    spans = context.spans(site, crew, trip.date)
    if not any(opens <= start and finish <= closes for opens, closes in spans):
        shown = ", ".join(f"{context.clock_text(a)} to {context.clock_text(b)}" for a, b in spans)
        yield Refusal(
            Rule.ACCESS,
            where,
            f"work {context.clock_text(start)} to {context.clock_text(finish)} on {trip.date}; "
            + (f"open {shown}" if shown else f"closed that day to {crew.name}"),
        )


def _check_sums(context: Context, trip: Trip, sums: _Sums) -> Iterator[Refusal]:
    """Yield totals of the trip that its clock times do not make."""
    whole = context.moment(trip.back) - context.moment(trip.leave)
    waits = whole - sums.drive - sums.walk - sums.work
    if waits < 0:
        yield Refusal(
            Rule.WAITING,
            trip.trip_id,
            f"drive {minutes_text(sums.drive)} + walk {minutes_text(sums.walk)} + work "
            f"{minutes_text(sums.work)} is longer than the whole trip, {minutes_text(whole)}",
        )
    for name, said, made in (
        ("drive", trip.drive_minutes, sums.drive),
        ("walk", trip.walk_minutes, sums.walk),
        ("work", trip.work_minutes, sums.work),
        ("wait", trip.wait_minutes, waits),
    ):
        if not abs(said - made / 60) <= _MINUTES_TOLERANCE:
            yield Refusal(
                Rule.SUMS,
                trip.trip_id,
                f"{name}_minutes says {said:g}; the clock times make {made / 60:.4f} ({minutes_text(made)})",
            )
    if not abs(trip.drive_km - sums.drive_km) <= _KM_TOLERANCE:
        yield Refusal(
            Rule.SUMS,
            trip.trip_id,
            f"drive_km says {trip.drive_km:.3f}; the legs add up to {sums.drive_km:.3f}",
        )
