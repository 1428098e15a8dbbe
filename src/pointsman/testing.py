"""What the tests of a plugin need: feed a chain, let time go by, compare what was sent.

    from pointsman.testing import ChainTest, log

    def test_every_note_comes_again() -> None:
        chain = ChainTest((Echo, {"time": "100ms"}))
        chain.feed(0.0, "90 3C 64")
        chain.advance(1.0)
        assert chain.sent == log('''
            0.000000  90 3C 64
            0.100000  90 3C 64
        ''')

Time is virtual: nothing sleeps, and the same feed sends the same bytes at the same times as live.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from pointsman.device import Device
from pointsman.engine import Engine
from pointsman.message import is_message
from pointsman.option_errors import say
from pointsman.options import Context
from pointsman.plugin import Plugin
from pointsman.rig import EntrySpec, OutputSpec, Rig, Safety
from pointsman.units import NS_PER_S, seconds_text
from pointsman.validation import show_place
from pointsman.words import hex_text, parse_message

Event = tuple[str, str]
"""One message as event logs have it: seconds with six decimals, and upper-case hex."""

AnyPlugin = type[Plugin[Any]]


def log(text: str) -> list[Event]:
    """Events written one a line, seconds and hex parted by blanks; `#` begins a comment."""
    lines = (line.partition("#")[0].split(maxsplit=1) for line in text.splitlines())
    return [(f"{float(line[0]):.6f}", line[1].strip()) for line in lines if line]


class ChainTest:
    """A chain of plugins on one output, in virtual time.

    Each entry is a plugin class, or a pair of one and its options as a rig would have them. A
    wrong option raises ValueError with what a rig's error line would say.
    """

    def __init__(
        self,
        *entries: AnyPlugin | tuple[AnyPlugin, Mapping[str, Any]],
        device: Device | None = None,
        release: bool = True,
    ) -> None:
        pairs = [entry if isinstance(entry, tuple) else (entry, {}) for entry in entries]
        specs = tuple(_spec(plugin, options, device) for plugin, options in pairs)
        rig = Rig(
            "test", "null:", (OutputSpec("out", "null:", specs, device),),
            safety=Safety(on_exit=release),
        )  # fmt: skip
        self.sent: list[Event] = []
        self._engine = Engine(rig, self._send)

    def feed(self, seconds: float, *messages: str | bytes) -> None:
        """Messages come in at `seconds`: bytes, hex ("90 3C 64"), or words ("note C4 100")."""
        for message in messages:
            data = message if isinstance(message, bytes) else parse_message(message)
            if not is_message(data):
                raise ValueError(f"{data!r} is not one whole MIDI message")
            self._engine.receive(data, _ns(seconds))

    def advance(self, seconds: float) -> None:
        """Time goes by until `seconds`; what is due until then is sent."""
        self._engine.advance(_ns(seconds))

    def close(self, seconds: float) -> None:
        """The end: what sounds is ended, and every plugin lets go."""
        self._engine.close(_ns(seconds))

    @property
    def faults(self) -> list[str]:
        """What plugins raised, or returned that was no message; such a plugin is bypassed."""
        return [str(fault.entry.fault) for fault in self._engine.faults]

    def _send(self, output: str, data: bytes, t_ns: int) -> None:
        self.sent.append((seconds_text(t_ns), hex_text(data)))


def _with_text_keys(part: Any) -> Any:
    """The options with keys as a rig file has them, which are always text."""
    if isinstance(part, Mapping):
        return {str(key): _with_text_keys(value) for key, value in part.items()}
    return part


def _ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


def _spec(plugin: AnyPlugin, options: Mapping[str, Any], device: Device | None) -> EntrySpec:
    context = Context(device)
    try:
        checked = plugin.Options.model_validate(_with_text_keys(options), context=context)
    except ValidationError as error:
        faults = [f"{show_place(e['loc'])}: {say(e['type'], e)}" for e in error.errors()]
        raise ValueError(f"{plugin.name}: {'; '.join(faults)}") from None
    problems = [problem.what for problem in checked.problems(context)]
    if problems:
        raise ValueError(f"{plugin.name}: {'; '.join(problems)}")
    return EntrySpec(plugin, checked, plugin.name)
