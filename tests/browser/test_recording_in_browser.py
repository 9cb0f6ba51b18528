"""Ticking, recording and sending in a real browser, with the network off."""

from __future__ import annotations

import csv
import io
import json
import string
from dataclasses import replace

import pytest
from kit_trip import TODAY, hand_case, hostile_case
from looking import expect_alerts, opened
from playwright.sync_api import expect

from tripplan.outputs import write_kit
from tripplan.outputs.results_text import read_results_text

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("record")
    write_kit(*hand_case().arguments(), folder, today=TODAY, extra_spares={"SLA12": 1})
    return folder / "map.html"


def fill(page, number, **fields):
    record = opened(page, number)
    for name, value in fields.items():
        if name in {"found", "done"}:
            record.locator(f"[data-field={name}][value='{value}']").check(force=True)
        elif name == "polarity":
            record.locator("[data-field=polarity]").set_checked(value)
        elif name == "cause":
            record.locator("[data-field=cause]").select_option(value)
        else:
            record.locator(f"[data-field={name}]").fill(value)
    return record


def saved(page, kind):
    with page.expect_download() as caught:
        page.click(f"[data-save={kind}]")
    return caught.value.suggested_filename, caught.value.path().read_bytes()


def fill_whole_trip(page):
    page.fill("[data-by]", "Ruth")
    fill(page, 1, found="running", done="swapped", pack_out="B01", volts_out="11,9", pack_in="B10", volts_in="12.8",
         plug_volts="12.8", polarity=True, when="2027-03-06T08:31", minutes="15", notes="all well; 100 % = fine")  # fmt: skip
    fill(
        page, 2, found="dark", cause="cord", done="repaired", when="2027-03-06T09:05", notes="chewed\nthrough"
    ).get_by_label("replace the chewed cord").check()
    fill(page, 6, found="running", done="left", when="2027-03-06T12:50")


EXPECTED = [
    {"site_id": "C1", "when": "2027-03-06T08:31:00+00:00", "found": "running", "cause": None, "done": "swapped",
     "pack_out": "B01", "volts_out": 11.9, "pack_in": "B10", "volts_in": 12.8, "minutes": 15,
     "notes": "all well; 100 % = fine", "jobs_done": None, "polarity": True},
    {"site_id": "C2", "when": "2027-03-06T09:05:00+00:00", "found": "dark", "cause": "cord", "done": "repaired",
     "pack_out": None, "volts_out": None, "pack_in": None, "volts_in": None, "minutes": None,
     "notes": "chewed\nthrough", "jobs_done": ["replace the chewed cord"], "polarity": None},
    {"site_id": "E1", "when": "2027-03-06T12:50:00+00:00", "found": "running", "cause": None, "done": "left",
     "pack_out": None, "volts_out": None, "pack_in": None, "volts_in": None, "minutes": None, "notes": None,
     "jobs_done": None, "polarity": None},
]  # fmt: skip


def in_a_cell(value):
    if value is True:
        return "yes"
    text = "; ".join(value) if isinstance(value, list) else str("" if value is None else value)
    return text.replace("\n", " ")


def test_jobs_are_ticked_with_the_visit_and_come_back_after_a_reload(page_file, open_page):
    watched = open_page(page_file, accept_downloads=True)
    page = watched.page
    record = opened(page, 2)
    expect(record.get_by_text("Jobs done")).to_be_visible()
    record.locator("[data-as-planned]").click()
    expect(record.get_by_label("replace the chewed cord")).to_be_checked()
    page.reload()
    record = opened(page, 2)
    expect(record.get_by_label("replace the chewed cord")).to_be_checked()
    record.get_by_label("replace the chewed cord").uncheck()
    assert [visit["jobs_done"] for visit in json.loads(saved(page, "json")[1])["visits"]] == [None]
    expect(opened(page, 1).get_by_text("Jobs done")).to_be_hidden()
    watched.require_quiet()


def test_what_is_typed_survives_a_reload_and_is_sent_three_ways(page_file, open_page):
    watched = open_page(page_file, timezone_id="Europe/London", accept_downloads=True)
    page = watched.page
    fill_whole_trip(page)
    page.locator("[data-tick=load-1]").check()
    page.reload()
    expect(page.locator("[data-tick=load-1]")).to_be_checked()
    expect(page.locator("[data-kept]")).to_contain_text("kept in this browser")
    expect(page.locator("[data-progress]")).to_have_text("3 of 7 sites recorded.")

    name, raw = saved(page, "json")
    assert name == "results-2027-03-06-A.json"
    assert json.loads(raw) == {
        "format": "tripplan-results/1", "trip_id": "2027-03-06-A", "by": "Ruth", "visits": EXPECTED,
    }  # fmt: skip
    expect(page.locator("[data-sent]")).to_have_text("Saved as results-2027-03-06-A.json.")

    name, raw = saved(page, "csv")
    assert name == "results-2027-03-06-A.csv"
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    flat = [
        {"trip_id": "2027-03-06-A", "by": "Ruth"} | {key: in_a_cell(value) for key, value in visit.items()}
        for visit in EXPECTED
    ]
    assert rows == flat

    page.click("[data-copy]")
    expect(page.locator("[data-text]")).not_to_have_value("")
    text = page.input_value("[data-text]")
    got = read_results_text(text)
    assert got["visits"] == [
        {
            key: value
            for key, value in visit.items()
            if value is not None or key not in {"jobs_done", "polarity"}
        }
        | {"notes": visit["notes"] and " ".join(visit["notes"].split())}
        for visit in EXPECTED
    ]
    watched.require_quiet()


