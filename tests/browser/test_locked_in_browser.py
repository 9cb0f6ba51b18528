"""Kits under a passphrase in a real browser, with the browser's own cipher and with it taken away."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
from base64 import b64decode
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from kit_trip import TODAY, KitCase, hand_case, hostile_case
from looking import PATIENCE_MS, axe_script, expect_no_wider, opened, settled, violations
from playwright.sync_api import expect

from tripplan.outputs import write_kit
from tripplan.outputs.plain_text import clean
from tripplan.outputs.sealed_page import has_stand_in
from tripplan.outputs.sealing import plain_passphrase

pytestmark = pytest.mark.browser

PASSPHRASE = "bakomu ridase caf\u00e9 pegabi"
NO_CIPHER = "Object.defineProperty(Crypto.prototype, 'subtle', { value: undefined });"
CIPHERS = pytest.mark.parametrize("first", ["", NO_CIPHER], ids=["own cipher", "stand-in"])
SIZES = pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 900)])
SCHEMES = pytest.mark.parametrize("scheme", ["light", "dark"])


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> tuple[KitCase, Path]:
    assert has_stand_in(), "the stand-in cipher is missing: run python .build/cipher/make.py"
    folder = tmp_path_factory.mktemp("locked")
    case = hand_case()
    write_kit(*case.arguments(), folder, today=TODAY, passphrase=PASSPHRASE)
    return case, folder


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[KitCase, Path]:
    folder = tmp_path_factory.mktemp("hostile-locked")
    case = hostile_case()
    write_kit(*case.arguments(), folder, today=TODAY, passphrase=PASSPHRASE)
    return case, folder


def type_in(page, passphrase=PASSPHRASE):
    page.fill("#sealed-passphrase", passphrase)
    page.click("#sealed-form button")


def unlock(page, passphrase=PASSPHRASE):
    type_in(page, passphrase)
    expect(page.locator(".has-map .live-map .live-mark").first).to_be_visible()


@CIPHERS
@SCHEMES
@SIZES
def test_the_right_passphrase_opens(locked, open_page, width, height, scheme, first):
    watched = open_page(locked[1] / "map.html", width=width, height=height, color_scheme=scheme, first=first)
    page = watched.page
    expect_no_wider(page, width)
    assert page.evaluate("typeof crypto.subtle") == ("undefined" if first else "object")
    unlock(page)
    expect_no_wider(page, width)
    expect(page.locator("h1")).to_have_text("Saturday 6 March 2027")
    for visit in locked[0].trip.visits:
        name = locked[0].fleet.sites_by_id[visit.site_id].name
        expect(page.locator("body")).to_contain_text(name, use_inner_text=True)
    settled(page)
    watched.require_quiet()


@CIPHERS
def test_spaces_and_accents_as_a_phone_sends_them_open_too(locked, open_page, first):
    page = open_page(locked[1] / "map.html", first=first).page
    unlock(page, " bakomu  ridase cafe\u0301 pegabi ")


@CIPHERS
def test_a_wrong_passphrase_says_so_and_shows_nothing(locked, open_page, first):
    watched = open_page(locked[1] / "map.html", first=first)
    page = watched.page
    type_in(page, "Bakomu ridase caf\u00e9 pegabi")
    expect(page.locator("#sealed-state.is-wrong")).to_contain_text("This passphrase does not open the file.")
    assert "Sheepfold" not in page.content()
    type_in(page, "  ")
    expect(page.locator("#sealed-state")).to_have_text("Type the passphrase first.")
    unlock(page)
    watched.require_quiet()


def change_data(text: str) -> str:
    """Change one sign in the middle of the ciphertext."""
    found = re.search(r'id="sealed-data">([^<]+)<', text)
    at = found.start(1) + len(found[1]) // 2
    return text[:at] + ("A" if text[at] != "A" else "B") + text[at + 1 :]


def change_part(text: str) -> str:
    """Slip code into the map library, which stands in the clear."""
    at = text.index('data-part="0">') + len('data-part="0">')
    return text[:at] + "alert(1);" + text[at:]


def change_nonce(text: str) -> str:
    """Change the nonce of the ciphertext, which the header names."""
    found = re.search(r'"iv":"(.)', text)
    return text[: found.start(1)] + ("A" if found[1] != "A" else "B") + text[found.end(1) :]


@CIPHERS
@pytest.mark.parametrize("change", [change_data, change_part, change_nonce])
def test_a_changed_file_is_refused(locked, open_page, tmp_path, first, change):
    text = (locked[1] / "map.html").read_text("utf-8")
    file = tmp_path / "map.html"
    file.write_text(change(text), "utf-8")
    watched = open_page(file, first=first)
    type_in(watched.page)
    expect(watched.page.locator("#sealed-state.is-wrong")).to_contain_text(
        "The passphrase fits, but the file was changed"
    )
    assert "Sheepfold" not in watched.page.content()
    watched.require_quiet()


def wait_until_stored(page, words):
    """Look into the browser's store, with the passphrase, until it holds these words."""
    page.evaluate("window.keptBefore = ''")
    key = None
    while True:
        page.wait_for_function(
            "() => JSON.stringify(Object.values(localStorage)) !== window.keptBefore", timeout=PATIENCE_MS
        )
        kept = page.evaluate("window.keptBefore = JSON.stringify(Object.values(localStorage))")
        for entry in map(json.loads, json.loads(kept)):
            salt, iv, data = (b64decode(entry[name]) for name in ("salt", "iv", "data"))
            if key is None:
                given = plain_passphrase(PASSPHRASE).encode("utf-8")
                key = hashlib.pbkdf2_hmac("sha256", given, salt, entry["iterations"])
            if words in AESGCM(key).decrypt(iv, data, None).decode("utf-8"):
                return


