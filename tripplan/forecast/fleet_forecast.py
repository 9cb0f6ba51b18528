"""
From a fleet to its outlook: flat dates, swap-by dates and the chance of being dark.

Ages count in days from the start of the day on which a pack goes in; it is taken as full from then.
A pack that dies at age ``x`` is flat on day ``floor(x)``, and a swap by the end of the day before is in time.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.basis import Evidence, Load, find_evidence
from tripplan.forecast.course import charge_course, fitting_loads, freezes_from
from tripplan.forecast.crossing import (
    flat_share,
    grid_over,
    quantile_days,
)
from tripplan.forecast.flags import backup_flags, freezing_flags, panel_flags, percent_flags, run_flags
from tripplan.forecast.history import read_history
from tripplan.forecast.outlook import Basis, Outlook, PastRun, SiteForecast
from tripplan.forecast.pack_runs import learn_packs
from tripplan.forecast.past import pack_notes, past_runs
from tripplan.forecast.pool import Physics, SiteKnowledge, learn_fleet, log_percent, physics_for
from tripplan.forecast.renewals import (
    LEVELS,
    Items,
    accepted_risk,
    ages_to_follow,
    forecast_renewals,
    with_early_failures,
)
from tripplan.forecast.weather import ColdSpell

__all__ = ["chances_in_place", "flat_quantiles", "forecast_fleet"]

#: A pack that fewer than one in a hundred would have outlived by today is not taken to run on.
_BELIEVED = 0.01
#: Chance that a running site stays silent for several reports: signal, card, device. Assumption.
_SILENT_THOUGH_RUNNING = 0.1
#: Fleets above this size are not shown their past runs one by one.
_MOST_SITES_WITH_PAST = 1000
#: A class that differs less than this from the model is not worth a word.
_WORTH_SAYING = 0.05


def forecast_fleet(
    fleet: Fleet, on: date, weeks: int | None = None, *, spell: ColdSpell | None = None
) -> Outlook:
    """
    Forecast when each site's pack runs flat, and how long packs put in later would last.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast, the season's first; later records are not used.
    weeks : int or None
        Length of the season; None: the fleet's. [week]
    spell : ColdSpell, optional
        A cold spell that is announced.

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
    history = read_history(fleet, on)
    evidence = find_evidence(fleet, history, on)
    physics = physics_for(fleet, evidence, on, to, spell)
    known = learn_fleet(evidence, physics, on)
    forecasts: dict[str, SiteForecast] = {}
    chances: dict[str, NDArray[np.float64]] = {}
    for item in evidence:
        if item.site.flat_on is not None:
            site_id = item.site.site_id
            forecasts[site_id], chances[site_id] = _given(physics, item, known[site_id], on, to)
    for place in _chances_in_place(physics, evidence, known, on):
        site_id = place.item.site.site_id
        forecasts[site_id], chances[site_id] = _describe(physics, place, known[site_id], on, to)
    renewals, by_age, dark_step = forecast_renewals(physics, evidence, known, on, to)
    order = [site.site_id for site in fleet.sites]
    return Outlook(
        on=on,
        to=to,
        risk=fleet.plan.risk,
        sites={site_id: forecasts[site_id] for site_id in order},
        renewals={site_id: renewals[site_id] for site_id in order},
        dark_chance_in_place={site_id: chances[site_id] for site_id in order},
        dark_chance_by_age={site_id: by_age[site_id] for site_id in order},
        dark_step=dark_step,
        notes=(*history.left_out, *pack_notes(evidence, known)),
        packs=learn_packs(fleet, evidence, known, on),
    )


def _past(physics: Physics, item: Evidence, knowledge: SiteKnowledge) -> tuple[PastRun, ...]:
    is_large = len(physics.fleet.sites) > _MOST_SITES_WITH_PAST
    return () if is_large else past_runs(item, physics, knowledge.learned)


