"""Each site through the season: its chain of swap-by dates, what is late, what a fallback leaves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta

from tripplan.fleet import Site
from tripplan.plan.check_reach import Reach
from tripplan.plan.check_rules import Context, Refusal, Rule, exact_seconds, minutes_text
from tripplan.plan.document import Plan, Trip, Unserved, Visit, VisitKind
from tripplan.plan.naming_notes import NO_FALLBACK_NOTE, names_site

__all__ = ["check_season"]

# The plan file keeps expected dark days to three decimals.
_DARK_DAYS_TOLERANCE = 1e-3


@dataclass(frozen=True)
class _InPlace:
    """The pack at a site at one moment of the season; `put_in` is None for the one there today."""

    put_in: date | None
    swap_by: date
    flat: tuple[date, date, date]


@dataclass
class _Chain:
    """What one site's visits come to; a missed link is (due, swap-by, date of the visit or None, days)."""

    site: Site
    visits: list[tuple[Trip, Visit]]
    missed: list[tuple[date, date, date | None, int]] = field(default_factory=list)
    dark_days: float = 0.0

    @property
    def late_days(self) -> int:
        """Days after the dates that were missed. [day]."""
        return sum(days for _, _, _, days in self.missed)


def check_season(context: Context, plan: Plan) -> Iterator[Refusal]:
    """
    Yield what is wrong with the visits of each site taken together.

    Parameters
    ----------
    context : Context
        The inputs.
    plan : Plan
        Trips of unknown crews or sites are left aside; they are refused elsewhere.

    Yields
    ------
    Refusal
        Site by site in the order of the file, then the totals.
    """
    reach = Reach(context)
    by_site: dict[str, list[tuple[Trip, Visit]]] = {site.site_id: [] for site in context.fleet.sites}
    ordered = sorted(plan.trips, key=lambda trip: (trip.date, context.moment(trip.leave)))
    for trip in ordered:
        for visit in trip.visits:
            if visit.site_id in by_site:
                by_site[visit.site_id].append((trip, visit))
    chains = []
    for site in context.fleet.sites:
        chain = _Chain(site, by_site[site.site_id])
        chains.append(chain)
        dates = [trip.date for trip, _ in chain.visits]
        for day in sorted({day for day in dates if dates.count(day) > 1}):
            yield Refusal(
                Rule.VISITED_TWICE, f"site {site.site_id}", f"visited {dates.count(day)} times on {day}"
            )
        yield from _check_chain(context, reach, chain, plan.notes)
        yield from _check_named(chain, [late for late in plan.unserved if late.site_id == site.site_id])
    for late in plan.unserved:
        if late.site_id not in by_site:
            yield Refusal(
                Rule.UNKNOWN_SITE, "unserved", f"site {late.site_id} is not a site in use of this fleet"
            )
    yield from _check_totals(plan, chains)


def _check_chain(context: Context, reach: Reach, chain: _Chain, notes: tuple[str, ...]) -> Iterator[Refusal]:
    """
    Follow the packs of one site; yield false dates, and collect the dates missed.

    A device that stands at home is owed its setting out by ``active_from``, as one that stands is owed its
    swap; and a device that is out is owed its taking in within the days after ``active_to``.
    """
    outlook, site = context.outlook, chain.site
    at_home = context.is_at_home(site)
    fetched: date | None = None
    in_by = context.in_by(site)
    ends = outlook.to if site.active_to is None else min(outlook.to, site.active_to + timedelta(days=1))
    noted = any(names_site(NO_FALLBACK_NOTE, note, site.site_id) for note in notes)
    now = outlook.sites[site.site_id]
    pack = _InPlace(None, now.swap_by, (now.flat_early, now.flat_likely, now.flat_late))
    previous: date | None = None
    for number, (trip, visit) in enumerate(chain.visits):
        where = f"{trip.trip_id}, site {site.site_id}"
        day, is_first = trip.date, number == 0
        yield from _check_kind(where, site, visit, day, at_home=at_home, fetched=fetched)
        yield from _check_found(where, visit, pack)
        yield from _check_work(context, where, site, visit, is_first=is_first)
        due = _due(context, site, pack, first_visit=is_first)
        if _is_owed(context, site, due) and day > due:
            chain.missed.append((due, pack.swap_by, day, (day - due).days))
        if visit.kind is VisitKind.TAKE_IN:
            if in_by is not None and day > in_by and fetched is None:
                chain.missed.append((in_by, in_by, day, (day - in_by).days))
            yield from _check_taking_in(context, reach, where, chain, number, named=noted)
            chain.dark_days += outlook.expected_dark_days(site.site_id, pack.put_in, min(day, ends))
            fetched = previous = day
            continue
        yield from _check_fallback(context, reach, where, chain, number, pack, previous, named=noted)
        fresh = _fresh_pack(context, site, day)
        if fresh is not None:
            yield from _check_swap(context, where, site, visit, pack, fresh, is_first=is_first)
            after = fresh.swap_by if visit.swap else pack.swap_by
            if visit.next_swap_by != after:
                yield Refusal(
                    Rule.CHAIN,
                    where,
                    f"next_swap_by says {visit.next_swap_by}; a pack {'put in' if visit.swap else 'left in'} "
                    f"on {day} is to be swapped by {after}",
                )
            if visit.swap:
                chain.dark_days += outlook.expected_dark_days(site.site_id, pack.put_in, min(day, ends))
                pack = fresh
        at_home = at_home and visit.kind is not VisitKind.SET_OUT
        previous = day
    if fetched is not None:
        return
    chain.dark_days += outlook.expected_dark_days(site.site_id, pack.put_in, ends)
    due = _due(context, site, pack, first_visit=not chain.visits)
    if _is_owed(context, site, due) and (not at_home or site.active_from is not None):
        chain.missed.append((due, pack.swap_by, None, (outlook.to - due).days))
    if in_by is not None and not at_home:
        chain.missed.append((in_by, in_by, None, (outlook.to - in_by).days))


