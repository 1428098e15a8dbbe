"""A running rig on real ports: plugs, kills, reloads, songs and panic, while aplaymidi plays.

What arrives is recorded by arecordmidi, or at the device's own end of a USB cable.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import mido
import pytest
from sequencer import (
    PATIENCE_S,
    Heard,
    on_alsa,
    play,
    pointsman,
    port,
    ports,
    recording,
    running,
    until,
)

from pointsman.ports.resolve import SYSTEM

pytestmark = on_alsa
with_plugs = pytest.mark.skipif(
    shutil.which("usbmidi") is None,
    reason="needs the program usbmidi, which makes USB MIDI devices come and go",
)

STAGE = "Harbour Stage"
NOTES, STEP_TICKS = 20, 48
"""At 480 ticks a quarter note and 120 a minute: 20 notes of 25 ms, 50 ms apart, take 1 s."""


def write_song(path: Path, events: Sequence[tuple[int, bytes]]) -> Path:
    """Write messages, each with the ticks since the one before."""
    track = mido.MidiTrack(mido.Message.from_bytes(data, time=ticks) for ticks, data in events)
    song = mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track])
    song.save(path)
    return path


def stream(path: Path) -> Path:
    """A song of short notes, one after the other, and a control that wanders."""
    events = []
    for n in range(NOTES):
        events.append((STEP_TICKS // 2, bytes((0x90, 40 + n, 100))))
        events.append((0, bytes((0xB0, 74, n))))
        events.append((STEP_TICKS // 2, bytes((0x80, 40 + n, 64))))
    return write_song(path, events)


@contextmanager
def being_played(path: Path) -> Iterator[list[int]]:
    """Play to the stage, again and again, until the block ends; afterwards, how often."""
    times = [0]
    enough = threading.Event()
    address = port(STAGE).address

    def play_on() -> None:
        while not enough.is_set():
            play(path, address)
            times[0] += 1

    player = threading.Thread(target=play_on)
    player.start()
    try:
        yield times
    finally:
        enough.set()
        player.join(PATIENCE_S)
    assert not player.is_alive()


def play_now(folder: Path, *messages: bytes) -> None:
    """Play these at once, to their end."""
    play(write_song(folder / "now.mid", [(0, data) for data in messages]), port(STAGE).address)


def strikes(heard: Heard | list[bytes]) -> Counter[tuple[int, int]]:
    """How often each note (channel, number) was struck; every one must have ended, too."""
    struck: Counter[tuple[int, int]] = Counter()
    sounding: Counter[tuple[int, int]] = Counter()
    for data in heard:
        kind, key = data[0] & 0xF0, (data[0] & 0x0F, data[1])
        if kind == 0x90 and data[2]:
            struck[key] += 1
            sounding[key] += 1
        elif kind in (0x80, 0x90):
            sounding[key] -= 1
    assert not {key: count for key, count in sounding.items() if count > 0}
    return struck


class Control:
    """The control socket of a run."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "control" / "control.sock"
        self.option = ("--socket", str(self.path))
        self.state = self.path.with_suffix(".state")

    def ask(self, do: str, **more: object) -> dict[str, Any]:
        """Ask for something; the answer."""
        with socket.socket(socket.AF_UNIX) as service:
            service.settimeout(PATIENCE_S)
            service.connect(str(self.path))
            service.sendall(json.dumps({"do": do, **more}).encode() + b"\n")
            answer = json.loads(service.makefile().readline())
        assert isinstance(answer, dict)
        return answer

    def has_sent(self, output: str, count: int) -> None:
        """Wait until an output has sent so many more messages."""

        def sent() -> int:
            return int(self.ask("status")["outputs"][output]["sent"])

        before = sent()
        until(lambda: sent() >= before + count, f"more to {output}")

    def status(self) -> dict[str, Any]:
        """What `pointsman status --json` prints."""
        done = pointsman("status", "--json", *self.option)
        assert done.returncode == 0, done.stderr
        status = json.loads(done.stdout)
        assert isinstance(status, dict)
        return status


