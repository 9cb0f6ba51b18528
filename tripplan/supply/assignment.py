"""
Which pack to which site: strong ones where the wait is long or cold, weak ones where it is short and near.

A pack that holds the share ``r`` of a usual one reaches any state of charge after ``r`` times the time, so
its chance of being flat at an age is that of the usual pack at the age over ``r``; in the cold this is a
little kind to weak packs. The assignment minimises the expected dark days until the season's next visit to
each site, and among equals keeps weak packs near; it is exact (a linear assignment, whole-number costs).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.basis import pack_health
from tripplan.forecast.battery import battery_of
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan, Trip, Visit
from tripplan.supply.register import PackRecord
from tripplan.travel import Travel

__all__ = ["Assignment", "assign_packs", "dark_days", "least_cost"]

#: Expected dark days are compared to this. [day]
_DARK_STEP = 1e-4
#: All that weak packs far away can cost, at one site; together less than one step of dark days.
_LACKS_MOST = 10_000


@dataclass(frozen=True)
class Assignment:
    """
    One pack for one visit.

    Attributes
    ----------
    days : int
        Until the season's next swap there, or the season's end.
    dark_chance : float
        Chance that it is dark by then.
    dark_chance_weakest : float
        The same with the weakest pack of the type that could have gone.
    because : str
        One line for people.
    """

    trip_id: str
    site_id: str
    pack_type: str
    pack_id: str
    days: int
    dark_chance: float
    dark_chance_weakest: float
    because: str


def least_cost(costs: NDArray[np.int64]) -> list[tuple[int, int]]:
    """
    Return the cheapest choice of one column for each row.

    Parameters
    ----------
    costs : numpy.ndarray of int, shape (n_rows, n_columns)
        Fewer rows than columns, or more: then some rows stay without.

    Returns
    -------
    list of (int, int)
        Rows with their columns, by row.

    Examples
    --------
    >>> least_cost(np.array([[4, 1, 3], [2, 0, 5]]))
    [(0, 1), (1, 0)]
    """
    from scipy.optimize import linear_sum_assignment

    rows, columns = linear_sum_assignment(costs.astype(np.float64))
    return [(int(row), int(column)) for row, column in zip(rows, columns, strict=True)]


def dark_days(
    outlook: Outlook, site_id: str, put_in: date, days: int, strength: float
) -> tuple[float, float]:
    """
    Return what a pack of some strength would let a site suffer.

    Parameters
    ----------
    outlook : Outlook
        Its forecast for the usual pack of the type.
    site_id : str
        Where it goes.
    put_in : datetime.date
        When.
    days : int
        Until somebody comes again. [day]
    strength : float
        What it holds against the usual pack. [-]

    Returns
    -------
    tuple of (float, float)
        Expected dark days, and the chance of being dark on the last of them.
    """
    ((suffered, at_the_end),) = _dark_days(outlook, site_id, put_in, days, [strength])
    return suffered, at_the_end


def _dark_days(
    outlook: Outlook, site_id: str, put_in: date, days: int, strengths: Sequence[float]
) -> list[tuple[float, float]]:
    """Return the same as `dark_days` for packs of several strengths."""
    table = outlook.dark_chance_by_age.get(site_id)
    if table is None or days <= 0:
        return [(0.0, 0.0)] * len(strengths)
    row = table[min((put_in - outlook.on).days // outlook.dark_step, len(table) - 1)]
    ages = np.arange(1, days + 1) / np.maximum(np.asarray(strengths, dtype=np.float64), 0.05)[:, None]
    chance = np.interp(ages, np.arange(len(row) + 1), np.concatenate([[0.0], row]))
    return list(zip(chance.sum(axis=1).tolist(), chance[:, -1].tolist(), strict=True))


def assign_packs(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    trips: Sequence[Trip],
    records: Mapping[str, PackRecord],
    ready: frozenset[str],
) -> tuple[Assignment, ...]:
    """
    Choose a pack for every swap, and every device set out, of some trips of one date.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        What the trips rest on.
    trips : sequence of Trip
        All of one date; they share the shelf.
    records : mapping of str to PackRecord
        The register, by pack id.
    ready : frozenset of str
        Packs that stand charged that morning.

    Returns
    -------
    tuple of Assignment
        In visiting order. Swaps for which no fit pack with an identity is ready are absent. Packs under the
        user's limit go only where there is no other.
    """
    found: list[Assignment] = []
    for name in dict.fromkeys(visit.pack_type for trip in trips for visit in trip.visits if visit.swap):
        visits = [
            (trip, visit) for trip in trips for visit in trip.visits if visit.swap and visit.pack_type == name
        ]
        packs = [
            record
            for record in records.values()
            if record.pack.pack_type == name and record.pack.pack_id in ready and record.is_fit
        ]
        found += _assign_type(
            fleet, outlook, travel, plan, name, visits, _fit_first(fleet, packs, len(visits))
        )
    order = {(trip.trip_id, visit.site_id): place for place, (trip, visit) in enumerate(_all(trips))}
    return tuple(sorted(found, key=lambda one: order[one.trip_id, one.site_id]))


def _all(trips: Sequence[Trip]) -> list[tuple[Trip, Visit]]:
    return [(trip, visit) for trip in trips for visit in trip.visits]


def _fit_first(fleet: Fleet, packs: list[PackRecord], wanted: int) -> list[PackRecord]:
    """Leave out packs under the user's limit, as long as there are enough others."""
    limit = fleet.spares.retire_below
    fit = [record for record in packs if record.health >= limit]
    weak = sorted((record for record in packs if record.health < limit), key=lambda record: -record.health)
    return fit + weak[: max(0, wanted - len(fit))]


