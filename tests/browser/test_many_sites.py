"""Many sites: the page stays usable. Times are measured and printed, not asserted."""

from __future__ import annotations

import pytest
from kit_trip import TODAY, wide_case
from looking import opened
from playwright.sync_api import expect

from tripplan.outputs import write_kit

pytestmark = pytest.mark.browser

PAINT = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
READY = "performance.getEntriesByType('navigation')[0].loadEventEnd"


@pytest.mark.parametrize("n_sites", [30, 300])
def test_page_with_many_sites_is_usable(n_sites, open_page, tmp_path):
    write_kit(*wide_case(n_sites).arguments(), tmp_path, today=TODAY)
    watched = open_page(tmp_path / "map.html", fixed_clock=False)
    page = watched.page
    expect(page.locator(".has-map .live-mark").first).to_be_visible()
    page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length > 0")
    paint, ready = page.evaluate(PAINT), page.evaluate(READY)
    size = (tmp_path / "map.html").stat().st_size
    print(f"{n_sites} sites: {size / 1000:.0f} kB, first paint {paint:.0f} ms, loaded {ready:.0f} ms")
    opened(page, n_sites).locator("[data-field=found][value=dark]").check(force=True)
    expect(page.locator("[data-progress]")).to_have_text(f"1 of {n_sites} sites recorded.")
    page.locator(".live-buttons button", has_text="P3").first.click()
    expect(page.locator(".live-note")).to_contain_text("P3")
    watched.require_quiet()
