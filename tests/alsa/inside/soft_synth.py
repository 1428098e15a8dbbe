"""A synth that is a program, and hears one channel: what a newcomer has before any cable.

FluidSynth (Debian: fluidsynth, timgm6mb-soundfont) where it is installed: it makes real sound,
which goes to a file, and its own MIDI router lets one channel through. Elsewhere aseqdump of
alsa-utils stands for it, and "sound" is a note-on of that channel.
"""

from __future__ import annotations

import array
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sequencer import PATIENCE_S, SequencerPort, ports, until

SOUND_FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
HAS_FLUIDSYNTH = shutil.which("fluidsynth") is not None and SOUND_FONT.exists()
AUDIBLE = 300
"""Of 32,768: what is louder is a note, not the rounding of silence."""

QUIET_AFTER_S = 1.5
"""A synth that is to sound does so at once; the machine may be slow."""


class SoftSynth:
    """One that plays. `sounds` looks at what it has put out from some place on."""

    def __init__(self, port: SequencerPort, out: Path, loud: Callable[[bytes], bool]) -> None:
        self.port = port
        self._out = out
        self._loud = loud

    def mark(self) -> int:
        """Where what it puts out ends now."""
        return self._out.stat().st_size

    def sounds(self, since: int, within_s: float = QUIET_AFTER_S) -> bool:
        """Whether it has sounded since a mark, or does so within a time."""
        give_up = time.monotonic() + within_s
        while True:
            with self._out.open("rb") as file:
                file.seek(since)
                if self._loud(file.read()):
                    return True
            if time.monotonic() > give_up:
                return False
            time.sleep(0.1)


@contextmanager
def soft_synth(channel: int, folder: Path, name: str = "Tug") -> Iterator[SoftSynth]:
    """A synth that hears `channel` (1-16) and nothing else, until the end."""
    out = folder / "synth.out"
    loud: Callable[[bytes], bool] = _loud
    if HAS_FLUIDSYNTH:
        command = _fluidsynth(channel, folder, out, name)
    else:
        name, command = "aseqdump", ["stdbuf", "-oL", "aseqdump"]
        loud = _dumped(channel)
    before = {port.address for port in ports()}
    found: list[SequencerPort] = []

    def is_there() -> bool:
        found[:] = [p for p in ports() if p.client_name == name and p.address not in before]
        return bool(found) and out.exists()

    with out.open("wb") as file:
        stdout = subprocess.DEVNULL if HAS_FLUIDSYNTH else file
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=stdout, stderr=subprocess.DEVNULL
        )
    try:
        until(lambda: is_there() or process.poll() is not None, f"the port of {command[0]}")
        yield SoftSynth(found[0], out, loud)
    finally:
        process.kill()
        process.wait(PATIENCE_S)


def _fluidsynth(channel: int, folder: Path, out: Path, name: str) -> list[str]:
    router = folder / "router.txt"
    own = channel - 1
    router.write_text(f"router_clear\nrouter_begin note\nrouter_chan {own} {own} 1 0\nrouter_end\n")
    settings = {
        "audio.file.name": out, "audio.file.type": "raw", "midi.portname": name,
        "synth.reverb.active": 0, "synth.chorus.active": 0, "synth.gain": 2,
    }  # fmt: skip
    options = [part for key, value in settings.items() for part in ("-o", f"{key}={value}")]
    return [
        "fluidsynth", "-q", "-i", "-s", "-a", "file", "-m", "alsa_seq", "-r", "22050",
        *options, "-f", str(router), str(SOUND_FONT),
    ]  # fmt: skip


def _loud(data: bytes) -> bool:
    """Samples of 16 bits, least byte first."""
    samples = array.array("h", data[: len(data) // 2 * 2])
    return bool(samples) and max(max(samples), -min(samples)) > AUDIBLE


def _dumped(channel: int) -> Callable[[bytes], bool]:
    pattern = re.compile(rb"Note on +%d, note \d+, velocity [1-9]" % (channel - 1))
    return lambda data: pattern.search(data) is not None
