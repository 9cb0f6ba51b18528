from __future__ import annotations

import pickle

import networkx as nx
import numpy as np
import pytest

from tripplan.errors import InputError
from tripplan.fleet import Crew, DriveSettings, Leg
from tripplan.travel import DriveBasis, geodesic_m, measure_travel


def test_formula_is_geodesic_times_detour_over_speed(make_fleet, make_site):
    fleet = make_fleet(
        make_site("A", 52.1, -4.1), drive=DriveSettings(speed_kmh=40.0, detour=1.5, park_minutes=7.0)
    )
    travel = measure_travel(fleet)
    km = float(geodesic_m(52.0, -4.0, 52.1, -4.1)) / 1000 * 1.5
    base, park = travel.place_of_crew["home"], travel.place_of_site["A"]
    assert travel.drive_km[base, park] == pytest.approx(km, rel=1e-12)
    assert travel.drive_minutes[base, park] == pytest.approx(60 * km / 40, rel=1e-12)  # no park minutes
    assert travel.drive_minutes[park, base] == travel.drive_minutes[base, park]
    assert travel.drive_minutes.diagonal().tolist() == [0.0, 0.0]
    assert travel.basis_of(base, park) is DriveBasis.FORMULA


def test_given_leg_counts_both_ways_and_is_never_undercut(make_fleet, make_site):
    fleet = make_fleet(make_site("A", 52.001, -4.0), legs=(Leg("home", "A", 90.0, 55.0, row=2),))
    travel = measure_travel(fleet)
    assert travel.drive_minutes.tolist() == [[0.0, 90.0], [90.0, 0.0]]
    assert travel.drive_km.tolist() == [[0.0, 55.0], [55.0, 0.0]]
    assert travel.basis_of(1, 0) is DriveBasis.GIVEN_LEG


def test_reverse_row_stands(make_fleet, make_site):
    legs = (Leg("home", "A", 90.0, 55.0, row=2), Leg("A", "home", 70.0, row=3))
    travel = measure_travel(make_fleet(make_site("A", 52.001, -4.0), legs=legs))
    assert travel.drive_minutes.tolist() == [[0.0, 90.0], [70.0, 0.0]]
    assert travel.drive_km[0, 1] == 55.0
    assert travel.drive_km[1, 0] == pytest.approx(float(geodesic_m(52.0, -4.0, 52.001, -4.0)) / 1000 * 1.3)


def test_ferry_serves_a_through_journey(make_fleet, make_site):
    far = [make_site("A", 52.0, -3.0), make_site("B", 52.0, -2.0)]
    fleet = make_fleet(*far, legs=(Leg("home", "A", 20.0, 30.0), Leg("A", "B", 15.0, 12.0)))
    travel = measure_travel(fleet)
    assert travel.drive_minutes[0, 2] == travel.drive_minutes[2, 0] == 35.0
    assert travel.drive_km[0, 2] == 42.0
    assert travel.basis_of(0, 2) is DriveBasis.PATH_OF_LEGS


def test_formula_stands_where_the_path_is_slower(make_fleet, make_site):
    sites = [make_site("A", 52.0, -3.0), make_site("B", 52.001, -4.001)]
    fleet = make_fleet(*sites, legs=(Leg("home", "A", 200.0), Leg("A", "B", 200.0)))
    travel = measure_travel(fleet)
    assert travel.basis_of(0, 2) is DriveBasis.FORMULA
    assert travel.drive_minutes[0, 2] < 1.0


def test_paths_are_of_given_legs_only(make_fleet, make_site):
    # home - A is quick by leg, A - B close by formula: the two are not mixed for home - B
    sites = [make_site("A", 52.0, -3.0), make_site("B", 52.0, -3.001)]
    travel = measure_travel(make_fleet(*sites, legs=(Leg("home", "A", 1.0),)))
    assert travel.basis_of(0, 2) is DriveBasis.FORMULA
    assert travel.drive_minutes[0, 2] > 100.0


