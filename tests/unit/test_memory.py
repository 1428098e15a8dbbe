"""What an output remembers, and in what order a synth is told again.

A stream is hex; `restored` is what comes back of it, as hex, too.
"""

from __future__ import annotations

import sys
from types import FrameType

import pytest

from pointsman.live.memory import MOST_PARAMETERS, RESETS, Memory


def split(text: str) -> list[bytes]:
    return [bytes.fromhex(part) for part in text.split(",") if part.strip()]


def heard(text: str) -> Memory:
    memory = Memory()
    for data in split(text):
        memory.note(data)
    return memory


def shown(messages: list[bytes]) -> str:
    return ", ".join(data.hex(" ").upper() for data in messages)


# name: what was sent, what is restored
STREAMS = {
    "nothing": ("", ""),
    "notes, pressure, clock, SysEx and modes are not sent again": (
        "90 3C 64, A0 3C 10, D0 20, F8, F0 7D 01 F7, F2 00 00, B0 7E 01, B0 7A 00, 80 3C 40",
        "",
    ),
    "the last value of a control": ("B0 4A 01, B0 4A 02", "B0 4A 02"),
    "controls by number, channels ascending": (
        "B1 4A 01, B0 5B 01, B0 01 02",
        "B0 01 02, B0 5B 01, B1 4A 01",
    ),
    "bank, program, controls, parameters, bend": (
        "E0 01 02, B0 65 00, B0 64 00, B0 06 0C, B0 4A 05, B0 00 01, B0 20 02, C0 07",
        "B0 00 01, B0 20 02, C0 07, B0 4A 05, B0 65 00, B0 64 00, B0 06 0C, B0 65 00, B0 64 00, "
        "E0 01 02",
    ),
    "a program without a bank": ("C0 07", "C0 07"),
    "a bank that waits for its program": ("B0 00 01", "B0 00 01"),
    "a program keeps its bank, and a new bank waits": (
        "B0 00 01, B0 20 02, C0 07, B0 00 03, B0 20 04",
        "B0 00 01, B0 20 02, C0 07, B0 00 03, B0 20 04",
    ),
    "the same bank once more changes nothing": (
        "B0 00 01, B0 20 02, C0 07, B0 00 01, B0 20 02",
        "B0 00 01, B0 20 02, C0 07",
    ),
    "the next program takes the bank that waited": (
        "B0 00 01, B0 20 02, C0 07, B0 20 03, C0 08",
        "B0 00 01, B0 20 03, C0 08",
    ),
    "a fine bank that came first stays first": ("B0 20 02, B0 00 01, C0 07",) * 2,
    "a pair": ("B0 07 40, B0 27 01", "B0 07 40, B0 27 01"),
    "fine after coarse, also with others between": (
        "B0 27 01, B0 07 40, B0 27 02, B0 01 05",
        "B0 01 05, B0 07 40, B0 27 02",
    ),
    "a fine value that a coarse one overruled goes before it": (
        "B0 07 40, B0 27 01, B0 07 41, B0 01 02",
        "B0 27 01, B0 01 02, B0 07 41",
    ),
    "a fine half on one channel does not bind another": (
        "B0 27 01, B1 07 40, B0 07 02",
        "B0 27 01, B0 07 02, B1 07 40",
    ),
    "several parameters, the last one selected again": (
        "B0 63 01, B0 62 08, B0 06 10, B0 65 00, B0 64 00, B0 06 02, B0 26 00, B0 63 01, B0 62 08",
        "B0 63 01, B0 62 08, B0 06 10, B0 65 00, B0 64 00, B0 06 02, B0 26 00, B0 63 01, B0 62 08",
    ),
    "the null parameter, as the stream left it": (
        "B0 65 00, B0 64 00, B0 06 02, B0 65 7F, B0 64 7F, B0 06 55",
        "B0 65 00, B0 64 00, B0 06 02, B0 65 7F, B0 64 7F",
    ),
    "a selection without a value": ("B0 63 01, B0 62 08", "B0 63 01, B0 62 08"),
    "half a number is not made up": ("B0 62 08, B0 06 10", "B0 62 08, B0 06 10, B0 62 08"),
    "data entry with nothing selected has no effect": ("B0 06 10, B0 26 01", ""),
    "both kinds, each as it was left": (
        "B0 63 01, B0 62 08, B0 65 00, B0 64 00",
        "B0 63 01, B0 62 08, B0 65 00, B0 64 00",
    ),
    "fine tuning steps by the fine half and carries": (
        "B0 65 00, B0 64 01, B0 06 40, B0 26 7F, B0 60 00",
        "B0 65 00, B0 64 01, B0 06 41, B0 26 00, B0 65 00, B0 64 01",
    ),
    "a coarse value has set the fine one to 0 before it steps": (
        "B0 65 00, B0 64 01, B0 26 05, B0 06 40, B0 61 00",
        "B0 65 00, B0 64 01, B0 06 3F, B0 26 7F, B0 65 00, B0 64 01",
    ),
    "coarse tuning steps by the coarse half and ends at the end": (
        "B0 65 00, B0 64 02, B0 06 01, B0 61 00, B0 61 00",
        "B0 65 00, B0 64 02, B0 06 00, B0 65 00, B0 64 02",
    ),
    "where the step is the synth's own affair the value is not known": (
        "B0 63 01, B0 62 08, B0 06 10, B0 60 00",
        "B0 63 01, B0 62 08",
    ),
    "a step from an unknown value": ("B0 65 00, B0 64 02, B0 60 00", "B0 65 00, B0 64 02"),
    "steps with nothing selected": ("B0 60 00, B0 61 00", ""),
    "Reset All Controllers": (
        "B0 01 10, B0 07 20, B0 0A 30, B0 0B 40, B0 40 7F, B0 45 7F, B0 4A 11, E0 00 00, C0 05, "
        "B0 65 00, B0 64 00, B0 06 0C, B1 01 10, B0 79 00",
        "C0 05, B0 01 00, B0 07 20, B0 0A 30, B0 0B 7F, B0 40 00, B0 45 7F, B0 4A 11, "
        "B0 65 00, B0 64 00, B0 06 0C, B0 65 7F, B0 64 7F, E0 00 40, B1 01 10",
    ),
    "Reset All Controllers overrules a fine half": (
        "B0 01 10, B0 21 05, B0 79 00",
        "B0 21 05, B0 01 00",
    ),
    "Reset All Controllers says nothing of what was never sent": ("B0 79 00", ""),
}


