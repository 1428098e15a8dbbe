"""The errors that Pointsman raises, all below one root, each with text a player can act on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

PLUGIN_ERRORS = (Exception, SystemExit)
"""What a plugin may raise without harm to the rest; one that asks to exit has no right to."""


class PointsmanError(Exception):
    """The root of every error that Pointsman raises on purpose."""


def one_line(text: str) -> str:
    """The text with line breaks, and whatever else moves a terminal's cursor, made visible."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class Problem(NamedTuple):
    """One fault in a file, where a person has to mend it; lines and columns count from 1."""

    path: str
    line: int
    column: int
    where: str
    what: str

    def __str__(self) -> str:
        where = f"{self.where}: " if self.where else ""
        return one_line(f"{self.path}:{self.line}:{self.column}: {where}{self.what}")


def warning(problem: Problem) -> str:
    """A line for what is allowed and yet seldom meant: as that of a fault, and marked."""
    where = f"{problem.where}: " if problem.where else ""
    return f"{problem.path}:{problem.line}:{problem.column}: warning: {where}{problem.what}"


class RigError(PointsmanError):
    """A rig, or a device file that it names, is wrong; `problems` holds every fault found."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class UsageError(PointsmanError):
    """A command was asked for something that cannot be, such as an output that is not there."""


class PluginError(PointsmanError):
    """A plugin could not be loaded or set up."""


class InputFileError(PointsmanError):
    """A `.mid` or `.tsv` file is broken; the text is one line that says where and what."""


class MessageTextError(PointsmanError):
    """A message written by hand (hex or words) could not be read."""


class DrawingError(PointsmanError):
    """A report or a picture could not be written."""


class PortError(PointsmanError):
    """A port could not be opened or used."""


class PortLookupError(PortError):
    """A port is missing, or several match its name; `candidates` lists what is there."""

    def __init__(self, text: str, candidates: Sequence[str] = ()) -> None:
        self.candidates = tuple(candidates)
        super().__init__(text)


def said(error: Exception) -> str:
    """Any error in one line: those of ports speak for themselves, others with their kind."""
    text = " ".join(str(error).split())
    return text if isinstance(error, PortError) else f"{type(error).__name__}: {text}"
