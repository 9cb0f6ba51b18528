"""Packs named for a plan: what the checker says of it, whatever the fleet."""

from __future__ import annotations

from dataclasses import replace

from tripplan.fleet import PackState
from tripplan.plan.check import check_document, check_plan
from tripplan.supply.arrange import arrange, next_trips


def test_the_checker_passes_every_plan_whose_packs_were_named(random_fleets, laid):
    named = late = topped = 0
    for seed in range(3000, 3120):
        season = laid(*random_fleets.random_fleet(seed))
        before = check_plan(*season.rests_on)
        assert before == (), f"seed {seed}"
        done = arrange(*season.rests_on)
        refused = check_document(season.fleet, season.outlook, season.travel, done.plan.to_json())
        assert refused == (), f"seed {seed}: {[str(one) for one in refused]}"
        named += len(done.assignments)
        late += bool(done.is_late and done.plan.charging)
        topped += sum(slot.top_up for slot in done.plan.charging)
    # the fleets must be such that there is something to check
    assert named > 30
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
