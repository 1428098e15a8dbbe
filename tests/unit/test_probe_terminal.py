"""find-channel and sweep at a real terminal, played to a synth that is a socket.

The synth is a peer in this process, behind the kind of port that docs/writing-a-plugin.md shows:
each message is a datagram. tests/alsa/inside has the same on the ALSA sequencer.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pexpect
import pytest
from stage_kit import left_over

from pointsman.device_file import load_device

ROOT = Path(__file__).parents[2]
PATIENCE_S = 30
REPLY = bytes.fromhex("F0 7E 04 06 02 7D 01 00 02 00 01 00 00 00 F7")
COMMAND = [sys.executable, "-m", "pointsman.cli"]
Child = Any
"""A `pexpect.spawn`, whose types would ask for more than they give."""


class Synth(threading.Thread):
    """Hears notes on one channel (1-16), and answers by `answer_to` if it is told where."""

    def __init__(self, channel: int) -> None:
        super().__init__(daemon=True)
        self.channel = channel
        self.heard: list[bytes] = []
        self.on_note: Callable[[], object] = lambda: None
        self.answer_to: int | None = None
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self.number: int = self._socket.getsockname()[1]
        self.start()

    def run(self) -> None:
        while data := self._socket.recv(65536):
            self.heard.append(data)
            if data[0] == 0xF0:
                self._answer(REPLY)
            elif data[0] == 0x90 | self.channel - 1 and data[2]:
                self._answer(data)
                self.on_note()

    def _answer(self, data: bytes) -> None:
        if self.answer_to is not None:
            self._socket.sendto(data, ("127.0.0.1", self.answer_to))

    def close(self) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as end:
            end.sendto(b"", ("127.0.0.1", self.number))
        self.join()
        self._socket.close()


@pytest.fixture
def synth() -> Iterator[Synth]:
    found = Synth(5)
    yield found
    found.close()


@pytest.fixture
def place(tmp_path: Path, synth: Synth, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a rig, a device file and the kind of port."""
    page = (ROOT / "docs" / "writing-a-plugin.md").read_text("utf-8")
    found = re.search(r"^```python\n# my-plugins/datagrams.py\n(.*?)^```", page, re.M | re.S)
    assert found
    (tmp_path / "my-plugins").mkdir()
    (tmp_path / "my-plugins" / "datagrams.py").write_text(found[1], "utf-8")
    (tmp_path / "devices").mkdir()
    (tmp_path / "devices" / "tug.yaml").write_text(
        "device: Tug\nchannel: 1   # as it came\ncontrols:\n  cutoff: {cc: 74, home: 30}\n", "utf-8"
    )
    (tmp_path / "harbour.yaml").write_text(
        "input: {port: 'null:'}\noutputs:\n  tug:\n"
        f"    port: 'udp:{synth.number}'\n    device: devices/tug.yaml\n"
        "plugins: {folders: [my-plugins]}\n",
        "utf-8",
    )
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("POINTSMAN_SOCKET", str(tmp_path / "none.sock"))
    return tmp_path


@pytest.fixture
def terminal(place: Path) -> Iterator[Callable[..., Child]]:
    """Runs a command at a terminal of so many columns."""
    running: list[Child] = []

    def run(*arguments: str, columns: int = 80) -> Child:
        command = [*COMMAND, *arguments]
        # without `env` a child would get what readline puts there unseen: COLUMNS
        child = pexpect.spawn(
            command[0], command[1:], encoding="utf-8", timeout=PATIENCE_S,
            dimensions=(24, columns), env=dict(os.environ),
        )  # fmt: skip
        running.append(child)
        return child

    yield run
    for child in running:
        child.close(force=True)


Terminal = Callable[..., Child]


def code(child: Child) -> int:
    """The exit code; for the end by a signal, its number below zero."""
    child.expect(pexpect.EOF)
    child.close()
    return int(-child.signalstatus if child.signalstatus else child.exitstatus)


def test_a_person_finds_the_channel_and_has_it_written(
    terminal: Terminal, synth: Synth, place: Path
) -> None:
    """The example of `--help`, on two channels."""
    child = terminal("find-channel", "tug", "--rig", "harbour.yaml", "--channels", "4,5")
    child.expect("Is the sound turned down")
    assert not synth.heard  # nothing sounds before the yes
    child.sendline("y")
    child.expect("Press Enter")
    synth.on_note = child.sendline  # quicker than any person
    child.expect("be sure")
    synth.on_note = lambda: None
    heard = {4: "n", 5: "y"}
    while child.expect([r"Did you hear it on channel (\d+).*\]: ", "hears channel 5"]) == 0:
        child.sendline(heard[int(child.match[1])])
    child.expect(r"now it says 1\):\s+channel: 5")
    child.expect(r"map: \{1: 5\}")
    child.expect("Write channel: 5 into devices/tug.yaml")
    child.sendline("")
    child.expect("Written: devices/tug.yaml")
    assert code(child) == 0
    assert "channel: 5   # as it came" in (place / "devices" / "tug.yaml").read_text("utf-8")
    assert left_over(synth.heard, {}) == []
    assert {data[2] for data in synth.heard if data[0] & 0xF0 == 0x90} == {40}