def _given(
    physics: Physics, item: Evidence, knowledge: SiteKnowledge, on: date, to: date
) -> tuple[SiteForecast, NDArray[np.float64]]:
    """Return the forecast of a date that the user gives, by the contract's formulas."""
    from scipy.special import ndtr, ndtri

    site, risk = item.site, accepted_risk(physics.fleet, item)
    given, spread = site.flat_on or on, site.flat_on_sd_days

    def shift(level: float, more: float = 0.0) -> timedelta:
        # a whole number that arithmetic left a hair short of itself stays whole
        return timedelta(days=math.floor(spread * float(ndtri(level)) + more + 1e-9))

    ends = (on - given).days + 1.0 + np.arange((to - on).days + 1) - site.backup_days
    dark = np.asarray(ndtr(ends / spread) if spread > 0 else ends > 0, dtype=np.float64)
    early, likely, late = (given + shift(level) for level in LEVELS)
    swap_by = given + shift(risk, site.backup_days) - timedelta(days=1)
    because = "flat_on as given" if spread <= 0 else f"flat_on as given, spread {spread:g} days"
    shown = _past(physics, item, knowledge)
    forecast = SiteForecast(
        site_id=site.site_id,
        flat_early=early,
        flat_likely=likely,
        flat_late=late,
        swap_by=swap_by,
        risk=risk,
        chance_dark_today=float(dark[0]),
        charge_left=None,
        basis=Basis.GIVEN_DATE,
        because=because,
        own_share=knowledge.learned.own_share,
        last_runs=shown,
        flags=run_flags(shown),
    )
    return forecast, dark


def _given_silence(
    chance: NDArray[np.float64], at_report: float, today: float, age: int
) -> NDArray[np.float64]:
    """Weigh a flat pack against every other cause of silence: evidence of dark, not proof."""
    if 1.0 - at_report < 1e-9:
        return chance
    flat = (today - at_report) / (1.0 - at_report)
    dark = flat / (flat + _SILENT_THOUGH_RUNNING * (1.0 - flat)) if flat > 0.0 else 0.0
    before = dark * np.clip((chance - at_report) / max(today - at_report, 1e-12), 0.0, 1.0)
    after = dark + (1.0 - dark) * np.clip((chance - today) / max(1.0 - today, 1e-12), 0.0, 1.0)
    return np.where(np.arange(len(chance)) < age, before, after)


@dataclass(frozen=True)
class _InPlace:
    """The chance that the pack in place at one site is flat by the end of each day after it went in."""

    item: Evidence
    load: Load
    since: date
    chance: NDArray[np.float64]
    limits: NDArray[np.float64]


def _chances_in_place(
    physics: Physics, evidence: Sequence[Evidence], known: Mapping[str, SiteKnowledge], on: date
) -> Iterator[_InPlace]:
    groups: dict[tuple[object, ...], Items] = defaultdict(list)
    for item in evidence:
        if item.in_place is not None:
            mass = known[item.site.site_id].learned.now
            groups[physics.key(item, item.in_place)].append((item, item.in_place, mass))
    for key, group in groups.items():
        grid = grid_over([load.log_mean for _, load, _ in group], [cells for _, _, cells in group])
        n_ages = ages_to_follow(group, 1e-5, has_seasons=bool(key[-1]))
        starts: dict[tuple[date, float], Items] = defaultdict(list)
        for member in group:
            item = member[0]
            charge_in = 1.0 if item.history.now is None else item.history.now.charge_in
            starts[item.since or on, charge_in].append(member)
        for (since, charge_in), cohort in starts.items():
            sums = physics.sums(cohort[0][0], cohort[0][1])
            first = (since - physics.first).days
            limits = sums.limits(first, (on - since).days + n_ages, charge_in)
            mass = np.stack([grid.mass(load.log_mean, cells) for _, load, cells in cohort], axis=1)
            chances = with_early_failures(flat_share(limits, grid) @ mass)
            for column, (item, load, _) in enumerate(cohort):
                chance = _given_signs(chances[:, column], since, item, on)
                yield _InPlace(item, load, since, chance, limits)


def chances_in_place(fleet: Fleet, on: date) -> dict[str, tuple[date, NDArray[np.float64]]]:
    """
    Return the chance of each pack in place being flat, for tests of the forecast against what came.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast; later records are not used.

    Returns
    -------
    dict of str to (datetime.date, numpy.ndarray)
        By site, the day the pack went in and the chance of being flat by the end of that day, the next, ...
        Sites with a given date are absent.
    """
    history = read_history(fleet, on)
    evidence = find_evidence(fleet, history, on)
    physics = physics_for(fleet, evidence, on, on)
    known = learn_fleet(evidence, physics, on)
    return {
        place.item.site.site_id: (place.since, place.chance)
        for place in _chances_in_place(physics, evidence, known, on)
    }


