"""Packs to own and the list for the year: exact for the season's trips."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tripplan.fleet import Cause, Money, Pack, PackState
from tripplan.plan.charging import charge_schedule
from tripplan.supply.ordering import orders_for_year
from tripplan.supply.owning import shelf_course, stock_by_type, try_more, with_packs
from tripplan.supply.register import build_register


def _swaps(plan):
    found: dict[str, dict[int, int]] = {}
    for trip in plan.trips:
        for visit in trip.visits:
            if visit.swap:
                days = found.setdefault(visit.pack_type, {})
                day = (trip.date - plan.first).days
                days[day] = days.get(day, 0) + 1
    return found


def test_the_needed_shelf_is_enough_and_one_less_is_not(valley):
    register = build_register(valley.fleet, valley.outlook)
    for one in stock_by_type(valley.fleet, valley.plan, register, {}):
        swaps = _swaps(valley.plan)

        def short(number, name=one.pack_type, swaps=swaps):
            run = charge_schedule(with_packs(valley.fleet, name, number), valley.plan.first, swaps)
            return [each for each in run.shortages if each.pack_type == name]

        assert short(one.needed_shelf) == []
        assert one.needed_shelf == 0 or short(one.needed_shelf - 1)
        assert one.needed_with_spares == one.needed_shelf
        assert one.to_own == one.in_use + one.needed_shelf


def test_spares_only_raise_what_is_needed(valley):
    register = build_register(valley.fleet, valley.outlook)
    needed = []
    for spares in (0, 1, 3):
        stock = stock_by_type(
            valley.fleet, valley.plan, register, dict.fromkeys(valley.fleet.pack_types, spares)
        )
        needed.append([one.needed_with_spares for one in stock])
    assert all(a <= b <= c for a, b, c in zip(*needed, strict=True))
    assert needed[0] != needed[2]


def test_a_shelf_that_is_too_small_says_when_and_by_how_many(valley):
    packs = tuple(pack for pack in valley.fleet.packs if pack.where != "shelf" or pack.pack_type != "SLA12")
    fleet = replace(valley.fleet, packs=packs)
    register = build_register(fleet, valley.outlook)
    (one,) = [s for s in stock_by_type(fleet, valley.plan, register, {}) if s.pack_type == "SLA12"]
    first = min(trip.date for trip in valley.plan.trips if trip.packs.get("SLA12"))
    assert one.shelf == 0
    assert one.missing == one.needed_shelf > 0
    assert one.first_short is not None
    assert one.first_short.day == first
    assert one.first_short.left == -one.first_short.planned
    # the order must be placed before that, at once where the time is too short
    orders = orders_for_year(fleet, valley.plan, register, (one,))
    pack_order = next(order for order in orders if order.kind == "pack")
    assert pack_order.count >= one.missing
    assert pack_order.by == max(valley.plan.first, first - timedelta(days=14))


def test_without_chargers_packs_are_back_by_the_next_date(valley):
    fleet = replace(valley.fleet, chargers=())
    register = build_register(fleet, valley.outlook)
    for one in stock_by_type(fleet, valley.plan, register, {}):
        days = _swaps(valley.plan).get(one.pack_type, {})
        assert one.needed_shelf == max(days.values(), default=0)


def test_without_any_shelf_the_need_is_still_said(valley):
    fleet = replace(valley.fleet, packs=None)
    register = build_register(fleet, valley.outlook)
    stock = stock_by_type(fleet, valley.plan, register, {})
    assert {one.shelf for one in stock} == {None}
    assert all(one.missing is None and one.unfit is None for one in stock)
    assert any(one.needed_shelf > 0 for one in stock)


def test_suspect_and_retired_packs_are_not_counted_as_fit(valley):
    register = build_register(valley.fleet, valley.outlook)
    (one,) = [s for s in stock_by_type(valley.fleet, valley.plan, register, {}) if s.pack_type == "SLA12"]
    unfit = [
        pack
        for pack in valley.fleet.packs
        if pack.pack_type == "SLA12" and pack.state in (PackState.SUSPECT, PackState.RETIRED)
    ]
    assert one.unfit == len(unfit) == 3


def test_a_type_that_nobody_uses_asks_for_nothing(valley):
    kind = replace(valley.fleet.pack_types["SLA12"], name="UNUSED")
    fleet = replace(
        valley.fleet,
        pack_types={**valley.fleet.pack_types, "UNUSED": kind},
        packs=(*valley.fleet.packs, Pack("U1", "UNUSED")),
    )
    register = build_register(fleet, valley.outlook)
    (one,) = [s for s in stock_by_type(fleet, valley.plan, register, {}) if s.pack_type == "UNUSED"]
    assert (one.in_use, one.needed_with_spares, one.missing, one.first_short) == (0, 0, 0, None)
    assert shelf_course(fleet, valley.plan, {}, "UNUSED") == ()


def test_the_year_counts_wear_faults_and_cells(valley):
    weak = tuple(
        replace(pack, tested_ah=4.3, tested_on=valley.outlook.on) if pack.where == "shelf" else pack
        for pack in valley.fleet.packs
        if pack.state is not PackState.RETIRED
    )
    fleet = replace(
        valley.fleet,
        packs=weak,
        money=Money(prices={"SLA12": 25.0}),
        visits=tuple(
            replace(v, cause=Cause.FUSE) if k % 3 == 0 else v for k, v in enumerate(valley.fleet.visits)
        ),
    )
    outlook = replace(valley.outlook, packs={})
    register = build_register(fleet, outlook)
    stock = stock_by_type(fleet, valley.plan, register, {})
    orders = {
        (order.kind, order.item): order for order in orders_for_year(fleet, valley.plan, register, stock)
    }
    packs = orders["pack", "SLA12"]
    assert packs.count >= sum(p.where == "shelf" and p.pack_type == "SLA12" for p in weak) // 2
    assert packs.cost == pytest.approx(25.0 * packs.count)
    assert "within the year" in packs.because
    few = orders_for_year(valley.fleet, valley.plan, build_register(valley.fleet, valley.outlook), stock)
    fuses = {order.kind: order.count for order in few}
    assert orders["fuse", "fuses, 2 to 3 A"].count > fuses["fuse"]
    cells = sum(site.backup_cells or 0 for site in valley.fleet.sites if site.backup_chemistry)
    assert sum(order.count for order in orders.values() if order.kind == "backup cells") == cells > 0


def test_planning_anew_with_more(tiny_fleet, tiny_outlook):
    from tripplan.plan import plan_season
    from tripplan.plan.effort import Effort
    from tripplan.travel import measure_travel

    scarce = replace(
        tiny_fleet,
        pack_types={
            name: replace(kind, shelf_charged=0 if name == "SLA6" else kind.shelf_charged)
            for name, kind in tiny_fleet.pack_types.items()
        },
    )
    travel = measure_travel(scarce)
    plan = plan_season(scarce, tiny_outlook, travel, made_on=tiny_outlook.on, effort=Effort().short())
    told: list[str] = []
    tried = {one.what: one for one in try_more(scarce, tiny_outlook, travel, plan, told.append)}
    assert list(tried) == told
    assert told == ["as it is", "one SLA12 more", "one SLA6 more", "one charger more for SLA12, SLA6"]
    # B2 takes 6 V and there is no such pack: one more serves it, a charger alone does not
    assert tried["as it is"].late_sites == 1
    assert tried["one SLA6 more"].late_sites == 0
    assert tried["one charger more for SLA12, SLA6"].late_sites == 1


def test_more_is_never_shown_as_worse(tiny_fleet, tiny_outlook):
    from tripplan.plan import plan_season
    from tripplan.plan.effort import Effort
    from tripplan.supply.owning import Tried, _shared_bounds
    from tripplan.travel import measure_travel

    travel = measure_travel(tiny_fleet)
    plan = plan_season(tiny_fleet, tiny_outlook, travel, made_on=tiny_outlook.on, effort=Effort().short())
    better = replace(plan, trips=plan.trips[:1])  # as if a longer search had found a plan with one trip
    tried = try_more(tiny_fleet, tiny_outlook, travel, better)
    assert {one.trips for one in tried} == {1}
    assert all(one.lower_bound <= one.trips for one in tried)
    shared = _shared_bounds([Tried("as it is", 7, 0, 0, 6), Tried("one more", 7, 0, 0, 7)])
    assert shared[0].lower_bound == 7  # no plan with more does it with six, so none with less does
