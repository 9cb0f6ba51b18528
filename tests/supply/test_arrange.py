"""Packs named for a plan: what the checker says of it, whatever the fleet."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tripplan.fleet import PackState
from tripplan.plan.check import check_document, check_plan
from tripplan.supply.arrange import arrange, next_trips, packs_ahead
from tripplan.supply.assignment import assign_packs
from tripplan.supply.charging import ready_packs


def test_the_checker_passes_every_plan_whose_packs_were_named(random_fleets, laid):
    named = late = topped = ahead = 0
    for seed in range(3000, 3120):
        season = laid(*random_fleets.random_fleet(seed))
        before = check_plan(*season.rests_on)
        assert before == (), f"seed {seed}"
        done = arrange(*season.rests_on)
        refused = check_document(season.fleet, season.outlook, season.travel, done.plan.to_json())
        assert refused == (), f"seed {seed}: {[str(one) for one in refused]}"
        plan, trips = packs_ahead(season.fleet, season.outlook, season.travel, done, season.plan.to)
        refused = check_document(season.fleet, season.outlook, season.travel, plan.to_json())
        assert refused == (), f"seed {seed}, whole season: {[str(one) for one in refused]}"
        ahead += sum(len(one.assignments) for one in trips)
        named += len(done.assignments)
        late += bool(done.is_late and done.plan.charging)
        topped += sum(slot.top_up for slot in done.plan.charging)
    # the fleets must be such that there is something to check
    assert named > 30
    assert ahead > 2 * named
    assert late > 20


def test_nothing_but_names_and_charges_changes(valley):
    done = arrange(*valley.rests_on)

    def bare(plan):
        data = plan.to_json() | {"charging": []}
        for trip in data["trips"]:
            for stop in trip["stops"]:
                for loop in stop["loops"]:
                    for visit in loop["visits"]:
                        visit["pack_in"] = None
        return data

    assert bare(done.plan) == bare(valley.plan)
    again = arrange(valley.fleet, valley.outlook, valley.travel, done.plan)
    assert again.plan == done.plan  # naming twice names the same


def test_all_swaps_of_the_next_date_are_named_and_no_pack_twice(valley):
    done = arrange(*valley.rests_on)
    trips = next_trips(done.plan)
    swaps = [visit for trip in trips for visit in trip.visits if visit.swap]
    packs = [visit.pack_in for visit in swaps]
    assert None not in packs
    assert len(set(packs)) == len(packs)
    assert done.unnamed == ()
    later = [v for trip in done.plan.trips if trip.date > trips[0].date for v in trip.visits]
    assert all(visit.pack_in is None for visit in later)


def test_with_every_pack_suspect_nothing_is_named_and_no_spare_taken(valley):
    packs = tuple(
        replace(pack, state=PackState.SUSPECT) if pack.where == "shelf" else pack
        for pack in valley.fleet.packs
    )
    fleet = replace(valley.fleet, packs=packs)
    done = arrange(fleet, valley.outlook, valley.travel, valley.plan)
    assert done.assignments == ()
    assert len(done.unnamed) == sum(v.swap for trip in next_trips(done.plan) for v in trip.visits)
    for carry in done.carry.values():
        assert sum(carry.take.values()) == 0
        assert carry.chance < carry.asked
        assert any("stand charged" in line or "stands charged" in line for line in carry.limits)


def test_without_chargers_and_without_packs(valley):
    bare = replace(valley.fleet, chargers=())
    done = arrange(bare, valley.outlook, valley.travel, valley.plan)
    assert done.plan.charging == valley.plan.charging  # nothing was placed
    nobody = replace(valley.fleet, packs=None, chargers=())
    done = arrange(nobody, valley.outlook, valley.travel, replace(valley.plan, charging=()))
    assert done.assignments == ()
    assert done.register.records == ()
    assert all(sum(carry.take.values()) > 0 for carry in done.carry.values())


def test_a_plan_without_trips(valley):
    empty = replace(valley.plan, trips=(), charging=())
    done = arrange(valley.fleet, valley.outlook, valley.travel, empty)
    assert done.carry == {}
    assert done.assignments == ()
    # what stands flat is charged all the same
    flat = {pack.pack_id for pack in valley.fleet.packs if pack.where == "shelf" and pack.state == "flat"}
    assert flat <= {slot.pack_id for slot in done.plan.charging}


def _checked_ahead(fleet, valley):
    """Name every trip's packs; return them after the checker has passed the plan."""
    arranged = arrange(fleet, valley.outlook, valley.travel, valley.plan)
    plan, trips = packs_ahead(fleet, valley.outlook, valley.travel, arranged, valley.plan.to)
    assert check_plan(fleet, valley.outlook, valley.travel, plan) == ()
    return plan, trips


@pytest.mark.parametrize("chargers", [True, False])
def test_packs_of_the_whole_season_pass_the_checker(valley, chargers):
    fleet = valley.fleet
    if not chargers:
        fleet = replace(fleet, chargers=())
        valley = replace(valley, plan=replace(valley.plan, charging=()))
    plan, trips = _checked_ahead(fleet, valley)
    assert [one.trip.trip_id for one in trips] == [trip.trip_id for trip in valley.plan.trips]
    for one in trips:
        swaps = [visit.site_id for visit in one.trip.visits if visit.swap]
        assert sorted([*one.unnamed, *(each.site_id for each in one.assignments)]) == sorted(swaps)
        assert len({each.pack_id for each in one.assignments}) == len(one.assignments)
    # some pack comes back and goes out again
    names = [each.pack_id for one in trips for each in one.assignments]
    assert len(names) > len(set(names))
    in_place = {pack.pack_id for pack in fleet.packs if pack.where not in ("shelf", "")}
    assert in_place & set(names)
    unfit = {pack.pack_id for pack in fleet.packs if pack.state in ("suspect", "retired")}
    assert not unfit & set(names)
    assert {visit.pack_in for trip in plan.trips for visit in trip.visits if visit.pack_in} == set(names)


def test_each_date_of_the_season_takes_the_cheapest_choice_of_what_is_ready(valley):
    """What the first date leaves is what a season without it would offer on the second."""
    plan, trips = _checked_ahead(valley.fleet, valley)
    second = trips[1].trip.date
    ready = ready_packs(valley.fleet, plan, second)
    first = {one.pack_id for each in trips if each.trip.date < second for one in each.assignments}
    assert not first & ready
    records = arrange(valley.fleet, valley.outlook, valley.travel, valley.plan).register.by_id()
    of_date = tuple(trip for trip in plan.trips if trip.date == second)
    again = assign_packs(valley.fleet, valley.outlook, valley.travel, plan, of_date, records, ready)
    assert again == tuple(one for each in trips if each.trip.date == second for one in each.assignments)


def test_a_suspect_pack_in_place_is_not_put_in_again(valley):
    _, before = _checked_ahead(valley.fleet, valley)
    standing = {pack.pack_id for pack in valley.fleet.packs if pack.where not in ("shelf", "")}
    used = [one.pack_id for each in before for one in each.assignments if one.pack_id in standing]
    packs = tuple(
        replace(pack, state=PackState.SUSPECT) if pack.pack_id == used[0] else pack
        for pack in valley.fleet.packs
    )
    fleet = replace(valley.fleet, packs=packs)
    arranged = arrange(fleet, valley.outlook, valley.travel, valley.plan)
    _, after = packs_ahead(fleet, valley.outlook, valley.travel, arranged, valley.plan.to)
    assert used[0] not in {one.pack_id for each in after for one in each.assignments}
