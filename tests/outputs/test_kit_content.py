"""What the kit says and what it keeps to itself."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from datetime import date, timedelta

import html5lib
import pytest
from kit_trip import TODAY, hand_case

from tripplan.errors import StorageError
from tripplan.inputs.settings import LANGUAGES
from tripplan.outputs import KIT_FILES, write_kit
from tripplan.outputs.pages import OutsideRequestError, require_self_contained
from tripplan.outputs.wording import known_languages, wording_for
from tripplan.plan.leeway import trip_leeway

PAGES = ("map.html", "checklist.html")


def text_of(path):
    tree = html5lib.HTMLParser(strict=False, namespaceHTMLElements=False).parse(path.read_text("utf-8"))
    for name in ("script", "style"):
        for parent in tree.iter():
            for child in list(parent):
                if child.tag == name:
                    parent.remove(child)
    return " ".join(" ".join(tree.itertext()).split())


def test_all_six_files_are_written(kit_folder):
    assert {path.name for path in kit_folder.iterdir()} == set(KIT_FILES)


def test_the_same_trip_gives_the_same_bytes(case, kit_folder, tmp_path):
    write_kit(*case.arguments(), tmp_path, today=TODAY, extra_spares={"SLA12": 1})
    for name in KIT_FILES:
        assert (tmp_path / name).read_bytes() == (kit_folder / name).read_bytes()


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("folder", ["kit_folder", "hostile_folder"])
def test_pages_are_valid_html(name, folder, request):
    parser = html5lib.HTMLParser(strict=True)
    parser.parse((request.getfixturevalue(folder) / name).read_text("utf-8"))
    assert parser.errors == []


@pytest.mark.parametrize("name", KIT_FILES)
def test_private_notes_and_other_sites_stay_home(kit_folder, name):
    content = (kit_folder / name).read_text("utf-8")
    for secret in ("PRIVATE-NOTE", "NOT-THIS-TRIP", "SECRET-PLACE", "Z9", "B09", "57.35", "X1"):
        assert secret not in content


def test_retired_and_suspect_packs_are_not_offered(kit_folder):
    assert "B99" not in (kit_folder / "map.html").read_text("utf-8")


@pytest.mark.parametrize("name", PAGES)
def test_pages_say_everything_that_the_trip_needs(case, kit_folder, name):
    text = text_of(kit_folder / name)
    for visit in case.trip.visits:
        site = case.fleet.sites_by_id[visit.site_id]
        for word in (site.name, site.site_id, f"{site.lat:.5f} N", site.find):
            assert word in text
        for job in case.fleet.open_jobs.get(site.site_id, ()):
            assert job.job in text
            assert job.bring in text
    for stop in case.trip.stops:
        assert f"{stop.park_lat:.5f} N" in text
    for words in (
        "Saturday 6 March 2027", "Merrin van", "Ruth", "08:00", "14:13", "15:13", "3 stops, 7 sites, 6 packs to swap",
        "Estate office, 0123 555 0199", "by Thu 4 Mar", "A converter stands here: it takes 12 V and gives the device 6 V.",
        "Enter only between 09:00 and 16:00; be out again by then.", "Can wait until Sat 20 Mar.",
        "Do not leave out: no later date reaches it by Mon 8 Mar.", "No swap", "Drive off by",
        "2 sites of the fleet are set aside and not in any plan.", "Tue 2 Mar 18:00",
        "Lithium iron phosphate packs are never charged below 0 \N{DEGREE SIGN}C.", "A 12 V pack on a 6 V device destroys the device.",
        "fuse of 2 to 3 A", "Working alone",
    ):  # fmt: skip
        assert words in text


def test_geo_links_name_every_parking_and_site(case, kit_folder):
    links = set(re.findall(r'href="geo:([-0-9.]+),([-0-9.]+)"', (kit_folder / "map.html").read_text("utf-8")))
    wanted = {(f"{s.park_lat:.6f}", f"{s.park_lon:.6f}") for s in case.trip.stops}
    wanted |= {
        (f"{case.fleet.sites_by_id[v.site_id].lat:.6f}", f"{case.fleet.sites_by_id[v.site_id].lon:.6f}")
        for v in case.trip.visits
    }
    assert links == wanted


def test_load_list_counts_packs_spares_and_what_jobs_need(kit_folder):
    raw = (kit_folder / "load.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    packs = {(row["kind"], row["item"]): row for row in rows if row["kind"] in {"pack", "spare"}}
    assert {key: row["count"] for key, row in packs.items()} == {
        ("pack", "SLA12"): "3", ("spare", "SLA12"): "1", ("pack", "SLA6"): "2", ("pack", "LFP12"): "1",
    }  # fmt: skip
    assert packs["pack", "SLA12"]["sites"] == "C1 C2 D1"
    assert packs["pack", "SLA12"]["weight_kg"] == "8.4"
    assert packs["pack", "SLA12"]["packs"] == "B10 B11 B12 B13"
    assert [row["item"] for row in rows if row["kind"] == "job"] == ["2 m cord with plug", "lens cloth"]


def test_load_list_runs_no_formula(hostile_folder):
    rows = list(csv.reader(io.StringIO((hostile_folder / "load.csv").read_text("utf-8-sig"), newline="")))
    cells = [cell for row in rows for cell in row]
    assert any("=cmd()" in cell for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "\t", "\r"))]
    assert not [cell for cell in cells if cell.startswith("-") and not re.fullmatch(r"-[0-9.]+", cell)]


@pytest.mark.parametrize(
    "markup",
    [
        '<script src="https://example.org/x.js"></script>',
        '<link rel="stylesheet" href="http://example.org/x.css">',
        "<style>b{background:url(https://example.org/x.png)}</style>",
        "<style>@import 'x.css';</style>",
        '<p style="background:url(x.png)">',
        '<p onclick="alert(1)">',
        "<script>document.body.innerHTML='<img src=\"https://example.org/x\">'</script>",
        '<a href="//example.org">x</a>',
    ],
)
def test_a_page_that_asks_a_host_is_refused(markup):
    with pytest.raises(OutsideRequestError):
        require_self_contained(f"<!DOCTYPE html><title>x</title>{markup}")


def test_data_block_holds_only_plain_json(hostile_folder):
    page = (hostile_folder / "map.html").read_text("utf-8")
    block = re.search(r'<script type="application/json" id="kit-data">(.*?)</script>', page, re.DOTALL)
    assert block is not None
    assert not set("<>&\u2028\u2029") & set(block[1])
    assert json.loads(block[1])["marks"]["site_1"]["title"] == "1 </script><img src=x onerror=alert(1)>"


def test_languages_have_the_same_keys_and_places():
    english = wording_for("en").texts
    for language in known_languages():
        texts = wording_for(language).texts
        assert set(texts) == set(english)
        for key, text in texts.items():
            assert text.strip()
            assert set(re.findall(r"{(\w*)}", text)) == set(re.findall(r"{(\w*)}", english[key])), key


def test_settings_know_the_languages_that_have_texts():
    assert set(LANGUAGES) == set(known_languages())


def test_second_language_reaches_every_file(case, tmp_path):
    german = replace(case, fleet=replace(case.fleet, language="de"))
    write_kit(*german.arguments(), tmp_path, today=TODAY, extra_spares={"SLA12": 1})
    page = text_of(tmp_path / "map.html")
    for words in ("Samstag, 6. März 2027", "Abfahrt", "Anruf um", "Akku tauschen", "Kann warten bis Sa 20. März",
                  "2,8 kg", "Nur zwischen 09:00 und 16:00 betreten", "4.15293 W"):  # fmt: skip
        assert words in page
    english = {
        value for key, value in wording_for("en").texts.items() if len(value) > 25 and "{" not in value
    }
    english -= set(wording_for("de").texts.values())
    everything = "".join((tmp_path / name).read_text("utf-8") for name in KIT_FILES)
    assert [text for text in english if text in everything] == []
    assert '<html lang="de">' in everything
    assert "Tauschfahrt" in (tmp_path / "trip.ics").read_text("utf-8")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "load.csv").read_text("utf-8-sig"), newline="")))
    assert rows[0]["weight_kg"] == "8.4"  # tables keep the decimal point in every language


def test_unknown_language_is_refused():
    with pytest.raises(ValueError, match="no texts for language 'xx'"):
        wording_for("xx")


def test_every_text_is_used():
    from importlib import resources

    folder = resources.files("tripplan.outputs")
    code = "".join(
        file.read_text("utf-8")
        for where in (folder, folder / "templates")
        for file in where.iterdir()
        if file.name.endswith((".py", ".j2"))
    )
    # Sections whose keys are put together from a value; the rest must stand in the code word for word.
    built = {
        "weekday",
        "weekday_short",
        "month",
        "month_short",
        "chemistry",
        "item",
        "found",
        "caution",
        "wrong",
    }
    built |= {"n", "cause", "outcome", "pack_state", "fate", "basis", "swap_state"}
    scripts = "".join(f.read_text("utf-8") for f in (folder / "assets").iterdir() if f.name.endswith(".js"))
    for key in wording_for("en").texts:
        section, _, name = key.partition(".")
        if section == "js" or (section == "map" and f"say.{name}" in scripts):
            assert f"say.{name}" in scripts, key
        elif section == "sealed":
            assert f"words.{name}" in scripts or f'say("{key}")' in code or f'"{name}"' in code, key
        elif section not in built:
            assert f'"{key}"' in code or f"'{key}'" in code, key


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("name", PAGES)
def test_units_are_those_of_the_fleet_throughout(case, tmp_path, name, language):
    imperial = replace(case, fleet=replace(case.fleet, units="imperial", language=language))
    write_kit(*imperial.arguments(), tmp_path, today=TODAY)
    text = text_of(tmp_path / name)
    for measure in (r"\d mi\b", r"\d ft\b", r"\d lb\b", r"32 \u00b0F"):
        assert re.search(measure, text)
    # Metres stand only in what people wrote themselves and in the names of plug sizes.
    own = text.replace("2 m cord", "").replace("200 m along", "").replace("2.5 mm", "").replace("2,5 mm", "")
    assert re.findall(r"\d (?:m|km|kg)\b|\u00b0C", own) == []
    write_kit(*replace(case, fleet=replace(case.fleet, language=language)).arguments(), tmp_path, today=TODAY)
    assert re.findall(r"\d (?:mi|ft|lb)\b|\u00b0F", text_of(tmp_path / name)) == []


def test_each_stop_says_what_to_leave_out_first_from_there_on(case):
    from tripplan.outputs.kit_view import build_kit_view

    kit = build_kit_view(*case.arguments(), today=TODAY, wording=wording_for("en"))
    assert [[site.number for site in stop.skip_first] for stop in kit.stops] == [
        [6, 3, 5, 7, 1, 4], [6, 5, 7, 4], [6, 7],
    ]  # fmt: skip


def test_cautions_stand_where_they_matter(kit_folder):
    page = (kit_folder / "map.html").read_text("utf-8")
    words = wording_for("en").texts
    sections = {name: page.index(f'id="{name}"') for name in ("overview", "load", "stops", "wrong")}
    for key, section, before in (
        ("voltage_mixed", "overview", "load"), ("alone", "overview", "load"), ("access", "overview", "load"),
        ("fuse", "load", "stops"), ("packs_cold", "stops", "wrong"), ("recycle", "stops", "wrong"),
    ):  # fmt: skip
        text = words[f"caution.{key}"]
        assert sections[section] < page.index(text.replace("'", "&#39;")) < sections[before]
    assert page.count(words["site.meter"]) == 6  # at each site with a swap


def test_a_heavy_loop_says_so_and_a_light_one_does_not(case):
    from tripplan.outputs.kit_view import build_kit_view

    heavy = replace(case.fleet.pack_types["SLA12"], weight_kg=9.0)
    fleet = replace(case.fleet, pack_types=case.fleet.pack_types | {"SLA12": heavy})
    stops = case.trip.stops
    loop = replace(stops[0].loops[0], carried_kg=18.0)
    trip = replace(case.trip, stops=(replace(stops[0], loops=(loop, stops[0].loops[1])), *stops[1:]))
    kit = build_kit_view(
        fleet, case.outlook, case.travel, case.plan, trip, today=TODAY, wording=wording_for("en")
    )
    assert [loop.caution for loop in kit.stops[0].loops] == [
        "Up to 18 kg on one loop: share it, lift from the knees, and make two ways of it rather than a fall.",
        "",
    ]


def test_the_battery_of_a_pack_with_a_converter_is_measured_by_its_own_volts(case, tmp_path):
    boxed = replace(case.fleet.pack_types["SLA6"], battery_volts=12.0)
    fleet = replace(case.fleet, pack_types=case.fleet.pack_types | {"SLA6": boxed})
    write_kit(*replace(case, fleet=fleet).arguments(), tmp_path, today=TODAY)
    block = re.search(r'id="kit-data">(.*?)</script>', (tmp_path / "map.html").read_text("utf-8"))
    types = json.loads(block[1])["record"]["types"]
    assert types["SLA6"]["most"] == 14.7  # six cells of 2.45 V
    assert types["SLA6"]["span"] == [5.7, 7.5]  # its plug gives 6 V all the same


def test_a_folder_that_cannot_be_made_is_a_storage_error(case, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(StorageError):
        write_kit(*case.arguments(), tmp_path / "file" / "kit", today=TODAY)


def test_chance_of_finding_a_site_dark_is_said_where_it_matters(case):
    from tripplan.outputs.kit_view import build_kit_view

    kit = build_kit_view(*case.arguments(), today=TODAY, wording=wording_for("en"))
    said = {site.site_id: site.dark_text for site in kit.sites if site.dark_text}
    assert said == {"C2": "running; dark in 5 of 100 such cases"}  # day 10 of 181, 0.9 at the end


def test_a_late_site_is_not_offered_for_skipping():
    case = hand_case()
    stops = case.trip.stops
    visit = replace(stops[0].loops[0].visits[0], swap_by=TODAY)
    loop = replace(stops[0].loops[0], visits=(visit, stops[0].loops[0].visits[1]))
    trip = replace(case.trip, stops=(replace(stops[0], loops=(loop, stops[0].loops[1])), *stops[1:]))
    from tripplan.outputs.kit_view import build_kit_view

    kit = build_kit_view(
        case.fleet, case.outlook, case.travel, case.plan, trip, today=TODAY, wording=wording_for("en")
    )
    assert kit.sites[0].wait_text == "Do not leave out: it should have been swapped by Wed 24 Feb."
    assert "C1" not in [site.site_id for site in kit.skip_first]
    assert [site.site_id for site in kit.never_skip] == ["C1", "C2"]


def test_charging_slots_go_to_the_first_trip_that_takes_them(case):
    from tripplan.outputs.kit_view import build_kit_view

    kit = build_kit_view(*case.arguments(), today=TODAY, wording=wording_for("en"))
    assert [view.text for view in kit.charging] == [
        "1 x [A] SLA12, 12 V (charger 1); 1 x [C] LFP12, 12 V (charger 2)",
        "1 x [B] SLA6, 6 V (charger 1)",
    ]


def _named(trip):
    """The trip with a name for each pack that goes in: its type and a nought."""
    stops = []
    for stop in trip.stops:
        loops = [
            replace(
                loop,
                visits=tuple(replace(v, pack_in=f"{v.pack_type}-0" if v.swap else None) for v in loop.visits),
            )
            for loop in stop.loops
        ]
        stops.append(replace(stop, loops=tuple(loops)))
    return replace(trip, stops=tuple(stops))


def test_a_named_pack_that_the_trip_leaves_at_home_is_not_charged_for_it(case):
    """All packs of the trip are named; the one on the charger is none of them, and no later trip takes any."""
    from tripplan.outputs.kit_supplies import charge_views
    from tripplan.outputs.kit_view import build_kit_view

    trip = _named(case.trip)
    slot = next(slot for slot in case.plan.charging if slot.pack_type == "SLA12")
    kit = build_kit_view(*case.arguments(), today=TODAY, wording=wording_for("en"))
    tags = {row.tag.name: row.tag for row in kit.load if row.tag is not None}
    english = wording_for("en")
    for pack_id, shown in (("SLA12-0", 1), ("OTHER", 0)):
        plan = replace(case.plan, trips=(trip,), charging=(replace(slot, pack_id=pack_id),))
        assert len(charge_views(plan, trip, tags, case.fleet.zone, english)) == shown
    later = replace(case.trip, trip_id="2027-03-13-A", leave=case.trip.leave + timedelta(days=7))
    plan = replace(case.plan, trips=(trip, later), charging=(replace(slot, pack_id="OTHER"),))
    assert charge_views(plan, trip, tags, case.fleet.zone, english) == ()
    assert len(charge_views(plan, later, tags, case.fleet.zone, english)) == 1


def test_page_and_terminal_say_the_same_of_who_can_wait_and_jobs_count(case):
    """The page's dates are those of `trip_leeway`, which the terminal prints."""
    from tripplan.outputs.kit_view import build_kit_view

    def said(**due):
        jobs = tuple(replace(job, due_by=due.get(job.site_id)) for job in case.fleet.jobs)
        fleet = replace(case.fleet, jobs=jobs)
        arguments = (fleet, *case.arguments()[1:])
        kit = build_kit_view(*arguments, today=TODAY, wording=wording_for("en"))
        leeway = trip_leeway(fleet, case.travel, case.trip, case.plan.to)
        until = {one.site_id: one.waits_until for one in leeway.visits}
        assert {site.site_id: site.can_wait for site in kit.sites} == {
            key: day is not None for key, day in until.items()
        }
        for site in kit.sites:
            day = until[site.site_id]
            if day is not None:
                assert site.wait_text == f"Can wait until {day:%a} {day.day} {day:%b}."
        order = [site.site_id for site in kit.skip_first]
        assert [one.site_id for one in leeway.skip] == [
            key for key in order if key in {s.site_id for s in leeway.skip}
        ]
        return {site.site_id: site.wait_text for site in kit.sites}

    jobs_at = {job.site_id for job in case.fleet.jobs}
    worked = next(v.site_id for v in case.trip.visits if v.site_id in jobs_at and v.site_id != "C2")
    free = said()
    soon = said(**{worked: date(2027, 3, 14)})
    assert soon[worked] == "Can wait until Sun 14 Mar." != free[worked]
    assert (
        said(**{worked: date(2027, 3, 12)})[worked]
        == "Do not leave out: no later date reaches it by Fri 12 Mar."
    )
    assert said(**{worked: date(2027, 3, 1)})[worked] == "Do not leave out: its job was due by Mon 1 Mar."
