"""What becomes of plugins that fail: rule 8 of the engine, from inside the chain."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from engine_kit import Desk, entry, lines, output, rig
from small_plugins import Raises, Speaker, Up

from pointsman.engine import Engine
from pointsman.errors import PluginError
from pointsman.plugin import (
    Emission,
    Host,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    control_change,
    note_on,
)

CONTROL = "5 B0 07 40"


def test_a_plugin_that_raises_is_bypassed_and_the_message_goes_on() -> None:
    desk = Desk(rig(output("tug", entry(Raises), entry(Up))))
    assert desk.hear("0 B0 07 40\n1 90 3C 40\n2 B0 07 41") == lines(
        """
        tug 0 B0 07 40
        tug 1 90 3D 40
        tug 2 B0 07 41
        """
    )
    assert [str(fault) for fault in desk.engine.faults] == [
        "output tug: plugin raises (line 7) failed and is bypassed from now on: "
        "ZeroDivisionError: by nought"
    ]


class Counts(Raises):
    """Raises, and counts how often it was asked."""

    name = "counts"
    asked = 0

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Count, and raise."""
        self.asked += 1
        return super().on_control(data, t_ns)


@pytest.mark.parametrize("on_input", [True, False])
def test_a_plugin_that_has_failed_is_never_asked_again(on_input: bool) -> None:
    """Not even for the very message that it failed at, which the engine may have in mind."""
    chain = (entry(Counts),)
    desk = Desk(rig(output("tug", *(() if on_input else chain)), input_chain=chain * on_input))
    desk.hear("\n".join([CONTROL] * 3))
    assert desk.lines == ["tug 5 B0 07 40"] * 3
    failed = desk.engine.faults[0].entry.plugin
    assert isinstance(failed, Counts)
    assert failed.asked == 1


def test_a_failure_on_the_input_is_told_of_the_input() -> None:
    desk = Desk(rig(output("tug"), input_chain=(entry(Raises),)))
    assert desk.hear(CONTROL) == ["tug 5 B0 07 40"]
    assert str(desk.engine.faults[0]).startswith("the input: plugin raises (line 7) failed")


@pytest.mark.parametrize(
    ("says", "fault"),
    [
        ("B0 07 80", r"(b'\xb0\x07\x80',)"),
        ("90 3C 40,B0 07", r"[b'\x90<@', b'\xb0\x07']"),
    ],
)
def test_what_is_no_message_is_a_failure_and_none_of_it_goes_on(says: str, fault: str) -> None:
    desk = Desk(rig(output("tug", entry(Speaker, says=says))))
    assert desk.hear(CONTROL) == ["tug 5 B0 07 40"]
    assert [f.entry.fault for f in desk.engine.faults] == [
        f"it returned what is no MIDI message: {fault}"
    ]


class FailsLast(Plugin[PluginOptions]):
    """Fails at a bend; when it is to let go, sends what makes `Raises` fail."""

    name = "fails_last"

    def on_bend(self, data: bytes, t_ns: int) -> Emission:
        """Raise."""
        raise ValueError("bent")

    def flush(self, t_ns: int) -> Emission:
        """Put a control back."""
        return control_change(0, 7, 0)


class RaisesAtBends(Raises):
    """Raises at controls, and is not to be asked again afterwards."""

    name = "raises_at_bends"

    def on_bend(self, data: bytes, t_ns: int) -> Emission:
        """Raise."""
        raise AssertionError("a bypassed plugin was asked")


def test_a_plugin_that_fails_while_another_lets_go_is_asked_no_more() -> None:
    desk = Desk(rig(output("tug", entry(FailsLast), entry(RaisesAtBends))))
    assert desk.hear("0 E0 00 40") == ["tug 0 B0 07 00", "tug 0 E0 00 40"]
    assert [fault.entry.fault for fault in desk.engine.faults] == [
        "ZeroDivisionError: by nought",
        "ValueError: bent",
    ]


class Clumsy(PluginOptions):
    """What a Clumsy plugin asks of the schedule."""

    due: Any


class BadTimer(Plugin[Clumsy]):
    """Asks for a call at a time that is none."""

    name = "bad_timer"
    Options = Clumsy

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Ask."""
        self.host.at(self.options.due, lambda t_ns: note_on(0, 1, 1))
        return None


@pytest.mark.parametrize("due", [1.5e9, "soon", None])
def test_a_time_that_is_none_is_the_plugins_failure(due: object) -> None:
    desk = Desk(rig(output("tug", entry(BadTimer, due=due))))
    assert desk.hear("3 90 3C 40") == ["tug 3 90 3C 40"]
    assert [f.entry.fault for f in desk.engine.faults] == [
        f"TypeError: a time must be whole nanoseconds, not {due!r}"
    ]


def test_a_call_for_a_time_that_has_passed_comes_now() -> None:
    desk = Desk(rig(output("tug", entry(BadTimer, due=1))))
    assert desk.hear("3 90 3C 40\n9 B0 07 40") == ["tug 3 90 01 01", "tug 9 B0 07 40"]


class NoStart(Plugin[PluginOptions]):
    """Cannot be set up."""

    name = "no_start"

    def __init__(self, options: PluginOptions, host: Host) -> None:
        super().__init__(options, host)
        raise OSError("no room")


class NoSteps(Plugin[PluginOptions]):
    """Cannot say what concerns it."""

    name = "no_steps"

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Raise."""
        raise RuntimeError("no idea")


@pytest.mark.parametrize(
    ("plugin", "said"),
    [(NoStart, "OSError: no room"), (NoSteps, "RuntimeError: no idea")],
)
def test_a_plugin_that_cannot_start_is_named_with_its_line(
    plugin: type[Plugin[Any]], said: str
) -> None:
    with pytest.raises(PluginError) as caught:
        Engine(rig(output("tug", entry(plugin))), lambda name, data, t_ns: None)
    assert str(caught.value) == f"line 7: plugin {plugin.name} will not start: {said}"


class OwnBytes(bytes):
    """Looks like a message, and may be anything."""


class Adds(Plugin[PluginOptions]):
    """Adds a message twice, the second time as what is none."""

    name = "adds"
    kinds: Sequence[type[bytes]] = (bytes, OwnBytes)

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Add one."""
        kind, *self.kinds = self.kinds
        return [data, kind(b"\xb0\x4a\x01")]


def test_what_looks_like_a_message_that_was_added_before_is_none() -> None:
    desk = Desk(rig(output("tug", entry(Adds))))
    desk.hear("\n".join([CONTROL] * 3))
    assert desk.lines == ["tug 5 B0 07 40", "tug 5 B0 4A 01", "tug 5 B0 07 40", "tug 5 B0 07 40"]
    assert len(desk.engine.faults) == 1
