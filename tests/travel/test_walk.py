from __future__ import annotations

import pytest

from tripplan.errors import InputError
from tripplan.fleet import WalkSettings
from tripplan.travel import geodesic_m, measure_travel

PARK = {"park_lat": 52.1, "park_lon": -4.1}


def test_walk_to_a_site_and_back(make_fleet, make_site):
    site = make_site("A", 52.11, -4.1, **PARK, walk_m=1500.0, climb_m=120.0)
    travel = measure_travel(make_fleet(site, walk=WalkSettings(speed_factor=0.5)))
    assert travel.walk_m(None, "A") == travel.walk_m("A", None) == 1500.0
    assert travel.walk_minutes(None, "A") == pytest.approx((18.0 + 12.0) / 0.5)
    assert travel.walk_minutes("A", None) == pytest.approx(18.0 / 0.5)  # the same metres without climb


def test_walk_without_walk_m_is_geodesic_times_detour(make_fleet, make_site):
    travel = measure_travel(make_fleet(make_site("A", 52.11, -4.1, **PARK), walk=WalkSettings(detour=1.4)))
    metres = float(geodesic_m(52.1, -4.1, 52.11, -4.1)) * 1.4
    assert travel.walk_m(None, "A") == pytest.approx(metres, rel=1e-12)
    assert travel.walk_minutes(None, "A") == pytest.approx(60 * metres / 5000 / 0.7, rel=1e-12)


def test_walk_between_sites_climbs_the_rise(make_fleet, make_site):
    sites = [
        make_site("A", 52.11, -4.1, **PARK, climb_m=50.0, walk_m=9000.0),
        make_site("B", 52.12, -4.1, **PARK, climb_m=110.0),
    ]
    travel = measure_travel(make_fleet(*sites, walk=WalkSettings(speed_factor=1.0)))
    metres = float(geodesic_m(52.11, -4.1, 52.12, -4.1)) * 1.2
    assert travel.walk_m("A", "B") == travel.walk_m("B", "A") == pytest.approx(metres, rel=1e-12)
    assert travel.walk_minutes("A", "B") == pytest.approx(60 * (metres / 5000 + 60 / 600), rel=1e-12)
    assert travel.walk_minutes("B", "A") == pytest.approx(60 * metres / 5000, rel=1e-12)


def test_site_below_its_parking_is_remarked(make_fleet, make_site):
    site = make_site("A", 52.11, -4.1, **PARK, walk_m=1500.0, climb_m=-200.0, row=7)
    travel = measure_travel(make_fleet(site, walk=WalkSettings(speed_factor=1.0)))
    assert travel.walk_minutes(None, "A") == travel.walk_minutes("A", None) == pytest.approx(18.0)
    assert travel.remarks == (
        "Site A lies 200 m below its parking; the climb back is not counted. Allow for it in walk_m (sites.csv, row 7).",
    )


def test_nowhere_and_strangers(make_fleet, make_site):
    sites = [make_site("A", 52.11, -4.1, **PARK), make_site("B", 52.5, -4.1)]
    travel = measure_travel(make_fleet(*sites))
    assert travel.walk_minutes(None, None) == travel.walk_m(None, None) == 0.0
    assert travel.walk_minutes("A", "A") == travel.walk_minutes(None, "B") == 0.0
    with pytest.raises(ValueError, match="A and B do not share a parking"):
        travel.walk_minutes("A", "B")
    with pytest.raises(KeyError):
        travel.walk_m("Z", None)


@pytest.mark.parametrize(
    ("rule", "out", "back"),
    [
        # 6 km/h at best: 1 km at +20 % takes 60 / (6 exp(-3.5 x 0.25)), down -20 % 60 / (6 exp(-3.5 x 0.15))
        ("tobler", 23.988753, 16.904589),
        # 1 km: 15 min along; 200 m up 40 min, down 24 min; the larger and half of the smaller
        ("din33466", 47.5, 31.5),
        ("naismith", 32.0, 12.0),
    ],
)
def test_other_published_rules(make_fleet, make_site, rule, out, back):
    site = make_site("A", 52.11, -4.1, **PARK, walk_m=1000.0, climb_m=200.0)
    travel = measure_travel(make_fleet(site, walk=WalkSettings(rule=rule, speed_factor=0.8)))
    assert travel.walk_minutes(None, "A") == pytest.approx(out / 0.8, abs=1e-5)
    assert travel.walk_minutes("A", None) == pytest.approx(back / 0.8, abs=1e-5)


def test_unknown_rule_is_a_fault(make_fleet, make_site):
    with pytest.raises(InputError) as caught:
        measure_travel(make_fleet(make_site("A", 52.1, -4.1), walk=WalkSettings(rule="gallop")))
    assert str(caught.value) == (
        "tripplan.toml, setting walk.rule: no such walking rule (found 'gallop'). "
        "Write one of: naismith, tobler, din33466."
    )


def test_climb_over_no_distance_is_a_fault_for_tobler_only(make_fleet, make_site):
    site = make_site("A", 52.1, -4.1, climb_m=30.0, row=4)
    travel = measure_travel(make_fleet(site, walk=WalkSettings(speed_factor=1.0)))
    assert travel.walk_minutes(None, "A") == pytest.approx(3.0)
    with pytest.raises(InputError) as caught:
        measure_travel(make_fleet(site, walk=WalkSettings(rule="tobler")))
    assert str(caught.value) == (
        "sites.csv, row 4, column climb_m: the walking rule tobler needs metres for every climb, and a walk at this "
        "parking has none (found '30'). Give walk_m and exact coordinates, or take the rule naismith."
    )
