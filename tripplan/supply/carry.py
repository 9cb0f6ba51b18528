"""
Charged spares to carry on a trip: so many that the wanted chance of not running short is met.

A trip runs short of a type when the packs that prove bad, the sites not planned that turn out to need one on
the way, and the faults that spoil a second pack are more than the spares. The distribution of that sum is
computed exactly; every pack that is carried, the spares included, may prove bad. The chances come from the
fleet's own records, after the priors `BAD_PRIOR` and `FAULT_PRIOR`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Cause, Done, Fleet
from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan, Trip, VisitKind
from tripplan.supply.counts import Rate, beta_binomial, expected_short, poisson_binomial, together
from tripplan.travel import Travel

__all__ = [
    "BAD_PRIOR",
    "FAULT_PRIOR",
    "CarryPlan",
    "Need",
    "TypeNeed",
    "learn_rates",
    "plan_spares",
    "short_chance",
    "trip_need",
]

BAD_PRIOR = Rate(1.0, 49.0)
"""A carried pack proves bad: one in fifty, as if fifty had been watched. Assumption."""
FAULT_PRIOR = Rate(1.0, 49.0)
"""A fault spoils a second pack on a visit: one in fifty, as if fifty had been watched. Assumption."""

#: A pack that went in and was found dark and flat so soon was bad when it went in. Assumption. [day]
_BAD_WITHIN_DAYS = 21
#: Faults that can spoil the pack just put in: the old fault is still there.
_SPOILING = frozenset({Cause.CORD, Cause.PLUG, Cause.FUSE, Cause.WATER})
_MOST_SPARES = 12


@dataclass(frozen=True)
class TypeNeed:
    """
    What may be asked of the spares of one type on a trip.

    Attributes
    ----------
    planned : int
        Swaps planned, each with a pack that may prove bad.
    visits : int
        Planned visits to sites of this type on which a fault may spoil a pack.
    on_the_way : tuple of (str, float)
        Sites not planned, or planned as a call without a swap, with the chance that they need a pack.
    """

    pack_type: str
    planned: int
    visits: int
    on_the_way: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Need:
    """All types of a trip, and the two uncertain chances."""

    types: tuple[TypeNeed, ...]
    bad: Rate
    fault: Rate


@dataclass(frozen=True)
class CarryPlan:
    """
    Spares of one trip.

    Attributes
    ----------
    wanted : mapping of str to int
        Fewest spares by type that give the wanted chance together, if there were room and packs.
    take : mapping of str to int
        The same within the room of the vehicle and what stands charged.
    chance_wanted, chance : float
        Chance that the trip does not run short with either.
    asked : float
        The chance asked for.
    curves : mapping of str to tuple of float
        By type, the chance of not running short of that type with 0, 1, 2, ... spares.
    missing : mapping of str to tuple of float
        By type, the packs missing on average with 0, 1, 2, ... spares.
    room : int
        Spares that fit in the vehicle beside the planned packs.
    stock : mapping of str to int
        Charged packs left for spares, by type; empty where no stock is kept.
    limits : tuple of str
        What held the number down, a sentence each.
    """

    trip_id: str
    need: Need
    wanted: Mapping[str, int]
    take: Mapping[str, int]
    chance_wanted: float
    chance: float
    asked: float
    curves: Mapping[str, tuple[float, ...]]
    missing: Mapping[str, tuple[float, ...]]
    room: int
    stock: Mapping[str, int]
    limits: tuple[str, ...]


def learn_rates(fleet: Fleet) -> tuple[Rate, Rate]:
    """
    Learn from the records how often a pack proves bad, and how often a fault spoils one.

    Parameters
    ----------
    fleet : Fleet
        Its visits.

    Returns
    -------
    tuple of (Rate, Rate)
        Bad packs among those put in whose first weeks are known, after `BAD_PRIOR`; visits with a fault in
        cord, plug, fuse or by water among all that tell what was found, after `FAULT_PRIOR`.
    """
    put_in = bad = told = faults = 0
    standing: dict[str, object] = {}
    for visit in sorted(fleet.visits, key=lambda visit: (visit.day, visit.row)):
        since = standing.get(visit.site_id)
        is_flat = visit.cause is Cause.FLAT
        if since is not None and (visit.found is not None or visit.done in (Done.SWAPPED, Done.REMOVED)):
            early = visit.day - since <= timedelta(days=_BAD_WITHIN_DAYS)  # type: ignore[operator]
            put_in += 1
            bad += bool(is_flat and early)
            standing.pop(visit.site_id)
        if visit.found is not None:
            told += 1
            faults += visit.cause in _SPOILING
        if visit.done in (Done.SWAPPED, Done.INSTALLED):
            standing[visit.site_id] = visit.day
    return BAD_PRIOR.seen(bad, put_in), FAULT_PRIOR.seen(faults, told)


def trip_need(fleet: Fleet, outlook: Outlook, travel: Travel, plan: Plan, trip: Trip) -> Need:
    """
    Return what may be asked of the spares of a trip.

    Parameters
    ----------
    fleet, outlook, travel, plan : Fleet, Outlook, Travel, Plan
        What the trip rests on.
    trip : Trip
        One of the plan's trips.

    Returns
    -------
    Need
        By pack type. Sites on the way are those that the trip does not swap at and that lie within
        ``[spares] detour_minutes`` of it; they ask for a pack with the forecast chance of being
        dark that day.
    """
    bad, fault = learn_rates(fleet)
    swaps = {visit.site_id for visit in trip.visits if visit.kind is not VisitKind.CALL}
    before = [visit for other in plan.trips if other.date < trip.date for visit in other.visits]
    home = {site_id for site_id, now in outlook.sites.items() if now.at_home}
    home -= {visit.site_id for visit in before if visit.kind is VisitKind.SET_OUT}
    home |= {visit.site_id for visit in before if visit.kind is VisitKind.TAKE_IN}
    visited = {visit.site_id for visit in trip.visits}
    sites = fleet.sites_by_id
    way: dict[str, list[tuple[str, float]]] = {}
    for site in fleet.sites:
        if site.site_id in swaps or site.site_id in home:
            continue
        if site.active_from is not None and trip.date < site.active_from:
            continue
        if site.active_to is not None and trip.date > site.active_to:
            continue
        if site.site_id not in visited and _detour(travel, trip, site.site_id) > fleet.spares.detour_minutes:
            continue
        chance = _dark_then(outlook, plan, trip, site.site_id)
        if chance > 0.0:
            way.setdefault(site.pack_type, []).append((site.site_id, chance))
    names = dict.fromkeys([*(visit.pack_type for visit in trip.visits), *way])
    return Need(
        tuple(
            TypeNeed(
                name,
                planned=sum(visit.swap and visit.pack_type == name for visit in trip.visits),
                visits=sum(
                    sites[visit.site_id].pack_type == name and visit.kind is not VisitKind.TAKE_IN
                    for visit in trip.visits
                ),
                on_the_way=tuple(way.get(name, ())),
            )
            for name in names
        ),
        bad,
        fault,
    )


def _detour(travel: Travel, trip: Trip, site_id: str) -> float:
    """Return how much longer the drive is if it turns aside for a site, at the best place to do so. [min]."""
    here = travel.place_of_site[site_id]
    way = [travel.place_of_crew[trip.crew]]
    way += [travel.place_of_site[stop.loops[0].visits[0].site_id] for stop in trip.stops]
    way.append(way[0])
    drive = travel.drive_minutes
    return min(float(drive[a, here] + drive[here, b] - drive[a, b]) for a, b in pairwise(way))


def _dark_then(outlook: Outlook, plan: Plan, trip: Trip, site_id: str) -> float:
    """Return the chance that a site is dark on a trip's date, earlier trips of the plan included."""
    earlier = [
        other.date
        for other in plan.trips
        if other.date < trip.date and any(v.site_id == site_id and v.swap for v in other.visits)
    ]
    day = (trip.date - outlook.on).days
    if not earlier:
        chances = outlook.dark_chance_in_place.get(site_id)
        return 0.0 if chances is None or not len(chances) else float(chances[min(day, len(chances) - 1)])
    table = outlook.dark_chance_by_age.get(site_id)
    if table is None:
        return 0.0
    put_in = max(earlier)
    row = table[min((put_in - outlook.on).days // outlook.dark_step, len(table) - 1)]
    return float(row[min((trip.date - put_in).days, len(row) - 1)])


def short_chance(need: TypeNeed, bad: Rate, fault: Rate, spares: int) -> tuple[float, float]:
    """
    Return how a number of spares of one type does.

    Parameters
    ----------
    need : TypeNeed
        What may be asked.
    bad, fault : Rate
        The two uncertain chances.
    spares : int
        Packs beyond the planned ones.

    Returns
    -------
    tuple of (float, float)
        Chance of running short, and packs missing on average.

    Examples
    --------
    >>> short, _ = short_chance(TypeNeed("A", 6, 0, ()), Rate(8e6, 92e6), Rate(0.0, 1.0), 3)
    >>> round(1.0 - short, 4)
    0.9963
    """
    demand = together(
        beta_binomial(need.planned + spares, bad),
        beta_binomial(need.visits, fault) if fault.yes > 0.0 else np.ones(1),
        poisson_binomial([chance for _, chance in need.on_the_way]),
    )
    return float(demand[spares + 1 :].sum()), expected_short(demand, spares)


def plan_spares(
    fleet: Fleet, need: Need, trip: Trip, stock: Mapping[str, int] | None, asked: float | None = None
) -> CarryPlan:
    """
    Choose the spares of a trip.

    Parameters
    ----------
    fleet : Fleet
        Weights, vehicle, wanted chance.
    need : Need
        As `trip_need` gives it.
    trip : Trip
        The trip.
    stock : mapping of str to int or None
        Charged packs that stand beside the planned ones, by type; None where no stock is kept.
    asked : float, optional
        Chance that the trip does not run short of any type; the fleet's where not given.

    Returns
    -------
    CarryPlan
        The fewest packs, and among equals the surest.
    """
    asked = fleet.spares.chance if asked is None else asked
    curves: dict[str, tuple[float, ...]] = {}
    missing: dict[str, tuple[float, ...]] = {}
    for one in need.types:
        pairs = [short_chance(one, need.bad, need.fault, spares) for spares in range(_MOST_SPARES + 1)]
        curves[one.pack_type] = tuple(1.0 - short for short, _ in pairs)
        missing[one.pack_type] = tuple(lack for _, lack in pairs)
    fetched = sum(visit.kind is VisitKind.TAKE_IN for visit in trip.visits)
    room = max(0, fleet.crews_by_name[trip.crew].packs_aboard - sum(trip.packs.values()) - fetched)
    wanted = _fewest(curves, asked, dict.fromkeys(curves, _MOST_SPARES), len(curves) * _MOST_SPARES)
    caps = {
        name: _MOST_SPARES if stock is None else max(0, min(_MOST_SPARES, stock.get(name, 0)))
        for name in curves
    }
    take = _fewest(curves, asked, caps, room)
    if _together(curves, take) < asked:
        # more of one type is no help against another that is short: no more than is wanted of each
        take = _fewest(curves, asked, {name: min(wanted[name], caps[name]) for name in curves}, room)
    return CarryPlan(
        trip_id=trip.trip_id,
        need=need,
        wanted=wanted,
        take=take,
        chance_wanted=_together(curves, wanted),
        chance=_together(curves, take),
        asked=asked,
        curves=curves,
        missing=missing,
        room=room,
        stock={} if stock is None else {name: max(0, stock.get(name, 0)) for name in curves},
        limits=tuple(_limits(fleet, trip, wanted, take, caps, room, stocked=stock is not None)),
    )


def _together(curves: Mapping[str, tuple[float, ...]], spares: Mapping[str, int]) -> float:
    return float(np.prod([curves[name][spares[name]] for name in curves])) if curves else 1.0


def _fewest(
    curves: Mapping[str, tuple[float, ...]], asked: float, caps: Mapping[str, int], room: int
) -> dict[str, int]:
    """
    Return the fewest spares that meet the chance, the surest of equals; all that helps where none does.

    ``best[k]`` is the surest way to spread k spares over the types looked at so far, so the choice is exact.
    """
    most = min(room, sum(caps.values()))
    best: NDArray[np.float64] = np.full(most + 1, -1.0)
    best[0] = 1.0
    choices: list[NDArray[np.int64]] = []
    for name, curve in curves.items():
        new = np.full(most + 1, -1.0)
        choice = np.zeros(most + 1, dtype=np.int64)
        for total in range(most + 1):
            for own in range(min(total, caps[name]) + 1):
                value = best[total - own] * curve[own] if best[total - own] >= 0.0 else -1.0
                if value > new[total] + 1e-15:
                    new[total], choice[total] = value, own
        best = new
        choices.append(choice)
    enough = np.nonzero(best >= asked)[0]
    total = int(enough[0]) if len(enough) else int(np.argmax(best > best.max() - 1e-6))
    found: dict[str, int] = {}
    for name, choice in zip(reversed(list(curves)), reversed(choices), strict=True):
        found[name] = int(choice[total])
        total -= found[name]
    return {name: found[name] for name in curves}


def _limits(
    fleet: Fleet,
    trip: Trip,
    wanted: Mapping[str, int],
    take: Mapping[str, int],
    caps: Mapping[str, int],
    room: int,
    *,
    stocked: bool,
) -> list[str]:
    crew = fleet.crews_by_name[trip.crew]
    found = []
    if sum(wanted.values()) > room:
        planned = sum(trip.packs.values())
        found.append(
            f"The vehicle holds {crew.packs_aboard} packs; {planned} planned leave room for {room} spares, "
            f"{sum(wanted.values())} are wanted."
        )
    for name, number in wanted.items():
        if stocked and number > caps[name] and take[name] < number:
            found.append(
                f"{caps[name]} {name} {'stands' if caps[name] == 1 else 'stand'} charged beside the planned "
                f"ones; {number} are wanted."
            )
    for index, loop in enumerate((loop for stop in trip.stops for loop in stop.loops), 1):
        free = crew.carry_kg - loop.carried_kg
        types = {fleet.sites_by_id[visit.site_id].pack_type for visit in loop.visits}
        heavy = sorted(
            name for name in types if take.get(name, 0) and fleet.pack_types[name].weight_kg > free
        )
        if heavy:
            found.append(
                f"Foot loop {index} ({', '.join(visit.site_id for visit in loop.visits)}) has {free:.1f} kg "
                f"free: no spare {' or '.join(heavy)} fits on the back, so it waits in the vehicle."
            )
    return found
