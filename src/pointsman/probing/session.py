"""What both commands do around their probe: caution first, ports, signals, the exit code."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from typing import TextIO

from pointsman.asking import Asking
from pointsman.errors import PointsmanError
from pointsman.folding import folded
from pointsman.probing.target import Target
from pointsman.probing.typed import TypedLines
from pointsman.signals import ENDING, Told, taken, told_by
from pointsman.units import parse_note

CAUTION = (
    "Turn speakers and headphones down, and take headphones off: a synth can be far louder than "
    "you expect. Bring the volume up slowly while it plays."
)
STOPPING = (*ENDING, signal.SIGQUIT, signal.SIGTSTP)
"""Ctrl-Z is among them: a command that is stopped could not end the note that sounds."""

QUESTION = "Is the sound turned down"


class Session:
    """The person, and where to speak to them: stderr, where stdout is for data."""

    def __init__(self, *, to_stderr: bool) -> None:
        out: TextIO = sys.stderr if to_stderr else sys.stdout
        self.typed = TypedLines(sys.stdin)
        self.asking = Asking(self.typed, out)

    def someone_is_there(self) -> bool:
        """Whether anybody can answer: a terminal, or a script that has something to say."""
        return self.typed.is_terminal or self.typed.has_more()

    def caution(self, *, yes: bool) -> None:
        """Warn of loud sound, and wait for a yes. PointsmanError for a no."""
        self.asking.say(folded(CAUTION))
        if not yes and not self.asking.yes(QUESTION, False, option="--yes"):
            raise PointsmanError("nothing was played: turn the sound down first")

    def tell_of_service(self, target: Target) -> None:
        """A running service that plays to the port plays on."""
        if target.played_by:
            told = (
                f"The service runs {target.played_by} on this port, and plays on: stop the "
                "sequencer, so that nothing but the test is heard."
            )
            self.asking.say(folded(told))


def until_told(work: Callable[[], int]) -> int:
    """Do the work; its exit code, or that for the signal that ended it.

    In the background the keyboard counts as gone, rather than that it stops the command.
    """
    try:
        with taken((signal.SIGTTIN,), signal.SIG_IGN), told_by(STOPPING):
            return work()
    except Told as told:
        return told.code


def note_for(target: Target, asked: str | None) -> int:
    """The note to play: the one asked for, else middle C, moved by octaves into its range."""
    if asked is not None:
        return parse_note(asked, target.rig.middle_c_octave if target.rig else 4)
    note = 60
    if target.device and target.device.notes:
        low, high = target.device.notes
        while note > high and note - 12 >= 0:
            note -= 12
        while note < low and note + 12 <= 127:
            note += 12
        note = min(max(note, low), high)
    return note
