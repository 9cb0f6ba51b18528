"""The bundled demo is what its README says: believable, invented, and not yet in trouble."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from pathlib import Path

import pytest
from geopy.distance import geodesic

import tripplan
from tripplan.fleet import SHELF, Cause, Chemistry, Done, Found, PackState
from tripplan.forecast import forecast_fleet
from tripplan.travel import open_spans

DEMO = Path(tripplan.__file__).parent / "demo"
DEMO_TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def outlook(valley_fleet):
    return forecast_fleet(valley_fleet, DEMO_TODAY)


def test_it_is_marked_as_invented(valley_fleet):
    assert "(invented)" in valley_fleet.name
    assert "invented" in (DEMO / "README.md").read_text("utf-8").splitlines()[0]
    assert "invented" in (DEMO / "tripplan.toml").read_text("utf-8").splitlines()[0]


def test_four_glens_and_shared_parkings(valley_fleet):
    assert len(valley_fleet.sites) == 26
    assert valley_fleet.set_aside == ("M8",)
    assert {site.site_id[0] for site in valley_fleet.sites} == set("CTUM")
    parkings = Counter(site.parking_key for site in valley_fleet.sites)
    assert len(parkings) == 11
    assert sorted(parkings.values()) == [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4]


def test_walks_are_as_long_as_the_ground_makes_them(valley_fleet):
    for site in valley_fleet.sites:
        straight = geodesic((site.park_lat, site.park_lon), (site.lat, site.lon)).m
        assert site.walk_m is not None
        assert 150 <= site.walk_m <= 1800
        assert 1.05 * straight <= site.walk_m <= 1.45 * straight
        assert abs(site.climb_m) < 0.2 * site.walk_m
        assert site.find


def test_packs_fit_and_two_sites_have_a_converter(valley_fleet):
    with_converter = {site.site_id for site in valley_fleet.sites if site.converter_volts is not None}
    assert with_converter == {"U2", "M2"}
    six_volts = {site.site_id for site in valley_fleet.sites if site.takes_volts == 6.0}
    assert six_volts == {"T2", "T4", "M3"}
    for site in valley_fleet.sites:
        kind = valley_fleet.pack_types[site.pack_type]
        assert kind.volts == site.takes_volts
        assert kind.plug == site.plug
    kinds = Counter(valley_fleet.pack_types[site.pack_type].chemistry for site in valley_fleet.sites)
    assert kinds == {Chemistry.SEALED_LEAD_ACID: 23, Chemistry.LITHIUM_IRON_PHOSPHATE: 3}


def test_every_site_holds_a_pack_that_came_at_its_last_swap(valley_fleet):
    for site in valley_fleet.sites:
        swaps = [
            visit
            for visit in valley_fleet.visits
            if visit.site_id == site.site_id and visit.done in {Done.SWAPPED, Done.INSTALLED}
        ]
        last = max(swaps, key=lambda visit: visit.day)
        place = valley_fleet.in_place[site.site_id]
        assert place.pack is not None
        assert (place.pack.pack_id, place.since, place.pack.state) == (
            last.pack_in,
            last.day,
            PackState.IN_USE,
        )


def test_no_pack_is_in_two_places_at_once(valley_fleet):
    where = {}
    for visit in sorted(valley_fleet.visits, key=lambda visit: (visit.day, visit.row)):
        if visit.pack_out:
            assert where.pop(visit.pack_out) == visit.site_id
        if visit.pack_in:
            assert visit.pack_in not in where
            where[visit.pack_in] = visit.site_id
    packs = {pack.pack_id: pack for pack in valley_fleet.packs}
    assert where == {pack.pack_id: pack.where for pack in packs.values() if pack.where != SHELF}
    for visit in valley_fleet.visits:
        if visit.pack_in:
            assert packs[visit.pack_in].bought < visit.day


def test_stock_as_the_readme_counts_it(valley_fleet):
    shelf = [pack for pack in valley_fleet.packs if pack.where == SHELF]
    assert Counter((pack.pack_type, str(pack.state)) for pack in shelf) == {
        ("SLA12", "charged"): 4,
        ("SLA12", "charging"): 1,
        ("SLA12", "flat"): 4,
        ("SLA12", "suspect"): 2,
        ("SLA12", "retired"): 1,
        ("SLA6", "charged"): 1,
        ("SLA6", "flat"): 1,
        ("LFP12", "charged"): 1,
    }


def test_history_is_believable(valley_fleet):
    visits = valley_fleet.visits
    assert len(visits) == 92
    assert min(visit.day for visit in visits) >= DEMO_TODAY - timedelta(days=2 * 366)
    assert max(visit.day for visit in visits) < DEMO_TODAY
    assert {visit.day.weekday() for visit in visits} == {5, 6}
    dark = Counter(visit.cause for visit in visits if visit.found is Found.DARK)
    assert dark[Cause.FLAT] >= 3
    assert dark[Cause.CORD] == dark[Cause.UNKNOWN] == dark[Cause.WATER] == 1
    blank = sum(visit.volts_out is None for visit in visits)
    assert 0.2 < blank / len(visits) < 0.7
    for visit in visits:
        if visit.cause is Cause.FLAT and visit.volts_out is not None:
            assert visit.volts_out < 11.9


def test_nobody_went_where_it_was_closed(valley_fleet):
    for visit in valley_fleet.visits:
        site = valley_fleet.sites_by_id[visit.site_id]
        crews = [crew.name for crew in valley_fleet.crews]
        assert any(open_spans(valley_fleet, site, crew, visit.day) for crew in crews), (
            visit.site_id,
            visit.day,
        )


def test_nothing_is_overdue_and_one_site_sets_the_first_date(valley_fleet, outlook):
    assert all(forecast.swap_by >= DEMO_TODAY + timedelta(days=7) for forecast in outlook.sites.values())
    first = min(outlook.sites.values(), key=lambda forecast: forecast.swap_by)
    assert first.site_id == "U6"
    site = valley_fleet.sites_by_id["U6"]
    days = [DEMO_TODAY + timedelta(days=step) for step in range((first.swap_by - DEMO_TODAY).days + 1)]
    open_days = [
        day for day in days if day.weekday() >= 5 and open_spans(valley_fleet, site, "Merrin van", day)
    ]
    assert len(open_days) <= 2
    assert {day.weekday() for day in open_days} == {6}


def test_closures_bite(valley_fleet, outlook):
    """C1, C3 and M7 fall due while they are shut, so they must be visited before."""
    for site_id in ("C1", "C3", "M7"):
        site = valley_fleet.sites_by_id[site_id]
        due = outlook.sites[site_id].swap_by
        assert not open_spans(valley_fleet, site, "Merrin van", due), site_id
        assert due < outlook.to


def test_the_dates_rest_on_several_kinds_of_evidence(outlook):
    bases = Counter(str(forecast.basis) for forecast in outlook.sites.values())
    assert bases["given date"] == 1
    assert len(bases) >= 3


def test_jobs_and_dates(valley_fleet):
    open_jobs = {site_id: [job.job for job in jobs] for site_id, jobs in valley_fleet.open_jobs.items()}
    assert set(open_jobs) == {"T3", "M5", "C4", "U1"}
    assert valley_fleet.open_jobs["T3"][0].due_by == date(2026, 12, 20)
