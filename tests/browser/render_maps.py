"""
Fill maps/ with what the demo draws, and take the picture that README.md shows.

    python tests/browser/render_maps.py [--out maps]

Needs Chromium on the machine (the package ``chromium`` of Debian and its kin). The browser runs
with the network off. Everything in the folder but its README is replaced.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tripplan.pipeline import run_demo

ROOT = Path(__file__).parents[2]
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def find_browser() -> str:
    """Return the path of the machine's Chromium."""
    for name in BROWSERS:
        found = shutil.which(name)
        if found is not None:
            return found
    raise SystemExit(f"None of {', '.join(BROWSERS)} is installed (Debian: apt-get install chromium).")


def take_pictures(kit: Path, out: Path) -> None:
    """Take the map as a phone and a laptop show it, the checklist as it prints, and the season's calendar."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        try:
            for name, page_name, part, width, height, scale in (
                ("demo-map.png", "map.html", "#map", 1000, 900, 1),
                ("demo-phone.png", "map.html", None, 390, 780, 2),
                ("demo-checklist.png", "checklist.html", None, 794, 1123, 1),
                ("demo-calendar.png", "../calendar.html", None, 1100, 800, 1),
            ):
                context = browser.new_context(
                    viewport={"width": width, "height": height}, device_scale_factor=scale, offline=True
                )
                page = context.new_page()
                page.goto((kit / page_name).resolve().as_uri())
                page.wait_for_load_state("load")
                if part is not None:
                    page.add_style_tag(content="nav { position: static !important } .strip { display: none }")
                    page.locator(part).scroll_into_view_if_needed()
                page.wait_for_timeout(1000)  # the map settles its view after it is first seen
                (page if part is None else page.locator(part)).screenshot(path=out / name)
                context.close()
        finally:
            browser.close()


def main() -> None:
    """Run the demo in a temporary folder and copy what it drew."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=ROOT / "maps")
    out: Path = parser.parse_args().out
    with tempfile.TemporaryDirectory() as name:
        result = run_demo(Path(name), time_limit_s=None)  # its own end is the same on any machine
        if result.trip.trip is None:
            raise SystemExit("The demo plans no trip: there is nothing to draw.")
        out.mkdir(exist_ok=True)
        for old in out.iterdir():
            if old.name != "README.md":
                shutil.rmtree(old) if old.is_dir() else old.unlink()
        shutil.copy(result.forecast_path, out / "forecast.json")
        shutil.copy(result.planned.path, out / "plan.json")
        shutil.copy(result.planned.path.with_name("calendar.html"), out / "calendar.html")
        kit = out / result.trip.trip.trip_id
        kit.mkdir()
        for file in result.trip.files:
            shutil.copy(file, kit / file.name)
        take_pictures(kit, out)
    print(f"Written: {', '.join(sorted(file.name for file in out.iterdir()))} in {out}")


if __name__ == "__main__":
    main()
