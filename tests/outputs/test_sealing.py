"""Locking a text and a page: what opens it, what does not, and what it lets out."""

from __future__ import annotations

import json
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripplan.errors import SealError
from tripplan.outputs import sealing
from tripplan.outputs.passphrases import suggest_passphrase, weigh_passphrase
from tripplan.outputs.sealed_page import fresh_nonce, open_page, seal_page
from tripplan.outputs.sealing import ITERATIONS, Sealed, plain_passphrase, seal, unlock
from tripplan.outputs.wording import wording_for

PAGE = "<!DOCTYPE html><title>x</title><style>p{color:red}</style><p>the oak at 57.24152</p>"


@pytest.fixture(name="quick")
def a_thousand_rounds(monkeypatch):
    """A thousand rounds instead of all: the rounds themselves are tested elsewhere."""
    monkeypatch.setattr(sealing, "ITERATIONS", 1_000)


def test_rounds_are_those_of_the_source():
    assert ITERATIONS >= 600_000  # OWASP Password Storage Cheat Sheet, PBKDF2-HMAC-SHA-256
    assert json.loads(seal("x", "y").header)["iterations"] == ITERATIONS


@settings(max_examples=30, deadline=None)
@given(text=st.text(), passphrase=st.text(min_size=1), bound=st.text(alphabet="ab\n"))
def test_what_is_locked_opens_to_the_same_text(text, passphrase, bound):
    before, sealing.ITERATIONS = sealing.ITERATIONS, 1
    try:
        try:
            locked = seal(text.encode("utf-8", "ignore").decode(), passphrase, bound)
        except (SealError, UnicodeEncodeError):  # no passphrase that anyone could type
            return
        assert unlock(locked, passphrase, bound) == text.encode("utf-8", "ignore").decode()
    finally:
        sealing.ITERATIONS = before


@pytest.mark.usefixtures("quick")
def test_no_two_locked_texts_are_alike():
    one, two = seal("same", "same"), seal("same", "same")
    first, second = json.loads(one.header), json.loads(two.header)
    for key in ("salt", "iv", "check_iv", "check"):
        assert first[key] != second[key]
    assert first["iv"] != first["check_iv"]  # one key must never meet one nonce twice
    assert one.data != two.data


@pytest.mark.usefixtures("quick")
def test_a_wrong_passphrase_and_a_changed_file_are_told_apart():
    locked = seal("the oak", "bakomu ridase", "map library")
    with pytest.raises(SealError, match=r"^The passphrase does not open the file\.$"):
        unlock(locked, "bakomu ridasa", "map library")
    changed = Sealed(locked.header, ("A" if locked.data[0] != "A" else "B") + locked.data[1:])
    for file, bound in ((changed, "map library"), (locked, "map librarY")):
        with pytest.raises(SealError, match=r"^The file was changed or damaged after it was locked\.$"):
            unlock(file, "bakomu ridase", bound)


@pytest.mark.usefixtures("quick")
def test_every_byte_of_the_locked_file_is_bound():
    page = seal_page(PAGE, "bakomu", wording_for("en"), nonce="n", parts=("p{color:red}",))
    assert open_page(page, "bakomu") == PAGE
    for mark in ('id="sealed-header">', 'id="sealed-data">', 'data-part="0">'):
        start = page.index(mark) + len(mark)
        for at in range(start, page.index("</script>", start)):
            other = "A" if page[at] != "A" else "B"
            with pytest.raises(SealError):
                open_page(page[:at] + other + page[at + 1 :], "bakomu")


@pytest.mark.usefixtures("quick")
def test_a_page_that_is_not_locked_or_cut_off_is_said():
    with pytest.raises(SealError, match="not a locked page"):
        open_page(PAGE, "x")
    page = seal_page(PAGE, "bakomu", wording_for("en"), nonce="n")
    for length in (page.index('id="sealed-header">'), page.index('id="sealed-data">') + 30):
        with pytest.raises(SealError):
            open_page(page[:length], "bakomu")


@pytest.mark.usefixtures("quick")
def test_a_later_format_is_said():
    locked = seal("x", "y")
    with pytest.raises(SealError, match="unknown to this version: tripplan-sealed/2"):
        unlock(Sealed(locked.header.replace("sealed/1", "sealed/2"), locked.data), "y")


@pytest.mark.usefixtures("quick")
def test_parts_that_would_break_out_of_their_script_are_refused():
    for part in ("a</script>b", "a<!--b", "a\rb"):
        with pytest.raises(ValueError, match="cannot stand inside a script element"):
            seal_page(PAGE + part, "x", wording_for("en"), nonce="n", parts=(part,))


def test_policy_of_the_locked_page_names_its_scripts_and_no_host():
    nonce = fresh_nonce()
    page = seal_page(PAGE, "x", wording_for("de"), nonce=nonce)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1].replace("&#39;", "'")
    assert policy.startswith("default-src 'none'")
    assert f"'nonce-{nonce}'" in policy
    assert not re.search(r"https?:|unsafe-eval|\*|script-src[^;]*unsafe-inline", policy)
    assert nonce != fresh_nonce()


@pytest.mark.parametrize("text", ["", "   ", "\n"])
def test_an_empty_passphrase_is_refused(text):
    with pytest.raises(SealError, match="empty"):
        plain_passphrase(text)


def test_a_passphrase_that_no_phone_can_type_is_refused():
    for text in ("a\x00b", "a\x7fb", "a\ufeffb"):
        with pytest.raises(SealError, match="control character"):
            plain_passphrase(text)


@pytest.mark.parametrize(
    ("passphrase", "weak"),
    [("camera", True), ("Camera2026!", True), ("123456789012345", True), ("qwertyuiop", True),
     ("otter pine quarry lamp", False)],
)  # fmt: skip
def test_weak_passphrases_are_known(passphrase, weak):
    assert weigh_passphrase(passphrase).weak is weak


def test_suggestions_are_strong_and_never_alike():
    drawn = {suggest_passphrase() for _ in range(200)}
    assert len(drawn) == 200
    assert not any(weigh_passphrase(one).weak for one in list(drawn)[:20])


@pytest.mark.usefixtures("quick")
def test_a_very_long_passphrase_is_weighed_and_locks():
    long = "ridase bakomu " * 60
    assert not weigh_passphrase(long).weak or weigh_passphrase(long).guesses > 0
    assert unlock(seal("x", long), long) == "x"
