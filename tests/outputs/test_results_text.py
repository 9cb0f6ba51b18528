"""The short text of results: read back after what happens to messages, refused with a sentence where it cannot be."""

from __future__ import annotations

import random
import textwrap

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from results_writer import FIELDS, framed, results_text

from tripplan.outputs.results_text import looks_like_results_text, read_results_text


def visit(site_id, **values):
    return {"site_id": site_id, **dict.fromkeys(FIELDS), **values}


RESULTS = {
    "format": "tripplan-results/1",
    "trip_id": "2027-03-06-A",
    "by": "Ruth O'Neill",
    "visits": [
        visit(
            "C1", when="2027-03-06T08:31:00+00:00", found="running", done="swapped", pack_out="B01", volts_out=11.9,
            pack_in="B10", volts_in=12.8, minutes=15.0, notes='lens "clean"; 100% = fine -- so far...',
        ),
        visit("C2", when="2027-03-06T09:05:00+00:00", found="not reached", notes="gate locked 1/2 h :) \u00fcber"),
        visit("C3 north", when="2027-03-06T10:05:00+00:00", found="dark", cause="cord", done="repaired"),
    ],
}  # fmt: skip
TEXT = results_text(RESULTS)


def test_results_are_read_whole():
    assert read_results_text(TEXT) == RESULTS


def test_the_text_holds_only_signs_that_every_network_carries():
    assert set(TEXT) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789 \n%=;:#.,+-_")


def prettied(text):
    """What a phone that means well does to text: curly quotes, long dashes, ellipses, fractions, faces."""
    for plain, pretty in (
        ("...", "\u2026"), ("--", "\u2014"), (" - ", " \u2013 "), ('"', "\u201d"), ("'", "\u2019"),
        ("1/2", "\u00bd"), (":)", "\U0001f642"), ("(c)", "\u00a9"), ("  ", " "), ("<<", "\u00ab"),
    ):  # fmt: skip
        text = text.replace(plain, pretty)
    return text


def cut(text, length, mark):
    pieces = textwrap.wrap(text, length, break_on_hyphens=False)
    return [mark.format(k=k, n=len(pieces)) + piece for k, piece in enumerate(pieces, 1)]


@pytest.mark.parametrize("width", [1, 7, 23, 70, 160])
def test_lines_wrapped_anywhere_do_no_harm(width):
    broken = "\r\n".join(TEXT[k : k + width] for k in range(0, len(TEXT), width))
    assert read_results_text(f"Hello, all done!\n{broken}\nSent from a phone") == RESULTS


@pytest.mark.parametrize(
    "change",
    [
        prettied,
        lambda text: "".join(text.split()),
        lambda text: text.replace(" ", "\u00a0").replace("\n", "\u2028"),
        lambda text: text.replace("; ", ";\u200b\u00ad"),
        lambda text: text.replace("tripplan", "Tripplan"),
        lambda text: "\n".join(f">> {line}" for line in textwrap.wrap(text, 60)),
        lambda text: text + "\n" + text,
        lambda text: "\n\n".join(reversed(text.split("\n"))),
        lambda text: "\n[06.03.27, 14:31] Ruth: ".join(["", *text.split("\n")]),
    ],
    ids=["prettied", "no white space", "hard spaces", "unseen signs", "capital", "quoted", "twice", "turned", "chat"],
)  # fmt: skip
def test_what_messages_do_to_text_does_no_harm(change):
    assert read_results_text(change(TEXT)) == RESULTS


@pytest.mark.parametrize("mark", ["({k}/{n}) ", "[{k}/{n}] ", "{k}/{n} "])
@pytest.mark.parametrize("turned", [False, True])
def test_a_message_cut_in_marked_pieces_is_put_together(mark, turned):
    pieces = cut(TEXT, 90, mark)
    assert len(pieces) > 4
    if turned:
        random.Random(7).shuffle(pieces)
    assert read_results_text("\n".join(pieces)) == RESULTS


def test_unmarked_pieces_in_order_are_read():
    assert read_results_text("\n\n".join(cut(TEXT, 153, ""))) == RESULTS


LINES = TEXT.split("\n")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("nothing here", "the text holds no results (no part in it begins with 'tripplan 1of...')"),
        (TEXT[:-30], "part 4 of 4 is missing or cut off; paste all parts together, or have the text sent again"),
        (
            "\n".join((LINES[0], LINES[2])),
            "parts 2, 4 of 4 are missing or cut off; paste all parts together, or have the text sent again",
        ),
        (
            TEXT.replace("volts_in=12.8", "volts_in=12.3"),
            "part 2 of 4 was altered on the way (its check sum does not fit); have the text sent again",
        ),
        (
            TEXT.replace("found=", "fund="),
            "parts 2, 3, 4 of 4 were altered on the way (its check sum does not fit); have the text sent again",
        ),
        (
            TEXT + "\n" + results_text(RESULTS | {"by": "Ada"}),
            "the text holds parts of 2 sendings",
        ),
        (framed(["trip=T;", "site=C1;colour=red;"]), "'colour' is no field of results; have the text sent again"),
        (framed(["trip=T;", "site=C1;volts_in=much;"]), "volts_in must be a number (found 'much')"),
        (framed(["trip=T;found=dark;"]), "'found' is no field of results; have the text sent again"),
        (framed(["trip=T;", "by=Ada;"]), "the text holds 0 visits in 2 parts; have it sent again"),
    ],
)  # fmt: skip
def test_what_cannot_be_trusted_is_refused_with_a_sentence(text, message):
    with pytest.raises(ValueError, match=r"\w") as caught:
        read_results_text(text)
    assert str(caught.value).startswith(message)


def test_parts_of_two_sendings_with_one_mark_do_not_mix():
    one, two = framed(["trip=T;", "site=C1;"]), framed(["trip=T;", "site=C2;"])
    mark = one.split("=")[1][:4]
    mixed = one.split("\n")[0] + "\n" + two.split("\n")[1].replace(two.split("=")[1][:4], mark)
    with pytest.raises(ValueError, match="the parts do not belong together"):
        read_results_text(mixed)


def test_other_messages_are_not_taken_for_results():
    assert not looks_like_results_text("see you at 8; trip=fun; tripplan is slow")
    assert looks_like_results_text(TEXT)
    assert looks_like_results_text(LINES[1])


TEXTS = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=40).map(
    lambda text: " ".join(text.split())
)


@given(site=TEXTS.filter(bool), notes=TEXTS, by=TEXTS, width=st.integers(1, 50), seed=st.integers(0, 9))
@settings(max_examples=150, deadline=None)
def test_any_text_comes_home_as_it_was_typed(site, notes, by, width, seed):
    results = RESULTS | {"by": by, "visits": [visit(site, found="dark", notes=notes or None), visit("x")]}
    text = results_text(results)
    lines = text.split("\n")
    random.Random(seed).shuffle(lines)
    packed = "".join("".join(lines).split(" "))
    wrapped = "\n".join(packed[k : k + width] for k in range(0, len(packed), width))
    assert read_results_text(wrapped) == results


@given(st.text(max_size=200), st.integers(0, 400))
@settings(max_examples=150, deadline=None)
def test_any_damage_is_noticed_or_harmless(junk, at):
    damaged = TEXT[:at] + junk + TEXT[at + len(junk) :]
    try:
        got = read_results_text(damaged)
    except ValueError:
        return  # noticed
    assert got == RESULTS
