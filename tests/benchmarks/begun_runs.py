"""A season whose search has begun: a plan built, its linear programme solved, the bound not yet met."""

from __future__ import annotations

from season_instances import TODAY, make_fleet

from tripplan.forecast import forecast_fleet
from tripplan.plan.build import build_season
from tripplan.plan.clock import Clock
from tripplan.plan.effort import Effort
from tripplan.plan.run import Run
from tripplan.plan.windows import build_windows
from tripplan.travel import measure_travel

__all__ = ["begin_run"]


def begin_run() -> Run:
    """Return it: fifteen sites, half a year; each time the same."""
    fleet = make_fleet(3, 15, 26)
    season = build_season(fleet, forecast_fleet(fleet, TODAY), measure_travel(fleet))
    run = Run(season, build_windows(season, 0), Clock(None), Effort(), 1, None)
    run.search.offer({})
    run.search.offer(run.search.build(whole=True))
    run.master.generate(2, go_on=lambda: True, report=lambda: None)
    run.master.multipliers()
    return run
