"""find-channel and sweep on the ALSA sequencer, played to a software synth at a real terminal.

The synth is written with python-rtmidi and mido: its own client of the sequencer, with an input
and an output of one name. It hears notes on one channel, and sends what it plays.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import mido
import pytest
from sequencer import COMMAND, PATIENCE_S, on_alsa, running, until

from pointsman.cli import main
from pointsman.live.client import NoService, ask

pexpect = pytest.importorskip("pexpect")
pytestmark = on_alsa

CLIENT, PORT = "Harbour Tug", "Boiler Room"
REPLY = bytes.fromhex("F0 7E 04 06 02 7D 01 00 02 00 01 00 00 00 F7")


class Synth:
    """Hears notes on some channels (1-16), and sends what it plays on `sends_on` if that is set."""

    def __init__(self, *hears: int, sends_on: int | None = None, speaks: bool = True) -> None:
        import rtmidi

        self.hears = hears
        self.sends_on = sends_on
        self.heard: list[mido.Message] = []
        self.on_note: Callable[[], object] = lambda: None
        self._out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name=CLIENT) if speaks else None
        if self._out is not None:
            self._out.open_virtual_port(PORT)
        self._in = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name=CLIENT)
        self._in.ignore_types(sysex=False)
        self._in.set_callback(self._take)
        self._in.open_virtual_port(PORT)

    def _take(self, event: tuple[list[int], float], data: object = None) -> None:
        message = mido.Message.from_bytes(event[0])
        self.heard.append(message)
        if message.type == "sysex" and self._out is not None:
            self._out.send_message(list(REPLY))
        if message.type == "note_on" and message.velocity and message.channel + 1 in self.hears:
            if self.sends_on is not None and self._out is not None:
                answer = message.copy(channel=self.sends_on - 1)
                self._out.send_message(answer.bytes())
            self.on_note()

    @property
    def sounding(self) -> set[tuple[int, int]]:
        """What sounds, by channel (0-15) and note."""
        on: set[tuple[int, int]] = set()
        for message in list(self.heard):
            if message.type == "note_on" and message.velocity:
                on.add((message.channel, message.note))
            elif message.type in ("note_off", "note_on"):
                on.discard((message.channel, message.note))
        return on

    def values(self, number: int) -> list[int]:
        """The values that a control has had."""
        return [m.value for m in list(self.heard) if m.is_cc(number)]

    def close(self) -> None:
        self._in.cancel_callback()
        time.sleep(0.05)
        for port in (self._in, self._out):
            if port is not None:
                port.close_port()
                port.delete()


@contextmanager
def synth(*hears: int, sends_on: int | None = None, speaks: bool = True) -> Iterator[Synth]:
    found = Synth(*hears, sends_on=sends_on, speaks=speaks)
    try:
        yield found
    finally:
        found.close()


@contextmanager
def terminal(*arguments: str) -> Iterator[Any]:
    child = pexpect.spawn(
        COMMAND[0], [*COMMAND[1:], *arguments], encoding="utf-8", timeout=PATIENCE_S,
        env=dict(os.environ), dimensions=(24, 100),
    )  # fmt: skip
    try:
        yield child
    finally:
        child.close(force=True)


def code(child: Any) -> int:
    """The exit code."""
    child.expect(pexpect.EOF)
    child.close()
    return int(child.exitstatus)


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process, where everything is imported: exit code, stdout, stderr."""

    def call(*arguments: str) -> tuple[int, str, str]:
        ended = main(arguments)
        printed = capsys.readouterr()
        return ended, printed.out, printed.err

    return call


def test_a_synth_that_sends_what_it_plays_is_found_by_itself(run: Run) -> None:
    """Nobody says where it can be heard: its output has the name of its input."""
    with synth(5, sends_on=5) as tug:
        ended, out, err = run("find-channel", PORT, "--yes", "--channels", "2-6")
        assert (ended, err) == (0, "")
        assert f"{PORT} hears channel 5, as its own MIDI output says." in out
        assert "It answers: maker 7D, family 1, member 2, version 01 00 00 00" in out
        assert not tug.sounding
        played = {m.channel + 1 for m in tug.heard if m.type == "note_on"}
        assert played == set(range(2, 7))


