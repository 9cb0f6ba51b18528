"""The season's page in a real browser: phone and desktop, light and dark, without scripts."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from kit_trip import hand_case, hostile_case
from looking import axe_script, expect_no_wider, settled, violations
from playwright.sync_api import expect

sys.path.append(str(Path(__file__).parents[1] / "outputs"))
from test_season_page import page_of

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season")
    for name, case in (("plain", hand_case()), ("hostile", hostile_case())):
        (folder / f"{name}.html").write_text(page_of(case)[1], "utf-8")
    return folder


@pytest.mark.parametrize("name", ["plain", "hostile"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 900)])
def test_it_opens_quietly_fits_and_has_no_violation(pages, open_page, name, width, height, scheme):
    watched = open_page(pages / f"{name}.html", width=width, height=height, color_scheme=scheme)
    page = watched.page
    expect_no_wider(page, width)
    settled(page)
    watched.require_quiet()
    assert violations(page, axe_script()) == []


def test_it_is_complete_without_scripts(pages, open_page):
    watched = open_page(pages / "plain.html", java_script_enabled=False)
    for site in hand_case().fleet.sites:
        expect(watched.page.locator("body")).to_contain_text(site.name, use_inner_text=True)
    watched.require_quiet()
