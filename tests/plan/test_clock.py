"""Rounds of like length under a time limit: the first may run on, no later one begins that could not end."""

from __future__ import annotations

import pytest

from tripplan.plan import clock as clocks
from tripplan.plan.clock import Clock, Rounds


@pytest.fixture
def now(monkeypatch):
    at = [100.0]
    monkeypatch.setattr(clocks.time, "monotonic", lambda: at[0])
    return at


def test_a_round_begins_only_if_one_like_the_last_would_end_in_time(now):
    rounds = Rounds(Clock(100.0, begun=100.0), first=0.95, later=0.8)
    for seconds, may in ((30.0, True), (25.0, True), (24.9, False)):  # ends at 30, 55 and 79.9
        assert rounds.go_on()
        now[0] += seconds
        rounds.ended()
        assert rounds.go_on() is may
    now[0] = 100.0
    assert not rounds.go_on(), "what was stopped stays so"


def test_the_first_round_may_take_longer(now):
    rounds = Rounds(Clock(100.0, begun=100.0), first=0.95, later=0.8)
    now[0] += 94.0
    assert rounds.go_on()
    now[0] += 2.0
    assert not rounds.go_on()


def test_without_a_limit_only_an_interrupt_stops(now):
    clock = Clock(None, begun=100.0)
    rounds = Rounds(clock, first=0.1, later=0.1)
    for _ in range(3):
        now[0] += 1e6
        rounds.ended()
        assert rounds.go_on()
    clock.stopped = True
    assert not rounds.go_on()