def test_omni_is_told_and_silence_explained(run: Run) -> None:
    with synth(*range(1, 17), sends_on=3) as tug:
        ended, out, _ = run("find-channel", PORT, "--yes", "--channels", "1-3")
        assert ended == 0
        assert f"{PORT} sounds on all channels" in out
        tug.hears = ()
        tug.heard.clear()
        ended, out, _ = run("find-channel", PORT, "--yes", "--channels", "1-2")
        assert ended == 1
        for cause in ("Volume", "Cable and socket", "3.5 mm", "clock only", "Local settings"):
            assert cause in out
        assert "It answered who it is" in " ".join(out.split())
        assert not tug.sounding


def test_a_person_finds_it_at_a_terminal() -> None:
    with (
        synth(5, speaks=False) as tug,
        terminal("find-channel", PORT, "--channels", "4-5") as child,
    ):
        child.expect("turned down")
        assert not tug.heard
        child.sendline("y")
        child.expect("Press Enter")
        tug.on_note = child.sendline
        child.expect("be sure")
        tug.on_note = lambda: None
        heard = {"4": "n", "5": "y"}
        while child.expect([r"Did you hear it on channel (\d+).*\]: ", "hears channel 5"]) == 0:
            child.sendline(heard[child.match[1]])
        assert code(child) == 0
        assert not tug.sounding


def test_a_sweep_that_is_killed_has_ended_every_note_and_put_back_the_control() -> None:
    with synth(1) as tug, terminal("sweep", PORT, "--control", "74", "--yes") as child:
        until(lambda: len(tug.values(74)) > 20, "the sweep moves")
        child.kill(signal.SIGTERM)
        assert code(child) == 143
        until(lambda: not tug.sounding and tug.values(74)[-1] == 64, "everything is put back")


def test_a_synth_that_goes_and_comes_back_gets_what_was_left(run: Run) -> None:
    synths = [Synth(1)]

    def replug() -> None:
        until(lambda: len(synths[0].values(71)) > 20, "the sweep moves")
        synths[0].close()
        time.sleep(2)
        synths.append(Synth(1))

    player = threading.Thread(target=replug)
    player.start()
    try:
        ended, out, err = run("sweep", PORT, "--control", "71", "--time", "60s", "--yes")
        player.join()
        assert (ended, "start anew" in err) == (1, True)
        assert "Put back: control 71 (timbre) to 64." in out
        until(lambda: synths[1].values(71) == [64], "the control is put back")
        assert synths[1].heard[0].type == "note_off"
    finally:
        player.join()
        synths[-1].close()


def answers() -> bool:
    """Whether a service answers; on an emulated machine its desk takes long to begin."""
    with suppress(NoService):
        return bool(ask({"do": "status"})["ok"])
    return False


def test_beside_a_service_that_plays_on_a_control_goes_back_to_what_that_sent(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    import rtmidi

    (tmp_path / "quay.yaml").write_text(
        f"input: {{port: 'virtual:Harbour Stage'}}\noutputs:\n  tug: {{port: '{PORT}'}}\n"
    )
    socket = tmp_path / "control" / "control.sock"
    monkeypatch.setenv("POINTSMAN_SOCKET", str(socket))
    with synth(1) as tug, running(tmp_path / "quay.yaml"):
        stage = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="Sequencer")
        names = stage.get_ports()
        stage.open_port(next(n for n, name in enumerate(names) if "Harbour Stage" in name))
        until(answers, "the service answers")
        stage.send_message([0xB0, 20, 77])
        until(lambda: tug.values(20) == [77], "the service plays")
        ended, out, err = run("sweep", "tug", "--control", "20", "--time", "1s", "--yes")
        assert (ended, err) == (0, "")
        assert "The service runs quay on this port" in out
        assert "back to 77 (what the service sent last)" in out
        until(lambda: tug.values(20)[-1] == 77, "it is put back")
        assert len(tug.values(20)) > 20
        stage.send_message([0xB0, 20, 3])
        until(lambda: tug.values(20)[-1] == 3, "the service plays on")
        stage.close_port()
        stage.delete()
