"""Broken plans of random fleets: the checker refuses every one and names the rule that was broken."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from tripplan.plan.check import check_plan
from tripplan.travel import measure_travel


def _run(random_fleets, wanted: int) -> Counter[str]:
    """Break plans of one random fleet after another until so many were refused by name."""
    from greedy_plan import greedy_plan
    from mutations import Subject, mutate
    from wish_mutations import with_wishes

    kinds: Counter[str] = Counter()
    seed = 0
    while kinds.total() < wanted:
        rng = random.Random(f"mutations {seed}")
        fleet, outlook = random_fleets.random_fleet(seed)
        if seed % 3 == 0:
            fleet, outlook = random_fleets.with_devices(fleet, outlook, seed)
        travel = measure_travel(fleet)
        plan = greedy_plan(fleet, outlook, travel)
        assert check_plan(fleet, outlook, travel, plan) == (), f"seed {seed}: the plan was to be valid"
        subject = Subject(fleet, outlook, travel, plan)
        if seed % 2:
            subject = with_wishes(rng, subject)
            fleet = subject.fleet
            assert check_plan(fleet, outlook, travel, subject.plan) == (), f"seed {seed}: its wishes are kept"
        for broken in mutate(rng, subject, min(6, wanted - kinds.total()), kinds.copy()):
            found = {refusal.rule for refusal in check_plan(fleet, outlook, travel, broken.plan)}
            assert broken.rule in found, (
                f"seed {seed}, {broken.name}: {broken.rule} not among {sorted(found)}"
            )
            kinds[broken.name] += 1
        seed += 1
    return kinds


def test_150_broken_plans_are_refused_by_name(random_fleets):
    assert _run(random_fleets, 150).total() == 150


@pytest.mark.slow
def test_1000_broken_plans_are_refused_by_name_and_every_kind_occurs(random_fleets):
    from wish_mutations import MUTATORS

    kinds = _run(random_fleets, 1000)
    assert kinds.total() == 1000
    assert set(kinds) == {mutator.__name__ for _, mutator in MUTATORS}


def test_mutations_break_every_rule_that_a_plan_object_can_break():
    from wish_mutations import MUTATORS

    from tripplan.plan.check import Rule

    document_only = {"format", "trip count"}
    # the first needs a forecast in which a fresh pack lasts shorter, the other a plan that visits nobody
    by_hand_only = {"needless swap", "said to be proved"}
    assert {rule for rule, _ in MUTATORS} | document_only | by_hand_only == {str(rule) for rule in Rule}
