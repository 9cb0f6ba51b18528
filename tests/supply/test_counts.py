"""Distributions of counts: what must hold for any of them, and what callers must not ask."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripplan.fleet import Chemistry
from tripplan.recharge import recharge_hours
from tripplan.supply.counts import (
    Rate,
    beta_binomial,
    expected_short,
    fewest_for,
    poisson_binomial,
    poisson_counts,
    together,
)

CHANCES = st.lists(st.floats(0.0, 1.0), max_size=8)


@given(CHANCES)
def test_events_are_counted_as_if_every_outcome_were_listed(chances):
    listed = np.zeros(len(chances) + 1)
    for outcome in itertools.product((0, 1), repeat=len(chances)):
        listed[sum(outcome)] += np.prod([c if o else 1 - c for c, o in zip(chances, outcome, strict=True)])
    assert poisson_binomial(chances) == pytest.approx(listed, abs=1e-12)


@given(st.integers(0, 60), st.floats(0.1, 50.0), st.floats(0.1, 500.0))
def test_an_uncertain_chance_sums_to_one_and_keeps_its_mean(trials, yes, no):
    counts = beta_binomial(trials, Rate(yes, no))
    assert counts.sum() == pytest.approx(1.0, abs=1e-9)
    assert np.arange(trials + 1) @ counts == pytest.approx(trials * yes / (yes + no), abs=1e-7)


@given(CHANCES, st.floats(0.5, 0.9999))
def test_the_number_found_is_enough_and_one_less_is_not(chances, wanted):
    counts = poisson_binomial(chances)
    number = fewest_for(counts, wanted)
    assert counts[: number + 1].sum() >= wanted - 1e-9
    assert number == 0 or counts[:number].sum() < wanted


@given(CHANCES)
def test_what_is_missing_falls_to_nothing_as_the_number_rises(chances):
    counts = poisson_binomial(chances)
    lacks = [expected_short(counts, number) for number in range(len(counts))]
    assert lacks == sorted(lacks, reverse=True)
    assert lacks[0] == pytest.approx(sum(chances), abs=1e-9)
    assert lacks[-1] == 0.0


def test_independent_counts_add():
    assert together(poisson_counts(2.0), poisson_counts(3.0))[:20] == pytest.approx(
        poisson_counts(5.0)[:20], abs=1e-12
    )
    assert together().tolist() == [1.0]
    assert poisson_counts(0.0).tolist() == [1.0]


def test_counting_sharpens_a_rate():
    prior = Rate(1.0, 49.0)
    assert prior.mean == 0.02
    assert prior.seen(0, 0) == prior
    assert prior.seen(0, 450).mean == pytest.approx(0.002)
    with pytest.raises(ValueError, match="3 events in 2 trials"):
        prior.seen(3, 2)


@pytest.mark.parametrize("bad", [-0.1, 1.1, float("nan")])
def test_what_is_no_chance_is_a_callers_bug(bad):
    with pytest.raises(ValueError, match="is not a chance"):
        poisson_binomial([0.5, bad])


@pytest.mark.parametrize("mean", [-1.0, float("nan"), float("inf")])
def test_what_is_no_mean_is_a_callers_bug(mean):
    with pytest.raises(ValueError, match="must not be below zero"):
        poisson_counts(mean)


@pytest.mark.parametrize(
    ("capacity", "amps", "depth"), [(7.0, 0.0, 1.0), (7.0, -1.0, 1.0), (0.0, 1.0, 1.0), (7.0, 1.0, 1.5)]
)
def test_hours_that_make_no_sense_are_a_callers_bug(capacity, amps, depth):
    with pytest.raises(ValueError, match="do not make sense"):
        recharge_hours(Chemistry.SEALED_LEAD_ACID, capacity, amps, depth)


def test_primary_cells_are_never_charged():
    with pytest.raises(ValueError, match="alkaline cells are never charged"):
        recharge_hours(Chemistry.ALKALINE, 3.0, 1.0)
