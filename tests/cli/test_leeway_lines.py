"""What the terminal says about a day that runs late, word for word."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from tripplan.cli.leeway_lines import print_leeway
from tripplan.cli.printing import Printer
from tripplan.plan import plan_season
from tripplan.plan.leeway import Leeway, SkipStep, StopLeeway, VisitLeeway
from tripplan.travel import measure_travel


def test_every_line(tiny_fleet, tiny_outlook, capsys):
    plan = plan_season(tiny_fleet, tiny_outlook, measure_travel(tiny_fleet), made_on=tiny_outlook.on)
    trip = next(t for t in plan.trips if {"A1", "A2"} == {v.site_id for v in t.visits})
    ids = ", ".join(visit.site_id for visit in trip.visits)
    leeway = Leeway(
        (StopLeeway(35, trip.stops[0].leave + timedelta(minutes=35), 65),),
        (VisitLeeway("A1", date(2027, 3, 20)), VisitLeeway("A2", None)),
        (SkipStep("A1", 16, date(2027, 3, 20)),),
    )
    print_leeway(Printer(), tiny_fleet, trip, leeway)
    until = trip.stops[0].leave + timedelta(minutes=35)
    assert capsys.readouterr().out.splitlines() == [
        "If the day runs late",
        (
            f"  Stop 1 ({ids}): you can lose 35 min here (65 if the reserve before dusk is spent); drive off by "
            f"{until:%H:%M} at the latest."
        ),
        "  The plan leaves as late as it may; setting off earlier gives you more (the crew's day begins 07:30).",
        "  Leave out in this order:",
        "    A1: can wait until Sat 20 Mar 2027, saves 16 minutes.",
        "  Not to be left out (no later date serves it in time): A2.",
        "",
    ]
    bare = replace(leeway, visits=leeway.visits[:1], skip=())
    print_leeway(Printer(), tiny_fleet, replace(trip, leave=trip.leave.replace(hour=7, minute=30)), bare)
    assert len(capsys.readouterr().out.splitlines()) == 3
