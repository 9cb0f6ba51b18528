"""
The pack register: every pack with its cycles, its health and how sure that is, and what to do with it.

Below 80 % of the rated capacity the standards for stationary lead-acid cells replace a battery (a US Bureau
of Reclamation guide on storage batteries says so; IEEE Std 450 and IEEE Std 1188, from memory). A field
device asks less: the pack moves to short or summer sites first, and is retired below the user's own limit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from tripplan.clock import day_words
from tripplan.fleet import SHELF, Chemistry, Fleet, Pack, PackState
from tripplan.forecast.basis import pack_health
from tripplan.forecast.battery import battery_of
from tripplan.forecast.outlook import Outlook, PackLearned
from tripplan.recharge import RECHARGE
from tripplan.supply.moves import PackMoves, empty_volts, read_moves
from tripplan.supply.shelf_life import STORAGE_SHARE, charge_after, recharge_by, resting_volts

__all__ = ["REPLACE_BELOW", "Advice", "PackRecord", "Register", "Todo", "build_register", "without_suspects"]

REPLACE_BELOW = 0.80
"""Share of the rated capacity at which the standards replace; here: short or summer sites only."""

#: A pack as likely as this to lie on the other side of a limit is worth a test; one of which nothing is known
#: (0.88 with a spread of 0.12) is below 80 % with a chance of 0.21, and not yet.
_WORTH_A_TEST = 0.25
#: A limit is taken as passed where a test or the runs are as sure as this.
_SURE = 0.90
_READINGS = ("the test", "its runs and age", "its age", "the usual pack of its type")


class Todo(StrEnum):
    """What to do with a pack, most pressing first."""

    TELL = "tell first"
    KEEP_APART = "keep apart"
    WRITE_OFF = "write off"
    RETIRE = "retire"
    CHARGE = "charge now"
    RECHARGE = "recharge"
    TEST = "test"
    MOVE = "short or summer sites"


@dataclass(frozen=True)
class Advice:
    """One thing to do, by when (None: any time), and why, as a clause."""

    todo: Todo
    by: date | None
    because: str


@dataclass(frozen=True)
class PackRecord:
    """
    One pack.

    Attributes
    ----------
    moves : PackMoves
        What the visits tell.
    health, health_sd : float
        Likely share of the rated capacity, and the spread of its logarithm.
    health_from : str
        What that rests on.
    below_80, below_limit : float
        Chance that it holds less than 80 %, and less than the user's limit, of its rated capacity.
    charge : float or None
        Share of charge left of a pack that stands charged on the shelf; None elsewhere.
    volts : float or None
        What it would then read at rest, where volts tell. [V]
    recharge_by : datetime.date or None
        When it must be charged again if it only stands.
    is_suspect : bool
        No spare until tested, by its state or by the volts it came back with.
    untold : str
        The planned trip, not yet told of, on which it may have gone out; empty where there is none.
    advice : tuple of Advice
        Most pressing first.
    """

    pack: Pack
    moves: PackMoves
    health: float
    health_sd: float
    health_from: str
    below_80: float
    below_limit: float
    charge: float | None
    volts: float | None
    recharge_by: date | None
    is_suspect: bool
    advice: tuple[Advice, ...]
    untold: str = ""

    @property
    def is_fit(self) -> bool:
        """Whether it may be used again: not suspect, not retired, not written off, not out of sight."""
        usable = self.pack.state is not PackState.RETIRED and not self.is_suspect and not self.untold
        return usable and self.moves.site_missing is None

    @property
    def is_spare(self) -> bool:
        """Whether it may go out: fit, and on the shelf."""
        return self.is_fit and self.pack.where == SHELF

    @property
    def state(self) -> str:
        """Its state in one word or two; ``unknown`` until somebody tells of the trip it may have gone on."""
        if self.untold:
            return "unknown"
        return "suspect" if self.is_suspect else str(self.pack.state)

    def health_at(self, z: float) -> float:
        """Return the share held at so many standard deviations from the likely one."""
        return self.health * math.exp(z * self.health_sd)


@dataclass(frozen=True)
class Register:
    """
    All packs of packs.csv.

    Attributes
    ----------
    records : tuple of PackRecord
        In the order of the file; empty without packs.csv.
    to_test : tuple of str
        Packs to test, the one that a test says most about first.
    """

    on: date
    records: tuple[PackRecord, ...]
    to_test: tuple[str, ...]

    def by_id(self) -> Mapping[str, PackRecord]:
        """Return the records by pack id."""
        return {record.pack.pack_id: record for record in self.records}


def without_suspects(fleet: Fleet, register: Register) -> Fleet:
    """
    Return the fleet with every pack that the register takes as suspect marked so.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    register : Register
        Its packs.

    Returns
    -------
    Fleet
        For counting shelves; the same where no pack's state changes.
    """
    if fleet.packs is None:
        return fleet
    suspect = {record.pack.pack_id for record in register.records if record.is_suspect}
    packs = tuple(
        replace(pack, state=PackState.SUSPECT) if pack.pack_id in suspect else pack for pack in fleet.packs
    )
    return replace(fleet, packs=packs)


def build_register(fleet: Fleet, outlook: Outlook) -> Register:
    """
    Build the pack register.

    Parameters
    ----------
    fleet : Fleet
        Checked fleet.
    outlook : Outlook
        Its forecast, with what the runs say of each pack.

    Returns
    -------
    Register
        As of the day of the forecast.
    """
    moves = read_moves(fleet)
    records = tuple(
        _record(fleet, outlook, pack, moves[pack.pack_id], outlook.on) for pack in fleet.packs or ()
    )
    return Register(outlook.on, records, _to_test(records, fleet.spares.retire_below))


def _record(fleet: Fleet, outlook: Outlook, pack: Pack, moves: PackMoves, on: date) -> PackRecord:
    kind = fleet.pack_types[pack.pack_type]
    learned = outlook.packs.get(pack.pack_id) or _unlearned(fleet, pack, on)
    sd = max(learned.health_sd, 1e-6)
    limit = fleet.spares.retire_below
    if pack.tested_ah is not None:
        rests = 0
    elif learned.runs:
        rests = 1
    else:
        rests = 2 if pack.bought is not None else 3
    stands_charged = pack.where == SHELF and pack.state is PackState.CHARGED
    charge = volts = again_by = None
    if stands_charged and pack.since is not None:
        charge = charge_after(kind, (on - pack.since).days, fleet.spares.shelf_c)
        volts = resting_volts(kind, charge)
        again_by = recharge_by(kind, pack.since, fleet.spares.shelf_c)
    came_back_empty = _came_back_empty(fleet, pack, moves)
    untold = fleet.untold_packs.get(pack.pack_id, "")
    below_80 = _below(learned.health, sd, REPLACE_BELOW)
    below_limit = _below(learned.health, sd, limit)
    record = PackRecord(
        pack=pack,
        moves=moves,
        health=learned.health,
        health_sd=sd,
        health_from=_READINGS[rests] if rests or not learned.runs else "the test and its runs",
        below_80=below_80,
        below_limit=below_limit,
        charge=charge,
        volts=volts,
        recharge_by=again_by,
        is_suspect=not untold and (pack.state is PackState.SUSPECT or came_back_empty),
        advice=(),
        untold=untold,
    )
    advice = sorted(_advise(fleet, record, on), key=lambda one: list(Todo).index(one.todo))
    return replace(record, advice=tuple(advice))


def _unlearned(fleet: Fleet, pack: Pack, on: date) -> PackLearned:
    """Return what test and age alone say of a pack."""
    kind = fleet.pack_types[pack.pack_type]
    health, spread = pack_health(fleet, kind, pack, battery_of(kind), on)
    return PackLearned(health, spread, health, spread, 0)


def _below(health: float, sd: float, limit: float) -> float:
    from scipy.special import ndtr

    return float(ndtr((math.log(limit) - math.log(health)) / sd))


def _came_back_empty(fleet: Fleet, pack: Pack, moves: PackMoves) -> bool:
    """Tell whether it came back so low that only a test makes it a spare again."""
    limit = empty_volts(fleet, pack)
    if limit is None or moves.volts_back is None or moves.came_back is None:
        return False
    if moves.volts_back >= limit or (moves.went_in is not None and moves.went_in > moves.came_back):
        return False
    return pack.tested_on is None or pack.tested_on < moves.came_back


def _advise(fleet: Fleet, record: PackRecord, on: date) -> list[Advice]:
    pack, moves = record.pack, record.moves
    found: list[Advice] = []
    if record.untold:
        because = f"it may have gone out on trip {record.untold}, of which nothing has been told"
        return [Advice(Todo.TELL, on, because)]
    if pack.state is PackState.RETIRED:
        return [Advice(Todo.RETIRE, None, "retired: hand it in for recycling")] if pack.where == SHELF else []
    if moves.site_missing is not None:
        place = pack.where if pack.where not in (SHELF, "") else moves.last_site
        because = f"site {place} was found missing on {day_words(moves.site_missing)}"
        return [Advice(Todo.WRITE_OFF, None, because)]
    if record.is_suspect:
        back = ""
        if moves.volts_back is not None and moves.came_back is not None:
            back = f"it came back with {moves.volts_back:g} V on {day_words(moves.came_back)}; "
        told = "" if pack.state is PackState.SUSPECT else f"packs.csv still says {pack.state}; "
        found.append(
            Advice(
                Todo.KEEP_APART,
                on,
                f"{back}{told}no spare until it has warmed, been charged, rested and passed a test",
            )
        )
    limits = [one for one in _limits(fleet, record) if one.todo is not Todo.TEST or not record.is_suspect]
    if any(one.todo is Todo.RETIRE for one in limits):
        return found + limits
    return found + limits + _standing(fleet, record, on)


def _limits(fleet: Fleet, record: PackRecord) -> list[Advice]:
    limit = fleet.spares.retire_below
    share = f"{record.health:.0%} of its rated capacity by {record.health_from}"
    tested = record.pack.tested_ah is not None
    if record.below_limit >= _SURE or (tested and record.health < limit):
        if tested:
            return [Advice(Todo.RETIRE, None, f"{share}, below your limit of {limit:.0%}")]
        return [Advice(Todo.TEST, None, f"{share}, below your limit of {limit:.0%}: test, then retire")]
    found: list[Advice] = []
    if record.below_80 >= _SURE or (tested and record.health < REPLACE_BELOW):
        because = f"{share}, below the 80 % at which IEEE Std 450 and 1188 replace"
        found.append(Advice(Todo.MOVE, None, because))
    if _says(record, limit) >= _WORTH_A_TEST:
        found.append(
            Advice(Todo.TEST, None, f"{share}; one chance in {1 / record.below_80:.0f} that it is below 80 %")
            if record.below_80 > 0.0 and record.below_80 < 0.5
            else Advice(Todo.TEST, None, f"{share}; more likely than not below 80 %")
        )
    return found


def _standing(fleet: Fleet, record: PackRecord, on: date) -> list[Advice]:
    """Say what standing on the shelf calls for."""
    pack = record.pack
    kind = fleet.pack_types[pack.pack_type]
    if pack.where != SHELF or record.is_suspect:
        return []
    if kind.chemistry not in RECHARGE:
        gone = pack.state is PackState.FLAT
        return [Advice(Todo.RETIRE, None, "primary cells are never charged: replace it")] if gone else []
    if pack.state is PackState.FLAT:
        days = None if pack.since is None else (on - pack.since).days
        stood = f"it has stood flat for {days} days" if days is not None and days > 1 else "it stands flat"
        why = (
            "lead-acid that stands flat sulphates and does not come back in full"
            if kind.chemistry is Chemistry.SEALED_LEAD_ACID
            else "its own loss takes it below the last safe volts"
        )
        return [Advice(Todo.CHARGE, on, f"{stood}: {why}")]
    if record.recharge_by is not None and record.charge is not None and record.recharge_by <= on:
        volts = "" if record.volts is None else f", about {record.volts:g} V at rest"
        rule = STORAGE_SHARE[kind.chemistry]
        return [
            Advice(
                Todo.RECHARGE,
                on,
                f"it should be down to {record.charge:.0%}{volts}; the storage rule is {rule:.0%}",
            )
        ]
    return []


def _says(record: PackRecord, limit: float) -> float:
    """Return how open it is on which side of a limit the pack lies: 0 sure, 0.5 wide open."""
    return max(min(p, 1.0 - p) for p in (record.below_80, _below(record.health, record.health_sd, limit)))


def _to_test(records: tuple[PackRecord, ...], limit: float) -> tuple[str, ...]:
    open_ones = [
        record
        for record in records
        if record.moves.site_missing is None
        and not record.untold
        and record.pack.state is not PackState.RETIRED
        and (record.is_suspect or any(one.todo is Todo.TEST for one in record.advice))
    ]
    # a suspect pack is one spare less until tested, so it comes first; then what a test tells most of
    open_ones.sort(
        key=lambda r: (not r.is_suspect, r.pack.where != SHELF, -_says(r, limit), -r.health_sd, r.pack.row)
    )
    return tuple(record.pack.pack_id for record in open_ones)
