"""Short texts about dates: days where much is known, weeks or a part of a month where little is."""

from __future__ import annotations

from datetime import date

from tripplan.forecast.outlook import SiteForecast

__all__ = ["when_flat", "when_text"]

_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


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
