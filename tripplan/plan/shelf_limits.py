"""What the shelf can give in spans of days, as rows of the linear programme over trips."""

from __future__ import annotations

from tripplan.plan.charging import most_charged
from tripplan.plan.rows import StockRow
from tripplan.plan.season import Season

__all__ = ["stock_rows"]


def stock_rows(season: Season) -> tuple[StockRow, ...]:
    """Rows of the shelf that could bind: spans of at most three weeks, and all that begin on day 0."""
    fleet = season.fleet
    if not fleet.stock_is_kept:
        return ()
    days = sorted({day.day for day in season.days if day.spans})
    rows = []
    for name in sorted({task.site.pack_type for task in season.tasks}):
        sites = sum(task.site.pack_type == name for task in season.tasks)
        for a, since in enumerate(days):
            last_cap = -1
            for until in days[a:]:
                if until - since > 21:
                    break
                cap = most_charged(fleet, season.first, name, since, until, season.coming_in(name, until))
                if cap < sites and cap != last_cap:
                    rows.append(StockRow(name, since, until, cap))
                elif cap < sites:
                    rows[-1] = StockRow(name, since, until, cap)
                last_cap = cap
        for until in days:
            cap = most_charged(fleet, season.first, name, 0, until, season.coming_in(name, until))
            if cap < 2 * sites:
                rows.append(StockRow(name, 0, until, cap))
    return tuple(dict.fromkeys(rows))
