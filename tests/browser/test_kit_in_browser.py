"""The kit's pages in a real browser, with the network off."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
from kit_trip import (
    HOSTILE,
    TODAY,
    KitCase,
    hand_case,
    hostile_case,
    require_sketch_beside_last_site,
    wide_case,
)
from looking import expect_no_wider, settled
from playwright.sync_api import expect

from tripplan.outputs import write_kit
from tripplan.outputs.plain_text import clean

pytestmark = pytest.mark.browser

SIZES = [(390, 844), (1280, 900)]


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> tuple[KitCase, Path]:
    folder = tmp_path_factory.mktemp("kit")
    case = hand_case()
    write_kit(*case.arguments(), folder, today=TODAY)
    return case, folder


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[KitCase, Path]:
    folder = tmp_path_factory.mktemp("hostile")
    case = hostile_case()
    write_kit(*case.arguments(), folder, today=TODAY)
    return case, folder


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_page_opens_quietly_and_fits(kit, open_page, width, height, scheme):
    watched = open_page(kit[1] / "map.html", width=width, height=height, color_scheme=scheme)
    expect(watched.page.locator(".has-map .live-map .live-mark").first).to_be_visible()
    expect_no_wider(watched.page, width)
    expect(watched.page.locator(".live-map")).to_be_visible()
    expect(watched.page.locator(".still-trip")).to_be_hidden()
    settled(watched.page)
    watched.require_quiet()


@pytest.mark.parametrize("width", [320, 360, 768, 1024])
def test_no_width_needs_scrolling_sideways(kit, open_page, width):
    page = open_page(kit[1] / "map.html", width=width, height=640).page
    expect(page.locator(".has-map .live-map .live-mark").first).to_be_visible()
    for summary in page.locator("summary").all():
        summary.click()
    expect(page.locator("[data-as-planned]")).to_have_count(7)  # all forms are there
    expect_no_wider(page, width)
    page.wait_for_function(
        "width => document.querySelector('.strip').getBoundingClientRect().width <= width", arg=width
    )


def test_every_view_button_and_mark_of_the_map_works(kit, open_page):
    watched = open_page(kit[1] / "map.html")
    page = watched.page
    for label in ("P1", "P2", "P3", "Whole trip", "+", "\u2212"):
        page.locator(".live-buttons button", has_text=label).first.click()
    page.locator(".live-buttons button", has_text="P1").click()
    for number in (1, 2, 3):
        expect(page.locator(".live-mark:not(.off)", has_text=str(number)).first).to_be_visible()
    page.locator(".live-mark.live-swap:not(.off)").first.click()
    expect(page.locator(".live-note a")).to_have_attribute("href", re.compile("^#site-"))
    watched.require_quiet()


def test_own_position_is_shown_only_on_request_and_refusal_is_said(kit, open_page):
    watched = open_page(
        kit[1] / "map.html", geolocation={"latitude": 57.25, "longitude": -4.16, "accuracy": 12}
    )
    page = watched.page
    page.locator(".live-buttons button", has_text="Where am I").click()
    expect(page.locator(".live-note")).to_contain_text("Use the coordinates.")  # no permission was given
    allowed = open_page(kit[1] / "map.html", geolocation={"latitude": 57.25, "longitude": -4.16, "accuracy": 12},
                        permissions=["geolocation"]).page  # fmt: skip
    expect(allowed.locator(".live-mark.me")).to_have_count(0)
    allowed.locator(".live-buttons button", has_text="Where am I").click()
    expect(allowed.locator(".live-note")).to_have_text("You are here, to within 12 m.")
    expect(allowed.locator(".live-mark.me")).to_be_visible()


def test_marks_do_not_cover_each_other(kit, open_page):
    watched = open_page(kit[1] / "map.html", width=1280, height=900)
    page = watched.page
    for label in ("Whole trip", "P1", "P2", "P3"):
        view = page.locator(".live-buttons button", has_text=label).first
        view.click()
        expect(view).to_have_attribute("aria-pressed", "true")
        page.wait_for_function(  # farther apart than the size of a mark
            """() => {
              const at = [...document.querySelectorAll('.live-mark:not(.off)')].map(e => e.getBoundingClientRect());
              return at.length > 1 && at.every((a, i) =>
                at.slice(i + 1).every(b => Math.hypot(a.x - b.x, a.y - b.y) > 34));
            }"""
        )


def test_targets_are_at_least_44_px(kit, open_page):
    watched = open_page(kit[1] / "map.html")
    settled(watched.page)
    small = watched.page.evaluate(
        """() => [...document.querySelectorAll('button, input, .button, nav a, summary, select, textarea')]
             .filter(e => e.offsetParent !== null)
             .map(e => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
             .filter(([, r]) => r.width < 44 || r.height < 44).map(([t, r]) => `${t} ${r.width}x${r.height}`)"""
    )
    assert small == []


def test_page_is_complete_without_scripts(kit, open_page):
    case, folder = kit
    watched = open_page(folder / "map.html", java_script_enabled=False)
    page = watched.page
    text = page.inner_text("body")
    for visit in case.trip.visits:
        site = case.fleet.sites_by_id[visit.site_id]
        assert site.name in text
        assert site.find in text
    for label in ("Leave", "Back", "Call by", "08:00", "Drive off by", "Estate office, 0123 555 0199"):
        assert label in text
    expect(page.locator(".still-trip svg .mark-parking")).to_have_count(len(case.trip.stops))
    expect(page.locator(".still-trip")).to_be_visible()
    expect(page.locator(".live-frame")).to_be_hidden()
    expect(page.locator("main svg.flat-map")).to_have_count(1 + len(case.trip.stops))
    watched.require_quiet()


@pytest.mark.parametrize("name", ["map.html", "checklist.html"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_hostile_text_runs_nothing_and_shows_as_written(hostile, open_page, name, width, height):
    case, folder = hostile
    watched = open_page(folder / name, width=width, height=height)
    page = watched.page
    if name == "map.html":
        expect(page.locator("html.has-map")).to_have_count(1)
        for mark in page.locator(".live-mark:not(.off)").all():
            mark.click(force=True)
    settled(page)
    shown = " ".join(page.evaluate("document.body.textContent").split())
    for visit in case.trip.visits:
        assert clean(case.fleet.sites_by_id[visit.site_id].name) in shown
    expect(page.locator("img")).to_have_count(0)
    expect_no_wider(page, width)
    watched.require_quiet()


def test_checklist_prints_every_site_on_few_pages(kit, open_page, tmp_path):
    case, folder = kit
    watched = open_page(folder / "checklist.html", width=1280, height=900)
    for paper in ("A4", "Letter"):
        target = tmp_path / f"{paper}.pdf"
        watched.page.pdf(path=str(target), format=paper, prefer_css_page_size=False)
        text = subprocess.run(
            ["pdftotext", "-layout", str(target), "-"], check=True, capture_output=True, text=True
        ).stdout
        for visit in case.trip.visits:
            assert case.fleet.sites_by_id[visit.site_id].name in text
        assert text.count("\f") == 3  # seven sites, three stops
    watched.require_quiet()


@pytest.mark.parametrize("n_sites", [5, 14, 30])
def test_the_sketch_of_a_stop_prints_on_the_page_of_its_last_site(open_page, tmp_path, n_sites):
    case = wide_case(n_sites)
    write_kit(*case.arguments(), tmp_path, today=TODAY)
    page = open_page(tmp_path / "checklist.html").page
    page.pdf(path=str(tmp_path / "paper.pdf"), format="A4")
    command = ["pdftotext", str(tmp_path / "paper.pdf"), "-"]
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    require_sketch_beside_last_site(case, text)


def test_page_itself_prints_every_site(kit, open_page, tmp_path):
    case, folder = kit
    watched = open_page(folder / "map.html", width=1280, height=900)
    target = tmp_path / "page.pdf"
    watched.page.pdf(path=str(target), format="A4")
    text = subprocess.run(["pdftotext", str(target), "-"], check=True, capture_output=True, text=True).stdout
    for visit in case.trip.visits:
        assert case.fleet.sites_by_id[visit.site_id].name in text


def test_hostile_list_is_what_the_issue_asks_for():
    joined = "".join(HOSTILE)
    for part in ("</script>", "${alert(1)}", "\\", '"', "'", "=cmd()", "\u200f", "\u202e"):
        assert part in joined
    assert max(len(text) for text in HOSTILE) >= 500
