from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from tripplan.fleet import AccessRule, MonthDay
from tripplan.travel import Contact, contacts_for, may_be_visited, open_spans

SATURDAY = date(2026, 12, 5)  # GMT


@pytest.fixture
def spans(make_fleet, make_site):
    def clock(day, *rules, crew="home", zone="Europe/London", **site):
        place = make_site("A", 52.1, -4.1, access="gate" if rules else "", **site)
        fleet = make_fleet(place, access={"gate": tuple(rules)}, timezone=zone)
        return [
            tuple(datetime.fromtimestamp(t, fleet.zone).strftime("%d %H:%M") for t in span)
            for span in open_spans(fleet, place, crew, day)
        ]

    return clock


def rule(start=0, end=24, **more):
    more.setdefault("is_open", True)
    return AccessRule("gate", from_minute=round(start * 60), to_minute=round(end * 60), **more)


def shut(start=0, end=24, **more):
    return rule(start, end, is_open=False, **more)


def test_site_without_access_is_always_open(spans):
    assert spans(SATURDAY) == [("05 00:00", "06 00:00")]


def test_open_row_opens_its_hours_only(spans):
    assert spans(SATURDAY, rule(9, 17)) == [("05 09:00", "05 17:00")]


def test_day_end_is_written_24(spans):
    assert spans(SATURDAY, rule(18, 24)) == [("05 18:00", "06 00:00")]


def test_spans_that_touch_or_overlap_are_one(spans):
    rows = (rule(9, 12), rule(12, 14), rule(13, 16), rule(18, 19))
    assert spans(SATURDAY, *rows) == [("05 09:00", "05 16:00"), ("05 18:00", "05 19:00")]


def test_closed_wins_whatever_the_order(spans):
    rows = (shut(12, 13), rule(9, 17))
    expected = [("05 09:00", "05 12:00"), ("05 13:00", "05 17:00")]
    assert spans(SATURDAY, *rows) == spans(SATURDAY, *rows[::-1]) == expected


def test_closed_rows_only_leave_the_rest_open(spans):
    assert spans(SATURDAY, shut(0, 9)) == [("05 09:00", "06 00:00")]
    assert spans(SATURDAY, shut()) == []


def test_an_open_row_of_another_season_still_closes_the_rest(spans):
    summer = {"season_from": MonthDay(6, 1), "season_to": MonthDay(8, 31)}
    assert spans(SATURDAY, rule(9, 17, **summer)) == []
    assert spans(SATURDAY, rule(9, 17, **summer), shut(0, 5)) == []


def test_weekdays(spans):
    assert spans(SATURDAY, rule(9, 17, weekdays=frozenset({5}))) == [("05 09:00", "05 17:00")]
    assert spans(date(2026, 12, 6), rule(9, 17, weekdays=frozenset({5}))) == []


@pytest.mark.parametrize(
    ("day", "is_open"),
    [
        (date(2026, 10, 31), False),
        (date(2026, 11, 1), True),
        (date(2026, 12, 31), True),
        (date(2027, 1, 1), True),
        (date(2027, 2, 28), True),
        (date(2028, 2, 29), True),  # counts as the 28th
        (date(2027, 3, 1), False),
    ],
)
def test_season_across_the_years_end_with_both_ends(spans, day, is_open):
    season = {"season_from": MonthDay(11, 1), "season_to": MonthDay(2, 29)}
    assert bool(spans(day, rule(**season))) is is_open
    assert bool(spans(day, shut(**season))) is not is_open


@pytest.mark.parametrize(
    ("day", "is_open"),
    [
        (date(2028, 2, 27), False),
        (date(2028, 2, 28), True),
        (date(2028, 2, 29), True),
        (date(2028, 3, 1), True),
    ],
)
def test_season_from_the_29th_begins_on_the_28th(spans, day, is_open):
    assert bool(spans(day, rule(season_from=MonthDay(2, 29), season_to=MonthDay(6, 1)))) is is_open


def test_season_of_full_dates_holds_once(spans):
    season = {"season_from": date(2026, 12, 5), "season_to": date(2027, 2, 1)}
    days = [date(2026, 12, 4), date(2026, 12, 5), date(2027, 2, 1), date(2027, 2, 2), date(2027, 12, 10)]
    assert [bool(spans(day, rule(**season))) for day in days] == [False, True, True, False, False]


def test_season_with_one_end(spans):
    assert spans(date(2027, 5, 1), rule(season_from=date(2026, 1, 1)))
    assert not spans(date(2025, 5, 1), rule(season_from=date(2026, 1, 1)))
    assert spans(date(2027, 12, 31), rule(season_from=MonthDay(12, 1)))
    assert not spans(date(2027, 1, 1), rule(season_from=MonthDay(12, 1)))


