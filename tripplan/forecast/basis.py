"""
What a site's dates rest on, by the contract's order of evidence, as a load with its spread.

A load is the day's draw as a share of what the pack holds; its logarithm is taken as normal. A usual
life of L days is the load 1/L without cold or self-discharge, which the life already holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date

from tripplan.errors import Fault, InputError
from tripplan.fleet import Fleet, InPlace, Pack, PackState, PackType, Site
from tripplan.forecast.battery import Battery, battery_of, rate_share, standing_health
from tripplan.forecast.history import History, Run, SiteHistory
from tripplan.forecast.load import pack_draw_mah_per_day
from tripplan.forecast.outlook import Basis
from tripplan.forecast.weather import MILD_C, climate_of
from tripplan.units import DAYS_PER_MONTH, DAYS_PER_YEAR, HOURS_PER_DAY, MAH_PER_AH

__all__ = [
    "DRAW_SD",
    "USUAL_LIFE_SDS",
    "Evidence",
    "HealthBook",
    "Load",
    "find_evidence",
    "pack_health",
    "stale_date_notes",
]

#: Spread of the logarithm of a usual life, between sites and between runs of one site. "Four to six,
#: sometimes eight months" about five (common practice, no source): 0.25 in all puts 60 % between four
#: and six and one in thirty beyond eight.
USUAL_LIFE_SDS = (0.20, 0.15)
#: Spread of the logarithm of a draw that a user states: triggers, signal and season vary. Assumption.
DRAW_SD = 0.25
#: The usual pack in service is taken as three years and eight cycles old. Assumption. [year], [-]
_USUAL_YEARS, _USUAL_CYCLES = 3.0, 8


@dataclass(frozen=True)
class Load:
    """
    The load of one pack at one site.

    Attributes
    ----------
    log_mean : float
        Of the day's draw as a share of the pack. [ln 1/day]
    site_sd, run_sd : float
        Its spread between sites, and between runs of one site, where nothing is learned.
    battery : Battery or None
        None: a usual life, which knows neither cold nor self-discharge.
    draw_mah_per_day : float or None
        What leaves the pack, where it is known. [mAh/day]
    basis : Basis
        Model or usual life.
    because : str
        One clause for people.
    """

    log_mean: float
    site_sd: float
    run_sd: float
    battery: Battery | None
    draw_mah_per_day: float | None
    basis: Basis
    because: str


@dataclass(frozen=True)
class Evidence:
    """
    What is known about the pack in place at one site.

    Attributes
    ----------
    since : datetime.date or None
        When it went in.
    in_place : Load or None
        None where only the given date counts, and where no device stands at the site.
    renewal : Load
        The load of a charged pack of the type put in later.
    history : SiteHistory
        Its runs.
    past_loads : tuple of Load
        What the model alone expects of each past run, in their order.
    """

    site: Site
    since: date | None
    in_place: Load | None
    renewal: Load
    history: SiteHistory
    past_loads: tuple[Load, ...]

    @property
    def expected(self) -> Load:
        """The load of the pack in place, or of the next one where only the given date counts."""
        return self.renewal if self.in_place is None else self.in_place

    @property
    def dark_on(self) -> date | None:
        """The day on which the pack in place was found flat and left so."""
        return None if self.history.now is None else self.history.now.dark_by


def find_evidence(fleet: Fleet, history: History, on: date) -> tuple[Evidence, ...]:
    """
    Return what each site's dates rest on.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    history : History
        Its runs up to that day.
    on : datetime.date
        Day of the forecast.

    Returns
    -------
    tuple of Evidence
        In the order of sites.csv.

    Raises
    ------
    InputError
        For every site about which nothing is known.
    """
    faults: list[Fault] = []
    found: list[Evidence] = []
    packs = {pack.pack_id: pack for pack in fleet.packs or ()}
    book = HealthBook(fleet)
    for site in fleet.sites:
        kind = fleet.pack_types[site.pack_type]
        place = fleet.in_place[site.site_id]
        if _is_of_a_pack_before(site, place):
            site = replace(site, flat_on=None, flat_on_sd_days=0.0)  # noqa: PLW2901
        renewal = _load(book, site, kind, None, on)
        if renewal is None and site.flat_on is not None and place.since is not None:
            renewal = _given_life(site.flat_on, place.since)
        if renewal is None:
            faults.append(
                Fault(
                    "sites.csv",
                    (site.row,) if site.row else (),
                    "usual_months",
                    (),
                    "nothing says how long a charged pack lasts at this site",
                    f"Give draw_mah_per_day or usual_months for the site, or usual_months in "
                    f"[pack_types.{kind.name}].",
                )
            )
            continue
        at_home = fleet.is_at_home(site.site_id)
        if site.flat_on is None and place.since is None and not at_home:
            faults.append(
                Fault(
                    "sites.csv",
                    (site.row,) if site.row else (),
                    "swapped_on",
                    (),
                    "nothing says when the pack went in",
                    "Give swapped_on, or flat_on, or keep packs.csv or visits.csv.",
                )
            )
            continue
        no_model = site.flat_on is not None or at_home
        in_place = None if no_model else _load(book, site, kind, place.pack, on)
        runs = history.sites[site.site_id]
        past = tuple(_load_of_run(book, site, packs.get(run.pack_id), run) or renewal for run in runs.past)
        found.append(Evidence(site, place.since, in_place, renewal, runs, past))
    if faults:
        raise InputError(faults)
    return tuple(found)


def _is_of_a_pack_before(site: Site, place: InPlace) -> bool:
    """Tell whether a given flat date lies before the pack now in place went in."""
    return site.flat_on is not None and place.since is not None and site.flat_on <= place.since


def stale_date_notes(fleet: Fleet) -> tuple[str, ...]:
    """
    Return a note on each flat date that is not counted, since another pack stands there by now.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.

    Returns
    -------
    tuple of str
        In the order of sites.csv.
    """
    return tuple(
        f"{site.site_id}: flat_on {site.flat_on} is not counted, since the pack now in place went in on "
        f"{fleet.in_place[site.site_id].since}. Clear it in sites.csv."
        for site in fleet.sites
        if _is_of_a_pack_before(site, fleet.in_place[site.site_id])
    )


def _given_life(flat_on: date, since: date) -> Load | None:
    days = (flat_on - since).days
    if days <= 0:
        return None
    return Load(
        -math.log(days),
        *USUAL_LIFE_SDS,
        None,
        None,
        Basis.USUAL_LIFE,
        f"{days} days, as the pack in place is given",
    )


class HealthBook:
    """What the fleet's own packs tell: how often each was used up, and what such packs hold."""

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self._usual: dict[tuple[str, int], tuple[float, float]] = {}

    def cycles(self, pack: Pack, since: date | None, on: date) -> int:
        """Return how many runs a pack has ended since a day; each counts as a full cycle."""
        ends = self.fleet.pack_ends.get(pack.pack_id, ())
        return sum((since is None or end > since) and end <= on for end in ends)

    def usual(self, kind: PackType, on: date) -> tuple[float, float]:
        """Return what charged packs of a type usually hold in this fleet, and the spread of its logarithm."""
        # by the year: packs age slowly
        key = (kind.name, on.year)
        if key not in self._usual:
            self._usual[key] = self._find_usual(kind, date(on.year, 7, 1))
        return self._usual[key]

    def _find_usual(self, kind: PackType, on: date) -> tuple[float, float]:
        battery = battery_of(kind)
        logs = [
            math.log(
                pack.tested_ah
                / kind.capacity_ah
                * standing_health(battery, _years(pack.tested_on, on), self.cycles(pack, pack.tested_on, on))
            )
            for pack in self.fleet.packs or ()
            if pack.pack_type == kind.name and pack.tested_ah and pack.state is not PackState.RETIRED
        ]
        mean, count = math.log(battery.usual_health), len(logs)
        # the fleet's own tests against the table's values, which count as three packs
        centre = (sum(logs) + 3.0 * mean) / (count + 3.0)
        squares = 3.0 * battery.health_sd**2 + sum((log - centre) ** 2 for log in logs)
        return math.exp(centre), math.sqrt(squares / (count + 3.0))

    def health(self, kind: PackType, pack: Pack | None, battery: Battery, on: date) -> tuple[float, float]:
        """Return what a pack is taken to hold, and the spread of its logarithm; see `pack_health`."""
        if pack is not None and pack.tested_ah is not None and pack.tested_ah > 0:
            # a test of a later day says nothing sharper of a day before it
            years = _years(pack.tested_on, on)
            aged = standing_health(battery, years, self.cycles(pack, pack.tested_on, on))
            return pack.tested_ah / kind.capacity_ah * aged, min(battery.health_sd, 0.05 + 0.03 * years)
        usual, spread = self.usual(kind, on)
        if pack is not None and pack.bought is not None:
            aged = standing_health(battery, _years(pack.bought, on), self.cycles(pack, pack.bought, on))
            usual = min(1.05, usual * aged / standing_health(battery, _USUAL_YEARS, _USUAL_CYCLES))
        return usual, spread


