"""What follows a message waits until all outputs have that; on each the order is the same."""

from __future__ import annotations

import pytest
from engine_kit import Desk, entry, lines, output, rig

from pointsman.chain_file import MOST_ENTRIES
from pointsman.engine import Engine
from pointsman.plugin import Emission, Made, Plugin, PluginOptions
from pointsman.testing import ChainTest, log


class Says(PluginOptions):
    """What a bell says."""

    program: int = 1


class Bell(Plugin[Says]):
    """Follows every note-on and every control with a program change."""

    name = "bell"
    Options = Says

    def on_note_on(self, data: bytes, t_ns: int) -> Made:
        """Ring."""
        return self._ring

    on_control = on_note_on

    def _ring(self, t_ns: int) -> Emission:
        return bytes((0xC0, self.options.program))


class Twice(Plugin[PluginOptions]):
    """Plays every note-on an octave higher before it."""

    name = "twice"

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Play both."""
        return [bytes((data[0], data[1] + 12, data[2])), data]


class Later(Plugin[PluginOptions]):
    """Plays a note a second after every Start."""

    name = "later"

    def on_start(self, data: bytes, t_ns: int) -> Emission:
        """Ask for it."""
        self.host.at(t_ns + 1_000_000_000, lambda now_ns: [b"\x90\x10\x01", b"\x90\x11\x01"])
        return data


NOTE, CONTROL = "0 90 3C 40", "0 B0 07 40"


@pytest.mark.parametrize("message", [NOTE, CONTROL], ids=["a note", "a control"])
@pytest.mark.parametrize("again", [False, True], ids=["first", "once more"])
def test_all_outputs_have_the_message_before_anything_follows_it(message: str, again: bool) -> None:
    desk = Desk(rig(*(output(name, entry(Bell)) for name in ("tug", "gull"))))
    if again:
        desk.hear(message)
    data = message[2:]
    assert desk.hear(message) == [f"tug 0 {data}", f"gull 0 {data}", "tug 0 C0 01", "gull 0 C0 01"]


def test_behind_an_input_chain_too() -> None:
    chain = (entry("transpose", semitones=1),)
    outputs = [output(name, entry(Bell)) for name in ("tug", "gull")]
    desk = Desk(rig(*outputs, input_chain=chain))
    assert desk.hear(NOTE) == lines(
        """
        tug 0 90 3D 40
        gull 0 90 3D 40
        tug 0 C0 01
        gull 0 C0 01
        """
    )


def test_what_an_entry_of_the_input_sends_behind_a_message_goes_to_all_behind_it() -> None:
    desk = Desk(rig(output("tug"), output("gull"), input_chain=(entry(Bell),)))
    assert desk.hear(NOTE) == lines(
        """
        tug 0 90 3C 40
        gull 0 90 3C 40
        tug 0 C0 01
        gull 0 C0 01
        """
    )


def test_of_two_entries_the_later_one_is_nearer_to_the_message() -> None:
    chain = ChainTest((Bell, {"program": 1}), (Bell, {"program": 2}))
    chain.feed(0, "90 3C 40")
    assert chain.sent == log("0 90 3C 40\n0 C0 02\n0 C0 01")


def test_nothing_waits_where_another_message_comes_behind_on_the_same_output() -> None:
    chain = ChainTest((Twice, {}), (Bell, {}))
    chain.feed(0, "90 3C 40")
    assert chain.sent == log("0 90 48 40\n0 C0 01\n0 90 3C 40\n0 C0 01")


def test_what_an_entry_plays_of_its_own_accord_is_followed_at_once() -> None:
    chain = ChainTest((Later, {}), (Bell, {}))
    chain.feed(0, "FA")
    chain.advance(2)
    assert chain.sent == log("0 FA\n1 90 10 01\n1 C0 01\n1 90 11 01\n1 C0 01")


def test_whoever_watches_sees_what_follows_as_part_of_the_answer() -> None:
    seen: list[object] = []
    played = rig(output("tug", entry(Bell)), output("gull"))
    sent: list[tuple[str, bytes]] = []
    engine = Engine(
        played,
        lambda name, data, t_ns: sent.append((name, data)),
        observe=lambda name, entry, data, t_ns, out: seen.append((name, data, out)),
    )
    engine.receive(b"\x90\x3c\x40", 0)
    assert seen == [("tug", b"\x90\x3c\x40", [b"\x90\x3c\x40", b"\xc0\x01"])]
    assert sorted(sent) == [
        ("gull", b"\x90\x3c\x40"),
        ("tug", b"\x90\x3c\x40"),
        ("tug", b"\xc0\x01"),
    ]
    (bell,) = engine.outputs["tug"].chain.entries
    engine.settle()
    assert bell.counts == (0, 0, 1)


class Cracked(Bell):
    """Fails when it is to ring, or says what is no message."""

    name = "cracked"

    def _ring(self, t_ns: int) -> Emission:
        if self.options.program:
            raise ZeroDivisionError("by nought")
        return [b"\x90"]


@pytest.mark.parametrize("program", [0, 1], ids=["no message", "an error"])
def test_a_call_that_fails_leaves_the_entry_out_and_the_message_has_passed(program: int) -> None:
    chain = ChainTest((Cracked, {"program": program}))
    chain.feed(0, "90 3C 40", "90 3D 40")
    assert chain.sent == log("0 90 3C 40\n0 90 3D 40")
    assert len(chain.faults) == 1


def test_where_sending_fails_the_next_message_is_followed_all_the_same() -> None:
    sent: list[bytes] = []
    broken = [True]

    def send(name: str, data: bytes, t_ns: int) -> None:
        if data[0] == 0xC0 and broken.pop():
            raise OSError("fog")
        sent.append(data)

    broken = [False, True]
    engine = Engine(rig(output("tug", entry(Bell)), output("gull", entry(Bell))), send)
    with pytest.raises(OSError, match="fog"):
        engine.receive(b"\x90\x3c\x40", 0)
    broken = [False] * 9
    sent.clear()
    engine.receive(b"\x90\x3d\x40", 0)
    assert sent == [b"\x90\x3d\x40"] * 2 + [b"\xc0\x01"] * 2


class Lists(Plugin[PluginOptions]):
    """Returns every message in a list."""

    name = "lists"

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """The message, and no other."""
        return [data]


@pytest.mark.parametrize("kind", [Lists, Bell])
def test_the_longest_chain_is_passed_in_one_go(kind: type[Plugin[PluginOptions]]) -> None:
    """Each entry has its place on the stack, and more where it returns a list."""
    chain = ChainTest(*[(kind, {})] * MOST_ENTRIES)
    chain.feed(0, "90 3C 40")
    assert chain.faults == []
    assert len(chain.sent) == (1 if kind is Lists else 1 + MOST_ENTRIES)