@pytest.fixture
def control(tmp_path: Path) -> Control:
    return Control(tmp_path)


def usbmidi(*arguments: str) -> None:
    subprocess.run(["usbmidi", *arguments], check=True, timeout=PATIENCE_S)


@pytest.fixture
def tug() -> Iterator[str]:
    """A USB device in its socket; its full name as an output."""
    usbmidi("plug", "Tug")
    try:
        until(lambda: bool(_outputs("Tug")), "the device")
        yield _outputs("Tug")[0]
    finally:
        if _outputs("Tug"):
            usbmidi("unplug", "Tug")


def _outputs(client: str) -> list[str]:
    return [p.full_name for p in ports("-o") if p.client_name == client]


@contextmanager
def arriving() -> Iterator[list[bytes]]:
    """What arrives at the device."""
    until(lambda: bool(_outputs("f_midi")), "the device's own end")
    heard: list[bytes] = []
    end = SYSTEM.open_input(_outputs("f_midi")[0])
    end.start(heard.append, lambda fault: None)
    try:
        yield heard
    finally:
        end.close()


CABLES = f"""\
rig: harbour
input: {{port: "virtual:{STAGE}"}}
outputs:
  tug:
    port: "Tug"
    opening: [{{program: 3, channel: 1}}]
    chain: [{{plugin: cc_reset, controls: {{71: 64}}, when: [stop]}}]
  gull: {{port: "virtual:Harbour Gull"}}
"""


@with_plugs
def test_a_plug_pulled_and_put_back_during_play(tmp_path: Path, control: Control, tug: str) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text(CABLES)
    song = stream(tmp_path / "song.mid")
    held = b"\x90\x1e\x64"
    with running(rig, *control.option) as run:
        gull_port = port("Harbour Gull").address
        with recording(gull_port, tmp_path) as gull, being_played(song) as times:
            control.has_sent("tug", 10)
            usbmidi("unplug", "Tug")
            run.tells("output lost")
        assert strikes(gull).total() == NOTES * times[0]  # the rest has played on
        play_now(tmp_path, held, b"\xb0\x4a\x2a", b"\xc0\x07")
        status = control.status()
        assert status["outputs"]["tug"]["state"] == "lost"
        assert status["outputs"]["tug"]["found"] is None
        assert status["outputs"]["gull"]["state"] == status["input"]["state"] == "open"
        assert status["outputs"]["tug"]["unsent"]["the port was gone"] >= 3
        run.process.send_signal(signal.SIGSTOP)  # so that we hear it from the first byte
        usbmidi("plug", "Tug")
        with arriving() as heard:
            run.process.send_signal(signal.SIGCONT)
            run.tells("output is back")
            until(lambda: heard[-2:] == [b"\xc0\x07", b"\xb0\x4a\x2a"], "the greeting")
            offs = heard[:-2]
            assert offs
            assert {data[0] for data in offs} == {0x80}
            assert bytes((0x80, held[1], 64)) not in offs
            play_now(tmp_path, bytes((0x80, held[1], 64)), b"\x90\x3c\x64", b"\x80\x3c\x40")
            until(lambda: heard[-1] == b"\x80\x3c\x40", "a note")
            assert heard[-3] == bytes((0x80, held[1], 64))
        back = control.ask("status")["outputs"]["tug"]
        assert (back["state"], back["times_lost"], back["sounding"]) == ("open", 1, [])
    assert not control.state.exists()


@with_plugs
def test_the_next_start_ends_what_a_kill_has_left(
    tmp_path: Path, control: Control, tug: str
) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text(CABLES)
    with running(rig, *control.option) as run:
        play_now(tmp_path, b"\x91\x3c\x64", b"\x90\x30\x64", b"\xb0\x47\x10")
        until(lambda: '"B0 47 40"' in _text(control.state), "the state file")
        run.process.kill()
        run.process.wait()
    with arriving() as heard:
        with running(rig, *control.option) as run:
            (told,) = run.tells("the last run was killed")
            assert (told["rig"], told["messages_to_end_it"]) == ("harbour", 7)
            until(lambda: b"\xc0\x02" in heard, "the opening")
            assert heard == [
                *(b"\xb0\x7b\x00", b"\xb0\x78\x00", b"\xb1\x7b\x00", b"\xb1\x78\x00"),
                *(b"\x80\x30\x40", b"\x81\x3c\x40", b"\xb0\x47\x40", b"\xc0\x02"),
            ]
        assert not control.state.exists()


