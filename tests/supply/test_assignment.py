"""Which pack to which site: exact, and the strong ones where they are needed."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date

import networkx as nx
import numpy as np
import pytest

from tripplan.fleet import Pack
from tripplan.supply.assignment import assign_packs, dark_days, least_cost
from tripplan.supply.register import build_register


@pytest.mark.parametrize("shape", [(1, 1), (3, 3), (4, 6), (6, 4), (5, 7)])
def test_no_other_choice_is_cheaper(shape):
    """Against every choice there is, for small matrices with many equal costs."""
    rng = np.random.default_rng(sum(shape))
    for _ in range(30):
        costs = rng.integers(0, 6, size=shape)
        rows, columns = shape
        found = least_cost(costs)
        assert len(found) == min(shape)
        total = sum(costs[row, column] for row, column in found)
        if rows <= columns:
            choices = (zip(range(rows), p, strict=True) for p in itertools.permutations(range(columns), rows))
        else:
            choices = (
                zip(p, range(columns), strict=True) for p in itertools.permutations(range(rows), columns)
            )
        assert total == min(sum(costs[r, c] for r, c in choice) for choice in choices)


def test_it_agrees_with_another_librarys_matching():
    """networkx finds a full matching of least weight by another algorithm."""
    rng = np.random.default_rng(7)
    for size in (8, 25, 60):
        costs = rng.integers(0, 10**9, size=(size, size))
        graph = nx.Graph()
        for row in range(size):
            for column in range(size):
                graph.add_edge(("r", row), ("c", column), weight=int(costs[row, column]))
        matched = nx.bipartite.minimum_weight_full_matching(graph, [("r", row) for row in range(size)])
        other = sum(int(costs[row, matched["r", row][1]]) for row in range(size))
        assert sum(int(costs[row, column]) for row, column in least_cost(costs)) == other


def _healths(season, healths):
    """Give the shelf one lead-acid pack for each health, tested that day."""
    name = "SLA12"
    kind = season.fleet.pack_types[name]
    others = tuple(pack for pack in season.fleet.packs if pack.where != "shelf" or pack.pack_type != name)
    new = tuple(
        Pack(f"H{k}", name, tested_ah=share * kind.capacity_ah, tested_on=season.outlook.on)
        for k, share in enumerate(healths)
    )
    fleet = replace(season.fleet, packs=others + new)
    register = build_register(fleet, replace(season.outlook, packs={}))
    return fleet, register, name


def _largest(season):
    """Return the trip with the most swaps of the type."""
    return (max(season.plan.trips, key=lambda trip: trip.packs.get("SLA12", 0)),)


def _assigned(season, fleet, register):
    ready = frozenset(pack.pack_id for pack in fleet.packs if pack.where == "shelf")
    return assign_packs(
        fleet, season.outlook, season.travel, season.plan, _largest(season), register.by_id(), ready
    )


def test_the_choice_made_suffers_least_of_all(valley):
    """The whole of it by hand: every way to give the packs to the sites, with the dark days of each."""
    healths = (0.65, 0.72, 0.8, 0.95, 1.0, 1.05)
    fleet, register, name = _healths(valley, healths)
    trips = _largest(valley)
    chosen = [one for one in _assigned(valley, fleet, register) if one.pack_type == name]
    strengths = {record.pack.pack_id: record.health for record in register.records}
    assert len(chosen) >= 3
    sites = [(one.site_id, one.days, one.trip_id) for one in chosen]
    day = {trip.trip_id: trip.date for trip in trips}

    def suffered(packs):
        return sum(
            dark_days(valley.outlook, site, day[trip], days, strengths[pack] / _usual(fleet, name))[0]
            for (site, days, trip), pack in zip(sites, packs, strict=True)
        )

    pool = [record.pack.pack_id for record in register.records if record.pack.pack_id.startswith("H")]
    best = min(suffered(packs) for packs in itertools.permutations(pool, len(sites)))
    assert suffered([one.pack_id for one in chosen]) == pytest.approx(best, abs=1e-4 * len(sites))


def _usual(fleet, name):
    from tripplan.forecast.basis import pack_health
    from tripplan.forecast.battery import battery_of

    kind = fleet.pack_types[name]
    return pack_health(fleet, kind, None, battery_of(kind), date(2026, 11, 25))[0]


def test_a_pack_under_the_limit_goes_only_where_there_is_no_other(valley):
    fleet, register, name = _healths(valley, (0.4, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9))
    assert "H0" not in {one.pack_id for one in _assigned(valley, fleet, register)}
    fleet, register, name = _healths(valley, (0.4,))
    only = [one for one in _assigned(valley, fleet, register) if one.pack_type == name]
    assert [one.pack_id for one in only] == ["H0"]
    assert only[0].because.endswith("the only one ready")


def test_a_weaker_pack_is_dark_sooner_and_a_longer_wait_is_darker(valley):
    site = valley.outlook.sites.keys().__iter__().__next__()
    on = valley.outlook.on
    by_strength = [dark_days(valley.outlook, site, on, 150, s)[0] for s in (0.5, 0.7, 0.9, 1.0, 1.1)]
    assert by_strength == sorted(by_strength, reverse=True)
    assert by_strength[0] > by_strength[-1]
    by_days = [dark_days(valley.outlook, site, on, days, 0.9)[0] for days in (0, 30, 90, 150)]
    assert by_days == sorted(by_days)
    assert by_days[0] == 0.0


def test_every_line_says_why(valley):
    fleet, register, _ = _healths(valley, (0.62, 0.7, 0.8, 0.9, 1.0, 1.05, 1.05, 1.05))
    for one in _assigned(valley, fleet, register):
        assert "of rated by" in one.because
        assert f"must last {one.days} days" in one.because or "only one ready" in one.because
        assert one.dark_chance <= one.dark_chance_weakest + 1e-12