def test_one_way_rows_make_directed_paths(make_fleet, make_site):
    sites = [make_site("A", 52.0, -3.0), make_site("B", 52.0, -2.0)]
    legs = (
        Leg("home", "A", 20.0),
        Leg("A", "home", 25.0),
        Leg("A", "B", 15.0),
        Leg("B", "A", 30.0),
    )
    travel = measure_travel(make_fleet(*sites, legs=legs))
    assert (travel.drive_minutes[0, 2], travel.drive_minutes[2, 0]) == (35.0, 55.0)


@pytest.mark.parametrize(("by_a", "by_b"), [(9.0, 3.0), (3.0, 9.0)])
def test_equally_quick_paths_take_the_shorter(make_fleet, make_site, by_a, by_b):
    sites = [make_site(name, 52.0, -3.0 + k / 10) for k, name in enumerate("ABC")]
    legs = [Leg(*ends, 5.0, km) for ends, km in ((("home", "A"), by_a), (("A", "C"), by_a))]
    legs += [Leg(*ends, 5.0, km) for ends, km in ((("home", "B"), by_b), (("B", "C"), by_b))]
    for order in (legs, legs[::-1]):
        travel = measure_travel(make_fleet(*sites, legs=tuple(order)))
        assert (travel.drive_minutes[0, 3], travel.drive_km[0, 3]) == (10.0, 6.0)


def test_free_leg_of_zero_minutes_is_a_leg(make_fleet, make_site):
    sites = [make_site("A", 52.0, -3.0), make_site("B", 52.0, -2.0)]
    travel = measure_travel(make_fleet(*sites, legs=(Leg("home", "A", 0.0), Leg("A", "B", 0.0))))
    assert travel.drive_minutes.tolist() == [[0.0] * 3] * 3


def test_site_id_stands_for_its_parking(make_fleet, make_site):
    sites = [
        make_site("A", 52.11, -4.1, park_lat=52.1, park_lon=-4.1),
        make_site("B", 52.12, -4.1, park_lat=52.100001, park_lon=-4.1),
    ]
    travel = measure_travel(make_fleet(*sites, legs=(Leg("home", "B", 33.0),)))
    assert len(travel.places) == 2
    assert travel.places[1].site_ids == ("A", "B")
    assert travel.drive_minutes[0, travel.place_of_site["A"]] == 33.0


def test_base_and_parking_can_be_one_place(make_fleet, make_site):
    crews = (Crew("a", 52.0, -4.0), Crew("b", 52.000001, -4.0), Crew("c", 52.5, -4.0))
    travel = measure_travel(make_fleet(make_site("A", 52.0, -4.0), crews=crews, legs=(Leg("b", "c", 44.0),)))
    assert travel.place_of_crew == {"a": 0, "b": 0, "c": 1}
    assert travel.place_of_site == {"A": 0}
    assert travel.places[0].crew_names == ("a", "b")
    assert travel.drive_minutes[0, 1] == 44.0  # crew a starts at the same place as b


def test_rows_that_disagree_are_a_fault(make_fleet, make_site):
    sites = [make_site(name, 52.1, -4.1) for name in "AB"]
    legs = (Leg("home", "A", 30.0, row=2), Leg("home", "B", 40.0, row=5))
    with pytest.raises(InputError) as caught:
        measure_travel(make_fleet(*sites, legs=legs))
    assert str(caught.value) == (
        "legs.csv, rows 2, 5, column minutes: these rows give different minutes for one and the same drive "
        "(home to A; home to B) (found '30', '40'). Keep one of them."
    )


def test_the_same_row_twice_is_no_fault(make_fleet, make_site):
    legs = (Leg("home", "A", 30.0, row=2), Leg("home", "A", 30.0, 12.0, row=3))
    travel = measure_travel(make_fleet(make_site("A", 52.1, -4.1), legs=legs))
    assert (travel.drive_minutes[0, 1], travel.drive_km[0, 1]) == (30.0, 12.0)


