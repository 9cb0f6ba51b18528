"""
Waypoints, calendar and GeoJSON against the published formats, each with a second reader.

The GPX 1.1 schema (TopoGrafix, "GPX 1.1 Schema", 2004, gpx.xsd) comes with the package ``gpx``, versions 0.1
and 0.2, and is used for nothing else. As a second opinion the order of elements is checked against a table
transcribed from the schema's documentation (types gpxType, metadataType, wptType, rteType).
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib import metadata
from pathlib import Path
from xml.etree import ElementTree as ET

import gpxpy
import pytest
import vobject
import xmlschema
from geojson_pydantic import FeatureCollection

sys.path.append(str(Path(__file__).parent.parent / "outputs"))

import itertools

from kit_trip import TODAY, hand_case, hostile_case

from tripplan.outputs import write_kit

GPX = "{http://www.topografix.com/GPX/1/1}"
ORDER = {
    "gpx": ("metadata", "wpt", "rte", "trk", "extensions"),
    "metadata": ("name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"),
    "wpt": (
        "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix", "sat",
        "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
    ),
    "rte": ("name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"),
}  # fmt: skip
ORDER["rtept"] = ORDER["wpt"]


@pytest.fixture(scope="module", params=["plain", "hostile"])
def written(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    case = hand_case() if request.param == "plain" else hostile_case()
    write_kit(*case.arguments(), folder, today=TODAY)
    return case, folder


@pytest.fixture(scope="module")
def schema():
    return xmlschema.XMLSchema(
        Path(str(metadata.distribution("gpx").locate_file("gpx/gpx.xsd"))).read_text("utf-8")
    )


def test_gpx_is_valid_by_the_schema(written, schema):
    assert schema.target_namespace == GPX.strip("{}")
    schema.validate((written[1] / "trip.gpx").read_text("utf-8"))


@pytest.mark.parametrize(
    "body",
    [
        '<wpt lat="1" lon="2"><desc>d</desc><name>n</name></wpt>',  # out of order
        '<wpt lat="91" lon="2"/>',  # no latitude
        '<rte/><wpt lat="1" lon="2"/>',  # route before waypoint
        '<wpt lat="1" lon="2"><colour>red</colour></wpt>',  # no element of GPX
    ],
)
def test_schema_refuses_what_is_no_gpx(schema, body):
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        schema.validate(f"{head}{body}</gpx>")


def require_schema_order(element):
    name = element.tag.removeprefix(GPX)
    if name not in ORDER:
        assert len(element) == 0, f"{name} holds elements"
        return
    places = [ORDER[name].index(child.tag.removeprefix(GPX)) for child in element]
    assert places == sorted(places), f"{name} breaks the order of the schema"
    once = [p for p in places if ORDER[name][p] not in {"wpt", "rte", "trk", "rtept", "link"}]
    assert len(once) == len(set(once)), f"{name} repeats an element"
    for child in element:
        require_schema_order(child)


def test_order_table_refuses_a_misplaced_element():
    wrong = ET.fromstring(
        '<gpx xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="1" lon="2"><desc>d</desc><name>n</name></wpt></gpx>'
    )
    with pytest.raises(AssertionError, match="wpt breaks the order"):
        require_schema_order(wrong)


def test_gpx_keeps_the_order_of_the_schema(written):
    _, folder = written
    root = ET.fromstring((folder / "trip.gpx").read_bytes())
    assert root.tag == f"{GPX}gpx"
    assert root.attrib["version"] == "1.1"
    assert root.attrib["creator"]
    require_schema_order(root)
    for point in root.iter():
        if "lat" in point.attrib:
            assert -90 <= float(point.attrib["lat"]) <= 90
            assert -180 <= float(point.attrib["lon"]) < 180
    assert not list(root.iter(f"{GPX}trk"))
    time = root.find(f"{GPX}metadata/{GPX}time")
    assert time is not None
    assert time.text.endswith("Z")


def test_gpx_is_read_back_by_a_second_reader(written):
    case, folder = written
    document = gpxpy.parse((folder / "trip.gpx").read_text("utf-8"))
    visits = case.trip.visits
    assert len(document.waypoints) == 1 + len(case.trip.stops) + len(visits)
    for point, visit in zip(document.waypoints[1 + len(case.trip.stops) :], visits, strict=True):
        site = case.fleet.sites_by_id[visit.site_id]
        assert (point.latitude, point.longitude) == pytest.approx((site.lat, site.lon), abs=5e-7)
    route = document.routes[0]
    assert len(route.points) == len(case.trip.stops) + 2
    assert route.points[0].latitude == route.points[-1].latitude == case.fleet.crews[0].base_lat
    assert document.tracks == []


# A reader of RFC 5545 of our own, sharing nothing with the writer's library: unfold, split, unescape.
def read_calendar(raw: bytes):
    assert raw.endswith(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    lines = raw.split(b"\r\n")[:-1]
    assert max(len(line) for line in lines) <= 75  # section 3.1, octets without the line break
    for line in lines:
        line.decode("utf-8")  # no character is cut by a fold
    unfolded = raw.replace(b"\r\n ", b"").decode("utf-8").split("\r\n")[:-1]
    stack = []
    root = None
    for line in unfolded:
        name, _, value = line.partition(":")
        if name == "BEGIN":
            node = {"kind": value, "parts": [], "values": {}}
            if stack:
                stack[-1]["parts"].append(node)
            else:
                root = node
            stack.append(node)
        elif name == "END":
            assert stack.pop()["kind"] == value
        else:
            stack[-1]["values"][name] = value
    assert stack == []
    return root


def moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)


def test_calendar_is_read_by_a_second_reader(written):
    case, folder = written
    root = read_calendar((folder / "trip.ics").read_bytes())
    assert root["kind"] == "VCALENDAR"
    assert root["values"]["VERSION"] == "2.0"
    events = root["parts"]
    assert [event["kind"] for event in events] == ["VEVENT"] * 3  # the trip and two charging evenings
    for event in events:
        assert {"UID", "DTSTAMP", "DTSTART", "DTEND", "SEQUENCE", "SUMMARY"} <= set(event["values"])
        assert moment(event["values"]["DTSTART"]) < moment(event["values"]["DTEND"])
        assert [part["kind"] for part in event["parts"]] == ["VALARM"]
        assert event["parts"][0]["values"]["ACTION"] == "DISPLAY"
    assert len({event["values"]["UID"] for event in events}) == 3
    trip = events[0]["values"]
    assert moment(trip["DTSTART"]) == case.trip.leave
    assert moment(trip["DTEND"]) == case.trip.back
    # Alarm at 18:00 local on the evening before a trip that leaves at 08:00: fourteen hours before.
    assert events[0]["parts"][0]["values"]["TRIGGER"] == "-PT14H"
    assert {moment(event["values"]["DTSTART"]) for event in events[1:]} == {
        slot.on for slot in case.plan.charging if slot.off <= case.trip.leave
    }


def test_calendar_is_read_by_another_library(written):
    """vobject, which shares no code with the writer's library."""
    case, folder = written
    events = list(vobject.readOne((folder / "trip.ics").read_text("utf-8")).vevent_list)
    assert events[0].dtstart.value == case.trip.leave
    assert events[0].dtend.value == case.trip.back
    assert all(event.valarm.action.value == "DISPLAY" for event in events)
    for event in events[1:]:
        assert event.valarm.trigger.value == timedelta(0)
        assert event.valarm.description.value.startswith("Put on the charger now: 1 x [")
        assert event.valarm.description.value.endswith(event.summary.value.removeprefix("Charge: "))


