"""What the engine remembers of messages changes what they cost, and nothing that can be seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

import pointsman.routes
from pointsman.chain import Entry
from pointsman.engine import Engine
from pointsman.output import Output
from pointsman.plugin import (
    Emission,
    Host,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    stateless,
    to_channel,
)
from pointsman.rig import EntrySpec, OutputSpec, Rig

called: list[str] = []


@pytest.fixture(autouse=True)
def no_calls() -> Iterator[None]:
    called.clear()
    yield


class Raiser(Plugin[PluginOptions]):
    """Adds one to every control, drops control 8, moves control 9, and counts how often it must."""

    name = "raiser"

    @stateless
    def on_control(self, data: bytes, t_ns: int) -> Emission:
        called.append(self.name)
        if data[1] == 8:
            return None
        return bytes((0xE0, 0, data[2])) if data[1] == 9 else data[:2] + bytes((data[2] + 1,))


class Counter(Plugin[PluginOptions]):
    """Writes into every value how many controls have come: it may not be left out."""

    name = "counter"

    def __init__(self, options: PluginOptions, host: Host) -> None:
        super().__init__(options, host)
        self.count = 0

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        called.append(self.name)
        self.count += 1
        return data[:2] + bytes((self.count,))


class Choosy(Counter):
    """The same for control 7 alone."""

    name = "choosy"
    only_controls = frozenset({7})


class Mover(Plugin[PluginOptions]):
    """Moves everything to channel 5."""

    name = "mover"

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        return None if channel is None else to_channel(4)


class Witness(Plugin[PluginOptions]):
    """Writes down what comes to it of the kinds that have many values, and lets it pass."""

    name = "witness"

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        seen = (Kind.NOTE_ON, Kind.NOTE_OFF, Kind.KEY_PRESSURE, Kind.BEND)
        return self.see if kind in seen and channel == 4 else None

    def see(self, data: bytes, t_ns: int) -> Emission:
        called.append(data.hex(" ").upper())
        return data


class Silencer(Plugin[PluginOptions]):
    """Drops every clock."""

    name = "silencer"

    @stateless
    def on_clock(self, data: bytes, t_ns: int) -> Emission:
        called.append(self.name)
        return None


class Wrong(Plugin[PluginOptions]):
    """Says that it needs nothing but the bytes, and then fails on control 10."""

    name = "wrong"

    @stateless
    def on_control(self, data: bytes, t_ns: int) -> Emission:
        if data[1] == 10:
            raise ValueError("not this one")
        return data if data[1] != 11 else b"\xb0\x0b"


class Desk:
    """An engine with these chains, the first one before the split if asked, and what it sends."""

    def __init__(self, *chains: list[type[Plugin[PluginOptions]]], before: bool = False) -> None:
        specs = [tuple(EntrySpec(p, PluginOptions(), p.name) for p in chain) for chain in chains]
        outputs = tuple(OutputSpec(f"out{n}", "null:", spec) for n, spec in enumerate(specs))
        rig = Rig("test", "null:", outputs)
        if before:
            rig = Rig("test", "null:", outputs[1:], specs[0])
        self.sent: list[tuple[str, str]] = []
        self.engine = Engine(rig, self._send)

    def _send(self, name: str, data: bytes, t_ns: int) -> None:
        self.sent.append((name, data.hex(" ").upper()))

    def feed(self, *messages: str) -> list[tuple[str, str]]:
        """What is sent for these messages, which all come at once."""
        self.sent.clear()
        for text in messages:
            self.engine.receive(bytes.fromhex(text), 0)
        return list(self.sent)

    @property
    def output(self) -> Output:
        """The first output."""
        return self.engine.outputs["out0"]

    @property
    def entry(self) -> Entry:
        """The first entry of its chain."""
        return self.output.chain.entries[0]


def test_a_stateless_step_is_called_once_for_the_same_message() -> None:
    desk = Desk([Raiser])
    assert desk.feed(*["B0 07 40"] * 3, "B0 07 41") == [("out0", "B0 07 41")] * 3 + [
        ("out0", "B0 07 42")
    ]
    assert len(called) == 2


def test_a_step_with_a_memory_is_called_every_time() -> None:
    desk = Desk([Counter])
    assert desk.feed(*["B0 07 40"] * 3) == [("out0", f"B0 07 0{n}") for n in (1, 2, 3)]


def test_what_comes_before_such_a_step_is_remembered_and_what_comes_after_is_not() -> None:
    desk = Desk([Raiser, Counter, Raiser])
    assert desk.feed(*["B0 07 40"] * 3) == [("out0", f"B0 07 0{n}") for n in (2, 3, 4)]
    assert called == ["raiser", *["counter", "raiser"] * 3]


def test_outputs_are_sent_what_each_is_in_the_order_of_the_rig() -> None:
    desk = Desk([], [Raiser], [Counter])
    once = [("out0", "B0 07 40"), ("out1", "B0 07 41"), ("out2", "B0 07 01")]
    assert desk.feed("B0 07 40") == once
    assert desk.feed("B0 07 40") == [*once[:2], ("out2", "B0 07 02")]


@pytest.mark.parametrize(
    ("text", "sent", "changed", "dropped"),
    [("B0 07 40", 4, 4, 0), ("B0 08 40", 0, 0, 4), ("B0 09 40", 4, 4, 0), ("C0 05", 4, 0, 0)],
    ids=["changed", "dropped", "made another kind", "let pass"],
)
def test_what_is_remembered_is_counted_like_what_is_not(
    text: str, sent: int, changed: int, dropped: int
) -> None:
    desk = Desk([Raiser])
    output, entry = desk.output, desk.entry
    desk.feed(text, text, text)
    assert output.received == 3  # asked in between
    desk.feed(text)
    assert (output.received, output.sent) == (4, sent)
    assert (entry.changed, entry.dropped, entry.added) == (changed, dropped, 0)


def test_a_plugin_is_not_called_for_controls_that_it_did_not_name() -> None:
    desk = Desk([Choosy])
    desk.feed("B0 06 40", "B0 07 40", "B5 07 40", "B0 09 40", "B0 07 40")
    assert called == ["choosy"] * 3


def test_it_is_when_a_plugin_before_it_makes_such_a_control() -> None:
    class Turner(Raiser):
        name = "turner"

        @stateless
        def on_control(self, data: bytes, t_ns: int) -> Emission:
            return bytes((data[0], 7, data[2]))

    desk = Desk([Turner, Choosy])
    assert desk.feed("B0 06 40", "B0 06 40") == [("out0", "B0 07 01"), ("out0", "B0 07 02")]


@pytest.mark.parametrize("number", [10, 11], ids=["it raises", "it returns no message"])
def test_a_plugin_that_fails_is_bypassed_for_what_was_remembered_too(number: int) -> None:
    desk = Desk([Wrong, Raiser])
    desk.feed("B0 07 40", "B0 07 40")
    failing = f"B0 {number:02X} 40"
    assert desk.feed(failing) == [("out0", f"B0 {number:02X} 41")]
    assert [fault.entry.name for fault in desk.engine.faults] == ["wrong"]
    assert desk.feed("B0 07 40", failing) == [
        ("out0", "B0 07 41"),
        ("out0", f"B0 {number:02X} 41"),
    ]
    assert desk.output.sent == 5


def test_after_the_input_chain_the_same_holds() -> None:
    desk = Desk([Counter], [Raiser], before=True)
    assert desk.feed("B0 07 40", "B0 07 40") == [("out1", "B0 07 02"), ("out1", "B0 07 03")]


def test_a_clock_that_no_one_thins_is_remembered_and_still_moves_the_song() -> None:
    desk = Desk([Raiser])
    assert desk.feed("FA", "F8", "F8") == [("out0", text) for text in ("FA", "F8", "F8")]
    assert desk.engine.transport.position == 1


MOVED = ("93 3C 64", "93 3C 00", "83 3C 40", "A3 3C 10", "E3 01 02", "B3 07 40", "B3 78 00")


@pytest.mark.parametrize("text", [*MOVED, "C3 05", "D3 05"])
def test_a_message_that_is_only_moved_keeps_all_but_its_channel(text: str) -> None:
    desk = Desk([Mover], [])
    moved = text[0] + "4" + text[2:]
    assert desk.feed(text, text) == [("out0", moved), ("out1", text)] * 2
    assert (desk.entry.changed, desk.entry.dropped, desk.entry.added) == (2, 0, 0)
    assert (desk.output.received, desk.output.sent) == (2, 2)


@pytest.mark.parametrize("text", ["F0 7D 13 F7", "F2 10 13", "F1 13", "F8", "FA", "F6"])
def test_system_messages_have_no_channel_to_be_moved_from(text: str) -> None:
    desk = Desk([Mover])
    assert desk.feed(text, text) == [("out0", text)] * 2
    assert desk.entry.changed == 0


def test_a_mover_on_its_own_channel_changes_nothing() -> None:
    desk = Desk([Mover])
    assert desk.feed("94 3C 64", "E4 01 02") == [("out0", "94 3C 64"), ("out0", "E4 01 02")]
    assert desk.entry.changed == 0


def test_what_comes_after_a_mover_gets_the_message_on_the_new_channel() -> None:
    desk = Desk([Mover, Mover, Witness])
    desk.feed("93 3C 64", "93 3C 00", "A3 3C 10", "E3 01 02")
    assert called == ["94 3C 64", "94 3C 00", "A4 3C 10", "E4 01 02"]
    assert [entry.changed for entry in desk.output.chain.entries] == [4, 0, 0]


def test_a_mover_in_the_inputs_chain_moves_for_all_outputs() -> None:
    desk = Desk([Mover], [Witness], [], before=True)
    sent = desk.feed("93 3C 64", "83 3C 40")
    assert sent == [
        ("out1", "94 3C 64"), ("out2", "94 3C 64"), ("out1", "84 3C 40"), ("out2", "84 3C 40"),
    ]  # fmt: skip
    assert desk.engine.input_chain.entries[0].changed == 2


def test_a_mover_that_is_bypassed_moves_no_more_and_one_that_is_back_does() -> None:
    desk = Desk([Mover])
    desk.feed("E3 01 02", "B3 07 40")
    desk.engine.bypass("out0", 0, True, 0)
    assert desk.feed("E3 01 02", "B3 07 40") == [("out0", "E3 01 02"), ("out0", "B3 07 40")]
    desk.engine.bypass("out0", 0, False, 0)
    assert desk.feed("E3 01 02", "B3 07 40") == [("out0", "E4 01 02"), ("out0", "B4 07 40")]


def test_a_watched_mover_is_called_and_seen() -> None:
    desk = Desk([Mover])
    desk.feed("E3 01 02")
    seen: list[object] = []
    desk.engine.observe(lambda output, entry, data, t_ns, out: seen.append((data, out)))
    assert desk.feed("E3 01 02") == [("out0", "E4 01 02")]
    assert seen == [(b"\xe3\x01\x02", b"\xe4\x01\x02")]
    assert desk.entry.changed == 2


def test_a_clock_that_is_always_dropped_is_asked_about_once() -> None:
    desk = Desk([Silencer], [])
    assert desk.feed("FA", "F8", "F8", "F8") == [
        ("out0", "FA"), ("out1", "FA"), *[("out1", "F8")] * 3,
    ]  # fmt: skip
    assert called == ["silencer"]
    assert desk.entry.dropped == 3
    assert desk.output.received == 4


def test_a_clock_that_becomes_something_else_does_so_every_time() -> None:
    class Ticker(Silencer):
        name = "ticker"

        @stateless
        def on_clock(self, data: bytes, t_ns: int) -> Emission:
            return b"\x90\x3c\x01"

    desk = Desk([Ticker, Witness])
    assert desk.feed("F8", "F8") == [("out0", "90 3C 01")] * 2
    assert desk.entry.changed == 2


def test_steps_that_an_heir_has_learnt_take_the_place_of_its_first_ones() -> None:
    class Turncoat(Plugin[PluginOptions]):
        """Moves bends to channel 5, and where it has taken another's place to channel 6."""

        name = "turncoat"
        target = 4

        def step_for(self, kind: Kind, channel: int | None) -> Step | None:
            return to_channel(self.target) if kind is Kind.BEND else None

        def inherit(self, former: Plugin[PluginOptions], t_ns: int) -> None:
            self.target = 5

    desk = Desk([Turncoat])
    assert desk.feed("E0 01 02") == [("out0", "E4 01 02")]
    chain, former = desk.output.chain, desk.entry
    heir = Entry(former.spec, desk.engine.transport, None)
    chain.replace(0, heir)
    chain.inherit(heir, former, 0)
    desk.engine.observe(None)  # every path anew
    assert desk.feed("E0 01 02") == [("out0", "E5 01 02")]


