"""Fleets with packs for the tests of supply, and plans laid by the simple planner."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from tripplan.fleet import Fleet
from tripplan.forecast import forecast_fleet
from tripplan.forecast.outlook import Outlook
from tripplan.pipeline.demo import DEMO_TODAY
from tripplan.plan.document import Plan
from tripplan.travel import Travel, measure_travel


@dataclass(frozen=True)
class Season:
    fleet: Fleet
    outlook: Outlook
    travel: Travel
    plan: Plan

    @property
    def rests_on(self) -> tuple[Fleet, Outlook, Travel, Plan]:
        return self.fleet, self.outlook, self.travel, self.plan


def lay(fleet: Fleet, outlook: Outlook) -> Season:
    from greedy_plan import greedy_plan

    travel = measure_travel(fleet)
    return Season(fleet, outlook, travel, greedy_plan(fleet, outlook, travel))


@pytest.fixture(scope="session")
def valley(valley_fleet) -> Season:
    """The demo with a quick plan that the checker passes."""
    return lay(valley_fleet, forecast_fleet(valley_fleet, DEMO_TODAY))


@pytest.fixture(scope="session")
def laid():
    """Lay a quick plan for any fleet and outlook."""
    return lay
