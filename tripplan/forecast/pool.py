"""From each site's runs to what is learned of it: one chain of evidence a site, pooled by class."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tripplan.fleet import Climate, Fleet, Site
from tripplan.forecast.backup import Backup
from tripplan.forecast.basis import Evidence, Load
from tripplan.forecast.battery import battery_of
from tripplan.forecast.crossing import WeatherSums
from tripplan.forecast.evidence import NOTHING, RunEvidence, RunsEvidence, learn_percent, run_evidence
from tripplan.forecast.history import Run
from tripplan.forecast.learning import Chain, SiteLearned, fit_fleet, learn_sites, weigh
from tripplan.forecast.outlook import FAR_DAYS
from tripplan.forecast.panel import PanelSums
from tripplan.forecast.percent import PercentMeaning
from tripplan.forecast.sun import PANEL_YIELD, panel_mah_per_day
from tripplan.forecast.weather import (
    ColdSpell,
    climate_of,
    daily_means,
    temperature_weathers,
    with_cold_spell,
    with_measured_days,
)
from tripplan.units import DAYS_PER_YEAR

__all__ = ["Physics", "SiteKnowledge", "learn_fleet", "log_percent", "physics_for"]

#: Runs that began longer ago teach nothing. [day]
_OLDEST_DAYS = 3653
#: Values of `Volts.offset` that are weighed; 0.1 V on a 12 V pack is worth about a tenth of its charge.
_OFFSETS = np.array([-0.24, -0.16, -0.08, 0.0, 0.08, 0.16, 0.24])
_MOST_SITES_WEIGHED = 80


class Physics:
    """
    Weather and battery over the whole time that matters, made once for each battery.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    first, last : datetime.date
        Time to cover, both ends included.
    spell : ColdSpell, optional
        Cold days to count with.
    """

    def __init__(self, fleet: Fleet, first: date, last: date, spell: ColdSpell | None = None) -> None:
        self.fleet = fleet
        self.climate = climate_of(fleet)
        self.spell = spell
        self.first = first
        self.n_days = (last - first).days + 1
        self._temps: dict[bool, NDArray[np.float64]] = {}
        self._sums: dict[tuple[object, ...], WeatherSums] = {}

    def key(self, item: Evidence, load: Load) -> tuple[object, ...]:
        """Return what tells apart sites that cannot share tables."""
        has_panel = item.site.panel_w is not None and load.draw_mah_per_day is not None
        return (load.battery, item.site.site_id if has_panel else None, self._factors(item, load))

    def backup(self, site: Site) -> Backup:
        """Return the backup cells of a site."""
        return Backup(site, None if self.climate is None else self._weathers(self.climate))

    def _factors(self, item: Evidence, load: Load) -> tuple[float, ...]:
        """Return the twelve factors of a modelled draw; empty where it is the same all year."""
        profile = self.fleet.profiles.get(item.site.profile)
        return () if profile is None or load.battery is None else profile.activity

    def sums(self, item: Evidence, load: Load) -> WeatherSums:
        """Return the running sums for a site's battery."""
        key = self.key(item, load)
        if key not in self._sums:
            temps = self._weathers(None if load.battery is None else self.climate)
            factors = self._factors(item, load)
            activity = np.maximum(daily_means(factors, self.first, self.n_days), 0.0) if factors else None
            self._sums[key] = (
                WeatherSums(load.battery, temps, activity)
                if key[1] is None or load.battery is None
                else PanelSums(load.battery, temps, self._harvest(item, load), load.log_mean, activity)
            )
        return self._sums[key]

    def _weathers(self, climate: Climate | None) -> NDArray[np.float64]:
        if (climate is None) not in self._temps:
            temps = temperature_weathers(climate, self.first, self.n_days)
            temps = with_measured_days(temps, self.first, self.fleet.weather)
            if self.spell is not None:
                temps = with_cold_spell(temps, self.first, self.spell)
            self._temps[climate is None] = temps
        return self._temps[climate is None]

    def _harvest(self, item: Evidence, load: Load) -> NDArray[np.float64]:
        """Return what the panel brings on each day as a share of what the pack holds."""
        kind = self.fleet.pack_types[item.site.pack_type]
        sun_kwh = () if self.climate is None else self.climate.sun_kwh
        monthly = panel_mah_per_day(
            item.site.lat,
            item.site.panel_w or 0.0,
            kind.nominal_volts,
            item.site.sun_fraction,
            sun_kwh=sun_kwh,
            panel_yield=kind.number("panel_yield", PANEL_YIELD),
        )
        daily = np.maximum(daily_means(monthly, self.first, self.n_days), 0.0)
        if item.site.sun_fraction is None and not sun_kwh:
            # the yearly course must not lend the darkest month what its neighbours have
            daily = np.where(daily < min(q for q in monthly if q > 0.0) / 2.0, 0.0, daily)
        # the load is the draw as a share of the pack
        return np.asarray(daily * math.exp(load.log_mean) / (load.draw_mah_per_day or 1.0), dtype=np.float64)


