"""What was proved about the number of trips, and what that rests on, in one line."""

from __future__ import annotations

from tripplan.forecast.outlook import Outlook
from tripplan.plan.document import Plan

__all__ = ["proof_text", "stages_text"]


def proof_text(plan: Plan, outlook: Outlook, dates: str = "the swap-by dates above") -> str:
    """
    Return what was proved about the number of trips, and what that rests on.

    Parameters
    ----------
    plan : Plan
        A checked plan.
    outlook : Outlook
        The forecast it was made for.
    dates : str
        What to call the dates that the proof holds for.

    Returns
    -------
    str
        One line without a full stop.
    """
    bases = [str(site.basis) for site in outlook.sites.values()]
    usual = bases.count("usual life")
    rests = f"for {dates}"
    if usual:
        rest = "rests" if usual == 1 else "rest"
        rests += f"; {usual} of {len(bases)} {rest} on the usual life of their pack type"
    trips, bound = plan.trip_count, plan.lower_bound
    if str(plan.status) == "no full plan":
        late = count(plan.late_sites, "site")
        if trips == 0:
            return f"No trip can be made; {late} late or never reached ({rests})"
        best = (
            f"no plan that serves them as well does it with {trips - 1}"
            if bound == trips
            else f"at least {bound} {'is' if bound == 1 else 'are'} needed to serve them as well"
        )
        return f"{count(trips, 'trip')}, but {late} late or never reached; {best} ({rests})"
    if trips == 0:
        return f"No trip is needed: nothing is due before {plan.to.day} {plan.to:%b %Y} ({rests})"
    if str(plan.status) == "proved":
        return f"{count(trips, 'trip')}; no plan does it with {trips - 1} ({rests})"
    needed = "is" if bound == 1 else "are"
    return f"{count(trips, 'trip')} found; at least {bound} {needed} needed ({rests})"


def stages_text(plan: Plan) -> str:
    """
    Return how near crew time and life thrown away are to the least there can be.

    Parameters
    ----------
    plan : Plan
        A checked plan.

    Returns
    -------
    str
        Up to two sentences; empty where there is no trip.
    """
    if not plan.trips:
        return ""
    trips = count(plan.trip_count, "trip")
    spent, least = plan.crew_seconds, plan.crew_seconds_bound
    text = f"Crew time {_hours(-(-spent // 60))}"
    if least // 60 >= spent // 60:
        text += f"; no plan as good does it with less in {trips}"
    elif least:
        text += f"; with {trips} at the most it cannot be less than {_hours(least // 60)}"
    text += "."
    if not plan.life_days and not plan.life_days_bound:
        return text
    text += f" Life thrown away {count(plan.life_days, 'day')} over all swaps"
    if plan.life_days == plan.life_days_bound:
        return f"{text}, the least there can be."
    return (
        f"{text}; at least {plan.life_days_bound} in any plan as good."
        if plan.life_days_bound
        else f"{text}."
    )


def _hours(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60:02d} min"


def count(number: int, noun: str) -> str:
    """
    Return a counted noun.

    Examples
    --------
    >>> count(1, "trip"), count(3, "trip")
    ('1 trip', '3 trips')
    """
    return f"{number} {noun if number == 1 else noun + 's'}"
