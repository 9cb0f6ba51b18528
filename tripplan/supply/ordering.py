"""
The list for the year: packs, fuses, leads and backup cells, and by when to order.

Numbers of faults are Poisson counts with the mean of the fleet's own records over the year ahead; the number
to have is the smallest that is enough with the wanted chance, which is the newsvendor's answer where one
missing costs ``chance / (1 - chance)`` times as much as one left over.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from tripplan.clock import day_words
from tripplan.fleet import Cause, Fleet, PackState
from tripplan.forecast.battery import battery_of
from tripplan.plan.document import Plan
from tripplan.supply.counts import newsvendor_counts, poisson_binomial, poisson_counts
from tripplan.supply.owning import TypeStock
from tripplan.supply.register import PackRecord, Register
from tripplan.units import DAYS_PER_YEAR

__all__ = ["Order", "orders_for_year"]

#: Faults where little is recorded: as if one had been seen in twenty site-years. Assumption.
_PRIOR_FAULTS, _PRIOR_SITE_YEARS = 1.0, 20.0


@dataclass(frozen=True)
class Order:
    """
    One line of the list.

    Attributes
    ----------
    kind : str
        ``pack``, ``fuse``, ``lead`` or ``backup cells``.
    by : datetime.date or None
        Latest day to order; None: with the next order.
    cost : float or None
        At the user's price, where given.
    """

    kind: str
    item: str
    count: int
    by: date | None
    because: str
    cost: float | None = None


def orders_for_year(
    fleet: Fleet, plan: Plan, register: Register, stock: tuple[TypeStock, ...]
) -> tuple[Order, ...]:
    """
    Write the list for the year.

    Parameters
    ----------
    fleet, plan : Fleet, Plan
        The season; beyond it the year is taken to go on alike.
    register : Register
        Its packs.
    stock : tuple of TypeStock
        What each type needs.

    Returns
    -------
    tuple of Order
        Packs first; lines with nothing to order are left out.
    """
    found = [*_packs(fleet, plan, register, stock), *_small_parts(fleet, plan), *_backup_cells(fleet)]
    return tuple(one for one in found if one.count > 0)


def _order_by(fleet: Fleet, plan: Plan, needed: date | None) -> date | None:
    if needed is None:
        return None
    return max(plan.first, needed - timedelta(days=fleet.spares.lead_days))


def _packs(fleet: Fleet, plan: Plan, register: Register, stock: tuple[TypeStock, ...]) -> list[Order]:
    found = []
    prices = {} if fleet.money is None else fleet.money.prices
    for one in stock:
        owned = [record for record in register.records if record.pack.pack_type == one.pack_type]
        missing = one.missing or 0
        lost = sum(record.moves.site_missing is not None for record in owned)
        wearing, likely = _wear_out(fleet, one.pack_type, owned)
        count = missing + wearing
        if count == 0:
            continue
        parts = []
        if missing:
            short = one.first_short
            when = "" if short is None else f" (short on {day_words(short.day)})"
            parts.append(f"{missing} that the season's trips and spares need{when}")
        if wearing:
            limit = f"{fleet.spares.retire_below:.0%}"
            parts.append(f"{wearing} for those that fall below {limit} within the year ({likely:.1f} likely)")
        if lost:
            parts.append(f"{lost} lost with a missing site are written off")
        needed = one.first_short.day if missing and one.first_short is not None else None
        price = prices.get(one.pack_type)
        found.append(
            Order(
                "pack",
                one.pack_type,
                count,
                _order_by(fleet, plan, needed),
                "; ".join(parts),
                None if price is None else round(count * price, 2),
            )
        )
    return found


def _wear_out(fleet: Fleet, name: str, owned: list[PackRecord]) -> tuple[int, float]:
    """Return how many packs to have for those that wear out in a year, and how many are likely to."""
    from math import exp, log

    from scipy.special import ndtr

    battery = battery_of(fleet.pack_types[name])
    chances = []
    for record in owned:
        if record.pack.state is PackState.RETIRED or record.moves.site_missing is not None:
            continue
        later = record.health * exp(-battery.fade_per_year)
        sd = max(record.health_sd, 1e-6)
        chances.append(float(ndtr((log(fleet.spares.retire_below) - log(later)) / sd)))
    if not chances:
        return 0, 0.0
    odds = fleet.spares.chance / (1.0 - fleet.spares.chance)
    number, _ = newsvendor_counts(poisson_binomial(chances), short_cost=odds, left_cost=1.0)
    return number, sum(chances)


def _small_parts(fleet: Fleet, plan: Plan) -> list[Order]:
    """Return fuses and leads after the faults on record."""
    years = _site_years(fleet, plan.first)
    next_trip = min((trip.date for trip in plan.trips), default=None)
    found = []
    for kind, causes, item in (
        ("fuse", (Cause.FUSE,), "fuses, 2 to 3 A"),
        ("lead", (Cause.CORD, Cause.PLUG), "leads with the right plug"),
    ):
        seen = sum(visit.cause in causes for visit in fleet.visits)
        rate = (seen + _PRIOR_FAULTS) / (years + _PRIOR_SITE_YEARS)
        mean = rate * len(fleet.sites)
        number = _enough(fleet, mean)
        record = f"{seen} in {years:.1f} site-years on record" if fleet.visits else "no visits on record yet"
        because = f"{record}; {mean:.1f} likely in a year"
        found.append(Order(kind, item, number, _order_by(fleet, plan, next_trip), because))
    return found


def _enough(fleet: Fleet, mean: float) -> int:
    odds = fleet.spares.chance / (1.0 - fleet.spares.chance)
    return newsvendor_counts(poisson_counts(mean), short_cost=odds, left_cost=1.0)[0]


def _site_years(fleet: Fleet, on: date) -> float:
    first: dict[str, date] = {}
    for visit in fleet.visits:
        first[visit.site_id] = min(visit.day, first.get(visit.site_id, visit.day))
    return sum((on - day).days for day in first.values()) / DAYS_PER_YEAR


def _backup_cells(fleet: Fleet) -> list[Order]:
    by_kind: dict[str, list[tuple[str, int]]] = {}
    for site in fleet.sites:
        if site.backup_cells and site.backup_chemistry is not None:
            by_kind.setdefault(str(site.backup_chemistry), []).append((site.site_id, site.backup_cells))
    return [
        Order(
            "backup cells",
            f"{chemistry} cells",
            sum(number for _, number in places),
            None,
            f"one set a year at {len(places)} sites (common practice, no source), and after every dark spell",
        )
        for chemistry, places in by_kind.items()
    ]
