"""What a swap brings back: no spare where packs.csv says so, and its own type where that is another."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tripplan.fleet import Pack, PackState
from tripplan.plan import plan_season
from tripplan.plan.check import check_plan
from tripplan.travel import measure_travel


def _fleet(tiny_fleet, *odd, chargers=True):
    """Two charged packs of 12 V and one of 6 V on the shelf, a good pack of its type at each site."""
    there = [
        Pack(f"R{site.site_id}", site.pack_type, where=site.site_id, state=PackState.IN_USE)
        for site in tiny_fleet.sites
    ]
    shelf = (Pack("Q1", "SLA12"), Pack("Q2", "SLA12"), Pack("Q9", "SLA6"))
    packs = {pack.pack_id: pack for pack in (*there, *shelf)} | {pack.pack_id: pack for pack in odd}
    return replace(tiny_fleet, packs=tuple(packs.values()), chargers=tiny_fleet.chargers if chargers else ())


def _planned(fleet, outlook):
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
    assert check_plan(fleet, outlook, travel, plan) == ()
    return plan


def _refused(fleet, outlook, plan):
    return [(str(one.rule), one.text) for one in check_plan(fleet, outlook, measure_travel(fleet), plan)]


@pytest.mark.parametrize("state", [PackState.SUSPECT, PackState.RETIRED])
@pytest.mark.parametrize("chargers", [True, False])
def test_a_plan_that_counts_on_packs_which_are_no_spares_is_refused(
    tiny_fleet, tiny_outlook, chargers, state
):
    """Two packs go in at A1 and A2 in March; without theirs none is left for B1 in April."""
    good = _fleet(tiny_fleet, chargers=chargers)
    plan = _planned(good, tiny_outlook)
    odd = [replace(pack, state=state) for pack in good.packs if pack.where in ("A1", "A2")]
    one, both = _fleet(tiny_fleet, odd[0], chargers=chargers), _fleet(tiny_fleet, *odd, chargers=chargers)
    if chargers:
        # both were to be charged; one of the charges that the plan holds has no pack
        assert {rule for rule, _ in _refused(one, tiny_outlook, plan)} == {"charging"}
    else:
        assert _refused(one, tiny_outlook, plan) == []
        assert _refused(both, tiny_outlook, plan) == [
            ("stock", "1 put in; 2 on the shelf + 0 charged since - 2 used before = 0 charged packs")
        ]
    assert _planned(one, tiny_outlook).status == "proved"
    # what stood at B1 is good: the plan goes there early enough to use it again
    assert _planned(both, tiny_outlook).status == "proved"
    last = replace(good.packs[2], state=state)
    late = _planned(_fleet(tiny_fleet, *odd, last, chargers=chargers), tiny_outlook)
    assert len(late.unserved) == 1
    assert late.unserved[0].site_id in ("A1", "A2", "B1")


@pytest.mark.parametrize("chargers", [True, False])
def test_a_pack_of_another_type_feeds_its_own_shelf(tiny_fleet, tiny_outlook, chargers):
    """The only good pack of 6 V stands at A1, which wants 12 V; it comes back for B2."""
    odd = (
        Pack("RA1", "SLA6", where="A1", state=PackState.IN_USE),
        Pack("Q9", "SLA6", state=PackState.SUSPECT),
    )
    fleet = _fleet(tiny_fleet, *odd, chargers=chargers)
    plan = _planned(fleet, tiny_outlook)
    assert (plan.status, plan.trip_count) == ("proved", 2)
    without = _fleet(tiny_fleet, odd[1], chargers=chargers)
    assert {rule for rule, _ in _refused(without, tiny_outlook, plan)} == {
        "charging" if chargers else "stock"
    }
    assert [one.site_id for one in _planned(without, tiny_outlook).unserved] == ["B2"]
