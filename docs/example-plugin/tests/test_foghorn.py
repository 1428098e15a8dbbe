"""foghorn's own tests: they need pointsman and pytest, and nothing else."""

from __future__ import annotations

import pytest
from pointsman_foghorn import Foghorn

from pointsman.testing import ChainTest, log

NOTE = b"\x90\x3c\x64"


def test_a_note_is_answered_an_octave_below_and_fades() -> None:
    chain = ChainTest((Foghorn, {"after": "200ms"}))
    chain.feed(0.0, NOTE)
    chain.feed(0.1, "80 3C 40")
    chain.advance(2.0)
    assert chain.sent == log("""
        0     90 3C 64
        0.1   80 3C 40
        0.2   90 30 3C
        0.25  80 30 40
        0.4   90 30 24
        0.45  80 30 40
    """)


def test_answers_in_note_values_come_just_before_their_clock() -> None:
    chain = ChainTest((Foghorn, {"after": "1/16", "answers": 1}))
    for number in range(3):
        chain.feed(number * 0.03, "clock")
    chain.feed(0.065, NOTE)
    for number in range(3, 9):
        chain.feed(number * 0.03, "clock")
    sent = [event for event in chain.sent if event[1] != "F8"]
    assert sent == log("""
        0.065  90 3C 64
        0.24   90 30 3C
    """)
    assert chain.sent[-2:] == log("""
        0.24  90 30 3C
        0.24  F8
    """)


def test_an_end_in_the_middle_of_an_answer_leaves_nothing_sounding() -> None:
    chain = ChainTest((Foghorn, {"after": "200ms", "length": "2s"}))
    chain.feed(0.0, NOTE, "80 3C 40")
    chain.close(0.3)
    assert chain.sent[-2:] == log("""
        0.2  90 30 3C
        0.3  80 30 40
    """)


def test_answers_below_the_lowest_note_are_left_out() -> None:
    chain = ChainTest((Foghorn, {"after": "200ms"}))
    chain.feed(0.0, "90 05 64")
    chain.advance(2.0)
    assert chain.sent == log("0 90 05 64")


def test_a_wrong_option_is_refused() -> None:
    with pytest.raises(ValueError, match="after: 'soon' is no duration"):
        ChainTest((Foghorn, {"after": "soon"}))
