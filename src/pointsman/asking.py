"""Questions to the person at the terminal: one line each, with what Enter alone would say.

A script may answer through a pipe. Where no answer comes the command ends, and says which option
would have given it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TextIO, TypeVar

from pointsman.errors import UsageError
from pointsman.folding import folded

AnswerT = TypeVar("AnswerT")


class Answers(Protocol):
    """What answers are read from: a text stream, or what reads one in a way of its own."""

    def readline(self) -> str:
        """The next line with its end; empty when there is none any more."""


class Asking:
    """Asks on one stream and reads the answers, a line each, from another."""

    def __init__(self, answers: Answers, out: TextIO) -> None:
        self._answers = answers
        self._out = out

    def say(self, text: str) -> None:
        """Print a line."""
        print(text, file=self._out, flush=True)

    def prose(self, text: str) -> None:
        """Print sentences, folded to the width of the terminal."""
        self.say(folded(text))

    def line(self, question: str, default: str = "", *, option: str = "") -> str:
        """One line as it was typed, without blanks around it; `default` for an empty one.

        Raises `UsageError` where the answers have come to an end; it names `option`, with which
        the answer could have been given.
        """
        shown = f" [{default}]" if default else ""
        self._out.write(f"{question}{shown}: ")
        self._out.flush()
        typed = self._answers.readline()
        if not typed:
            self._out.write("\n")
            hint = f"give it with {option}" if option else "answer it at a terminal"
            raise UsageError(f"no answer to '{question}'; {hint}")
        return typed.strip() or default

    def until_right(
        self,
        question: str,
        read: Callable[[str], AnswerT],
        default: str = "",
        *,
        option: str = "",
    ) -> AnswerT:
        """Ask until `read` takes the answer; what it raises as `ValueError` is said before."""
        while True:
            try:
                return read(self.line(question, default, option=option))
            except ValueError as error:
                self._refuse(question, error, option)

    def _refuse(self, question: str, error: ValueError, option: str) -> None:
        self.say(f"  {error}")

    def yes(self, question: str, default: bool, *, option: str = "") -> bool:
        """Whether the answer is yes."""

        def read(text: str) -> bool:
            if text.lower() in ("y", "yes"):
                return True
            if text.lower() in ("n", "no"):
                return False
            raise ValueError("answer y or n")

        return self.until_right(f"{question} (y/n)", read, "y" if default else "n", option=option)

    def choice(
        self, question: str, choices: Sequence[str], default: int = 1, *, option: str = ""
    ) -> int:
        """Which of the choices, from 1; they are listed first. 0 as `default`: there is none."""
        self.listed(choices)

        def read(text: str) -> int:
            if text.isdecimal() and 1 <= int(text) <= len(choices):
                return int(text)
            raise ValueError(f"answer with a number from 1 to {len(choices)}")

        return self.until_right(question, read, str(default) if default else "", option=option)

    def listed(self, choices: Sequence[str]) -> None:
        """List choices, numbered from 1."""
        for number, text in enumerate(choices, 1):
            self.say(f"  {number:2}  {text}")


class Usual(Asking):
    """Asks nobody: every answer is what Enter alone would have said, for scripts."""

    def __init__(self, out: TextIO) -> None:
        super().__init__(out, out)

    def line(self, question: str, default: str = "", *, option: str = "") -> str:
        """What is offered. UsageError where nothing is; it names the option that says it."""
        if not default:
            raise UsageError(f"'{question}' has no usual answer; give it with {option}")
        return default

    def _refuse(self, question: str, error: ValueError, option: str) -> None:
        raise UsageError(f"{question}: {error}; give another with {option}") from None
