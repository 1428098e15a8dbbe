"""The ten rules of the engine (docs/how-it-works.md), as tables of input and output.

Rules 1 and 8 have more in tests/property, where the plugins are wrong on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from engine_kit import Desk, entry, lines, output, rig

from pointsman.plugin import Emission, Plugin, PluginOptions, note_on
from pointsman.rig import EntrySpec


class Climber(Plugin[PluginOptions]):
    """Moves each note message a semitone further than the last: the note-offs go astray."""

    name = "climber"

    def __init__(self, options: PluginOptions, host: object) -> None:
        super().__init__(options, host)  # type: ignore[arg-type]  # passed on as it came
        self._up = -1

    def _move(self, data: bytes, t_ns: int) -> Emission:
        self._up += 1
        return bytes((data[0], data[1] + self._up, data[2]))

    on_note_on = on_note_off = _move


class Fails(Plugin[PluginOptions]):
    """Plays a note along with every note, and raises at a bend."""

    name = "fails"

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Play along, and once more later, with nobody to end it."""
        self.host.at(t_ns + 1_000_000, lambda later_ns: note_on(0, 99, 1))
        return [data, note_on(0, data[1] + 12, data[2])]

    def on_bend(self, data: bytes, t_ns: int) -> Emission:
        """Raise."""
        raise RuntimeError("bent")


@dataclass(frozen=True)
class Case:
    """A chain, what it hears and what it sends."""

    rule: str
    chain: tuple[EntrySpec, ...]
    log: str
    sent: str
    input_chain: tuple[EntrySpec, ...] = field(default=())


ALL_RULES = [
    Case(
        "1: a note-off goes where its note-on went",
        (entry(Climber),),
        "0 90 3C 64\n5 80 3C 40",
        "0 90 3C 64\n5 80 3C 40",
    ),
    Case(
        "1: also behind the input's chain",
        (),
        "0 90 3C 64\n1 90 3C 64\n5 80 3C 40\n6 80 3C 40",
        "0 90 3C 64\n1 90 3D 64\n5 80 3C 40\n6 80 3D 40",
        input_chain=(entry(Climber),),
    ),
    Case(
        "2: note-on with velocity 0 is a note-off, and passes as it was written",
        (entry("note_limit", voices=1),),
        "0 90 3C 64\n1 90 3C 00\n2 90 40 64\n3 90 40 00",
        "0 90 3C 64\n1 90 3C 00\n2 90 40 64\n3 90 40 00",
    ),
    Case(
        "3: no plugin scales, limits or resets a mode message",
        (
            entry("message_filter", drop=["control"]),
            entry("cc_scale", control=119, to=[127, 0]),
            entry("cc_reset", controls={119: 5}, after="1ms"),
        ),
        "\n".join(f"{n} B0 {n:02X} 00" for n in range(120, 128)),
        "\n".join(f"{n} B0 {n:02X} 00" for n in range(120, 128)),
    ),
    Case(
        "3: All Sound Off clears the notes from a plugin's memory",
        (entry("note_limit", voices=1),),
        "0 90 3C 64\n1 B0 78 00\n2 90 40 64",
        "0 90 3C 64\n1 B0 78 00\n2 90 40 64",
    ),
    Case(
        "3: All Notes Off does, on its own channel",
        (entry("note_limit", voices=1),),
        "0 90 3C 64\n0 91 3C 64\n1 B0 7B 00\n2 90 40 64\n2 91 40 64",
        "0 90 3C 64\n0 91 3C 64\n1 B0 7B 00\n2 90 40 64\n2 81 3C 40\n2 91 40 64",
    ),
    Case(
        "4: what is sent because of a message comes before it",
        (entry("cc_reset", controls={74: 64}),),
        "0 B0 4A 7F\n50 90 3C 64\n100 B0 4A 7F\n150 FC",
        "0 B0 4A 7F\n50 B0 4A 40\n50 90 3C 64\n100 B0 4A 7F\n150 B0 4A 40\n150 FC",
    ),
    Case(
        "4: what was due earlier comes first, also at the very time of a message",
        (entry("cc_reset", controls={74: 64, 1: 0}, after="10ms", when=["stop"]),),
        "0 B0 4A 7F\n0 B0 01 7F\n10 C0 05\n30 C0 06",
        "0 B0 4A 7F\n0 B0 01 7F\n10 B0 4A 40\n10 B0 01 00\n10 C0 05\n30 C0 06",
    ),
    Case("5: System Reset is never passed on", (), "0 FF\n1 F8", "1 F8"),
    Case(
        "5: not even where a filter lets it",
        (entry("message_filter", pass_=["system_reset", "clock"]),),
        "0 FF\n1 F8",
        "1 F8",
    ),
    Case("5: active sensing is dropped unless asked for", (), "0 FE\n1 F8", "1 F8"),
    Case(
        "6: RPN, NRPN, data entry and bank select keep their order and are never merged",
        (entry("cc_reset", controls={74: 64}), entry("cc_scale", control=74, to=[0, 127])),
        "0 B0 65 00\n0 B0 64 00\n0 B0 06 02\n0 B0 06 02\n0 B0 26 00\n0 B0 60 00\n0 B0 61 00\n"
        "0 B0 63 01\n0 B0 62 08\n0 B0 06 40\n1 B0 00 01\n1 B0 20 02\n1 C0 05",
        "0 B0 65 00\n0 B0 64 00\n0 B0 06 02\n0 B0 06 02\n0 B0 26 00\n0 B0 60 00\n0 B0 61 00\n"
        "0 B0 63 01\n0 B0 62 08\n0 B0 06 40\n1 B0 00 01\n1 B0 20 02\n1 C0 05",
    ),
    Case(
        "8: a plugin that raises is bypassed, and what it held is released",
        (entry(Fails), entry("channel_remap", map={1: 3})),
        "0 90 3C 64\n5 E0 00 40\n9 90 40 64\n12 80 3C 40",
        """
        0 92 3C 64
        0 92 48 64
        1 92 63 01
        5 82 63 40  # its own note; the two of the held key sound on
        5 E2 00 40
        9 92 40 64
        12 82 3C 40
        12 82 48 40
        """,
    ),
    Case(
        "9: SysEx passes whole and unchanged",
        (entry("channel_remap", map={1: 3}, others="drop"),),
        "0 F0 7D 01 02 03 04 05 06 07 08 09 0A F7\n1 F0 00 00 7D 10 F7",
        "0 F0 7D 01 02 03 04 05 06 07 08 09 0A F7\n1 F0 00 00 7D 10 F7",
    ),
    Case(
        "10: what no plugin is concerned with leaves as it came",
        (entry("note_limit", voices=4), entry("cc_scale", control=1, to=[5, 6])),
        "0 80 3C 11\n1 90 3C 64\n2 90 3C 64\n3 80 3C 7F\n4 A0 3C 05\n5 F1 12\n6 F3 02\n7 F6",
        "0 80 3C 11\n1 90 3C 64\n2 90 3C 64\n3 80 3C 7F\n4 A0 3C 05\n5 F1 12\n6 F3 02\n7 F6",
    ),
]