def statuses(raw):
    return {
        event["values"]["UID"].split("-")[1]: event["values"].get("STATUS", "")
        for event in read_calendar(raw)["parts"][1:]
    }


def test_an_evening_that_is_no_longer_needed_is_cancelled_until_it_has_passed(tmp_path):
    case = hand_case()

    def write(plan, today):
        write_kit(case.fleet, case.outlook, case.travel, plan, case.trip, tmp_path, today=today)
        return (tmp_path / "trip.ics").read_bytes()

    first = read_calendar(write(case.plan, TODAY))["parts"]
    fewer = replace(case.plan, charging=case.plan.charging[:2])
    raw = write(fewer, TODAY)
    assert statuses(raw) == {"20270302T1800": "", "20270303T1800": "CANCELLED"}
    cancelled = read_calendar(raw)["parts"][2]
    assert cancelled["parts"] == []  # no alarm
    assert cancelled["values"]["UID"] == first[2]["values"]["UID"]
    assert int(cancelled["values"]["SEQUENCE"]) > int(first[2]["values"]["SEQUENCE"])
    assert write(fewer, TODAY) == raw
    assert statuses(write(fewer, TODAY + timedelta(days=2)))["20270303T1800"] == "CANCELLED"
    assert statuses(write(case.plan, TODAY + timedelta(days=3))) == dict.fromkeys(statuses(raw), "")
    assert list(statuses(write(fewer, TODAY + timedelta(days=8)))) == ["20270302T1800"]