def _years(day: date | None, on: date) -> float:
    return 0.0 if day is None else max(0.0, (on - day).days / DAYS_PER_YEAR)


def _load_of_run(book: HealthBook, site: Site, pack: Pack | None, run: Run) -> Load | None:
    """Return what the model expects of an ended run; its pack may have been of another type."""
    kind = book.fleet.pack_types[site.pack_type if pack is None else pack.pack_type]
    return _load(book, site, kind, pack, run.start)


def _load(book: HealthBook, site: Site, kind: PackType, pack: Pack | None, on: date) -> Load | None:
    draw = pack_draw_mah_per_day(site, kind, book.fleet.profiles.get(site.profile))
    if draw is not None:
        return _modelled(book, kind, pack, draw, on)
    months = site.usual_months if site.usual_months is not None else kind.usual_months
    if months is None:
        return None
    whose = "of this site" if site.usual_months is not None else f"of type {kind.name}"
    return Load(
        -math.log(months * DAYS_PER_MONTH),
        *USUAL_LIFE_SDS,
        None,
        None,
        Basis.USUAL_LIFE,
        f"{months:g} usual months {whose}",
    )


def _modelled(book: HealthBook, kind: PackType, pack: Pack | None, draw: float, on: date) -> Load:
    battery = battery_of(kind)
    rate = rate_share(battery, kind.capacity_ah, draw / HOURS_PER_DAY)
    health, health_sd = book.health(kind, pack, battery, on)
    holds = kind.capacity_ah * MAH_PER_AH * rate * health
    weather = "" if climate_of(book.fleet) is not None else f", no climate given: {MILD_C:g} C all year"
    return Load(
        math.log(draw / holds),
        DRAW_SD,
        health_sd,
        battery,
        draw,
        Basis.MODEL,
        f"{draw:g} mAh/day from {kind.capacity_ah:g} Ah at {health:.0%} health{weather}",
    )


def pack_health(
    fleet: Fleet, kind: PackType, pack: Pack | None, battery: Battery, on: date
) -> tuple[float, float]:
    """
    Return what a pack is taken to hold before its own runs are looked at.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet; the tests of its other packs count too.
    kind : PackType
        Type of the pack.
    pack : Pack or None
        None where its identity is not known.
    battery : Battery
        Numbers of the type.
    on : datetime.date
        Day for which to say it.

    Returns
    -------
    tuple of (float, float)
        Likely share of the rated capacity, and the spread of its logarithm.
    """
    return HealthBook(fleet).health(kind, pack, battery, on)
