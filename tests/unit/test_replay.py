"""replay: what was captured is heard again, and nothing stays on when it is broken off."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from quay import Quay, controlled, load, playing, until

from pointsman.cli import main
from pointsman.io_tsv import read_tsv
from pointsman.live.run import Wishes
from pointsman.message import CLOCK, CONTINUE, START
from pointsman.ports.backend import PortBackend
from pointsman.progress import Progress
from pointsman.registry import Registry
from pointsman.replay.playing import _begin, also_played
from pointsman.replay.put_back import PutBack
from pointsman.replay.stream import from_first, from_place
from pointsman.testing import ChainTest, log

COMMAND = [sys.executable, "-m", "pointsman.cli", "replay"]
MS, S = 10**6, 10**9
ON, OFF = b"\x90\x3c\x64", b"\x80\x3c\x40"
HELD = "0.000000\t90 3C 64\n0.000000\tB0 40 7F\n0.000000\tE2 00 50\n99.000000\t80 3C 40\n"


def heard(path: Path) -> list[bytes]:
    return [data for _, data in read_tsv(path)]


def begun(folder: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, *arguments], cwd=folder, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


# ---- what is played ------------------------------------------------------------------------------


def test_the_silence_before_the_first_message_is_left_out() -> None:
    assert list(from_first([(7 * S, ON), (8 * S, OFF)])) == [(0, ON), (S, OFF)]
    assert list(from_first([])) == []


def test_from_a_place_what_was_set_before_comes_first() -> None:
    before = [
        (0, b"\xc0\x05"), (0, b"\xb0\x4a\x10"), (S, ON), (S, b"\xb0\x4a\x20"), (S, b"\xe1\x00\x50"),
    ]  # fmt: skip
    after = [(10 * S, ON), (11 * S, OFF)]
    late = [(t_ns + 5 * S, data) for t_ns, data in (*before, *after)]  # 2 s count from the first
    assert list(from_place(late, 2 * S)) == [
        (0, b"\xc0\x05"),
        (640_000, b"\xb0\x4a\x20"),  # each as late as a DIN cable would have it
        (1_600_000, b"\xe1\x00\x50"),
        (2_560_000, ON),
        (S + 2_560_000, OFF),
    ]
    assert list(from_place(before, 2 * S)) == []


def clocks(begin: int, end: int) -> list[tuple[int, bytes]]:
    return [(n * 20 * MS, CLOCK) for n in range(begin, end)]


def test_from_a_place_the_song_goes_on_where_it_is() -> None:
    found = [data for _, data in from_place([(0, START), *clocks(0, 60)], 39 * 20 * MS)]
    # clocks 39 to 41 go by; 42 is the sixteenth note 7
    assert found == [CLOCK] * 3 + [b"\xf2\x07\x00", CONTINUE] + [CLOCK] * 18


def test_from_a_place_at_which_the_song_starts_or_stands_nothing_is_added() -> None:
    for message in (START, b"\xfc"):
        messages = [(0, START), *clocks(0, 9), (200 * MS, message), *clocks(11, 30)]
        found = [data for _, data in from_place(messages, 190 * MS)]
        assert found == [message] + [CLOCK] * 19


# ---- what is put back ----------------------------------------------------------------------------


def test_pedals_and_bends_are_put_back_if_they_were_moved() -> None:
    chain = ChainTest(PutBack)
    chain.feed(0.0, ON, "B0 40 7F", "B1 42 01", "E2 00 50", "E3 7F 40", "B0 01 7F", "B0 43 7F")
    chain.feed(0.5, "B1 42 00", "E3 00 40")
    chain.close(1.0)
    assert chain.sent[9:] == log("""
        1.0  80 3C 40
        1.0  B0 40 00
        1.0  E2 00 40
        1.0  B0 43 00
    """)


def test_what_a_reset_has_put_back_is_not_put_back_again() -> None:
    chain = ChainTest(PutBack)
    chain.feed(0.0, "B0 40 7F", "E0 00 50", "B1 40 7F", "B0 79 00")
    chain.close(1.0)
    assert chain.sent[4:] == log("1.0  B1 40 00")


# ---- the command ---------------------------------------------------------------------------------


def test_a_file_goes_to_a_port(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source, back = tmp_path / "set.tsv", tmp_path / "back.tsv"
    source.write_text("5.0\tFA\n5.0\tF8\n5.0\t90 3C 64\n5.1\t80 3C 40\n5.1\tF0 7D 01 F7\n5.2\tFC\n")
    assert main(["replay", str(source), "--to", f"file:{back}"]) == 0
    assert heard(back) == heard(source)
    out, err = capsys.readouterr()
    assert out == f"{source}: 6 messages, 0.2 s.\n"
    assert err == f"Playing {source}, 0.2 s. Ctrl-C ends it.\n"


def test_a_mid_file_is_played_with_its_clock(tmp_path: Path) -> None:
    mid = tmp_path / "set.mid"
    mid.write_bytes(
        b"MThd\0\0\0\6\0\0\0\1\0\x60MTrk\0\0\0\x0c\0\x90\x3c\x40\x08\x80\x3c\x40\0\xff\x2f\0"
    )
    assert main(["replay", str(mid), "--to", f"file:{tmp_path / 'back.tsv'}"]) == 0
    assert heard(tmp_path / "back.tsv") == [
        START, CLOCK, b"\x90\x3c\x40", CLOCK, b"\x80\x3c\x40", b"\xfc",
    ]  # fmt: skip


RIG = """\
rig: harbour
input: {port: "Pier Sequencer"}
outputs:
  tug:
    port: "file:tug.tsv"
    chain: [{plugin: channel_remap, map: {1: 5}}]
