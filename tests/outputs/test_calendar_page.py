"""The season's calendar: what each strip says, nothing from outside, nothing dangerous, nothing cut off."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import html5lib
import pytest

from tripplan.fleet import AccessRule, DateSpan
from tripplan.outputs.calendar_page import _lanes, render_calendar_page
from tripplan.plan import plan_season
from tripplan.plan.document import Status, Unserved
from tripplan.travel import measure_travel


@pytest.fixture
def tiny_plan(tiny_fleet, tiny_outlook):
    return plan_season(tiny_fleet, tiny_outlook, measure_travel(tiny_fleet), made_on=tiny_outlook.on)


def _strips(page: str) -> dict[str, str]:
    return dict(re.findall(r"aria-label='(\w+): ([^']*)'", page))


def test_every_strip_says_when_and_how_long_it_could_wait(tiny_fleet, tiny_outlook, tiny_plan):
    strips = _strips(render_calendar_page(tiny_fleet, tiny_outlook, tiny_plan))
    numbers = {trip.trip_id: k for k, trip in enumerate(tiny_plan.trips, 1)}
    for trip in tiny_plan.trips:
        for visit in trip.visits:
            said = (
                f"swapped on {trip.date:%a} {trip.date.day} {trip.date:%b %Y}, trip {numbers[trip.trip_id]}, "
                f"could wait until {visit.swap_by:%a} {visit.swap_by.day} {visit.swap_by:%b %Y}"
            )
            assert said in strips[visit.site_id]
    assert set(strips) - {"Trips"} == {site.site_id for site in tiny_fleet.sites}


def test_the_page_is_html_without_script_and_shows_proof_wishes_and_notes(
    tiny_fleet, tiny_outlook, tiny_plan
):
    plan = replace(tiny_plan, wishes=("a crew goes on Sat 13 Mar 2027",), notes=("A note.",))
    page = render_calendar_page(tiny_fleet, tiny_outlook, plan, "2 trips; no plan does it with 1.")
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<script" not in page
    for text in ("2 trips; no plan does it with 1.", "As asked: a crew goes on Sat 13 Mar 2027.", "A note."):
        assert text in page


def test_names_of_other_people_cannot_break_out(tiny_fleet, tiny_outlook, tiny_plan):
    evil = "<img src=x onerror=alert(1)>'\"\u202e"
    sites = tuple(replace(site, name=evil) for site in tiny_fleet.sites)
    page = render_calendar_page(
        replace(tiny_fleet, name=evil, sites=sites), tiny_outlook, replace(tiny_plan, notes=(evil,)), evil
    )
    assert "<img" not in page
    assert "\u202e" not in page


def test_what_is_late_is_hatched_and_named(tiny_fleet, tiny_outlook, tiny_plan):
    site = tiny_fleet.sites[0].site_id
    swap_by = tiny_outlook.sites[site].swap_by
    plan = replace(
        tiny_plan,
        status=Status.NO_FULL_PLAN,
        trips=(),
        unserved=(
            Unserved(
                site, swap_by, proved=False, visited_on=None, late_days=9, reason="r", smallest_change=""
            ),
        ),
    )
    page = render_calendar_page(tiny_fleet, tiny_outlook, plan)
    assert f"then due by {swap_by:%a} {swap_by.day} {swap_by:%b %Y} without a visit" in _strips(page)[site]
    assert "class='late' fill='url(#hatch)'" in page
    assert " <b>late</b>" in page


def test_a_site_that_goes_out_of_service_is_not_late_after_that(tiny_fleet, tiny_outlook, tiny_plan):
    gone = tiny_fleet.sites[0]
    last = tiny_outlook.sites[gone.site_id].swap_by - timedelta(days=1)
    sites = (replace(gone, active_to=last), *tiny_fleet.sites[1:])
    page = render_calendar_page(
        replace(tiny_fleet, sites=sites), tiny_outlook, replace(tiny_plan, trips=tiny_plan.trips[1:])
    )
    strip = _strips(page)[gone.site_id]
    assert strip == f"then in service until {last:%a} {last.day} {last:%b %Y} only" or "swapped" in strip
    assert "late" not in strip


def test_closed_spells_and_absences_are_drawn(tiny_fleet, tiny_outlook, tiny_plan):
    def count(fleet, kind):
        page = render_calendar_page(fleet, tiny_outlook, tiny_plan)
        return page.count(f"class='{kind}' fill=") - 1  # one in the legend

    assert count(tiny_fleet, "shut") == 0
    assert count(tiny_fleet, "home") == 0
    on = tiny_outlook.on
    shut = AccessRule("gate", is_open=False, season_from=on, season_to=on + timedelta(days=9))
    assert count(replace(tiny_fleet, access={"gate": (shut,)}), "shut") == 1
    away = replace(tiny_fleet.crews[0], away=(DateSpan(date(2027, 3, 15), date(2027, 4, 2)),))
    assert count(replace(tiny_fleet, crews=(away,)), "home") == 1


def test_a_season_without_anything_due_has_an_empty_calendar(tiny_fleet, tiny_outlook, tiny_plan):
    sites = {
        name: replace(one, swap_by=tiny_outlook.to + timedelta(days=1))
        for name, one in tiny_outlook.sites.items()
    }
    page = render_calendar_page(
        tiny_fleet, replace(tiny_outlook, sites=sites), replace(tiny_plan, trips=(), status=Status.PROVED)
    )
    assert "Nothing due this season: A1, A2, B1, B2." in page
    assert "<h2>Trips</h2>" not in page


def test_numbers_that_would_hide_each_other_go_into_lanes():
    assert _lanes([0.0, 0.01, 0.02, 0.2, 0.205, 0.9]) == [0, 1, 2, 0, 1, 0]
    assert _lanes([]) == []
