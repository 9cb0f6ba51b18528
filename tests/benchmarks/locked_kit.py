"""
Measure locked kits: how large they are, how long locking takes, and opening with either cipher.

    python tests/benchmarks/locked_kit.py [SITES ...]
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "outputs"))

from kit_trip import TODAY, wide_case
from playwright.sync_api import sync_playwright

from tripplan.outputs import write_kit

PASSPHRASE = "bakomu ridase tulivo pegabi"
NO_CIPHER = "Object.defineProperty(Crypto.prototype, 'subtle', { value: undefined });"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def main() -> None:
    """Print one line for each number of sites."""
    sizes = [int(word) for word in sys.argv[1:]] or [30, 300]
    path = next(found for name in BROWSERS if (found := shutil.which(name)))
    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as name:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        for sites in sizes:
            case, folder = wide_case(sites), Path(name) / str(sites)
            write_kit(*case.arguments(), folder / "open", today=TODAY)
            began = time.perf_counter()
            write_kit(*case.arguments(), folder / "locked", today=TODAY, passphrase=PASSPHRASE)
            took = time.perf_counter() - began
            words = [f"{sites} sites: written, locked and opened again in {took:.1f} s"]
            words.extend(
                f"{kind} map.html {(folder / kind / 'map.html').stat().st_size / 1000:.0f} kB"
                for kind in ("open", "locked")
            )
            for label, first in (("own cipher", ""), ("stand-in", NO_CIPHER)):
                context = browser.new_context(offline=True)
                if first:
                    context.add_init_script(first)
                page = context.new_page()
                page.goto((folder / "locked" / "map.html").as_uri())
                page.fill("#sealed-passphrase", PASSPHRASE)
                began = time.perf_counter()
                page.click("#sealed-form button")
                page.wait_for_selector("#stops", timeout=120_000)
                words.append(f"{label} {time.perf_counter() - began:.2f} s")
                context.close()
            print("; ".join(words))
        browser.close()


if __name__ == "__main__":
    main()
