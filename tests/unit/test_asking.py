"""Questions at a terminal: what is shown, what is taken, and what is said where none answers."""

from __future__ import annotations

import io

import pytest

from pointsman.asking import Asking, Usual
from pointsman.errors import UsageError


def asking(*typed: str) -> tuple[Asking, io.StringIO]:
    out = io.StringIO()
    return Asking(io.StringIO("".join(f"{line}\n" for line in typed)), out), out


def test_an_answer_is_taken_without_the_blanks_around_it() -> None:
    ask, out = asking("  Quay Keys  ")
    assert ask.line("Input") == "Quay Keys"
    assert out.getvalue() == "Input: "


def test_enter_alone_takes_what_is_offered() -> None:
    ask, out = asking("")
    assert ask.line("Channel", "5") == "5"
    assert out.getvalue() == "Channel [5]: "


def test_where_no_answer_comes_the_option_is_named() -> None:
    ask, _ = asking()
    with pytest.raises(UsageError, match="no answer to 'Channel'; give it with --channel"):
        ask.line("Channel", "5", option="--channel")


def test_a_wrong_answer_is_said_to_be_so_and_asked_again() -> None:
    ask, out = asking("perhaps", "YES")
    assert ask.yes("Does it sound?", False) is True
    assert out.getvalue().count("answer y or n") == 1


@pytest.mark.parametrize("typed", ["0", "3", "-1", "gull", "²"])
def test_a_choice_is_one_of_those_listed(typed: str) -> None:
    ask, out = asking(typed, "2")
    assert ask.choice("Which", ["Tug", "Gull"]) == 2
    assert "answer with a number from 1 to 2" in out.getvalue()
    assert "   1  Tug\n   2  Gull\n" in out.getvalue()


def test_a_choice_without_a_default_wants_an_answer() -> None:
    ask, out = asking("", "1")
    assert ask.choice("Which", ["Tug"], 0) == 1
    assert "answer with a number" in out.getvalue()


def test_a_script_gets_what_enter_alone_would_say_and_is_never_asked() -> None:
    out = io.StringIO()
    ask = Usual(out)
    assert ask.line("Channel", "5") == "5"
    assert ask.yes("Another?", False) is False
    assert ask.choice("Which", ["Tug", "Gull"], 2) == 2
    assert "Channel" not in out.getvalue()


def test_a_script_that_must_say_more_is_told_the_option() -> None:
    ask = Usual(io.StringIO())
    with pytest.raises(UsageError, match="'Port' has no usual answer; give it with --port"):
        ask.line("Port", option="--port")
    with pytest.raises(UsageError, match=r"Which: answer with a number .*; give another with --to"):
        ask.choice("Which", ["Tug"], 3, option="--to")
