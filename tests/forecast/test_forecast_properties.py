"""What must hold whatever the numbers are."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tripplan.fleet import Chemistry, Climate, Fleet, PackType, Site
from tripplan.forecast import forecast_fleet

ON = date(2026, 11, 25)
SITE = Site("A", 50.0, 10.0, "T", 12.0, "p", 50.0, 10.0, row=2)


def forecast(site, chemistry=Chemistry.SEALED_LEAD_ACID, shift=0.0, capacity=7.0, weeks=6):
    climate = Climate(tuple(m + shift for m in (-8, -6, 0, 6, 12, 16, 18, 17, 13, 8, 2, -5)), (5.0,) * 12)
    kind = PackType("T", 12.0, "p", chemistry, capacity_ah=capacity, usual_months=5.0)
    return forecast_fleet(Fleet("f", "UTC", (), (site,), {"T": kind}, climate=climate), ON, weeks)


draws = st.floats(8.0, 150.0)
ages = st.integers(0, 250)


@settings(max_examples=25, deadline=None)
@given(draws, ages, st.floats(1.02, 1.6))
def test_more_draw_never_gives_later_dates(draw, age, factor):
    site = replace(SITE, swapped_on=ON - timedelta(days=age), draw_mah_per_day=draw)
    less, more = forecast(site), forecast(replace(site, draw_mah_per_day=draw * factor))
    assert (more.renewals["A"].swap_by <= less.renewals["A"].swap_by + 1).all()
    assert (more.renewals["A"].flat_late <= less.renewals["A"].flat_late + 1).all()


@settings(max_examples=20, deadline=None)
@given(draws, ages, st.floats(0.0, 25.0), st.sampled_from(list(Chemistry)))
def test_colder_never_keeps_more_usable_charge(draw, age, colder, chemistry):
    site = replace(SITE, swapped_on=ON - timedelta(days=age), draw_mah_per_day=draw)
    outlook = forecast(site, chemistry, -colder)
    one, renewal = outlook.sites["A"], outlook.renewals["A"]
    assert one.flat_early <= one.flat_likely <= one.flat_late
    assert 0.0 <= one.chance_dark_today <= 1.0
    assert one.charge_left is None or 0.0 <= one.charge_left <= 1.0
    for array in (renewal.swap_by, renewal.flat_early, renewal.flat_likely, renewal.flat_late):
        assert (np.diff(array) >= 0).all()
    assert (renewal.flat_early <= renewal.flat_likely).all()
    assert (renewal.flat_likely <= renewal.flat_late).all()
    assert (renewal.swap_by >= ON.toordinal() - 1).all()


@settings(max_examples=20, deadline=None)
@given(draws, st.floats(0.005, 0.2), st.floats(1.05, 2.4), st.floats(0.0, 30.0))
def test_a_higher_risk_or_backup_never_gives_an_earlier_date(draw, risk, factor, backup):
    site = replace(SITE, swapped_on=ON - timedelta(days=20), draw_mah_per_day=draw, risk=risk)
    low = forecast(site).sites["A"].swap_by
    assert forecast(replace(site, risk=risk * factor)).sites["A"].swap_by >= low
    assert forecast(replace(site, backup_days=backup)).sites["A"].swap_by >= low


@settings(max_examples=20, deadline=None)
@given(draws, ages, st.floats(0.05, 0.4), st.floats(0.1, 1.0))
def test_a_panel_never_harms(draw, age, sun, watts):
    site = replace(SITE, swapped_on=ON - timedelta(days=age), draw_mah_per_day=draw)
    without = forecast(site, weeks=1).sites["A"]
    with_panel = forecast(replace(site, panel_w=watts, sun_fraction=sun), weeks=1).sites["A"]
    # a panel's pack is followed from the first day of its week, up to six days on the safe side
    assert with_panel.flat_likely >= without.flat_likely - timedelta(days=7)
