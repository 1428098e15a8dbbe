"""capture: what came in is in the file, whatever ends it."""

from __future__ import annotations

import re
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import mido
import pytest
from quay import PATIENCE_S, Quay, controlled, load, playing, until

from pointsman.capture import sources
from pointsman.capture.files import open_capture
from pointsman.capture.recording import Recording
from pointsman.capture.sources import Came, Inbox, PortSource, ServiceSource, Source
from pointsman.cli import main
from pointsman.io_tsv import read_tsv
from pointsman.live.client import NoService
from pointsman.live.run import Wishes
from pointsman.progress import Progress
from pointsman.registry import Registry
from pointsman.render import render
from pointsman.rig import Rig

COMMAND = [sys.executable, "-m", "pointsman.cli", "capture"]
NOTE_ON, NOTE_OFF = b"\x90\x3c\x64", b"\x80\x3c\x40"

RIG = """
    input: {port: "quay:stage"}
    outputs:
      tug:
        port: "quay:tug"
        wire: din
        chain:
          - plugin: channel_remap
            map: {1: 5}
          - plugin: cc_reset
            controls: {brightness: 64}
            after: 30ms
          - plugin: note_limit
            voices: 1
      gull:
        port: "quay:gull"
        delay: 7ms
        chain:
          - {plugin: clock_filter, clock: drop}
"""
"""A rig for ports that only the run knows."""


