"""The schemas say yes to what the package writes and no to what breaks the contract."""

from __future__ import annotations

import copy
from datetime import date, datetime, timedelta, timezone
from typing import Any

import jsonschema
import pytest

from tripplan.fleet import Cause, Done, Found
from tripplan.forecast.outlook import Basis
from tripplan.plan.document import ChargeSlot, Loop, Plan, Status, Stop, Trip, Unserved, Visit
from tripplan.schemas import SCHEMA_NAMES, load_schema

ZONE = timezone(timedelta(hours=1))


def _at(hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 12, 5, hour, minute, tzinfo=ZONE)


def _plan() -> Plan:
    day = date(2026, 12, 5)
    visit = Visit("S1", _at(9, 10), _at(9, 10), _at(9, 25), day, day, day, day, day, "SLA12", jobs=("lens",))
    loop = Loop(_at(9, 5), _at(9, 30), 400.0, 3.0, (visit,))
    stop = Stop(51.0, -2.0, _at(9), _at(9, 30), (loop,))
    trip = Trip(
        "2026-12-05-A", day, "Reds", _at(8), _at(10), 95.0, 10.0, 15.0, 0.0, 40.0, {"SLA12": 1}, (stop,)
    )
    return Plan(
        "f",
        day,
        day,
        day,
        0.05,
        1,
        Status.NO_FULL_PLAN,
        1,
        (trip,),
        late_sites=1,
        late_days=3,
        expected_dark_days=0.4,
        unserved=(
            Unserved("S2", day, proved=True, visited_on=None, late_days=3, reason="far", smallest_change="x"),
        ),
        charging=(ChargeSlot("SLA12", 1, _at(18), _at(20)),),
        notes=("n",),
        inputs_digest="0" * 64,
    )


def _faults(name: str, data: Any) -> list[str]:
    checker = jsonschema.Draft202012Validator(
        load_schema(name), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )
    return [error.message for error in checker.iter_errors(data)]


@pytest.mark.parametrize("name", SCHEMA_NAMES)
def test_every_schema_is_a_schema_and_names_its_format(name: str) -> None:
    schema = load_schema(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["properties"]["format"] == {"const": f"tripplan-{name}/1"}


def test_an_unknown_name_is_a_callers_bug() -> None:
    with pytest.raises(ValueError, match="name must be one of plan, forecast, results, check, trip"):
        load_schema("../plan")


def test_a_plan_of_every_field_passes() -> None:
    assert _faults("plan", _plan().to_json()) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), "tripplan-plan/2"),
        (("made_on",), "25.11.2026"),
        (("made_on",), "2026-02-30"),
        (("risk",), 0),
        (("risk",), 1.0),
        (("status",), "optimal"),
        (("trip_count",), -1),
        (("trips", 0, "trip_id"), "2026-12-05-1"),
        (("trips", 0, "leave"), "2026-12-05T08:10:00"),
        (("trips", 0, "leave"), "2026-12-05T08:10:00.5+01:00"),
        (("trips", 0, "packs"), {"SLA12": 0}),
        (("trips", 0, "stops"), []),
        (("trips", 0, "stops", 0, "park_lat"), 91),
        (("trips", 0, "stops", 0, "loops", 0, "visits"), []),
        (("trips", 0, "stops", 0, "loops", 0, "visits", 0, "site_id"), ""),
        (("trips", 0, "stops", 0, "loops", 0, "visits", 0, "swap_by"), None),
        (("unserved",), []),
        (("unserved", 0, "reason"), ""),
        (("charging", 0, "charger"), 0),
        (("status",), "proved"),
    ],
)
def test_each_broken_field_of_a_plan_is_refused(path: tuple[str | int, ...], value: Any) -> None:
    data = copy.deepcopy(_plan().to_json())
    at = data
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    assert _faults("plan", data)


@pytest.mark.parametrize("key", ["from", "lower_bound", "trips", "unserved", "notes", "seed"])
def test_each_missing_key_of_a_plan_is_refused(key: str) -> None:
    data = _plan().to_json()
    del data[key]
    assert _faults("plan", data) == [f"{key!r} is a required property"]


def test_a_proved_plan_has_no_late_site() -> None:
    data = _plan().to_json() | {"status": "proved", "unserved": [], "late_sites": 0, "late_days": 0}
    assert _faults("plan", data) == []
    assert _faults("plan", data | {"late_sites": 2})


def test_the_words_of_the_schemas_are_those_of_the_code() -> None:
    plan, forecast, results = (load_schema(name) for name in ("plan", "forecast", "results"))
    assert set(plan["properties"]["status"]["enum"]) == {str(s) for s in Status}
    assert set(forecast["$defs"]["site"]["properties"]["basis"]["enum"]) == {str(b) for b in Basis}
    words = results["$defs"]["visit"]["properties"]
    for key, kind in (("found", Found), ("cause", Cause), ("done", Done)):
        assert set(words[key]["enum"]) == {str(word) for word in kind} | {"", None}
    assert load_schema("trip")["$defs"] == {k: plan["$defs"][k] for k in ("trip", "stop", "loop", "visit")}


def test_results_from_the_field() -> None:
    visit = {"site_id": "S1", "when": "2026-12-05T09:20:00+01:00", "found": "dark", "cause": "cord"}
    data = {"format": "tripplan-results/1", "trip_id": "2026-12-05-A", "by": "Ana", "visits": [visit]}
    assert _faults("results", data) == []
    assert _faults("results", data | {"visits": [visit | {"when": "2026-12-05T09:20:00"}]})
    assert _faults("results", data | {"visits": [visit | {"found": "asleep"}]})
    assert _faults("results", data | {"visits": [visit | {"volts_out": -1}]})


def test_a_forecast_with_a_chance_above_one_is_refused() -> None:
    site = {
        "site_id": "S1",
        "flat_early": "2026-12-01",
        "flat_likely": "2026-12-10",
        "flat_late": "2026-12-20",
        "swap_by": "2026-11-30",
        "chance_dark_today": 0.01,
        "charge_left": None,
        "basis": "usual life",
    }
    data = {"format": "tripplan-forecast/1", "on": "2026-11-25", "risk": 0.05, "sites": [site]}
    assert _faults("forecast", data) == []
    for key, value in (("chance_dark_today", 1.2), ("charge_left", -0.1), ("basis", "guess")):
        assert _faults("forecast", data | {"sites": [site | {key: value}]})
