"""What changed between two plans of one fleet: trips kept, changed, moved, added and dropped, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from tripplan.plan.document import Plan, Trip, VisitKind

__all__ = ["PlanDifference", "SiteChange", "TripChange", "TripFate", "compare_plans"]


class TripFate(StrEnum):
    """What became of a trip."""

    KEPT = "kept"
    CHANGED = "changed"
    MOVED = "moved"
    ADDED = "added"
    DROPPED = "dropped"
    BEHIND = "behind"


@dataclass(frozen=True)
class TripChange:
    """
    One trip in both plans, or in one of them.

    Attributes
    ----------
    before, after : Trip or None
        The trip in either plan. Both stand where it was kept (same date, crew and sites), changed
        (same date and crew, other sites) or moved (another date or crew, at least one site the same).
    why : str
        The reason, as a clause; empty for a trip that was kept.
    """

    fate: TripFate
    before: Trip | None
    after: Trip | None
    why: str = ""

    @property
    def joined(self) -> tuple[str, ...]:
        """Sites visited only by the later plan's trip, in visiting order."""
        return _without(self.after, self.before)

    @property
    def left(self) -> tuple[str, ...]:
        """Sites visited only by the earlier plan's trip, in visiting order."""
        return _without(self.before, self.after)

    def __str__(self) -> str:
        """Return the line that a user reads."""
        return _trip_text(self) + (f" ({self.why})" if self.why else "")


@dataclass(frozen=True)
class SiteChange:
    """
    A site whose dates of visits changed.

    Attributes
    ----------
    before, after : tuple of datetime.date
        Dates of its visits in either plan, from the later plan's first day on.
    why : str
        The reason, as a clause.
    """

    site_id: str
    before: tuple[date, ...]
    after: tuple[date, ...]
    why: str

    def __str__(self) -> str:
        """Return the line that a user reads."""
        return f"{self.site_id}: {_dates(self.before)} -> {_dates(self.after)} ({self.why})"


@dataclass(frozen=True)
class PlanDifference:
    """
    Two plans side by side; made by `compare_plans`.

    Attributes
    ----------
    trips : tuple of TripChange
        By date, earlier plan's date first where both have one.
    sites : tuple of SiteChange
        By site id; only sites whose dates changed.
    """

    trips: tuple[TripChange, ...]
    sites: tuple[SiteChange, ...]

    @property
    def is_empty(self) -> bool:
        """Whether every trip still ahead was kept as it was, and no site moved."""
        return not self.sites and all(one.fate in (TripFate.KEPT, TripFate.BEHIND) for one in self.trips)

    def count(self, fate: TripFate) -> int:
        """
        Return how many trips came to one fate.

        Parameters
        ----------
        fate : TripFate
            Which.

        Returns
        -------
        int
            Number of trips.
        """
        return sum(one.fate is fate for one in self.trips)

    @property
    def headline(self) -> str:
        """One line: how many trips were kept, changed, moved, added, dropped."""
        if self.is_empty:
            return "Nothing has changed since the last plan"
        counts = [f"{self.count(fate)} {fate}" for fate in TripFate if self.count(fate)]
        return f"Trips since the last plan: {', '.join(counts)}"

    def to_json(self) -> dict[str, Any]:
        """
        Return the difference as a JSON object.

        Returns
        -------
        dict
            Ready for ``json.dump``.
        """
        return {
            "trips": [
                {
                    "fate": str(one.fate),
                    "before": None if one.before is None else one.before.trip_id,
                    "after": None if one.after is None else one.after.trip_id,
                    "joined": list(one.joined),
                    "left": list(one.left),
                    "why": one.why,
                }
                for one in self.trips
            ],
            "sites": [
                {
                    "site_id": one.site_id,
                    "before": [day.isoformat() for day in one.before],
                    "after": [day.isoformat() for day in one.after],
                    "why": one.why,
                }
                for one in self.sites
            ],
        }


