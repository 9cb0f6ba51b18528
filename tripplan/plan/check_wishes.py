"""Whether a plan keeps what the user asked for, counted from the trips alone."""

from __future__ import annotations

from collections.abc import Iterator

from tripplan.plan.check_rules import Context, Refusal, Rule
from tripplan.plan.document import Plan, Trip
from tripplan.wishes import Wish, WishKind

__all__ = ["check_wishes"]


def check_wishes(context: Context, plan: Plan) -> Iterator[Refusal]:
    """
    Yield wishes that a plan does not keep.

    Parameters
    ----------
    context : Context
        The inputs, with the fleet's wishes.
    plan : Plan
        The plan.

    Yields
    ------
    Refusal
        In the order of wishes.csv; wishes whose dates lie outside the season are passed over.
    """
    first, last = context.outlook.on, context.outlook.to
    bearing = []
    for wish in context.fleet.wishes:
        end = wish.until or wish.day
        if wish.day is not None and end is not None and (wish.day > last or end < first):
            continue
        bearing.append(wish)
        trips = [
            trip for trip in plan.trips if wish.day is None or wish.day <= trip.date <= (end or wish.day)
        ]
        mine = [trip for trip in trips if wish.crew in ("", trip.crew)]
        text = _broken(wish, mine)
        if text:
            yield Refusal(Rule.WISH, "plan", f"{wish}: {text}")
    said, asked = list(plan.wishes), [str(wish) for wish in bearing]
    if said != asked:
        yield Refusal(
            Rule.WISH,
            "plan",
            f"wishes says {'; '.join(map(str, said)) or 'none'}; asked for is {'; '.join(asked) or 'none'}",
        )


def _broken(wish: Wish, trips: list[Trip]) -> str:
    """Return what the trips on the wish's dates, of its crew, leave undone; empty where it is kept."""
    match wish.kind:
        case WishKind.GO:
            return "" if trips else "no such trip"
        case WishKind.STAY_HOME:
            return f"{', '.join(trip.trip_id for trip in trips)} goes all the same" if trips else ""
        case WishKind.KEEP:
            if not trips:
                return "no such trip"
            there = sorted(visit.site_id for visit in trips[0].visits)
            return "" if there == sorted(wish.sites) else f"it visits {', '.join(there)}"
        case WishKind.INCLUDE:
            seen = {visit.site_id for trip in trips for visit in trip.visits}
            missing = [site_id for site_id in wish.sites if site_id not in seen]
            return f"not visited: {', '.join(missing)}" if missing else ""