@CIPHERS
def test_what_is_ticked_is_kept_locked_and_goes_home(locked, open_page, tmp_path, first):
    watched = open_page(locked[1] / "map.html", first=first)
    page = watched.page
    unlock(page)
    page.locator("[data-tick]").first.check()
    record = opened(page, 1)
    record.locator("[data-as-planned]").click()
    record.locator("[data-field=notes]").fill("SECRET-NOTE by the oak")
    wait_until_stored(page, "SECRET-NOTE by the oak")  # what was typed last is on its way into the store
    kept = page.evaluate("JSON.stringify(Object.values(localStorage))")
    for secret in ("SECRET-NOTE", '"C1\\"', "running", "swapped", "visits"):
        assert secret not in kept
    page.reload()
    assert "SECRET-NOTE" not in page.content()
    unlock(page)
    expect(page.locator("[data-tick]").first).to_be_checked()
    expect(opened(page, 1).locator("[data-field=notes]")).to_have_value("SECRET-NOTE by the oak")
    with page.expect_download() as download:
        page.click("[data-save=json]")
    results = json.loads(Path(download.value.path()).read_text("utf-8"))
    assert results["format"] == "tripplan-results/1"
    assert [visit["notes"] for visit in results["visits"]] == ["SECRET-NOTE by the oak"]
    # The kit written anew has another salt; the same passphrase still finds what was ticked.
    write_kit(*locked[0].arguments(), tmp_path, today=TODAY, passphrase=PASSPHRASE)
    (locked[1] / "map.html").replace(tmp_path / "first.html")
    (tmp_path / "map.html").replace(locked[1] / "map.html")
    page.reload()
    unlock(page)
    expect(opened(page, 1).locator("[data-field=notes]")).to_have_value("SECRET-NOTE by the oak")
    watched.require_quiet()


def test_where_storing_is_barred_the_opened_page_says_so(locked, open_page):
    barred = "Object.defineProperty(window, 'localStorage', { get() { throw new Error('barred'); } });"
    page = open_page(locked[1] / "map.html", first=barred).page
    unlock(page)
    expect(page.locator("[data-kept].caution")).to_have_count(1)


