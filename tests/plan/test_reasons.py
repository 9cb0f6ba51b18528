"""
Why a site is late and what would serve it, word for word; every change named is made, and then serves it.

Hand-made variants of the tiny fleet: North goes on Saturdays and Sundays, 07:30 to 17:30; the season runs from
Monday 1 March to Monday 26 April 2027 on the equator, where the sun is up for twelve hours.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from tripplan.fleet import AccessRule, Charger, DateSpan, Found, Leg, Pack, PackState, VisitRecord
from tripplan.plan import plan_season
from tripplan.plan.check import check_plan
from tripplan.plan.effort import Effort
from tripplan.plan.obstacles import _sum_text
from tripplan.travel import measure_travel


def _swap_by(outlook, **dates):
    sites = {name: replace(outlook.sites[name], swap_by=day) for name, day in dates.items()}
    return replace(outlook, sites={**outlook.sites, **sites})


def _late(fleet, outlook, site_id):
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on)
    assert check_plan(fleet, outlook, travel, plan) == ()
    found = [late for late in plan.unserved if late.site_id == site_id]
    return found[0] if found else None


def _crew(fleet, **changes):
    return replace(fleet, crews=(replace(fleet.crews[0], **changes), *fleet.crews[1:]))


def test_minutes_shown_add_up_to_the_sum_shown():
    rng = np.random.default_rng(1)
    for _ in range(300):
        parts = [("walk", float(minutes)) for minutes in rng.uniform(0, 300, rng.integers(1, 7))]
        text = _sum_text(parts, sum(minutes for _, minutes in parts))
        shown, total = text.removesuffix(" min").split(" = ")
        minutes = [int(word.split()[1]) for word in shown.split(" + ")]
        assert sum(minutes) == int(total) == round(sum(minutes for _, minutes in parts))
        assert all(abs(one - exact) < 1 for one, (_, exact) in zip(minutes, parts, strict=True))
    parts = [("drive", 24.4), ("walk", 226.3), ("work", 45.0), ("walk", 153.7), ("drive", 24.4)]
    assert _sum_text(parts, 473.8) == "drive 25 + walk 226 + work 45 + walk 154 + drive 24 = 474 min"


def test_no_crew_date_before_the_swap_by_date(tiny_fleet, tiny_outlook):
    outlook = _swap_by(tiny_outlook, A1=date(2027, 3, 4))
    late = _late(tiny_fleet, outlook, "A1")
    assert late.proved
    assert late.reason == (
        "no crew can be there on any date up to Thu 4 Mar 2027: no crew goes on any of them "
        "(North can go on Saturdays and Sundays only)"
    )
    assert late.smallest_change == "One more trip by North on Mon 1 Mar 2027 would serve it in time."
    served = _crew(tiny_fleet, weekdays=frozenset({0, 5, 6}))
    assert _late(served, outlook, "A1") is None


def test_an_absence_is_named(tiny_fleet, tiny_outlook):
    away = _crew(tiny_fleet, away=(DateSpan(date(2027, 3, 1), date(2027, 3, 28)),))
    outlook = _swap_by(tiny_outlook, A1=date(2027, 3, 13))
    late = _late(away, outlook, "A1")
    assert late.reason == (
        "no crew can be there on any date up to Sat 13 Mar 2027: no crew goes on any of them (North can go on "
        "Saturdays and Sundays only; North: away from Mon 1 Mar 2027 to Sun 28 Mar 2027)"
    )


def test_a_pack_too_heavy_for_any_crew(tiny_fleet, tiny_outlook):
    kinds = {**tiny_fleet.pack_types, "SLA6": replace(tiny_fleet.pack_types["SLA6"], weight_kg=7.5)}
    heavy = replace(tiny_fleet, pack_types=kinds)
    late = _late(heavy, tiny_outlook, "B2")
    assert late.proved
    assert late.reason.endswith(
        "North on Sat 6 Mar 2027: a pack of type SLA6 weighs 7.5 kg; North can carry 6 at the most"
    )
    assert re.fullmatch(
        r"If North could carry 7\.5 kg, \w{3} \d+ \w{3} 2027 would serve it in time\.", late.smallest_change
    )
    assert _late(_crew(heavy, carry_kg=7.5), tiny_outlook, "B2") is None


def test_hours_that_are_too_short_are_shown_as_a_sum(tiny_fleet, tiny_outlook):
    near, between, _ = tiny_fleet.legs
    far = replace(
        tiny_fleet, legs=(replace(near, minutes=279.0), between, Leg("North", "B1", 280.0, 200.0, 4))
    )
    late = _late(far, tiny_outlook, "B2")
    assert late.proved
    assert late.reason.endswith(
        "North on Sat 6 Mar 2027: drive 280 + park 5 + walk 18 + work 15 + walk 12 + drive 280 = 610 min; the "
        "crew's hours leave 600"
    )
    match = re.fullmatch(
        r"(\d+) minutes more of (hours|usable daylight) for North on (.*) would serve it in time\.",
        late.smallest_change,
    )
    assert match is not None, late.smallest_change
    end = tiny_fleet.crews[0].day_end_minute + int(match[1])
    if match[2] == "hours":
        assert _late(_crew(far, day_end_minute=end), tiny_outlook, "B2") is None
        assert _late(_crew(far, day_end_minute=end - 1), tiny_outlook, "B2") is not None


def test_daylight_that_is_too_short_is_shown_as_a_sum(tiny_fleet, tiny_outlook):
    dim = replace(tiny_fleet, plan=replace(tiny_fleet.plan, daylight_margin_minutes=340.0))
    late = _late(dim, tiny_outlook, "B2")
    assert late.proved
    assert re.search(r"walk 18 \+ work 15 \+ walk 12 = 45 min; daylight leaves \d+$", late.reason), (
        late.reason
    )
    match = re.fullmatch(
        r"(\d+) minutes more of usable daylight for North on .* would serve it in time\.",
        late.smallest_change,
    )
    assert match is not None, late.smallest_change
    lighter = replace(
        dim,
        plan=replace(
            dim.plan,
            reserve_minutes=max(0.0, dim.plan.reserve_minutes - int(match[1])),
            daylight_margin_minutes=340.0 - max(0.0, int(match[1]) - dim.plan.reserve_minutes),
        ),
    )
    assert _late(lighter, tiny_outlook, "B2") is None


def test_a_closed_site_and_the_date_on_which_it_would_do(tiny_fleet, tiny_outlook):
    shut = AccessRule("gate", is_open=False, season_from=date(2027, 3, 1), season_to=date(2027, 4, 26), row=2)
    late = _late(replace(tiny_fleet, access={"gate": (shut,)}), tiny_outlook, "B2")
    assert late.proved
    assert late.reason.endswith("North on Sat 6 Mar 2027: B2 is closed on Sat 6 Mar 2027")
    assert late.smallest_change.startswith("If B2 were open to North on ")


def test_zero_spares(tiny_fleet, tiny_outlook):
    kinds = {**tiny_fleet.pack_types, "SLA6": replace(tiny_fleet.pack_types["SLA6"], shelf_charged=0)}
    late = _late(replace(tiny_fleet, pack_types=kinds), tiny_outlook, "B2")
    assert late.proved
    assert late.reason.endswith(
        "no charged pack of type SLA6 is there by Sat 6 Mar 2027: the shelf holds none, and none lies there "
        "to be charged: a swap brings one back only after it has taken one"
    )
    assert late.smallest_change.startswith(
        "1 charged pack of type SLA6 more would serve it in time, with North on "
    )
    assert _late(tiny_fleet, tiny_outlook, "B2") is None


@pytest.mark.parametrize(
    ("charger", "why"),
    [
        (Charger(("SLA12",)), "no charger takes that type"),
        (
            Charger(("SLA12", "SLA6"), hours_per_pack=2000.0),
            "none is ready by then (the fastest charger for it takes 2000 h a pack)",
        ),
    ],
)
def test_flat_packs_that_no_charger_makes_ready(tiny_fleet, tiny_outlook, charger, why):
    late = _late(replace(_with_a_flat_pack(tiny_fleet), chargers=(charger,)), tiny_outlook, "B2")
    assert late.proved
    assert late.reason.endswith(f"is there by Sat 6 Mar 2027: the shelf holds none, and {why}")


def test_without_chargers_a_flat_pack_does_not_count_today(tiny_fleet, tiny_outlook):
    fleet = _crew(_with_a_flat_pack(tiny_fleet), weekdays=frozenset({0, 5, 6}))
    outlook = _swap_by(tiny_outlook, B2=date(2027, 3, 1))
    late = _late(replace(fleet, chargers=()), outlook, "B2")
    assert late.proved
    assert late.reason.endswith(
        "by Mon 1 Mar 2027: the shelf holds none, and what is not charged counts from the next day on"
    )


def _with_a_flat_pack(fleet):
    """Return the fleet with a packs.csv: two charged SLA12 on the shelf, and a flat SLA6."""
    packs = [Pack(f"P{site.site_id}", site.pack_type, where=site.site_id) for site in fleet.sites]
    packs = [replace(pack, state=PackState.IN_USE, since=date(2026, 12, 1)) for pack in packs]
    packs += [Pack("X1", "SLA12"), Pack("X2", "SLA12"), Pack("X3", "SLA6", state=PackState.FLAT)]
    return replace(fleet, packs=tuple(packs))


def test_a_fresh_pack_that_is_due_before_the_old(tiny_fleet, tiny_outlook):
    renewal = tiny_outlook.renewals["B2"]
    short = replace(
        renewal, swap_by=renewal.swap_by - 71
    )  # so little is known that the risk is passed at once
    outlook = replace(tiny_outlook, renewals={**tiny_outlook.renewals, "B2": short})
    late = _late(tiny_fleet, outlook, "B2")
    assert late.proved
    assert late.reason.endswith(
        "North on Sat 6 Mar 2027: a fresh pack put in on Sat 6 Mar 2027 would be due by Fri 5 Mar 2027, before "
        "the one in place (Sun 11 Apr 2027)"
    )


def test_a_site_already_dark_says_since_when(tiny_fleet, tiny_outlook):
    past = tiny_outlook.on - timedelta(days=20)
    now = replace(
        tiny_outlook.sites["A1"],
        swap_by=past,
        flat_early=past + timedelta(days=1),
        flat_likely=past + timedelta(days=5),
        chance_dark_today=0.93,
    )
    outlook = replace(tiny_outlook, sites={**tiny_outlook.sites, "A1": now})
    late = _late(tiny_fleet, outlook, "A1")
    assert late.reason == (
        "its swap-by date Tue 9 Feb 2027 had passed before the season began; it is likely dark since "
        "Sun 14 Feb 2027 (Wed 10 Feb 2027 at the earliest, chance today 93%)"
    )
    assert late.smallest_change == "The first date on which a crew can be there is Sat 6 Mar 2027."
    seen = replace(tiny_fleet, visits=(VisitRecord(date(2027, 2, 20), "A1", found=Found.DARK),))
    assert _late(seen, outlook, "A1").reason.endswith("; it was found dark on Sat 20 Feb 2027")


def test_what_the_shelf_cannot_give_is_counted(tiny_fleet, tiny_outlook):
    """Three sites want SLA12 on the first weekend; the shelf holds two, and one charger cannot make a third."""
    outlook = _swap_by(tiny_outlook, A1=date(2027, 3, 7), A2=date(2027, 3, 7), B1=date(2027, 3, 7))
    slow = replace(tiny_fleet, chargers=(replace(tiny_fleet.chargers[0], hours_per_pack=200.0),))
    travel = measure_travel(slow)
    plan = plan_season(slow, outlook, travel, made_on=outlook.on)
    assert check_plan(slow, outlook, travel, plan) == ()
    (late,) = plan.unserved
    assert late.reason == (
        "by Sun 7 Mar 2027 the shelf gives 2 charged packs of type SLA12 at the most, and 3 sites are due by then"
    )
    assert not late.proved  # that one of the three is late is sure, but not which
    assert late.smallest_change.startswith(
        "1 charged pack of type SLA12 more would serve it in time, with North"
    )


@pytest.mark.parametrize("seed", range(12))
def test_every_reason_of_random_fleets_can_be_given(random_fleets, seed):
    fleet, outlook = random_fleets.random_fleet(5000 + seed)
    travel = measure_travel(fleet)
    plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=Effort().short())
    for late in plan.unserved:
        assert late.reason
        assert late.smallest_change.endswith(".")
