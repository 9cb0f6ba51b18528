"""Short texts about dates: days where much is known, weeks or a part of a month where little is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from tripplan.forecast.outlook import FOLLOWED_DAYS, Outlook, PastRun, SiteForecast

__all__ = ["NEVER_FLAT", "risk_text", "runs_text", "track_record", "when_flat", "when_text", "why_moved"]

#: How the flag of a site begins that a panel keeps alive.
NEVER_FLAT = "the panel carries it"

_COUNTS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def when_flat(forecast: SiteForecast) -> str:
    """
    Return when a site's pack is likely flat, as sharply as is known.

    Parameters
    ----------
    forecast : SiteForecast
        Of one site.

    Returns
    -------
    str
        For example ``mid-January, give or take three weeks``.
    """
    if any(flag.startswith(NEVER_FLAT) for flag in forecast.flags):
        return "not within three years"
    return when_text(forecast.flat_early, forecast.flat_likely, forecast.flat_late)


def when_text(early: date, likely: date, late: date) -> str:
    """
    Return a date with its spread in a practitioner's words.

    Parameters
    ----------
    early, likely, late : datetime.date
        The 5, 50 and 95 % quantiles.

    Returns
    -------
    str
        A date with days where nine in ten fall within two weeks in all, else a part of a month with weeks,
        or months.

    Examples
    --------
    >>> when_text(date(2027, 1, 10), date(2027, 1, 12), date(2027, 1, 15))
    '12 January 2027, give or take 3 days'
    >>> when_text(date(2026, 12, 20), date(2027, 1, 14), date(2027, 2, 4))
    'mid-January 2027, give or take four weeks'
    >>> when_text(date(2026, 12, 1), date(2027, 3, 29), date(2027, 9, 30))
    'late March 2027, give or take five months'
    >>> when_text(date(2027, 1, 12), date(2027, 1, 12), date(2027, 1, 12))
    '12 January 2027'
    """
    exact = f"{likely.day} {likely:%B %Y}"
    before, after = (likely - early).days, (late - likely).days
    if before + after <= 0:
        return exact
    if before + after <= 14:
        days = max(before, after)
        return f"{exact}, give or take {days} day{'s' if days > 1 else ''}"
    # for weeks and months the mean of both sides, never less than the side that comes too early
    spread = max(before, (before + after) / 2.0)
    part = "early" if likely.day <= 10 else "mid" if likely.day <= 20 else "late"
    vague = f"{part}{'-' if part == 'mid' else ' '}{likely:%B %Y}"
    if spread < 66:
        return f"{vague}, give or take {_count(round(spread / 7.0), 'week')}"
    return f"{vague}, give or take {_count(round(spread / 30.4375), 'month')}"


def _count(number: int, unit: str) -> str:
    number = max(1, number)
    word = _COUNTS[number] if number < len(_COUNTS) else str(number)
    return f"{word} {unit}{'s' if number > 1 else ''}"


def runs_text(runs: Sequence[PastRun]) -> str:
    """
    Return a site's last runs beside what would have been said of the last one.

    Parameters
    ----------
    runs : sequence of PastRun
        Oldest first.

    Returns
    -------
    str
        Empty without runs.

    Examples
    --------
    >>> runs = [PastRun(date(2026, 1, 1), 161, True, 110, 150, 200),
    ...         PastRun(date(2026, 6, 11), 170, False, 120, 155, 190)]
    >>> runs_text(runs)
    'lasted 161, over 170 days; said 120 to 190'
    """
    # a run that ended for another cause before any sign of life says nothing
    runs = [run for run in runs if run.days > 0]
    if not runs:
        return ""
    lasted = ", ".join(f"{'' if run.was_flat else 'over '}{run.days}" for run in runs)
    late = runs[-1].said_late
    said = f"over {FOLLOWED_DAYS}" if late >= FOLLOWED_DAYS else str(late)
    return f"lasted {lasted} days; said {runs[-1].said_early} to {said}"


def risk_text(outlook: Outlook) -> str:
    """
    Return the accepted risk in people's terms, over the sites whose swap-by date is still ahead.

    Parameters
    ----------
    outlook : Outlook
        The forecast.

    Returns
    -------
    str
        For example ``At 5 %, with 30 sites left until the swap-by date, expect one or two dark on arrival.``
        Empty where no site's date is ahead: a device at home, or a date that is past, is not counted.
    """
    risks = [
        forecast.risk
        for forecast in outlook.sites.values()
        if not forecast.at_home and forecast.swap_by >= outlook.on
    ]
    if not risks:
        return ""
    expected = sum(risks)
    low, high = math.floor(expected), math.ceil(expected)
    if expected < 0.5:
        dark = f"about one dark on arrival in {round(1.0 / expected)} such rounds"
    elif low == high or expected > 9:
        dark = f"about {_count_only(round(expected))} dark on arrival"
    else:
        dark = f"{_count_only(low)} or {_count_only(high)} dark on arrival"
    share = f"{min(risks):.0%}" if min(risks) == max(risks) else f"{min(risks):.0%} to {max(risks):.0%}"
    sites = f"{len(risks)} site{'s' if len(risks) > 1 else ''}"
    return f"At {share.replace('%', ' %')}, with {sites} left until the swap-by date, expect {dark}."


def track_record(outlook: Outlook) -> str:
    """
    Return one line on how the fleet's last runs fell against what would have been said.

    Parameters
    ----------
    outlook : Outlook
        The forecast.

    Returns
    -------
    str
        Says so where there are no ended runs.
    """
    runs = [run for forecast in outlook.sites.values() for run in forecast.last_runs]
    flat = [run for run in runs if run.was_flat]
    if not runs:
        return "Track record: no ended run yet."
    early = sum(run.days < run.said_early for run in flat)
    late = sum(run.days > run.said_late for run in runs)
    return (
        f"Track record: of {len(runs)} last runs, {len(flat)} ended flat; {early} of these before the early "
        f"date said, and {late} outlasted the late one (nine in ten should lie between)."
    )


def why_moved(before: Mapping[str, Any], outlook: Outlook, least_days: int = 3) -> tuple[str, ...]:
    """
    Return for each site whose swap-by date moved since an earlier forecast, by how much and why.

    Parameters
    ----------
    before : mapping
        An earlier forecast as JSON, ``tripplan-forecast/1``.
    outlook : Outlook
        The forecast of today.
    least_days : int, default 3
        Smaller moves are passed over. [day]

    Returns
    -------
    tuple of str
        One line a site, in the order of the fleet.
    """
    earlier = {site["site_id"]: site for site in before["sites"]}
    lines: list[str] = []
    for site_id, now in outlook.sites.items():
        old = earlier.get(site_id)
        if old is None:
            continue
        days = (now.swap_by - date.fromisoformat(old["swap_by"])).days
        if abs(days) < least_days:
            continue
        if old["basis"] != str(now.basis):
            why = f"it now rests on {now.basis}, before on {old['basis']}"
        elif days > 60 or _last_start(old.get("last_runs", ())) != _last_start(
            [{"start": run.start.isoformat()} for run in now.last_runs]
        ):
            why = "a fresh pack went in"
        elif old.get("because") != now.because:
            why = f"was: {old.get('because', '')}; now: {now.because}"
        else:
            why = f"it still ran on {outlook.on.isoformat()}" if days > 0 else "new records"
        lines.append(f"{site_id}: {abs(days)} days {'later' if days > 0 else 'earlier'}; {why}")
    return tuple(lines)


def _last_start(runs: Sequence[Mapping[str, Any]]) -> str:
    return str(runs[-1]["start"]) if runs else ""


def _count_only(number: int) -> str:
    return _COUNTS[number] if 0 <= number < len(_COUNTS) else str(number)
