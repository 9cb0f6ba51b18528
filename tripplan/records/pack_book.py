"""packs.csv while visits are taken in, one after the other: where every pack is now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from tripplan.fleet import SHELF, Fleet, PackState
from tripplan.inputs.findings import did_you_mean, fold
from tripplan.records.csv_text import CsvText

__all__ = ["PackBook", "PackEdit", "PackNow"]


@dataclass(frozen=True)
class PackNow:
    """
    A pack as it stands after the visits taken in so far.

    Attributes
    ----------
    where : str
        A site_id, ``shelf``, or empty where nobody knows.
    row : int
        Row in packs.csv; 0 for a pack to be added.
    source : str
        What says so: ``packs.csv`` or a visit.
    """

    pack_id: str
    pack_type: str
    where: str
    since: date | None
    state: PackState
    row: int
    bought: date | None = None
    source: str = "packs.csv"
    because: str = ""

    @property
    def place(self) -> str:
        """Where it is, in words."""
        return {"": "nowhere known", SHELF: "on the shelf"}.get(self.where, f"at {self.where}")

    @property
    def place_since(self) -> str:
        """Where it is, and since when."""
        return self.place + (f" since {self.since.isoformat()}" if self.since else "")


@dataclass(frozen=True)
class PackEdit:
    """A pack before and after; `before` is None for a new one."""

    before: PackNow | None
    after: PackNow

    @property
    def line(self) -> str:
        """The change as it is shown."""
        after = f"{self.after.place_since}, {self.after.state}"
        because = f" ({self.after.because})" if self.after.because else ""
        if self.before is None:
            return f"{self.after.pack_id}: new, {self.after.pack_type}, {after}{because}"
        return f"{self.after.pack_id}: {self.before.place}, {self.before.state} -> {after}{because}"


class PackBook:
    """
    All packs, changed in memory only.

    Parameters
    ----------
    fleet : Fleet
        With its packs.
    text : CsvText
        packs.csv, which also knows packs at sites that are set aside.
    """

    def __init__(self, fleet: Fleet, text: CsvText) -> None:
        by_row = {pack.row: pack for pack in fleet.packs or ()}
        types, places = text.texts("pack_type"), text.texts("where")
        self._now: dict[str, PackNow] = {}
        for row, name in text.texts("pack_id").items():
            pack = by_row.get(row)
            if pack is not None:
                self._now[fold(pack.pack_id)] = PackNow(
                    pack.pack_id, pack.pack_type, pack.where, pack.since, pack.state, row, pack.bought
                )
            else:
                shown = " ".join(name.split())
                self._now[fold(shown)] = PackNow(
                    shown, types.get(row, ""), places.get(row, ""), None, PackState.IN_USE, row
                )
        self._first: Mapping[str, PackNow] = dict(self._now)
        self._at = {fold(one.where): key for key, one in self._now.items() if one.where not in {"", SHELF}}

    def find(self, name: str) -> PackNow | None:
        """Return a pack by its name; None where packs.csv has none such."""
        return self._now.get(fold(name))

    def at(self, site_id: str) -> PackNow | None:
        """Return the pack at a site; None where none is known there."""
        key = self._at.get(fold(site_id))
        return None if key is None else self._now[key]

    def hint(self, name: str) -> str:
        """Return a question that names the nearest pack; may be empty."""
        return did_you_mean(name, [one.pack_id for one in self._now.values()])

    def add(self, pack_id: str, pack_type: str, day: date, source: str) -> PackNow:
        """Add a pack that packs.csv does not know."""
        self._now[fold(pack_id)] = PackNow(pack_id, pack_type, "", day, PackState.FLAT, 0, None, source)
        return self._now[fold(pack_id)]

    def move(
        self, pack: PackNow, where: str, day: date, state: PackState, source: str, because: str = ""
    ) -> None:
        """Note that a pack has gone somewhere."""
        key = fold(pack.pack_id)
        if self._at.get(fold(pack.where)) == key:
            del self._at[fold(pack.where)]
        if where not in {"", SHELF}:
            self._at[fold(where)] = key
        self._now[key] = replace(
            self._now[key], where=where, since=day, state=state, source=source, because=because
        )

    def edits(self) -> tuple[PackEdit, ...]:
        """Return what has changed, in the order of packs.csv, new packs last."""
        found = []
        for key, after in self._now.items():
            before = self._first.get(key)
            if before is None or (before.where, before.since, before.state) != (
                after.where,
                after.since,
                after.state,
            ):
                found.append(PackEdit(before, after))
        return tuple(found)
