"""Stays worked out by hand from a few visits."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from tripplan.fleet import Cause, Done, Fleet, Found, Pack, PackState, VisitRecord
from tripplan.inputs.stays import Ended, Stay, read_stays, stays_by_pack


def day(month: int, number: int = 1) -> date:
    return date(2026, month, number)


def at(fleet: Fleet, *visits: VisitRecord, packs: tuple[Pack, ...] | None = None) -> tuple[Stay, ...]:
    rows = tuple(replace(visit, row=number) for number, visit in enumerate(visits, 2))
    return read_stays(replace(fleet, visits=rows, packs=packs))["A1"]


def visit(month: int, **fields: object) -> VisitRecord:
    return VisitRecord(day(month), "A1", **fields)  # type: ignore[arg-type]


def test_one_pack_after_the_other(tiny_fleet: Fleet) -> None:
    stays = at(
        tiny_fleet,
        visit(1, done=Done.INSTALLED, pack_in="P1", volts_in=12.9),
        visit(3, found=Found.RUNNING, done=Done.SWAPPED, pack_out="P1", volts_out=12.1, pack_in="P2"),
        visit(4, found=Found.DARK),
        visit(5, found=Found.DARK, cause=Cause.FLAT, done=Done.SWAPPED, pack_in="P3"),
        visit(6, found=Found.DARK, cause=Cause.CORD, done=Done.REMOVED, pack_out="P3"),
        visit(8, done=Done.INSTALLED, pack_in="P1"),
        visit(9, done=Done.SWAPPED),
        visit(10, found=Found.MISSING),
    )
    assert stays == (
        Stay("A1", "P1", day(1), day(3), Ended.RUNNING, 12.9, 12.1),
        Stay("A1", "P2", day(3), day(5), Ended.FLAT, dark_on=day(4)),
        Stay("A1", "P3", day(5), day(6), Ended.OTHER_FAULT, dark_on=day(6)),
        Stay("A1", "P1", day(8), day(9), Ended.UNTOLD),
        Stay("A1", "", day(9), day(10), Ended.MISSING),
    )
    assert [stay.days(day(12)) for stay in stays] == [59, 61, 31, 31, 30]
    assert [stay.start for stay in stays_by_pack({"A1": stays})["P1"]] == [day(1), day(8)]
    assert "" not in stays_by_pack({"A1": stays})


def test_records_that_begin_with_a_swap(tiny_fleet: Fleet) -> None:
    stays = at(tiny_fleet, visit(3, found=Found.RUNNING, done=Done.SWAPPED, pack_out="P1", pack_in="P2"))
    assert stays == (
        Stay("A1", "P1", None, day(3), Ended.RUNNING),
        Stay("A1", "P2", day(3)),
    )
    assert stays[0].days(day(4)) is None


def test_packs_csv_may_know_of_a_later_swap_or_a_name(tiny_fleet: Fleet) -> None:
    went_in = visit(3, done=Done.INSTALLED)
    pack = Pack("P9", "SLA12", where="A1", since=day(3), state=PackState.IN_USE)
    assert at(tiny_fleet, went_in, packs=(pack,)) == (Stay("A1", "P9", day(3)),)
    later = replace(pack, since=day(6))
    assert at(tiny_fleet, went_in, packs=(later,)) == (
        Stay("A1", "", day(3), day(6), Ended.UNTOLD),
        Stay("A1", "P9", day(6)),
    )


def test_a_site_without_records_has_no_stay_unless_something_says_since_when(tiny_fleet: Fleet) -> None:
    assert at(tiny_fleet) == ()
