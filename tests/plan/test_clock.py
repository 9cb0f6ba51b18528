"""Rounds of like length under a time limit: the first may run on, no later one begins that could not end."""

from __future__ import annotations

import signal
from concurrent.futures import ThreadPoolExecutor

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


@pytest.fixture
def told():
    """Interrupts that whoever listens outside was told of; they raise there."""
    heard = []

    def outside(number, frame):
        heard.append(number)
        signal.default_int_handler(number, frame)

    before = signal.signal(signal.SIGINT, outside)
    yield heard
    assert signal.getsignal(signal.SIGINT) is outside, "it listens again"
    signal.signal(signal.SIGINT, before)


def _interrupt():
    signal.raise_signal(signal.SIGINT)


def test_an_interrupt_ends_a_search_and_is_remembered_after_it(told):
    clock = Clock(None)
    with clock.hearing():
        with pytest.raises(KeyboardInterrupt), clock.raising():
            _interrupt()
        assert not clock.stopped, "whoever searched says so"
        _interrupt()
        assert clock.stopped
        assert not clock.go_on()
    assert len(told) == 2


def test_a_second_interrupt_ends_what_only_remembers(told):
    clock = Clock(None, raises=False)
    with clock.hearing():
        _interrupt()
        assert clock.stopped
        with pytest.raises(KeyboardInterrupt):
            _interrupt()
    assert len(told) == 2


def test_before_the_first_search_an_interrupt_ends_all(told):
    clock = Clock(None)
    with pytest.raises(KeyboardInterrupt), clock.hearing():
        _interrupt()
    assert told
    assert not clock.stopped


def test_interrupts_that_are_ignored_stay_so():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        clock = Clock(None)
        with clock.hearing():
            _interrupt()
        assert not clock.stopped
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_thread_hears_no_interrupts():
    with ThreadPoolExecutor(1) as pool:

        def listen():
            with Clock(None).hearing():
                return signal.getsignal(signal.SIGINT)

        assert pool.submit(listen).result() is signal.getsignal(signal.SIGINT)
