"""What is said not to fit into one trip fits by no count: not by the planner's, nor by the days counted by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from day_by_hand import Call, Country, best_day
from greedy_plan import work_seconds
from typed_seasons import SATURDAYS, lasting, make_fleet, make_outlook, make_site

from tripplan.plan import may_fit
from tripplan.plan.build import build_season
from tripplan.plan.document import VisitKind
from tripplan.plan.may_fit import MayFit
from tripplan.plan.trips import TripBook
from tripplan.travel import measure_travel


@pytest.mark.parametrize(
    "seeds", [range(12), pytest.param(range(12, 300), marks=[pytest.mark.slow, pytest.mark.timeout(3600)])]
)
def test_no_trip_that_can_be_made_is_ruled_out(random_fleets, seeds):
    made = ruled_out = 0
    for seed in seeds:
        fleet, outlook = random_fleets.tiny_season(seed)
        rng = np.random.default_rng(seed)
        crews = (  # short days, so that not everything fits
            replace(crew, day_end_minute=crew.day_start_minute + int(rng.integers(90, 300)), packs_aboard=3)
            for crew in fleet.crews
        )
        fleet = replace(fleet, crews=tuple(crews))
        travel = measure_travel(fleet)
        season = build_season(fleet, outlook, travel)
        book, may, country = TripBook(season), MayFit(season), Country(fleet, travel)
        for index in rng.permutation(len(season.days))[:3].tolist():
            day = season.days[index]
            crew, when = fleet.crews[day.crew], season.date_of(day.day)
            for visits in (some for n in (1, 2, 3, 4) for some in combinations(sorted(day.spans), n)):
                calls = {}
                for s in visits:
                    task = season.tasks[s]
                    kind = VisitKind.SWAP if task.pays[day.day] else VisitKind.CALL
                    kind = VisitKind.TAKE_IN if task.takes_in(day.day) else kind
                    calls[task.site.site_id] = Call(work_seconds(fleet, task.site, with_jobs=False), kind)
                by_hand = best_day(country, crew, when, calls) is not None
                if by_hand or book.fits(index, visits):
                    assert may.fits(index, visits), f"tiny {seed}, {when}, {sorted(calls)}"
                    made += 1
                else:
                    ruled_out += not may.fits(index, visits)
    assert made > 3 * len(seeds)
    assert ruled_out > len(seeds) / 2


def test_more_visits_than_are_put_in_order_are_ruled_out_by_some_of_them(monkeypatch):
    monkeypatch.setattr(may_fit, "_MOST_VISITS", 3)
    sites = [make_site(f"S{k}", 0.5 + 0.01 * k, work_minutes=120.0) for k in range(6)]
    fleet = make_fleet(sites, crews=(SATURDAYS,))
    outlook = make_outlook(fleet, {site.site_id: 10 for site in sites}, lasting(100))
    book = MayFit(build_season(fleet, outlook, measure_travel(fleet)))
    assert book.fits(0, range(3))
    assert book.fits(0, range(5))  # each three of them fit: nothing is said
    long = make_fleet([make_site(f"S{k}", 0.5, work_minutes=300.0) for k in range(5)])
    assert not MayFit(build_season(long, outlook, measure_travel(long))).fits(0, range(5))
