"""From aplaymidi or amidi through `pointsman run` to arecordmidi, aseqdump or amidi."""

from __future__ import annotations

import signal
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from textwrap import dedent

import mido
import pytest
from sequencer import (
    card_ports,
    connect,
    dumping,
    messages_of,
    on_alsa,
    play,
    pointsman,
    port,
    raw_recording,
    recording,
    running,
    send_raw,
    until,
)

from pointsman.io_tsv import read_tsv

pytestmark = on_alsa

STEP_TICKS, NOTE_TICKS = 240, 160
"""At 480 ticks a quarter note and 120 a minute: a step lasts 250 ms, and its note 167 ms."""

HARBOUR = """\
rig: harbour
input: {port: "virtual:Harbour Stage"}
outputs:
  tug:
    port: "virtual:Harbour Tug"
    opening: [{program: 3, channel: 5}]
    chain:
      - {plugin: channel_remap, map: {1: 5}, others: drop}
      - {plugin: cc_scale, control: 74, to: [20, 100]}
      - {plugin: cc_reset, controls: {74: 64}, window: 100ms}
      - {plugin: note_limit, voices: 1}
  gull:
    port: "virtual:Harbour Gull"
    chain:
      - {plugin: message_filter, drop: [sysex]}
      - {plugin: channel_remap, map: {2: [2, 3]}}
      - {plugin: cc_reset, controls: {74: 0}, when: [note_off], window: 100ms, channels: [2]}
      - {plugin: note_limit, voices: 2, steal: lowest, scope: output}
  buoy:
    port: "virtual:Harbour Buoy"
"""
OUTPUTS = ("tug", "gull", "buoy")
SYSEX = bytes((0xF0, 0x7D, *(n % 128 for n in range(4997)), 0xF7))
"""5,000 bytes for nobody (7D: the id for non-commercial use; MIDI 1.0, 4.2.1, p. 34)."""


def write_rig(folder: Path, text: str, name: str = "rig") -> Path:
    path = folder / f"{name}.yaml"
    path.write_text(dedent(text), "utf-8")
    return path


def write_song(path: Path, events: Sequence[tuple[int, bytes]]) -> None:
    """Write events, with their ticks, as a file of format 0."""
    track = mido.MidiTrack()
    before = 0
    for tick, data in events:
        track.append(mido.Message.from_bytes(data, time=tick - before))
        before = tick
    song = mido.MidiFile(type=0, ticks_per_beat=480)
    song.tracks.append(track)
    song.save(path)


def steps() -> Iterator[tuple[int, bytes]]:
    """Sixteen steps on two channels: a control now and then, and more notes than voices."""
    for n in range(16):
        tick = n * STEP_TICKS
        if n % 3 == 0:
            yield tick, bytes((0xB0, 74, 8 * n % 128))
        if n % 4 == 1:
            yield tick, bytes((0xB1, 74, 127 - n))
        if n == 8:
            yield tick, b"\xe0\x00\x50"
            yield tick, b"\xf0\x7d\x01\x02\xf7"
        for chord in range(1 + n % 3):
            yield tick, bytes((0x90, 48 + n + 4 * chord, 90))
            yield tick, bytes((0x91, 60 + n + 3 * chord, 80 + n))
        for chord in range(1 + n % 3):
            yield tick + NOTE_TICKS, bytes((0x80, 48 + n + 4 * chord, 64))
            yield tick + NOTE_TICKS, bytes((0x91, 60 + n + 3 * chord, 0))