def compare_plans(before: Plan, after: Plan) -> PlanDifference:
    """
    Compare two plans of one fleet.

    Parameters
    ----------
    before : Plan
        The earlier plan. Its trips before the later plan's first day lie behind: they were made, or
        missed, and are told apart from those dropped.
    after : Plan
        The later plan.

    Returns
    -------
    PlanDifference
        Empty for a plan and itself. Reasons rest on what both plans say (swap-by dates, ends of the
        season), so that they hold without the files that either plan was made from.
    """
    behind = [trip for trip in before.trips if trip.date < after.first]
    old = [trip for trip in before.trips if trip.date >= after.first]
    new = list(after.trips)
    same = {(trip.date, trip.crew): trip for trip in new}
    pairs: list[tuple[Trip, Trip]] = []
    for trip in old:
        other = same.get((trip.date, trip.crew))
        if other is not None:
            pairs.append((trip, other))
    loose_old = [trip for trip in old if not any(trip is one for one, _ in pairs)]
    loose_new = [trip for trip in new if not any(trip is one for _, one in pairs)]
    pairs.extend(_moved(loose_old, loose_new))
    why = _Reasons(before, after)
    changes = [TripChange(TripFate.BEHIND, trip, None, "its date lies behind") for trip in behind]
    for trip, other in pairs:
        fate = _fate(trip, other)
        changes.append(
            TripChange(fate, trip, other, "" if fate is TripFate.KEPT else why.of_pair(trip, other))
        )
    changes.extend(
        TripChange(TripFate.DROPPED, trip, None, why.of_dropped(trip))
        for trip in loose_old
        if not any(trip is one for one, _ in pairs)
    )
    changes.extend(
        TripChange(TripFate.ADDED, None, trip, why.of_added(trip))
        for trip in loose_new
        if not any(trip is one for _, one in pairs)
    )
    changes.sort(key=_order)
    return PlanDifference(tuple(changes), tuple(_site_changes(before, after, why)))


def _order(change: TripChange) -> tuple[date, str]:
    trip = change.before or change.after
    if trip is None:
        raise ValueError("a change without a trip")
    return trip.date, trip.trip_id


def _fate(trip: Trip, other: Trip) -> TripFate:
    if (trip.date, trip.crew) != (other.date, other.crew):
        return TripFate.MOVED
    return TripFate.KEPT if _sites(trip) == _sites(other) else TripFate.CHANGED


def _moved(old: Sequence[Trip], new: Sequence[Trip]) -> list[tuple[Trip, Trip]]:
    """Pair trips that share sites: those with most in common first, then the nearer in date."""
    options = sorted(
        (-len(_sites(a) & _sites(b)), abs((a.date - b.date).days), a.trip_id, b.trip_id, i, j)
        for i, a in enumerate(old)
        for j, b in enumerate(new)
        if _sites(a) & _sites(b)
    )
    found: list[tuple[Trip, Trip]] = []
    taken_old: set[int] = set()
    taken_new: set[int] = set()
    for *_, i, j in options:
        if i not in taken_old and j not in taken_new:
            taken_old.add(i)
            taken_new.add(j)
            found.append((old[i], new[j]))
    return found


def _sites(trip: Trip) -> frozenset[str]:
    return frozenset(visit.site_id for visit in trip.visits)


def _without(trip: Trip | None, other: Trip | None) -> tuple[str, ...]:
    if trip is None:
        return ()
    there = frozenset[str]() if other is None else _sites(other)
    return tuple(visit.site_id for visit in trip.visits if visit.site_id not in there)


def _visit_dates(plan: Plan, first: date) -> dict[str, tuple[date, ...]]:
    found: dict[str, list[date]] = {}
    for trip in plan.trips:
        if trip.date >= first:
            for visit in trip.visits:
                found.setdefault(visit.site_id, []).append(trip.date)
    return {site_id: tuple(sorted(days)) for site_id, days in found.items()}


def _site_changes(before: Plan, after: Plan, why: _Reasons) -> Iterator[SiteChange]:
    was, now = _visit_dates(before, after.first), _visit_dates(after, after.first)
    for site_id in sorted({*was, *now}):
        if was.get(site_id, ()) != now.get(site_id, ()):
            yield SiteChange(site_id, was.get(site_id, ()), now.get(site_id, ()), why.of_site(site_id))


