"""Where each pack is since when: packs.csv and visits.csv must tell the same story."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tripplan.fleet import SHELF, Done, Found, Pack, PackState, Site, VisitRecord
from tripplan.inputs.columns import ColumnReader
from tripplan.inputs.findings import Findings, did_you_mean, fold, list_rows

__all__ = ["NOT_LISTED", "check_whereabouts"]

NOT_LISTED = "not in packs.csv"
"""Words in a visit's notes with which its pack needs no row in packs.csv."""
_SWAPS = (Done.SWAPPED, Done.INSTALLED)


@dataclass(frozen=True, order=True)
class _Move:
    """A pack going in or coming out; on one day a pack comes out before it goes in elsewhere."""

    day: date
    row: int
    goes_in: bool  # False: comes out
    site_id: str


def check_whereabouts(
    sites: Sequence[Site],
    packs: Sequence[Pack],
    visits: Sequence[VisitRecord],
    pack_reader: ColumnReader,
    visit_file: str,
    findings: Findings,
) -> None:
    """
    Refuse packs that cannot be where the files say they are.

    Parameters
    ----------
    sites : sequence of Site
        Sites in use.
    packs : sequence of Pack
        packs.csv.
    visits : sequence of VisitRecord
        visits.csv; empty where there is none.
    pack_reader : ColumnReader
        Of packs.csv.
    visit_file : str
        Name of the visits table.
    findings : Findings
        Takes faults and remarks.
    """
    at_site = _one_pack_a_site(sites, packs, pack_reader)
    _remark_on_what_comes_back(sites, at_site, pack_reader, findings)
    last_swap = _last_swaps(visits)
    moves = _moves(visits)
    disagreed: set[int] = set()
    for site_id, pack in at_site.items():
        swap = last_swap.get(site_id)
        if pack_reader.is_bad(pack.row, "where"):
            continue
        if swap is not None and _disagree(pack, swap, pack_reader, visit_file, findings):
            disagreed.add(pack.row)
    known = {fold(pack.pack_id): pack for pack in packs}
    disagreed.update(pack.row for pack in packs if pack_reader.is_bad(pack.row, "where"))
    for key, moved in moves.items():
        if key in known and known[key].row not in disagreed:
            _check_last_move(known[key], max(moved), pack_reader, visit_file)
    _check_bought(known, visits, pack_reader, visit_file)
    # a row of packs.csv with a fault of its own may be the one that is missing
    in_doubt = pack_reader.bad or pack_reader.table.spoilt
    standing = set[int]() if in_doubt else _standing(sites, packs, visits, at_site)
    _unlisted(packs, visits, standing, pack_reader, visit_file, findings)


def _standing(
    sites: Sequence[Site], packs: Sequence[Pack], visits: Sequence[VisitRecord], at_site: Mapping[str, Pack]
) -> set[int]:
    """Return the rows of swaps whose pack must stand at its site now, and should be in packs.csv."""
    listed = {pack.pack_type for pack in packs}
    kept = {site.site_id for site in sites if site.pack_type in listed} - set(at_site)
    last: dict[str, VisitRecord] = {}
    for visit in sorted(visits, key=lambda visit: (visit.day, visit.row)):
        if visit.done in (*_SWAPS, Done.REMOVED) or visit.found is Found.MISSING:
            last[visit.site_id] = visit
    return {visit.row for site, visit in last.items() if visit.done in _SWAPS and site in kept}


def _unlisted(
    packs: Sequence[Pack],
    visits: Sequence[VisitRecord],
    standing: set[int],
    pack_reader: ColumnReader,
    visit_file: str,
    findings: Findings,
) -> None:
    """Name packs that packs.csv does not list: those that stand at a site, and those that look misspelt."""
    ids = [pack.pack_id for pack in packs]
    known = {fold(pack_id) for pack_id in ids}
    told: set[str] = set()
    for visit in sorted(visits, key=lambda visit: visit.row not in standing):
        for column, pack_id, what in (
            ("pack_in", visit.pack_in, "went in"),
            ("pack_out", visit.pack_out, "came out"),
        ):
            if not pack_id or fold(pack_id) in known or fold(pack_id) in told:
                continue
            hint = did_you_mean(pack_id, ids)
            if column == "pack_in" and visit.row in standing and NOT_LISTED not in fold(visit.notes):
                told.add(fold(pack_id))
                findings.fault(
                    visit_file,
                    f"pack {pack_id} went in at {visit.site_id} and stands there, but {pack_reader.file} "
                    "does not list it",
                    f"{hint} Mend the name; or give the pack a row in {pack_reader.file}; ".lstrip()
                    + f"or write '{NOT_LISTED}' into the notes of this row if it is to have none.",
                    row=visit.row,
                    column=column,
                )
            elif hint and NOT_LISTED not in fold(visit.notes):
                # without a hint: a pack of old, since thrown away
                told.add(fold(pack_id))
                findings.remark(
                    f"{visit_file}, row {visit.row}, column {column}: pack {pack_id} {what}, but "
                    f"{pack_reader.file} does not list it. {hint}"
                )


