"""
What must hold between two proved plans: more means never cost trips, names change nothing.

Compared are pairs of plans in which nothing is late and both counts are proved. More dates, longer days
and more risk are compared without fallback dates: a fallback is asked for only where it is possible, so
that one more date may ask for more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from tripplan.fleet import Fleet, Pack, PackState
from tripplan.forecast.outlook import Outlook
from tripplan.plan import plan_season
from tripplan.plan.document import Plan, Status
from tripplan.plan.effort import Effort
from tripplan.travel import measure_travel

_SHORT = replace(Effort().short(), polish_passes=2)
"""Proves the fewest trips of fleets as small as these nearly always."""

Change = Callable[[Fleet, Outlook], tuple[Fleet, Outlook]]


pytestmark = pytest.mark.no_cover  # the same code over and over

SEARCHES = pytest.mark.parametrize(
    "effort", [_SHORT, pytest.param(Effort(), marks=pytest.mark.slow)], ids=["short search", "whole search"]
)


def _plan(fleet: Fleet, outlook: Outlook, effort: Effort) -> Plan:
    return plan_season(fleet, outlook, measure_travel(fleet), made_on=outlook.on, effort=effort)


def _one_more_spare(fleet: Fleet, outlook: Outlook) -> tuple[Fleet, Outlook]:
    if fleet.packs is not None:
        spares = tuple(Pack(f"more {name}", name, state=PackState.CHARGED) for name in fleet.pack_types)
        return replace(fleet, packs=fleet.packs + spares), outlook
    kinds = {
        name: replace(kind, shelf_charged=(kind.shelf_charged or 0) + 1)
        for name, kind in fleet.pack_types.items()
    }
    return replace(fleet, pack_types=kinds), outlook


def _longer_day(fleet: Fleet, outlook: Outlook) -> tuple[Fleet, Outlook]:
    crews = tuple(
        replace(
            crew,
            day_start_minute=crew.day_start_minute - 60,
            day_end_minute=min(1440, crew.day_end_minute + 60),
        )
        for crew in fleet.crews
    )
    return replace(fleet, crews=crews), outlook


def _one_more_weekday(fleet: Fleet, outlook: Outlook) -> tuple[Fleet, Outlook]:
    crews = tuple(replace(crew, weekdays=crew.weekdays | {0}) for crew in fleet.crews)
    return replace(fleet, crews=crews), outlook


def _more_risk(fleet: Fleet, outlook: Outlook) -> tuple[Fleet, Outlook]:
    """Let every swap-by date lie four days later, those of fresh packs too."""
    later = timedelta(days=4)
    sites = {name: replace(site, swap_by=site.swap_by + later) for name, site in outlook.sites.items()}
    renewals = {
        name: replace(renewal, swap_by=np.asarray(renewal.swap_by) + 4)
        for name, renewal in outlook.renewals.items()
    }
    return fleet, replace(outlook, sites=sites, renewals=renewals)


def _waiting(fleet: Fleet, outlook: Outlook) -> list[str]:
    """Return the sites whose pack has had its day before they come into service; they are not planned."""
    return [site.site_id for site in fleet.sites if outlook.sites[site.site_id].at_home]


def _without_fallback(fleet: Fleet) -> Fleet:
    return replace(fleet, plan=replace(fleet.plan, fallback_dates=0))


@pytest.mark.parametrize(
    ("change", "keep_fallback"),
    [
        pytest.param(_one_more_spare, True, id="one more spare"),
        pytest.param(_longer_day, False, id="a longer day"),
        pytest.param(_one_more_weekday, False, id="one more weekday"),
        pytest.param(_more_risk, False, id="more risk"),
    ],
)
@SEARCHES
def test_more_never_needs_more_trips(random_fleets, change: Change, keep_fallback, effort):
    compared = fewer = 0
    for seed in range(3000, 3028):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=3 + seed % 3)
        if change is _one_more_spare and not fleet.stock_is_kept:
            continue  # stock that is not kept does not limit
        fleet = fleet if keep_fallback else _without_fallback(fleet)
        changed = change(fleet, outlook)
        if _waiting(fleet, outlook) != _waiting(*changed):
            continue  # a site that a longer-lasting pack brings into the season is more to do
        before, after = _plan(fleet, outlook, effort), _plan(*changed, effort)
        if before.late_sites == 0:
            assert after.late_sites == 0, f"seed {seed}: more made a site late"
        if before.status is after.status is Status.PROVED:
            assert after.trip_count <= before.trip_count, f"seed {seed}"
            compared += 1
            fewer += after.trip_count < before.trip_count
    assert compared >= 8, f"only {compared} pairs of proved plans"


def _relabelled(fleet: Fleet, outlook: Outlook) -> tuple[Fleet, Outlook]:
    """Give every site another name and turn their order round."""
    new = {site.site_id: f"Z{99 - k}" for k, site in enumerate(fleet.sites)}
    sites = tuple(replace(site, site_id=new[site.site_id]) for site in reversed(fleet.sites))
    jobs = tuple(replace(job, site_id=new[job.site_id]) for job in fleet.jobs)
    legs = tuple(
        replace(
            leg,
            from_place=new.get(leg.from_place, leg.from_place),
            to_place=new.get(leg.to_place, leg.to_place),
        )
        for leg in fleet.legs
    )
    packs = fleet.packs and tuple(
        replace(pack, where=new.get(pack.where, pack.where)) for pack in fleet.packs
    )
    return replace(fleet, sites=sites, jobs=jobs, legs=legs, packs=packs), replace(
        outlook,
        sites={new[name]: replace(site, site_id=new[name]) for name, site in outlook.sites.items()},
        renewals={new[name]: replace(one, site_id=new[name]) for name, one in outlook.renewals.items()},
        dark_chance_in_place={new[name]: chance for name, chance in outlook.dark_chance_in_place.items()},
        dark_chance_by_age={new[name]: chance for name, chance in outlook.dark_chance_by_age.items()},
    )


@SEARCHES
def test_names_and_their_order_change_nothing(random_fleets, effort):
    """Stages 1 and 2 are equal where they are proved; stages 3 and 4 nearly always."""
    from brute_force import stage_values

    compared = same = 0
    for seed in range(3100, 3130):
        fleet, outlook = random_fleets.random_fleet(seed, n_sites=3 + seed % 3)
        relabelled, its_outlook = _relabelled(fleet, outlook)
        before, after = _plan(fleet, outlook, effort), _plan(relabelled, its_outlook, effort)
        assert (before.status is Status.NO_FULL_PLAN) == (after.status is Status.NO_FULL_PLAN), f"seed {seed}"
        if before.status is after.status is Status.PROVED:
            here, there = stage_values(before, fleet), stage_values(after, relabelled)
            assert here[:3] == there[:3], f"seed {seed}"
            compared += 1
            same += here == there
    assert compared >= 12
    assert same >= 0.9 * compared, f"stages 3 and 4 are equal in {same} of {compared}"


def test_the_changes_above_change_what_they_say(random_fleets):
    fleet, outlook = random_fleets.random_fleet(3002, n_sites=4)
    assert _longer_day(fleet, outlook)[0].crews[0].day_start_minute == fleet.crews[0].day_start_minute - 60
    assert 0 in _one_more_weekday(fleet, outlook)[0].crews[0].weekdays
    site = fleet.sites[0].site_id
    risky = _more_risk(fleet, outlook)[1]
    assert risky.sites[site].swap_by - outlook.sites[site].swap_by == timedelta(days=4)
    assert isinstance(risky.sites[site].swap_by, date)
    stocked = next(
        fleet for fleet, _ in (random_fleets.random_fleet(seed) for seed in range(20)) if fleet.stock_is_kept
    )
    name = next(iter(stocked.pack_types))
    more = _one_more_spare(stocked, outlook)[0]
    assert more.charged_on_shelf(name) == stocked.charged_on_shelf(name) + 1
