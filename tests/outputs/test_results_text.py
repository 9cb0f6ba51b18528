"""The short text of results: read back, and refused with a sentence where it cannot be trusted."""

from __future__ import annotations

import zlib

import pytest

from tripplan.outputs.results_text import looks_like_results_text, read_results_text


def made(*lines: str, visits: int = 1) -> str:
    body = "\n".join(("tripplan-results=1; trip=2027-03-06-A; by=Ruth;", *lines))
    packed = "".join(body.split())
    return f"{body}\nvisits={visits}; sum={zlib.crc32(packed.encode()):08x};"


VISIT = (
    "site=C1; when=2027-03-06T08:31:00+00:00; found=running; done=swapped; pack_out=B01; volts_out=11.9; "
    "pack_in=B10; volts_in=12.8; minutes=15; notes=lens clean%3B 100%25 %3D fine;"
)


def test_a_visit_is_read_whole():
    assert read_results_text(made(VISIT)) == {
        "format": "tripplan-results/1",
        "trip_id": "2027-03-06-A",
        "by": "Ruth",
        "visits": [
            {
                "site_id": "C1",
                "when": "2027-03-06T08:31:00+00:00",
                "found": "running",
                "cause": None,
                "done": "swapped",
                "pack_out": "B01",
                "volts_out": 11.9,
                "pack_in": "B10",
                "volts_in": 12.8,
                "minutes": 15.0,
                "notes": "lens clean; 100% = fine",
            }
        ],
    }


@pytest.mark.parametrize("width", [10, 40, 160])
def test_line_breaks_and_words_around_it_do_no_harm(width):
    text = made(VISIT)
    words = text.split(" ")
    broken = "\r\n".join(" ".join(words[k : k + width // 10]) for k in range(0, len(words), width // 10))
    assert read_results_text(f"Hello, all done!\n{broken}\nSent from a phone") == read_results_text(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("nothing here", "the text holds no results (it does not begin with 'tripplan-results=1;')"),
        (made(VISIT)[:-30], "the text is cut off before its end ('sum=...;'); have it sent again"),
        (
            made(VISIT).replace("volts_in=12.8", "volts_in=12.3"),
            "the text was altered on the way (its check sum does not fit); have it sent again",
        ),
        (made(VISIT, visits=2), "the text holds 1 visits and says 2; have it sent again"),
        (made("site=C1; colour=red;"), "'colour' is no field of results; have the text sent again"),
        (made("site=C1; volts_in=much;"), "volts_in must be a number (found 'much')"),
        (made("found=dark;", visits=0), "'found' is no field of results; have the text sent again"),
    ],
)
def test_what_cannot_be_trusted_is_refused_with_a_sentence(text, message):
    with pytest.raises(ValueError) as caught:
        read_results_text(text)
    assert str(caught.value) == message


def test_other_messages_are_not_taken_for_results():
    assert not looks_like_results_text("see you at 8; trip=fun")
