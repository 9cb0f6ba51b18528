"""Spares to carry: the exact chance, the fewest that meet it, and what holds the number down."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripplan.fleet import Cause, Done, Found, VisitRecord
from tripplan.supply.arrange import next_trips
from tripplan.supply.carry import (
    BAD_PRIOR,
    FAULT_PRIOR,
    Need,
    TypeNeed,
    learn_rates,
    plan_spares,
    short_chance,
    trip_need,
)
from tripplan.supply.counts import Rate


def _listed(need, bad, fault, spares):
    """Sum over every outcome of packs, visits and sites on the way, with chances known for sure."""
    packs = need.planned + spares
    chances = [bad] * packs + [fault] * need.visits + [chance for _, chance in need.on_the_way]
    short = 0.0
    for outcome in itertools.product((0, 1), repeat=len(chances)):
        if sum(outcome) > spares:
            short += np.prod([c if o else 1 - c for c, o in zip(chances, outcome, strict=True)])
    return short


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 4),
    st.integers(0, 3),
    st.lists(st.floats(0.0, 1.0), max_size=3),
    st.floats(0.001, 0.5),
    st.floats(0.001, 0.5),
    st.integers(0, 3),
)
def test_the_chance_is_that_of_listing_every_outcome(planned, visits, way, bad, fault, spares):
    need = TypeNeed("A", planned, visits, tuple((str(k), chance) for k, chance in enumerate(way)))
    sure = 1e9
    short, lack = short_chance(
        need, Rate(bad * sure, (1 - bad) * sure), Rate(fault * sure, (1 - fault) * sure), spares
    )
    assert short == pytest.approx(_listed(need, bad, fault, spares), abs=1e-6)
    assert lack >= short - 1e-9  # where one is missing, at least one is missing


def test_not_knowing_the_chance_asks_for_more_than_knowing_it():
    need = TypeNeed("A", 10, 0, ())
    none = Rate(0.0, 1.0)
    sure, _ = short_chance(need, Rate(2e7, 98e7), none, 1)
    doubtful, _ = short_chance(need, Rate(1.0, 49.0), none, 1)
    assert doubtful > sure


def test_the_fewest_spares_are_the_fewest(valley):
    """Against every way to spread spares over the types."""
    trip = next_trips(valley.plan)[0]
    need = trip_need(*valley.rests_on, trip)
    roomy = replace(valley.fleet, crews=tuple(replace(c, packs_aboard=60) for c in valley.fleet.crews))
    for asked in (0.5, 0.8, 0.95, 0.99, 0.999):
        found = plan_spares(roomy, need, trip, None, asked)
        assert found.chance >= asked
        assert found.take == found.wanted
        names = list(found.curves)
        total = sum(found.take.values())
        for spread in itertools.product(range(total + 1), repeat=len(names)):
            chance = np.prod([found.curves[n][k] for n, k in zip(names, spread, strict=True)])
            if sum(spread) < total:
                assert chance < asked
            elif sum(spread) == total:
                assert chance <= found.chance + 1e-12  # the surest of the fewest


def test_room_and_shelf_hold_the_number_down_and_it_says_so(valley):
    trip = next_trips(valley.plan)[0]
    need = trip_need(*valley.rests_on, trip)
    planned = sum(trip.packs.values())
    full = replace(valley.fleet, crews=tuple(replace(c, packs_aboard=planned) for c in valley.fleet.crews))
    found = plan_spares(full, need, trip, None, 0.99)
    assert sum(found.take.values()) == 0 < sum(found.wanted.values())
    assert any(f"The vehicle holds {planned} packs" in line for line in found.limits)
    bare = plan_spares(valley.fleet, need, trip, dict.fromkeys(valley.fleet.pack_types, 0), 0.99)
    assert sum(bare.take.values()) == 0
    assert bare.chance < 0.99 <= bare.chance_wanted
    short_of_stock = plan_spares(
        valley.fleet, need, trip, {"SLA12": -3}, 0.99
    )  # fewer than planned: no spare
    assert short_of_stock.take["SLA12"] == 0


def test_no_spare_is_carried_on_foot_beyond_the_limit(valley):
    trip = next_trips(valley.plan)[0]
    need = trip_need(*valley.rests_on, trip)
    weak = replace(valley.fleet, crews=tuple(replace(c, carry_kg=0.1) for c in valley.fleet.crews))
    found = plan_spares(weak, need, trip, None, 0.999)
    loops = sum(len(stop.loops) for stop in trip.stops)
    assert sum("fits on the back" in line for line in found.limits) == loops


def test_rates_are_counted_from_the_records(valley):
    day = date(2026, 1, 10)

    def visit(shift, site, **what):
        return VisitRecord(day + timedelta(days=shift), site, **({"found": Found.RUNNING} | what))

    swap = {"done": Done.SWAPPED}
    visits = (
        visit(0, "C1", **swap),
        visit(10, "C1", found=Found.DARK, cause=Cause.FLAT, **swap),  # went in ten days before: bad
        visit(100, "C1", found=Found.DARK, cause=Cause.FLAT, **swap),  # ran ninety days: worn down, not bad
        visit(0, "C2", **swap),
        visit(60, "C2", found=Found.DARK, cause=Cause.CORD, done=Done.REPAIRED),
        visit(70, "C2", found=None, done=None),  # says nothing
    )
    bad, fault = learn_rates(replace(valley.fleet, visits=visits))
    assert bad == BAD_PRIOR.seen(1, 3)
    assert fault == FAULT_PRIOR.seen(1, 5)
    assert learn_rates(replace(valley.fleet, visits=())) == (BAD_PRIOR, FAULT_PRIOR)


def test_only_sites_within_the_detour_are_on_the_way(valley):
    trip = next_trips(valley.plan)[0]
    counts = []
    for minutes in (0.0, 15.0, 60.0, 1e6):
        fleet = replace(valley.fleet, spares=replace(valley.fleet.spares, detour_minutes=minutes))
        need = trip_need(fleet, valley.outlook, valley.travel, valley.plan, trip)
        counts.append(sum(len(one.on_the_way) for one in need.types))
    assert counts == sorted(counts)
    swaps = {visit.site_id for visit in trip.visits if visit.swap}
    assert counts[-1] == len(valley.fleet.sites) - len(swaps)
    assert {site for one in need.types for site, _ in one.on_the_way}.isdisjoint(swaps)


def test_a_trip_that_needs_nothing(valley):
    trip = next_trips(valley.plan)[0]
    found = plan_spares(valley.fleet, Need((), BAD_PRIOR, FAULT_PRIOR), trip, None)
    assert (found.take, found.chance, found.curves) == ({}, 1.0, {})
