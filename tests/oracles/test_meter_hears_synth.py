"""find-channel with a meter, played to a synth and sounds that nobody here made.

The synth is TinySoundFont (PyPI: tinysoundfont, MIT), its sounds are those of Debian's
timgm6mb-soundfont (GPL-2): pianos that die away, strings that begin slowly, organs. It renders the
very notes of the search, on one channel or on all, into a room with noise; the levels are taken
from that sound as `--audio` takes them.
"""

from __future__ import annotations

import array
import random
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from fetching import fetched
from pointsman.probing.meter import level_of
from pointsman.probing.search import Finding, Plan, search
from pointsman.probing.steps import Play, Witness
from pointsman.units import NS_PER_S
from probe_kit import MS, Synth, World

FONT = "timgm6mb-soundfont"
RATE = 16_000
BLOCK = RATE // 20
"""50 ms, as `--audio` has it."""

SOUNDS = {"piano": 0, "organ": 16, "strings": 48, "slow strings": 49, "pad": 89, "kalimba": 108}


@pytest.fixture(scope="module")
def tiny(pypi: Callable[[str, str], ModuleType]) -> Any:
    return pypi("tinysoundfont", "tinysoundfont._tinysoundfont")


@pytest.fixture(scope="module")
def font() -> Path:
    unpack = ["sh", "-c", f"dpkg-deb -x {FONT}_*.deb ."]
    folder = fetched(FONT, ["apt-get", "download", FONT], unpack)
    (found,) = [path for path in folder.glob("usr/share/sounds/sf2/*.sf2") if not path.is_symlink()]
    return found


class Room(World):
    """A world where a real synth is heard, and a meter hears nothing but the room else."""

    def __init__(self, synth: Any, hears: frozenset[int], noise: int) -> None:
        super().__init__(Synth(hears), reacts_ns=None)
        self._sound = synth
        self._draw = random.Random(1)
        self._loudest = noise
        self.peak = -200.0

    def _play(self, play: Play) -> Witness:
        super()._play(play)
        levels: list[tuple[int, float]] = []
        events = list(play.events)
        for n in range(play.length_ns * RATE // NS_PER_S // BLOCK):
            t_ns = n * BLOCK * NS_PER_S // RATE
            while events and events[0][0] <= t_ns:
                self._tell(events.pop(0)[1])
            levels.append((t_ns + 50 * MS, level_of(self._block())))  # known when it is over
        for _, data in events:
            self._tell(data)
        self.peak = max(self.peak, *(level for _, level in levels))
        return Witness(levels=tuple(levels))

    def _tell(self, data: bytes) -> None:
        if self.synth.plays(data):
            self._sound.channel_note_on(0, data[1], data[2] / 127)
        elif data[0] & 0xF0 == 0x80 and (data[0] & 0x0F) + 1 in self.synth.hears:
            self._sound.channel_note_off(0, data[1])

    def _block(self) -> bytes:
        sound = bytearray(4 * BLOCK)
        self._sound.render(sound)
        samples = memoryview(sound).cast("f")
        heard = [
            round(32767 * s) + self._draw.randint(-self._loudest, self._loudest) for s in samples
        ]
        return array.array("h", [max(-32768, min(32767, s)) for s in heard]).tobytes()


@pytest.fixture
def listen(tiny: Any, font: Path) -> Callable[..., tuple[Finding, Room]]:
    """Searches with one of the sounds; what was found, and the room."""

    def search_with(program: int, hears: frozenset[int], noise: int = 30) -> tuple[Finding, Room]:
        synth = tiny.SoundFont(str(font))
        synth.set_output(tiny.OutputMode.Mono, RATE, 0.0)
        synth.channel_set_preset_number(0, program, False)
        room = Room(synth, hears, noise)
        return room.perform(search(Plan(has_meter=True, has_person=False))), room

    return search_with


Listen = Callable[..., tuple[Finding, Room]]


@pytest.mark.parametrize("sound", SOUNDS)
def test_the_channel_is_found_by_the_sound_of_a_real_synth(listen: Listen, sound: str) -> None:
    found, room = listen(SOUNDS[sound], frozenset({5}))
    assert found.channels == (5,)
    assert room.peak < -6  # and it is quiet


def test_omni_is_told_by_its_sound(listen: Listen) -> None:
    found, _ = listen(SOUNDS["organ"], frozenset(range(1, 17)))
    assert found.channels == tuple(range(1, 17))


def test_silence_in_a_noisy_room_is_silence(listen: Listen) -> None:
    found, _ = listen(SOUNDS["piano"], frozenset(), noise=600)
    assert found.channels == ()
