"""The words around dates and proofs."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from tripplan.cli.printing import Printer
from tripplan.cli.season import _print_unserved
from tripplan.cli.wording import likely_text, proof_line
from tripplan.forecast.outlook import Basis, Outlook, SiteForecast
from tripplan.plan.document import Plan, Status, Trip, Unserved

ON = date(2026, 11, 25)
TO = date(2027, 5, 26)


def _site(site_id: str, basis: Basis, likely: date = date(2027, 1, 15), either_way: int = 3) -> SiteForecast:
    spread = timedelta(days=either_way)
    return SiteForecast(site_id, likely - spread, likely, likely + spread, likely, 0.05, 0.0, None, basis)


def _outlook(*bases: Basis) -> Outlook:
    return Outlook(ON, TO, 0.05, {f"S{n}": _site(f"S{n}", basis) for n, basis in enumerate(bases)}, {})


def _plan(status: Status, trips: int, bound: int, late: int = 0) -> Plan:
    trip = Trip("x", ON, "c", None, None, 0, 0, 0, 0, 0, {}, ())  # type: ignore[arg-type]
    return Plan(
        "f",
        ON,
        ON,
        TO,
        0.05,
        1,
        status,
        bound,
        (trip,) * trips,
        late_sites=late,
        unserved=(
            Unserved("S0", ON, proved=True, visited_on=None, late_days=1, reason="r", smallest_change=""),
        )
        * late,
    )


MIXED = (Basis.MODEL, Basis.USUAL_LIFE, Basis.GIVEN_DATE, Basis.USUAL_LIFE)


@pytest.mark.parametrize(
    ("plan", "bases", "line"),
    [
        (
            _plan(Status.PROVED, 8, 8),
            MIXED,
            (
                "8 trips; no plan does it with 7 (for the swap-by dates above; "
                "2 of 4 rest on the usual life of their pack type)"
            ),
        ),
        (
            _plan(Status.PROVED, 8, 8),
            (Basis.MODEL,),
            "8 trips; no plan does it with 7 (for the swap-by dates above)",
        ),
        (
            _plan(Status.PROVED, 1, 1),
            (Basis.MODEL, Basis.USUAL_LIFE),
            (
                "1 trip; no plan does it with 0 (for the swap-by dates above; "
                "1 of 2 rests on the usual life of their pack type)"
            ),
        ),
        (
            _plan(Status.BEST_FOUND, 8, 6),
            (Basis.HISTORY,),
            "8 trips found; at least 6 are needed (for the swap-by dates above)",
        ),
        (
            _plan(Status.BEST_FOUND, 2, 1),
            (Basis.HISTORY,),
            "2 trips found; at least 1 is needed (for the swap-by dates above)",
        ),
        (
            _plan(Status.PROVED, 0, 0),
            (Basis.HISTORY,),
            "No trip is needed: nothing is due before 26 May 2027 (for the swap-by dates above)",
        ),
        (
            _plan(Status.NO_FULL_PLAN, 5, 5, 1),
            (Basis.HISTORY,),
            (
                "5 trips, but 1 site late or never reached; no plan that serves them as well does it with 4 "
                "(for the swap-by dates above)"
            ),
        ),
        (
            _plan(Status.NO_FULL_PLAN, 5, 3, 2),
            (Basis.HISTORY,),
            (
                "5 trips, but 2 sites late or never reached; at least 3 are needed to serve them as well "
                "(for the swap-by dates above)"
            ),
        ),
        (
            _plan(Status.NO_FULL_PLAN, 5, 1, 2),
            (Basis.HISTORY,),
            (
                "5 trips, but 2 sites late or never reached; at least 1 is needed to serve them as well "
                "(for the swap-by dates above)"
            ),
        ),
        (
            _plan(Status.NO_FULL_PLAN, 0, 0, 1),
            (Basis.HISTORY,),
            "No trip can be made; 1 site late or never reached (for the swap-by dates above)",
        ),
    ],
)
def test_proof_line(plan: Plan, bases: tuple[Basis, ...], line: str) -> None:
    assert proof_line(plan, _outlook(*bases)) == line


@pytest.mark.parametrize(
    ("likely", "either_way", "text"),
    [
        (date(2027, 1, 15), 13, "15 Jan 2027"),
        (date(2027, 1, 15), 21, "mid-Jan 2027, give or take 3 weeks"),
        (date(2027, 1, 10), 14, "early Jan 2027, give or take 2 weeks"),
        (date(2027, 1, 21), 30, "late Jan 2027, give or take 4 weeks"),
    ],
)
def test_with_little_known_weeks_instead_of_days(likely: date, either_way: int, text: str) -> None:
    assert likely_text(_site("S", Basis.USUAL_LIFE, likely, either_way)) == text


def test_the_proof_line_counts_every_site_of_the_fleet() -> None:
    outlook = _outlook(*([Basis.USUAL_LIFE] * 11 + [Basis.MODEL] * 19))
    assert "11 of 30 rest on" in proof_line(replace(_plan(Status.PROVED, 8, 8)), outlook)


@pytest.mark.parametrize("proved", [True, False])
def test_what_was_not_found_in_the_time_given_is_not_called_impossible(valley_fleet, capsys, proved):
    site = valley_fleet.sites[0].site_id
    late = Unserved(site, ON, proved=proved, visited_on=None, late_days=9, reason="r", smallest_change="")
    plan = replace(_plan(Status.NO_FULL_PLAN, 1, 1, late=1), unserved=(late,), late_days=9)
    _print_unserved(Printer(), valley_fleet, plan)
    said = capsys.readouterr().out
    assert ("shown to be impossible" in said) is proved
    assert ("a longer search (a larger --time-limit, or none) may serve those sites" in said) is not proved
    assert "not visited this season" in said


def test_a_site_whose_second_visit_is_missing_is_not_called_unvisited(valley_fleet, capsys):
    site = valley_fleet.sites[0].site_id
    late = Unserved(site, ON, proved=False, visited_on=None, late_days=9, reason="r", smallest_change="")
    trips: Any = (SimpleNamespace(visits=(SimpleNamespace(site_id=site),)),)
    plan = replace(_plan(Status.NO_FULL_PLAN, 1, 1, late=1), trips=trips, unserved=(late,), late_days=9)
    _print_unserved(Printer(), valley_fleet, plan)
    assert "not visited again this season, 9 days late" in capsys.readouterr().out
