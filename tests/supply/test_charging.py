"""Charges placed late: ready the evening before, nothing flat for long, by name."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from tripplan.fleet import Charger, Chemistry, Pack, PackState
from tripplan.plan.document import ChargeSlot, Loop, Plan, Status, Stop, Trip, Visit
from tripplan.supply.charging import plan_charging, ready_packs

FIRST = date(2027, 3, 1)


def _plan(fleet, *dates_sites, pack_in=None):
    """Return a plan of bare trips; only dates, sites and types matter here."""
    trips = []
    for day, site_ids in dates_sites:
        at = datetime(day.year, day.month, day.day, 10, tzinfo=fleet.zone)
        visits = tuple(
            Visit(
                s, at, at, at, day, day, day, day, day, fleet.sites_by_id[s].pack_type, (pack_in or {}).get(s)
            )
            for s in site_ids
        )
        stop = Stop(0.0, 0.1, at, at, (Loop(at, at, 0.0, 0.0, visits),))
        packs: dict[str, int] = {}
        for visit in visits:
            packs[visit.pack_type] = packs.get(visit.pack_type, 0) + 1
        trips.append(Trip(f"{day}-A", day, "North", at, at, 0.0, 0.0, 0.0, 0.0, 0.0, packs, (stop,)))
    return Plan(
        "tiny", FIRST, FIRST, FIRST + timedelta(weeks=26), 0.05, 1, Status.BEST_FOUND, 0, tuple(trips)
    )


def _fleet(tiny_fleet, packs, *chargers):
    return replace(
        tiny_fleet, packs=tuple(packs), chargers=chargers or (Charger(("SLA12", "SLA6"), 12.0, 1),)
    )


def _hours(slots):
    return [(slot.pack_id, f"{slot.on:%m-%d %H:%M}", f"{slot.off:%m-%d %H:%M}") for slot in slots]


def _lfp(tiny_fleet):
    """Make A1 and A2 take lithium packs, which may wait longer before they are charged."""
    sites = tuple(
        replace(site, pack_type="LFP12") if site.site_id.startswith("A") else site
        for site in tiny_fleet.sites
    )
    return replace(tiny_fleet, sites=sites)


def test_lithium_is_charged_the_evening_before_the_evening_before(tiny_fleet):
    """A trip on Saturday 20 March: on at Thursday 18:00, off Friday 06:00, ready on Friday evening."""
    packs = [Pack("L1", "LFP12", since=FIRST, state=PackState.FLAT)]
    fleet = replace(_fleet(_lfp(tiny_fleet), packs, Charger(("LFP12",), 12.0, 1)))
    done = plan_charging(fleet, _plan(fleet, (date(2027, 3, 20), ["A1"])), {})
    assert done.is_late
    assert _hours(done.slots)[0] == ("L1", "03-18 18:00", "03-19 06:00")


def test_flat_lead_acid_waits_no_longer_than_a_week(tiny_fleet):
    packs = [
        Pack("P1", "SLA12", since=FIRST, state=PackState.FLAT),
        Pack("P2", "SLA12", since=FIRST - timedelta(days=60), state=PackState.FLAT),
    ]
    fleet = _fleet(tiny_fleet, packs)
    done = plan_charging(fleet, _plan(fleet, (date(2027, 4, 24), ["A1"])), {})
    by_pack = {slot.pack_id: slot.on.date() for slot in done.slots}
    assert by_pack["P2"] == FIRST  # it has stood flat for two months: tonight
    assert FIRST < by_pack["P1"] <= FIRST + timedelta(days=7)


def test_one_charger_with_two_types_spreads_the_evenings(tiny_fleet):
    packs = [Pack(f"L{k}", "LFP12", since=FIRST, state=PackState.FLAT) for k in range(3)]
    fleet = _fleet(_lfp(tiny_fleet), packs, Charger(("LFP12",), 12.0, 1))
    day = date(2027, 3, 20)
    done = plan_charging(fleet, _plan(fleet, (day, ["A1", "A2"])), {"LFP12": 1})
    before = [slot for slot in done.slots if slot.off.date() <= day]
    assert len(before) == 3  # two planned and one spare
    assert len({slot.on.date() for slot in before}) == 3
    assert max(slot.off for slot in before) <= datetime(2027, 3, 19, 18, tzinfo=fleet.zone)


def test_what_comes_back_is_charged_for_the_trip_after_by_name(tiny_fleet):
    packs = [
        Pack("P1", "SLA12"),
        Pack("P9", "SLA12", where="A1", since=FIRST - timedelta(days=90), state=PackState.IN_USE),
    ]
    fleet = _fleet(tiny_fleet, packs)
    plan = _plan(fleet, (date(2027, 3, 6), ["A1"]), (date(2027, 4, 24), ["A2"]), pack_in={"A1": "P1"})
    done = plan_charging(fleet, plan, {})
    first = done.slots[0]
    assert first.pack_id == "P9"
    assert first.on >= datetime(2027, 3, 6, 18, tzinfo=fleet.zone)
    assert first.off <= datetime(2027, 3, 14, 6, tzinfo=fleet.zone)


def test_a_pack_that_stood_all_winter_is_topped_up_before_its_trip(tiny_fleet):
    old = Pack("P1", "SLA12", since=FIRST - timedelta(days=150))
    new = Pack("P2", "SLA12", since=FIRST - timedelta(days=10))
    fleet = _fleet(tiny_fleet, [old, new], Charger(("SLA12",), 12.0, 1, amps=0.7))
    plan = _plan(fleet, (date(2027, 3, 20), ["A1", "A2"]), pack_in={"A1": "P1", "A2": "P2"})
    ups = [slot for slot in plan_charging(fleet, plan, {}).slots if slot.top_up]
    assert [slot.pack_id for slot in ups] == ["P1"]
    # a quarter of 7 Ah, back with 1.1 at 0.7 A
    assert (ups[0].off - ups[0].on).total_seconds() / 3600 == pytest.approx(7.0 * 0.25 * 1.1 / 0.7, abs=0.01)
    assert ups[0].off <= datetime(2027, 3, 20, 6, tzinfo=fleet.zone)


def test_too_much_for_the_chargers_keeps_the_season_plans_own_charges(tiny_fleet):
    packs = [Pack(f"P{k}", "SLA12", since=FIRST, state=PackState.FLAT) for k in range(3)]
    fleet = _fleet(tiny_fleet, packs)
    evening = datetime(2027, 3, 1, 18, tzinfo=fleet.zone)
    own = ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=12))
    plan = replace(_plan(fleet, (date(2027, 3, 2), ["A1", "A2", "B1"])), charging=(own,))
    done = plan_charging(fleet, plan, {})
    assert not done.is_late
    assert [(slot.on, slot.pack_id) for slot in done.slots] == [(evening, "P0")]


def test_a_charger_never_gets_another_type(tiny_fleet):
    packs = [Pack("S1", "SLA6", since=FIRST, state=PackState.FLAT), Pack("P1", "SLA12", state=PackState.FLAT)]
    fleet = _fleet(tiny_fleet, packs, Charger(("SLA6",), 12.0, 1))
    done = plan_charging(fleet, _plan(fleet, (date(2027, 3, 20), ["B2"])), {})
    assert {slot.pack_type for slot in done.slots} == {"SLA6"}


def test_nothing_is_placed_without_chargers_or_a_shelf(tiny_fleet):
    plan = _plan(tiny_fleet, (date(2027, 3, 20), ["A1"]))
    assert plan_charging(replace(tiny_fleet, chargers=()), plan, {}).slots == ()
    bare = replace(
        tiny_fleet,
        pack_types={name: replace(kind, shelf_charged=None) for name, kind in tiny_fleet.pack_types.items()},
    )
    assert plan_charging(bare, plan, {}).slots == ()


def test_packs_ready_on_a_morning(tiny_fleet):
    packs = [
        Pack("P1", "SLA12"),
        Pack("P2", "SLA12", since=FIRST, state=PackState.FLAT),
        Pack("P3", "SLA12", state=PackState.SUSPECT),
        Pack("P4", "SLA12", where="A1", since=FIRST, state=PackState.IN_USE),
    ]
    fleet = _fleet(tiny_fleet, packs)
    evening = datetime(2027, 3, 5, 18, tzinfo=fleet.zone)
    slot = ChargeSlot("SLA12", 1, evening, evening + timedelta(hours=12), "P2")
    plan = replace(_plan(fleet, (date(2027, 3, 6), ["A1"])), charging=(slot,))
    assert ready_packs(fleet, plan, date(2027, 3, 5)) == {"P1"}
    assert ready_packs(fleet, plan, date(2027, 3, 6)) == {"P1", "P2"}
    tonight = replace(fleet, chargers=())
    assert ready_packs(tonight, replace(plan, charging=()), FIRST) == {"P1"}
    assert ready_packs(tonight, replace(plan, charging=()), date(2027, 3, 6)) == {"P1", "P2"}


def test_other_chemistries_wait_a_month_at_most(tiny_fleet):
    assert tiny_fleet.pack_types["LFP12"].chemistry is Chemistry.LITHIUM_IRON_PHOSPHATE
    packs = [Pack("L1", "LFP12", since=FIRST, state=PackState.FLAT)]
    fleet = _fleet(_lfp(tiny_fleet), packs, Charger(("LFP12",), 12.0, 1))
    (slot,) = plan_charging(fleet, _plan(fleet), {}).slots
    assert FIRST + timedelta(days=20) < slot.on.date() <= FIRST + timedelta(days=31)


def test_two_a_night_begin_in_the_evening_and_only_then_in_the_night(tiny_fleet):
    packs = [Pack(f"L{k}", "LFP12", since=FIRST, state=PackState.FLAT) for k in range(2)]
    fleet = _fleet(_lfp(tiny_fleet), packs, Charger(("LFP12",), 5.0, 2))
    done = plan_charging(fleet, _plan(fleet, (date(2027, 3, 20), ["A1", "A2"])), {})
    before = [slot for slot in done.slots if slot.off.date() <= date(2027, 3, 20)]
    assert [f"{slot.on:%m-%d %H:%M}" for slot in before] == ["03-18 18:00", "03-18 23:00"]


def test_primary_cells_are_never_put_on_a_charger(tiny_fleet):
    """Also where a fleet was not read from files, which refuse such a charger."""
    kinds = tiny_fleet.pack_types | {
        "LFP12": replace(tiny_fleet.pack_types["LFP12"], chemistry=Chemistry.ALKALINE)
    }
    packs = [Pack("L1", "LFP12", since=FIRST, state=PackState.FLAT)]
    fleet = replace(_fleet(_lfp(tiny_fleet), packs, Charger(("LFP12",), 5.0, 2)), pack_types=kinds)
    assert plan_charging(fleet, _plan(fleet, (date(2027, 3, 20), ["A1"])), {}).slots == ()


def test_a_pack_at_the_storage_rule_is_charged_again_though_no_trip_takes_it(tiny_fleet):
    packs = [
        Pack("P1", "SLA12", since=FIRST - timedelta(days=400)),  # below 70 % after a year at 20 C
        Pack("P2", "SLA12", since=FIRST - timedelta(days=30)),
        Pack("P3", "SLA12", since=FIRST - timedelta(days=400), state=PackState.SUSPECT),
        Pack("P4", "SLA12", where="A1", since=FIRST - timedelta(days=400), state=PackState.IN_USE),
    ]
    fleet = _fleet(tiny_fleet, packs)
    (slot,) = plan_charging(fleet, _plan(fleet), {}).slots
    assert (slot.pack_id, slot.top_up, slot.on.date()) == ("P1", True, FIRST)
    cool = replace(fleet, spares=replace(fleet.spares, shelf_c=5.0))
    assert plan_charging(cool, _plan(cool), {}).slots == ()
