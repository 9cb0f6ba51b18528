"""
The trip and its charging evenings as iCalendar (RFC 5545).

Moments are in UTC. Each event keeps its UID for as long as the trip keeps its name, and its SEQUENCE rises,
so that taking the file in again moves the entry and does not double it; an evening that the plan no
longer needs stands as cancelled until it has passed. Alarms are relative to the event, which every
calendar understands.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from icalendar import Alarm, Calendar, Event

from tripplan.outputs.kit_model import ChargeView, KitView
from tripplan.outputs.wording import Wording

__all__ = ["trip_ics"]

_EPOCH = date(2020, 1, 1)
_EVE_HOUR = 18


def trip_ics(kit: KitView, wording: Wording, *, today: date, before: bytes | None) -> bytes:
    """
    Return ``trip.ics``.

    Parameters
    ----------
    kit : KitView
        The trip.
    wording : Wording
        Language and units.
    today : datetime.date
        Day on which the kit is made; the stamp of the file.
    before : bytes or None
        The file that this one replaces, if any.

    Returns
    -------
    bytes
        One event for the trip, with an alarm at 18:00 on the evening before, and one for each charging
        evening, also for each that `before` held and that is no longer needed: cancelled, without an alarm.
        The same as `before` where nothing but the number would change. SEQUENCE counts days since
        2020, and is one more than that of `before` where that is higher.
    """
    sequence = (today - _EPOCH).days
    older = _events_of(before)
    content = _calendar(kit, wording, today, sequence, older)
    earlier = _sequence_of(older, _uid(kit, "trip"))
    if before is None or earlier is None:
        return content
    if before == _calendar(kit, wording, today, earlier, older):
        return before
    return content if sequence > earlier else _calendar(kit, wording, today, earlier + 1, older)


def _calendar(kit: KitView, wording: Wording, today: date, sequence: int, older: Sequence[Any]) -> bytes:
    calendar = Calendar()
    calendar.add("prodid", "-//tripplan//field kit//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    stamp = datetime.combine(today, time(), tzinfo=UTC)
    calendar.add_component(_trip_event(kit, wording, stamp, sequence))
    for evening in kit.charging:
        calendar.add_component(_charge_event(kit, evening, wording, stamp, sequence))
    kept = {str(event.get("UID")) for event in calendar.walk("VEVENT")}
    for event in older:
        uid = str(event.get("UID", ""))
        if uid not in kept and uid.startswith("charge-") and uid.endswith(_uid(kit, "")):
            dropped = _dropped(event, uid, stamp, sequence)
            if dropped is not None:
                calendar.add_component(dropped)
    return bytes(calendar.to_ical())


def _trip_event(kit: KitView, wording: Wording, stamp: datetime, sequence: int) -> Event:
    event = _event(
        _uid(kit, "trip"),
        wording.say("ics.trip", fleet=kit.fleet, crew=kit.crew),
        kit.leave,
        kit.back,
        stamp,
        sequence,
    )
    lines = [
        wording.say(
            "ics.trip_words",
            leave=kit.leave_text,
            back=kit.back_text,
            call=kit.call_by_text,
            counts=kit.counts_text,
        )
    ]
    lines += [f"{wording.say('overview.ring_by', day=c.ring_by_text)}: {c.text}" for c in kit.contacts]
    event.add("description", "\n".join(lines))
    eve = datetime.combine(kit.date - timedelta(days=1), time(_EVE_HOUR), tzinfo=kit.leave.tzinfo)
    words = wording.say("ics.eve", trip=kit.trip_id)
    event.add_component(_alarm(eve.astimezone(UTC) - kit.leave.astimezone(UTC), words))
    return event


def _charge_event(
    kit: KitView, evening: ChargeView, wording: Wording, stamp: datetime, sequence: int
) -> Event:
    # The name holds what goes on, not only when, so that two groups of one evening stay two entries.
    slot = f"charge-{evening.on.astimezone(UTC):%Y%m%dT%H%M}-{evening.off.astimezone(UTC):%Y%m%dT%H%M}"
    event = _event(
        _uid(kit, slot),
        wording.say("ics.charge", what=evening.text),
        evening.on,
        evening.on + timedelta(minutes=15),
        stamp,
        sequence,
    )
    event.add(
        "description",
        wording.say(
            "ics.charge_words",
            trip=kit.trip_id,
            on=evening.on_text,
            off=evening.off_text,
            care=wording.say("caution.charging"),
        ),
    )
    event.add_component(_alarm(timedelta(0), wording.say("ics.charge_alarm", what=evening.text)))
    return event


def _dropped(older: Any, uid: str, stamp: datetime, sequence: int) -> Event | None:
    """Return the cancelling of an evening that is no longer needed; None once it has passed."""
    start, end = (getattr(older.get(name), "dt", None) for name in ("DTSTART", "DTEND"))
    if not isinstance(start, datetime) or not isinstance(end, datetime):
        return None
    if start.tzinfo is None or end.tzinfo is None or start < stamp:
        return None
    event = _event(uid, str(older.get("SUMMARY", "")), start, end, stamp, sequence)
    event.add("status", "CANCELLED")
    return event


def _event(uid: str, summary: str, start: datetime, end: datetime, stamp: datetime, sequence: int) -> Event:
    event = Event()
    event.add("uid", uid)
    event.add("dtstamp", stamp)
    event.add("sequence", sequence)
    event.add("summary", summary)
    event.add("dtstart", start.astimezone(UTC))
    event.add("dtend", end.astimezone(UTC))
    event.add("transp", "OPAQUE" if uid.startswith("trip") else "TRANSPARENT")
    return event


def _alarm(trigger: timedelta, words: str) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", words)
    alarm.add("trigger", trigger)
    return alarm


def _uid(kit: KitView, part: str) -> str:
    """Return a name that is the same whenever this trip of this fleet is written."""
    fleet = hashlib.sha256(kit.fleet.encode("utf-8")).hexdigest()[:16]
    return f"{part}-{kit.trip_id}-{fleet}@tripplan.invalid"


def _events_of(content: bytes | None) -> list[Any]:
    """Return the events of an older file; none where it cannot be read."""
    if content is None:
        return []
    try:
        return list(Calendar.from_ical(content).walk("VEVENT"))
    except ValueError:
        return []


def _sequence_of(events: Sequence[Any], uid: str) -> int | None:
    """Return the SEQUENCE of one event; None where it is not there."""
    for event in events:
        number = str(event.get("SEQUENCE", ""))
        if event.get("UID") == uid and number.isdecimal():
            return int(number)
    return None
