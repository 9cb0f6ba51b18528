"""Spares, stock and charging against numbers that other people printed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tripplan.fleet import Chemistry, PackType
from tripplan.recharge import recharge_hours
from tripplan.supply.carry import TypeNeed, short_chance
from tripplan.supply.counts import (
    Rate,
    beta_binomial,
    expected_short,
    fewest_for,
    newsvendor_counts,
    newsvendor_normal,
    poisson_binomial,
    poisson_counts,
    together,
)
from tripplan.supply.register import REPLACE_BELOW
from tripplan.supply.shelf_life import charge_after, recharge_by, resting_volts

# A chance known without doubt: a beta distribution of so much weight differs from it by about 1e-9.
_SURE = 1e9


def test_newsvendor_with_normal_demand():
    """L. V. Snyder and Z.-J. M. Shen, Fundamentals of Supply Chain Theory, example 4.3: N(50, 8), h 0.18, p 0.70."""
    level, cost = newsvendor_normal(50.0, 8.0, short_cost=0.70, left_cost=0.18)
    assert level == pytest.approx(56.60395592743389, abs=1e-9)
    assert cost == pytest.approx(1.9976051931766445, abs=1e-9)


def test_newsvendor_with_poisson_demand():
    """The same book, example 4.7: mean 6, h 1, p 4 (parameters from memory, confirmed by the printed results)."""
    number, cost = newsvendor_counts(poisson_counts(6.0), short_cost=4.0, left_cost=1.0)
    assert number == 8
    assert cost == pytest.approx(3.570106945770946, abs=1e-9)
    # the costs of the neighbours, so that the minimum is one
    demand = poisson_counts(6.0)
    costs = {}
    for stock in (5, 6, 7, 8, 9, 10):
        short = expected_short(demand, stock)
        costs[stock] = 4.0 * short + (stock - 6.0 + short)
    assert costs[5] == pytest.approx(6.590296024616344, abs=1e-9)
    assert [round(costs[stock], 6) for stock in (6, 7, 9, 10)] == [4.818694, 3.850208, 3.806294, 4.386674]


def test_one_pool_of_spares_needs_fewer_than_three_kits():
    """K. S. Trivedi, Probability and Statistics, ch. 6, problem 2 (after Barlow and Proschan): rate 0.002/h, over 90 %."""
    hours = (1300.0, 1500.0, 1200.0)
    pooled = poisson_counts(0.002 * sum(hours))
    assert fewest_for(pooled, 0.90) == 12
    assert float(np.cumsum(pooled)[12]) == pytest.approx(0.936203, abs=1e-6)
    assert float(np.cumsum(pooled)[11]) == pytest.approx(0.888076, abs=1e-6)
    # the sum of three kits' demands is the pool's demand
    parts = together(*(poisson_counts(0.002 * one) for one in hours))
    assert parts[:13] == pytest.approx(pooled[:13], abs=1e-12)


def test_six_good_units_with_99_chances_in_100():
    """A. Croft et al., Mathematics for Engineers, 4th ed., ch. 23, problem 16: a unit works with 0.92; carry 9."""
    for spares, chance in ((3, 0.996285), (2, 0.978900)):
        short, _ = short_chance(
            TypeNeed("unit", 6, 0, ()), Rate(0.08 * _SURE, 0.92 * _SURE), Rate(0.0, 1.0), spares
        )
        assert 1.0 - short == pytest.approx(chance, abs=1e-6)


def test_a_lot_and_three_of_five():
    """Handbook sums: n 30, p 0.05, at most 2; three of five units at 0.9 each."""
    assert float(poisson_binomial([0.05] * 30)[:3].sum()) == pytest.approx(0.812179, abs=1e-6)
    assert float(poisson_binomial([0.9] * 5)[3:].sum()) == pytest.approx(0.99144, abs=1e-6)


def test_twenty_sites_at_three_chances_in_ten():
    """A sum of our own, no source: 9 packs give 95.20 %, 8 give 88.67 %."""
    demand = poisson_binomial([0.30] * 20)
    assert fewest_for(demand, 0.95) == 9
    assert [round(float(demand[: n + 1].sum()), 4) for n in (9, 8)] == [0.9520, 0.8867]


def test_an_uncertain_chance_against_a_reference_library():
    from scipy.stats import betabinom

    for trials, yes, no in ((1, 0.5, 0.5), (7, 1.0, 49.0), (40, 3.0, 200.0)):
        assert beta_binomial(trials, Rate(yes, no)) == pytest.approx(
            betabinom.pmf(np.arange(trials + 1), trials, yes, no), abs=1e-12
        )


def test_recharge_time_of_a_trade_example():
    """A trade page's sum: 120 Ah at 13 A is 9.23 h ideal; with the old factor of 1.4 it is 168/13 = 12.92 h."""
    lead = Chemistry.SEALED_LEAD_ACID
    tail = 3.0 if 13.0 / 120.0 > 0.1 else 0.0  # our slower end of a charge above a tenth of the capacity
    assert recharge_hours(lead, 120.0, 13.0, factor=1.0) - tail == pytest.approx(9.23, abs=0.01)
    assert recharge_hours(lead, 120.0, 13.0, factor=1.4) - tail == pytest.approx(12.92, abs=0.01)


def test_a_seven_amp_hour_pack_is_charged_overnight():
    """Common practice, no source: a 12 V 7 Ah pack on a 0.7 A charger overnight, on a strong one in a few hours."""
    lead = Chemistry.SEALED_LEAD_ACID
    assert recharge_hours(lead, 7.0, 0.7) == pytest.approx(11.0)  # 0.7 A x 1.1
    assert 8.0 <= recharge_hours(lead, 7.0, 0.7) <= 14.0
    assert recharge_hours(lead, 7.0, 1.75) == pytest.approx(4.4 + 3.0)
    assert recharge_hours(lead, 7.0, 1.75, 0.5) < 6.0


def test_the_storage_rule_of_lead_acid():
    """Rest at 2.07 V a cell is about 70 %; a handbook: sealed cells 3 %/month at 20 C, half for 10 C less."""
    kind = PackType("p", 12.0, "5.5x2.1 centre +")
    assert resting_volts(kind, 0.70) == pytest.approx(6 * 2.07, abs=0.06)
    month = 365.25 / 12
    assert charge_after(kind, month, 20.0) == pytest.approx(1 - 0.03, abs=0.001)
    assert charge_after(kind, month, 10.0) == pytest.approx(1 - 0.015, abs=0.001)
    # a maker's table of refresh: below 20 C 12 months, 20 to 30 C 6 months, 30 to 40 C 3 months
    from datetime import date

    since = date(2026, 1, 1)
    days = [(recharge_by(kind, since, temp) - since).days for temp in (20.0, 30.0, 40.0)]
    assert [round(one / month) for one in days] == [12, 6, 3]


def test_the_limit_at_which_the_standards_replace():
    """A US Bureau of Reclamation guide: replace under 80 %; IEEE Std 450 and 1188 the same, from memory."""
    assert REPLACE_BELOW == 0.80
    assert math.isclose(1 / REPLACE_BELOW, 1.25)  # the ageing factor of IEEE Std 485, from memory