def flat_quantiles(fleet: Fleet, on: date, levels: Sequence[float]) -> dict[str, NDArray[np.float64]]:
    """
    Return quantiles of the days until the pack in place is flat.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    on : datetime.date
        Day of the forecast; later records are not used.
    levels : sequence of float
        Chances wanted.

    Returns
    -------
    dict of str to numpy.ndarray, shape (n_levels,)
        Days from the start of `on`, by site; sites with a given date are absent. [day]
    """
    wanted = np.asarray(levels, dtype=np.float64)
    return {
        site_id: quantile_days(np.repeat(chance[:, None], len(wanted), axis=1), wanted) - (on - since).days
        for site_id, (since, chance) in chances_in_place(fleet, on).items()
    }


def _given_signs(chance: NDArray[np.float64], since: date, item: Evidence, on: date) -> NDArray[np.float64]:
    """Return the chance of being flat by the end of each day, given the signs of life."""

    def flat_before(day: date) -> float:
        at = (day - since).days - 1
        return float(chance[min(at, len(chance) - 1)]) if at >= 0 else 0.0

    now = item.history.now
    if now is not None and now.silent_since is not None and item.dark_on is None:
        return _given_silence(chance, flat_before(now.silent_since), flat_before(on), (on - since).days)
    if item.dark_on is None or now is None:
        low = flat_before(on)
        if 1.0 - low < _BELIEVED:
            return chance
        return np.clip((chance - low) / (1.0 - low), 0.0, 1.0)
    low, high = flat_before(now.alive_on), flat_before(item.dark_on + timedelta(days=1))
    if high - low < 1e-9:
        # found dark where the model expects nothing: flat on the day it was found
        return (np.arange(len(chance)) >= (item.dark_on - since).days).astype(np.float64)
    return np.clip((chance - low) / (high - low), 0.0, 1.0)


def _describe(
    physics: Physics, place: _InPlace, knowledge: SiteKnowledge, on: date, to: date
) -> tuple[SiteForecast, NDArray[np.float64]]:
    item, load, since, chance = place.item, place.load, place.since, place.chance
    risk, backup = accepted_risk(physics.fleet, item), item.site.backup_days
    columns = np.broadcast_to(chance[:, None], (len(chance), 4))
    days = quantile_days(columns, np.array([*LEVELS, risk])).tolist()
    early, likely, late = (since + timedelta(days=math.floor(day + 1e-9)) for day in days[:3])
    swap_by = since + timedelta(days=math.floor(days[3] + backup + 1e-9) - 1)
    age = (on - since).days
    ahead = age + 1.0 + np.arange((to - on).days + 1) - backup
    dark = np.interp(ahead, np.arange(len(chance) + 1), np.concatenate([[0.0], chance]))
    course: tuple[tuple[float, ...], ...] = ()
    freezes = None
    if load.battery is not None:
        sums = physics.sums(item, load)
        loads = fitting_loads(sums, load, knowledge.learned.now, place.limits, days[:3])
        course = charge_course(physics, item, load, loads, on, to)
        freezes = freezes_from(physics, item, load, float(loads[1]), risk, on, min(to, late))
    because = load.because
    if knowledge.n_class_runs and abs(knowledge.class_shift) >= _WORTH_SAYING:
        shift = knowledge.class_shift
        said = f"{log_percent(-shift)} life" if load.battery is None else f"{log_percent(shift)} draw"
        because = f"{because}; the fleet's runs say {said}"
    if item.history.past:
        lasted = len(item.history.past)
        because = f"{lasted} own run{'s' if lasted > 1 else ''}; {because}"
    if item.dark_on is not None:
        because = f"found dark on {item.dark_on.isoformat()}; {because}"
    elif item.history.now is not None and item.history.now.silent_since is not None:
        because = f"silent since {item.history.now.silent_since.isoformat()}, so perhaps dark; {because}"
    elif dark[0] > 0.5:
        because = f"{because}; hardly a pack lasts this long, so it may well be dark"
    shown = _past(physics, item, knowledge)
    forecast = SiteForecast(
        site_id=item.site.site_id,
        flat_early=early,
        flat_likely=likely,
        flat_late=late,
        swap_by=swap_by,
        risk=risk,
        chance_dark_today=float(dark[0]),
        charge_left=course[1][0] if course else None,
        basis=Basis.HISTORY if knowledge.has_runs else load.basis,
        because=because,
        own_share=knowledge.learned.own_share,
        last_runs=shown,
        flags=(
            *run_flags(shown),
            *percent_flags(item.history),
            *freezing_flags(freezes, swap_by),
            *panel_flags(item, likely, late, on),
            *backup_flags(physics.fleet, item, swap_by),
        ),
        freezes_from=freezes,
        charge_early=course[0] if course else (),
        charge_likely=course[1] if course else (),
        charge_late=course[2] if course else (),
    )
    return forecast, dark
