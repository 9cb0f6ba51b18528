"""The kit with a wet glove: tap instead of type, take back, be reminded, hand over whatever the phone can."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from kit_trip import TODAY, hand_case
from looking import expect_alerts, expect_hash, expect_no_wider, expect_offers, opened, settled
from playwright.sync_api import expect

from tripplan.fleet import Pack, PackState
from tripplan.outputs import write_kit
from tripplan.outputs.results_text import read_results_text

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gloves")
    write_kit(*hand_case().arguments(), folder, today=TODAY, extra_spares={"SLA12": 1})
    return folder / "map.html"


def tap(box, field, label):
    box.locator(f"[data-offers={field}] button", has_text=label).click()


def test_packs_are_tapped_at_loading_and_again_at_the_site(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    expect(page.locator("[data-aboard]")).to_have_text("0 of 7 aboard")
    page.locator(".loading summary").click()
    page.locator("[data-slot='1']").wait_for()
    first, second = page.locator("[data-slot='1']"), page.locator("[data-slot='2']")
    expect_offers(first, "id", "B10", "B11", "B12", "B13")
    tap(first, "id", "B12")
    expect(first.locator("[data-load=id]")).to_have_value("B12")
    expect_offers(second, "id", "B10", "B11", "B13")  # what is in one place is not offered for another
    tap(second, "id", "B10")
    first.locator("[data-load=aboard]").check()
    expect_alerts(first, "In the vehicle, but volts and polarity at its plug are not noted.")
    first.locator("[data-load=volts]").fill("12.9")
    first.locator("[data-load=polarity]").check()
    expect_alerts(first)
    expect(page.locator("[data-aboard]")).to_have_text("1 of 7 aboard")
    expect(page.locator("[data-slot='4'] [data-spare]")).to_be_visible()
    expect(first.locator("[data-spare]")).to_be_hidden()

    site = opened(page, 1)
    expect_offers(site, "pack_out", "B01")
    expect_offers(site, "pack_in", "B12", "B10")  # only what is aboard, of this type
    tap(site, "pack_in", "B12")
    expect(site.locator("[data-offers=pack_in] [aria-pressed=true]")).to_have_text("B12")
    expect_offers(opened(page, 2), "pack_in", "B10")
    expect_offers(opened(page, 3), "pack_in", "S10", "S11")  # none of its type noted: those on the shelf
    tap(site, "pack_in", "B12")  # a second tap takes it out again
    expect(site.locator("[data-field=pack_in]")).to_have_value("")
    expect_no_wider(page, 390)
    watched.require_quiet()


def test_packs_that_the_load_list_names_are_offered_first(open_page, tmp_path):
    case = hand_case()
    others = tuple(Pack(f"A{k:02d}", "SLA12", state=PackState.FLAT) for k in range(12))
    fleet = replace(case.fleet, packs=(*others, *(case.fleet.packs or ())))
    write_kit(*replace(case, fleet=fleet).arguments(), tmp_path, today=TODAY)
    page = open_page(tmp_path / "map.html").page
    page.locator(".loading summary").click()
    page.locator("[data-slot='1']").wait_for()
    expect_offers(
        page.locator("[data-slot='1']"), "id", "B10", "B11", "B12", "B13", "A00", "A01", "A02", "A03"
    )


def test_a_fleet_without_pack_names_is_not_asked_for_them(open_page, tmp_path):
    case = hand_case()
    write_kit(*replace(case, fleet=replace(case.fleet, packs=None)).arguments(), tmp_path, today=TODAY)
    watched = open_page(tmp_path / "map.html")
    record = opened(watched.page, 1)
    expect_offers(record, "pack_in")
    record.locator("[data-field=plug_volts]").fill("12.8")
    record.locator("[data-field=polarity]").check()
    record.locator("[data-field=done][value=swapped]").check(force=True)
    expect_alerts(record)
    watched.require_quiet()


def test_a_visit_without_a_swap_asks_for_the_meter_once_a_pack_goes_in(page_file, open_page):
    page = open_page(page_file).page
    record = opened(page, 6)
    expect(record.locator("[data-meter]")).to_be_hidden()
    tap(record, "pack_in", "B10")
    expect(record.locator("[data-meter]")).to_be_visible()
    expect(record.locator("[data-meter-words]")).to_have_text(
        "Before it goes in: meter the plug. It must read 12 V, plug 5.5x2.1 centre +."
    )
    record.locator("[data-field=done][value=swapped]").check(force=True)
    expect(record.locator("[data-alerts]")).to_contain_text("STOP. Meter the polarity at the plug")


def test_every_step_can_be_taken_back(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    undo = page.locator("[data-undo]")
    expect(undo).to_be_disabled()
    record = opened(page, 1)
    record.locator("[data-field=found][value=dark]").check(force=True)
    record.locator("[data-field=notes]").press_sequentially("wet box")
    record.locator("[data-field=found][value=missing]").check(force=True)
    page.locator("[data-tick=load-2]").check()
    record.locator("[data-clear]").click()
    record.locator("[data-clear]").click()
    expect(record.locator("[data-field=notes]")).to_have_value("")
    undo.click()  # the clearing
    expect(record.locator("[data-field=notes]")).to_have_value("wet box")
    expect(record.locator("[data-field=found][value=missing]")).to_be_checked()
    expect(page.locator("[data-told]")).to_have_text("Taken back.")
    undo.click()  # the tick
    expect(page.locator("[data-tick=load-2]")).not_to_be_checked()
    undo.click()  # missing
    expect(record.locator("[data-field=found][value=dark]")).to_be_checked()
    undo.click()  # the whole note, not its last letter
    expect(record.locator("[data-field=notes]")).to_have_value("")
    undo.click()  # dark
    expect(record.locator("[data-field=found][value=dark]")).not_to_be_checked()
    expect(undo).to_be_disabled()
    expect(page.locator("[data-progress]")).to_have_text("0 of 7 sites recorded.")
    page.reload()
    expect(page.locator("[data-progress]")).to_have_text("0 of 7 sites recorded.")
    watched.require_quiet()


def test_unsent_results_are_called_to_mind_until_they_are_sent(page_file, open_page):
    watched = open_page(page_file, accept_downloads=True)
    page = watched.page
    expect(page.locator("[data-next]")).to_have_text("Next: 1 Sheepfold")
    expect(page.locator("[data-unsent]")).to_be_hidden()
    for number in (1, 2):
        opened(page, number).locator("[data-field=found][value=running]").check(force=True)
    expect(page.locator("[data-unsent]")).to_have_text("2 to send")
    expect(page.locator("[data-next]")).to_have_text("Next: 3 Lek")
    page.reload()
    expect(page.locator("[data-unsent]")).to_have_text("2 to send")
    expect(page.locator("[data-still-unsent]")).to_have_text("Not sent home since the last change: 2.")
    with page.expect_download():
        page.click("[data-save=csv]")
    expect(page.locator("[data-unsent]")).to_be_hidden()
    page.reload()
    expect(page.locator("[data-unsent]")).to_be_hidden()
    opened(page, 2).locator("[data-field=notes]").fill("second thoughts")
    expect(page.locator("[data-unsent]")).to_have_text("1 to send")
    for number in range(3, 8):
        opened(page, number).locator("[data-field=found][value=running]").check(force=True)
    expect(page.locator("[data-next]")).to_have_text("All recorded: send")
    expect(page.locator(".strip")).to_contain_class("late")
    page.locator("[data-next]").click()
    expect_hash(page, "#send")
    with page.expect_download():
        page.click("[data-save=json]")
    expect(page.locator("[data-next]")).to_have_text("All recorded and sent")
    expect(page.locator(".strip")).not_to_contain_class("late")
    watched.require_quiet()


SHARING = """
window.handed = [];
Object.defineProperty(navigator, 'canShare', { value: found => !!found.files && %s.includes(found.files[0].type) });
Object.defineProperty(navigator, 'share', { value: async found => {
  window.asked = true;
  if (%s) { throw new DOMException('no', 'AbortError'); }
  window.handed.push(found.files ? [found.files[0].name, await found.files[0].text()] : ['text', found.text]);
} });
"""


@pytest.mark.parametrize(
    ("takes", "name"),
    [
        (["application/json", "text/csv"], "results-2027-03-06-A.json"),
        (["text/csv", "text/plain"], "results-2027-03-06-A.csv"),
        (["text/plain"], "results-2027-03-06-A.txt"),
        ([], "text"),
    ],
)
def test_whatever_the_phone_can_hand_over_is_handed_over(page_file, phone, takes, name):
    context = phone(first=SHARING % (json.dumps(takes), "false"))
    page = context.new_page()
    page.goto(page_file.as_uri())
    opened(page, 1).locator("[data-field=found][value=dark]").check(force=True)
    page.click("[data-share]")
    expect(page.locator("[data-sent]")).to_have_text("Handed over.")
    [[got, text]] = page.evaluate("window.handed")
    assert got == name
    if name.endswith(".json"):
        assert json.loads(text)["visits"][0]["found"] == "dark"
    elif name.endswith(".csv"):
        assert "C1" in text.splitlines()[1]
    else:
        assert read_results_text(text)["visits"][0]["found"] == "dark"
    expect(page.locator("[data-unsent]")).to_be_hidden()
    context.close()


def test_a_handing_over_that_was_broken_off_counts_as_unsent(page_file, phone):
    context = phone(first=SHARING % ("['text/csv']", "true"))
    page = context.new_page()
    page.goto(page_file.as_uri())
    opened(page, 1).locator("[data-field=found][value=dark]").check(force=True)
    page.click("[data-share]")
    page.wait_for_function("window.asked")
    settled(page)
    expect(page.locator("[data-unsent]")).to_have_text("1 to send")
    context.close()


def test_another_day_than_the_trips_is_pointed_out(page_file, open_page):
    page = open_page(page_file).page
    record = opened(page, 1)
    record.locator("[data-field=found][value=running]").check(force=True)
    expect(record.locator("[data-field=when]")).to_have_value("2027-03-06T08:30")
    record.locator("[data-field=when]").fill("2027-03-05T08:31")
    expect_alerts(record, "This is not the day of the trip. Check the date, and the clock of the phone.")


def test_who_knows_the_route_is_kept_and_the_gate_can_be_rung(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    page.fill("[data-note=knows]", "Ada, 0123 555 0100")
    page.reload()
    expect(page.locator("[data-note=knows]")).to_have_value("Ada, 0123 555 0100")
    assert {a.get_attribute("href") for a in page.locator(".phone").all()} == {"tel:01235550199"}
    links = page.locator("#stop-2 .skip-here a")
    expect(links).to_have_text(["6", "5", "7", "4"])
    links.first.click()
    expect_hash(page, "#site-6")
    watched.require_quiet()


def test_nothing_hides_behind_the_strip(page_file, open_page):
    page = open_page(page_file).page
    page.evaluate("window.scrollTo(0, document.documentElement.scrollHeight)")
    page.wait_for_function(ABOVE_STRIP, arg="footer")
    opened(page, 7).locator("[data-field=notes]").focus()
    page.wait_for_function(ABOVE_STRIP, arg="[data-site='7'] [data-field=notes]")


ABOVE_STRIP = """name => document.querySelector(name).getBoundingClientRect().bottom
  <= document.querySelector('.strip').getBoundingClientRect().top + 1"""