class Pier(Source):
    """A source that the test fills."""

    def __init__(self) -> None:
        super().__init__()
        self.closed = False

    def start(self) -> None:
        """Nothing to do."""

    def look(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        self.closed = True


@contextmanager
def recorded(source: Source, path: Path, for_ns: int | None = None) -> Iterator[Recording]:
    """Record from a source until the block ends."""
    recording = Recording(source, open_capture(path), path, for_ns)
    thread = threading.Thread(target=recording.run, args=(Progress(),))
    thread.start()
    try:
        yield recording
    finally:
        recording.stop()
        thread.join(PATIENCE_S)
        source.close()
    assert not thread.is_alive()


# ---- from a running service ----------------------------------------------------------------------


def played(quay: Quay) -> None:
    """A little tune, in which order and times matter to the rig."""
    quay.play(b"\xfa", b"\xf8")
    for note in range(60, 72):
        quay.play(bytes((0xB0, 74, note)), bytes((0x90, note, 100)), b"\xf8")
        time.sleep(0.004)
        quay.play(bytes((0x90, note + 1, 90)))
        time.sleep(0.004)
        quay.play(bytes((0x80, note, 64)), b"\xf0\x7d\x01\xf7", bytes((0x80, note + 1, 64)))
    time.sleep(0.05)  # the last control goes home by itself
    quay.play(b"\xfe", b"\xfc")


@pytest.mark.parametrize("late", [0, 0.2])
def test_a_captured_run_rendered_with_its_rig_gives_what_was_sent(
    tmp_path: Path, quay: Quay, late: float
) -> None:
    rig, path = load(tmp_path, RIG), tmp_path / "set.tsv"
    with controlled(tmp_path) as control, playing(rig, quay, Wishes(control=control)):
        time.sleep(late)
        source = ServiceSource(control.path)
        source.start()
        with recorded(source, path) as recording:
            played(quay)
        assert recording.lost == 0
        sent = {name: list(quay.outputs[name].sent) for name in ("tug", "gull")}
    assert len(sent["tug"]) > 80
    render(rig, path, tmp_path / "again")
    for name, live in sent.items():
        again = list(read_tsv(tmp_path / "again" / f"{name}.tsv"))[: len(live)]
        assert [data for _, data in again] == [data for _, data in live]
        shift_ns = again[0][0] - live[0][0]
        # a capture has whole microseconds, and so has what is rendered from it
        assert max(abs(a - b - shift_ns) for (a, _), (b, _) in zip(again, live, strict=True)) < 3000


def test_a_capture_of_a_service_has_everything_and_says_what_it_is(
    tmp_path: Path, quay: Quay
) -> None:
    rig, path = load(tmp_path, RIG), tmp_path / "set.tsv"
    with controlled(tmp_path) as control, playing(rig, quay, Wishes(control=control)):
        source = ServiceSource(control.path)
        source.start()
        assert source.what == "rig (input quay:stage), through its service"
        with recorded(source, path) as recording:
            quay.play(b"\xfe", b"\xff", b"\x90\x3c", NOTE_ON, b"\xf1\x05")
            until(lambda: recording.messages == 4)
    assert [data for _, data in read_tsv(path)] == [b"\xfe", b"\xff", NOTE_ON, b"\xf1\x05"]
    assert recording.malformed == 1
    assert "no whole message: 90 3C" in path.read_text()


def test_a_capture_ends_with_its_service(tmp_path: Path, quay: Quay) -> None:
    path = tmp_path / "set.tsv"
    with controlled(tmp_path) as control:
        with playing(load(tmp_path, RIG), quay, Wishes(control=control)):
            source = ServiceSource(control.path)
            source.start()
            recording = Recording(source, open_capture(path), path)
            thread = threading.Thread(target=recording.run, args=(Progress(),))
            thread.start()
            quay.play(NOTE_ON)
            until(lambda: recording.messages == 1)
        thread.join(PATIENCE_S)
    assert not thread.is_alive()
    assert recording.messages == 1
    assert "The service has ended." in recording.summary()


# ---- from a port ---------------------------------------------------------------------------------


def test_a_port_that_is_pulled_is_waited_for(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pointsman.capture.recording.SAVE_S", 0.0)
    path = tmp_path / "set.tsv"
    rig = Rig("capture", "quay:stage", ())
    source = PortSource(rig, Registry(ports={"quay": quay}))
    source.start()
    with recorded(source, path) as recording:
        quay.play(NOTE_ON)
        quay.pull("<stage")
        until(lambda: "input lost" in path.read_text())
        quay.put("<stage")
        until(lambda: "input is back" in path.read_text())
        quay.play(NOTE_OFF)
        until(lambda: recording.messages == 2)
    assert [data for _, data in read_tsv(path)] == [NOTE_ON, NOTE_OFF]


def test_without_the_port_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("pointsman.io_rtmidi.port_names", lambda is_input: ["Pier Sequencer 20:0"])
    path = tmp_path / "set.tsv"
    assert main(["capture", str(path), "--input", "Stage"]) == 3
    error = capsys.readouterr().err
    assert error == "input: no input port matches 'Stage'; there is: Pier Sequencer 20:0\n"
    assert not path.exists()


# ---- what is lost is told, and marked ------------------------------------------------------------


def test_what_a_service_lost_is_told_and_marked_where_it_was(tmp_path: Path) -> None:
    pier, path = Pier(), tmp_path / "set.tsv"
    with recorded(pier, path) as recording:
        pier.inbox.put(Came(1000, NOTE_ON))
        pier.inbox.put(Came(0, lost=1200))
        pier.inbox.put(Came(2000, NOTE_OFF))
    assert path.read_text().splitlines() == [
        "0.000001\t90 3C 64",
        "# 0.000001 1200 events lost here: they came too fast",
        "0.000002\t80 3C 40",
    ]
    assert "1200 LOST" in recording.summary()
    song = open_capture(tmp_path / "set.mid")
    song.remark(0, "1200 events lost here")
    song.close(0)
    (track,) = mido.MidiFile(tmp_path / "set.mid").tracks
    assert track[0].text == "1200 events lost here"


def test_an_inbox_that_is_full_loses_the_newest_and_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sources, "ROOM", 10)
    inbox = Inbox()
    for n in range(25):
        inbox.put(Came(n, NOTE_ON))
    came = list(inbox.take(0))
    assert [c.t_ns for c in came if c.data] == list(range(10))
    assert [c.lost for c in came if not c.data] == [15]
    inbox.put(Came(99, NOTE_ON))
    assert [c.t_ns for c in inbox.take(0)] == [99]


def test_an_inbox_gives_everything_however_often_it_is_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    inbox = Inbox()
    for n in range(25):
        inbox.put(Came(n, NOTE_ON))
    monkeypatch.setattr(sources, "ROOM", 10)
    assert [[c.t_ns for c in inbox.take(0)] for _ in range(3)] == [
        list(range(10)), list(range(10, 20)), list(range(20, 25)),
    ]  # fmt: skip


# ---- how it ends ---------------------------------------------------------------------------------


def small_set(folder: Path, last: str = "2.000000\tFC\n") -> None:
    lines = "".join(f"{n / 1000:.6f}\t90 3C 64\n" for n in range(300))
    (folder / "in.tsv").write_text(lines + last)


def captured(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments], cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_it_well(tmp_path: Path, number: signal.Signals) -> None:
    small_set(tmp_path, "99.000000\tFC\n")
    process = subprocess.Popen(
        [*COMMAND, "out.mid", "--input", "file:in.tsv"],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    assert process.stderr.readline().startswith("Capturing input file:in.tsv.")
    time.sleep(0.5)
    process.send_signal(number)
    out, errors = process.communicate(timeout=60)
    assert process.returncode == 0
    assert errors == ""  # no progress where there is no terminal
    assert re.fullmatch(r"out.mid: 300 messages, 300 notes in [\d.]+ s, none lost.\n", out)
    (track,) = mido.MidiFile(tmp_path / "out.mid").tracks
    notes = [m for m in track if m.type in ("note_on", "note_off")]
    assert len(notes) == 301
    assert notes[-1].type == "note_off"


def test_it_ends_by_itself_after_its_time(tmp_path: Path) -> None:
    done = captured(tmp_path, "out.tsv", "--input", "null:", "--for", "300ms")
    assert done.returncode == 0
    assert done.stdout == (
        "out.tsv: 0 messages, 0 notes in 0.3 s, none lost.\n"
        "Nothing came: is this the right input, and does the sequencer play?\n"
    )


def test_a_kill_loses_at_most_a_second(tmp_path: Path) -> None:
    small_set(tmp_path, "99.000000\tFC\n")
    process = subprocess.Popen(
        [*COMMAND, "out.tsv", "--input", "file:in.tsv"], cwd=tmp_path, stderr=subprocess.DEVNULL
    )
    path = tmp_path / "out.tsv"
    until(path.exists)
    until(lambda: path.read_text().count("\n") > 300)
    process.kill()
    process.wait()
    assert len(list(read_tsv(path))) == 300


def small_disk() -> None:
    """No file may be longer than 1,000 bytes: writing fails in the middle, as on a full disk."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))


@pytest.mark.parametrize("name", ["out.tsv", "out.mid"])
def test_on_a_full_disk_one_line_says_so_and_what_was_written_is_whole(
    tmp_path: Path, name: str
) -> None:
    small_set(tmp_path)
    done = subprocess.run(
        [*COMMAND, name, "--input", "file:in.tsv"],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
        preexec_fn=small_disk,
    )  # fmt: skip
    assert done.returncode == 1
    assert re.fullmatch(
        f"{name}: File too large after [\\d.]+ s; what was written before stays and can be read",
        done.stderr.splitlines()[-1],
    )
    if name.endswith("tsv"):
        list(read_tsv(tmp_path / name))
    else:
        mido.MidiFile(tmp_path / name)


def test_a_log_keeps_what_was_saved_before_the_disk_was_full(tmp_path: Path) -> None:
    code = """
import resource
from pathlib import Path
from pointsman.capture.files import open_capture
for name in ("out.tsv", "out.mid"):
    file = open_capture(Path(name), "a rehearsal")
    for n in range(2000):
        file.write(n * 50_000_000, bytes((0x90, 60, n % 127 + 1)))
        if n == 1000:
            file.save()
            length = Path(name).stat().st_size
            resource.setrlimit(resource.RLIMIT_FSIZE, (length + 100, resource.RLIM_INFINITY))
    for call in (file.save, file.save, lambda: file.close(0)):
        try:
            call()
        except OSError as error:
            print(name, error.strerror)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
"""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert (
        done.stdout.split("\n")[:-1]
        == ["out.tsv File too large"] * 3 + ["out.mid File too large"] * 3
    )
    assert len(list(read_tsv(tmp_path / "out.tsv"))) == 1001
    (track,) = mido.MidiFile(tmp_path / "out.mid").tracks
    assert 900 < sum(message.type == "note_on" for message in track) < 1000


# ---- what is refused -----------------------------------------------------------------------------


def test_a_file_that_is_there_stays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "set.tsv"
    path.write_text("0.000000\tFA\n")
    assert main(["capture", str(path), "--input", "null:", "--for", "1ms"]) == 2
    assert capsys.readouterr().err == (
        f"'{path}' is there already; give another name, or --force to replace it\n"
    )
    assert main(["capture", str(path), "--input", f"file:{path}", "--force"]) == 2
    assert "is what is played here" in capsys.readouterr().err
    assert path.read_text() == "0.000000\tFA\n"
    assert main(["capture", str(path), "--input", "null:", "--for", "1ms", "--force"]) == 0
    assert path.read_text().startswith("# captured ")


def test_other_kinds_of_file_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capture", "set.wav", "--input", "null:"]) == 2
    assert capsys.readouterr().err == (
        "'set.wav' is no .tsv or .mid file; give a name that ends so\n"
    )


def test_without_a_service_it_says_what_else_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def nobody(*_: object) -> None:
        raise NoService("no service answers")

    monkeypatch.setattr(sources, "ask", nobody)
    assert main(["capture", str(tmp_path / "set.tsv")]) == 1
    assert capsys.readouterr().err == (
        "no service answers; or name what to listen to: --input PORT or --rig RIG\n"
    )


def test_a_rig_whose_service_runs_is_captured_from_there(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = load(tmp_path, RIG)
    with controlled(tmp_path) as control, playing(rig, quay, Wishes(control=control)):
        monkeypatch.setenv("POINTSMAN_SOCKET", str(control.path))
        assert sources.service_reads("quay:stage")
        assert not sources.service_reads("quay:bridge")
    assert not sources.service_reads("quay:stage")
