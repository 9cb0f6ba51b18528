"""
Chargers on a calendar: one pack at a time, so many change-overs a date, put on in the evening.

The same rules as `tripplan.plan.charging` plays forward; here a charge is placed as late as its time allows.
"""

from __future__ import annotations

from bisect import insort
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import Charger, Fleet
from tripplan.units import seconds_of_hours

__all__ = ["EVENING", "MORNING", "Place", "Timetable", "at_clock"]

EVENING = 18 * 60
MORNING = 6 * 60


def at_clock(fleet: Fleet, day: date, minute: int) -> int:
    """
    Return a local clock time as a moment.

    Parameters
    ----------
    fleet : Fleet
        For its zone.
    day : datetime.date
        Local date.
    minute : int
        After midnight. [min]

    Returns
    -------
    int
        Epoch seconds. [s]
    """
    return local_moment(day, minute, fleet.zone)


@dataclass(frozen=True)
class Place:
    """A place found on a charger; `charger` counts from 0. [s]."""

    charger: int
    on: int
    off: int


@dataclass
class Timetable:
    """
    What stands on which charger when.

    Attributes
    ----------
    fleet : Fleet
        Its chargers and zone.
    """

    fleet: Fleet
    _busy: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    _changes: dict[int, Counter[date]] = field(default_factory=dict)

    def latest(self, name: str, first: int, last: int, hours: dict[int, float] | None = None) -> Place | None:
        """
        Return the place on the latest evening for a pack of a type that begins and ends within a time.

        Parameters
        ----------
        name : str
            Pack type.
        first, last : int
            Not on before, off by. [s]
        hours : dict of int to float, optional
            Hours by charger, in place of the charger's own. [h]

        Returns
        -------
        Place or None
            None where no charger has room.
        """
        best: Place | None = None
        zone = self.fleet.zone
        day = moment_to_local(last, zone).date()
        begin = moment_to_local(first, zone).date() - timedelta(days=1)
        while day >= begin and best is None:
            best = self._on_day(name, day, first, last, hours)
            day -= timedelta(days=1)
        return best

    def earliest(
        self, name: str, first: int, last: int, hours: dict[int, float] | None = None
    ) -> Place | None:
        """
        Return the earliest place for a pack of a type that begins and ends within a time.

        Parameters
        ----------
        name, first, last, hours
            As for `latest`.

        Returns
        -------
        Place or None
            None where no charger has room.
        """
        best: Place | None = None
        zone = self.fleet.zone
        day = moment_to_local(first, zone).date() - timedelta(days=1)
        end = moment_to_local(last, zone).date()
        while day <= end and best is None:
            best = self._on_day(name, day, first, last, hours)
            day += timedelta(days=1)
        return best

    def take(self, place: Place) -> None:
        """Hold a place."""
        insort(self._busy.setdefault(place.charger, []), (place.on, place.off))
        day = moment_to_local(place.on, self.fleet.zone).date()
        self._changes.setdefault(place.charger, Counter())[day] += 1

    def _on_day(
        self,
        name: str,
        day: date,
        first: int,
        last: int,
        hours: dict[int, float] | None,
    ) -> Place | None:
        """Return the best place that begins between 18:00 of a date and 18:00 of the next."""
        found: list[tuple[int, int, Place]] = []
        for number, charger in enumerate(self.fleet.chargers):
            if name not in charger.types:
                continue
            span = charger.seconds_per_pack if hours is None else seconds_of_hours(hours[number])
            for on in self._starts(charger, day):
                place = Place(number, on, on + span)
                if on >= first and place.off <= last and self._is_free(charger, place):
                    # in the evening rather than in the night, also where the night would be later
                    found.append((on, len(charger.types), place))
        return min(found, key=lambda item: (item[0], item[1], item[2].charger))[2] if found else None

    def _starts(self, charger: Charger, day: date) -> list[int]:
        evening = at_clock(self.fleet, day, EVENING)
        until = at_clock(self.fleet, day + timedelta(days=1), EVENING)
        step = max(60, charger.seconds_per_pack)
        return [evening + k * step for k in range(charger.changeovers_per_day) if evening + k * step < until]

    def _is_free(self, charger: Charger, place: Place) -> bool:
        day = moment_to_local(place.on, self.fleet.zone).date()
        if self._changes.get(place.charger, Counter())[day] >= charger.changeovers_per_day:
            return False
        return all(off <= place.on or on >= place.off for on, off in self._busy.get(place.charger, ()))