def test_no_to_the_question_plays_nothing(terminal: Terminal, synth: Synth) -> None:
    child = terminal("find-channel", "tug", "--rig", "harbour.yaml")
    child.expect("turned down")
    child.sendline("")  # Enter alone is no yes
    child.expect("nothing was played")
    assert code(child) == 1
    assert not synth.heard


def test_a_synth_that_answers_is_found_without_anybody(synth: Synth, place: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        synth.answer_to = free.getsockname()[1]
    done = subprocess.run(
        [*COMMAND, "find-channel", "tug", "--rig", "harbour.yaml", "--channels", "3-6", "--yes",
         "--write", "--listen", f"udp:{synth.answer_to}"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert "It answers: maker 7D, family 1, member 2, version 01 00 00 00, device" in done.stdout
    assert "tug hears channel 5, as its own MIDI output says." in done.stdout
    assert "channel: 5   # as it came" in (place / "devices" / "tug.yaml").read_text("utf-8")
    assert synth.heard[0] == bytes.fromhex("F0 7E 7F 06 01 F7")


def test_a_meter_command_finds_it_too(synth: Synth, place: Path) -> None:
    """The level is what the synth's own notes make it: a file that a shell loop prints."""
    level = place / "level"
    level.write_text("-70\n")
    playing = place / "tick"
    synth.on_note = lambda: level.write_text("-20\n")
    heard = synth.heard

    def follow() -> None:
        while not playing.exists():
            if heard and heard[-1][0] == 0x84:
                level.write_text("-70\n")
            threading.Event().wait(0.02)

    follower = threading.Thread(target=follow)
    follower.start()
    done = subprocess.run(
        [*COMMAND, "find-channel", "tug", "--rig", "harbour.yaml", "--channels", "4,5", "--yes",
         "--json", "--meter", f"while sleep 0.05; do cat {level}; done"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    playing.touch()
    follower.join()
    assert done.returncode == 0, done.stderr
    assert '"channels": [\n    5\n  ]' in done.stdout
    assert '"by": "meter"' in done.stdout


HOMES = {(0, 70): 0, (0, 71): 64, (0, 74): 30}


def sweeping(terminal: Terminal, *more: str, columns: int = 80) -> Child:
    child = terminal(
        "sweep", "tug", "--rig", "harbour.yaml", "--controls", "70,71,74", "--time", "1s",
        "--yes", *more, columns=columns,
    )  # fmt: skip
    child.expect("control 70")
    return child


def has_moved(synth: Synth, number: int, times: int = 10) -> None:
    for _ in range(PATIENCE_S * 20):
        if sum(data[:2] == bytes((0xB0, number)) for data in synth.heard) > times:
            return
        threading.Event().wait(0.05)
    raise AssertionError(f"control {number} does not move")


def test_names_are_typed_while_it_plays_and_go_into_the_file(
    terminal: Terminal, synth: Synth, place: Path
) -> None:
    child = sweeping(terminal)
    has_moved(synth, 70)
    child.sendline("Growl, from the deep")
    child.expect("written to devices/tug.yaml")
    child.expect("control 71")
    child.sendline("")
    child.expect("74 .cutoff")
    child.sendline("sharp")
    child.expect("it is 'cutoff'")
    child.sendline(".")
    assert code(child) == 0
    assert left_over(synth.heard, HOMES) == []
    text = (place / "devices" / "tug.yaml").read_text("utf-8")
    assert text == (
        "device: Tug\nchannel: 1   # as it came\ncontrols:\n  cutoff: {cc: 74, home: 30}\n"
        '  growl: {cc: 70, home: 0, range: [0, 127], about: "from the deep"}'
        "  # home is a guess: nothing is published\n"
    )
    assert load_device(place / "devices" / "tug.yaml", "tug", 4)[1] == []


@pytest.mark.parametrize(
    ("end", "expected"),
    [
        (lambda child: child.sendintr(), 130),
        (lambda child: child.kill(signal.SIGTERM), 143),
        (lambda child: child.sendcontrol("z"), 148),
        (lambda child: child.sendeof(), 0),
    ],
    ids=["Ctrl-C", "SIGTERM", "Ctrl-Z", "Ctrl-D"],
)
def test_however_it_is_ended_everything_is_put_back(
    terminal: Terminal, synth: Synth, end: Callable[[Child], None], expected: int
) -> None:
    child = sweeping(terminal)
    has_moved(synth, 70)
    end(child)
    assert code(child) == expected
    assert left_over(synth.heard, HOMES) == []
    assert synth.heard[-1] == b"\xb0\x46\x00"


def test_a_terminal_that_is_closed_puts_everything_back(terminal: Terminal, synth: Synth) -> None:
    child = sweeping(terminal)
    has_moved(synth, 70)
    child.close(force=False)  # hangs up
    for _ in range(100):
        if synth.heard[-1] == b"\xb0\x46\x00" and not left_over(synth.heard, HOMES):
            return
        threading.Event().wait(0.05)
    raise AssertionError(left_over(synth.heard, HOMES))


def test_a_narrow_terminal_gets_whole_words(terminal: Terminal) -> None:
    child = sweeping(terminal, columns=40)
    child.sendline(".")
    child.expect(pexpect.EOF)
    whole = (child.before or "").splitlines()
    assert max(map(len, whole)) <= 40


def test_a_pipe_without_anybody_sweeps_once_and_ends(synth: Synth, place: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "sweep", f"udp:{synth.number}", "--rig", "harbour.yaml", "--nrpn", "1:8",
         "--time", "1s", "--channel", "3", "--yes"],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert "back to 0 (a guess: nothing is published)" in done.stdout
    assert synth.heard[-2:] == [b"\xb2\x63\x7f", b"\xb2\x62\x7f"]


def test_a_reader_that_has_had_enough_ends_it_and_everything_is_put_back(
    synth: Synth, place: Path
) -> None:
    subprocess.run(
        ["bash", "-c", f"{' '.join(COMMAND)} sweep tug --rig harbour.yaml --controls 70,71 "
         "--time 1s --yes </dev/null | head -n 4"],
        capture_output=True, timeout=PATIENCE_S, check=True,
    )  # fmt: skip
    assert left_over(synth.heard, HOMES) == []
    assert synth.heard


@pytest.mark.parametrize(
    ("arguments", "expected", "why"),
    [
        (["find-channel", "quay"], 3, "port"),
        (["find-channel", "tug", "--rig", "nowhere.yaml"], 2, "nowhere.yaml:1:1: cannot be read"),
        (["find-channel", "udp:0", "--rig", "harbour.yaml"], 2, "'0' is no port number"),
        (["find-channel", "tug", "--rig", "harbour.yaml", "--channels", "0-3"], 2, "write 1 to 16"),
        (["find-channel", "tug", "--rig", "harbour.yaml", "--channels", "5-3"], 2, "write 3-5"),
        (["find-channel", "tug", "--rig", "harbour.yaml", "--note", "H9"], 2, "'H9' is no note"),
        (["find-channel", "tug", "--rig", "harbour.yaml", "--velocity", "0"], 2, "write 1 to 127"),
        (["find-channel", "tug", "--rig", "harbour.yaml"], 2, "nobody is there to hear"),
        (["find-channel", "tug", "--rig", "harbour.yaml", "--yes", "--meter", "echo deep >&2"], 1,
         "the meter 'echo deep >&2' ended without a level: deep"),
        (["find-channel", "tug", "--rig", "harbour.yaml", "--listen", "tgu", "--yes"], 3, "tgu"),
        (["sweep", "tug", "--rig", "harbour.yaml"], 2, "is required"),
        (["sweep", "tug", "--rig", "harbour.yaml", "--controls", "70-130"], 2, "write 0 to 119"),
        (["sweep", "tug", "--rig", "harbour.yaml", "--nrpn", "8"], 2, "write coarse:fine"),
        (["sweep", "tug", "--rig", "harbour.yaml", "--control", "5", "--time", "1 bar"], 2,
         "no time from"),
        (["sweep", "tug", "--rig", "harbour.yaml", "--name", "cutof"], 2, "mean 'cutoff'"),
        (["sweep", "tug", "--rig", "harbour.yaml", "--control", "5"], 2, "give it with --yes"),
        (["sweep", "tug", "--rig", "harbour.yaml", "--control", "5", "--device", "harbour.yaml"], 2,
         "harbour.yaml:1:1"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)  # fmt: skip
def test_wrong_input_is_one_line_and_nothing_sounds(
    synth: Synth, place: Path, arguments: list[str], expected: int, why: str
) -> None:
    done = subprocess.run(
        [*COMMAND, *arguments],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == expected
    assert why in done.stderr.replace("\n", " ")
    assert "Traceback" not in done.stderr
    assert not [data for data in synth.heard if data[0] & 0xF0 == 0x90]