def test_an_output_with_a_delay_is_sent_late_every_time() -> None:
    rig = Rig("test", "null:", (OutputSpec("out", "null:", delay_ns=5),))
    sent: list[int] = []
    engine = Engine(rig, lambda name, data, t_ns: sent.append(t_ns))
    for t_ns in (0, 100, 200):
        engine.receive(b"\xb0\x07\x40", t_ns)
    engine.advance(300)
    assert sent == [5, 105, 205]


def test_when_there_is_no_room_all_is_forgotten_and_nothing_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pointsman.routes, "ROOM", 3)
    desk = Desk([Raiser])
    texts = [f"B0 07 {value:02X}" for value in range(8)]
    assert desk.feed(*texts, *texts) == [
        ("out0", f"B0 07 {value + 1:02X}") for value in (*range(8), *range(8))
    ]
    assert desk.output.received == 16
    assert desk.entry.changed == 16


def test_after_a_change_the_ways_can_be_worked_out_before_a_message_needs_them() -> None:
    texts = ["B0 07 40", "B0 07 41", "90 3C 64", "80 3C 40", "E0 01 02"]
    told, plain = (Desk([Raiser, Counter], [Mover]) for _ in range(2))
    for desk in (told, plain):
        desk.feed(*texts)
        called.clear()
        desk.engine.change(desk.engine.prepare(desk.engine.rig), 0)
        assert not called
    while told.engine.plan_again():
        pass
    assert called == ["raiser"] * 2
    assert not told.engine.plan_again()
    assert told.feed(*texts) == plain.feed(*texts)
    told_output, plain_output = told.output, plain.output
    assert (told_output.received, told_output.sent) == (plain_output.received, plain_output.sent)
    assert told.entry.changed == plain.entry.changed == 4


def test_ways_that_lead_nowhere_any_more_are_forgotten() -> None:
    desk = Desk([Raiser], [Mover])
    desk.feed("B0 07 40", "90 3C 64", "80 3C 40")
    rig = desk.engine.rig
    desk.engine.change(desk.engine.prepare(replace(rig, outputs=rig.outputs[1:])), 0)
    while desk.engine.plan_again():
        pass
    assert desk.feed("B0 07 40") == [("out1", "B4 07 40")]
