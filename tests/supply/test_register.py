"""The pack register: what it makes of tests, runs, volts and standing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from tripplan.fleet import Cause, Done, Found, Pack, PackState, VisitRecord
from tripplan.forecast import forecast_fleet
from tripplan.forecast.outlook import PackLearned
from tripplan.supply.moves import read_moves
from tripplan.supply.register import Todo, build_register, without_suspects

ON = date(2026, 11, 25)


def _registered(valley, *packs, visits=(), learned=None):
    fleet = replace(valley.fleet, packs=packs, visits=tuple(visits))
    return build_register(fleet, replace(valley.outlook, packs=learned or {}))


def _todo(record):
    return [one.todo for one in record.advice]


def _visit(day, site, **what):
    return VisitRecord(day, site, **({"done": Done.SWAPPED, "found": Found.RUNNING} | what))


def test_cycles_and_places_follow_the_visits(valley):
    days = [date(2026, 1, 10) + timedelta(days=60 * k) for k in range(4)]
    visits = [
        _visit(days[0], "C1", pack_in="X1"),
        _visit(days[1], "C1", pack_out="X1", pack_in="X2", volts_out=12.1),
        _visit(days[2], "C2", pack_in="x1"),  # the same pack, written small
        _visit(days[3], "C1", pack_in="X3"),  # nobody wrote which came out: X2 stood there
    ]
    packs = (
        Pack("X1", "SLA12", where="C2", since=days[2], state=PackState.IN_USE),
        Pack("X2", "SLA12", where="shelf", since=days[3]),
        Pack("X3", "SLA12", where="C1", since=days[3], state=PackState.IN_USE),
        Pack("X4", "SLA12"),
    )
    moves = read_moves(replace(valley.fleet, packs=packs, visits=tuple(visits)))
    assert (moves["X1"].times_in, moves["X1"].cycles, moves["X1"].last_site) == (2, 1, "C2")
    assert moves["X1"].volts_back == 12.1
    assert (moves["X2"].times_in, moves["X2"].cycles, moves["X2"].came_back) == (1, 1, days[3])
    assert (moves["X3"].cycles, moves["X4"].times_in, moves["X4"].last_site) == (0, 0, "")


def test_a_missing_sites_pack_is_written_off_until_the_site_is_set_up_again(valley):
    gone = _visit(date(2026, 9, 1), "C1", found=Found.MISSING, done=Done.LEFT)
    pack = Pack("X1", "SLA12", where="C1", since=date(2026, 6, 1), state=PackState.IN_USE)
    put_in = _visit(date(2026, 6, 1), "C1", pack_in="X1")
    register = _registered(valley, pack, visits=[put_in, gone])
    (record,) = register.records
    assert _todo(record) == [Todo.WRITE_OFF]
    assert not record.is_spare
    assert register.to_test == ()
    again = _visit(date(2026, 10, 1), "C1", done=Done.INSTALLED, pack_in="X9")
    (record,) = _registered(valley, replace(pack, where="shelf"), visits=[put_in, gone, again]).records
    assert Todo.WRITE_OFF not in _todo(record)


@pytest.mark.parametrize(
    ("name", "volts", "suspect"),
    [
        ("SLA12", 10.49, True),
        ("SLA12", 10.5, False),
        ("SLA6", 5.24, True),
        ("SLA6", 5.25, False),
        ("SLA6", None, False),
    ],
)
def test_what_came_back_too_low_is_suspect_until_tested(valley, name, volts, suspect):
    """10.5 V (1.75 V a cell) is the end of discharge of a maker's sheet at the 20-hour and 10-hour rates."""
    out = _visit(date(2026, 8, 1), "C1", pack_out="X1", volts_out=volts)
    into = _visit(date(2026, 3, 1), "C1", pack_in="X1")
    pack = Pack("X1", name, where="shelf", since=date(2026, 8, 1))
    register = _registered(valley, pack, visits=[into, out])
    (record,) = register.records
    assert record.is_suspect is suspect
    assert record.is_spare is not suspect
    if suspect:
        assert register.to_test == ("X1",)
        assert "packs.csv still says charged" in record.advice[0].because
        tested = replace(pack, tested_ah=6.9 if name == "SLA12" else 11.9, tested_on=date(2026, 8, 10))
        assert not _registered(valley, tested, visits=[into, out]).records[0].is_suspect


def _with_health(valley, share, sd, **pack):
    learned = {"X1": PackLearned(share, sd, share, sd, 3)}
    return _registered(valley, Pack("X1", "SLA12", **pack), learned=learned).records[0]


