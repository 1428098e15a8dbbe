"""Small rigs and logs for the tests of the core: no files, no YAML, times in milliseconds."""

from __future__ import annotations

from typing import Any

from pointsman.engine import Engine
from pointsman.options import Context
from pointsman.plugin import Plugin, PluginOptions
from pointsman.registry import load_plugins
from pointsman.rig import EntrySpec, OutputSpec, Rig, Safety

MS = 1_000_000
PLUGINS = load_plugins().plugins
QUIET = Safety(on_exit=False)

AnyPlugin = type[Plugin[Any]]


def entry(
    plugin: str | AnyPlugin,
    channels: set[int] | None = None,
    bypass: bool = False,
    **options: Any,
) -> EntrySpec:
    """An entry of a chain: a shipped plugin by name, or a class of the test's own.

    `channels` are 1-16, as in a rig; write `from_` and `pass_` for options that are Python words.
    """
    kind = PLUGINS[plugin] if isinstance(plugin, str) else plugin
    raw = {name.rstrip("_"): value for name, value in options.items()}
    read: PluginOptions = kind.Options.model_validate(raw, context=Context())
    on = None if channels is None else frozenset(channel - 1 for channel in channels)
    return EntrySpec(kind, read, label=kind.name, line=7, channels=on, bypass=bypass)


def output(name: str, *chain: EntrySpec, **more: Any) -> OutputSpec:
    """One output."""
    return OutputSpec(name, "null:", chain, **more)


def rig(
    *outputs: OutputSpec, input_chain: tuple[EntrySpec, ...] = (), safety: Safety = QUIET
) -> Rig:
    """A rig; it releases nothing at the end unless `safety` says so."""
    return Rig("harbour", "null:", outputs, input_chain, safety)


class Desk:
    """An engine with all that it sent, as lines: output, milliseconds, hex."""

    def __init__(self, played: Rig) -> None:
        self.lines: list[str] = []
        self.engine = Engine(played, self._send)

    def _send(self, name: str, data: bytes, t_ns: int) -> None:
        self.lines.append(f"{name} {t_ns / MS:g} {data.hex(' ').upper()}")

    def hear(self, log: str) -> list[str]:
        """Take messages, one a line: milliseconds and hex. Returns what was sent meanwhile."""
        before = len(self.lines)
        for line in log.strip().splitlines():
            t_ms, data = line.partition("#")[0].split(maxsplit=1)
            self.engine.receive(bytes.fromhex(data), round(float(t_ms) * MS))
        return self.lines[before:]

    def advance(self, t_ms: float) -> list[str]:
        """Let time go by."""
        before = len(self.lines)
        self.engine.advance(round(t_ms * MS))
        return self.lines[before:]

    def close(self, t_ms: float) -> list[str]:
        """End."""
        before = len(self.lines)
        self.engine.close(round(t_ms * MS))
        return self.lines[before:]


def lines(text: str) -> list[str]:
    """Expected lines, without indents and comments."""
    bare = (line.partition("#")[0].strip() for line in text.strip().splitlines())
    return [line for line in bare if line]
