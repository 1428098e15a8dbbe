"""watch on real ports: beside a running rig, and by itself, while aplaymidi plays.

What it shows of an output is compared with what arecordmidi has recorded there.
"""

from __future__ import annotations

import re
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sequencer import (
    COMMAND,
    PATIENCE_S,
    card_ports,
    on_alsa,
    play,
    port,
    ports,
    recording,
    running,
    send_raw,
    until,
)
from test_live import write_song

pytestmark = on_alsa

RIG = """\
rig: harbour
input: {port: "virtual:Watched Stage"}
outputs:
  tug:
    port: "virtual:Watched Tug"
    device: tug.yaml
    chain:
      - {plugin: channel_remap, map: {1: 5}}
      - {plugin: cc_reset, controls: {cutoff: device}, when: [note_off], window: 2s}
"""
DEVICE = "device: Tug\nchannel: 5\ncontrols: {cutoff: {cc: 74, home: 64}}\n"
SONG = [b"\xb0\x4a\x10", b"\x90\x3c\x64", b"\x80\x3c\x40", b"\xe0\x00\x50", b"\xc0\x0b"]
SAID = [
    "control 74 (cutoff) 16 channel 5", "note C4 100 channel 5", "note_off C4 64 channel 5",
    "control 74 (cutoff) 64 channel 5", "bend +2048 channel 5", "program 12 (byte 11) channel 5",
]  # fmt: skip


_LINE = re.compile(r"[\d.]+  (\S+) +((?:[0-9A-F]{2} )*[0-9A-F]{2}) +(\S.*)")


class Watch:
    """A `pointsman watch` that prints lines."""

    def __init__(self, process: subprocess.Popen[bytes], printed: Path) -> None:
        self.process = process
        self._printed = printed

    @property
    def lines(self) -> list[str]:
        """What it has printed so far."""
        return self._printed.read_text("utf-8").splitlines()

    def tells(self, text: str) -> None:
        """Wait until it has said this."""
        until(lambda: any(text in line for line in self.lines), text)

    def of(self, output: str) -> list[tuple[bytes, str]]:
        """The messages of one output: bytes and words."""
        found = [match.groups() for line in self.lines if (match := _LINE.fullmatch(line))]
        return [(bytes.fromhex(data), words) for where, data, words in found if where == output]


@contextmanager
def watching(folder: Path, *arguments: str) -> Iterator[Watch]:
    """Watch, from the first line to SIGTERM."""
    printed = folder / "watch.txt"
    with printed.open("wb") as file:
        process = subprocess.Popen([*COMMAND, "watch", *arguments], stdout=file)
    try:
        watch = Watch(process, printed)
        until(lambda: bool(watch.lines) or process.poll() is not None, "its first line")
        yield watch
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 143
    finally:
        process.kill()
        process.wait()


def write_files(folder: Path) -> tuple[Path, Path]:
    """The rig and the song."""
    (folder / "tug.yaml").write_text(DEVICE)
    rig = folder / "rig.yaml"
    rig.write_text(RIG)
    song = write_song(folder / "song.mid", [(24, data) for data in SONG])
    return rig, song


def test_beside_a_running_rig_that_ends_and_comes_back(tmp_path: Path) -> None:
    rig, song = write_files(tmp_path)
    socket = ("--socket", str(tmp_path / "c" / "control.sock"))
    with running(rig, *socket) as run, watching(tmp_path, *socket) as watch:
        assert watch.lines == [f"# harbour, running as process {run.process.pid}"]
        with recording(port("Watched Tug").address, tmp_path) as tug:
            play(song, port("Watched Stage").address)
            watch.tells("program 12 (byte 11) channel 5")
        assert [data for data, _ in watch.of("tug")] == tug
        assert [words.partition("  ")[0] for _, words in watch.of("tug")] == SAID
        assert [data for data, _ in watch.of("input")] == SONG
        assert run.stop() == 0
        watch.tells("# the service has ended; waiting for it to come back")
        with running(rig, *socket) as again:
            watch.tells(f"# attached again: harbour, running as process {again.process.pid}")
            play(song, port("Watched Stage").address)
            until(lambda: len(watch.of("tug")) == 2 * len(SAID), "the song again")


def test_by_itself_with_a_rig_and_with_an_input_alone(tmp_path: Path) -> None:
    rig, song = write_files(tmp_path)
    none = ("--input", "virtual:Watched Stage")
    with watching(tmp_path, str(rig), *none) as watch:
        assert watch.lines[0].startswith(f"# dry run of {rig}: nothing is sent; input virtual:")
        play(song, port("Watched Stage").address)
        watch.tells("program 12 (byte 11) channel 5")
        assert [words.partition("  ")[0] for _, words in watch.of("tug")] == SAID
        assert not [p for p in ports() if p.name == "Watched Tug"]
    card, _ = card_ports()
    assert card.card is not None
    with watching(tmp_path, "--input", card.name) as watch:
        assert watch.lines == [f"# the input {card.name} alone, without a rig"]
        send_raw(card.card, SONG[1])
        watch.tells("note C4 100 channel 1")
        assert watch.of("input") == [(SONG[1], "note C4 100 channel 1")]
