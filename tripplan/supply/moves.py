"""Where each pack has been: the runs, returns and places that the visits tell of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from tripplan.fleet import SHELF, Chemistry, Done, Fleet, Found, Pack, VisitRecord
from tripplan.inputs.findings import fold

__all__ = ["PackMoves", "empty_volts", "read_moves"]

_IN = (Done.SWAPPED, Done.INSTALLED)
_OUT = (Done.SWAPPED, Done.REMOVED)
#: Volts per cell, resting, below which a pack that came back is suspect: 10.5 V of a 12 V lead-acid pack.
_SUSPECT_PER_CELL = {
    Chemistry.SEALED_LEAD_ACID: (2.0, 1.75),
    Chemistry.LITHIUM_IRON_PHOSPHATE: (3.2, 2.5),
}


@dataclass(frozen=True)
class PackMoves:
    """
    What the visits tell of one pack.

    Attributes
    ----------
    times_in : int
        How often it went in at a site.
    cycles : int
        How often it came back, and so was charged again or waits for it.
    last_site : str
        Where it went in last; empty where no visit names it.
    went_in, came_back : datetime.date or None
        The last time each.
    volts_back : float or None
        Rested volts when it came back last. [V]
    site_missing : datetime.date or None
        When its site was found missing with it, and nothing has been set up there since.
    """

    times_in: int = 0
    cycles: int = 0
    last_site: str = ""
    went_in: date | None = None
    came_back: date | None = None
    volts_back: float | None = None
    site_missing: date | None = None


def empty_volts(fleet: Fleet, pack: Pack) -> float | None:
    """
    Return the rested volts below which a pack that came back is suspect.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    pack : Pack
        One of its packs.

    Returns
    -------
    float or None
        10.5 V for 12 V lead-acid, 5.25 V for 6 V, 2.5 V a cell for lithium iron phosphate (from memory);
        None for chemistries whose volts do not tell. [V]
    """
    kind = fleet.pack_types[pack.pack_type]
    cell = _SUSPECT_PER_CELL.get(kind.chemistry)
    if cell is None:
        return None
    return max(1, round(kind.nominal_volts / cell[0])) * cell[1]


def read_moves(fleet: Fleet) -> Mapping[str, PackMoves]:
    """
    Follow every pack of packs.csv through the visits.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.

    Returns
    -------
    mapping of str to PackMoves
        By pack id; also for packs that no visit names.
    """
    visits = sorted(fleet.visits, key=lambda visit: (visit.day, visit.row))
    went_in: dict[str, list[VisitRecord]] = defaultdict(list)
    came_out: dict[str, list[VisitRecord]] = defaultdict(list)
    missing: dict[str, date] = {}
    standing: dict[str, str] = {}
    for visit in visits:
        if visit.done in _OUT and visit.pack_out:
            came_out[fold(visit.pack_out)].append(visit)
        elif visit.done in _IN and standing.get(visit.site_id):
            # the pack that stood there came out, though nobody wrote down which
            came_out[standing[visit.site_id]].append(visit)
        if visit.done in _IN:
            standing[visit.site_id] = fold(visit.pack_in)
            missing.pop(visit.site_id, None)
            if visit.pack_in:
                went_in[fold(visit.pack_in)].append(visit)
        elif visit.done is Done.REMOVED:
            standing.pop(visit.site_id, None)
        if visit.found is Found.MISSING and visit.done not in _IN:
            missing[visit.site_id] = visit.day
    found: dict[str, PackMoves] = {}
    for pack in fleet.packs or ():
        key = fold(pack.pack_id)
        ins, outs = went_in[key], came_out[key]
        last_in = ins[-1] if ins else None
        last_out = outs[-1] if outs else None
        site = last_in.site_id if last_in is not None else ""
        is_out = last_out is not None and (last_in is None or last_out.day >= last_in.day)
        place = pack.where if pack.where not in (SHELF, "") else "" if is_out or pack.where == SHELF else site
        found[pack.pack_id] = PackMoves(
            times_in=len(ins),
            cycles=len(outs),
            last_site=site,
            went_in=None if last_in is None else last_in.day,
            came_back=None if last_out is None else last_out.day,
            volts_back=None if last_out is None else last_out.volts_out,
            site_missing=missing.get(place) if place else None,
        )
    return found
