"""
Random fleets with every rule of the contract in play, the same ones for the same seed.

The outlook is drawn too, not forecast, so that plans can be tested apart from the forecast. All
places, people and numbers are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from tripplan.fleet import (
    AccessRule,
    Charger,
    Crew,
    DateSpan,
    DriveSettings,
    Fleet,
    Job,
    Leg,
    MonthDay,
    Pack,
    PackState,
    PackType,
    PlanSettings,
    Site,
    WalkSettings,
)
from tripplan.forecast.at_home import forecast_at_home, is_to_be_set_out
from tripplan.forecast.outlook import Basis, Outlook, Renewal, SiteForecast
from tripplan.travel import geodesic_m

__all__ = ["FleetWishes", "draw_outlook", "random_fleet", "tiny_season"]

_Z95 = 1.6448536269514722  # standard normal quantile of 0.95
_PLUG_12 = "5.5x2.1 centre +"
_PLUG_6 = "4.0x1.7 centre +"
_REGIONS = (("Europe/London", 57.0, -4.0), ("Europe/Berlin", 48.0, 11.5), ("Europe/Helsinki", 68.5, 27.0))


@dataclass(frozen=True)
class FleetWishes:
    """How hard the drawn fleet is: sizes, and the chance that each kind of rule is in play."""

    sites: tuple[int, int] = (2, 8)
    weeks: tuple[int, int] = (4, 14)
    crews: tuple[int, int] = (1, 3)
    stock: float = 0.6
    rules: float = 0.35
    lives_days: tuple[float, float] = (35.0, 150.0)


def random_fleet(
    seed: int, n_sites: int | None = None, wishes: FleetWishes | None = None
) -> tuple[Fleet, Outlook]:
    """
    Draw one fleet and its outlook.

    Parameters
    ----------
    seed : int
        The same seed gives the same fleet.
    n_sites : int, optional
        Number of sites; drawn where not given.
    wishes : FleetWishes, optional
        How hard.

    Returns
    -------
    tuple of Fleet and Outlook
        Ready for travel and planning.

    Examples
    --------
    >>> fleet, outlook = random_fleet(3, n_sites=5)
    >>> len(fleet.sites), fleet == random_fleet(3, n_sites=5)[0]
    (5, True)
    """
    rng = random.Random(seed)
    wishes = wishes or FleetWishes()
    on = date(2026, 1, 1) + timedelta(days=rng.randrange(0, 720))
    weeks = rng.randint(*wishes.weeks)
    to = on + timedelta(weeks=weeks)
    timezone, lat, lon = rng.choice(_REGIONS)
    types = _draw_types(rng)
    access = _draw_access(rng, wishes, on)
    sites = _draw_sites(rng, wishes, n_sites or rng.randint(*wishes.sites), (lat, lon), types, access, on, to)
    crews = _draw_crews(rng, wishes, (lat, lon), on, to)
    access = {
        name: tuple(replace(rule, crews=(crews[0].name,)) if rng.random() < 0.1 else rule for rule in rules)
        for name, rules in access.items()
    }
    stocked = rng.random() < wishes.stock
    packs: tuple[Pack, ...] | None = None
    if stocked and rng.random() < 0.5:
        packs = _draw_packs(rng, types, sites, on)
    elif stocked:
        types = {name: replace(kind, shelf_charged=rng.randint(1, 4)) for name, kind in types.items()}
    chargers = tuple(
        Charger(
            tuple(rng.sample(sorted(types), rng.randint(1, len(types)))),
            rng.choice((8.0, 12.0, 14.5, 30.0)),
            rng.randint(1, 2),
        )
        for _ in range(rng.randint(1, 2) if stocked and rng.random() < 0.6 else 0)
    )
    drive = DriveSettings(rng.uniform(35, 70), rng.uniform(1.1, 1.6), rng.choice((0.0, 5.0, 7.25)))
    fleet = Fleet(
        name=f"random {seed}",
        timezone=timezone,
        crews=crews,
        sites=sites,
        pack_types=types,
        blocked=_draw_spans(rng, wishes, on, to),
        plan=PlanSettings(
            weeks=weeks,
            risk=rng.choice((0.02, 0.05, 0.1)),
            daylight_margin_minutes=rng.choice((0.0, 30.0, 45.0)),
            reserve_minutes=rng.choice((0.0, 30.0, 30.0, 52.5)),
            fallback_dates=rng.choice((0, 1, 1, 2)),
        ),
        drive=drive,
        walk=WalkSettings(rng.uniform(1.0, 1.5), rng.uniform(0.5, 1.0)),
        chargers=chargers,
        access=access,
        packs=packs,
        jobs=_draw_jobs(rng, wishes, sites, on, to),
        legs=_draw_legs(rng, wishes, sites, crews, drive),
    )
    return fleet, draw_outlook(fleet, on, rng, lives_days=wishes.lives_days)


def tiny_season(seed: int) -> tuple[Fleet, Outlook]:
    """
    Draw a season that can be enumerated: up to five sites and five dates, one or two crews.

    Parameters
    ----------
    seed : int
        The same seed gives the same season.

    Returns
    -------
    tuple of Fleet and Outlook
        Each crew's dates in the season number five at most, in all ten at most.
    """
    rng = random.Random(f"tiny {seed}")
    for attempt in range(1000):
        wishes = FleetWishes(
            sites=(1, 5), weeks=(2, 5), crews=(1, 2), stock=0.5, rules=0.25, lives_days=(25.0, 90.0)
        )
        fleet, outlook = random_fleet(rng.randrange(10**9), wishes=wishes)
        days = _span(outlook.on, outlook.to)
        crews, dates = [], set()
        for crew in fleet.crews:
            free = [
                day
                for day in days
                if day.weekday() in crew.weekdays
                and not any(day in span for span in (*fleet.blocked, *crew.away))
            ]
            kept = set(rng.sample(free, min(len(free), rng.randint(2, 4))))
            away = tuple(DateSpan(day, day) for day in free if day not in kept)
            crews.append(replace(crew, away=crew.away + away))
            dates |= kept
        if 2 <= len(dates) <= 5:
            return replace(fleet, crews=tuple(crews), name=f"tiny {seed}.{attempt}"), outlook
    raise RuntimeError(f"seed {seed} draws no tiny season")


def draw_outlook(
    fleet: Fleet, on: date, rng: random.Random, lives_days: tuple[float, float] = (35.0, 150.0)
) -> Outlook:
    """
    Draw the lives of all packs of a fleet: shorter in winter, with a spread.

    Parameters
    ----------
    fleet : Fleet
        Its sites, risk and weeks.
    on : datetime.date
        First date of the season.
    rng : random.Random
        Source of chance.
    lives_days : tuple of float
        Shortest and longest mean life. [day]

    Returns
    -------
    Outlook
        Its dates never fall as the swap gets later.
    """
    to = on + timedelta(weeks=fleet.plan.weeks)
    days = (to - on).days + 1
    z_risk = _normal_quantile(fleet.plan.risk)
    sites, renewals, in_place, by_age = {}, {}, {}, {}
    put_in = np.arange(days, dtype=np.float64)
    for site in fleet.sites:
        mean = rng.uniform(*lives_days)
        spread = mean * rng.choice((0.0, 0.03, 0.08, 0.15))
        age = rng.uniform(0.0, rng.choice((0.7, 0.7, 0.7, 1.1))) * mean
        flat = max(mean - age, 1.0 - age)  # days after `on`
        phase = rng.uniform(0, 2 * math.pi)
        yearly = 0.15 * mean * np.sin(2 * math.pi * put_in / 365.25 + phase)
        flats = np.maximum.accumulate(put_in + mean + yearly)
        sites[site.site_id] = SiteForecast(
            site.site_id,
            flat_early=on + timedelta(days=math.floor(flat - _Z95 * spread)),
            flat_likely=on + timedelta(days=math.floor(flat)),
            flat_late=on + timedelta(days=math.floor(flat + _Z95 * spread)),
            swap_by=on + timedelta(days=math.floor(flat - 1 + spread * z_risk + site.backup_days)),
            risk=fleet.plan.risk,
            chance_dark_today=float(_dark_chance(np.zeros(1), flat + site.backup_days, spread)[0]),
            charge_left=None,
            basis=Basis.USUAL_LIFE,
            because="drawn",
        )
        start = on.toordinal()
        renewals[site.site_id] = Renewal(
            site.site_id,
            start + np.floor(flats - 1 + spread * z_risk + site.backup_days).astype(np.int64),
            start + np.floor(flats - _Z95 * spread).astype(np.int64),
            start + np.floor(flats).astype(np.int64),
            start + np.floor(flats + _Z95 * spread).astype(np.int64),
            Basis.USUAL_LIFE,
        )
        in_place[site.site_id] = _dark_chance(put_in, flat + site.backup_days, spread)
        by_age[site.site_id] = np.array(
            [_dark_chance(put_in, flats[k] - k + site.backup_days, spread) for k in range(0, days, 7)]
        )
        if is_to_be_set_out(site, sites[site.site_id].swap_by, on):
            sites[site.site_id], in_place[site.site_id] = forecast_at_home(site, fleet.plan.risk, on, to)
    return Outlook(on, to, fleet.plan.risk, sites, renewals, in_place, by_age, 7)


def with_devices(fleet: Fleet, outlook: Outlook, seed: int) -> tuple[Fleet, Outlook]:
    """
    Draw which devices stand at home or are taken in, in time, overdue or not at all.

    Parameters
    ----------
    fleet, outlook : Fleet, Outlook
        As drawn before.
    seed : int
        The same seed gives the same devices.

    Returns
    -------
    tuple of Fleet and Outlook
        Sites with other dates of service; devices at home have a forecast that says so.
    """
    rng = random.Random(f"devices {seed}")
    length = (outlook.to - outlook.on).days
    plan = replace(fleet.plan, set_out_days=rng.choice((0, 7, 14)), take_in_days=rng.choice((3, 7, 14)))
    sites, said, in_place = [], dict(outlook.sites), dict(outlook.dark_chance_in_place)
    for site in fleet.sites:
        how = rng.choice(("stays", "set out", "taken in", "both"))
        begin = outlook.on + timedelta(days=rng.randrange(-3, length))
        end = outlook.on + timedelta(days=rng.randrange(-5, length))
        if how == "both":
            begin, end = min(begin, end), max(begin, end)
        moved = replace(
            site,
            active_from=begin if how in ("set out", "both") else None,
            active_to=end if how in ("taken in", "both") else None,
            device_kg=rng.choice((0.0, 0.0, 0.8)),
        )
        sites.append(moved)
        if moved.active_from is not None:
            found = forecast_at_home(moved, fleet.plan.risk, outlook.on, outlook.to)
            said[site.site_id], in_place[site.site_id] = found
    return (
        replace(fleet, sites=tuple(sites), plan=plan),
        replace(outlook, sites=said, dark_chance_in_place=in_place),
    )


def _span(first: date, last: date) -> list[date]:
    return [first + timedelta(days=number) for number in range((last - first).days + 1)]


def _normal_quantile(chance: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(chance)


def _dark_chance(days: np.ndarray, flat: float, spread: float) -> np.ndarray:
    """Return the chance of being dark by the end of each day, for a flat moment `flat` days on."""
    ends = days + 1.0
    if spread == 0:
        return (ends > flat).astype(np.float64)
    return np.array([0.5 * math.erfc((flat - end) / spread / math.sqrt(2)) for end in ends])


def _draw_types(rng: random.Random) -> dict[str, PackType]:
    types = {"TWELVE": PackType("TWELVE", 12.0, _PLUG_12, weight_kg=rng.choice((2.4, 3.0)))}
    if rng.random() < 0.5:
        types["SIX"] = PackType("SIX", 6.0, _PLUG_6, weight_kg=rng.choice((1.2, 1.9)))
    if rng.random() < 0.3:
        types["LIGHT"] = PackType("LIGHT", 12.0, _PLUG_12, weight_kg=1.1)
    return types


def _draw_sites(
    rng: random.Random,
    wishes: FleetWishes,
    count: int,
    middle: tuple[float, float],
    types: Mapping[str, PackType],
    access: Mapping[str, tuple[AccessRule, ...]],
    on: date,
    to: date,
) -> tuple[Site, ...]:
    clusters = []
    for _ in range(max(1, round(count / 3))):
        away, angle = rng.uniform(0.03, 0.30), rng.uniform(0, 2 * math.pi)
        spot = (middle[0] + away * math.sin(angle), middle[1] + 1.8 * away * math.cos(angle))
        clusters.append([(spot[0], spot[1]), (spot[0] + rng.uniform(-0.02, 0.02), spot[1] + 0.02)])
    sites = []
    for number in range(count):
        park = rng.choice(rng.choice(clusters))
        name = rng.choice(sorted(types))
        kind = types[name]
        season = rng.random() < 0.15 * (wishes.rules > 0)
        half = on + timedelta(days=rng.randrange((to - on).days))
        converter = kind.volts == 12.0 and rng.random() < 0.1
        at_the_road = rng.random() < 0.2
        spot = (
            park if at_the_road else (park[0] + rng.uniform(-6e-3, 6e-3), park[1] + rng.uniform(-0.01, 0.01))
        )
        # A given walk is never far from the straight line: a way round by another site is then no shorter.
        straight = float(geodesic_m(*park, *spot)) if rng.random() < 0.6 else None
        sites.append(
            Site(
                site_id=f"S{number + 1}",
                lat=spot[0],
                lon=spot[1],
                pack_type=name,
                volts=6.0 if converter else kind.volts,
                plug=kind.plug,
                park_lat=park[0],
                park_lon=park[1],
                walk_m=None if straight is None else straight * rng.uniform(1.0, 1.6),
                climb_m=rng.choice((0.0, 0.0, rng.uniform(-60, 120))),
                work_minutes=rng.choice((10.0, 15.0, 12.5, 20.0)),
                access=rng.choice(sorted(access)) if access and rng.random() < 0.6 else "",
                backup_days=rng.choice((0.0, 0.0, 0.0, 4.5)),
                converter_volts=12.0 if converter else None,
                active_from=half if season and rng.random() < 0.5 else None,
                active_to=half + timedelta(days=20) if season else None,
                row=number + 2,
            )
        )
    return tuple(sites)


def _draw_crews(
    rng: random.Random, wishes: FleetWishes, middle: tuple[float, float], on: date, to: date
) -> tuple[Crew, ...]:
    people = ("Ada", "Bo", "Cy", "Di")
    return tuple(
        Crew(
            name=name,
            base_lat=middle[0] + rng.uniform(-0.1, 0.1) * number,
            base_lon=middle[1] + rng.uniform(-0.1, 0.1) * number,
            weekdays=rng.choice((frozenset({5, 6}), frozenset({5}), frozenset({2, 5, 6}), frozenset({6}))),
            day_start_minute=rng.choice((420, 450, 510)),
            day_end_minute=rng.choice((780, 1050, 1110, 1440)),
            carry_kg=rng.choice((3.5, 6.0, 9.0, 12.0)),
            packs_aboard=rng.choice((3, 5, 14)),
            people=tuple(rng.sample(people, rng.randint(0, 2))),
            away=_draw_spans(rng, wishes, on, to),
        )
        for number, name in enumerate(("North", "South", "East")[: rng.randint(*wishes.crews)])
    )


def _draw_spans(rng: random.Random, wishes: FleetWishes, on: date, to: date) -> tuple[DateSpan, ...]:
    spans = []
    while rng.random() < wishes.rules:
        first = on + timedelta(days=rng.randrange((to - on).days))
        spans.append(DateSpan(first, first + timedelta(days=rng.choice((0, 1, 8)))))
    return tuple(spans)


def _draw_access(rng: random.Random, wishes: FleetWishes, on: date) -> dict[str, tuple[AccessRule, ...]]:
    if rng.random() > 2 * wishes.rules:
        return {}
    soon = on + timedelta(days=rng.randint(10, 40))
    late = soon + timedelta(days=rng.randint(5, 30))
    gates = {
        "gate": (AccessRule("gate", from_minute=540, to_minute=960),),
        "two spells": (
            AccessRule("two spells", from_minute=480, to_minute=630),
            AccessRule("two spells", from_minute=780, to_minute=1440),
        ),
        "lambing": (
            AccessRule(
                "lambing",
                is_open=False,
                season_from=_month_day(soon),
                season_to=_month_day(late),
            ),
        ),
        "sundays": (AccessRule("sundays", weekdays=frozenset({6})),),
        "noon closed": (
            AccessRule("noon closed"),
            AccessRule("noon closed", is_open=False, from_minute=690, to_minute=780),
        ),
    }
    return {name: gates[name] for name in rng.sample(sorted(gates), rng.randint(1, 3))}


def _month_day(day: date) -> MonthDay:
    return MonthDay(day.month, 28 if (day.month, day.day) == (2, 29) else day.day)


def _draw_packs(
    rng: random.Random, types: Mapping[str, PackType], sites: tuple[Site, ...], on: date
) -> tuple[Pack, ...]:
    packs = [
        Pack(f"P{number + 1}", site.pack_type, where=site.site_id, since=on, state=PackState.IN_USE)
        for number, site in enumerate(sites)
    ]
    for name in sorted(types):
        for state in rng.choices(
            (PackState.CHARGED, PackState.FLAT, PackState.CHARGING, PackState.SUSPECT),
            weights=(4, 1, 1, 0.5),
            k=rng.randint(2, 5),
        ):
            packs.append(Pack(f"P{len(packs) + 1}", name, state=state))
    # apart, so that all else is drawn as it was
    odd = random.Random(f"{on} {len(packs)}")
    for number, _ in enumerate(sites):
        chance = odd.random()
        if chance < 0.12:
            packs[number] = replace(packs[number], state=odd.choice((PackState.SUSPECT, PackState.RETIRED)))
        elif chance < 0.2:
            packs[number] = replace(packs[number], pack_type=odd.choice(sorted(types)))
    return tuple(packs)


def _draw_jobs(
    rng: random.Random, wishes: FleetWishes, sites: tuple[Site, ...], on: date, to: date
) -> tuple[Job, ...]:
    jobs = []
    for site in sites:
        while rng.random() < wishes.rules * 0.6:
            due = on + timedelta(days=rng.randrange(7, (to - on).days + 20))
            jobs.append(
                Job(
                    site.site_id,
                    rng.choice(("clean the lens", "new cord", "move the mast")),
                    due_by=due if rng.random() < 0.5 else None,
                    minutes=rng.choice((0.0, 5.0, 12.25)),
                    done_on=on - timedelta(days=9) if rng.random() < 0.2 else None,
                )
            )
    return tuple(jobs)


def _draw_legs(
    rng: random.Random,
    wishes: FleetWishes,
    sites: tuple[Site, ...],
    crews: tuple[Crew, ...],
    drive: DriveSettings,
) -> tuple[Leg, ...]:
    """
    Draw given legs of about the formula's length.

    Near enough that no detour through another stop, with its own work, is shorter than a given leg: a plan
    would then gain by visits that nobody owes.
    """
    legs: list[Leg] = []
    taken: set[tuple[object, object]] = set()
    while rng.random() < wishes.rules and len(legs) < 3:
        crew, site = rng.choice(crews), rng.choice(sites)
        key = ((round(crew.base_lat, 5), round(crew.base_lon, 5)), site.parking_key)
        metres = geodesic_m(crew.base_lat, crew.base_lon, site.park_lat, site.park_lon)
        km = float(metres) / 1000 * drive.detour * rng.uniform(0.8, 1.1)
        if key not in taken:
            taken.add(key)
            legs.append(Leg(crew.name, site.site_id, km / drive.speed_kmh * 60, km))
    return tuple(legs)
