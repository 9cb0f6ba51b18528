"""
A real Chromium with its network off.

Browser tests fail, not skip, where Chromium is missing; set TRIPPLAN_NO_BROWSER=1 to skip them visibly.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent.parent / "outputs"))
sys.path.append(str(Path(__file__).parent))

from looking import PATIENCE_MS

TRIP_MORNING = datetime(2027, 3, 6, 8, 30, tzinfo=UTC)
_PATHS = ("chromium", "chromium-browser", "google-chrome")


@dataclass
class Watched:
    """A page and everything that went wrong on it."""

    page: Any
    context: Any
    trouble: list[str] = field(default_factory=list)

    def require_quiet(self) -> None:
        assert self.trouble == []


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    if os.environ.get("TRIPPLAN_NO_BROWSER") == "1":
        pytest.skip("TRIPPLAN_NO_BROWSER=1: browser tests left out on request")
    path = next((found for name in _PATHS if (found := shutil.which(name))), None)
    if path is None:
        pytest.fail(
            "Browser tests need Chromium: install the system package 'chromium', "
            "or set TRIPPLAN_NO_BROWSER=1 to leave these tests out."
        )
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"], timeout=PATIENCE_MS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def phone(chromium: Any) -> Callable[..., Any]:
    """
    Return what makes a phone: a browser of its own store, offline, patient, at the morning of the hand-made trip.

    Its clock stands still and its time zone is given, so that neither midnight nor the zone of this machine matters.
    """

    def make(*, fixed_clock: bool = True, first: str = "", **options: Any) -> Any:
        options = {"offline": True, "timezone_id": "Europe/London", "locale": "en-US"} | options
        context = chromium.new_context(**options)
        context.set_default_timeout(PATIENCE_MS)
        throttle = float(os.environ.get("TRIPPLAN_BROWSER_SLOWDOWN", "1"))
        if throttle > 1:
            plain_page = context.new_page
            context.new_page = lambda: slow_down(context, plain_page(), throttle)
        if first:  # runs in the page before any script of its own
            context.add_init_script(first)
        if fixed_clock:
            context.clock.set_fixed_time(TRIP_MORNING)
        return context

    return make


def slow_down(context: Any, page: Any, times: float) -> Any:
    """Let a page have only a part of the processor, as on a slow phone, and return it."""
    context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": times})
    return page


@pytest.fixture
def open_page(phone: Callable[..., Any]) -> Iterator[Callable[..., Watched]]:
    """Open a local file with the network off and note every dialog, error and foreign request."""
    contexts: list[Any] = []

    def open_file(path: Path, *, width: int = 390, height: int = 844, **options: Any) -> Watched:
        context = phone(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        watched = Watched(context.new_page(), context)
        page = watched.page

        def note_dialog(dialog: Any) -> None:
            watched.trouble.append(f"dialog: {dialog.message}")
            dialog.dismiss()

        page.on("dialog", note_dialog)
        page.on("pageerror", lambda error: watched.trouble.append(f"page error: {error}"))
        page.on(
            "console",
            lambda message: (
                watched.trouble.append(f"console: {message.text}")
                if message.type in {"error", "warning"}
                else None
            ),
        )
        own = path.resolve().as_uri()
        page.on(
            "request",
            lambda request: (
                None
                if request.url.split("#")[0] == own or request.url.startswith(("data:", "blob:"))
                else watched.trouble.append(f"request: {request.url}")
            ),
        )
        page.goto(own)
        return watched

    yield open_file
    for context in contexts:
        context.close()
