"""A general accessibility engine (axe-core, from the package axe-playwright-python) over the kit's pages."""

from __future__ import annotations

from dataclasses import replace
from importlib import metadata

import pytest
from kit_trip import TODAY, hand_case, hostile_case
from looking import axe_script, expect_hash, opened, violations
from playwright.sync_api import expect

from tripplan.outputs import write_kit

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def engine() -> str:
    assert metadata.version("axe-playwright-python")
    return axe_script()


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    made = {}
    german = hand_case()
    german = replace(german, fleet=replace(german.fleet, language="de"))
    for name, case in (("plain", hand_case()), ("german", german), ("hostile", hostile_case())):
        made[name] = tmp_path_factory.mktemp(name)
        write_kit(*case.arguments(), made[name], today=TODAY, extra_spares=None)
    return made


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 900)])
@pytest.mark.parametrize("name", ["plain", "german", "hostile"])
def test_page_has_no_violation(folders, engine, open_page, name, width, height, scheme):
    page = open_page(folders[name] / "map.html", width=width, height=height, color_scheme=scheme).page
    assert violations(page, engine) == []


@pytest.mark.parametrize("setting", [{"forced_colors": "active"}, {"contrast": "more"}])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_forced_colours_and_more_contrast_have_no_violation(folders, engine, open_page, scheme, setting):
    page = open_page(folders["plain"] / "map.html", color_scheme=scheme, **setting).page
    opened(page, 1).locator("[data-field=found][value=dark]").check(force=True)
    assert violations(page, engine) == []
    ticked = page.locator("[data-site='1'] .pick", has_text="dark").locator("span")
    other = page.locator("[data-site='1'] .pick", has_text="silent").locator("span")
    shade = "e => getComputedStyle(e).backgroundColor"
    assert ticked.evaluate(shade) != other.evaluate(shade)  # still told apart, and marked with a tick


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_open_forms_and_stops_have_no_violation(folders, engine, open_page, scheme):
    page = open_page(folders["plain"] / "map.html", color_scheme=scheme).page
    page.evaluate("document.querySelectorAll('details').forEach(box => { box.open = true; })")
    expect(page.locator("details:not([open])")).to_have_count(0)
    expect(page.locator("[data-as-planned]")).to_have_count(7)  # all forms are there
    record = page.locator("[data-site='3']")
    record.locator("[data-field=plug_volts]").fill("12.7")
    record.locator("[data-field=volts_out]").fill("4.9")
    record.locator("[data-field=done][value=swapped]").check(force=True)
    page.locator("[data-site='6'] [data-as-planned]").click()
    page.locator("[data-copy]").click()
    page.locator(".live-buttons button", has_text="P1").click()
    page.locator(".live-mark.live-swap:not(.off)").first.click()
    expect(page.locator(".live-note a")).to_be_visible()
    assert violations(page, engine) == []


@pytest.mark.parametrize("name", ["plain", "hostile"])
def test_checklist_has_no_violation(folders, engine, open_page, name):
    page = open_page(folders[name] / "checklist.html", width=1280, height=900).page
    assert violations(page, engine) == []


def test_engine_finds_a_planted_fault(folders, engine, open_page):
    page = open_page(folders["plain"] / "map.html").page
    page.evaluate("document.querySelector('.front h1').style.color = '#333'")
    assert any(text.startswith("color-contrast") for text in violations(page, engine))


def test_keyboard_reaches_and_opens_what_a_finger_does(folders, open_page):
    page = open_page(folders["plain"] / "map.html").page
    page.keyboard.press("Tab")
    expect(page.locator(".skip-link")).to_be_focused()
    page.keyboard.press("Enter")
    expect_hash(page, "#stops")
    expect(
        page.locator(".skip-link")
    ).not_to_be_focused()  # the jump is over, and takes no focus away any more
    summary = page.locator("[data-site='1'] summary")
    summary.focus()
    expect(summary).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("[data-site='1'] [data-as-planned]")).to_be_visible()
    running = page.locator("[data-site='1'] [data-field=found][value=running]")
    running.focus()
    expect(running).to_be_focused()
    page.keyboard.press("ArrowRight")
    expect(page.locator("[data-site='1'] [data-field=found][value=silent]")).to_be_checked()
    mark = page.locator(".live-mark.live-parking").first
    mark.focus()
    expect(mark).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator(".live-note a")).to_have_attribute("href", "#stop-1")