class _Reasons:
    """What both plans say about why something changed."""

    def __init__(self, before: Plan, after: Plan) -> None:
        self.before, self.after = before, after
        self.was, self.now = _first_dates(before, after.first), _first_dates(after, after.first)
        self.days_was = _visit_dates(before, after.first)
        self.days_now = _visit_dates(after, after.first)

    def of_site(self, site_id: str) -> str:
        was, now = self.was.get(site_id), self.now.get(site_id)
        if was is not None and now is not None and was != now:
            return f"its swap-by date moved from {_day(was)} to {_day(now)}"
        late_was = {one.site_id for one in self.before.unserved}
        late_now = {one.site_id for one in self.after.unserved}
        if site_id in late_now - late_was:
            return "it can no longer be served in time"
        if site_id in late_was - late_now:
            return "it can be served in time now"
        if site_id not in self.days_now:
            return "no visit is owed this season any more"
        if all(day > self.before.to for day in self.days_now[site_id]):
            return "the season now reaches further"
        if site_id not in self.days_was:
            return "a visit is owed this season now"
        if any(day > self.before.to for day in self.days_now[site_id]):
            return "the season now reaches further"
        return "the trips were put together anew"

    def of_pair(self, trip: Trip, other: Trip) -> str:
        sites = [visit.site_id for visit in trip.visits] + [visit.site_id for visit in other.visits]
        return self._best(dict.fromkeys(sites))

    def of_dropped(self, trip: Trip) -> str:
        left = [v.site_id for v in trip.visits]
        if all(site_id not in self.days_now for site_id in left):
            return "none of its sites is owed a visit any more"
        return self._best(dict.fromkeys(left), f"its sites go with other trips: {', '.join(left)}")

    def of_added(self, trip: Trip) -> str:
        if trip.date > self.before.to:
            return "the season now reaches further"
        return self._best(dict.fromkeys(visit.site_id for visit in trip.visits))

    def _best(self, sites: dict[str, None], other: str = "the trips were put together anew") -> str:
        """Return the reason of the first site whose own dates changed for a reason of its own."""
        for site_id in sites:
            was, now = self.was.get(site_id), self.now.get(site_id)
            if was is not None and now is not None and was != now:
                return f"the swap-by date of {site_id} moved from {_day(was)} to {_day(now)}"
        late_was = {one.site_id for one in self.before.unserved}
        late_now = {one.site_id for one in self.after.unserved}
        for site_id in sites:
            if site_id in late_now - late_was:
                return f"{site_id} can no longer be served in time"
            if site_id in late_was - late_now:
                return f"{site_id} can be served in time now"
        for site_id in sites:
            if site_id not in self.days_was:
                return f"{site_id} is owed a visit now"
            if site_id not in self.days_now:
                return f"{site_id} is owed no visit any more"
        return other


def _first_dates(plan: Plan, first: date) -> dict[str, date]:
    """Return the swap-by date of the pack found on each site's first visit from a day on."""
    found: dict[str, date] = {}
    for trip in sorted(plan.trips, key=lambda one: one.date):
        if trip.date >= first:
            for visit in trip.visits:
                if visit.kind is not VisitKind.TAKE_IN:
                    found.setdefault(visit.site_id, visit.swap_by)
    return found


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b %Y}"


def _dates(days: Sequence[date]) -> str:
    return ", ".join(_day(day) for day in days) or "no visit"


def _trip_text(change: TripChange) -> str:
    before, after = change.before, change.after
    if before is None:
        if after is None:
            raise ValueError("a change without a trip")
        sites = ", ".join(visit.label for visit in after.visits)
        return f"added: {_day(after.date)}, {after.crew}: {sites}"
    where = f"{_day(before.date)}, {before.crew}"
    if after is None:
        return f"{change.fate}: {where}"
    parts = []
    if change.joined:
        parts.append(f"with {', '.join(change.joined)}")
    if change.left:
        parts.append(f"without {', '.join(change.left)}")
    rest = f"; {' and '.join(parts)}" if parts else ""
    if change.fate is TripFate.MOVED:
        days = (after.date - before.date).days
        shift = _shift(days)
        to = f"{_day(after.date)}, {after.crew}" if after.crew != before.crew else _day(after.date)
        return f"moved: {where} -> {to}{shift}{rest}"
    return f"{change.fate}: {where}{rest}"


def _shift(days: int) -> str:
    if not days:
        return ""
    weeks, rest = divmod(abs(days), 7)
    size = (
        f"{weeks} week{'s' if weeks != 1 else ''}"
        if not rest
        else f"{abs(days)} day{'s' if abs(days) != 1 else ''}"
    )
    return f", {size} {'later' if days > 0 else 'earlier'}"