def test_one_song_to_three_outputs_arrives_as_render_says(tmp_path: Path) -> None:
    """The same file and rig, played by aplaymidi and recorded by three arecordmidi."""
    song, rig = tmp_path / "song.mid", write_rig(tmp_path, HARBOUR)
    write_song(song, list(steps()))
    heard = {}
    with running(rig) as run, ExitStack() as stack:
        for name in OUTPUTS:
            source = port(f"Harbour {name.title()}").address
            heard[name] = stack.enter_context(recording(source, tmp_path))
        play(song, port("Harbour Stage").address)
        assert run.stop() == 0  # and the release at the end is heard as well
    assert [line["event"] for line in run.log()] == ["ready", "ended"]
    done = pointsman("render", str(rig), str(song), "--no-clock", "--out", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    for name in OUTPUTS:
        expected = [data for _, data in read_tsv(tmp_path / "out" / f"{name}.tsv")]
        if name == "tug":  # its opening was sent before anybody listened
            assert expected.pop(0) == b"\xc4\x02"
        assert len(expected) > 60
        assert [m.hex(" ") for m in heard[name]] == [m.hex(" ") for m in expected]
    assert heard["buoy"] == messages_of(song)  # no plugin: as it came, byte for byte


def test_every_kind_of_message_passes_a_sound_card_whole(tmp_path: Path) -> None:
    """Through two virtual cards, by name, with amidi at both ends; FF alone stays behind."""
    first, second = card_ports()
    rig = write_rig(
        tmp_path,
        f"""\
        input: {{port: "{first.name}"}}
        outputs: {{tug: {{port: "{second.name}", active_sensing: pass}}}}
        """,
    )
    messages = [
        *("90 3c 64", "80 3c 40", "a1 3c 10", "b2 4a 7f", "c3 05", "d4 22", "e5 00 40"),
        *("f0 7d 01 f7", "f1 35", "f2 10 02", "f3 04", "f6"),
        *("f8", "fa", "f8", "fb", "fc", "fe"),
    ]
    sent = b"".join(bytes.fromhex(text) for text in messages)
    assert first.card is not None
    assert second.card is not None
    with running(rig) as run, raw_recording(second.card, tmp_path) as heard:
        send_raw(first.card, sent + b"\xff" + b"\xf8")
    assert bytes(heard) == sent + b"\xf8"
    ended = run.log()[-1]
    assert (ended["event"], ended["received"], ended["malformed"]) == ("ended", 20, 0)


def test_clock_and_transport_pass_where_the_library_would_leave_them_out(tmp_path: Path) -> None:
    first, _ = card_ports()
    rig = write_rig(
        tmp_path,
        """\
        input: {port: "virtual:Harbour Stage"}
        outputs:
          tug: {port: "virtual:Harbour Tug"}
          gull:
            port: "virtual:Harbour Gull"
            chain: [{plugin: clock_filter, divide: 2}]
        """,
    )
    assert first.card is not None
    with (
        running(rig),
        dumping(port("Harbour Tug").address, tmp_path) as tug,
        dumping(port("Harbour Gull").address, tmp_path) as gull,
    ):
        connect(first.address, port("Harbour Stage").address)
        send_raw(first.card, b"\xfa" + 24 * b"\xf8" + b"\xfc\xfe\xf6")
    assert tug == ["Start", *24 * ["Clock"], "Stop", "Tune request"]
    assert gull == ["Start", *12 * ["Clock"], "Stop", "Tune request"]


def test_a_sysex_of_5000_bytes_passes_whole(tmp_path: Path) -> None:
    """aplaymidi sends it in two parts, and notes around it keep their places."""
    song = tmp_path / "song.mid"
    write_song(song, [(0, b"\x90\x3c\x64"), (10, SYSEX), (1000, b"\x80\x3c\x40")])
    rig = write_rig(
        tmp_path,
        """\
        input: {port: "virtual:Harbour Stage"}
        outputs: {tug: {port: "virtual:Harbour Tug"}}
        """,
    )
    with running(rig), recording(port("Harbour Tug").address, tmp_path) as heard:
        play(song, port("Harbour Stage").address)
    assert heard == [b"\x90\x3c\x64", SYSEX, b"\x80\x3c\x40"]


def test_sysex_that_nobody_could_take_is_told_and_blocks_nothing(tmp_path: Path) -> None:
    """One byte more than 5,572 and the sequencer would hold back all that comes after it."""
    longest = b"\xf0" + bytes(5570) + b"\xf7"
    too_long = b"\xf0" + bytes(20_000) + b"\xf7"
    song = tmp_path / "song.mid"
    events = [(0, longest), (3000, b"\xf0" + bytes(5571) + b"\xf7"), (6000, too_long)]
    write_song(song, [*events, (15_000, b"\x90\x3c\x64"), (15_100, b"\x80\x3c\x40")])
    rig = write_rig(
        tmp_path,
        f"""\
        input: {{port: "virtual:Harbour Stage"}}
        outputs:
          tug: {{port: "virtual:Harbour Tug"}}
          log: {{port: "file:{tmp_path / "log.tsv"}"}}
        """,
    )
    with running(rig) as run, recording(port("Harbour Tug").address, tmp_path) as heard:
        play(song, port("Harbour Stage").address)
    assert heard == [longest, b"\x90\x3c\x64", b"\x80\x3c\x40"]
    assert [data for _, data in read_tsv(tmp_path / "log.tsv")] == messages_of(song)
    lost = [line for line in run.log() if line["event"] == "messages lost"]
    assert sum(int(str(line["count"])) for line in lost) == 2
    assert {line["output"] for line in lost} == {"tug"}
    assert str(lost[-1]["why"]).startswith(
        "port 'Harbour Tug' takes SysEx of up to 5572 bytes, and one of 20002 was left out"
    )


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda n: n.name)
def test_a_signal_in_the_middle_of_a_note_lets_it_go_and_puts_controls_home(
    tmp_path: Path, number: signal.Signals
) -> None:
    song = tmp_path / "song.mid"
    write_song(song, [(0, b"\xb0\x4a\x7f"), (0, b"\x90\x3c\x64"), (20, b"\x90\x40\x64")])
    rig = write_rig(
        tmp_path,
        """\
        input: {port: "virtual:Harbour Stage"}
        outputs:
          tug:
            port: "virtual:Harbour Tug"
            chain: [{plugin: cc_reset, controls: {74: 64}, window: 2s}]
        """,
    )
    with running(rig) as run, recording(port("Harbour Tug").address, tmp_path) as heard:
        play(song, port("Harbour Stage").address)
        assert run.stop(number) == 0
    # The two note-offs, oldest first, and then the control, on its way to the peer in time.
    assert [m.hex(" ") for m in heard] == [
        "b0 4a 7f", "90 3c 64", "90 40 64", "80 3c 40", "80 40 40", "b0 4a 40",
    ]  # fmt: skip


