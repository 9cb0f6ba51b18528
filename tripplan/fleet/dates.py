"""Spans of dates and days of the year."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

__all__ = ["DateSpan", "MonthDay"]


@dataclass(frozen=True, order=True)
class DateSpan:
    """A span of dates, both ends included; a single date has equal ends."""

    first: date
    last: date

    def __contains__(self, day: object) -> bool:
        """Tell whether a date lies in the span."""
        return isinstance(day, date) and self.first <= day <= self.last


@dataclass(frozen=True, order=True)
class MonthDay:
    """A day of every year; 29 February counts as the 28th."""

    month: int
    day: int
