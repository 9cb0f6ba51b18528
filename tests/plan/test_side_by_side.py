"""The planners that the season is compared with, and the one count that judges them all."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tripplan.forecast import forecast_fleet
from tripplan.plan import plan_season
from tripplan.travel import measure_travel


@pytest.fixture(scope="module")
def eight():
    from season_instances import TODAY, make_fleet

    fleet = make_fleet(2, 8, 20)
    return fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet)


def test_the_count_agrees_with_the_plans_it_counts(eight):
    from greedy_plan import greedy_plan
    from schedules import of_plan, tally

    plan = greedy_plan(*eight)
    count = tally(*eight[:2], of_plan(plan))
    assert (count.trips, count.late_sites, count.late_days, count.short) == (
        plan.trip_count,
        plan.late_sites,
        plan.late_days,
        0,
    )
    assert count.dark_days == pytest.approx(plan.expected_dark_days)
    assert count.hours == pytest.approx(plan.crew_seconds / 3600)
    nobody = tally(*eight[:2], {})
    assert nobody.dark_days > count.dark_days
    assert nobody.late_sites == 8


def test_the_round_visits_every_site_every_four_months(eight):
    from round_plan import ROUND_DAYS, round_schedule
    from schedules import tally

    fleet, outlook, travel = eight
    done = round_schedule(fleet, outlook, travel)
    oldest = min(pack.since for pack in fleet.packs if pack.since is not None)
    assert min(done) >= oldest + timedelta(days=ROUND_DAYS)
    visits = [name for outing in done.values() for name in outing.site_ids]
    assert set(visits) <= {site.site_id for site in fleet.sites}
    spared = [site.site_id for site in fleet.sites if site.pack_type == "SLA12"]
    assert set(spared) <= set(visits)  # the one 6 V site has no spare
    assert tally(fleet, outlook, done).short == 0


def test_one_circuit_a_date_finds_no_fewer_trips_than_are_needed(eight):
    from circuits import circuits_schedule
    from schedules import tally
    from season_instances import TODAY

    plan = plan_season(*eight, made_on=TODAY)
    answer = circuits_schedule(*eight, seconds=4, workers=1)
    assert answer.bound <= plan.trip_count
    if answer.schedule is not None:  # a slow machine may not find one
        count = tally(*eight[:2], answer.schedule)
        assert count.trips >= plan.lower_bound
        assert count.late_days == plan.late_days
        assert 3600 * count.hours >= plan.crew_seconds_bound or count.trips > plan.trip_count
