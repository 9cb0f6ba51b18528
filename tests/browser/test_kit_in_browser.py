"""The kit's pages in a real browser, with the network off."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from kit_trip import HOSTILE, TODAY, KitCase, hand_case, hostile_case

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
    watched.page.wait_for_selector(".has-map .live-map .live-mark")
    wide = watched.page.evaluate("document.documentElement.scrollWidth")
    assert wide <= width
    assert watched.page.is_visible(".live-map")
    assert not watched.page.is_visible(".still-trip")
    watched.require_quiet()


@pytest.mark.parametrize("width", [320, 360, 768, 1024])
def test_no_width_needs_scrolling_sideways(kit, open_page, width):
    page = open_page(kit[1] / "map.html", width=width, height=640).page
    page.wait_for_selector(".has-map .live-map .live-mark")
    for summary in page.locator("summary").all():
        summary.click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator(".strip").bounding_box()["width"] <= width


def test_every_view_button_and_mark_of_the_map_works(kit, open_page):
    watched = open_page(kit[1] / "map.html")
    page = watched.page
    for label in ("P1", "P2", "P3", "Whole trip", "+", "\u2212"):
        page.locator(".live-buttons button", has_text=label).first.click()
    page.locator(".live-buttons button", has_text="P1").click()
    page.wait_for_timeout(600)
    for number in (1, 2, 3):
        assert page.locator(".live-mark:not(.off)", has_text=str(number)).first.is_visible()
    page.locator(".live-mark.live-swap:not(.off)").first.click()
    assert page.locator(".live-note a").get_attribute("href").startswith("#site-")
    watched.require_quiet()


def test_own_position_is_shown_only_on_request_and_refusal_is_said(kit, open_page):
    watched = open_page(
        kit[1] / "map.html", geolocation={"latitude": 57.25, "longitude": -4.16, "accuracy": 12}
    )
    page = watched.page
    page.locator(".live-buttons button", has_text="Where am I").click()
    page.wait_for_selector(".live-note:not(:empty)")
    assert "Use the coordinates." in page.inner_text(".live-note")  # no permission was given
    allowed = open_page(kit[1] / "map.html", geolocation={"latitude": 57.25, "longitude": -4.16, "accuracy": 12},
                        permissions=["geolocation"]).page  # fmt: skip
    assert allowed.locator(".live-mark.me").count() == 0
    allowed.locator(".live-buttons button", has_text="Where am I").click()
    allowed.wait_for_selector(".live-note:not(:empty)")
    assert allowed.inner_text(".live-note") == "You are here, to within 12 m."
    assert allowed.locator(".live-mark.me").is_visible()


def test_marks_do_not_cover_each_other(kit, open_page):
    watched = open_page(kit[1] / "map.html", width=1280, height=900)
    page = watched.page
    for label in ("Whole trip", "P1", "P2", "P3"):
        page.locator(".live-buttons button", has_text=label).first.click()
        page.wait_for_timeout(600)
        nearest = page.evaluate(
            """() => {
              const at = [...document.querySelectorAll('.live-mark:not(.off)')].map(e => e.getBoundingClientRect());
              let least = 1e9;
              at.forEach((a, i) => at.slice(i + 1).forEach(b => { least = Math.min(least, Math.hypot(a.x - b.x, a.y - b.y)); }));
              return least;
            }"""
        )
        assert nearest > 34  # the size of a mark


def test_targets_are_at_least_44_px(kit, open_page):
    watched = open_page(kit[1] / "map.html")
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
    assert page.locator(".still-trip svg .mark-parking").count() == len(case.trip.stops)
    assert page.locator(".still-trip").is_visible()
    assert not page.locator(".live-frame").is_visible()
    assert page.locator("main svg.flat-map").count() == 1 + len(case.trip.stops)
    watched.require_quiet()


@pytest.mark.parametrize("name", ["map.html", "checklist.html"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_hostile_text_runs_nothing_and_shows_as_written(hostile, open_page, name, width, height):
    case, folder = hostile
    watched = open_page(folder / name, width=width, height=height)
    page = watched.page
    page.wait_for_timeout(300)
    if name == "map.html":
        assert page.locator("html.has-map").count() == 1
        for mark in page.locator(".live-mark:not(.off)").all():
            mark.click(force=True)
    shown = " ".join(page.evaluate("document.body.textContent").split())
    for visit in case.trip.visits:
        assert clean(case.fleet.sites_by_id[visit.site_id].name) in shown
    assert page.locator("img").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= width
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
