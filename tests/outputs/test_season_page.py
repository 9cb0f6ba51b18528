"""The season's page: dates, trips and changes stand in it as they stand in the plan; no place does."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from html import unescape

import pytest
from kit_trip import DAY, HOSTILE, TODAY, hand_case, hostile_case

from tripplan.forecast.outlook import Basis, SiteForecast
from tripplan.outputs.plain_text import clean
from tripplan.outputs.season_page import render_season
from tripplan.outputs.season_view import build_season_view
from tripplan.outputs.wording import known_languages, wording_for
from tripplan.plan.difference import compare_plans
from tripplan.plan.document import Status, Unserved


def forecasts(case):
    """One forecast a site: swap-by dates ten days apart, the first in the past."""
    found = {}
    for number, site in enumerate(case.fleet.sites):
        swap_by = TODAY + timedelta(days=10 * number - 5)
        found[site.site_id] = SiteForecast(
            site.site_id, swap_by, swap_by + timedelta(days=20), swap_by + timedelta(days=50), swap_by, 0.05,
            0.034 if number == 0 else 0.0, None if number == 1 else 1 - number / 10, list(Basis)[number % 4],
        )  # fmt: skip
    return replace(case.outlook, sites=found)


def page_of(case, since=None, language="en", plan=None):
    wording = wording_for(language)
    view = build_season_view(
        case.fleet, forecasts(case), plan or case.plan, since_last=since, today=TODAY, wording=wording
    )
    return view, render_season(view, wording)


def since(before, after):
    return {"made_on": before.made_on.isoformat(), **compare_plans(before, after).to_json()}


@pytest.mark.parametrize("language", known_languages())
def test_every_site_with_its_dates_and_every_trip(language):
    case = hand_case()
    view, text = page_of(case, language=language)
    assert [site.state for site in view.sites[:4]] == ["past", "soon", "soon", "soon"]
    assert [site.site_id for site in view.sites] == [site.site_id for site in case.fleet.sites]
    assert view.sites[0].dark == "3"
    assert [site.charge for site in view.sites[:3]] == [100, None, 80]
    assert [len(site.visits) for site in view.sites] == [1] * 7 + [0]
    for site in case.fleet.sites:
        assert site.name in text
    assert case.trip.trip_id in text
    assert view.trips[0].hours.startswith("08:00")
    assert view.trips[0].sites == tuple(visit.site_id for visit in case.trip.visits)


def test_words_are_those_of_the_plan():
    case = hand_case()
    view, text = page_of(case)
    assert view.proof_text == "1 trip; no plan does it with 0."
    assert view.next_text == (
        "Next trip: Saturday 6 March 2027 (in 10 days), Merrin van; to load: 3 SLA12, 2 SLA6, 1 LFP12."
    )
    assert view.charge_text == "Next on the charger: Tue 2 Mar 2027 18:00: 1 SLA12, 1 LFP12."
    assert view.sites[1].flat == "late March 2027, give or take 4 weeks"
    assert view.rests_text == "For the swap-by dates below; 2 of 8 rest on the usual life of their pack type."
    assert "no earlier plan" in text
    late = replace(
        case.plan, status=Status.NO_FULL_PLAN, late_sites=1,
        unserved=(Unserved("Z9", DAY, proved=True, visited_on=None, late_days=9, reason="closed", smallest_change="open it"),),
    )  # fmt: skip
    view, text = page_of(case, plan=late)
    assert view.proof_text == "1 trip, but 1 site late or never reached."
    assert [(one.fate, one.why) for one in view.unserved] == [("Z9", "Closed. Open it.")]
    again = replace(late, unserved=(replace(late.unserved[0], site_id=case.trip.visits[0].site_id),))
    said = [page_of(case, plan=one)[0].unserved[0].text for one in (late, again)]
    assert said == [
        "is not visited; swap by is Sat 6 Mar 2027",
        "is not visited again; swap by is Sat 6 Mar 2027",
    ]
    found = replace(case.plan, status=Status.BEST_FOUND, lower_bound=0)
    assert page_of(case, plan=found)[0].proof_text == "1 trip found; at least 0 needed."


def test_changes_are_those_of_the_difference():
    case = hand_case()
    moved = replace(
        case.trip,
        trip_id="2027-03-13-A",
        date=DAY + timedelta(days=7),
        stops=case.trip.stops[:2],
    )
    after = replace(case.plan, trips=(moved,), made_on=TODAY)
    before = replace(case.plan, made_on=date(2027, 2, 20))
    view, text = page_of(case, since=since(before, after), plan=after)
    assert view.since == "Sat 20 Feb 2027"
    assert view.changes_head == "1 moved"
    first = view.changes[0]
    assert first.fate == "moved"
    assert first.text == "2027-03-06-A \u2192 2027-03-13-A; without E1, E2"
    told = {one.fate for one in view.changes[1:]}
    assert {"E1", "E2"} <= told
    same = page_of(case, since=since(before, replace(before, made_on=TODAY)))[0]
    assert same.changes_head == "Nothing has changed since the last plan."
    assert same.changes == ()
    assert first.text.split(";")[0] in unescape(text)


def test_no_place_stands_in_it():
    case = hand_case()
    text = page_of(case)[1]
    for site in case.fleet.sites:
        for secret in (f"{site.lat:.3f}", f"{abs(site.lon):.3f}", site.find, site.notes):
            assert not secret or secret not in text


def test_hostile_text_is_shown_as_written():
    case = hostile_case()
    plan = replace(case.plan, notes=HOSTILE, wishes=HOSTILE)
    raw = page_of(case, plan=plan)[1]
    assert "<img" not in raw
    assert "<script" not in raw
    for text in HOSTILE:
        assert clean(text) in unescape(raw)
