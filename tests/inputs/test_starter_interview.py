"""Questions: given beforehand, asked, remembered, missing."""

from __future__ import annotations

import pytest

from tripplan.errors import InputError
from tripplan.inputs.interview import (
    Interview,
    Question,
    parse_days,
    parse_in_range,
    parse_latitude,
    parse_longitude,
    parse_text,
)

VOLTS = Question("volts", "How many volts?")
KIND = Question("kind", "Which kind?", ("Red one", "blue"), "blue")


class Typist:
    """Types the answers in order and keeps what it was asked."""

    def __init__(self, *typed: str) -> None:
        self.typed = list(typed)
        self.asked: list[Question] = []

    def __call__(self, question: Question) -> str:
        self.asked.append(question)
        return self.typed.pop(0)


def test_an_answer_given_beforehand_is_not_asked():
    typist = Typist()
    interview = Interview(given={"volts": " 12,0 "}, ask=typist)
    assert interview.get(VOLTS, parse_in_range(1, 60, "volts")) == 12.0
    assert typist.asked == []
    assert interview.answers == {"volts": "12,0"}


def test_return_takes_the_default():
    interview = Interview(ask=Typist(""))
    assert interview.get(KIND, parse_text) == "blue"


def test_a_choice_is_understood_in_any_case():
    interview = Interview(ask=Typist("RED ONE"))
    assert interview.get(KIND, parse_text) == "Red one"
    assert interview.answers == {"kind": "Red one"}


def test_choices_that_differ_in_case_only_must_be_typed_exactly():
    question = Question("kind", "Which kind?", ("A", "a"))
    interview = Interview(ask=Typist("a"))
    assert interview.get(question, parse_text) == "a"


def test_what_does_not_do_is_asked_again_with_the_reason():
    typist = Typist("12 V", "", "12")
    interview = Interview(ask=typist)
    assert interview.get(VOLTS, parse_in_range(1, 60, "volts")) == 12.0
    assert [question.text for question in typist.asked] == [
        "How many volts?",
        "'12 V': volts must be one number. Once more.\nHow many volts?",
        "an answer is needed. Once more.\nHow many volts?",
    ]
    assert interview.faults == []


def test_after_three_tries_it_ends():
    interview = Interview(ask=Typist("a", "b", "99"))
    with pytest.raises(InputError) as caught:
        interview.get(VOLTS, parse_in_range(1, 60, "volts"))
    assert str(caught.value) == "answer volts: volts must lie between 1 and 60 (found '99'). How many volts?"


def test_without_a_terminal_everything_missing_is_named_at_once():
    interview = Interview()
    assert interview.get(VOLTS, parse_in_range(1, 60, "volts")) is None
    assert interview.get(Question("side", "Which side?", ("left", "right")), parse_text) is None
    assert interview.get(KIND, parse_text) == "blue"
    with pytest.raises(InputError) as caught:
        interview.raise_faults()
    assert str(caught.value).splitlines() == [
        "--answer volts: this answer is missing. How many volts?",
        "--answer side: this answer is missing. Which side? (left / right)",
    ]


def test_a_bad_answer_given_beforehand_is_a_fault_and_not_asked():
    typist = Typist()
    interview = Interview(given={"kind": "green", "volts": ""}, ask=typist)
    interview.get(KIND, parse_text)
    interview.get(VOLTS, parse_in_range(1, 60, "volts"))
    assert [str(fault) for fault in interview.faults] == [
        "--answer kind: choose one of Red one, blue (found 'green'). Which kind?",
        "--answer volts: an answer is needed (found ''). How many volts?",
    ]
    assert typist.asked == []


def test_remembered_answers_are_defaults_and_stand_in_where_nobody_can_be_asked():
    assert Interview(remembered={"volts": "6"}).get(VOLTS, parse_in_range(1, 60, "volts")) == 6.0
    typist = Typist("")
    interview = Interview(remembered={"kind": "red one"}, ask=typist)
    assert interview.get(KIND, parse_text) == "Red one"
    assert typist.asked[0].default == "Red one"


def test_a_remembered_choice_that_is_gone_falls_back_to_the_default():
    assert Interview(remembered={"kind": "green"}).get(KIND, parse_text) == "blue"


def test_unknown_answers_are_named():
    interview = Interview(given={"colour": "red"})
    interview.refuse_unknown(("volts", "kind"))
    assert [str(fault) for fault in interview.faults] == [
        "--answer colour: there is no such question (found 'red'). The questions are volts, kind."
    ]


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("sat sun", ("sat", "sun")),
        ("Saturdays and Sundays", ("sat", "sun")),
        ("on Sundays, wed", ("wed", "sun")),
        ("sun;SAT", ("sat", "sun")),
        ("weekends", ("sat", "sun")),
        ("any day", ("mon", "tue", "wed", "thu", "fri", "sat", "sun")),
        ("mon-wed", ("mon", "tue", "wed")),
        ("sat sat", ("sat",)),
    ],
)
def test_days_in_plain_words(text, days):
    assert parse_days(text) == days


@pytest.mark.parametrize("text", ["someday", "s", "and", "7", "sat & tomorrow"])
def test_no_days(text):
    with pytest.raises(ValueError, match=r"day"):
        parse_days(text)


def test_a_place_is_read_in_the_usual_notations():
    assert parse_latitude("57.25") == 57.25
    assert parse_latitude("57,25") == 57.25
    assert parse_latitude("33°06'S") == pytest.approx(-33.1)
    assert parse_longitude("W 4.05") == -4.05


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (parse_latitude, "147.2"),
        (parse_latitude, "4.05 W"),
        (parse_latitude, "57.25, -4.05"),
        (parse_longitude, "181"),
        (parse_longitude, "nan"),
        (parse_longitude, "Tarvel Bridge"),
    ],
)
def test_no_place(parse, text):
    with pytest.raises(ValueError, match=r"."):
        parse(text)


def test_a_number_must_be_finite_and_in_range():
    parse = parse_in_range(1, 60, "volts")
    for text in ("nan", "inf", "0.5", "61", "", "1 2"):
        with pytest.raises(ValueError, match="volts must"):
            parse(text)
