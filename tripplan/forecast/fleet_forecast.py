"""
From a fleet to its outlook: flat dates, swap-by dates and the chance of being dark.

Ages count in days from the start of the day on which a pack goes in; it is taken as full from then.
A pack that dies at age ``x`` is flat on day ``floor(x)``, and a swap by the end of the day before is in time.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.basis import Evidence, Load, find_evidence
from tripplan.forecast.crossing import (
    LoadGrid,
    WeatherSums,
    flat_share,
    grid_over,
    limits_from,
    quantile_days,
)
from tripplan.forecast.outlook import Basis, Outlook, Renewal, SiteForecast
from tripplan.forecast.sun import panel_mah_per_day
from tripplan.forecast.weather import daily_means, temperature_weathers

__all__ = ["FAR_DAYS", "forecast_fleet", "outlook_to_json"]

#: No pack is followed longer than three years; a later flat date is given as this one. [day]
FAR_DAYS = 1096
#: A pack that fewer than one in a hundred would have outlived by today is not taken to run on.
_BELIEVED = 0.01
_LEVELS = (0.05, 0.5, 0.95)
_DARK_STEP = 7


@dataclass(frozen=True)
class _Group:
    """Sites that share battery, weather and activity, and so the tables of first crossings."""

    sums: WeatherSums
    grid: LoadGrid
    n_ages: int


def forecast_fleet(fleet: Fleet, on: date, weeks: int | None = None) -> Outlook:
    """
    Forecast when each site's pack runs flat, and how long packs put in later would last.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast, the season's first.
    weeks : int or None
        Length of the season; None: the fleet's. [week]

    Returns
    -------
    Outlook
        For every site in use. Renewal arrays have shape (7 * weeks + 1,).

    Raises
    ------
    InputError
        If nothing says how long a pack lasts at some site, or when it went in.
    """
    weeks = fleet.plan.weeks if weeks is None else weeks
    to = on + timedelta(days=7 * weeks)
    evidence = find_evidence(fleet, on)
    forecasts: dict[str, SiteForecast] = {}
    chances: dict[str, NDArray[np.float64]] = {}
    renewals: dict[str, Renewal] = {}
    by_age: dict[str, NDArray[np.float64]] = {}
    _forecast_given(fleet, evidence, on, to, forecasts, chances)
    _forecast_in_place(fleet, [e for e in evidence if e.in_place is not None], on, to, forecasts, chances)
    _forecast_renewals(fleet, evidence, on, to, renewals, by_age)
    order = [site.site_id for site in fleet.sites]
    return Outlook(
        on=on,
        to=to,
        risk=fleet.plan.risk,
        sites={site_id: forecasts[site_id] for site_id in order},
        renewals={site_id: renewals[site_id] for site_id in order},
        dark_chance_in_place={site_id: chances[site_id] for site_id in order},
        dark_chance_by_age={site_id: by_age[site_id] for site_id in order},
        dark_step=_DARK_STEP,
    )


def _risk(fleet: Fleet, item: Evidence) -> float:
    return fleet.plan.risk if item.site.risk is None else item.site.risk


def _forecast_given(
    fleet: Fleet,
    evidence: Sequence[Evidence],
    on: date,
    to: date,
    forecasts: dict[str, SiteForecast],
    chances: dict[str, NDArray[np.float64]],
) -> None:
    from scipy.special import ndtr, ndtri

    n_days = (to - on).days + 1
    for item in evidence:
        given = item.site.flat_on
        if given is None:
            continue
        spread, backup, risk = item.site.flat_on_sd_days, item.site.backup_days, _risk(fleet, item)
        early, likely, late = (
            given + timedelta(days=math.floor(spread * float(ndtri(level)) + 1e-9)) for level in _LEVELS
        )
        leeway = math.floor(spread * float(ndtri(risk)) + backup + 1e-9)
        ends = (on - given).days + 1.0 + np.arange(n_days) - backup
        chance = ndtr(ends / spread) if spread > 0 else (ends > 0).astype(np.float64)
        chances[item.site.site_id] = np.asarray(chance, dtype=np.float64)
        forecasts[item.site.site_id] = SiteForecast(
            item.site.site_id,
            early,
            likely,
            late,
            given + timedelta(days=leeway - 1),
            risk,
            float(chance[0]),
            None,
            Basis.GIVEN_DATE,
            "flat_on as given" if spread <= 0 else f"flat_on as given, spread {spread:g} days",
        )


def _group_key(item: Evidence, load: Load) -> tuple[object, ...]:
    has_panel = item.site.panel_w is not None and load.draw_mah_per_day is not None
    return (load.battery, item.site.site_id if has_panel else None)


def _make_group(fleet: Fleet, items: Sequence[tuple[Evidence, Load]], first: date, last: date) -> _Group:
    item, load = items[0]
    means = np.array([load.log_mean for _, load in items])
    spreads = np.array([load.log_sd for _, load in items])
    grid = grid_over(means, spreads)
    n_days = (last - first).days + 1
    activity = None
    if item.site.panel_w is not None and load.draw_mah_per_day is not None:
        activity = _draw_left_by_panel(fleet, item, load, first, n_days + FAR_DAYS)
    # the usable share is at most 1.05, and self-discharge only shortens
    n_ages = FAR_DAYS if activity is not None else min(FAR_DAYS, math.ceil(1.06 * math.exp(-grid.low)) + 2)
    total = n_days + n_ages
    temps = temperature_weathers(None if load.battery is None else fleet.climate, first, total)
    sums = WeatherSums(load.battery, temps, None if activity is None else activity[:total])
    return _Group(sums, grid, n_ages)


def _draw_left_by_panel(
    fleet: Fleet, item: Evidence, load: Load, first: date, n_days: int
) -> NDArray[np.float64]:
    """Return the share of the draw that the panel leaves to the pack; it never fills the pack again."""
    volts = fleet.pack_types[item.site.pack_type].volts
    monthly = panel_mah_per_day(item.site.lat, item.site.panel_w or 0.0, volts, item.site.sun_fraction)
    daily = np.maximum(daily_means(monthly, first, n_days), 0.0)
    return np.clip(1.0 - daily / (load.draw_mah_per_day or 1.0), 0.0, 1.0)


def _forecast_in_place(
    fleet: Fleet,
    evidence: Sequence[Evidence],
    on: date,
    to: date,
    forecasts: dict[str, SiteForecast],
    chances: dict[str, NDArray[np.float64]],
) -> None:
    groups: dict[tuple[object, ...], list[tuple[Evidence, Load]]] = defaultdict(list)
    for item in evidence:
        if item.in_place is not None:
            groups[_group_key(item, item.in_place)].append((item, item.in_place))
    for items in groups.values():
        first = min(item.since for item, _ in items if item.since is not None)
        group = _make_group(fleet, items, first, max(on, first))
        starts: dict[date, list[tuple[Evidence, Load]]] = defaultdict(list)
        for item, load in items:
            starts[item.since or on].append((item, load))
        for since, cohort in starts.items():
            age = (on - since).days
            limits = limits_from(group.sums, (since - first).days, age + group.n_ages)
            mass = _mass(group.grid, cohort)
            chance = flat_share(limits, group.grid) @ mass
            for column, (item, load) in enumerate(cohort):
                site_id = item.site.site_id
                known = _given_signs(chance[:, column], since, item)
                forecasts[site_id], chances[site_id] = _describe(
                    fleet, item, load, known, since, on, to, limits
                )


def _mass(grid: LoadGrid, items: Sequence[tuple[Evidence, Load]]) -> NDArray[np.float64]:
    return grid.normal_mass(
        np.array([load.log_mean for _, load in items]), np.array([load.log_sd for _, load in items])
    )


def _given_signs(chance: NDArray[np.float64], since: date, item: Evidence) -> NDArray[np.float64]:
    """Return the chance of being flat by the end of each day, given the signs of life."""

    def flat_before(day: date) -> float:
        at = (day - since).days - 1
        return float(chance[min(at, len(chance) - 1)]) if at >= 0 else 0.0

    low = flat_before(item.alive_on)
    high = 1.0 if item.dark_on is None else flat_before(item.dark_on + timedelta(days=1))
    if item.dark_on is None and 1.0 - low < _BELIEVED:
        return chance
    if high - low < 1e-9:
        # found dark where the model expects nothing: flat on the day it was found
        ages = np.arange(len(chance))
        return (ages >= ((item.dark_on or item.alive_on) - since).days).astype(np.float64)
    return np.clip((chance - low) / (high - low), 0.0, 1.0)


def _describe(
    fleet: Fleet,
    item: Evidence,
    load: Load,
    chance: NDArray[np.float64],
    since: date,
    on: date,
    to: date,
    limits: NDArray[np.float64],
) -> tuple[SiteForecast, NDArray[np.float64]]:
    risk, backup = _risk(fleet, item), item.site.backup_days
    days = [float(quantile_days(chance[:, None], level)[0]) for level in (*_LEVELS, risk)]
    early, likely, late = (since + timedelta(days=math.floor(day + 1e-9)) for day in days[:3])
    swap_by = since + timedelta(days=math.floor(days[3] + backup + 1e-9) - 1)
    age = (on - since).days
    ahead = age + 1.0 + np.arange((to - on).days + 1) - backup
    dark = np.interp(ahead, np.arange(len(chance) + 1), np.concatenate([[0.0], chance]))
    left = None
    if load.battery is not None:
        left = _charge_left(limits, age, float(days[1]))
    because = load.because
    if item.dark_on is not None:
        because = f"found dark on {item.dark_on.isoformat()}; {because}"
    elif float(chance[-1]) > 0 and dark[0] > 0.5:
        because = f"{because}; hardly a pack lasts this long, so it may well be dark"
    forecast = SiteForecast(
        item.site.site_id, early, likely, late, swap_by, risk, float(dark[0]), left, load.basis, because
    )
    return forecast, dark


def _charge_left(limits: NDArray[np.float64], age: int, likely_age: float) -> float:
    """Return the share left: the load that ends on the likely date against the one that would end today."""
    if age <= 0:
        return 1.0
    end = min(max(0, math.floor(likely_age) - 1), limits.shape[1] - 1)
    now = min(age - 1, limits.shape[1] - 1)
    used = math.exp(float(np.median(limits[:, end])) - float(np.median(limits[:, now])))
    return float(np.clip(1.0 - used, 0.0, 1.0))


def _forecast_renewals(
    fleet: Fleet,
    evidence: Sequence[Evidence],
    on: date,
    to: date,
    renewals: dict[str, Renewal],
    by_age: dict[str, NDArray[np.float64]],
) -> None:
    n_days = (to - on).days + 1
    groups: dict[tuple[object, ...], list[tuple[Evidence, Load]]] = defaultdict(list)
    for item in evidence:
        groups[_group_key(item, item.renewal)].append((item, item.renewal))
    for items in groups.values():
        group = _make_group(fleet, items, on, to)
        mass = _mass(group.grid, items)
        risks = np.array([_risk(fleet, item) for item, _ in items])
        backups = np.array([item.site.backup_days for item, _ in items])
        table = np.empty((4, n_days, len(items)), dtype=np.int64)
        rows: list[NDArray[np.float64]] = []
        for k in range(n_days):
            chance = flat_share(limits_from(group.sums, k, group.n_ages), group.grid) @ mass
            start = on.toordinal() + k
            by_risk = quantile_days(chance, risks)
            table[0, k] = start - 1 + np.floor(by_risk + backups + 1e-9).astype(np.int64)
            for place, level in enumerate(_LEVELS, start=1):
                table[place, k] = start + np.floor(quantile_days(chance, level) + 1e-9).astype(np.int64)
            if k % _DARK_STEP == 0:
                rows.append(_dark_row(chance, backups, n_days))
        # an earlier day is lowered where a later one does worse: the safe side
        table = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]
        dark = np.stack(rows)
        for column, (item, load) in enumerate(items):
            site_id = item.site.site_id
            swap_by, early, likely, late = np.ascontiguousarray(table[:, :, column])
            renewals[site_id] = Renewal(site_id, swap_by, early, likely, late, load.basis)
            by_age[site_id] = np.ascontiguousarray(dark[:, :, column])


def _dark_row(chance: NDArray[np.float64], backups: NDArray[np.float64], n_days: int) -> NDArray[np.float64]:
    ages = np.arange(len(chance) + 1)
    return np.stack(
        [
            np.interp(np.arange(n_days) + 1.0 - backup, ages, np.concatenate([[0.0], chance[:, column]]))
            for column, backup in enumerate(backups)
        ],
        axis=1,
    )


def outlook_to_json(outlook: Outlook) -> dict[str, Any]:
    """
    Return the forecast as the contract's JSON object, ``tripplan-forecast/1``.

    Parameters
    ----------
    outlook : Outlook
        From `forecast_fleet`.

    Returns
    -------
    dict
        Ready for ``json.dump``.
    """
    return {
        "format": "tripplan-forecast/1",
        "on": outlook.on.isoformat(),
        "risk": outlook.risk,
        "sites": [_site_to_json(forecast) for forecast in outlook.sites.values()],
    }


def _site_to_json(forecast: SiteForecast) -> Mapping[str, Any]:
    return {
        "site_id": forecast.site_id,
        "flat_early": forecast.flat_early.isoformat(),
        "flat_likely": forecast.flat_likely.isoformat(),
        "flat_late": forecast.flat_late.isoformat(),
        "swap_by": forecast.swap_by.isoformat(),
        "chance_dark_today": round(forecast.chance_dark_today, 6),
        "charge_left": None if forecast.charge_left is None else round(forecast.charge_left, 4),
        "basis": str(forecast.basis),
        "because": forecast.because,
        "risk": forecast.risk,
    }
