"""Which messages a player wants to see."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from pointsman.controls import CONTROL_BY_NAME, LAST_CONTROL
from pointsman.errors import UsageError
from pointsman.message import Kind, kind_word
from pointsman.options import as_int, suggest
from pointsman.watch.reading import Words
from pointsman.watch.setting import Setting

INPUT = "input"
"""How the input is called among the outputs."""

KIND_WORDS = tuple(dict.fromkeys(kind_word(kind) for kind in Kind if kind is not Kind.MODE))
"""The words for kinds, as message_filter has them."""

SUMMED = (Kind.CLOCK, Kind.ACTIVE_SENSING)
"""Kinds that come all the time, and are summed up where they are not asked for."""


@dataclass(frozen=True)
class Filters:
    """What was asked for; an empty collection asks for everything.

    Outputs by name, or `input`; channels 1-16; kinds by the words of message_filter; controls by
    name or number. `all_kinds`: clock and active sensing too.
    """

    outputs: tuple[str, ...] = ()
    channels: tuple[int, ...] = ()
    kinds: tuple[str, ...] = ()
    controls: tuple[str, ...] = ()
    all_kinds: bool = False

    def __str__(self) -> str:
        """The same as options, for a heading."""
        asked = {
            "--output": self.outputs,
            "--channel": self.channels,
            "--kind": self.kinds,
            "--control": self.controls,
        }
        words = [f"{option} {what}" for option, whats in asked.items() for what in whats]
        return " ".join([*words, *["--all"] * self.all_kinds])

    @property
    def sums_up(self) -> bool:
        """Whether clock and active sensing are to be summed up."""
        return not (self.channels or self.kinds or self.controls or self.all_kinds)


class Sieve:
    """The filters, for one setting.

    Raises UsageError for an output or a control that is not there, and names the nearest; a
    control only where the devices are known.
    """

    def __init__(self, filters: Filters, setting: Setting, *, strict: bool = True) -> None:
        self._filters = filters
        self._kinds = frozenset(filters.kinds)
        self._names = frozenset(filters.controls)
        self._numbers = frozenset(
            number for name in self._names if (number := _number(name)) is not None
        )
        devices = [place.device for place in setting.outputs.values() if place.device is not None]
        named = [(name, ref) for device in devices for name, ref in device.controls.items()]
        self._at_input = self._numbers | {
            ref.cc for name, ref in named if name in self._names and ref.cc is not None
        }
        if strict:
            _check("output", filters.outputs, [INPUT, *setting.outputs])
        if strict and setting.devices_known:
            known = {name for name, _ in named}
            wanted = [name for name in filters.controls if _number(name) is None]
            _check("control", wanted, sorted(known), also=CONTROL_BY_NAME)

    def passes(self, output: str | None, words: Words) -> bool:
        """Whether a message at an output (None: the input) is wanted."""
        return self.shows(output) and self._fits(output, words)

    def shows(self, output: str | None) -> bool:
        """Whether this output (None: the input) is wanted at all."""
        wanted = self._filters.outputs
        return not wanted or (INPUT if output is None else output) in wanted

    def _fits(self, output: str | None, words: Words) -> bool:
        filters, kind = self._filters, words.kind
        if self._names:
            numbers = self._at_input if output is None else self._numbers
            if words.control not in self._names and words.number not in numbers:
                return False
        if filters.channels and words.channel not in filters.channels:
            return False
        if self._kinds:  # channel mode messages pass, as in message_filter
            return kind is Kind.MODE or (kind is not None and kind_word(kind) in self._kinds)
        return filters.all_kinds or kind not in SUMMED


def _number(name: str) -> int | None:
    """The control that a number or a published name means; None for other names."""
    number = as_int(name)
    if number is None:
        return CONTROL_BY_NAME.get(name)
    return number if 0 <= number <= LAST_CONTROL else None


def _check(what: str, asked: Collection[str], known: list[str], also: Collection[str] = ()) -> None:
    for name in asked:
        if name not in known and name not in also:
            near = suggest(name, [*known, *also])
            hint = near if near.startswith("did") else suggest(name, known)
            raise UsageError(f"there is no {what} '{name}'; {hint}")