def test_offset_is_that_of_the_phone_on_that_day(page_file, open_page):
    watched = open_page(page_file, timezone_id="America/St_Johns", accept_downloads=True)
    page = watched.page
    fill(page, 1, found="running", done="left", when="2027-01-06T08:31")
    fill(page, 2, found="running", done="left", when="2027-07-06T08:31")
    visits = json.loads(saved(page, "json")[1])["visits"]
    assert [visit["when"] for visit in visits] == ["2027-01-06T08:31:00-03:30", "2027-07-06T08:31:00-02:30"]


def test_wrong_voltage_pack_and_polarity_are_loud_stops(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    record = fill(page, 3, plug_volts="12.7")  # a 6 V site
    expect_alerts(record, "STOP. 12.7 V at the plug, but this takes 6 V. Do not connect.")
    expect(record.locator("[data-state]")).to_have_text("look again")
    fill(page, 3, plug_volts="6,4", pack_in="B10")
    expect_alerts(record, "STOP. Pack B10 is type SLA12; here goes type SLA6. Do not connect.")
    fill(page, 3, pack_in="S10", plug_volts="-6.4")
    expect_alerts(record, "STOP. A reading below zero means reversed polarity. Do not connect.")
    fill(page, 3, plug_volts="6.4", found="running", done="swapped")
    expect_alerts(record, "STOP. Meter the polarity at the plug and tick it before you connect.")
    fill(page, 3, polarity=True)
    expect_alerts(record)
    expect(record.locator("[data-state]")).to_have_text("recorded")
    watched.require_quiet()


def test_a_pack_that_was_not_loaded_or_is_used_twice_stops(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    page.locator(".loading summary").click()
    page.fill("[data-slot='1'] [data-load=id]", "B10")
    page.fill("[data-slot='1'] [data-load=volts]", "12.9")
    record = fill(page, 1, pack_in="b11")
    expect_alerts(record, "STOP. Pack b11 was not loaded for this trip. Check its label.")
    fill(page, 1, pack_in="b10 ")
    expect_alerts(record)
    other = fill(page, 2, pack_in="B10")
    expect_alerts(other, "STOP. Pack B10 is entered twice: also at site 1.")
    expect(page.locator("[data-look-again] a").first).to_have_attribute("href", "#site-1")
    page.fill("[data-slot='2'] [data-load=id]", "B10")
    slot = page.locator("[data-slot='2']")
    expect_alerts(slot, "STOP. Pack B10 is entered twice: also at place 1 of the load.")
    page.fill("[data-slot='2'] [data-load=id]", "S10")
    expect_alerts(slot, "STOP. Pack S10 is type SLA6; here goes type SLA12. Do not connect.")
    page.fill("[data-slot='5'] [data-load=volts]", "12.9")
    expect_alerts(
        page.locator("[data-slot='5']"), "STOP. 12.9 V at the plug, but this takes 6 V. Do not connect."
    )


def test_impossible_and_suspect_voltages_are_pointed_out(page_file, open_page):
    page = open_page(page_file).page
    record = fill(page, 1, volts_out="17")
    expect_alerts(
        record,
        "STOP. 17 V is more than the battery of a SLA12 pack can hold: wrong pack, wrong range of the meter, or a slip.",
    )
    fill(page, 1, volts_out="", volts_in="9.8")
    expect_alerts(record, "STOP. 9.8 V: this pack is flat or damaged. Do not leave it here.")
    fill(page, 1, volts_in="")
    fill(page, 1, volts_out="10.2")
    expect(record.locator("[data-alerts] p").first).to_contain_text("Below 10.5 V: this pack is suspect.")
    fill(page, 1, volts_out="eleven")
    expect_alerts(record, '"eleven" is no figure.')
    fill(page, 1, volts_out="", volts_in="12.2")
    expect_alerts(record, "A fresh SLA12 pack rests at 12.6 V or more: take another if you can.")
    fill(page, 1, volts_in="", pack_out="B77", pack_in="Q1")
    expect_alerts(
        record,
        "Pack Q1 is not in the fleet's list. Check its label.",
        "Pack B01 should be here. Check the label of the pack that came out.",
    )


def test_what_cannot_be_read_as_a_number_is_not_lost(page_file, open_page):
    page = open_page(page_file, accept_downloads=True).page
    fill(page, 1, found="running", done="left", volts_out="twelve", notes="see")
    visit = json.loads(saved(page, "json")[1])["visits"][0]
    assert visit["volts_out"] is None
    assert visit["notes"] == "see; volts_out=twelve"


def test_the_form_is_there_before_the_box_opens(page_file, open_page):
    """At the very moment of the tap, not some time later: on a slow phone the page would jump under the finger."""
    page = open_page(page_file).page
    assert page.evaluate(
        """() => {
          const box = document.querySelector("[data-site='1']");
          const before = box.querySelector("[data-as-planned]");
          box.querySelector("summary").click();
          return [before, box.open, box.querySelectorAll("[data-as-planned]").length];
        }"""
    ) == [None, True, 1]
    page.evaluate(
        "document.querySelector(\"[data-site='2']\").open = true"
    )  # as where the browser finds a word in it
    expect(page.locator("[data-site='2'] [data-as-planned]")).to_be_visible()
    page.locator("[data-site='1'] summary").click()
    page.locator("[data-site='1'] summary").click()
    expect(page.locator("[data-site='1'] [data-as-planned]")).to_have_count(1)


def test_as_planned_and_clear_take_two_taps(page_file, open_page):
    page = open_page(page_file, accept_downloads=True).page
    record = opened(page, 1)
    record.locator("[data-as-planned]").click()
    expect(record.locator("[data-field=pack_out]")).to_have_value("B01")
    expect(record.locator("[data-field=done][value=swapped]")).to_be_checked()
    clear = record.locator("[data-clear]")
    clear.click()
    expect(page.locator("[data-progress]")).to_have_text("1 of 7 sites recorded.")
    clear.click()
    expect(page.locator("[data-progress]")).to_have_text("0 of 7 sites recorded.")
    expect(record.locator("[data-field=pack_out]")).to_have_value("")
    page.click("[data-save=json]")
    expect(page.locator("[data-sent]")).to_have_text("Nothing is recorded yet.")


def test_a_browser_that_keeps_nothing_says_so(page_file, phone):
    barred = "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } });"
    context = phone(accept_downloads=True, first=barred)
    page = context.new_page()
    page.goto(page_file.as_uri())
    expect(page.locator("[data-kept]")).to_contain_text("does not keep what you enter")
    fill(page, 1, found="running", done="left")
    assert json.loads(saved(page, "json")[1])["visits"][0]["site_id"] == "C1"
    context.close()


def test_a_record_of_a_site_that_left_the_trip_is_still_sent(page_file, open_page, tmp_path):
    """The plan changed after something was recorded: the newer page, at the same place, still sends it."""
    copy = tmp_path / "map.html"
    copy.write_bytes(page_file.read_bytes())
    watched = open_page(copy, accept_downloads=True)
    page = watched.page
    fill(page, 7, found="dark", cause="flat", done="left")
    case = hand_case()
    last = case.trip.stops[-1]
    loop = replace(last.loops[0], visits=last.loops[0].visits[:1])
    trip = replace(case.trip, stops=(*case.trip.stops[:-1], replace(last, loops=(loop,))))
    write_kit(case.fleet, case.outlook, case.travel, case.plan, trip, tmp_path, today=TODAY)
    page.reload()
    expect(page.locator("[data-site]")).to_have_count(6)
    sent = json.loads(saved(page, "json")[1])["visits"]
    assert [(visit["site_id"], visit["found"]) for visit in sent] == [("E2", "dark")]


def test_hostile_ids_and_typed_text_come_home_as_they_are(open_page, tmp_path):
    case = hostile_case()
    write_kit(*case.arguments(), tmp_path, today=TODAY)
    watched = open_page(tmp_path / "map.html", accept_downloads=True)
    page = watched.page
    nasty = '=cmd() </script><img src=x onerror=alert(1)> "q" ; % = \u202e'
    for number in range(1, 8):
        fill(
            page,
            number,
            found="running",
            done="left",
            notes=nasty,
            pack_in="__proto__",
            pack_out="constructor",
        )
    visits = json.loads(saved(page, "json")[1])["visits"]
    assert [visit["site_id"] for visit in visits] == [visit.site_id for visit in case.trip.visits]
    assert {visit["notes"] for visit in visits} == {nasty}
    rows = list(csv.DictReader(io.StringIO(saved(page, "csv")[1].decode("utf-8-sig"), newline="")))
    assert {row["notes"] for row in rows} == {"'" + nasty}
    page.click("[data-copy]")
    expect(page.locator("[data-text]")).not_to_have_value("")
    text = page.input_value("[data-text]")
    assert {visit["notes"] for visit in read_results_text(text)["visits"]} == {nasty}
    assert set(text) <= set(string.ascii_letters + string.digits + " \n%=;:#.,+-_")
    watched.require_quiet()


def test_forms_do_not_show_without_scripts(page_file, open_page):
    page = open_page(page_file, java_script_enabled=False).page
    expect(page.locator(".record").first).to_be_hidden()
    expect(page.locator("#send")).to_be_hidden()
    expect(page.locator(".strip")).to_be_hidden()
    expect(page.locator(".no-script")).to_contain_text("nothing can be recorded in it")
    expect(open_page(page_file).page.locator(".no-script")).to_be_hidden()
