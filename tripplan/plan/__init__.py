"""Swap-by dates and minutes to trips; lower bound; independent check; reasons."""

from __future__ import annotations

from tripplan.plan.check import Refusal, check_plan
from tripplan.plan.solve import Progress, plan_season

__all__ = ["Progress", "Refusal", "check_plan", "plan_season"]
