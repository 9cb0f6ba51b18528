"""Devices at home: no pack runs down, and what was learned of a site stays when it is set out again."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from tripplan.fleet import SHELF, Done, Found, Pack, VisitRecord
from tripplan.forecast import forecast_fleet
from tripplan.forecast.history import read_history

ON = date(2027, 3, 1)
OCTOBER, NOVEMBER = date(2026, 10, 1), date(2026, 11, 5)


def _fleet(tiny_fleet, visits=(), packs=None, **site):
    from dataclasses import replace

    first = replace(tiny_fleet.sites[0], **site)
    others = tuple(replace(one, swapped_on=OCTOBER) for one in tiny_fleet.sites[1:])
    return replace(tiny_fleet, sites=(first, *others), visits=tuple(visits), packs=packs)


def _visit(day, done, row, **more):
    return VisitRecord(day, "A1", done=done, row=row, **more)


def test_a_device_that_was_never_set_out_has_only_its_day(tiny_fleet):
    fleet = _fleet(tiny_fleet, active_from=date(2027, 3, 20))
    outlook = forecast_fleet(fleet, ON)
    said = outlook.sites["A1"]
    assert said.at_home
    assert {said.flat_early, said.flat_likely, said.flat_late, said.swap_by} == {date(2027, 3, 20)}
    assert said.chance_dark_today == 0.0
    assert said.charge_left is None
    assert said.because == "at home; to be set out by 2027-03-20 (active_from)"
    # it should run from the 20th on: what is not there then is dark
    assert outlook.expected_dark_days("A1", None, date(2027, 3, 20)) == 0.0
    assert outlook.expected_dark_days("A1", None, date(2027, 3, 25)) == 5.0
    assert not outlook.sites["A2"].at_home


@pytest.mark.parametrize(
    ("visits", "site", "at_home"),
    [
        ([(OCTOBER, Done.INSTALLED), (NOVEMBER, Done.REMOVED)], {}, True),
        ([(OCTOBER, Done.INSTALLED), (NOVEMBER, Done.REMOVED), (ON, Done.INSTALLED)], {}, False),
        ([(OCTOBER, Done.INSTALLED), (NOVEMBER, Done.SWAPPED)], {}, False),
        ([(NOVEMBER, Done.REMOVED)], {"swapped_on": OCTOBER}, True),
        ([(NOVEMBER, Done.REMOVED)], {"swapped_on": ON}, False),
        ([], {"swapped_on": OCTOBER}, False),
        ([], {"active_from": date(2027, 4, 1)}, True),
        ([], {"active_from": date(2027, 4, 1), "flat_on": date(2027, 8, 1)}, False),
        # on file since October, flat before it is to run again: of the season before
        ([(OCTOBER, Done.INSTALLED)], {"active_from": date(2027, 4, 1)}, True),
        ([(date(2027, 2, 20), Done.INSTALLED)], {"active_from": date(2027, 3, 5)}, False),
    ],
)
def test_where_the_device_is(tiny_fleet, visits, site, at_home):
    rows = [_visit(day, done, row) for row, (day, done) in enumerate(visits, 2)]
    outlook = forecast_fleet(_fleet(tiny_fleet, rows, **site), ON)
    assert outlook.sites["A1"].at_home is at_home


def test_a_device_that_is_missing_is_not_forecast_as_running(tiny_fleet):
    rows = [_visit(OCTOBER, Done.INSTALLED, 2), _visit(NOVEMBER, None, 3, found=Found.MISSING)]
    outlook = forecast_fleet(_fleet(tiny_fleet, rows), ON)
    assert outlook.sites["A1"].at_home
    assert outlook.sites["A1"].because.startswith("not in service")
    assert not outlook.dark_chance_in_place["A1"].any()


def test_a_pack_that_packs_csv_has_there_since_the_device_was_taken_in_stands(tiny_fleet):
    rows = [_visit(OCTOBER, Done.INSTALLED, 2, pack_in="P1"), _visit(NOVEMBER, Done.REMOVED, 3)]
    for since, source in ((OCTOBER, "at home"), (date(2027, 2, 1), "packs.csv")):
        packs = (Pack("P1", "SLA12", where="A1", since=since), Pack("P2", "SLA12", where=SHELF))
        assert _fleet(tiny_fleet, rows, packs).in_place["A1"].source == source


def test_what_was_learned_stays_when_the_same_device_is_set_out_again(tiny_fleet):
    """A device put up for the first time begins afresh; one that comes back from the winter does not."""
    summer = [_visit(date(2026, 4, 1) + timedelta(days=60 * k), Done.SWAPPED, 3 + k) for k in range(3)]
    start = [_visit(date(2026, 2, 1), Done.INSTALLED, 2), *summer]
    rest = [_visit(date(2026, 11, 1), Done.REMOVED, 8), _visit(date(2027, 2, 1), Done.INSTALLED, 9)]
    kept = read_history(_fleet(tiny_fleet, [*start, *rest]), ON).sites["A1"]
    assert len(kept.past) == 4
    assert kept.now is not None
    assert kept.now.start == date(2027, 2, 1)
    changed = [*start, rest[0], _visit(date(2027, 2, 1), Done.INSTALLED, 9, notes="changed: new camera")]
    assert read_history(_fleet(tiny_fleet, changed), ON).sites["A1"].past == ()
    gone = [*start, _visit(date(2026, 11, 1), None, 8, found=Found.MISSING), rest[1]]
    assert read_history(_fleet(tiny_fleet, gone), ON).sites["A1"].past == ()
