from __future__ import annotations

from datetime import date

from tripplan.fleet import Crew, DateSpan
from tripplan.travel import crew_dates, crews_share_people


def test_dates_leave_out_blocked_and_away(make_fleet):
    crew = Crew("home", 52.0, -4.0, away=(DateSpan(date(2026, 12, 12), date(2026, 12, 19)),))
    fleet = make_fleet(crews=(crew,), blocked=(DateSpan(date(2026, 12, 27), date(2026, 12, 27)),))
    found = crew_dates(fleet, crew, date(2026, 12, 5), date(2026, 12, 27))
    assert [day.day for day in found] == [5, 6, 20, 26]


def test_ends_are_included_and_a_turned_span_is_empty(make_fleet):
    crew = Crew("home", 52.0, -4.0, weekdays=frozenset({2}))
    day = date(2026, 11, 25)
    assert crew_dates(make_fleet(), crew, day, day) == (day,)
    assert crew_dates(make_fleet(), crew, day, date(2026, 11, 24)) == ()


def test_sharing_people():
    def crew(*people):
        return Crew("x", 0.0, 0.0, people=people)

    assert crews_share_people(crew("Ann", "Bo"), crew(" bo "))
    assert not crews_share_people(crew("Ann"), crew("Anna"))
    assert not crews_share_people(crew(), crew())
