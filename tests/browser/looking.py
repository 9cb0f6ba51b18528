"""
What the browser tests share: how they look at a page.

A page answers in its own time, and on a busy machine that time is long. So after every action these tests
look with playwright's ``expect``, which looks again until it sees what it waits for, never once; none of
them sleeps, and none goes by the clock of the machine.
"""

from __future__ import annotations

from importlib import resources
from typing import Any

from playwright.sync_api import expect

PATIENCE_MS = 240_000  # how long to go on looking; only a fault ever takes as long


def settled(page: Any) -> None:
    """Wait until the page has drawn twice more and done what was waiting: what it was to do by itself, it did."""
    page.evaluate(
        "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 0))))"
    )


def opened(page: Any, number: int) -> Any:
    """Open the record of a site, unless it is open, and wait for its form."""
    record = page.locator(f"[data-site='{number}']")
    if record.get_attribute("open") is None:
        record.locator("summary").click()
    expect(record.locator("[data-alerts]")).to_be_attached()  # the form is put in as the record opens
    return record


def expect_alerts(box: Any, *lines: str) -> None:
    """Expect just these lines below a form."""
    found = box.locator("[data-alerts] p")
    expect(found).to_have_count(len(lines))
    expect(found).to_have_text(list(lines))


def expect_offers(box: Any, field: str, *labels: str) -> None:
    """Expect just these packs to tap beside a field; none: the row does not show."""
    row = box.locator(f"[data-offers={field}]")
    if labels:
        expect(row).to_be_visible()
        expect(row.locator("button")).to_have_text(list(labels))
    else:
        expect(row).to_be_hidden()


def expect_hash(page: Any, name: str) -> None:
    """Expect that the page was led to one of its places."""
    page.wait_for_function("name => location.hash === name", arg=name)


def expect_no_wider(page: Any, width: float) -> None:
    """Expect that nothing needs scrolling sideways."""
    page.wait_for_function("width => document.documentElement.scrollWidth <= width", arg=width)


def axe_script() -> str:
    """Return the accessibility engine (axe-core, from the package axe-playwright-python)."""
    return (resources.files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


def violations(page: Any, engine: str) -> list[str]:
    """Return what the accessibility engine finds wrong in a page that stands still."""
    settled(page)
    page.evaluate(engine)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert len(found["passes"]) > 5  # the engine did look
    return [
        f"{rule['id']}: {rule['help']}: {node['html'][:120]} {node['failureSummary'][:160]}"
        for rule in found["violations"]
        for node in rule["nodes"][:3]
    ]
