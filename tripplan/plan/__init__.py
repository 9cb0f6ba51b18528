"""
Swap-by dates and minutes to trips; lower bound; independent check; reasons.

What the package offers is loaded when first asked for: reading a plan back does not wait for the solvers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tripplan.plan.check import Refusal, check_plan
    from tripplan.plan.solve import Progress, plan_season

__all__ = ["Progress", "Refusal", "check_plan", "plan_season"]


def __getattr__(name: str) -> Any:
    if name in {"Refusal", "check_plan"}:
        from tripplan.plan import check

        return getattr(check, name)
    if name in {"Progress", "plan_season"}:
        from tripplan.plan import solve

        return getattr(solve, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
