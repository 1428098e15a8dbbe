"""Where a control rests: what it is put back to after it was moved, and who says so.

MIDI has no question for a control's value, so the best that is known is taken: what the player
says, the device file, what a running service sent last, the published default, else a guess.
"""

from __future__ import annotations

from dataclasses import dataclass

from pointsman.control_refs import ControlRef

CENTRE = 64
_RP_015 = "RP-015"
_CENTRE = "MIDI 1.0: the centre"
_NO_CHANGE = "MIDI 1.0: no change"
_GM = "General MIDI"

PUBLISHED: dict[int, tuple[int, str]] = {
    1: (0, _RP_015),
    7: (100, _GM),
    8: (CENTRE, _CENTRE),
    10: (CENTRE, _CENTRE),
    11: (127, _RP_015),
    64: (0, _RP_015),
    65: (0, _RP_015),
    66: (0, _RP_015),
    67: (0, _RP_015),
    71: (CENTRE, f"{_GM} 2: no change"),
    72: (CENTRE, _NO_CHANGE),
    73: (CENTRE, _NO_CHANGE),
    74: (CENTRE, _NO_CHANGE),
    75: (CENTRE, f"{_GM} 2: no change"),
    76: (CENTRE, f"{_GM} 2: no change"),
    77: (CENTRE, f"{_GM} 2: no change"),
    78: (CENTRE, f"{_GM} 2: no change"),
    91: (40, f"{_GM} 2"),
    93: (0, f"{_GM} 2"),
}
"""Defaults by control number, and where they are published.

RP-015 (Reset All Controllers): 1, 11, 64-67. MIDI 1.0, 4.2.1, p. 13: 8 and 10 have their centre
at 64; pp. 15, 16: 64 is no change for 72-74. General MIDI: volume 100. From memory: that, and all
of General MIDI 2 (71, 75-78, 91, 93)."""

PUBLISHED_RPN: dict[tuple[int, int], tuple[int, str]] = {
    (0, 0): (2, f"{_GM}: 2 semitones"),
    (0, 1): (CENTRE, "MIDI 1.0: in tune"),
    (0, 2): (CENTRE, "MIDI 1.0: in tune"),
}
"""Coarse values by registered parameter: bend range (General MIDI, from memory), fine and coarse
tuning (MIDI 1.0, 4.2.1, p. 18 and Table IIIa: 8192 and 64 are in tune)."""

GUESS = "a guess: nothing is published"


@dataclass(frozen=True, slots=True)
class Home:
    """A value, and who says that it is the one."""

    value: int
    why: str

    @property
    def is_guess(self) -> bool:
        """Whether nobody says so."""
        return self.why == GUESS


def home_of(ref: ControlRef, *, told: int | None = None, last: int | None = None) -> Home:
    """The home of a control: `told` by the player; `last` is what a service sent it last."""
    if told is not None:
        return Home(told, "as you say")
    if ref.home is not None:
        return Home(ref.home, "the device file")
    if last is not None:
        return Home(last, "what the service sent last")
    found = None
    if ref.cc is not None:
        found = PUBLISHED.get(ref.cc)
    elif ref.parameter is not None and ref.parameter[0]:
        found = PUBLISHED_RPN.get(ref.parameter[1:])
    if found is None:
        return Home(0, GUESS)
    return Home(found[0] if ref.fine is None else found[0] << 7, found[1])
