"""
How large the kit's page is and how soon a browser shows it, network off, phone size.

    python tests/benchmarks/kit_size_and_paint.py [REPEATS]

Sites stand three to a parking, with a name, words on how to find them and a pack each; no road backdrop. First
paint and load are the browser's own (Paint Timing and Navigation Timing), the median of the repeats, each in a
fresh context. Filling in is the time from ticking an outcome at the last site to the page having followed.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tripplan.outputs import write_kit

sys.path.insert(0, str(Path(__file__).parents[1] / "outputs"))

from kit_trip import TODAY, KitCase, wide_case

PAINT = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
LOADED = "performance.getEntriesByType('navigation')[0].loadEventEnd"


def described(n_sites: int) -> KitCase:
    """Return the wide trip with words on how to find each site."""
    case = wide_case(n_sites)
    words = (
        "left of the track past the second gate, on the north side of the lone rowan; box under the flat slab"
    )
    sites = tuple(replace(site, find=words) for site in case.fleet.sites)
    return replace(case, fleet=replace(case.fleet, sites=sites))


def measure(browser: Browser, page_file: Path, n_sites: int) -> tuple[float, float, float]:
    """Return first paint, load and filling in. [ms]."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, offline=True)
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.wait_for_timeout(500)
    paint, loaded = page.evaluate(PAINT), page.evaluate(LOADED)
    page.locator(f"[data-site='{n_sites}'] summary").click()
    choice = page.locator(f"[data-site='{n_sites}'] [data-field=found][value=dark]")
    choice.wait_for(state="attached")
    began = time.perf_counter()
    choice.check(force=True)
    filled = 1000 * (time.perf_counter() - began)
    if not page.inner_text("[data-progress]").startswith("1 of"):
        raise SystemExit("the page did not follow")
    context.close()
    return paint, loaded, filled


def main() -> None:
    """Measure 30, 100 and 300 sites."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    path = next(
        found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))
    )
    print("sites   map.html  checklist  first paint   loaded  filling in")
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as name:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        for n_sites in (30, 100, 300):
            folder = Path(name) / str(n_sites)
            write_kit(*described(n_sites).arguments(), folder, today=TODAY)
            times = [measure(browser, folder / "map.html", n_sites) for _ in range(repeats)]
            paint, loaded, filled = (statistics.median(column) for column in zip(*times, strict=True))
            sizes = [(folder / file).stat().st_size / 1000 for file in ("map.html", "checklist.html")]
            print(
                f"{n_sites:5}  {sizes[0]:6.0f} kB  {sizes[1]:6.0f} kB"
                f"  {paint:8.0f} ms  {loaded:5.0f} ms  {filled:7.0f} ms"
            )
        browser.close()


if __name__ == "__main__":
    main()
