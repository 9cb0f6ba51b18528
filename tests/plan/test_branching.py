"""Branching on the trips made by a date: never above the best plan, and not below what was known before."""

from __future__ import annotations

import numpy as np
import pytest

from tripplan.plan import branching
from tripplan.plan.branching import branch
from tripplan.plan.build import build_season
from tripplan.plan.master import Master
from tripplan.plan.pricing import Pricer
from tripplan.plan.shelf_limits import stock_rows
from tripplan.plan.trips import TripBook
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel


def _branched(season, fleet, target, rng, nodes):
    """Branch from a linear programme that was hardly priced, so that it has much to split; return the cases too."""
    rows = build_windows(season, fleet.plan.fallback_dates).rows
    root = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
    for index, day in enumerate(season.days):
        for s in sorted(day.spans):
            if rng.random() < 0.5 and root.book.fits(index, (s,)):
                root.add(index, (s,), usable=True)
    risen, looks = [], []
    least = branch(
        root,
        target,
        nodes=nodes,
        rounds=6,
        go_on=lambda: True,
        look=lambda: looks.append(1) or target,
        report=risen.append,
    )
    return least, risen, len(looks)


@pytest.mark.parametrize("most", [3, pytest.param(12, marks=pytest.mark.slow)])
def test_branching_never_lifts_the_bound_above_the_best_plan(random_fleets, best_of_tiny, monkeypatch, most):
    """Any date and any number make two cases that hold every plan between them, so they are drawn at random."""
    from brute_force import TooLargeError

    checked = tight = split = 0
    for seed in range(800):
        fleet, outlook = random_fleets.tiny_season(seed)
        travel = measure_travel(fleet)
        try:
            best = best_of_tiny(seed)
        except TooLargeError:
            continue
        if best.late_sites or best.trips < 2:
            continue
        season = build_season(fleet, outlook, travel)
        rng = np.random.default_rng(seed)

        def any_span(master, rng=rng):
            day = int(rng.integers(master.season.n_days))
            indices = frozenset(k for k, one in enumerate(master.season.days) if one.day <= day)
            return indices, int(rng.integers(3))

        monkeypatch.setattr(branching, "_span", any_span)
        # a target that no plan needs: cases go on being split
        least, risen, looks = _branched(season, fleet, best.trips + 1, rng, 6)
        assert least <= best.trips, f"WRONG BOUND, tiny {seed}: {least} above {best.trips} trips"
        assert risen == sorted(set(risen)), "a bound only rises"
        checked += 1
        tight += least == best.trips
        split += looks
        if checked == most:
            break
    assert checked == most
    assert split >= most, f"only {split} pairs of cases"
    assert tight >= 0.5 * checked, f"meets {tight} of {checked}"


def test_branching_stops_when_told_to_and_gives_what_was_known(random_fleets):
    fleet, outlook = random_fleets.tiny_season(3)
    season = build_season(fleet, outlook, measure_travel(fleet))
    rows = build_windows(season, fleet.plan.fallback_dates).rows
    root = Master(season, rows, stock_rows(season), TripBook(season), Pricer(season))
    known = root.whole_bound
    assert (
        branch(root, known + 3, nodes=0, rounds=1, go_on=lambda: True, look=lambda: 9, report=print) == known
    )
    assert (
        branch(root, known + 3, nodes=9, rounds=1, go_on=lambda: False, look=lambda: 9, report=print) == known
    )
