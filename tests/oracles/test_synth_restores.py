"""A software synth that nobody here wrote, told what the memory says: it ends where it was.

The synth is TinySoundFont (PyPI: tinysoundfont, MIT), read as a receiver: program and bank, bend,
volume, pan, bend range (RPN 0) and coarse tuning (RPN 2). Its own reading of MIDI has limits,
which the streams here keep to: fine data entry stays until the next (so it is always sent with the
coarse one), fine tuning (RPN 1) adds up with what was before, it knows no NRPN values, and its
Reset All Controllers is not RP-015's.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from pointsman.live.memory import Memory

BANKS, PROGRAMS = (0, 1, 2, 3), (0, 1, 2)


def chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content


def sound_font() -> bytes:
    """The smallest sound font with these banks and programs (SoundFont 2.04, chapter 7)."""
    presets = [(bank, program) for bank in BANKS for program in PROGRAMS]
    header = "<20sHHHIII"
    phdr = b"".join(
        struct.pack(header, f"{bank}:{program}".encode(), program, bank, place, 0, 0, 0)
        for place, (bank, program) in enumerate(presets)
    ) + struct.pack(header, b"EOP", 0, 0, len(presets), 0, 0, 0)
    bags = b"".join(struct.pack("<HH", n, 0) for n in range(len(presets) + 1))
    generators = struct.pack("<HH", 41, 0) * len(presets) + bytes(4)  # each plays instrument 0
    sample = "<20sIIIIIBbHH"
    pdta = [
        (b"phdr", phdr), (b"pbag", bags), (b"pmod", bytes(10)), (b"pgen", generators),
        (b"inst", struct.pack("<20sH", b"hum", 0) + struct.pack("<20sH", b"EOI", 1)),
        (b"ibag", struct.pack("<HHHH", 0, 0, 1, 0)), (b"imod", bytes(10)),
        (b"igen", struct.pack("<HH", 53, 0) + bytes(4)),
        (b"shdr", struct.pack(sample, b"hum", 0, 64, 8, 56, 22050, 60, 0, 0, 1) + bytes(46)),
    ]  # fmt: skip
    lists = [
        b"INFO" + chunk(b"ifil", struct.pack("<HH", 2, 4)),
        b"sdta" + chunk(b"smpl", bytes(2 * 128)),
        b"pdta" + b"".join(chunk(name, content) for name, content in pdta),
    ]
    return chunk(b"RIFF", b"sfbk" + b"".join(chunk(b"LIST", content) for content in lists))


@pytest.fixture(scope="module")
def hear(
    pypi: Callable[[str, str], ModuleType], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[list[bytes]], dict[int, Any]]:
    """Plays a stream to a new synth; returns what it has come to, by channel."""
    module = pypi("tinysoundfont", "tinysoundfont._tinysoundfont")
    path: Path = tmp_path_factory.mktemp("font") / "hum.sf2"
    path.write_bytes(sound_font())

    def play(stream: list[bytes]) -> dict[int, Any]:
        synth = module.SoundFont(str(path))
        for channel in range(16):
            synth.channel_set_preset_number(channel, 0, False)
        for data in stream:
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            if kind == 0xB0:
                synth.channel_midi_control(channel, data[1], data[2])
            elif kind == 0xC0:
                synth.channel_set_preset_number(channel, data[1], False)
            else:
                synth.channel_set_pitch_wheel(channel, data[2] << 7 | data[1])
        return {channel: state(synth, channel) for channel in range(16)}

    return play


def state(synth: Any, channel: int) -> dict[str, Any]:
    return {
        word: getattr(synth, f"channel_get_{word}")(channel)
        for word in (
            *("preset_bank", "preset_number", "pitch_wheel", "pitch_range"),
            *("tuning", "volume", "pan"),
        )
    }


def stream(seed: int) -> list[bytes]:
    draw = random.Random(seed)
    found: list[tuple[int, ...]] = []
    for _ in range(draw.randrange(1, 60)):
        channel, value, fine = draw.randrange(3), draw.randrange(128), draw.randrange(128)
        control = 0xB0 | channel
        kind = draw.choice(("bank", "program", "bend", "control", "parameter", "null"))
        if kind == "bank":
            found += [(control, 0, 0), (control, 32, draw.choice(BANKS))]
        elif kind == "program":
            found.append((0xC0 | channel, draw.choice(PROGRAMS)))
        elif kind == "bend":
            found.append((0xE0 | channel, fine, value))
        elif kind == "control":
            found.append((control, draw.choice((7, 39, 10, 42, 11, 43)), value))
        elif kind == "null":
            found += [(control, 101, 127), (control, 100, 127), (control, 6, 1), (control, 38, 1)]
        else:
            found += [(control, 101, 0), (control, 100, draw.choice((0, 2)))]
            found += [(control, 6, value), (control, 38, fine)]
    return [bytes(message) for message in found]


def remembered(sent: list[bytes]) -> list[bytes]:
    memory = Memory()
    for data in sent:
        memory.note(data)
    return memory.restore()


def test_the_synth_tells_such_streams_apart(
    hear: Callable[[list[bytes]], dict[int, Any]],
) -> None:
    """Else the comparison below could not fail."""
    states = [hear(stream(seed)) for seed in range(20)]
    for word in states[0][0]:
        assert len({str(found[0][word]) for found in states}) > 2, word


def test_the_synth_ends_where_the_stream_had_left_it(
    hear: Callable[[list[bytes]], dict[int, Any]],
) -> None:
    for seed in range(300):
        sent = stream(seed)
        assert hear(remembered(sent)) == hear(sent), seed