def _check_kind(
    where: str,
    site: Site,
    visit: Visit,
    day: date,
    *,
    at_home: bool,
    fetched: date | None,
) -> Iterator[Refusal]:
    """Yield a visit that does what cannot be done with the device as it then stands."""
    over = site.active_to is not None and day >= site.active_to
    if fetched is not None:
        yield Refusal(Rule.DEVICE, where, f"visited on {day}, after its device was taken in on {fetched}")
    elif at_home and visit.kind is not VisitKind.SET_OUT:
        yield Refusal(
            Rule.DEVICE, where, f"the visit is a {visit.kind}, but the device stands at home: it is set out"
        )
    elif at_home and (over or site.active_from is None):
        edge = "no active_from says when" if site.active_from is None else f"active until {site.active_to}"
        yield Refusal(Rule.DEVICE, where, f"set out on {day}; {edge}")
    elif not at_home and visit.kind is VisitKind.SET_OUT:
        yield Refusal(Rule.DEVICE, where, "the device is set out, but it stands there already")
    elif not at_home and over and visit.kind is not VisitKind.TAKE_IN:
        yield Refusal(
            Rule.DEVICE,
            where,
            f"a {visit.kind} on {day}; from {site.active_to} (active_to) on a visit takes the device in",
        )
    elif not over and visit.kind is VisitKind.TAKE_IN:
        edge = "it has no active_to" if site.active_to is None else f"it is to run until {site.active_to}"
        yield Refusal(Rule.DEVICE, where, f"the device is taken in on {day}; {edge}")


def _check_taking_in(
    context: Context, reach: Reach, where: str, chain: _Chain, number: int, *, named: bool
) -> Iterator[Refusal]:
    """Yield a taking in that leaves too few later dates unnamed, or says wrong dates."""
    (trip, visit), site = chain.visits[number], chain.site
    if visit.next_swap_by != context.outlook.to:
        yield Refusal(
            Rule.CHAIN,
            where,
            f"next_swap_by says {visit.next_swap_by}; nothing is owed after taking in, so it is the "
            f"season's last date, {context.outlook.to}",
        )
    in_by = context.in_by(site)
    if in_by is None or site.active_to is None or trip.date > in_by:
        return
    wanted = context.fleet.plan.fallback_dates
    since = max(site.active_to, chain.visits[number - 1][0].date + timedelta(days=1) if number else date.min)
    window = [day for day in reach.dates(site, with_jobs=number == 0) if since <= day <= in_by]
    left = sum(day > trip.date for day in window)
    possible = wanted == 0 or len(window) > wanted
    if possible and left < wanted and (visit.fallback_possible or not named):
        yield Refusal(
            Rule.FALLBACK,
            where,
            f"taken in on {trip.date}, which leaves {left} of {wanted} later dates by {in_by}, though "
            f"{len(window)} dates serve from {since}, and no note names it",
        )
    said, holds = (visit.fallback_left, visit.fallback_possible), (left, possible and left >= wanted)
    if said != holds:
        yield Refusal(
            Rule.FALLBACK,
            where,
            f"fallback_left says {said[0]}, fallback_possible {said[1]}; {len(window)} dates serve from "
            f"{since} to {in_by}, {left} of them later: {holds[0]}, {holds[1]}",
        )


