"""
The steps in order: files, forecast, travel, plan, check, kit.

Every function takes a folder and returns a frozen result; nothing here prints. A plan is written,
or read back and used, only after the independent checker has passed it.
"""

from tripplan.pipeline.demo import DEMO_TIME_LIMIT_S, DEMO_TODAY, DemoResult, run_demo
from tripplan.pipeline.field import TripResult, run_trip
from tripplan.pipeline.handover import HandoverResult, run_handover
from tripplan.pipeline.overview import OverviewResult, run_overview
from tripplan.pipeline.season import (
    CALENDAR_NAME,
    FORECAST_NAME,
    PLAN_NAME,
    ForecastResult,
    PlanResult,
    Reports,
    Silent,
    keep_forecast,
    run_forecast,
    run_plan,
)
from tripplan.pipeline.supplies import PacksResult, SparesResult, run_packs, run_spares
from tripplan.pipeline.wishes import WISHES_NAME, Asked

__all__ = [
    "CALENDAR_NAME",
    "DEMO_TIME_LIMIT_S",
    "DEMO_TODAY",
    "FORECAST_NAME",
    "PLAN_NAME",
    "WISHES_NAME",
    "Asked",
    "DemoResult",
    "ForecastResult",
    "HandoverResult",
    "OverviewResult",
    "PacksResult",
    "PlanResult",
    "Reports",
    "Silent",
    "SparesResult",
    "TripResult",
    "keep_forecast",
    "run_demo",
    "run_forecast",
    "run_handover",
    "run_overview",
    "run_packs",
    "run_plan",
    "run_spares",
    "run_trip",
]
