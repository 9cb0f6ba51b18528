"""
From a fleet to its outlook: flat dates, swap-by dates and the chance of being dark.

Ages count in days from the start of the day on which a pack goes in; it is taken as full from then.
A pack that dies at age ``x`` is flat on day ``floor(x)``, and a swap by the end of the day before is in time.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Fleet
from tripplan.forecast.at_home import forecast_at_home, is_to_be_set_out
from tripplan.forecast.basis import Evidence, Load, find_evidence, stale_date_notes
from tripplan.forecast.course import charge_courses, freezing_dates
from tripplan.forecast.crossing import quantile_days
from tripplan.forecast.flags import (
    backup_flags,
    freezing_flags,
    panel_flags,
    percent_flags,
    run_flags,
    volts_notes,
    weather_notes,
)
from tripplan.forecast.history import read_history
from tripplan.forecast.in_place import Cohort, cohorts_in_place
from tripplan.forecast.outlook import Basis, Outlook, PastRun, SiteForecast
from tripplan.forecast.pack_runs import learn_packs
from tripplan.forecast.past import pack_notes, past_runs
from tripplan.forecast.pool import Physics, SiteKnowledge, learn_fleet, log_percent, physics_for
from tripplan.forecast.renewals import LEVELS, accepted_risk, forecast_renewals
from tripplan.forecast.weather import ColdSpell

__all__ = ["forecast_fleet"]

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
        if item.site.flat_on is not None and not fleet.is_at_home(item.site.site_id):
            site_id = item.site.site_id
            forecasts[site_id], chances[site_id] = _given(physics, item, known[site_id], on, to)
    for cohort in cohorts_in_place(physics, evidence, known, on):
        for forecast, dark in _describe(physics, cohort, known, on, to):
            forecasts[forecast.site_id], chances[forecast.site_id] = forecast, dark
    for item in evidence:
        said = forecasts.get(item.site.site_id)
        if said is None or is_to_be_set_out(item.site, said.swap_by, on):
            found = forecast_at_home(item.site, accepted_risk(fleet, item), on, to)
            forecasts[item.site.site_id], chances[item.site.site_id] = found
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
        notes=(
            *history.left_out,
            *stale_date_notes(fleet),
            *pack_notes(evidence, known),
            *volts_notes(known),
            *weather_notes(fleet),
        ),
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


def _describe(
    physics: Physics, cohort: Cohort, known: Mapping[str, SiteKnowledge], on: date, to: date
) -> Iterator[tuple[SiteForecast, NDArray[np.float64]]]:
    """Yield the forecast of each site of a cohort, and its chance of being dark by the end of each day."""
    since, chance, n = cohort.since, cohort.chance, len(cohort.items)
    risks = np.array([accepted_risk(physics.fleet, item) for item, _ in cohort.items])
    ages = np.stack([quantile_days(chance, level) for level in (*LEVELS, risks)])
    courses = charge_courses(physics, cohort, known, ages[:3], on, to)
    freezing = freezing_dates(physics, cohort, risks, on, to)
    first, ahead = (since - physics.first).days, (on - since).days + 1.0 + np.arange((to - on).days + 1)
    ends = np.arange(len(chance) + 1)
    for column in range(n):
        item, load = cohort.items[column]
        backup = physics.backup(item.site)
        early, likely, late = (since + timedelta(days=math.floor(age + 1e-9)) for age in ages[:3, column])
        swap_age = backup.dark_age(float(ages[3, column]), first)
        swap_by = since + timedelta(days=math.floor(swap_age + 1e-9) - 1)
        flat_by = np.concatenate([[0.0], chance[:, column]])
        dark = np.interp(backup.flat_ages(ahead, first), ends, flat_by)
        knowledge = known[item.site.site_id]
        freezes = freezing[column]
        course = courses[column] if courses else ()
        shown = _past(physics, item, knowledge)
        forecast = SiteForecast(
            site_id=item.site.site_id,
            flat_early=early,
            flat_likely=likely,
            flat_late=late,
            swap_by=swap_by,
            risk=float(risks[column]),
            chance_dark_today=float(dark[0]),
            charge_left=course[1][0] if course else None,
            basis=Basis.HISTORY if knowledge.has_runs else load.basis,
            because=_because(item, load, knowledge, float(dark[0])),
            own_share=knowledge.learned.own_share,
            last_runs=shown,
            flags=(
                *run_flags(shown),
                *percent_flags(item.history, knowledge.percent),
                *freezing_flags(freezes, swap_by),
                *panel_flags(item, likely, late, on),
                *backup_flags(physics.fleet, item, swap_by),
            ),
            freezes_from=freezes,
            charge_early=course[0] if course else (),
            charge_likely=course[1] if course else (),
            charge_late=course[2] if course else (),
        )
        yield forecast, dark


def _because(item: Evidence, load: Load, knowledge: SiteKnowledge, dark_today: float) -> str:
    """Say in one clause what a site's dates rest on."""
    because = load.because
    if knowledge.n_class_runs and abs(knowledge.class_shift) >= _WORTH_SAYING:
        shift = knowledge.class_shift
        said = f"{log_percent(-shift)} life" if load.battery is None else f"{log_percent(shift)} draw"
        because = f"{because}; the fleet's runs say {said}"
    if item.history.past:
        lasted = len(item.history.past)
        because = f"{lasted} own run{'s' if lasted > 1 else ''}; {because}"
    if item.dark_on is not None:
        return f"found dark on {item.dark_on.isoformat()}; {because}"
    if item.history.now is not None and item.history.now.silent_since is not None:
        return f"silent since {item.history.now.silent_since.isoformat()}, so perhaps dark; {because}"
    if dark_today > 0.5:
        return f"{because}; hardly a pack lasts this long, so it may well be dark"
    return because