def _fresh_pack(context: Context, site: Site, day: date) -> _InPlace | None:
    """Return a charged pack put in on a date; None for a date outside the season (refused elsewhere)."""
    renewal = context.outlook.renewals[site.site_id]
    entry = (day - context.outlook.on).days
    if not 0 <= entry < len(renewal.swap_by):
        return None
    return _InPlace(
        day,
        date.fromordinal(int(renewal.swap_by[entry])),
        (
            date.fromordinal(int(renewal.flat_early[entry])),
            date.fromordinal(int(renewal.flat_likely[entry])),
            date.fromordinal(int(renewal.flat_late[entry])),
        ),
    )


def _due(context: Context, site: Site, pack: _InPlace, *, first_visit: bool) -> date:
    """Return by when a site wants its next visit: for its power, or for a job with a date."""
    due = pack.swap_by
    if first_visit and context.is_at_home(site):
        return site.active_from or due  # its jobs wait for it
    if site.active_from is not None and site.active_from > context.outlook.on:
        due = max(due, site.active_from)  # power is needed from then on only
    if first_visit:
        for job in context.fleet.open_jobs.get(site.site_id, ()):
            if job.due_by is not None:
                due = min(due, job.due_by)
    return due


def _is_owed(context: Context, site: Site, due: date) -> bool:
    """Tell whether the season owes a visit by a date."""
    end = site.active_to
    return due < context.outlook.to and (end is None or due <= end >= context.outlook.on)


def _check_found(where: str, visit: Visit, pack: _InPlace) -> Iterator[Refusal]:
    """Yield dates of the pack found at the site that are not the forecast's."""
    if visit.swap_by != pack.swap_by:
        yield Refusal(
            Rule.CHAIN,
            where,
            f"swap_by says {visit.swap_by}; the pack found there is to be swapped by {pack.swap_by}",
        )
    said = (visit.flat_early, visit.flat_likely, visit.flat_late)
    if said != pack.flat:
        yield Refusal(
            Rule.FLAT_DATES,
            where,
            f"flat dates say {said[0]}, {said[1]}, {said[2]}; the forecast says "
            f"{pack.flat[0]}, {pack.flat[1]}, {pack.flat[2]}",
        )


def _check_work(
    context: Context, where: str, site: Site, visit: Visit, *, is_first: bool
) -> Iterator[Refusal]:
    """Yield work time that is not the site's, and jobs that the visit should or should not do."""
    needed = context.work_minutes(site, with_jobs=is_first)
    low, high = exact_seconds(needed)
    taken = context.moment(visit.finish) - context.moment(visit.start)
    if not low <= taken <= high:
        jobs = needed - site.work_minutes
        sum_text = f"swap {site.work_minutes:g} + jobs {jobs:g} = " if jobs else ""
        yield Refusal(
            Rule.WORK, where, f"work is given {minutes_text(taken)}, it takes {sum_text}{minutes_text(low)}"
        )
    wanted = sorted(job.job for job in context.fleet.open_jobs.get(site.site_id, ())) if is_first else []
    if sorted(visit.jobs) != wanted:
        yield Refusal(
            Rule.JOBS,
            where,
            f"jobs named: {', '.join(visit.jobs) or 'none'}; to be done on this visit: "
            f"{', '.join(wanted) or 'none'}",
        )


def _check_swap(
    context: Context,
    where: str,
    site: Site,
    visit: Visit,
    pack: _InPlace,
    fresh: _InPlace,
    *,
    is_first: bool,
) -> Iterator[Refusal]:
    """Yield a call that should have swapped, and a swap that should have been a call."""
    if visit.swap:
        if fresh.swap_by < pack.swap_by:
            yield Refusal(
                Rule.NEEDLESS,
                where,
                f"the pack in place lasts until {pack.swap_by}, a fresh one only until {fresh.swap_by}",
            )
        return
    has_job = is_first and site.site_id in context.fleet.open_jobs
    outlasts = fresh.swap_by > pack.swap_by
    if not has_job:
        yield Refusal(Rule.CALL, where, "the pack is left in and there is no job to do on this visit")
    elif outlasts and _is_owed(context, site, pack.swap_by):
        yield Refusal(
            Rule.CALL,
            where,
            f"the pack is left in until {pack.swap_by}, though it is due this season and a fresh one would "
            f"last until {fresh.swap_by}",
        )