def _assign_type(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    name: str,
    visits: list[tuple[Trip, Visit]],
    packs: list[PackRecord],
) -> list[Assignment]:
    if not packs:
        return []
    kind = fleet.pack_types[name]
    usual, _ = pack_health(fleet, kind, None, battery_of(kind), outlook.on)
    strengths = [record.health / usual for record in packs]
    waits = [_days_until_next(plan, trip, visit) for trip, visit in visits]
    suffered = [
        _dark_days(outlook, visit.site_id, trip.date, days, strengths)
        for (trip, visit), days in zip(visits, waits, strict=True)
    ]
    remote = [_minutes_to(travel, trip, visit) for trip, visit in visits]
    costs = np.empty((len(visits), len(packs)), dtype=np.int64)
    whole = _LACKS_MOST * max(1, len(visits))
    for row, minutes in enumerate(remote):
        for column, strength in enumerate(strengths):
            # weak packs near: what a pack lacks, weighed by the way to its site; never against dark days
            lacks = min(_LACKS_MOST - 1, round(minutes * (2.0 - min(strength, 2.0)) * 10))
            costs[row, column] = round(suffered[row][column][0] / _DARK_STEP) * whole + lacks
    weakest = int(np.argmin(strengths))
    found = []
    for row, column in least_cost(costs):
        trip, visit = visits[row]
        days, (_, dark) = waits[row], suffered[row][column]
        record, worst = packs[column], suffered[row][weakest][1]
        pack_id = record.pack.pack_id
        found.append(
            Assignment(
                trip.trip_id,
                visit.site_id,
                name,
                pack_id,
                days,
                dark,
                worst,
                _because(record, days, dark, worst, is_weakest=column == weakest, choice=len(packs)),
            )
        )
    return found


def _days_until_next(plan: Plan, trip: Trip, visit: Visit) -> int:
    later = [
        other.date
        for other in plan.trips
        if other.date > trip.date and any(v.site_id == visit.site_id and v.brings_back for v in other.visits)
    ]
    return (min(later, default=plan.to) - trip.date).days


def _minutes_to(travel: Travel, trip: Trip, visit: Visit) -> float:
    """Return the drive from the base and the walk in. [min]."""
    place = travel.place_of_site[visit.site_id]
    drive = float(travel.drive_minutes[travel.place_of_crew[trip.crew], place])
    return drive + travel.walk_minutes(None, visit.site_id)


def _because(
    record: PackRecord, days: int, dark: float, worst: float, *, is_weakest: bool, choice: int
) -> str:
    share = f"{record.health:.0%} of rated by {record.health_from}"
    wait = f"{share}; must last {days} days"
    if choice == 1:
        return f"{wait}; the only one ready"
    if worst < 0.005:
        return f"{wait}; any pack at hand would"
    if is_weakest:
        return f"{wait}; the weakest at hand, {_percent(dark)} dark by then, where it harms least"
    return f"{wait}; {_percent(dark)} dark by then, {_percent(worst)} with the weakest at hand"


def _percent(chance: float) -> str:
    return "under 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"
