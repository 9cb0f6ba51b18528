"""What a handover holds, and what it keeps back."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from html import unescape

import pytest
from kit_trip import TODAY, hand_case, hostile_case

from tripplan.outputs.handover_page import render_handover
from tripplan.outputs.handover_view import build_handover
from tripplan.outputs.plain_text import clean
from tripplan.outputs.wording import known_languages, wording_for


def page_of(case, *, whole, private=True, span=(date(2027, 2, 24), date(2027, 8, 25)), language="en"):
    wording = wording_for(language)
    hand = build_handover(
        case.fleet, case.outlook, case.travel, case.plan, span=span, whole=whole, private=private,
        today=TODAY, wording=wording,
    )  # fmt: skip
    return hand, unescape(render_handover(hand, wording))


@pytest.mark.parametrize("language", known_languages())
def test_the_whole_fleet_stands_in_it(language):
    case = hand_case()
    hand, text = page_of(case, whole=True, language=language)
    for site in case.fleet.sites:
        for known in (
            site.site_id,
            site.name,
            site.find,
            site.device_id,
            f"{site.lat:.5f}",
            f"{abs(site.park_lon):.5f}",
        ):
            assert known in text, known
    for pack in case.fleet.packs:
        assert pack.pack_id in text
    for job in case.fleet.jobs:
        assert job.job in text
        assert job.bring in text
    for known in (
        "Estate office, 0123 555 0199",
        "09:00\u201316:00",
        "Merrin van",
        "Ruth",
        "X1",
        case.trip.trip_id,
        "LFP12",
    ):
        assert known in text
    assert len(hand.kits) == 1
    assert len(hand.chargers) == 2
    assert "PRIVATE-NOTE" not in text


def test_an_absence_holds_its_trips_and_evenings_and_no_other_site():
    case = hand_case()
    hand, text = page_of(case, whole=False, span=(date(2027, 3, 3), date(2027, 3, 6)))
    assert [kit.trip_id for kit in hand.kits] == ["2027-03-06-A"]
    # On 2 March packs go on; they come off on the 3rd, which is in the span. On the 7th it is over.
    assert [row.on_text for row in hand.evenings] == ["Tue 2 Mar 18:00", "Wed 3 Mar 18:00"]
    assert hand.evenings[0].text == "1 x SLA12, 12 V (charger 1); 1 x LFP12, 12 V (charger 2)"
    assert hand.sites == hand.packs == hand.crews == hand.access == ()
    for secret in ("NOT-THIS-TRIP", "SECRET-PLACE", "Z9", "57.35", "B99", "PRIVATE-NOTE"):
        assert secret not in text
    none, words = page_of(case, whole=False, span=(date(2027, 5, 1), date(2027, 5, 2)))
    assert none.kits == none.evenings == ()
    assert "No trip is planned in this time." in words
    assert "Sheepfold" not in words


def test_marked_fields_go_only_under_a_lock_and_notes_never():
    case = hand_case()
    marked = frozenset({"name", "find", "device_id"})
    fleet = replace(case.fleet, sites=tuple(replace(s, private=marked) for s in case.fleet.sites))
    case = hand_case(fleet)
    _, locked = page_of(case, whole=True, private=True)
    _, plain = page_of(case, whole=True, private=False)
    for secret in ("SECRET-PLACE", "NOT-THIS-TRIP", "K107"):
        assert secret in locked
        assert secret not in plain
    assert "PRIVATE-NOTE" not in locked + plain


def test_hostile_text_is_shown_as_written():
    case = hostile_case()
    wording = wording_for("en")
    hand = build_handover(
        case.fleet, case.outlook, case.travel, case.plan, span=(TODAY, case.plan.to), whole=True,
        private=True, today=TODAY, wording=wording,
    )  # fmt: skip
    raw = render_handover(hand, wording)
    assert "<img" not in raw
    assert "<script" not in raw
    for site in case.fleet.sites:
        assert clean(site.name) in unescape(raw)