@pytest.mark.parametrize(
    "damage", [b"", b"BEGIN:VCALENDAR\r\n", b"\xff\xfe", b"BEGIN:VEVENT\r\nUID:x\r\nEND:VEVENT\r\n"]
)
def test_a_damaged_older_calendar_is_replaced(tmp_path, damage):
    case = hand_case()
    write_kit(*case.arguments(), tmp_path, today=TODAY)
    whole = (tmp_path / "trip.ics").read_bytes()
    (tmp_path / "trip.ics").write_bytes(damage)
    write_kit(*case.arguments(), tmp_path, today=TODAY)
    assert (tmp_path / "trip.ics").read_bytes() == whole


def test_calendar_keeps_its_uid_and_raises_its_sequence(tmp_path):
    case = hand_case()

    def write(today):
        write_kit(*case.arguments(), tmp_path, today=today)
        return (tmp_path / "trip.ics").read_bytes()

    def first_event(raw):
        return read_calendar(raw)["parts"][0]["values"]

    one = write(TODAY)
    assert write(TODAY) == one
    case = replace(case, trip=replace(case.trip, back=case.trip.back + timedelta(minutes=1)))
    moved = write(TODAY)
    later = write(TODAY + timedelta(days=1))
    uids = {first_event(raw)["UID"] for raw in (one, moved, later)}
    numbers = [int(first_event(raw)["SEQUENCE"]) for raw in (one, moved, later)]
    assert len(uids) == 1
    assert numbers[0] < numbers[1] <= numbers[2]


def signed_area(ring):
    """Return the area of a ring by the shoelace formula; counter-clockwise is positive."""
    return sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in itertools.pairwise(ring)) / 2


def test_geojson_follows_rfc_7946(written):
    case, folder = written
    text = (folder / "trip.geojson").read_text("utf-8")
    collection = FeatureCollection.model_validate_json(text)  # second reader
    raw = json.loads(text)
    assert "crs" not in raw
    roles = [feature.properties["role"] for feature in collection.features]
    assert roles.count("site") == len(case.trip.visits)
    assert roles.count("walk") == sum(len(stop.loops) for stop in case.trip.stops)
    polygons = [f for f in raw["features"] if f["geometry"]["type"] == "Polygon"]
    assert len(polygons) == 1
    for polygon in polygons:
        for k, ring in enumerate(polygon["geometry"]["coordinates"]):
            assert ring[0] == ring[-1]
            assert len(ring) >= 4
            assert (signed_area(ring) > 0) == (k == 0)  # section 3.1.6: outer ring counter-clockwise
    for feature in raw["features"]:
        flat = json.dumps(feature["geometry"]["coordinates"]).replace("[", " ").replace("]", " ").split(",")
        assert all(len(number.strip().partition(".")[2]) <= 6 for number in flat)
    sites = [f for f in raw["features"] if f["properties"]["role"] == "site"]
    for feature, visit in zip(sites, case.trip.visits, strict=True):
        site = case.fleet.sites_by_id[visit.site_id]
        assert feature["geometry"]["coordinates"] == pytest.approx(
            [site.lon, site.lat], abs=5e-7
        )  # longitude first
    west, south, east, north = raw["bbox"]
    assert west < east
    assert south < north


def test_geojson_is_cut_at_the_antimeridian(tmp_path):
    """Sections 3.1.9 and 5.2: no line or ring may cross it; in a bbox that spans it west exceeds east."""
    case = hand_case()
    east = 180.0 + 4.19  # P2 and P3 come to lie west of the antimeridian, P1 and the base east of it

    def moved(lon):
        return (lon + east + 180) % 360 - 180

    fleet = replace(
        case.fleet,
        sites=tuple(replace(s, lon=moved(s.lon), park_lon=moved(s.park_lon)) for s in case.fleet.sites),
        crews=tuple(replace(crew, base_lon=moved(crew.base_lon)) for crew in case.fleet.crews),
        timezone="Asia/Anadyr",  # so that it is day there
    )
    far = hand_case(fleet)
    write_kit(*far.arguments(), tmp_path, today=TODAY)
    raw = json.loads((tmp_path / "trip.geojson").read_text("utf-8"))
    with pytest.warns(UserWarning, match="Antimeridian"):
        FeatureCollection.model_validate(raw)
    assert raw["bbox"][0] > raw["bbox"][2]
    kinds = {f["properties"]["role"]: f["geometry"]["type"] for f in raw["features"]}
    assert kinds["area"] == "MultiPolygon"
    assert kinds["drive"] == "MultiLineString"
    for feature in raw["features"]:
        geometry = feature["geometry"]
        if geometry["type"] == "MultiPolygon":
            assert all(signed_area(ring) > 0 for polygon in geometry["coordinates"] for ring in polygon)
        pieces = {"LineString": [geometry["coordinates"]], "MultiLineString": geometry["coordinates"]}
        for piece in pieces.get(geometry["type"], []):
            assert all(abs(a[0] - b[0]) < 180 for a, b in itertools.pairwise(piece))
