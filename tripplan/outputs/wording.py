"""
Texts, dates and measures as the reader of a kit sees them.

All words stand in one catalogue per language, ``texts/LANGUAGE.toml``; another language is one more
file with the same keys. Nothing here knows what a trip is.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from importlib import resources
from types import MappingProxyType
from typing import Any

__all__ = ["Wording", "known_languages", "wording_for"]

_KG_PER_LB = 0.45359237  # exact: international pound, 1959
_M_PER_MILE = 1609.344  # exact: international mile, 1959
_M_PER_FOOT = 0.3048  # exact: international foot, 1959


@dataclass(frozen=True)
class Wording:
    """
    One language with one system of units.

    Attributes
    ----------
    language : str
        BCP 47 tag, as the ``lang`` attribute takes it.
    texts : mapping of str to str
        Flat catalogue: ``section.key`` to text with ``{name}`` places.
    metric : bool
        Metres and kilograms, else miles, feet and pounds.
    """

    language: str
    texts: Mapping[str, str]
    metric: bool = True

    def say(self, key: str, **values: Any) -> str:
        """
        Return one text of the catalogue with its places filled.

        Parameters
        ----------
        key : str
            For example ``trip.leave``.
        **values
            What stands for the places of the text.

        Returns
        -------
        str
            Plain text, not escaped.

        Raises
        ------
        KeyError
            If the catalogue lacks the key, or a place is not given.

        Examples
        --------
        >>> wording_for("en").say("stop.title", number=2)
        'Stop P2'
        """
        return self.texts[key].format(**values)

    def count(self, key: str, number: int) -> str:
        """
        Return a counted noun: ``key.one`` or ``key.many`` with ``{n}``.

        Examples
        --------
        >>> wording_for("en").count("n.sites", 1), wording_for("en").count("n.sites", 7)
        ('1 site', '7 sites')
        """
        return self.texts[f"{key}.{'one' if number == 1 else 'many'}"].format(n=number)

    def number(self, value: float, decimals: int = 0) -> str:
        """
        Return a number with the language's decimal sign and no needless zeros.

        Examples
        --------
        >>> wording_for("en").number(12.50, 1), wording_for("en").number(12.0, 1)
        ('12.5', '12')
        """
        text = f"{value:.{decimals}f}"
        if decimals:
            text = text.rstrip("0").rstrip(".")
        return ("0" if text == "-0" else text).replace(".", self.texts["format.decimal"])

    def clock(self, moment: datetime) -> str:
        """Return the local clock time, rounded down to the minute, so that plans stay before limits."""
        return f"{moment:%H:%M}"

    def clock_up(self, moment: datetime) -> str:
        """
        Return the local clock time, rounded up to the minute, as a return is told everywhere.

        Examples
        --------
        >>> wording_for("en").clock_up(datetime(2026, 12, 5, 15, 7, 1))
        '15:08'
        """
        return self.clock(moment + timedelta(seconds=(60 - moment.second) % 60))

    def day(self, day: date) -> str:
        """
        Return a date in full.

        Examples
        --------
        >>> wording_for("en").day(date(2026, 12, 5))
        'Saturday 5 December 2026'
        """
        return self.texts["format.day"].format(
            weekday=self.texts[f"weekday.{day.isoweekday()}"],
            day=day.day,
            month=self.texts[f"month.{day.month}"],
            year=day.year,
        )

    def day_short(self, day: date) -> str:
        """
        Return a date in brief, with its weekday.

        Examples
        --------
        >>> wording_for("en").day_short(date(2026, 12, 5))
        'Sat 5 Dec'
        """
        return self.texts["format.day_short"].format(
            weekday=self.texts[f"weekday_short.{day.isoweekday()}"],
            day=day.day,
            month=self.texts[f"month_short.{day.month}"],
        )

    def duration(self, minutes: float) -> str:
        """
        Return a duration.

        Examples
        --------
        >>> wording_for("en").duration(95.4), wording_for("en").duration(59.6)
        ('1 h 35 min', '1 h')
        """
        hours, rest = divmod(round(minutes), 60)
        parts = [self.say("format.hours", n=hours)] if hours else []
        if rest or not hours:
            parts.append(self.say("format.minutes", n=rest))
        return " ".join(parts)

    def distance(self, metres: float) -> str:
        """
        Return a distance, to 10 m up to a kilometre, then to 100 m.

        Examples
        --------
        >>> wording_for("en").distance(846), wording_for("en").distance(2390)
        ('850 m', '2.4 km')
        """
        if not self.metric:
            return f"{self.number(metres / _M_PER_MILE, 1 if metres >= _M_PER_MILE else 2)} mi"
        if metres < 995:
            return f"{self.number(round(metres, -1))} m"
        return f"{self.number(metres / 1000, 1)} km"

    def height(self, metres: float) -> str:
        """Return a climb, to the metre or to the foot."""
        return f"{self.number(metres)} m" if self.metric else f"{self.number(metres / _M_PER_FOOT)} ft"

    def weight(self, kilograms: float) -> str:
        """Return a weight, to a tenth."""
        if self.metric:
            return f"{self.number(kilograms, 1)} kg"
        return f"{self.number(kilograms / _KG_PER_LB, 1)} lb"

    def temperature(self, celsius: float) -> str:
        """
        Return a temperature, to the degree.

        Examples
        --------
        >>> wording_for("en").temperature(0.0), wording_for("en", metric=False).temperature(0.0)
        ('0 \N{DEGREE SIGN}C', '32 \N{DEGREE SIGN}F')
        """
        if self.metric:
            return f"{self.number(celsius)} \N{DEGREE SIGN}C"
        return f"{self.number(celsius * 9 / 5 + 32)} \N{DEGREE SIGN}F"

    def volts(self, volts: float) -> str:
        """Return a voltage."""
        return f"{self.number(volts, 2)} V"


def known_languages() -> tuple[str, ...]:
    """
    Return the languages that have a catalogue.

    Examples
    --------
    >>> "en" in known_languages()
    True
    """
    folder = resources.files("tripplan.outputs") / "texts"
    return tuple(sorted(file.name[:-5] for file in folder.iterdir() if file.name.endswith(".toml")))


@lru_cache(maxsize=8)
def wording_for(language: str, *, metric: bool = True) -> Wording:
    """
    Return the wording of a language.

    Parameters
    ----------
    language : str
        One of `known_languages`.
    metric : bool, default True
        Units.

    Returns
    -------
    Wording
        With its whole catalogue.

    Raises
    ------
    ValueError
        If there is no such catalogue.
    """
    if language not in known_languages():
        raise ValueError(f"no texts for language {language!r}; there are {', '.join(known_languages())}")
    text = (resources.files("tripplan.outputs") / "texts" / f"{language}.toml").read_text("utf-8")
    return Wording(language, MappingProxyType(dict(_flatten(tomllib.loads(text)))), metric)


def _flatten(table: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    flat: list[tuple[str, str]] = []
    for key, value in table.items():
        if isinstance(value, str):
            flat.append((prefix + key, value))
        else:
            flat.extend(_flatten(value, f"{prefix}{key}."))
    return flat
