"""What every plan owes that serves the sites as well as one found: what a bound on its trips may count on."""

from __future__ import annotations

from dataclasses import dataclass

from tripplan.plan.season import Season, Window
from tripplan.plan.solution import Judge, Trips
from tripplan.plan.windows import WindowSet, build_windows

__all__ = ["Owed", "owed_by", "owed_if_bent"]


@dataclass(frozen=True)
class Owed:
    """
    Windows that count in every equally good plan, but for those of so many sites, whichever they are.

    Attributes
    ----------
    rows : tuple of Window
        The windows.
    forgiven : int
        Sites of which no window counts.
    plain : bool
        Whether all windows of the season count.
    bends : bool
        Whether no fallback date counts.
    late : int
        Sites that are late in the plan found.
    """

    rows: tuple[Window, ...]
    forgiven: int
    plain: bool
    bends: bool
    late: int

    def within(self, other: Owed) -> bool:
        """Tell whether a bound for what the other owes holds here too."""
        return self.late <= other.late and (other.bends or not self.bends)


def owed_by(season: Season, windows: WindowSet, judge: Judge, trips: Trips, *, bent: bool) -> Owed:
    """
    Return what every plan owes that serves the sites as well as some trips do.

    Parameters
    ----------
    season : Season
        The problem.
    windows : WindowSet
        Its windows, with the fallback dates asked for.
    judge : Judge
        Tells which sites are late.
    trips : mapping of int to frozenset of int
        Visits by day index.
    bent : bool
        Whether some sites were given up their fallback dates before.

    Returns
    -------
    Owed
        Windows and the number of sites whose windows do not count.
    """
    days = judge.visit_days(trips)
    late = {s for s in days if judge.late_days_of(s, days[s])}
    more = len(late - set(windows.sure_late))
    # a plan that itself leaves too few fallback dates somewhere is as good as others that do
    bends = bent or _bends(season, windows, judge.missed(trips))
    plain = not more and not windows.sure_late and not bends
    # where some sites bent, others might bend in an equally good plan: no fallback counts at all
    counted = build_windows(season, 0) if bends or more else windows
    rows = counted.bound_rows
    if not plain:
        rows = tuple(row for row in rows if row.site not in counted.sure_late)
    forgiven = len(late - set(counted.sure_late))
    return Owed(rows, forgiven, plain=plain, bends=bends or bool(more), late=len(late))


def _bends(season: Season, windows: WindowSet, missed: list[Window]) -> bool:
    """Tell whether some of the windows missed are missed for their fallback dates, not for being late."""
    if not missed:
        return False
    late = {(row.site, row.days) for row in build_windows(season, 0).rows}
    return any(row.site not in windows.sure_late or (row.site, row.days) not in late for row in missed)


def owed_if_bent(season: Season) -> Owed:
    """
    Return what every plan owes that is late only where every plan is, whatever fallback dates it leaves.

    Parameters
    ----------
    season : Season
        The problem.

    Returns
    -------
    Owed
        Windows without fallback dates; none is forgiven.
    """
    counted = build_windows(season, 0)
    rows = tuple(row for row in counted.bound_rows if row.site not in counted.sure_late)
    return Owed(rows, 0, plain=False, bends=True, late=len(counted.sure_late))
