"""What a kit lets out: only its trip's sites, no private field, no place that is not the helper's."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from html import unescape

import pytest
from kit_trip import TODAY, hand_case

from tripplan.errors import NoPlanError, StorageError
from tripplan.outputs import write_kit
from tripplan.outputs.kit import KIT_FILES, LOCKED_FILES
from tripplan.outputs.kit_share import pick_sites
from tripplan.outputs.sealed_page import open_page

PASSPHRASE = "bakomu ridase tulivo pegabi"


def everything(folder):
    """All text of all files of a folder, as written and with HTML and JSON escapes resolved."""
    texts = []
    for file in sorted(folder.rglob("*")):
        if file.is_file():
            text = file.read_text("utf-8")
            texts += [text, unescape(text), re.sub(r"\\u([0-9a-f]{4})", lambda m: chr(int(m[1], 16)), text)]
    return "\n".join(texts)


def numbers_in(text):
    """Every decimal number of at least three decimals."""
    return {float(one) for one in re.findall(r"(?<![\w.])-?\d{1,3}\.\d{3,}", text)}


def near(value, numbers):
    """Whether a coordinate stands among numbers, to about 30 m, with either sign."""
    return any(abs(abs(value) - abs(one)) < 3e-4 for one in numbers)


def test_a_kit_holds_no_site_but_its_trips(kit_folder, case):
    text = everything(kit_folder)
    on_trip = {visit.site_id for visit in case.trip.visits}
    others = [site for site in case.fleet.sites if site.site_id not in on_trip]
    assert [site.site_id for site in others] == ["Z9"]
    for site in others:
        for secret in (site.site_id, site.name, site.find):
            assert not re.search(rf"\b{re.escape(secret)}\b", text), secret
        assert not near(site.lat, numbers_in(text))
        assert not near(site.lon, numbers_in(text))
    assert "B09" not in text  # the pack that stands there
    for site_id in on_trip:  # the search does find what is there
        assert near(case.fleet.sites_by_id[site_id].lat, numbers_in(text))


def test_notes_never_leave_and_marked_fields_stay_home(tmp_path):
    case = hand_case()
    fleet = replace(
        case.fleet,
        sites=tuple(
            replace(site, private=frozenset({"name", "find", "device_id"}), notes=f"HOME-{site.site_id}")
            for site in case.fleet.sites
        ),
    )
    case = hand_case(fleet)
    write_kit(*case.arguments(), tmp_path, today=TODAY)
    text = everything(tmp_path)
    for site in fleet.sites:
        for secret in (site.name, site.find, site.device_id, site.notes):
            assert not secret or secret not in text, secret
    assert "C1" in text


@pytest.fixture(scope="module")
def helper(tmp_path_factory):
    case = hand_case()
    folder = tmp_path_factory.mktemp("helper")
    sites = pick_sites(case.trip, ["P1.2", "d1"])
    assert sites == {"C3", "D1"}
    write_kit(*case.arguments(), folder, today=TODAY, share=("Ana <b>", sites))
    return case, folder


def test_a_helpers_kit_has_no_place_of_others(helper):
    case, folder = helper
    text = everything(folder)
    numbers = numbers_in(text)
    for site in case.fleet.sites:
        if site.site_id in {"C3", "D1"}:
            assert site.find in text
            assert near(site.lat, numbers)
            continue
        assert not near(site.lat, numbers), site.site_id
        for secret in (site.name, site.find):
            assert not secret or secret not in text, secret
    # E1, E2 share a parking with no site of hers: it is not there either.
    assert not near(57.20510, numbers)
    assert near(57.24004, numbers)  # the parking of C3
    assert "E1" in text  # listed by number all the same
    assert "Kit for Ana &lt;b&gt;" in (folder / "map.html").read_text("utf-8")
    found = json.loads((folder / "trip.geojson").read_text("utf-8"))
    ids = {one["properties"].get("site_id") for one in found["features"]} - {None}
    assert ids == {"C3", "D1"}


def test_a_helpers_page_records_only_their_sites(helper):
    text = (helper[1] / "map.html").read_text("utf-8")
    assert set(re.findall(r'data-site="(\d+)"', text)) == {"3", "4"}


def test_words_that_name_nothing_on_the_trip_are_all_named():
    trip = hand_case().trip
    with pytest.raises(
        NoPlanError, match=r"'X1, P9, P1\.3' is not on trip 2027-03-06-A\. Its sites are C1, C2"
    ):
        pick_sites(trip, ["C1", "X1", "P9", "P1.3"])
    assert pick_sites(trip, ["P3"]) == {"E1", "E2"}


def test_a_locked_kit_is_two_files_with_nothing_in_the_clear(tmp_path):
    case = hand_case()
    files = write_kit(*case.arguments(), tmp_path, today=TODAY, passphrase=PASSPHRASE)
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(LOCKED_FILES)
    assert [one.name for one in files] == list(LOCKED_FILES)
    text = everything(tmp_path)
    # three letters stand somewhere in any long cipher text, so short secrets are looked for outside it only
    clear = re.sub(r'<script type="text/plain" id="sealed-data">[^<]+', "", text)
    for blob in re.findall(r'id="sealed-(?:data|header)">([^<]+)<', text):
        text += base64.b64decode(blob, validate=False).decode("latin-1") if blob[0] != "{" else blob
    fleet = case.fleet
    secrets = [fleet.name, fleet.crews[0].name, case.trip.trip_id, "Estate office", PASSPHRASE, "2027"]
    for site in fleet.sites:
        secrets += [
            site.name,
            site.find,
            f"{site.lat}",
            f"{site.lon}",
            f"{site.park_lat}",
            f"{site.park_lon}",
        ]
    secrets += [pack.pack_id for pack in fleet.packs] + list(fleet.pack_types)
    for secret in filter(None, secrets):
        assert secret not in clear, secret
        assert len(secret) < 5 or secret not in text, secret
    for site in fleet.sites:  # two letters may stand anywhere in code, but never where a site would be named
        assert not re.search(rf"[>\"']\s*{site.site_id}\s*[<\"']", clear), site.site_id
    numbers = numbers_in(clear)
    assert not any(near(site.lat, numbers) and near(site.lon, numbers) for site in fleet.sites)
    opened = open_page((tmp_path / "map.html").read_text("utf-8"), PASSPHRASE)
    assert "Sheepfold" in opened


def test_a_kit_is_not_locked_into_a_folder_that_holds_an_open_one(tmp_path):
    case = hand_case()
    write_kit(*case.arguments(), tmp_path, today=TODAY)
    before = {name: (tmp_path / name).read_bytes() for name in KIT_FILES}
    with pytest.raises(StorageError, match=r"not locked: load\.csv, trip\.gpx, trip\.ics, trip\.geojson\."):
        write_kit(*case.arguments(), tmp_path, today=TODAY, passphrase=PASSPHRASE)
    assert {name: (tmp_path / name).read_bytes() for name in KIT_FILES} == before


def test_a_kit_that_does_not_open_again_is_said(tmp_path, monkeypatch):
    from tripplan.errors import SealError
    from tripplan.outputs import kit

    monkeypatch.setattr(kit, "open_page", lambda text, _: text)
    with pytest.raises(SealError, match="does not open to what was locked"):
        write_kit(*hand_case().arguments(), tmp_path, today=TODAY, passphrase=PASSPHRASE)
