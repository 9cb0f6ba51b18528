"""What must hold for every fleet: legs are never undercut, names do not matter, formula drives keep the triangle."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from itertools import pairwise, permutations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripplan.fleet import AccessRule, Crew, Fleet, Leg, MonthDay, PackType, Site
from tripplan.travel import DriveBasis, measure_travel, open_spans

KINDS = {"SLA": PackType("SLA", 12.0, "5.5x2.1 centre +")}
NAMES = "ABCDEF"
ROUNDING = 1e-9  # minutes: sums of floats in another order


def latitudes(low=50.0, high=52.0):
    return st.floats(low, high).map(lambda value: round(value, 6))


@st.composite
def fleets(draw, *, with_legs=True):
    places = draw(st.lists(st.tuples(latitudes(), latitudes(-5, -3)), min_size=3, max_size=6, unique=True))
    sites = tuple(
        Site(name, lat, lon, "SLA", 12.0, "x", lat, lon)
        for name, (lat, lon) in zip(NAMES, places, strict=False)
    )
    names = ["home", *(site.site_id for site in sites)]
    pairs = draw(st.sets(st.sampled_from(list(permutations(names, 2))), max_size=10)) if with_legs else ()
    legs = tuple(
        Leg(a, b, draw(st.integers(0, 300)) / 2, draw(st.none() | st.integers(0, 90).map(float)), row=row)
        for row, (a, b) in enumerate(sorted(pairs), start=2)
    )
    fleet = Fleet("p", "Europe/London", (Crew("home", 53.0, -4.0),), sites, KINDS, legs=legs)
    keys = {site.parking_key for site in sites}
    if len(keys) < len(
        sites
    ):  # two sites at one parking could make legs that disagree: another test's matter
        return replace(fleet, legs=())
    return fleet


def index(travel, name):
    return travel.place_of_crew[name] if name in travel.place_of_crew else travel.place_of_site[name]


@settings(max_examples=80, deadline=None)
@given(fleets())
def test_given_legs_are_exact_and_the_rest_is_the_smaller_way(fleet):
    travel = measure_travel(fleet)
    plain = measure_travel(replace(fleet, legs=()))
    given_legs = {(leg.to_place, leg.from_place): leg for leg in fleet.legs}
    given_legs |= {(leg.from_place, leg.to_place): leg for leg in fleet.legs}
    graph = nx.DiGraph()
    for (a, b), leg in given_legs.items():
        graph.add_edge(index(travel, a), index(travel, b), weight=leg.minutes)
    for (a, b), leg in given_legs.items():
        here = index(travel, a), index(travel, b)
        assert travel.drive_minutes[here] == leg.minutes
        assert leg.km is None or travel.drive_km[here] == leg.km
        assert travel.basis_of(*here) is DriveBasis.GIVEN_LEG
    for a in range(len(travel.places)):
        paths = nx.single_source_dijkstra_path_length(graph, a) if a in graph else {a: 0.0}
        for b in range(len(travel.places)):
            if graph.has_edge(a, b):
                continue
            best = min(plain.drive_minutes[a, b], paths.get(b, np.inf))
            assert travel.drive_minutes[a, b] == pytest.approx(best, abs=ROUNDING)


@settings(max_examples=40, deadline=None)
@given(fleets(with_legs=False))
def test_formula_drives_keep_the_triangle(fleet):
    travel = measure_travel(fleet)
    minutes = travel.drive_minutes
    assert np.array_equal(minutes, minutes.T)
    # The geodesic is the shortest line; a nanometre of rounding is 1e-13 minutes.
    assert (minutes[:, None, :] <= minutes[:, :, None] + minutes[None, :, :] + ROUNDING).all()


@settings(max_examples=60, deadline=None)
@given(fleets(), st.randoms(use_true_random=False))
def test_order_and_names_do_not_matter(fleet, random):
    renamed = {site.site_id: f"site {site.site_id}" for site in fleet.sites} | {"home": "home"}
    sites = [replace(site, site_id=renamed[site.site_id]) for site in fleet.sites]
    legs = [
        replace(leg, from_place=renamed[leg.from_place], to_place=renamed[leg.to_place]) for leg in fleet.legs
    ]
    random.shuffle(sites)
    random.shuffle(legs)
    before, after = (
        measure_travel(fleet),
        measure_travel(replace(fleet, sites=tuple(sites), legs=tuple(legs))),
    )
    for a in renamed:
        for b in renamed:
            old, new = (
                (index(before, a), index(before, b)),
                (index(after, renamed[a]), index(after, renamed[b])),
            )
            assert before.drive_minutes[old] == pytest.approx(after.drive_minutes[new], abs=ROUNDING)
            assert before.basis_of(*old) is after.basis_of(*new)


@settings(max_examples=40, deadline=None)
@given(fleets(), st.integers(1, 20))
def test_another_leg_never_makes_other_drives_longer(fleet, minutes):
    named = {frozenset((leg.from_place, leg.to_place)) for leg in fleet.legs}
    extra = frozenset(("home", "A"))
    if extra in named or len({site.parking_key for site in fleet.sites}) < len(fleet.sites):
        return
    before = measure_travel(fleet)
    after = measure_travel(replace(fleet, legs=(*fleet.legs, Leg("home", "A", float(minutes)))))
    longer = after.drive_minutes > before.drive_minutes + ROUNDING
    longer[index(after, "home"), index(after, "A")] = longer[index(after, "A"), index(after, "home")] = False
    assert not longer.any()


clock_minutes = st.integers(0, 24 * 4).map(lambda quarter: quarter * 15)
month_days = st.dates(date(2028, 1, 1), date(2028, 12, 31)).map(lambda day: MonthDay(day.month, day.day))


@st.composite
def rules(draw):
    start, end = sorted(draw(st.lists(clock_minutes, min_size=2, max_size=2, unique=True)))
    return AccessRule(
        "gate",
        is_open=draw(st.booleans()),
        weekdays=draw(st.just(frozenset(range(7))) | st.frozensets(st.integers(0, 6), min_size=1)),
        from_minute=start,
        to_minute=end,
        season_from=draw(st.none() | month_days),
        season_to=draw(st.none() | month_days),
        crews=draw(st.sampled_from([(), ("home",), ("away",)])),
    )


@cache
def season_days(first, last):
    """The days of a season, counted off one by one from its first to its last; 29 February is the 28th."""
    first, last = ((2, 28) if bound == (2, 29) else bound for bound in (first, last))
    at, days = date(2027, *first), set()
    while True:
        days.add((at.month, at.day))
        if (at.month, at.day) == last:
            return days
        at = date(2027, 1, 1) if (at.month, at.day) == (12, 31) else at + timedelta(days=1)


def in_season(rule, day):
    first, last = rule.season_from or MonthDay(1, 1), rule.season_to or MonthDay(12, 31)
    here = (2, 28) if (day.month, day.day) == (2, 29) else (day.month, day.day)
    return here in season_days((first.month, first.day), (last.month, last.day))


@settings(max_examples=120, deadline=None)
@given(st.lists(rules(), min_size=1, max_size=5), st.dates(date(2027, 11, 1), date(2028, 3, 20)))
def test_spans_say_the_same_as_the_rows_minute_by_minute(rows, day):
    # Winter in London: no change of the clocks, so that a minute of the clock is a minute.
    site = Site("A", 52.0, -4.0, "SLA", 12.0, "x", 52.0, -4.0, access="gate")
    fleet = Fleet(
        "p", "Europe/London", (Crew("home", 53.0, -4.0),), (site,), KINDS, access={"gate": tuple(rows)}
    )
    spans = open_spans(fleet, site, "home", day)
    midnight = open_spans(fleet, replace(site, access=""), "home", day)[0][0]
    assert list(spans) == sorted(spans)
    assert all(start < end for start, end in spans)
    assert all(before[1] < after[0] for before, after in pairwise(spans))
    closed_only = not any(row.is_open for row in rows)
    today = [
        row
        for row in rows
        if day.weekday() in row.weekdays and row.crews in ((), ("home",)) and in_season(row, day)
    ]
    for quarter in range(96):
        minute = quarter * 15 + 7
        holding = [row for row in today if row.from_minute <= minute <= row.to_minute]
        expected = (closed_only or any(row.is_open for row in holding)) and all(
            row.is_open for row in holding
        )
        moment = midnight + minute * 60
        assert any(start <= moment <= end for start, end in spans) is expected