@pytest.mark.parametrize("name", STREAMS)
def test_restore(name: str) -> None:
    sent, restored = STREAMS[name]
    assert shown(heard(sent).restore()) == restored


# bytes that libasound's encoder makes for these (alsa-lib 1.2.8)
ENCODED = {
    "control 7 = 8193": "B0 07 40, B0 27 01",
    "RPN 0 = 2 semitones": "B0 65 00, B0 64 00, B0 06 02, B0 26 00",
    "NRPN 1234h = 300": "B0 63 24, B0 62 34, B0 06 02, B0 26 2C",
}


@pytest.mark.parametrize("name", ENCODED)
def test_sequences_stay_as_an_independent_encoder_writes_them(name: str) -> None:
    assert shown(heard(ENCODED[name]).restore()).startswith(ENCODED[name])


def test_what_rp_015_resets() -> None:
    """RP-015, Response to Reset All Controllers: expression to 127, modulation and pedals to 0."""
    assert RESETS == {11: 127, 1: 0, 64: 0, 65: 0, 66: 0, 67: 0}


def test_restoring_twice_says_the_same() -> None:
    memory = heard("B0 00 01, C0 07, B0 27 01, B0 07 40, B0 65 00, B0 64 00, B0 06 02, E0 00 40")
    first = memory.restore()
    assert memory.restore() == first
    for data in first:  # the output sends it, so it is heard again
        memory.note(data)
    assert memory.restore() == first


def test_struck_notes_are_kept_until_all_is_quiet() -> None:
    memory = heard("94 40 64, 90 3C 64, 90 24 01, 80 3C 40, 91 30 00")
    assert memory.struck() == {0: [36, 60], 4: [64]}
    assert shown(memory.off_messages()) == "80 24 40, 80 3C 40, 84 40 40"
    assert shown(memory.off_messages(held={0 * 128 + 36, 4 * 128 + 64})) == "80 3C 40"
    memory.all_quiet()
    assert memory.struck() == {} and memory.off_messages() == []
    assert memory.channels() == [0, 1, 4]


@pytest.mark.parametrize("status", range(0x80, 0xF0, 0x10))
def test_any_channel_message_uses_its_channel(status: int) -> None:
    memory = Memory()
    memory.note(bytes((status | 6, 1) if 0xC0 <= status < 0xE0 else (status | 6, 1, 0)))
    assert memory.channels() == [6]


def test_system_messages_use_no_channel() -> None:
    assert heard("F0 7D 01 F7, F8, FE, F2 01 02, F6").channels() == []


def test_the_value_of_a_control() -> None:
    memory = heard("B3 4A 05, B3 21 06, B3 00 07, B3 40 7F, B3 79 00")
    assert [memory.value(3, number) for number in (74, 33, 64, 0, 75)] == [5, 6, 0, None, None]
    assert memory.value(2, 74) is None


def test_parameters_without_end_do_not_fill_the_memory() -> None:
    memory = Memory()
    for number in range(MOST_PARAMETERS + 10):
        for control, value in ((99, number >> 7), (98, number & 127), (6, 1)):
            memory.note(bytes((0xB0, control, value)))
    messages = memory.restore()
    assert len(messages) == 3 * MOST_PARAMETERS + 2
    assert shown(messages[:2]) == "B0 63 00, B0 62 0A"


@pytest.mark.parametrize("data", ["90 3C 64", "80 3C 40", "B0 4A 05", "B0 01 05", "E0 00 40", "F8"])
def test_what_stands_for_itself_costs_no_further_call(data: str) -> None:
    """What a message costs on the hot path, counted in calls: the same on every machine."""
    note, message, calls = heard("B0 4A 01, B1 27 01").note, bytes.fromhex(data), 0
    note(message)

    def counter(frame: FrameType, event: str, argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(counter)
    try:
        note(message)
    finally:
        sys.setprofile(None)
    assert calls == 2  # this one, and the end of counting