def _text(path: Path) -> str:
    return path.read_text() if path.exists() else ""


SET = f"""\
rig: harbour
input: {{port: "virtual:{STAGE}"}}
songs: {{rigs: {{storm: storm.yaml}}, program_channel: 16}}
safety: {{panic: {{control: 119, channel: 16}}}}
outputs:
  tug:
    port: "virtual:Harbour Tug"
    chain: [{{plugin: channel_remap, map: {{1: 5}}}}]
"""
STORM = SET.replace("1: 5", "1: 6").replace("songs:", "# songs:")


def test_reloads_and_songs_while_it_plays(tmp_path: Path, control: Control) -> None:
    """Every note has its note-off at its own place, and none is lost or doubled."""
    rig = tmp_path / "rig.yaml"
    rig.write_text(SET)
    (tmp_path / "storm.yaml").write_text(STORM)
    song = stream(tmp_path / "song.mid")
    with running(rig, *control.option) as run:
        tug_port = port("Harbour Tug").address
        with recording(tug_port, tmp_path) as tug, being_played(song) as times:
            control.has_sent("tug", 10)
            for channel in (7, 8):
                rig.write_text(SET.replace("1: 5", f"1: {channel}"))
                assert control.ask("reload") == {"ok": True, "rig": "harbour", "warnings": []}
                control.has_sent("tug", 10)
            rig.write_text(SET.replace("1: 5", "1: 50"))
            assert len(control.ask("reload")["problems"]) == 1
            assert control.ask("song", song="storm")["ok"]
            assert control.ask("status")["song"] == "storm"
            rig.write_text(SET)
            run.process.send_signal(signal.SIGHUP)
            run.tells("reloaded", 3)
        struck = strikes(tug)
    assert struck.total() == NOTES * times[0]
    assert {channel for channel, _ in struck} >= {4, 5, 6, 7}
    controls = [data for data in tug if data[0] & 0xF0 == 0xB0 and data[1] == 74]
    assert [data[2] for data in controls] == times[0] * [*range(NOTES)]


def test_panic_by_command_and_by_a_switch_and_one_socket_is_for_one_run(
    tmp_path: Path, control: Control
) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text(SET)
    (tmp_path / "storm.yaml").write_text(STORM)
    note, off = b"\x94\x3c\x64", b"\x84\x3c\x40"
    silence = [off, b"\xb4\x7b\x00", b"\xb4\x78\x00"]
    pedals = [b"\xb4\x40\x00", b"\xb4\x42\x00", b"\xb4\x43\x00"]
    with running(rig, *control.option) as run:
        with recording(port("Harbour Tug").address, tmp_path) as tug:
            play_now(tmp_path, b"\x90\x3c\x64")
            assert control.ask("status")["outputs"]["tug"]["sounding"] == [[5, 60]]
            assert pointsman("panic", *control.option).returncode == 0
            play_now(tmp_path, b"\x90\x3c\x64", b"\xbf\x77\x7f", b"\xbf\x77\x00")
            status = control.ask("status")
            assert (status["panics"], status["outputs"]["tug"]["sounding"]) == (2, [])
        assert tug == 2 * [note, *silence, *pedals]  # the switch itself has gone no further
        second = pointsman("run", str(rig), *control.option)
        assert second.returncode == 1
        assert second.stderr.splitlines() == [
            f"{control.path}: in use by process {run.process.pid}, which runs a rig already; "
            "end that one first, or give this one a place of its own with --socket PATH"
        ]
        assert len([p for p in ports() if p.name == STAGE]) == 1
        assert control.ask("status")["pid"] == run.process.pid
