"""How messages pass along the plugins of a chain."""

from __future__ import annotations

import pytest
from engine_kit import Desk, entry, lines, output, rig
from small_plugins import Raises, Speaker, Up

from pointsman.plugin import (
    Emission,
    Host,
    PluginOptions,
    TransportChange,
    control_change,
    note_on,
)
from pointsman.rig import Safety

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


class Talks(Up):
    """Has something to say at every occasion."""

    name = "talks"

    def __init__(self, options: PluginOptions, host: Host) -> None:
        super().__init__(options, host)
        host.at(1, lambda t_ns: note_on(0, 1, 1))

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """Say it."""
        return note_on(0, 2, 1)

    def flush(self, t_ns: int) -> Emission:
        """Say it."""
        return control_change(0, 3, 1)


@pytest.mark.parametrize(
    ("bypass", "said"),
    [
        (True, ["tug 5 FA"]),
        (False, ["tug 1e-06 90 01 01", "tug 5 90 02 01", "tug 5 FA", "tug 9 80 01 40"]),
    ],
)
def test_a_bypassed_entry_says_nothing_of_its_own(bypass: bool, said: list[str]) -> None:
    desk = Desk(rig(output("tug", entry(Talks, bypass=bypass)), safety=Safety()))
    desk.advance(0)
    desk.hear("5 FA")
    desk.close(9)
    assert desk.lines[: len(said)] == said
    assert desk.lines[len(said) :] == ([] if bypass else ["tug 9 80 02 40", "tug 9 B0 03 01"])


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
