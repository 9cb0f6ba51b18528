"""What stands out at a site, each as one clause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from tripplan.fleet import Chemistry, Fleet
from tripplan.forecast.basis import Evidence
from tripplan.forecast.history import SiteHistory
from tripplan.forecast.outlook import FAR_DAYS, PastRun
from tripplan.forecast.percent import PercentMeaning
from tripplan.forecast.pool import SiteKnowledge
from tripplan.forecast.weather import LEAST_DAYS_A_MONTH, MILD_C, climate_of
from tripplan.forecast.words import NEVER_FLAT

__all__ = [
    "backup_flags",
    "freezing_flags",
    "panel_flags",
    "percent_flags",
    "run_flags",
    "volts_notes",
    "weather_notes",
]

#: A percentage this low is worth a word even while nobody knows what it means. [%]
_LOW_PERCENT = 20.0
_PERCENT_MARGIN = 5.0
#: An offset of rested voltages below this, as a share of charge, is not worth a word.
_ODD_OFFSET = 0.06
#: Alkaline cells with transmit pulses hold 10 to 25 % at -20 C (trade practice, no source). [deg C]
_ALKALINE_FAILS_C = -10.0


def run_flags(runs: Sequence[PastRun]) -> tuple[str, ...]:
    """
    Return what stands out in a site's last runs.

    Parameters
    ----------
    runs : sequence of PastRun
        Oldest first.

    Returns
    -------
    tuple of str
        Empty where nothing does.
    """
    last = list(runs)[-2:]
    if not last or not last[-1].is_outside:
        return ()
    count = sum(run.is_outside for run in last)
    what = "its last two runs lie" if count == 2 else "its last run lies"
    return (f"{what} outside what was said: look whether something changed there",)


def percent_flags(history: SiteHistory, meaning: PercentMeaning | None = None) -> tuple[str, ...]:
    """
    Return what the percentage that a device gives is worth.

    Parameters
    ----------
    history : SiteHistory
        Of one site.
    meaning : PercentMeaning, optional
        What the device's own flat packs have shown it to mean.

    Returns
    -------
    tuple of str
        A warning where it is about as low as it was before the site's flat packs ended, or, while nothing
        is known of what it means, where it is low.
    """
    now = None if history.now is None else history.now.last_percent
    if now is None:
        return ()
    if meaning is not None:
        stands = f"{meaning.charge(now):.0%} of charge, as {meaning.n_runs} flat packs of its own show"
        return (f"its device says {now:g} %, which stands for about {stands}",)
    ended = [
        run.last_percent for run in history.past if run.dark_by is not None and run.last_percent is not None
    ]
    if len(ended) >= 2:
        if now > max(ended) + _PERCENT_MARGIN:
            return ()
        ends = f"{min(ended):g} to {max(ended):g} %"
        return (f"its device says {now:g} %, and its last {len(ended)} flat packs ended at {ends}",)
    if now > _LOW_PERCENT:
        return ()
    return (f"its device says {now:g} %; what that means here is not known yet, so keep an eye on it",)


def freezing_flags(freezes: date | None, swap_by: date) -> tuple[str, ...]:
    """Say where a pack could freeze before it goes dark."""
    if freezes is None or freezes > swap_by:
        return ()
    return (f"freezing sets the date, not darkness: the pack could freeze from {freezes.isoformat()}",)


def panel_flags(item: Evidence, likely: date, late: date, on: date) -> tuple[str, ...]:
    """Recognise a site that never runs flat, and one that fails only in the dark months."""
    if item.site.panel_w is None:
        return ()
    if (likely - on).days >= FAR_DAYS - 7:
        return (f"{NEVER_FLAT}: in the likely case not flat within three years",)
    dark_months = (11, 12, 1, 2) if item.site.lat >= 0 else (5, 6, 7, 8)
    if likely.month in dark_months and late.month in dark_months and (likely - on).days > 120:
        return ("it fails only in the dark months: a full pack in autumn, or more panel, carries it",)
    return ()


def backup_flags(fleet: Fleet, item: Evidence, swap_by: date) -> tuple[str, ...]:
    """Warn of alkaline backup cells where the swap-by date lies in deep cold."""
    site, climate = item.site, climate_of(fleet)
    if site.backup_days <= 0 or site.backup_chemistry is not Chemistry.ALKALINE or climate is None:
        return ()
    if climate.mean_c[swap_by.month - 1] > _ALKALINE_FAILS_C:
        return ()
    return ("its backup cells are alkaline and hold little in deep cold: do not count on their days then",)


def volts_notes(known: Mapping[str, SiteKnowledge]) -> tuple[str, ...]:
    """Say where the fleet's runs contradict the tables of resting voltage."""
    found = {knowledge.volts for knowledge in known.values()}
    notes = []
    for volts in sorted(found, key=lambda each: each.offset):
        if abs(volts.offset) > max(_ODD_OFFSET, 1.5 * volts.offset_sd):
            less = "less" if volts.offset > 0.0 else "more"
            notes.append(
                f"rested voltages in this fleet seem to stand for about {abs(volts.offset):.0%} {less} "
                "charge than the tables say (the meter, or the make of pack), and are counted so: check "
                "the meter"
            )
    return tuple(dict.fromkeys(notes))


def weather_notes(fleet: Fleet) -> tuple[str, ...]:
    """Say what a daily weather file was good for where no climate is given."""
    if fleet.climate is not None or not fleet.weather:
        return ()
    if climate_of(fleet) is not None:
        return ("no [climate] given: it was made of the days in weather.csv",)
    lacks = f"weather.csv has not {LEAST_DAYS_A_MONTH} days of every month, so no climate could be made of it"
    return (f"{lacks}; days that it lacks are taken as {MILD_C:g} C",)