def _remark_on_what_comes_back(
    sites: Sequence[Site], at_site: Mapping[str, Pack], reader: ColumnReader, findings: Findings
) -> None:
    """Say where a swap brings back another pack than the one that goes in."""
    for site in sites:
        pack = at_site.get(site.site_id)
        if pack is None or reader.is_bad(pack.row, "pack_type") or not pack.pack_type:
            continue
        lead = f"{reader.file}, row {pack.row}: pack {pack.pack_id} at {site.site_id}"
        if pack.state is PackState.SUSPECT:
            findings.remark(
                f"{lead} is suspect. When it is swapped, the plan does not count it as coming back to the "
                "shelf: it is no spare until it has passed a test."
            )
        elif pack.pack_type != site.pack_type:
            findings.remark(
                f"{lead} is of type {pack.pack_type}, the site's is {site.pack_type}. When it is swapped, "
                f"the plan counts a {pack.pack_type} as coming back from there."
            )


def _one_pack_a_site(sites: Sequence[Site], packs: Sequence[Pack], reader: ColumnReader) -> dict[str, Pack]:
    known = {site.site_id for site in sites}
    found: dict[str, Pack] = {}
    for pack in packs:
        if pack.where not in known:
            continue
        if pack.where in found:
            other = found[pack.where]
            reader.bad.add((other.row, "where"))
            reader.fault(
                pack.row,
                "where",
                f"packs {other.pack_id} and {pack.pack_id} are both at site {pack.where} (rows {other.row} "
                f"and {pack.row})",
                "A site has one pack; mend one of the rows.",
                value="",
            )
        else:
            found[pack.where] = pack
    return found


def _last_swaps(visits: Sequence[VisitRecord]) -> dict[str, VisitRecord]:
    found: dict[str, VisitRecord] = {}
    for visit in sorted(visits, key=lambda visit: (visit.day, visit.row)):
        if visit.done in _SWAPS:
            found[visit.site_id] = visit
    return found


def _moves(visits: Sequence[VisitRecord]) -> Mapping[str, list[_Move]]:
    found: dict[str, list[_Move]] = {}
    for visit in visits:
        if visit.pack_out and visit.done in (Done.SWAPPED, Done.REMOVED):
            found.setdefault(fold(visit.pack_out), []).append(
                _Move(visit.day, visit.row, goes_in=False, site_id=visit.site_id)
            )
        if visit.pack_in and visit.done in _SWAPS:
            found.setdefault(fold(visit.pack_in), []).append(
                _Move(visit.day, visit.row, goes_in=True, site_id=visit.site_id)
            )
    return found


def _disagree(
    pack: Pack, swap: VisitRecord, reader: ColumnReader, visit_file: str, findings: Findings
) -> bool:
    """Compare the pack at a site with the site's last swap; tell whether a fault was noted."""
    other_pack = bool(swap.pack_in) and fold(swap.pack_in) != fold(pack.pack_id)
    if pack.since is not None and pack.since > swap.day and (other_pack or not swap.pack_in):
        findings.remark(
            f"{reader.file}, row {pack.row}: pack {pack.pack_id} is at {pack.where} since {pack.since}; "
            f"{visit_file} has no row for that swap."
        )
        return False
    other_day = pack.since is not None and pack.since != swap.day
    if not other_pack and not other_day:
        return False
    went_in = f"pack {swap.pack_in}" if swap.pack_in else "a pack"
    since = f" since {pack.since}" if pack.since else ""
    reader.fault(
        pack.row,
        "where",
        f"row {pack.row} here and row {swap.row} of {visit_file} disagree about site {pack.where}: here pack "
        f"{pack.pack_id} is there{since}, there {went_in} went in on {swap.day}",
        "Mend the row that is wrong.",
        value="",
    )
    return True


def _check_last_move(pack: Pack, last: _Move, reader: ColumnReader, visit_file: str) -> None:
    """Compare where a pack is with its last move in the visits."""
    moved_since = pack.since is not None and pack.since > last.day
    if moved_since:
        return
    if last.goes_in and pack.where != last.site_id:
        here = {"": "nowhere", SHELF: "on the shelf"}.get(pack.where, f"at {pack.where}")
        text = f"pack {pack.pack_id} is {here}, there it went in at {last.site_id} on {last.day}"
    elif not last.goes_in and pack.where == last.site_id and (pack.since is None or pack.since < last.day):
        text = f"pack {pack.pack_id} is at {pack.where}, there it came out on {last.day}"
    else:
        return
    reader.fault(
        pack.row,
        "where",
        f"row {pack.row} here and row {last.row} of {visit_file} disagree: here {text}",
        "Mend the row that is wrong; since says from when a newer place holds.",
        value="",
    )


def _check_bought(
    known: Mapping[str, Pack], visits: Sequence[VisitRecord], reader: ColumnReader, visit_file: str
) -> None:
    early: dict[str, list[VisitRecord]] = {}
    for visit in visits:
        for name in {fold(visit.pack_in), fold(visit.pack_out)}:
            pack = known.get(name)
            if pack is not None and pack.bought is not None and visit.day < pack.bought:
                early.setdefault(name, []).append(visit)
    for name, before in early.items():
        pack = known[name]
        if reader.is_bad(pack.row, "since") or reader.is_bad(pack.row, "bought"):
            continue
        reader.fault(
            pack.row,
            "bought",
            f"pack {pack.pack_id} is in {list_rows([visit.row for visit in before])} of {visit_file} "
            f"({before[0].day}) before it was bought",
            "Mend one of the dates.",
        )