@CIPHERS
@pytest.mark.parametrize("name", ["map.html", "checklist.html"])
def test_hostile_text_runs_nothing_after_opening(hostile, open_page, name, first):
    case, folder = hostile
    watched = open_page(folder / name, first=first)
    page = watched.page
    type_in(page)
    expect(page.locator("main .tag").first).to_be_visible()
    if name == "map.html":
        expect(page.locator(".has-map .live-mark").first).to_be_visible()
        for mark in page.locator(".live-mark:not(.off)").all():
            mark.click(force=True)
    settled(page)
    shown = " ".join(page.evaluate("document.body.textContent").split())
    for visit in case.trip.visits:
        assert clean(case.fleet.sites_by_id[visit.site_id].name) in shown
    expect(page.locator("img")).to_have_count(0)
    watched.require_quiet()


def test_the_opened_page_still_runs_no_script_but_its_own(locked, open_page):
    watched = open_page(locked[1] / "map.html")
    page = watched.page
    unlock(page)
    page.evaluate(
        "const s = document.createElement('script'); s.textContent = 'window.slipped = 1'; document.body.append(s);"
    )
    settled(page)
    assert page.evaluate("window.slipped") is None
    assert any("Content Security Policy" in line for line in watched.trouble)


@CIPHERS
def test_the_checklist_opens_and_prints(locked, open_page, tmp_path, first):
    watched = open_page(locked[1] / "checklist.html", width=1280, height=900, first=first)
    page = watched.page
    type_in(page)
    expect(page.locator("table.sites").first).to_be_visible()
    target = tmp_path / "sheet.pdf"
    page.pdf(path=str(target), format="A4")
    text = subprocess.run(["pdftotext", str(target), "-"], check=True, capture_output=True, text=True).stdout
    for visit in locked[0].trip.visits:
        assert locked[0].fleet.sites_by_id[visit.site_id].name in text
    watched.require_quiet()


def test_without_scripts_one_sentence_says_what_it_is(locked, open_page):
    watched = open_page(locked[1] / "map.html", java_script_enabled=False)
    page = watched.page
    shown = page.locator("main")
    expect(shown).to_contain_text(re.compile("^Locked page"), use_inner_text=True)
    expect(shown).to_contain_text("This file is encrypted: it holds", use_inner_text=True)
    expect(page.locator("#sealed-form")).to_be_hidden()
    watched.require_quiet()


def test_without_any_cipher_it_says_what_to_do(locked, open_page, tmp_path):
    text = (locked[1] / "map.html").read_text("utf-8")
    bare = re.sub(r"<script>/\* made by .build/cipher.*?</script>", "", text, count=1, flags=re.DOTALL)
    assert len(bare) < len(text) - 10_000
    file = tmp_path / "map.html"
    file.write_text(bare, "utf-8")
    page = open_page(file, first=NO_CIPHER).page
    expect(page.locator("#sealed-state")).to_contain_text("This browser gives a file no cipher of its own")
    expect(page.locator("#sealed-form")).to_be_hidden()
    # With the browser's own cipher it opens also where the installation lacked the stand-in.
    own = open_page(file)
    unlock(own.page)
    own.require_quiet()


@SCHEMES
def test_no_violation_before_at_a_refusal_and_after(locked, open_page, scheme):
    page = open_page(locked[1] / "map.html", color_scheme=scheme).page
    page.locator("summary").click()
    expect(page.locator("details[open]")).to_have_count(1)
    assert violations(page, axe_script()) == []
    type_in(page, "wrong")
    expect(page.locator("#sealed-state.is-wrong")).to_be_visible()
    expect(page.locator("#sealed-form button")).to_be_enabled()
    assert violations(page, axe_script()) == []
    small = page.evaluate(
        "[...document.querySelectorAll('button, input, summary')].map(e => e.getBoundingClientRect())"
        ".filter(r => r.width < 44 || r.height < 44).length"
    )
    assert small == 0
    unlock(page)
    assert violations(page, axe_script()) == []