safety: {on_exit: none}
"""


def test_a_file_goes_through_a_rig_in_place_of_its_input(tmp_path: Path) -> None:
    (tmp_path / "harbour.yaml").write_text(RIG)
    (tmp_path / "set.tsv").write_text("0\t90 3C 64\n0.05\tE0 00 50\n0.1\t80 3C 40\n")
    assert main(["replay", str(tmp_path / "set.tsv"), str(tmp_path / "harbour.yaml")]) == 0
    assert heard(tmp_path / "tug.tsv") == [
        b"\x94\x3c\x64", b"\xe4\x00\x50", b"\x84\x3c\x40", b"\xe4\x00\x40",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)]
)
@pytest.mark.parametrize("way", [["--to", "file:tug.tsv"], ["harbour.yaml"]], ids=["port", "rig"])
def test_broken_off_it_releases_what_sounds(
    tmp_path: Path, number: signal.Signals, code: int, way: list[str]
) -> None:
    (tmp_path / "harbour.yaml").write_text(RIG)
    (tmp_path / "set.tsv").write_text(HELD)
    process = begun(tmp_path, "set.tsv", *way)
    assert process.stderr is not None
    assert process.stderr.readline() == "Playing set.tsv, 1:39. Ctrl-C ends it.\n"
    time.sleep(0.5)
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    assert process.returncode == code, err
    assert out == "set.tsv: broken off after 3 messages, 0.0 s; what sounded is released.\n"
    first = 0 if way[0] == "--to" else 4
    assert heard(tmp_path / "tug.tsv")[3:] == [
        bytes((0x80 | first, 60, 64)), bytes((0xB0 | first, 64, 0)), b"\xe2\x00\x40",
    ]  # fmt: skip


def test_on_a_terminal_a_line_counts_along(tmp_path: Path) -> None:
    (tmp_path / "set.tsv").write_text("0\t90 3C 64\n1.2\t80 3C 40\n")
    here, there = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "set.tsv", "--to", "null:"], cwd=tmp_path, stdout=there, stderr=there
    )
    os.close(there)
    shown = ""
    while select.select([here], [], [], 30)[0]:
        try:
            shown += os.read(here, 4096).decode()
        except OSError:  # the other end is closed
            break
    os.close(here)
    assert process.wait(30) == 0
    assert re.search(r"\r\x1b\[K0\.\d s of 1\.2 s", shown)
    assert shown.endswith("\r\x1b[Kset.tsv: 2 messages, 1.2 s.\r\n")


def test_others_have_time_to_connect_to_a_virtual_port() -> None:
    ending = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.getsignal(number) for number in ending}
    ended: list[int] = []
    stopped: list[int] = []
    stream = io.StringIO()
    signal.signal(signal.SIGINT, lambda number, frame: ended.append(number))
    try:
        _begin(Progress(stream), "set.tsv, 2.0 s", 0.2, stopped)
        assert stream.getvalue().startswith("The ports are open. Playing in 0 s: connect")
        assert stream.getvalue().endswith("\nPlaying set.tsv, 2.0 s. Ctrl-C ends it.\n")
        assert stopped == []
        signal.signal(signal.SIGINT, lambda number, frame: ended.append(number))
        timer = threading.Timer(0.2, lambda: os.kill(os.getpid(), signal.SIGTERM))
        timer.start()
        begun_s = time.monotonic()
        _begin(Progress(stream), "set.tsv", 60, stopped)
        assert time.monotonic() - begun_s < 30
        assert stopped == ended == [signal.SIGTERM]
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# ---- what is refused, and warned of --------------------------------------------------------------


REFUSED: dict[str, tuple[list[str], str]] = {
    "nowhere": (["set.tsv"], "say where to play it: a rig, or a port with --to PORT"),
    "both": (["set.tsv", "a.yaml", "--to", "null:"], "say where to play it: a rig, or a port with"),
    "no file": (["none.tsv", "--to", "null:"], "none.tsv: there is no such file; give a .mid or"),
    "no such kind": (["set.wav", "--to", "null:"], "'set.wav' is no .mid or .tsv file; write a"),
    "onto itself": (["set.tsv", "--to", "file:set.tsv"], "'set.tsv' is what is played; record in"),
    "empty": (["empty.tsv", "--to", "null:"], "empty.tsv: there is no message to play"),
    "behind its end": (
        ["set.tsv", "--to", "null:", "--from", "1:00:00"],
        "set.tsv: there is nothing to play from there",
    ),
    "a port without a name": (["set.tsv", "--to", "virtual:"], "--to: a virtual port needs a name"),
}


@pytest.mark.parametrize(("arguments", "line"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_is_refused_in_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    line: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("set.tsv").write_text(HELD)
    Path("empty.tsv").write_text("# nothing\n")
    assert main(["replay", *arguments]) == 2
    err = capsys.readouterr().err
    assert err.startswith(line)
    assert err.count("\n") == 1
    assert Path("set.tsv").read_text() == HELD


def test_a_broken_file_is_refused_before_anything_sounds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source, back = tmp_path / "set.tsv", tmp_path / "back.tsv"
    source.write_text("0\t90 3C 64\n0.1\t90 3C\n")
    assert main(["replay", str(source), "--to", f"file:{back}"]) == 1
    assert capsys.readouterr().err.startswith(
        f"{source}:2:5: '90 3C' is not one whole MIDI message"
    )
    assert not back.exists()


def test_it_warns_of_ports_to_which_a_running_rig_sends_too(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = """
        rig: harbour
        input: {port: "quay:stage"}
        outputs: {tug: {port: "quay:tug"}, gull: {port: "quay:gull"}}
    """
    rig = load(tmp_path, text)
    other = load(tmp_path, text.replace("quay:gull", "quay:heron"), "other.yaml")
    ports: dict[str, PortBackend] = {"quay": quay}
    with controlled(tmp_path) as control:
        monkeypatch.setenv("POINTSMAN_SOCKET", str(control.path))
        with playing(rig, quay, Wishes(control=control)) as run:
            until(lambda: run.running.links.outputs != {})
            assert also_played(other, Registry(ports=ports)) == [
                "warning: the rig 'harbour', which runs as well, sends to tug: "
                "what it plays meanwhile sounds beside this"
            ]
    assert also_played(other, Registry(ports=ports)) == []
