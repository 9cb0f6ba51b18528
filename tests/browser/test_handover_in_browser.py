"""A handover in a real browser: locked and opened, on phone and desktop, without scripts, on paper."""

from __future__ import annotations

import subprocess

import pytest
from kit_trip import TODAY, hand_case, hostile_case
from looking import axe_script, expect_no_wider, settled, violations
from playwright.sync_api import expect

from tripplan.outputs.handover_page import render_handover, sheet_parts
from tripplan.outputs.handover_view import build_handover
from tripplan.outputs.sealed_page import fresh_nonce, seal_page
from tripplan.outputs.wording import wording_for

pytestmark = pytest.mark.browser

PASSPHRASE = "bakomu ridase tulivo pegabi"
NO_CIPHER = "Object.defineProperty(Crypto.prototype, 'subtle', { value: undefined });"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("handover")
    for name, case, whole in (
        ("fleet", hand_case(), True),
        ("span", hand_case(), False),
        ("hostile", hostile_case(), True),
    ):
        wording = wording_for("en")
        hand = build_handover(
            case.fleet, case.outlook, case.travel, case.plan, span=(TODAY, case.plan.to), whole=whole,
            private=True, today=TODAY, wording=wording,
        )  # fmt: skip
        page = render_handover(hand, wording)
        (folder / f"{name}.html").write_text(page, "utf-8")
        locked = seal_page(page, PASSPHRASE, wording, nonce=fresh_nonce(), parts=sheet_parts())
        (folder / f"{name}-locked.html").write_text(locked, "utf-8")
    return folder


def unlock(page):
    page.fill("#sealed-passphrase", PASSPHRASE)
    page.click("#sealed-form button")
    expect(page.locator("#trips")).to_be_visible()


@pytest.mark.parametrize("first", ["", NO_CIPHER], ids=["own cipher", "stand-in"])
@pytest.mark.parametrize("name", ["fleet", "span", "hostile"])
def test_a_locked_handover_opens_quietly_and_fits(pages, open_page, name, first):
    watched = open_page(pages / f"{name}-locked.html", first=first)
    assert "Sheepfold" not in watched.page.content()
    unlock(watched.page)
    expect_no_wider(watched.page, 390)
    expect(watched.page.locator("img")).to_have_count(0)
    if name != "hostile":
        expect(watched.page.locator("body")).to_contain_text("Sheepfold")
    settled(watched.page)
    watched.require_quiet()


def test_it_prints_after_opening(pages, open_page, tmp_path):
    page = open_page(pages / "fleet-locked.html").page
    unlock(page)
    page.pdf(path=str(tmp_path / "sheet.pdf"), format="A4")
    text = subprocess.run(
        ["pdftotext", str(tmp_path / "sheet.pdf"), "-"], check=True, capture_output=True, text=True
    ).stdout
    for site in hand_case().fleet.sites:
        assert site.name in text


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 900)])
def test_no_violation_and_complete_without_scripts(pages, open_page, width, height, scheme):
    page = open_page(pages / "fleet.html", width=width, height=height, color_scheme=scheme).page
    expect_no_wider(page, width)
    assert violations(page, axe_script()) == []
    bare = open_page(pages / "fleet.html", java_script_enabled=False)
    expect(bare.page.locator("body")).to_contain_text("SECRET-PLACE", use_inner_text=True)
    bare.require_quiet()