def _check_fallback(
    context: Context,
    reach: Reach,
    where: str,
    chain: _Chain,
    number: int,
    pack: _InPlace,
    previous: date | None,
    *,
    named: bool,
) -> Iterator[Refusal]:
    """
    Yield a visit that leaves fewer later dates than asked for, where more were possible, unnamed.

    Being in time comes before fallback dates: where stock or hours leave no plan with both, the
    visit says so (``fallback_possible`` false) and a note names the site.
    """
    day, visit = chain.visits[number][0].date, chain.visits[number][1]
    wanted, swap_by = context.fleet.plan.fallback_dates, pack.swap_by
    if day > swap_by and visit.fallback_left != 0:
        yield Refusal(
            Rule.FALLBACK,
            where,
            f"fallback_left says {visit.fallback_left}; the visit itself comes after {swap_by}",
        )
    if day > swap_by or not _is_owed(context, chain.site, swap_by):
        return  # late already, or nothing is due this season: there is no date to fall back before
    dates = reach.dates(chain.site, with_jobs=number == 0)
    left = sum(day < other <= swap_by for other in dates)
    window = [other for other in dates if (previous is None or previous < other) and other <= swap_by]
    in_window = len(window)
    early = window[: max(0, in_window - wanted)]  # the dates that leave as many as wanted
    possible = wanted == 0 or any(_keeps_up(context, chain.site, other, swap_by) for other in early)
    unnamed = visit.fallback_possible or not named
    if possible and left < wanted and unnamed:
        yield Refusal(
            Rule.FALLBACK,
            where,
            f"visited {day}, which leaves {left} of {wanted} later dates to reach it by {swap_by}, though "
            f"{in_window} dates serve {'since ' + str(previous) if previous else 'from the start'}, "
            "and no note names it",
        )
    if visit.fallback_left != left:
        yield Refusal(
            Rule.FALLBACK,
            where,
            f"fallback_left says {visit.fallback_left}; {left} dates are left by {swap_by}",
        )
    if visit.fallback_possible != (possible and left >= wanted):
        yield Refusal(
            Rule.FALLBACK,
            where,
            f"fallback_possible says {'yes' if visit.fallback_possible else 'no'}; {in_window} reachable "
            f"dates by {swap_by}, {left} of {wanted} wanted left after the visit say "
            f"{'yes' if possible and left >= wanted else 'no'}",
        )


def _keeps_up(context: Context, site: Site, day: date, swap_by: date) -> bool:
    """Tell whether a pack put in on a date lasts as long as the one in place; else a swap there is none."""
    fresh = _fresh_pack(context, site, day)
    return fresh is not None and fresh.swap_by >= swap_by


def _check_named(chain: _Chain, named: list[Unserved]) -> Iterator[Refusal]:
    """Yield a site that is late without being named, named without being late, or named wrongly."""
    where = f"site {chain.site.site_id}"
    if not named:
        for due, _, visited_on, days in chain.missed:
            if visited_on is None:
                yield Refusal(
                    Rule.LEFT_OUT, where, f"due by {due}, not visited after that and not named under unserved"
                )
            else:
                yield Refusal(
                    Rule.CHAIN,
                    where,
                    f"visited on {visited_on}, {days} days after its date {due}, and not named under "
                    "unserved",
                )
        return
    if not chain.missed:
        yield Refusal(Rule.LATE_DAYS, where, "named under unserved, but every visit is in time")
        return
    said = sum(late.late_days for late in named)
    if said != chain.late_days:
        shown = " + ".join(
            f"{'end of season' if visited_on is None else visited_on} less {due} = {days}"
            for due, _, visited_on, days in chain.missed
        )
        yield Refusal(Rule.LATE_DAYS, where, f"late_days says {said}; {shown}, together {chain.late_days}")
    dates = {due for due, _, _, _ in chain.missed} | {swap_by for _, swap_by, _, _ in chain.missed}
    visits = {visited_on for _, _, visited_on, _ in chain.missed}
    for late in named:
        if late.swap_by not in dates:
            yield Refusal(
                Rule.CHAIN,
                where,
                f"unserved names the date {late.swap_by}; missed is "
                f"{', '.join(str(missed) for missed in sorted(dates))}",
            )
        if late.visited_on not in visits:
            yield Refusal(
                Rule.LATE_DAYS,
                where,
                f"unserved says visited on {late.visited_on or 'no date'}; the trips say otherwise",
            )
        if not late.reason.strip():
            yield Refusal(Rule.LATE_DAYS, where, "unserved gives no reason")


def _check_totals(plan: Plan, chains: list[_Chain]) -> Iterator[Refusal]:
    """Yield totals of lateness and of dark days that the chains do not make."""
    sites = sum(bool(chain.missed) for chain in chains)
    days = sum(chain.late_days for chain in chains)
    if plan.late_sites != sites:
        yield Refusal(Rule.LATE_DAYS, "plan", f"late_sites says {plan.late_sites}; late are {sites}")
    if plan.late_days != days:
        yield Refusal(
            Rule.LATE_DAYS, "plan", f"late_days says {plan.late_days}; the sites' days add up to {days}"
        )
    dark = sum(chain.dark_days for chain in chains)
    if not abs(plan.expected_dark_days - dark) <= _DARK_DAYS_TOLERANCE:
        yield Refusal(
            Rule.DARK_DAYS,
            "plan",
            f"expected_dark_days says {plan.expected_dark_days:g}; the forecast gives {dark:.3f} for these "
            "dates",
        )