def test_all_faults_of_legs_at_once(make_fleet, make_site):
    sites = [make_site("A", 52.1, -4.1), make_site("B", 52.1, -4.1), make_site("home", 52.3, -4.3)]
    legs = (
        Leg("A", "nowhere", 30.0, row=2),
        Leg("A", "B", 4.0, row=3),
        Leg("home", "A", 4.0, row=4),
    )
    with pytest.raises(InputError) as caught:
        measure_travel(make_fleet(*sites, legs=legs))
    assert str(caught.value).splitlines() == [
        (
            "legs.csv, row 2, column to: no site and no crew has this name (found 'nowhere'). "
            "Write a site_id or a crew's name."
        ),
        (
            "legs.csv, row 3, column minutes: A and B are the same place for the vehicle (found '4'). "
            "Remove the row, or correct the coordinates of one of them."
        ),
        (
            "legs.csv, row 4, column from: this name is both a site and a crew, at different places (found 'home'). "
            "Rename one of them."
        ),
    ]


def test_leg_to_a_site_set_aside_is_left_out_and_said(make_fleet, make_site):
    legs = (Leg("home", "OLD", 3.0, row=2), Leg("OLD", "A", 3.0, row=3))
    travel = measure_travel(make_fleet(make_site("A", 52.5, -4.1), legs=legs, set_aside=("OLD",)))
    assert travel.basis_of(0, 1) is DriveBasis.FORMULA
    assert travel.remarks == ("legs.csv, rows 2, 3: left out, because site OLD is set aside (in_use = no).",)


def test_a_crew_named_like_a_site_set_aside_keeps_its_legs(make_fleet, make_site):
    fleet = make_fleet(make_site("A", 52.5, -4.1), legs=(Leg("home", "A", 3.0),), set_aside=("home",))
    assert measure_travel(fleet).drive_minutes[0, 1] == 3.0


def test_best_paths_equal_networkx(make_fleet, make_site):
    rng = np.random.default_rng(5)
    names = [f"S{k}" for k in range(25)]
    sites = [make_site(name, 40.0 + 2 * k, -4.0) for k, name in enumerate(names)]
    pairs = {tuple(sorted(rng.choice(names, 2, replace=False).tolist())) for _ in range(45)}
    legs = tuple(Leg(a, b, float(rng.integers(1, 60))) for a, b in sorted(pairs))
    travel = measure_travel(make_fleet(*sites, legs=legs, drive=DriveSettings(speed_kmh=0.001)))
    graph = nx.Graph()
    graph.add_weighted_edges_from((leg.from_place, leg.to_place, leg.minutes) for leg in legs)
    seen = 0
    for a, lengths in nx.all_pairs_dijkstra_path_length(graph):
        for b, minutes in lengths.items():
            if a != b and not graph.has_edge(a, b):
                seen += 1
                here = travel.drive_minutes[travel.place_of_site[a], travel.place_of_site[b]]
                assert here == minutes
    assert seen > 100


def test_arrays_are_read_only_and_travel_can_be_sent_to_a_child_process(make_fleet, make_site):
    travel = measure_travel(make_fleet(make_site("A", 52.1, -4.1)))
    for array in (travel.drive_minutes, travel.drive_km, travel.walks[1].minutes, travel.walks[1].metres):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 1.0
    travel.walk_minutes(None, "A")
    again = pickle.loads(pickle.dumps(travel))
    assert np.array_equal(again.drive_minutes, travel.drive_minutes)
    assert again.walk_minutes(None, "A") == travel.walk_minutes(None, "A")


def test_fleet_without_sites_has_its_bases(make_fleet):
    travel = measure_travel(make_fleet())
    assert travel.drive_minutes.shape == (1, 1)


def test_four_hundred_sites_with_legs(make_fleet, make_site):
    rng = np.random.default_rng(1)
    sites = [make_site(f"S{k}", *rng.uniform((51, -5), (53, -3))) for k in range(400)]
    legs = tuple(Leg("home", f"S{k}", 60.0 + k) for k in range(200))
    travel = measure_travel(make_fleet(*sites, legs=legs))
    assert travel.drive_minutes.shape == (401, 401)
    assert np.isfinite(travel.drive_minutes).all()
