"""
Packs to own: what the season's trips need of each type, and where the shelf runs short.

The season's trips are played again on another shelf with the rules of `tripplan.plan.charging`: exact for
those trips. Whether other trips would make do with less is another question, which only planning anew answers
(`try_more`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from tripplan.fleet import SHELF, Charger, Fleet, Pack, PackState, Site
from tripplan.forecast.outlook import Outlook
from tripplan.plan import plan_season
from tripplan.plan.charging import charge_schedule, swaps_and_returns
from tripplan.plan.document import Plan, VisitKind
from tripplan.plan.effort import Effort
from tripplan.supply.register import Register
from tripplan.supply.timetable import MORNING, at_clock
from tripplan.travel import Travel

__all__ = [
    "TRY_TIME_S",
    "Course",
    "Tried",
    "TypeStock",
    "shelf_course",
    "stock_by_type",
    "try_more",
    "with_packs",
]

TRY_TIME_S = 30.0
"""Most time for each season that is planned anew with something more. [s]"""


@dataclass(frozen=True)
class Course:
    """
    One date on which trips take packs of a type from the shelf.

    Attributes
    ----------
    trip_ids : tuple of str
        That date's trips.
    charged : int
        Packs that stand charged that morning.
    planned, spares : int
        Planned swaps, and the spares that all of the date's trips would carry.
    """

    day: date
    trip_ids: tuple[str, ...]
    pack_type: str
    charged: int
    planned: int
    spares: int

    @property
    def left(self) -> int:
        """Charged packs left on the shelf; negative where some are missing."""
        return self.charged - self.planned - self.spares


@dataclass(frozen=True)
class TypeStock:
    """
    One pack type over the season.

    Attributes
    ----------
    in_use, shelf, unfit : int or None
        Packs at sites, fit ones on the shelf, and suspect, retired or lost ones; None where packs.csv is not
        kept (`shelf` then counts ``shelf_charged``, where given).
    needed_shelf : int
        Packs that must stand charged on the shelf at the start for every swap to find one.
    needed_with_spares : int
        The same with each trip's spares.
    first_short : Course or None
        The first date on which the shelf as it is does not cover planned swaps and spares.
    without_one : Course or None
        The first date on which it would run short with one pack less.
    """

    pack_type: str
    in_use: int
    shelf: int | None
    unfit: int | None
    needed_shelf: int
    needed_with_spares: int
    first_short: Course | None
    without_one: Course | None

    @property
    def to_own(self) -> int:
        """Packs to own: one at each site, and what the shelf needs with spares."""
        return self.in_use + self.needed_with_spares

    @property
    def missing(self) -> int | None:
        """Packs to buy; None where the shelf is not known."""
        return None if self.shelf is None else max(0, self.needed_with_spares - self.shelf)


@dataclass(frozen=True)
class Tried:
    """
    The season planned anew with something more.

    Attributes
    ----------
    what : str
        For example "one SLA12 more".
    trips, late_sites, late_days, lower_bound : int
        Of the plan found with a short effort.
    """

    what: str
    trips: int
    late_sites: int
    late_days: int
    lower_bound: int


def _moves(fleet: Fleet, plan: Plan) -> list[list[tuple[int, Site]]]:
    """Return day number and site of each swap, each device set out, each taken in."""
    return [
        [
            ((trip.date - plan.first).days, fleet.sites_by_id[visit.site_id])
            for trip in plan.trips
            for visit in trip.visits
            if visit.kind is kind
        ]
        for kind in (VisitKind.SWAP, VisitKind.SET_OUT, VisitKind.TAKE_IN)
    ]


def with_packs(fleet: Fleet, name: str, number: int) -> Fleet:
    """
    Return the fleet with so many charged packs of a type on its shelf and nothing else there.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    name : str
        Pack type.
    number : int
        Charged packs.

    Returns
    -------
    Fleet
        Packs at sites, and those of other types, stay as they are.
    """
    if fleet.packs is None:
        kinds = {
            key: replace(kind, shelf_charged=number if key == name else kind.shelf_charged)
            for key, kind in fleet.pack_types.items()
        }
        return replace(fleet, pack_types=kinds)
    others = tuple(pack for pack in fleet.packs if pack.where != SHELF or pack.pack_type != name)
    new = tuple(Pack(f"({name} {k + 1})", name, where=SHELF) for k in range(number))
    return replace(fleet, packs=others + new)


def shelf_course(fleet: Fleet, plan: Plan, spares: Mapping[str, int], name: str) -> tuple[Course, ...]:
    """
    Play one type's shelf through the season's trips.

    Parameters
    ----------
    fleet : Fleet
        Packs and chargers.
    plan : Plan
        Its trips.
    spares : mapping of str to int
        Spares that each trip carries, by type; they come back as they went.
    name : str
        Pack type.

    Returns
    -------
    tuple of Course
        By date; a shortage is carried on as if the missing packs had been borrowed.
    """
    swaps, returns = swaps_and_returns(fleet, *_moves(fleet, plan))
    run = charge_schedule(fleet, plan.first, swaps, returns)
    borrowed = {(one.pack_type, one.day): one.missing for one in run.shortages}
    offs = [round(slot.off.timestamp()) for slot in run.slots if slot.pack_type == name]
    shelf, flat = fleet.charged_on_shelf(name), fleet.uncharged_on_shelf(name)
    used, lent = 0, 0
    came = returns.get(name, {})
    found = []
    for day, planned in sorted(swaps.get(name, {}).items()):
        when = plan.first + timedelta(days=day)
        morning = at_clock(fleet, when, MORNING)
        if fleet.chargers:
            again = sum(off <= morning for off in offs)
        else:
            again = sum(count for on, count in came.items() if on < day) + (flat if day > 0 else 0)
        trips = [trip for trip in plan.trips if trip.date == when]
        ids = tuple(trip.trip_id for trip in trips if trip.packs.get(name, 0))
        charged = shelf + again - used + lent
        found.append(Course(when, ids, name, charged, planned, len(ids) * spares.get(name, 0)))
        used += planned
        lent += borrowed.get((name, day), 0)
    return tuple(found)


def stock_by_type(
    fleet: Fleet, plan: Plan, register: Register, spares: Mapping[str, int]
) -> tuple[TypeStock, ...]:
    """
    Say what each pack type needs this season.

    Parameters
    ----------
    fleet, plan : Fleet, Plan
        The season.
    register : Register
        Its packs.
    spares : mapping of str to int
        Spares that each trip carries, by type.

    Returns
    -------
    tuple of TypeStock
        For every type in use, in the order of the settings.
    """
    found = []
    in_use_types = {site.pack_type for site in fleet.sites}
    set_out = {
        visit.site_id for trip in plan.trips for visit in trip.visits if visit.kind is VisitKind.SET_OUT
    }
    at_home = {site.site_id for site in fleet.sites if fleet.is_at_home(site.site_id)} | set_out
    for name, kind in fleet.pack_types.items():
        owned = [record for record in register.records if record.pack.pack_type == name]
        if name not in in_use_types and not owned:
            continue
        shelf: int | None
        unfit: int | None
        if fleet.packs is None:
            shelf, unfit = kind.shelf_charged, None
        else:
            fit = (PackState.CHARGED, PackState.FLAT, PackState.CHARGING)
            shelf = sum(record.is_spare and record.pack.state in fit for record in owned)
            unfit = sum(record.pack.where == SHELF and not record.is_spare for record in owned)
        known = fleet.stock_is_kept and shelf is not None
        now = shelf_course(fleet, plan, spares, name) if known else ()
        fewer = shelf_course(_one_less(fleet, name), plan, spares, name) if known and shelf else ()
        found.append(
            TypeStock(
                pack_type=name,
                in_use=sum(site.pack_type == name and site.site_id not in at_home for site in fleet.sites),
                shelf=shelf if known else None,
                unfit=unfit,
                needed_shelf=_needed(fleet, plan, {}, name),
                needed_with_spares=_needed(fleet, plan, spares, name),
                first_short=next((one for one in now if one.left < 0), None),
                without_one=next((one for one in fewer if one.left < 0), None),
            )
        )
    return tuple(found)


def _one_less(fleet: Fleet, name: str) -> Fleet:
    if fleet.packs is None:
        return with_packs(fleet, name, max(0, fleet.charged_on_shelf(name) - 1))
    usable = (PackState.CHARGED, PackState.FLAT, PackState.CHARGING)
    packs = list(fleet.packs)
    there = [
        pack for pack in packs if pack.pack_type == name and pack.where == SHELF and pack.state in usable
    ]
    # the pack that helps least is the one that goes: a flat one where there is one
    there.sort(key=lambda pack: (pack.state is PackState.CHARGED, pack.row))
    if there:
        packs.remove(there[0])
    return replace(fleet, packs=tuple(packs))


def _needed(fleet: Fleet, plan: Plan, spares: Mapping[str, int], name: str) -> int:
    """Return the fewest charged packs at the start with which no trip runs short of a type."""

    def is_enough(number: int) -> bool:
        shelf = with_packs(fleet, name, number)
        return all(one.left >= 0 for one in shelf_course(shelf, plan, spares, name))

    swaps, _ = swaps_and_returns(fleet, *_moves(fleet, plan))
    low, high = 0, sum(swaps.get(name, {}).values()) + 2 * len(fleet.crews) * spares.get(name, 0)
    while low < high:
        middle = (low + high) // 2
        if is_enough(middle):
            high = middle
        else:
            low = middle + 1
    return low


def try_more(
    fleet: Fleet,
    outlook: Outlook,
    travel: Travel,
    plan: Plan,
    tell: Callable[[str], None] | None = None,
    *,
    time_limit_s: float = TRY_TIME_S,
) -> tuple[Tried, ...]:
    """
    Plan the season anew with one pack or one charger more, each with a short effort.

    Parameters
    ----------
    fleet, outlook, travel : Fleet, Outlook, Travel
        What the season rests on.
    plan : Plan
        For its day and seed.
    tell : callable, optional
        Called with what is tried next.
    time_limit_s : float, optional
        Most time for each season. [s]

    Returns
    -------
    tuple of Tried
        First the fleet as it is, planned with the same short effort and no worse than the plan at hand; the
        others are never worse than it.
    """
    cases: list[tuple[str, Fleet]] = [("as it is", fleet)]
    if fleet.stock_is_kept:
        cases += [(f"one {name} more", _one_more(fleet, name)) for name in _types_in_use(fleet)]
        chargers = dict.fromkeys(charger.types for charger in fleet.chargers)
        for types in chargers:
            like = next(charger for charger in fleet.chargers if charger.types == types)
            what = f"one charger more for {', '.join(types)}"
            cases.append((what, replace(fleet, chargers=(*fleet.chargers, Charger(**vars(like))))))
    found = [Tried("as it is", plan.trip_count, plan.late_sites, plan.late_days, plan.lower_bound)]
    for what, changed in cases:
        if tell is not None:
            tell(what)
        new = plan_season(
            changed,
            outlook,
            travel,
            made_on=plan.made_on,
            seed=plan.seed,
            time_limit_s=time_limit_s,
            effort=Effort().short(),
        )
        one = Tried(what, new.trip_count, new.late_sites, new.late_days, new.lower_bound)
        # a plan made with less can be kept with more, so more is never worse
        best = min(one, found[0], key=lambda each: (each.late_sites, each.late_days, each.trips))
        one = replace(best, what=what, lower_bound=min(one.lower_bound, best.trips))
        found = [one, *found[1:]] if changed is fleet else [*found, one]
    return _shared_bounds(found)


def _shared_bounds(found: list[Tried]) -> tuple[Tried, ...]:
    """Where nothing is late, what no plan with more can undercut, no plan with less can either."""
    base = found[0]
    if base.late_sites == 0:
        bound = max(one.lower_bound for one in found)
        found = [replace(base, lower_bound=min(bound, base.trips)), *found[1:]]
    return tuple(found)


def _types_in_use(fleet: Fleet) -> list[str]:
    return [name for name in fleet.pack_types if any(site.pack_type == name for site in fleet.sites)]


def _one_more(fleet: Fleet, name: str) -> Fleet:
    if fleet.packs is None:
        return with_packs(fleet, name, fleet.charged_on_shelf(name) + 1)
    return replace(fleet, packs=(*fleet.packs, Pack(f"({name} more)", name, where=SHELF)))
