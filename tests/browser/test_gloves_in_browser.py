"""The kit with a wet glove: tap instead of type, take back, be reminded, hand over whatever the phone can."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from kit_trip import TODAY, hand_case

from tripplan.fleet import Pack, PackState
from tripplan.outputs import write_kit
from tripplan.outputs.results_text import read_results_text

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gloves")
    write_kit(*hand_case().arguments(), folder, today=TODAY, extra_spares={"SLA12": 1})
    return folder / "map.html"


def opened(page, number):
    record = page.locator(f"[data-site='{number}']")
    if record.get_attribute("open") is None:
        record.locator("summary").click()
    record.locator("[data-alerts]").wait_for(state="attached")  # the form is put in as the record opens
    return record


def offers(box, field):
    row = box.locator(f"[data-offers={field}]")
    return [] if row.is_hidden() else [knob.inner_text().strip() for knob in row.locator("button").all()]


def tap(box, field, label):
    box.locator(f"[data-offers={field}] button", has_text=label).click()


def strip(page):
    return page.inner_text("[data-next]").strip()


def test_packs_are_tapped_at_loading_and_again_at_the_site(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    assert page.inner_text("[data-aboard]") == "0 of 7 aboard"
    page.locator(".loading summary").click()
    page.locator("[data-slot='1']").wait_for()
    first, second = page.locator("[data-slot='1']"), page.locator("[data-slot='2']")
    assert offers(first, "id") == ["B10", "B11", "B12", "B13"]
    tap(first, "id", "B12")
    assert first.locator("[data-load=id]").input_value() == "B12"
    assert offers(second, "id") == ["B10", "B11", "B13"]  # what is in one place is not offered for another
    tap(second, "id", "B10")
    first.locator("[data-load=aboard]").check()
    assert first.locator("[data-alerts]").inner_text() == (
        "In the vehicle, but volts and polarity at its plug are not noted."
    )
    first.locator("[data-load=volts]").fill("12.9")
    first.locator("[data-load=polarity]").check()
    assert first.locator("[data-alerts]").inner_text() == ""
    assert page.inner_text("[data-aboard]") == "1 of 7 aboard"
    assert page.locator("[data-slot='4'] [data-spare]").is_visible()
    assert not first.locator("[data-spare]").is_visible()

    site = opened(page, 1)
    assert offers(site, "pack_out") == ["B01"]
    assert offers(site, "pack_in") == ["B12", "B10"]  # only what is aboard, of this type
    tap(site, "pack_in", "B12")
    assert site.locator("[data-offers=pack_in] [aria-pressed=true]").inner_text().strip().endswith("B12")
    assert offers(opened(page, 2), "pack_in") == ["B10"]
    assert offers(opened(page, 3), "pack_in") == ["S10", "S11"]  # none of its type noted: those on the shelf
    tap(site, "pack_in", "B12")  # a second tap takes it out again
    assert site.locator("[data-field=pack_in]").input_value() == ""
    assert page.locator("html").evaluate("e => e.scrollWidth") <= 390
    watched.require_quiet()


def test_packs_that_the_load_list_names_are_offered_first(open_page, tmp_path):
    case = hand_case()
    others = tuple(Pack(f"A{k:02d}", "SLA12", state=PackState.FLAT) for k in range(12))
    fleet = replace(case.fleet, packs=(*others, *(case.fleet.packs or ())))
    write_kit(*replace(case, fleet=fleet).arguments(), tmp_path, today=TODAY)
    page = open_page(tmp_path / "map.html").page
    page.locator(".loading summary").click()
    page.locator("[data-slot='1']").wait_for()
    assert offers(page.locator("[data-slot='1']"), "id") == [
        "B10", "B11", "B12", "B13", "A00", "A01", "A02", "A03",
    ]  # fmt: skip


def test_a_fleet_without_pack_names_is_not_asked_for_them(open_page, tmp_path):
    case = hand_case()
    write_kit(*replace(case, fleet=replace(case.fleet, packs=None)).arguments(), tmp_path, today=TODAY)
    watched = open_page(tmp_path / "map.html")
    record = opened(watched.page, 1)
    assert offers(record, "pack_in") == []
    record.locator("[data-field=plug_volts]").fill("12.8")
    record.locator("[data-field=polarity]").check()
    record.locator("[data-field=done][value=swapped]").check(force=True)
    assert record.locator("[data-alerts]").inner_text() == ""
    watched.require_quiet()


def test_a_visit_without_a_swap_asks_for_the_meter_once_a_pack_goes_in(page_file, open_page):
    page = open_page(page_file).page
    record = opened(page, 6)
    assert not record.locator("[data-meter]").is_visible()
    tap(record, "pack_in", "B10")
    assert record.locator("[data-meter]").is_visible()
    assert record.locator("[data-meter-words]").inner_text() == (
        "Before it goes in: meter the plug. It must read 12 V, plug 5.5x2.1 centre +."
    )
    record.locator("[data-field=done][value=swapped]").check(force=True)
    assert "STOP. Meter the polarity at the plug" in record.locator("[data-alerts]").inner_text()


def test_every_step_can_be_taken_back(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    undo = page.locator("[data-undo]")
    assert undo.is_disabled()
    record = opened(page, 1)
    record.locator("[data-field=found][value=dark]").check(force=True)
    record.locator("[data-field=notes]").press_sequentially("wet box")
    record.locator("[data-field=found][value=missing]").check(force=True)
    page.locator("[data-tick=load-2]").check()
    record.locator("[data-clear]").click()
    record.locator("[data-clear]").click()
    assert record.locator("[data-field=notes]").input_value() == ""
    undo.click()  # the clearing
    assert record.locator("[data-field=notes]").input_value() == "wet box"
    assert record.locator("[data-field=found][value=missing]").is_checked()
    page.wait_for_selector("[data-told]:has-text('Taken back.')", state="attached")
    undo.click()  # the tick
    assert not page.locator("[data-tick=load-2]").is_checked()
    undo.click()  # missing
    assert record.locator("[data-field=found][value=dark]").is_checked()
    undo.click()  # the whole note, not its last letter
    assert record.locator("[data-field=notes]").input_value() == ""
    undo.click()  # dark
    assert not record.locator("[data-field=found][value=dark]").is_checked()
    assert undo.is_disabled()
    assert page.inner_text("[data-progress]") == "0 of 7 sites recorded."
    page.reload()
    assert page.inner_text("[data-progress]") == "0 of 7 sites recorded."
    watched.require_quiet()


def test_unsent_results_are_called_to_mind_until_they_are_sent(page_file, open_page):
    watched = open_page(page_file, accept_downloads=True)
    page = watched.page
    assert strip(page) == "Next: 1 Sheepfold"
    assert page.locator("[data-unsent]").is_hidden()
    for number in (1, 2):
        opened(page, number).locator("[data-field=found][value=running]").check(force=True)
    assert page.inner_text("[data-unsent]") == "2 to send"
    assert strip(page) == "Next: 3 Lek"
    page.reload()
    assert page.inner_text("[data-unsent]") == "2 to send"
    assert page.inner_text("[data-still-unsent]") == "Not sent home since the last change: 2."
    with page.expect_download():
        page.click("[data-save=csv]")
    assert page.locator("[data-unsent]").is_hidden()
    page.reload()
    assert page.locator("[data-unsent]").is_hidden()
    opened(page, 2).locator("[data-field=notes]").fill("second thoughts")
    assert page.inner_text("[data-unsent]") == "1 to send"
    for number in range(3, 8):
        opened(page, number).locator("[data-field=found][value=running]").check(force=True)
    assert strip(page) == "All recorded: send"
    assert "late" in page.locator(".strip").get_attribute("class")
    page.locator("[data-next]").click()
    assert page.evaluate("location.hash") == "#send"
    with page.expect_download():
        page.click("[data-save=json]")
    assert strip(page) == "All recorded and sent"
    assert "late" not in page.locator(".strip").get_attribute("class")
    watched.require_quiet()


SHARING = """
window.handed = [];
Object.defineProperty(navigator, 'canShare', { value: found => !!found.files && %s.includes(found.files[0].type) });
Object.defineProperty(navigator, 'share', { value: async found => {
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
def test_whatever_the_phone_can_hand_over_is_handed_over(page_file, chromium, takes, name):
    context = chromium.new_context(offline=True)
    context.add_init_script(SHARING % (json.dumps(takes), "false"))
    page = context.new_page()
    page.goto(page_file.as_uri())
    opened(page, 1).locator("[data-field=found][value=dark]").check(force=True)
    page.click("[data-share]")
    page.wait_for_selector("[data-sent]:has-text('Handed over.')")
    [[got, text]] = page.evaluate("window.handed")
    assert got == name
    if name.endswith(".json"):
        assert json.loads(text)["visits"][0]["found"] == "dark"
    elif name.endswith(".csv"):
        assert "C1" in text.splitlines()[1]
    else:
        assert read_results_text(text)["visits"][0]["found"] == "dark"
    assert page.locator("[data-unsent]").is_hidden()
    context.close()


def test_a_handing_over_that_was_broken_off_counts_as_unsent(page_file, chromium):
    context = chromium.new_context(offline=True)
    context.add_init_script(SHARING % ("['text/csv']", "true"))
    page = context.new_page()
    page.goto(page_file.as_uri())
    opened(page, 1).locator("[data-field=found][value=dark]").check(force=True)
    page.click("[data-share]")
    page.wait_for_timeout(200)
    assert page.inner_text("[data-unsent]") == "1 to send"
    context.close()


def test_another_day_than_the_trips_is_pointed_out(page_file, open_page):
    page = open_page(page_file).page
    record = opened(page, 1)
    record.locator("[data-field=found][value=running]").check(force=True)
    assert record.locator("[data-field=when]").input_value()[:10] == "2027-03-06"
    record.locator("[data-field=when]").fill("2027-03-05T08:31")
    assert record.locator("[data-alerts]").inner_text() == (
        "This is not the day of the trip. Check the date, and the clock of the phone."
    )


def test_who_knows_the_route_is_kept_and_the_gate_can_be_rung(page_file, open_page):
    watched = open_page(page_file)
    page = watched.page
    page.fill("[data-note=knows]", "Ada, 0123 555 0100")
    page.reload()
    assert page.input_value("[data-note=knows]") == "Ada, 0123 555 0100"
    assert {a.get_attribute("href") for a in page.locator(".phone").all()} == {"tel:01235550199"}
    links = page.locator("#stop-2 .skip-here a")
    assert [link.inner_text() for link in links.all()] == ["6", "5", "7", "4"]
    links.first.click()
    assert page.evaluate("location.hash") == "#site-6"
    watched.require_quiet()


def test_nothing_hides_behind_the_strip(page_file, open_page):
    page = open_page(page_file).page
    page.evaluate("window.scrollTo(0, document.documentElement.scrollHeight)")
    foot = page.locator("footer").bounding_box()
    assert foot["y"] + foot["height"] <= page.locator(".strip").bounding_box()["y"] + 1
    opened(page, 7)
    page.locator("[data-site='7'] [data-field=notes]").focus()
    box = page.locator("[data-site='7'] [data-field=notes]").bounding_box()
    assert box["y"] + box["height"] <= page.locator(".strip").bounding_box()["y"] + 1