def test_the_limits_of_health(valley):
    tested = {"tested_ah": 5.0, "tested_on": ON}
    assert _todo(_with_health(valley, 0.95, 0.03)) == []
    assert _todo(_with_health(valley, 0.78, 0.02, **tested))[-1] is Todo.MOVE
    assert Todo.TEST in _todo(_with_health(valley, 0.82, 0.10))  # on which side of 80 % is open
    assert _todo(_with_health(valley, 0.55, 0.02, **tested)) == [Todo.RETIRE]
    # an estimate alone retires nothing
    assert _todo(_with_health(valley, 0.45, 0.05)) == [Todo.TEST]
    assert _todo(_with_health(valley, 0.95, 0.03, state=PackState.RETIRED)) == [Todo.RETIRE]


def test_the_pack_of_which_a_test_says_most_comes_first(valley):
    shares = {"sure": (0.97, 0.03), "open": (0.80, 0.12), "half": (0.88, 0.12), "bad": (0.6, 0.12)}
    learned = {name: PackLearned(h, sd, h, sd, 2) for name, (h, sd) in shares.items()}
    packs = [Pack(name, "SLA12") for name in shares] + [Pack("sick", "SLA12", state=PackState.SUSPECT)]
    register = _registered(valley, *packs, learned=learned)
    assert register.to_test[0] == "sick"  # one spare less until it is tested
    assert set(register.to_test[1:3]) == {"open", "bad"}
    assert "sure" not in register.to_test


def test_standing_flat_and_standing_long(valley):
    flat = Pack("X1", "SLA12", since=date(2026, 11, 1), state=PackState.FLAT)
    old = Pack("X2", "SLA12", since=date(2025, 10, 1))
    new = Pack("X3", "SLA12", since=date(2026, 9, 1))
    lithium = Pack("X4", "LFP12", since=date(2025, 10, 1))
    records = _registered(valley, flat, old, new, lithium).records
    assert _todo(records[0]) == [Todo.CHARGE]
    assert "stood flat for 24 days" in records[0].advice[0].because
    assert _todo(records[1]) == [Todo.RECHARGE]
    assert records[1].charge < 0.70
    assert records[1].volts < 12.46
    assert _todo(records[2]) == []
    assert records[2].recharge_by > ON
    assert records[3].volts is None  # volts say nothing there
    warm = replace(valley.fleet, spares=replace(valley.fleet.spares, shelf_c=35.0), packs=(new,), visits=())
    hot = build_register(warm, replace(valley.outlook, packs={})).records[0]
    assert hot.charge < records[2].charge
    assert hot.recharge_by < records[2].recharge_by


def test_a_pack_whose_runs_fall_short_is_taken_as_weaker(valley):
    """Three packs at three alike sites; one ran flat in half the time, twice."""
    start = date(2025, 3, 1)
    visits = []
    for number, days in (("1", 150), ("2", 150), ("3", 75)):
        site, day = f"C{number}", start
        for _ in range(3):
            visits.append(_visit(day, site, found=None, pack_in=f"X{number}"))
            day += timedelta(days=days)
            visits.append(
                _visit(
                    day, site, found=Found.DARK, cause=Cause.FLAT, done=Done.REMOVED, pack_out=f"X{number}"
                )
            )
            day += timedelta(days=3)
    packs = tuple(Pack(f"X{k}", "SLA12", bought=date(2025, 1, 1)) for k in range(1, 5))
    sites = tuple(
        replace(site, draw_mah_per_day=35.0, profile="", flat_on=None, swapped_on=date(2026, 10, 1))
        for site in valley.fleet.sites
        if site.site_id in ("C1", "C2", "C3")
    )
    fleet = replace(valley.fleet, packs=packs, visits=tuple(visits), sites=sites, jobs=(), readings=())
    learned = forecast_fleet(fleet, ON).packs
    assert learned["X3"].health < learned["X1"].health
    assert learned["X3"].health < learned["X3"].prior_health * 0.97
    assert learned["X3"].health_sd < learned["X3"].prior_sd
    assert learned["X4"].runs == 0
    assert learned["X4"].health == learned["X4"].prior_health
    assert learned["X4"].health_sd == learned["X4"].prior_sd


def test_without_packs_the_register_is_empty(valley):
    register = build_register(replace(valley.fleet, packs=None), valley.outlook)
    assert register.records == register.to_test == ()


def test_shelves_are_counted_without_suspects(valley):
    out = _visit(date(2026, 8, 1), "C1", pack_out="X1", volts_out=9.9)
    into = _visit(date(2026, 3, 1), "C1", pack_in="X1")
    packs = (Pack("X1", "SLA12", where="shelf", since=date(2026, 8, 1)), Pack("X2", "SLA12"))
    fleet = replace(valley.fleet, packs=packs, visits=(into, out))
    register = build_register(fleet, replace(valley.outlook, packs={}))
    assert fleet.charged_on_shelf("SLA12") == 2
    assert without_suspects(fleet, register).charged_on_shelf("SLA12") == 1
    nobody = replace(fleet, packs=None)
    assert without_suspects(nobody, register) is nobody