@pytest.mark.parametrize("case", ALL_RULES, ids=[case.rule for case in ALL_RULES])
def test_rule(case: Case) -> None:
    desk = Desk(rig(output("tug", *case.chain), input_chain=case.input_chain))
    assert desk.hear(case.log) == [f"tug {line}" for line in lines(case.sent)]


def test_rule_5_active_sensing_goes_only_where_asked_for() -> None:
    desk = Desk(rig(output("tug"), output("gull", active_sensing=True)))
    assert desk.hear("0 FE\n1 F8") == ["gull 0 FE", "tug 1 F8", "gull 1 F8"]


def test_rule_7_the_same_input_gives_the_same_however_often_time_is_told() -> None:
    chain = (
        entry("cc_reset", controls={74: 64}, after="1/16", when=["stop"]),
        entry("note_limit", voices=1),
    )
    log = "0 B0 4A 7F\n20 F8\n40 F8\n60 90 3C 64\n61 90 40 64\n80 F8\n100 B0 4A 10\n120 F8"
    at_once, in_steps = Desk(rig(output("tug", *chain))), Desk(rig(output("tug", *chain)))
    at_once.hear(log)
    at_once.advance(2000)
    now_ms = 0
    for line in log.splitlines():
        while now_ms < int(line.split()[0]):
            now_ms += 1
            in_steps.advance(now_ms)
        in_steps.hear(line)
    for later_ms in range(now_ms, 2001):
        in_steps.advance(later_ms)
    assert in_steps.lines == at_once.lines
    assert len(at_once.lines) == 8 + 1 + 1, "all that came in, a stolen note, a control sent home"


def test_rule_8_every_other_plugin_and_output_plays_on() -> None:
    spread = entry("channel_remap", map={1: [1, 2]})
    desk = Desk(rig(output("tug", entry(Fails), spread), output("gull", spread)))
    assert desk.hear("0 E0 00 40\n5 C0 05") == lines(
        """
        tug 0 E0 00 40
        tug 0 E1 00 40
        gull 0 E0 00 40
        gull 0 E1 00 40
        tug 5 C0 05
        tug 5 C1 05
        gull 5 C0 05
        gull 5 C1 05
        """
    )
    assert [(fault.output, fault.entry.name) for fault in desk.engine.faults] == [("tug", "fails")]
