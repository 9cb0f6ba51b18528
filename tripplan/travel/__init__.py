"""Places to minutes and metres, by road and on foot; daylight and access."""

from __future__ import annotations

from tripplan.travel.access import Contact, contacts_for, may_be_visited, open_spans
from tripplan.travel.crews import crew_dates, crews_share_people, idle_spans
from tripplan.travel.drive import DriveBasis
from tripplan.travel.geodesic import geodesic_m
from tripplan.travel.measure import Travel, measure_travel
from tripplan.travel.places import Place
from tripplan.travel.sun import SunKind, SunTimes, sun_times, usable_daylight
from tripplan.travel.visit_sum import VisitSum, single_visit_sum
from tripplan.travel.walk import WALK_RULES, din33466_minutes, naismith_minutes, tobler_minutes

__all__ = [
    "WALK_RULES",
    "Contact",
    "DriveBasis",
    "Place",
    "SunKind",
    "SunTimes",
    "Travel",
    "VisitSum",
    "contacts_for",
    "crew_dates",
    "crews_share_people",
    "din33466_minutes",
    "geodesic_m",
    "idle_spans",
    "may_be_visited",
    "measure_travel",
    "naismith_minutes",
    "open_spans",
    "single_visit_sum",
    "sun_times",
    "tobler_minutes",
    "usable_daylight",
]