def test_mixed_season_is_a_callers_bug(spans):
    with pytest.raises(TypeError, match="row 3: a season takes two full dates or two days of the year"):
        spans(SATURDAY, rule(season_from=MonthDay(12, 1), season_to=date(2027, 1, 1), row=3))


def test_crews(spans):
    rows = (rule(9, 17, crews=("away",)),)
    assert spans(SATURDAY, *rows, crew="away") == [("05 09:00", "05 17:00")]
    assert spans(SATURDAY, *rows, crew="home") == []
    rows = (rule(9, 17), shut(9, 12, crews=("away",)))
    assert spans(SATURDAY, *rows, crew="away") == [("05 12:00", "05 17:00")]
    assert spans(SATURDAY, *rows, crew="home") == [("05 09:00", "05 17:00")]


def test_a_device_is_set_out_at_most_so_many_days_before_and_taken_in_on_any_day_after(
    spans, make_fleet, make_site
):
    active = {"active_from": date(2026, 12, 15), "active_to": date(2026, 12, 22)}
    days = [date(2026, 11, 30), date(2026, 12, 1), date(2026, 12, 14), date(2026, 12, 15), date(2027, 1, 2)]
    assert [bool(spans(day, **active)) for day in days] == [False, True, True, True, True]
    site = make_site("A", 1, 1, **active)
    fleet = make_fleet(site)
    for at_home, allowed in (
        (True, [False, True, True, True, True]),
        (False, [False, False, False, True, True]),
    ):
        assert [may_be_visited(fleet, site, day, at_home=at_home) for day in days] == allowed


def test_clocks_going_forward_skip_an_hour(spans):
    day = date(2027, 3, 28)  # London: 01:00 becomes 02:00
    assert spans(day) == [("28 00:00", "29 00:00")]
    assert spans(day, rule(9, 17)) == [("28 09:00", "28 17:00")]
    assert spans(day, rule(1.25, 1.75)) == []  # that time does not come
    assert spans(day, rule(1.5, 3)) == [("28 02:00", "28 03:00")]
    assert spans(day, rule(0, 4), shut(1.25, 2.5)) == [("28 00:00", "28 02:00"), ("28 02:30", "28 04:00")]


def test_clocks_going_back_repeat_an_hour(make_fleet, make_site):
    day = date(2026, 10, 25)  # London: 02:00 BST becomes 01:00 GMT
    site = make_site("A", 52.1, -4.1, access="gate")

    def utc(*rules):
        fleet = make_fleet(site, access={"gate": rules})
        return [
            tuple(datetime.fromtimestamp(t, UTC).strftime("%d %H:%M") for t in span)
            for span in open_spans(fleet, site, "home", day)
        ]

    assert utc(rule()) == [("24 23:00", "26 00:00")]
    assert utc(rule(9, 17)) == [("25 09:00", "25 17:00")]
    assert utc(rule(0.5, 1.5)) == [("24 23:30", "25 00:30"), ("25 01:00", "25 01:30")]
    assert utc(rule(1.25, 1.75)) == [("25 00:15", "25 00:45"), ("25 01:15", "25 01:45")]  # both times
    assert utc(shut(1.25, 1.75)) == [
        ("24 23:00", "25 00:15"),
        ("25 00:45", "25 01:15"),
        ("25 01:45", "26 00:00"),
    ]


def test_clocks_that_change_at_midnight(spans):
    # Santiago: midnight of 6 September 2026 does not exist, the day begins at 01:00
    assert spans(date(2026, 9, 6), rule(9, 17), zone="America/Santiago") == [("06 09:00", "06 17:00")]
    assert spans(date(2026, 9, 6), zone="America/Santiago") == [("06 01:00", "07 00:00")]


def test_contacts(make_fleet, make_site):
    site = make_site("A", 52.1, -4.1, access="gate")
    rows = (
        rule(9, 12, contact="Mrs Vale", notice_days=5),
        rule(12, 17, contact="Mrs Vale", notice_days=2),
        rule(contact="keeper", weekdays=frozenset({6})),
        rule(notice_days=1),
        shut(contact="office", notice_days=9),
        rule(contact="club", crews=("away",)),
        rule(),
    )
    fleet = make_fleet(site, make_site("B", 52.1, -4.1), access={"gate": rows})
    whoever = Contact(date(2026, 12, 4), "whoever grants access gate")
    vale = Contact(date(2026, 11, 30), "Mrs Vale")
    assert contacts_for(fleet, site, SATURDAY) == (vale, whoever, Contact(SATURDAY, "club"))
    assert contacts_for(fleet, site, SATURDAY, "home") == (vale, whoever)
    assert contacts_for(fleet, fleet.sites[1], SATURDAY) == ()
