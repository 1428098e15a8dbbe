"""capture and replay on real ports: what aplaymidi plays is in the file, and comes out again."""

from __future__ import annotations

import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import mido
from sequencer import (
    COMMAND,
    PATIENCE_S,
    messages_of,
    on_alsa,
    play,
    port,
    recording,
    running,
    until,
)

from pointsman import load_rig
from pointsman.io_tsv import read_tsv
from pointsman.render import render

pytestmark = on_alsa

STAGE = "Harbour Stage"

RIG = f"""\
rig: harbour
input: {{port: "virtual:{STAGE}"}}
outputs:
  tug:
    port: "virtual:Harbour Tug"
    chain:
      - plugin: channel_remap
        map: {{1: 5}}
      - plugin: cc_reset
        controls: {{brightness: 64}}
      - plugin: note_limit
        voices: 1
"""


def song(path: Path) -> Path:
    """Everything that arecordmidi can record, with notes that overlap."""
    track = mido.MidiTrack()
    sysex = bytes((0xF0, 0x7D, *range(100), 0xF7))
    events: list[tuple[int, bytes]] = [(0, b"\xc0\x05"), (10, sysex), (10, b"\xe0\x00\x50")]
    for n in range(24):
        events.append((40, bytes((0xB0, 74, n))))
        events.append((0, bytes((0x90, 40 + n, 100))))
        if n:
            events.append((20, bytes((0x80, 39 + n, 64))))
    events += [(20, b"\x80\x3f\x40"), (5, b"\xa0\x30\x10"), (5, b"\xd0\x22")]
    track.extend(mido.Message.from_bytes(data, time=ticks) for ticks, data in events)
    mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track]).save(path)
    return path


@contextmanager
def capturing(path: Path, *options: str) -> Iterator[None]:
    """Capture to a file until the block ends; it must end well and have lost nothing."""
    log = path.with_suffix(".log")
    with log.open("wb") as file:
        process = subprocess.Popen(
            [*COMMAND, "capture", str(path), *options], stdout=file, stderr=subprocess.STDOUT
        )
    try:
        until(lambda: "Ctrl-C" in log.read_text() or process.poll() is not None, "capturing")
        yield
        time.sleep(0.5)  # what is on its way arrives
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 0, log.read_text()
    finally:
        process.kill()
        process.wait()
    assert "none lost" in log.read_text()


def logged(path: Path) -> list[bytes]:
    return [data for _, data in read_tsv(path)]


def until_logged(path: Path, last: bytes) -> None:
    """Wait until a capture has this; it saves every second."""
    until(lambda: path.exists() and last in logged(path), "the last message")


def test_what_aplaymidi_plays_to_a_port_is_in_the_file(tmp_path: Path) -> None:
    source = song(tmp_path / "song.mid")
    with capturing(tmp_path / "set.mid", "--input", f"virtual:{STAGE}"):
        play(source, port(STAGE).address)
    assert messages_of(tmp_path / "set.mid") == messages_of(source)


def test_a_captured_service_rendered_again_gives_what_arecordmidi_heard(tmp_path: Path) -> None:
    source, rig, path = song(tmp_path / "song.mid"), tmp_path / "harbour.yaml", tmp_path / "set.tsv"
    rig.write_text(RIG)
    socket = str(tmp_path / "control.sock")
    with (
        running(rig, "--socket", socket),
        capturing(path, "--socket", socket),
        recording(port("Harbour Tug").address, tmp_path) as heard,
    ):
        play(source, port(STAGE).address)
        until_logged(path, b"\xd0\x22")
    assert logged(path) == messages_of(source)
    render(load_rig(rig), path, tmp_path / "again")
    rendered = logged(tmp_path / "again" / "tug.tsv")
    assert len(heard) > 60
    assert rendered[: len(heard)] == heard
    assert rendered[len(heard) :] == [b"\xb4\x4a\x40"]  # the release, when nobody recorded any more


THROUGH = "Midi Through Port-0"
"""A port of the kernel's own that gives back what it is sent, and is there before us."""


def replayed(path: Path) -> subprocess.Popen[bytes]:
    command = [*COMMAND, "replay", str(path), "--to", THROUGH]
    return subprocess.Popen(command, stderr=subprocess.PIPE)


def test_a_replay_sends_what_is_in_the_file(tmp_path: Path) -> None:
    source = song(tmp_path / "song.mid")
    with recording(port(THROUGH).address, tmp_path) as heard, replayed(source) as process:
        assert process.wait(PATIENCE_S) == 0
    # last of all the bend is put back, which the file leaves where it is
    assert heard == [*messages_of(source), b"\xe0\x00\x40"]


def test_a_replay_that_is_broken_off_leaves_nothing_sounding(tmp_path: Path) -> None:
    held = tmp_path / "held.tsv"
    held.write_text("0\tB0 40 7F\n0\t90 3C 64\n0\t95 40 64\n999\t80 3C 40\n")
    with recording(port(THROUGH).address, tmp_path) as heard, replayed(held) as process:
        assert process.stderr is not None
        assert process.stderr.readline().startswith(b"Playing ")
        time.sleep(2)
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 143
    assert heard == [
        b"\xb0\x40\x7f", b"\x90\x3c\x64", b"\x95\x40\x64",
        b"\x80\x3c\x40", b"\x85\x40\x40", b"\xb0\x40\x00",
    ]  # fmt: skip
