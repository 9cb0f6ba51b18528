"""Exchanges of two trips: they cost what the plan then lacks more, and leave trips that can be driven."""

from __future__ import annotations

import numpy as np
import pytest
from season_instances import TODAY, make_fleet

from tripplan.forecast import forecast_fleet
from tripplan.plan.build import build_season
from tripplan.plan.neighbourhoods import MOST_PARKS, MOST_SITES, neighbourhoods
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.squeeze import Squeeze
from tripplan.plan.squeeze_exchange import find_exchange, make_exchange
from tripplan.plan.squeeze_kernels import squeeze
from tripplan.plan.squeeze_stops import MOST_STOPS
from tripplan.plan.squeeze_tables import (
    AROUND,
    CAP,
    COVER,
    DAY,
    FROZEN,
    LOCK,
    OPEN,
    OWNER,
    PARK,
    PENALTY,
    POOL,
    USED,
)
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel

_MOST = 64
_DEAR = 1 << 60


def _lacks(state):
    """The penalties of the windows without a visit."""
    return int(state.windows[state.windows[:, COVER] == 0, PENALTY].sum())


def _trips(state):
    return {
        int(i): frozenset(state.visits[i, : state.visits[i, -1]].tolist())
        for i in np.flatnonzero(state.visits[:, -1])
    }


def _begun(seed, most, locked):
    """A season of 20 sites with too few trips, some windows open, and some trips that must stay as they are."""
    fleet = make_fleet(seed, 20, 26)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
    squeezer = Squeeze(season, build_windows(season, 0).rows, stock_rows(season), lambda _: ())
    plain = squeezer._plain
    state = squeezer._begin(plain, {}, [])
    squeeze(plain, state, most, 400, 10, seed)
    days = plain.days.copy()
    days[np.flatnonzero(state.visits[:, -1])[:locked], LOCK] = FROZEN
    return season, plain._replace(days=days), state


@pytest.mark.parametrize("by", [PARK, AROUND])
def test_an_exchange_costs_what_is_lost_and_leaves_trips_that_can_be_driven(by):
    work = np.zeros((2 + (1 << MOST_STOPS), _MOST + 1), np.int64)
    two, trial = np.zeros((2, 2, _MOST + 2), np.int64)
    places, held = np.zeros(_MOST, np.int64), np.zeros(_MOST + 1, np.int64)
    exchanged = thrown = 0
    for seed in (1, 2, 3, 4):
        season, plain, state = _begun(seed, 6, 1)
        book = TripBook(season)
        for turn in range(40):
            if state.tally[OPEN] == 0:
                break
            r = int(state.windows[turn % state.tally[OPEN], POOL])
            before, lacked = _trips(state), _lacks(state)
            cost = find_exchange(plain, state, r, by, _DEAR, two, trial, places, work)
            if cost == _DEAR:
                continue
            make_exchange(plain, state, two, held)
            after = _trips(state)
            assert _lacks(state) - lacked <= cost, f"seed {seed}, turn {turn}"
            assert state.windows[r, COVER] > 0
            changed = {i for i in before if after.get(i) != before[i]}
            assert changed == {int(i) for i in two[:, -1] if i >= 0 and after[int(i)] != before[int(i)]}
            assert set(after) == set(before), "a trip came or went"
            assert any(int(state.windows[r, OWNER]) in after[i] - before[i] for i in changed)
            assert not any(plain.days[i, LOCK] == FROZEN for i in changed)
            assert all(book.fits(i, after[i]) for i in changed)
            assert (state.stock[:, USED] <= state.stock[:, CAP]).all()
            cover = [
                sum(s == state.windows[w, OWNER] and plain.holds[w, plain.days[i, DAY]] for s in after[i])
                for w in range(len(state.windows))
                for i in after
            ]
            assert (np.reshape(cover, (-1, len(after))).sum(axis=1) == state.windows[:, COVER]).all()
            state.windows[r, PENALTY] += 1
            state.stamp[state.windows[r, OWNER]] += 1
            exchanged += len(changed) == 2
            thrown += len(changed) == 1
    assert exchanged > 20
    assert thrown > 0


def test_nothing_is_exchanged_for_a_limit_that_nothing_undercuts():
    _, plain, state = _begun(1, 6, 0)
    work = np.zeros((2 + (1 << MOST_STOPS), _MOST + 1), np.int64)
    two, trial = np.zeros((2, 2, _MOST + 2), np.int64)
    places = np.zeros(_MOST, np.int64)
    r = int(state.windows[0, POOL])
    cheapest = find_exchange(plain, state, r, AROUND, _DEAR, two, trial, places, work)
    assert cheapest < _DEAR
    assert find_exchange(plain, state, r, AROUND, cheapest, two, trial, places, work) == cheapest
    assert find_exchange(plain, state, r, AROUND, cheapest + 1, two, trial, places, work) == cheapest


def test_near_parkings_make_a_neighbourhood_of_few_sites_and_parkings():
    at = np.array([0, 1, 2, 3, 100, 101, 200])  # [s]
    move = np.abs(at[:, None] - at).astype(np.int32)
    group = neighbourhoods(move, np.array([1, 1, 1, 1, 4, 4, 1]))
    sizes = [np.flatnonzero(group == g).tolist() for g in np.unique(group)]
    assert all(len(parks) <= MOST_PARKS for parks in sizes)
    assert group[0] == group[1] == group[2] != group[3], "three parkings at the most"
    assert group[4] != group[5], f"together they would have more than {MOST_SITES} sites"
