"""
The shelf: charged packs, chargers, and whether a season's swaps can all be fed.

A pack that came back goes on a charger at 18:00 that evening at the earliest, stays its full hours,
and counts from the first 06:00 by which they are over. Chargers take one pack at a time, only of
their types, with so many change-overs a date. The charger that would be done first takes the next
pack, of the type that will run short first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from tripplan.clock import local_moment, moment_to_local
from tripplan.fleet import Charger, Fleet, Site
from tripplan.plan.document import ChargeSlot

__all__ = [
    "ShelfRun",
    "Shortage",
    "charge_schedule",
    "charged_at_best",
    "most_charged",
    "play_shelf",
    "swaps_and_returns",
]

_EVENING = 18 * 60
_MORNING = 6 * 60


@dataclass(frozen=True)
class Shortage:
    """Packs of a type missing on a day."""

    pack_type: str
    day: int
    missing: int


@dataclass(frozen=True)
class ShelfRun:
    """
    Result of `charge_schedule`.

    Attributes
    ----------
    slots : tuple of ChargeSlot
        In order of time; empty where there are no chargers.
    shortages : tuple of Shortage
        Empty where every swap finds a charged pack.
    """

    slots: tuple[ChargeSlot, ...]
    shortages: tuple[Shortage, ...]


def swaps_and_returns(
    fleet: Fleet,
    swapped: Iterable[tuple[int, Site]],
    set_out: Iterable[tuple[int, Site]] = (),
    taken_in: Iterable[tuple[int, Site]] = (),
) -> tuple[dict[str, dict[int, int]], dict[str, dict[int, int]]]:
    """
    Count by type and day what swaps take from the shelf, and what they bring back to be charged.

    Parameters
    ----------
    fleet : Fleet
        Its packs in place.
    swapped : iterable of (int, Site)
        Day number and site of each swap.
    set_out, taken_in : iterable of (int, Site), optional
        The same of devices set out, which take a pack and bring none, and taken in, which bring one.

    Returns
    -------
    swaps, returns : dict of str to dict of int to int
        The first swap at a site brings back what packs.csv says stands there: nothing to charge where it is
        suspect or retired, a pack of its own type where that is not the site's.
    """
    swaps: dict[str, dict[int, int]] = {}
    returns: dict[str, dict[int, int]] = {}
    new = list(set_out)
    # where a device is set out, what packs.csv has there is of the season before and comes back with nobody
    odd = {
        site_id: name
        for site_id, name in fleet.odd_returns.items()
        if all(site.site_id != site_id for _, site in new)
    }
    first_swaps: dict[str, tuple[int, Site]] = {}
    exchanged = list(swapped)
    for counts, moves in ((swaps, [*exchanged, *new]), (returns, [*exchanged, *taken_in])):
        for day, site in moves:
            per_day = counts.setdefault(site.pack_type, {})
            per_day[day] = per_day.get(day, 0) + 1
            first = first_swaps.get(site.site_id, (day, site))[0]
            if counts is returns and site.site_id in odd and day <= first:
                first_swaps[site.site_id] = (day, site)
    for site_id, (day, site) in first_swaps.items():
        returns[site.pack_type][day] -= 1
        if odd[site_id]:
            per_day = returns.setdefault(odd[site_id], {})
            per_day[day] = per_day.get(day, 0) + 1
    return swaps, returns


def play_shelf(
    fleet: Fleet,
    first: date,
    swapped: Iterable[tuple[int, Site]],
    set_out: Iterable[tuple[int, Site]] = (),
    taken_in: Iterable[tuple[int, Site]] = (),
) -> ShelfRun:
    """
    Play the shelf through the swaps of a season.

    Parameters
    ----------
    fleet : Fleet
        Packs, chargers.
    first : datetime.date
        The season's first date.
    swapped : iterable of (int, Site)
        Day number and site of each swap.
    set_out, taken_in : iterable of (int, Site), optional
        The same of devices set out and taken in.

    Returns
    -------
    ShelfRun
        As `charge_schedule`, with what `swaps_and_returns` says comes back.
    """
    return charge_schedule(fleet, first, *swaps_and_returns(fleet, swapped, set_out, taken_in))


def charge_schedule(
    fleet: Fleet,
    first: date,
    swaps: Mapping[str, Mapping[int, int]],
    returns: Mapping[str, Mapping[int, int]] | None = None,
) -> ShelfRun:
    """
    Play the shelf through a season.

    Parameters
    ----------
    fleet : Fleet
        Packs, chargers.
    first : datetime.date
        The season's first date.
    swaps : mapping of str to mapping of int to int
        For each pack type the packs swapped in by day number.
    returns : mapping of str to mapping of int to int, optional
        The packs that came back to be charged; as many of each type as were swapped in where not given.

    Returns
    -------
    ShelfRun
        Charging slots and what falls short; without stock-keeping nothing ever does.
    """
    if not fleet.stock_is_kept:
        return ShelfRun((), ())
    returns = swaps if returns is None else returns
    types = sorted({*swaps, *fleet.pack_types})
    if not fleet.chargers:
        return ShelfRun((), tuple(_without_chargers(fleet, types, swaps, returns)))
    last = max((day for days in swaps.values() for day in days), default=0)
    charged = {name: fleet.charged_on_shelf(name) for name in types}
    waiting = {name: fleet.uncharged_on_shelf(name) for name in types}
    finishing: list[tuple[int, str]] = []
    chargers = sorted(
        enumerate(fleet.chargers, 1), key=lambda item: (len(item[1].types), item[1].hours_per_pack, item[0])
    )
    free_at = {number: -1 for number, _ in chargers}
    slots: list[ChargeSlot] = []
    shortages: list[Shortage] = []
    for day in range(last + 1):
        ready = [entry for entry in finishing if entry[0] <= day]
        finishing = [entry for entry in finishing if entry[0] > day]
        for _, name in ready:
            charged[name] += 1
        for name in types:
            wanted = swaps.get(name, {}).get(day, 0)
            if wanted > charged[name]:
                shortages.append(Shortage(name, day, wanted - charged[name]))
                charged[name] = wanted
            charged[name] -= wanted
            waiting[name] += returns.get(name, {}).get(day, 0)
        today = first + timedelta(days=day)
        starts = {
            number: list(_starts(fleet.zone, charger, today, free_at[number]))
            for number, charger in chargers
            if any(waiting.get(name, 0) > 0 for name in charger.types)
        }
        while True:
            could = [
                (starts[number][0] + charger.seconds_per_pack, place)
                for place, (number, charger) in enumerate(chargers)
                if starts.get(number) and any(waiting.get(name, 0) > 0 for name in charger.types)
            ]
            if not could:
                break
            end, place = min(could)
            number, charger = chargers[place]
            start = starts[number].pop(0)
            name = _most_urgent(charger, waiting, charged, finishing, swaps, day)
            free_at[number] = end
            waiting[name] -= 1
            finishing.append(((_counts_from(fleet.zone, end) - first).days, name))
            slots.append(
                ChargeSlot(name, number, moment_to_local(start, fleet.zone), moment_to_local(end, fleet.zone))
            )
    slots.sort(key=lambda slot: (slot.on, slot.charger))
    return ShelfRun(tuple(slots), tuple(shortages))


def _without_chargers(
    fleet: Fleet,
    types: list[str],
    swaps: Mapping[str, Mapping[int, int]],
    returns: Mapping[str, Mapping[int, int]],
) -> list[Shortage]:
    found = []
    for name in types:
        have, flat = fleet.charged_on_shelf(name), fleet.uncharged_on_shelf(name)
        came, went = returns.get(name, {}), swaps.get(name, {})
        for day in sorted({*came, *went}):
            wanted = went.get(day, 0)
            there = have if day == 0 else have + flat
            if wanted > there:
                found.append(Shortage(name, day, wanted - there))
                have += wanted - there
            have += came.get(day, 0) - wanted
    return found


def _starts(zone: ZoneInfo, charger: Charger, today: date, free_at: int) -> tuple[int, ...]:
    """Moments at which a charger can take a pack between 18:00 of a date and 18:00 of the next."""
    return _starts_from(zone, charger, today, max(_evening(today, zone), free_at))


@lru_cache(maxsize=1 << 12)
def _evening(today: date, zone: ZoneInfo) -> int:
    return local_moment(today, _EVENING, zone)


@lru_cache(maxsize=1 << 14)
def _starts_from(zone: ZoneInfo, charger: Charger, today: date, at: int) -> tuple[int, ...]:
    next_evening = _evening(today + timedelta(days=1), zone)
    hours = charger.seconds_per_pack
    most = charger.changeovers_per_day
    moments: list[int] = []
    counts: dict[date, int] = {}
    while at < next_evening and len(moments) < most:
        on = moment_to_local(at, zone).date()
        if counts.get(on, 0) >= (most if on == today else most - 1):
            break
        counts[on] = counts.get(on, 0) + 1
        moments.append(at)
        at += max(hours, 60)
    return tuple(moments)


def _most_urgent(
    charger: Charger,
    waiting: Mapping[str, int],
    charged: Mapping[str, int],
    finishing: list[tuple[int, str]],
    swaps: Mapping[str, Mapping[int, int]],
    day: int,
) -> str:
    """Return the type that will run short first, of those that wait for a charger of its types."""
    keys = list[tuple[float, int, str]]()
    for place, name in enumerate(charger.types):
        if waiting.get(name, 0) <= 0:
            continue
        have = charged[name] + sum(other == name for _, other in finishing)
        short = math.inf
        for later, count in sorted(swaps.get(name, {}).items()):
            if later <= day:
                continue
            have -= count
            if have < 0:
                short = later
                break
        keys.append((short, place, name))
    return min(keys)[2]


@lru_cache(maxsize=1 << 14)
def _counts_from(zone: ZoneInfo, end: int) -> date:
    done: datetime = moment_to_local(end, zone)
    day = done.date()
    if end > local_moment(day, _MORNING, zone):
        day += timedelta(days=1)
    return day


def most_charged(fleet: Fleet, first: date, name: str, since: int, until: int, coming: int = 0) -> int:
    """
    Return how many packs of a type can be swapped in within some days, at the very most.

    Parameters
    ----------
    fleet : Fleet
        Packs and chargers.
    first : datetime.date
        The season's first date.
    name : str
        Pack type.
    since, until : int
        Day numbers, both included.
    coming : int, default 0
        Packs that devices taken in before `until` may bring back beside the swaps.

    Returns
    -------
    int
        Packs on the shelf (only the charged ones on the season's first day; their number grows only by
        packs that stand at sites of another type, since each swap brings back one at the most), plus what
        all fitting chargers could finish that they begin from the evening of `since` on, if they charged
        nothing else and never lacked a pack; a relaxation. What a charger began before came from an
        earlier swap, or lay uncharged: it is a pack of the shelf that was not charged on `since`.
    """
    shelf = fleet.charged_on_shelf(name)
    later = fleet.uncharged_on_shelf(name) + coming
    later += sum(other == name for other in fleet.odd_returns.values())
    if shelf + later == 0:
        return 0  # each swap takes a charged pack, so that none ever comes back
    total = shelf + (later if since > 0 else 0)
    if not fleet.chargers:
        # without chargers everything that came back is charged by the next date
        return total + (until - since) * (shelf + later)
    from_charging = _charged_between(fleet, first, name, since, until)
    if since > 0:
        return min(total + from_charging, shelf + _charged_between(fleet, first, name, 0, until))
    return total + from_charging


def charged_at_best(
    fleet: Fleet, first: date, charger: Charger, returns: Mapping[int, int], until: int
) -> int:
    """
    Return how many packs the only charger, made for one type, can have charged by a day, at the very most.

    Parameters
    ----------
    fleet : Fleet
        With the packs that lie uncharged.
    first : datetime.date
        The season's first date.
    charger : Charger
        It takes each pack as soon as it may, at any hour; `charge_schedule` keeps one change-over a date for
        the evening.
    returns : mapping of int to int
        Packs of its type that come back, by day number.
    until : int
        Day number.

    Returns
    -------
    int
        Packs that count by then.
    """
    zone, seconds = fleet.zone, math.floor(charger.hours_per_pack * 3600)
    waiting = [0] * fleet.uncharged_on_shelf(charger.types[0])
    waiting += [day for day in sorted(returns) for _ in range(returns[day])]
    starts: list[int] = []
    free_at = done = 0
    for day in waiting:
        at = max(_evening(first + timedelta(days=day), zone), free_at)
        if len(starts) >= charger.changeovers_per_day:  # not on one date with so many before it
            full = moment_to_local(starts[-charger.changeovers_per_day], zone).date()
            at = max(at, local_moment(full + timedelta(days=1), 0, zone))
        starts.append(at)
        free_at = at + seconds
        done += (_counts_from(zone, free_at) - first).days <= until
    return done


def _charged_between(fleet: Fleet, first: date, name: str, since: int, until: int) -> int:
    """Packs put on chargers from the evening of `since` on that count by `until`."""
    total = 0
    for charger in fleet.chargers:
        if name not in charger.types:
            continue
        seconds = math.floor(charger.hours_per_pack * 3600)  # a bound rounds down
        evening = local_moment(first + timedelta(days=since), _EVENING, fleet.zone)
        span = local_moment(first + timedelta(days=until), _MORNING, fleet.zone) - evening
        if span <= 0:
            continue
        by_hours = span // seconds if seconds > 0 else 10**6
        # a pack put on a charger on the last date can count that morning only if its hours are few
        midnight = local_moment(first + timedelta(days=until), 0, fleet.zone)
        morning = local_moment(first + timedelta(days=until), _MORNING, fleet.zone)
        dates = until - since + (seconds <= morning - midnight)
        total += min(by_hours, charger.changeovers_per_day * dates)
    return total