def test_two_outputs_on_one_port_share_one_connection(tmp_path: Path) -> None:
    song = tmp_path / "song.mid"
    write_song(song, [(0, b"\x90\x3c\x64"), (100, b"\x80\x3c\x40")])
    rig = write_rig(
        tmp_path,
        """\
        input: {port: "virtual:Harbour Stage"}
        outputs:
          tug: {port: "virtual:Harbour Cable"}
          gull:
            port: "virtual:Harbour Cable"
            chain: [{plugin: channel_remap, map: {1: 2}}]
        """,
    )
    with running(rig):
        source = port("Harbour Cable").address
        with recording(source, tmp_path) as heard:
            play(song, port("Harbour Stage").address)
    assert [m.hex(" ") for m in heard] == ["90 3c 64", "91 3c 64", "80 3c 40", "81 3c 40"]


def test_what_is_due_later_is_sent_without_anything_coming_in(tmp_path: Path) -> None:
    song = tmp_path / "song.mid"
    write_song(song, [(0, b"\xb0\x4a\x7f")])
    rig = write_rig(
        tmp_path,
        """\
        input: {port: "virtual:Harbour Stage"}
        outputs:
          tug:
            port: "virtual:Harbour Tug"
            chain: [{plugin: cc_reset, controls: {74: 64}, after: 100ms, when: []}]
        safety: {on_exit: none}
        """,
    )
    with running(rig):
        source = port("Harbour Tug").address
        with dumping(source, tmp_path) as kinds:
            play(song, port("Harbour Stage").address)
            out = tmp_path / f"{source.replace(':', '-')}.txt"
            until(lambda: out.read_text().count("Control change") == 2, "the control's home")
    assert kinds == ["Control change", "Control change"]