@dataclass(frozen=True)
class Volts:
    """
    What a rested voltage is worth in this fleet.

    Attributes
    ----------
    offset, offset_sd : float
        By how much charges read lie too high in this fleet, and how sure that is.
    """

    offset: float = 0.0
    offset_sd: float = 0.08

    def reading_sd(self, soc_reading_sd: float) -> float:
        """
        Return the spread of one reading.

        Parameters
        ----------
        soc_reading_sd : float
            That of a fleet of which nothing is known; its common part is known better here, perhaps.

        Returns
        -------
        float
            Share of charge.
        """
        own = max(0.03**2, soc_reading_sd**2 - Volts().offset_sd ** 2)
        return float(np.sqrt(own + self.offset_sd**2))


@dataclass(frozen=True)
class SiteKnowledge:
    """
    What is learned of one site.

    Attributes
    ----------
    learned : SiteLearned
        From the site and the fleet.
    class_shift : float
        How the class of the site differs from what the model expects, as a logarithm of the draw.
    has_runs : bool
        Whether its own runs or readings say anything.
    n_class_runs : int
        Ended runs in its class.
    likelihoods : tuple of numpy.ndarray
        Of its runs, oldest first.
    volts : Volts
        What a rested voltage is worth in this fleet.
    percent : PercentMeaning or None
        What its device's percentage means, where that is known.
    """

    learned: SiteLearned
    class_shift: float
    has_runs: bool
    n_class_runs: int
    likelihoods: tuple[NDArray[np.float64], ...]
    volts: Volts
    percent: PercentMeaning | None = None


def learn_fleet(evidence: Sequence[Evidence], physics: Physics, on: date) -> Mapping[str, SiteKnowledge]:
    """
    Learn every site's level from its own runs and the fleet's.

    Parameters
    ----------
    evidence : sequence of Evidence
        One for each site.
    physics : Physics
        Weather and batteries.
    on : datetime.date
        Day of the forecast.

    Returns
    -------
    mapping of str to SiteKnowledge
        By site id.
    """
    meanings = {
        item.site.site_id: learn_percent(
            item.history.past, [physics.sums(item, load) for load in item.past_loads], physics.first
        )
        for item in evidence
        if any(run.percents and run.dark_by is not None for run in item.history.past)
    }
    said = _all_runs(evidence, physics, on, meanings)
    kinds: dict[tuple[float, float], list[Evidence]] = defaultdict(list)
    for item in evidence:
        kinds[item.expected.site_sd, item.renewal.run_sd].append(item)
    known: dict[str, SiteKnowledge] = {}
    for spreads, items in kinds.items():
        volts = _learn_volts(items, said, physics, on, spreads)
        chains = [_chain(item, said, physics, on, spreads, volts) for item in items]
        fit = fit_fleet(chains)
        runs: dict[object, int] = defaultdict(int)
        for item, chain in zip(items, chains, strict=True):
            runs[chain.group] += len(item.history.past)
        for item, chain, site in zip(items, chains, learn_sites(chains, fit), strict=True):
            now = item.history.now
            known[item.site.site_id] = SiteKnowledge(
                site,
                fit.means.get(chain.group, (0.0, 0.0))[0],
                bool(item.history.past) or (now is not None and bool(now.charges)),
                runs[chain.group],
                chain.likelihoods,
                volts,
                meanings.get(item.site.site_id),
            )
    return known


