"""How messages pass along the plugins of a chain, with plugins of the test's own."""

from __future__ import annotations

from typing import Any, ClassVar

import pytest
from engine_kit import Desk, entry, lines, output, rig

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


class Returning(PluginOptions):
    """What a Speaker returns, in hex, messages parted by commas; empty for an empty list."""

    says: str


class Speaker(Plugin[Returning]):
    """Answers every control with what it was told to."""

    name = "speaker"
    Options = Returning

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Say it."""
        if self.options.says in ("the same", "none"):
            return data if self.options.says == "the same" else None
        messages = [bytes.fromhex(text) for text in self.options.says.split(",") if text]
        return messages[0] if len(messages) == 1 else messages


class Up(Plugin[PluginOptions]):
    """Moves every note up by one; asked kind by kind, it notes what it was asked."""

    name = "up"
    asked: ClassVar[list[tuple[Kind, int | None]]] = []

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Note-ons concern it."""
        self.asked.append((kind, channel))
        return self._up if kind is Kind.NOTE_ON else None

    @staticmethod
    def _up(data: bytes, t_ns: int) -> Emission:
        return bytes((data[0], data[1] + 1, data[2]))


class Raises(Plugin[PluginOptions]):
    """Raises at every control."""

    name = "raises"

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Raise."""
        raise ZeroDivisionError("by nought")


CONTROL = "5 B0 07 40"

# name: what the first plugin returns for a control, what then leaves; the second moves notes up
RETURNS = {
    "the very message": ("the same", ["tug 5 B0 07 40"]),
    "an equal message": ("B0 07 40", ["tug 5 B0 07 40"]),
    "another value": ("B0 07 41", ["tug 5 B0 07 41"]),
    "another channel": ("B3 07 40", ["tug 5 B3 07 40"]),
    "another kind, which goes on among its own": ("90 3C 40", ["tug 5 90 3D 40"]),
    "several, in order": ("90 3C 40,B0 07 40,F8", ["tug 5 90 3D 40", "tug 5 B0 07 40", "tug 5 F8"]),
    "an empty list": ("", []),
    "nothing": ("none", []),
}  # fmt: skip


@pytest.mark.parametrize(("says", "expected"), RETURNS.values(), ids=RETURNS)
def test_what_a_plugin_returns_goes_on_from_the_next_place(says: str, expected: list[str]) -> None:
    desk = Desk(rig(output("tug", entry(Speaker, says=says), entry(Up))))
    assert desk.hear(CONTROL) == expected


# what a plugin returns for one control: changed, dropped, added
COUNTS = {
    "the same": (0, 0, 0),
    "none": (0, 1, 0),
    "": (0, 1, 0),
    "B0 07 41": (1, 0, 0),
    "90 3C 40": (1, 0, 0),
    "90 3C 40,B0 07 40": (0, 0, 1),
    "90 3C 40,B0 07 41": (1, 0, 1),
}


@pytest.mark.parametrize(("says", "counts"), COUNTS.items())
def test_what_a_plugin_did_is_counted(says: str, counts: tuple[int, int, int]) -> None:
    desk = Desk(rig(output("tug", entry(Speaker, says=says))))
    desk.hear(CONTROL)
    counted = desk.engine.outputs["tug"].chain.entries[0]
    assert (counted.changed, counted.dropped, counted.added) == counts


def test_an_entry_acts_on_its_channels_alone() -> None:
    desk = Desk(rig(output("tug", entry(Up, channels={2, 16}))))
    assert desk.hear("0 90 3C 40\n0 91 3C 40\n0 9F 3C 40") == lines(
        """
        tug 0 90 3C 40
        tug 0 91 3D 40
        tug 0 9F 3D 40
        """
    )


def test_system_messages_have_no_channel_so_an_entry_with_channels_lets_them_pass() -> None:
    drop = entry("message_filter", channels={1}, drop=["clock", "note"])
    assert Desk(rig(output("tug", drop))).hear("0 F8\n1 90 3C 40") == ["tug 0 F8"]


def test_a_bypassed_entry_is_as_if_it_were_not_there() -> None:
    assert Desk(rig(output("tug", entry(Up, bypass=True)))).hear("0 90 3C 40") == ["tug 0 90 3C 40"]


def test_a_plugin_is_asked_once_for_each_kind_and_channel_even_if_another_fails() -> None:
    Up.asked.clear()
    desk = Desk(rig(output("tug", entry(Up), entry(Raises))))
    asked = list(Up.asked)
    assert len(asked) == len(set(asked)) == 8 * 16 + 11  # channel and system kinds
    desk.hear(CONTROL)
    assert desk.engine.faults
    assert Up.asked == asked


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
