"""What the user asks of a plan beyond the rules: go, stay home, keep a trip, include a site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

__all__ = ["Wish", "WishKind"]


class WishKind(StrEnum):
    """What is asked."""

    GO = "go"
    STAY_HOME = "stay home"
    KEEP = "keep"
    INCLUDE = "include"


@dataclass(frozen=True)
class Wish:
    """
    One row of wishes.csv.

    Attributes
    ----------
    kind : WishKind
        ``go``: a trip runs on `day`. ``stay home``: none runs from `day` to `until`. ``keep``: the
        trip of `crew` on `day` visits exactly `sites`. ``include``: `sites` are visited, on `day`
        where one is given, else on any trip.
    day : datetime.date or None
        None only for ``include``.
    until : datetime.date or None
        Last date of staying home; None: `day` alone.
    crew : str
        Whose; empty: any crew for ``go``, every crew for ``stay home``.
    row : int
        Row of the file as a spreadsheet counts it; 0 for a wish of this run that has none yet.

    Examples
    --------
    >>> print(Wish(WishKind.GO, date(2026, 12, 12), crew="Lene"))
    a trip of Lene on Sat 12 Dec 2026
    >>> print(Wish(WishKind.INCLUDE, sites=("pond",)))
    pond is visited
    """

    kind: WishKind
    day: date | None = None
    until: date | None = None
    crew: str = ""
    sites: tuple[str, ...] = ()
    notes: str = ""
    row: int = 0

    @property
    def last(self) -> date | None:
        """Last date that the wish is about; None where it names none."""
        return self.until or self.day

    def forbids(self, crew: str, day: date) -> bool:
        """
        Tell whether the wish keeps a crew at home on a date.

        Parameters
        ----------
        crew : str
            Name of a crew.
        day : datetime.date
            A date.

        Returns
        -------
        bool
            Only a wish to stay home ever does.
        """
        if self.kind is not WishKind.STAY_HOME or self.day is None or self.last is None:
            return False
        return self.day <= day <= self.last and self.crew in ("", crew)

    def same_as(self, other: Wish) -> bool:
        """
        Tell whether two wishes ask the same, wherever they are written.

        Parameters
        ----------
        other : Wish
            Another wish.

        Returns
        -------
        bool
            Row and notes make no difference.
        """
        mine = (self.kind, self.day, self.last, self.crew, frozenset(self.sites))
        return mine == (other.kind, other.day, other.last, other.crew, frozenset(other.sites))

    def __str__(self) -> str:
        """Return the wish as a clause."""
        when = "" if self.day is None else f" on {_day(self.day)}"
        match self.kind:
            case WishKind.GO:
                return f"a trip of {self.crew}{when}" if self.crew else f"a crew goes{when}"
            case WishKind.STAY_HOME:
                span = when if self.until in (None, self.day) else f" from{when[3:]} to {_day(self.until)}"
                return f"{self.crew} at home{span}" if self.crew else f"every crew stays home{span}"
            case WishKind.KEEP:
                return f"the trip of {self.crew}{when} stays as it is ({', '.join(self.sites)})"
            case WishKind.INCLUDE:
                return f"{', '.join(self.sites)} {'is' if len(self.sites) == 1 else 'are'} visited{when}"


def _day(day: date | None) -> str:
    return "" if day is None else f"{day:%a} {day.day} {day:%b %Y}"
