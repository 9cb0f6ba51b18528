"""
Bounds against the enumeration where the rules pull hardest: long jobs, odd lives, bare shelves, slow chargers.

The bound is taken before it is cut off at the plan's own number of trips, so that a wrong one shows even where the
plan is as good as can be. Plans that leave too few fallback dates somewhere count, and searches that stop midway or have little time.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import pytest

from tripplan.fleet import AccessRule, Charger, Fleet, Job, PackState
from tripplan.forecast.outlook import Outlook
from tripplan.plan import Progress, check_plan, narrow, plan_season, run, solve
from tripplan.plan.effort import Effort
from tripplan.travel import measure_travel


def _with_odd_lives(rng: random.Random, outlook: Outlook) -> Outlook:
    """Let fresh packs last no longer for a while, hardly at all, or no longer than the one in place."""
    renewals = dict(outlook.renewals)
    n_days = (outlook.to - outlook.on).days
    for name, one in renewals.items():
        if rng.random() < 0.5:
            continue
        swap_by = np.asarray(one.swap_by).copy()
        in_place = outlook.sites[name].swap_by.toordinal()
        some = rng.randrange(1, n_days)
        match rng.choice(("plateau", "short", "shorter", "same")):
            case "plateau":
                swap_by[:some] = swap_by[0]
            case "short":
                swap_by = np.arange(len(swap_by)) + outlook.on.toordinal() + rng.randrange(3, 12)
            case "shorter":
                swap_by[:some] = min(in_place - 1, int(swap_by[0]))
            case _:
                swap_by[:some] = in_place
        swap_by = np.maximum.accumulate(swap_by)
        renewals[name] = replace(
            one, swap_by=swap_by, flat_early=swap_by + 1, flat_likely=swap_by + 9, flat_late=swap_by + 20
        )
    return replace(outlook, renewals=renewals)


def _with_long_jobs_and_gates(rng: random.Random, fleet: Fleet, outlook: Outlook) -> Fleet:
    n_days = (outlook.to - outlook.on).days
    jobs, access, sites = list(fleet.jobs), dict(fleet.access), list(fleet.sites)
    for k, site in enumerate(fleet.sites):
        if rng.random() < 0.4:
            due = outlook.on + timedelta(days=rng.randrange(-3, n_days + 9))
            minutes = rng.choice((30.0, 90.0, 180.0, 300.0))
            jobs.append(Job(site.site_id, f"long {k}", due if rng.random() < 0.4 else None, minutes))
        if rng.random() < 0.3:
            turn, name = outlook.on + timedelta(days=rng.randrange(1, n_days)), f"gate {k}"
            hours = [(480, 1000), (600, rng.choice((640, 660)))]
            rng.shuffle(hours)
            spans = ((outlook.on - timedelta(days=9), turn), (turn + timedelta(days=1), outlook.to))
            access[name] = tuple(
                AccessRule(name, season_from=first, season_to=last, from_minute=opens, to_minute=closes)
                for (first, last), (opens, closes) in zip(spans, hours, strict=True)
            )
            sites[k] = replace(site, access=name)
    return replace(fleet, jobs=tuple(jobs), access=access, sites=tuple(sites))


def _with_bare_shelf(rng: random.Random, fleet: Fleet) -> Fleet:
    if fleet.packs is None:
        kinds = {
            name: replace(kind, shelf_charged=rng.choice((0, 0, 1, 1, 2)))
            for name, kind in fleet.pack_types.items()
        }
        fleet = replace(fleet, pack_types=kinds)
    else:
        packs = tuple(
            pack
            if pack.where != "shelf" or rng.random() < 0.6
            else replace(pack, state=rng.choice((PackState.FLAT, PackState.SUSPECT)))
            for pack in fleet.packs
        )
        fleet = replace(fleet, packs=packs)
    names = sorted(fleet.pack_types)
    hours = (5.9, 6.5, 9.0, 13.0, 24.0, 36.5, 50.0, 130.0)
    chargers = tuple(
        Charger(
            tuple(rng.sample(names, rng.randint(1, len(names)))), rng.choice(hours), rng.choice((1, 1, 2))
        )
        for _ in range(rng.choice((0, 1, 1, 2)))
    )
    return replace(fleet, chargers=chargers)


def _hostile_season(random_fleets, rng: random.Random) -> tuple[Fleet, Outlook]:
    fleet, outlook = random_fleets.tiny_season(rng.randrange(10**8))
    if rng.random() < 0.6:
        fleet, outlook = random_fleets.with_devices(fleet, outlook, rng.randrange(10**8))
    outlook = _with_odd_lives(rng, outlook)
    fleet = _with_long_jobs_and_gates(rng, fleet, outlook)
    crews = tuple(
        replace(
            crew,
            carry_kg=rng.choice((crew.carry_kg, 3.0, 3.1, 2.4, 6.1)),
            packs_aboard=rng.choice((crew.packs_aboard, 1, 2)),
            people=rng.choice((crew.people, ("Ada",), ("ada ", "Bo"))),
        )
        for crew in fleet.crews
    )
    plan = replace(fleet.plan, fallback_dates=rng.choice((0, 0, 1, 1, 2, 3)))
    fleet = replace(fleet, crews=crews, plan=plan)
    return (_with_bare_shelf(rng, fleet) if rng.random() < 0.6 else fleet), outlook


@dataclass
class _Ticking(run.Clock):
    """Goes on by a hundredth of a second each time it is read, so that a limit is as good on any machine."""

    read: int = 0

    @property
    def elapsed_s(self) -> float:
        self.read += 1
        return 0.01 * self.read


def _attack(random_fleets, monkeypatch, wanted: int) -> Counter[str]:
    """Compare the bounds of so many seasons that can be enumerated; fail on the first wrong one."""
    import brute_force

    monkeypatch.setattr(brute_force, "_MOST_STATES", 2500)
    best_run, go_on = solve._best_run, run.Clock.go_on
    runs: list[run.Run] = []

    def keep(*args):
        runs.append(best_run(*args))
        return runs[-1]

    monkeypatch.setattr(solve, "_best_run", keep)
    counts: Counter[str] = Counter()
    seed = -1
    while counts["compared"] < wanted:
        seed += 1
        rng = random.Random(f"hostile {seed}")
        fleet, outlook = _hostile_season(random_fleets, rng)
        travel = measure_travel(fleet)
        try:
            best = brute_force.solve_by_force(fleet, outlook, travel)
            free = replace(fleet, plan=replace(fleet.plan, fallback_dates=0))
            loose = brute_force.solve_by_force(free, outlook, travel)
        except brute_force.TooLargeError:
            continue
        # long seasons take their multipliers from the middle; some of these do too
        monkeypatch.setattr(narrow, "_MANY_WINDOWS", rng.choice((800, 800, 0, 10)))
        left = [rng.choice((10**9, 10**9, rng.randrange(1, 400)))]

        def stop_midway(clock, share=1.0, left=left):
            left[0] -= 1
            return left[0] > 0 and go_on(clock, share)

        monkeypatch.setattr(run.Clock, "go_on", stop_midway)
        # with a limit, sites give up fallback dates sooner
        limit_s = rng.choice((None, None, 2.0))
        monkeypatch.setattr(solve, "Clock", lambda _, limit_s=limit_s: _Ticking(limit_s))
        told: list[Progress] = []
        effort = Effort().short()
        plan = plan_season(fleet, outlook, travel, made_on=outlook.on, effort=effort, progress=told.append)
        bound = runs[-1].bound
        claimed = max((how_far.lower_bound for how_far in told[-1:] if how_far.in_time), default=0)
        assert claimed <= max(bound, plan.lower_bound), f"told of {claimed} trips at least, hostile {seed}"
        assert check_plan(fleet, outlook, travel, plan) == (), f"hostile {seed}"
        found = brute_force.stage_values(plan, fleet)
        bends = bool(brute_force.untried_visits(fleet, outlook, travel, plan))
        target = loose if bends else best
        counts["compared"] += 1
        counts["bends"] += bends
        assert sum(late.proved for late in plan.unserved) <= target.late_sites, f"WRONG PROOF, hostile {seed}"
        if found[:2] == target[:2]:
            assert bound <= target.trips, f"WRONG BOUND, hostile {seed}: {bound} above {target}"
            counts["as good"] += 1
            counts["tight"] += bound == target.trips
    return counts


def test_no_bound_of_a_hostile_season_is_above_the_enumeration(random_fleets, monkeypatch):
    counts = _attack(random_fleets, monkeypatch, 15)
    assert counts["as good"] >= 10
    assert counts["tight"] >= 6


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_no_bound_of_400_hostile_seasons_is_above_the_enumeration(random_fleets, monkeypatch):
    counts = _attack(random_fleets, monkeypatch, 400)
    print(dict(counts))
    assert counts["bends"]
    assert counts["tight"] >= 200