def _all_runs(
    evidence: Sequence[Evidence],
    physics: Physics,
    on: date,
    meanings: Mapping[str, PercentMeaning | None],
) -> dict[str, RunsEvidence]:
    """Return what each site's ended runs and pack in place say; runs that began on one day share limits."""
    runs = [
        (item, load, run)
        for item in evidence
        for run, load in zip(item.history.past, item.past_loads, strict=True)
    ]
    runs += [
        (item, item.in_place, item.history.now)
        for item in evidence
        if item.history.now is not None and item.in_place is not None
    ]
    runs.sort(key=lambda each: each[2].start)
    said: dict[int, RunEvidence] = {}
    for item, load, run in runs:
        if (on - run.start).days <= _OLDEST_DAYS:
            sums = physics.sums(item, load)
            meaning = meanings.get(item.site.site_id)
            said[id(run)] = run_evidence(run, load.log_mean, sums, physics.first, meaning)
    return {
        item.site.site_id: RunsEvidence(
            [said.pop(id(run), NOTHING) for run in (*item.history.past, item.history.now)]
        )
        for item in evidence
    }


def _learn_volts(
    items: Sequence[Evidence],
    said: Mapping[str, RunsEvidence],
    physics: Physics,
    on: date,
    spreads: tuple[float, float],
) -> Volts:
    """
    Return what a rested voltage is worth in this fleet.

    Tables of resting voltage differ by 10 to 20 % of charge and a meter by as much again, and neither changes
    from visit to visit: this common part is weighed by how well the fleet's runs agree under each value.
    """
    usual = Volts()
    some = [item for item in items if said[item.site.site_id].n_readings[:-1].any()]
    some = some[:: max(1, -(-len(some) // _MOST_SITES_WEIGHED))]
    if not some:
        return usual
    log_fit = np.array(
        [
            weigh([_chain(item, said, physics, on, spreads, Volts(float(offset), 0.0)) for item in some])
            for offset in _OFFSETS
        ]
    )
    log_fit += -0.5 * (_OFFSETS / usual.offset_sd) ** 2
    weight = np.exp(log_fit - log_fit.max())
    weight = weight / weight.sum()
    offset = float(weight @ _OFFSETS)
    return Volts(offset, float(np.sqrt(weight @ (_OFFSETS - offset) ** 2)))


def _chain(
    item: Evidence,
    said: Mapping[str, RunsEvidence],
    physics: Physics,
    on: date,
    spreads: tuple[float, float],
    volts: Volts,
) -> Chain:
    sd = volts.reading_sd(battery_of(physics.fleet.pack_types[item.site.pack_type]).soc_reading_sd)
    found = said[item.site.site_id]
    readings = found.readings(volts.offset, sd)
    likelihoods = found.signs * readings
    middles = [_middle(run, on) for run in item.history.past]
    now = item.history.now
    if now is None or item.in_place is None:
        middles.append(float(on.toordinal()))
    else:
        # that it is taken to run today, without a record, teaches nothing; the draw that will have emptied it
        # is that of the middle of its life, much of which lies ahead
        half = min(FAR_DAYS, math.exp(-item.in_place.log_mean)) / 2.0
        middles.append(now.start.toordinal() + half)
    gaps = tuple(max(0.0, (after - before) / DAYS_PER_YEAR) for before, after in pairwise(middles))
    group = (item.site.profile, item.expected.basis, item.site.pack_type)
    tested = item.in_place is not None and item.in_place.run_sd < spreads[1]
    now_eta = item.in_place.run_sd if item.in_place is not None and tested else None
    return Chain(group, tuple(likelihoods), readings[-1], gaps, *spreads, now_eta)


def _middle(run: Run, on: date) -> float:
    return (run.start.toordinal() + (run.end or on).toordinal()) / 2.0


def physics_for(
    fleet: Fleet, evidence: Sequence[Evidence], on: date, to: date, spell: ColdSpell | None = None
) -> Physics:
    """
    Return weather and batteries over the time that a forecast needs.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    evidence : sequence of Evidence
        One for each site.
    on, to : datetime.date
        Day of the forecast and the season's last.
    spell : ColdSpell, optional
        Cold days to count with.

    Returns
    -------
    Physics
        From the oldest run that still teaches to three years past the season.
    """
    oldest = on - timedelta(days=_OLDEST_DAYS)
    starts = [run.start for item in evidence for run in item.history.past if run.start >= oldest]
    starts += [item.since for item in evidence if item.since is not None]
    first = min([on, *starts])
    return Physics(fleet, first, to + timedelta(days=FAR_DAYS), spell)


def log_percent(shift: float) -> str:
    """
    Return a shift of a logarithm as a percentage with its sign.

    Parameters
    ----------
    shift : float
        Difference of natural logarithms.

    Returns
    -------
    str
        For example ``+12 %``.

    Examples
    --------
    >>> log_percent(0.113), log_percent(-0.2231)
    ('+12 %', '-20 %')
    """
    return f"{100.0 * math.expm1(shift):+.0f} %"
