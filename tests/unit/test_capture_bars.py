"""Captured songs: bars are those of the clock, times stay what they were. mido reads the files."""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pointsman.capture.files import SongCapture

S, MS = 10**9, 10**6
CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
NOTE_ON, NOTE_OFF = b"\x90\x3c\x64", b"\x80\x3c\x40"
Stream = list[tuple[int, bytes]]


def clocks(begin_ns: int, count: int, a_minute: float = 120, jitter_ns: int = 0) -> Stream:
    """So many clocks at a tempo, each up to `jitter_ns` late."""
    dice = random.Random(7)
    step = 60 * S / a_minute / 24
    return [(begin_ns + round(n * step) + dice.randint(0, jitter_ns), CLOCK) for n in range(count)]


def with_notes(stream: Stream) -> Stream:
    """A short note at the first clock of every quarter."""
    return sorted(
        [*stream]
        + [(t + 1000, NOTE_ON) for t, _ in stream[::24]]
        + [(t + 100 * MS, NOTE_OFF) for t, _ in stream[::24]],
        key=lambda item: item[0],
    )


class Read:
    """A file as mido reads it: messages with beats (from 0) and seconds, and its tempos."""

    def __init__(self, path: Path) -> None:
        song = mido.MidiFile(path)
        (track,) = song.tracks
        ticks, seconds, tempo = 0, 0.0, 500_000
        self.notes: list[float] = []
        self.messages: list[tuple[float, bytes]] = []
        self.tempos: list[float] = []
        for message in track:
            ticks += message.time
            seconds += mido.tick2second(message.time, song.ticks_per_beat, tempo)
            if message.type == "set_tempo":
                tempo = message.tempo
                self.tempos.append(round(mido.tempo2bpm(tempo), 2))
            elif not message.is_meta:
                self.messages.append((seconds, bytes(message.bytes())))
                if message.type == "note_on":
                    self.notes.append(ticks / song.ticks_per_beat)
        self.length = song.length


def capture(path: Path, stream: Iterable[tuple[int, bytes]], end_ns: int = 0) -> Read:
    file = SongCapture(path)
    last_ns = 0
    for last_ns, data in stream:
        file.write(last_ns, data)
    file.close(max(last_ns, end_ns))
    return Read(path)


def on_beats(notes: list[float], a_minute: float = 120) -> None:
    """Every note is on a beat, to the 1 ms that the clock is followed by."""
    for note in notes:
        assert abs(note - round(note)) <= 0.0011 * a_minute / 60 + 0.0001


def test_a_steady_clock_makes_one_tempo(tmp_path: Path) -> None:
    found = capture(tmp_path / "a.mid", [(0, START), *with_notes(clocks(0, 24 * 12))])
    assert found.tempos == []  # 120 is what holds where nothing is written
    assert [round(note, 3) for note in found.notes] == list(range(12))
    found = capture(tmp_path / "b.mid", [(0, START), *with_notes(clocks(0, 24 * 12, 97))])
    assert found.tempos == [97]
    on_beats(found.notes)


def test_a_clock_that_jitters_does_too(tmp_path: Path) -> None:
    stream = with_notes(clocks(0, 24 * 64, 103, jitter_ns=MS // 2))
    found = capture(tmp_path / "a.mid", [(0, START), *stream])
    assert found.tempos == [103]
    on_beats(found.notes, 103)


def test_a_tempo_between_whole_ones_is_followed(tmp_path: Path) -> None:
    found = capture(tmp_path / "a.mid", [(0, START), *with_notes(clocks(0, 24 * 100, 133.37))])
    on_beats(found.notes, 133.37)
    assert all(abs(tempo - 133.37) < 0.5 for tempo in found.tempos)
    assert len(found.tempos) < 25


def test_a_tempo_that_rises_is_followed(tmp_path: Path) -> None:
    stream, t_ns = [], 0
    for n in range(24 * 40):
        stream.append((t_ns, CLOCK))
        t_ns += round(60 * S / (80 + n / 12) / 24)
    found = capture(tmp_path / "a.mid", [(0, START), *with_notes(stream)])
    assert [round(note, 2) for note in found.notes] == list(range(40))
    assert found.tempos == sorted(found.tempos)
    assert found.tempos[0] < 82
    assert found.tempos[-1] > 155


def test_start_is_on_a_bar_line_whatever_came_before(tmp_path: Path) -> None:
    program = b"\xc0\x05"
    song = with_notes(clocks(2_345 * MS, 24 * 9 + 13))
    again_ns = song[-1][0] + 3_210 * MS
    stream = [
        (200 * MS, program),
        (2_340 * MS, START),
        *song,
        (song[-1][0], STOP),
        (again_ns - 700 * MS, program),
        (again_ns - MS, START),
        *with_notes(clocks(again_ns, 24 * 8)),
    ]
    found = capture(tmp_path / "a.mid", stream)
    on_beats(found.notes)
    first, second = found.notes[0], found.notes[10]
    assert round(first) % 4 == round(second) % 4 == 0
    assert second - first > 12  # there is a gap, in whole bars


def test_start_is_on_a_bar_line_though_the_clock_never_stops(tmp_path: Path) -> None:
    ticking = clocks(0, 24 * 30)
    stream = with_notes(ticking)
    for quarters in (3, 9, 15, 22):  # always at another place of a bar
        stream.append((ticking[quarters * 24][0] - 1, START))
    stream.sort(key=lambda item: item[0])
    found = capture(tmp_path / "a.mid", stream)
    starts = [3, 9, 15, 22]
    for n in starts:
        assert abs(found.notes[n] % 4 - round(found.notes[n] % 4)) < 0.003
        assert round(found.notes[n]) % 4 == 0


def test_continue_goes_on_where_the_song_says(tmp_path: Path) -> None:
    song_position = b"\xf2\x06\x00"  # 6 sixteenths: the third eighth after the second beat
    stream = [(0, song_position), (0, CONTINUE), *with_notes(clocks(5 * MS, 24 * 8))]
    found = capture(tmp_path / "a.mid", stream)
    assert [round(note % 4, 2) for note in found.notes[:4]] == [1.5, 2.5, 3.5, 0.5]


def test_without_a_clock_there_is_no_tempo_and_the_file_begins_with_its_first_message(
    tmp_path: Path,
) -> None:
    stream = [(7 * S, NOTE_ON), (8 * S, NOTE_OFF), (3 * 3600 * S, NOTE_ON)]
    found = capture(tmp_path / "a.mid", stream, 3 * 3600 * S + S)
    assert found.tempos == []
    assert [round(s, 4) for s, _ in found.messages] == [0, 1, 10_793, 10_794]


def test_notes_that_still_sound_end_with_the_file(tmp_path: Path) -> None:
    stream = [(0, NOTE_ON), (MS, b"\x95\x30\x01"), (2 * MS, NOTE_ON), (S, b"\x90\x3c\x00")]
    found = capture(tmp_path / "a.mid", stream, 3 * S)
    last_s, last = found.messages[-1]
    assert last_s == pytest.approx(3, abs=1e-4)
    assert last == b"\x85\x30\x40"
    assert len(found.messages) == 5
    assert found.length == pytest.approx(3, abs=1e-4)


def test_what_a_file_cannot_hold_is_counted(tmp_path: Path) -> None:
    file = SongCapture(tmp_path / "a.mid")
    for data in (START, CLOCK, b"\xfe", b"\xf1\x05", b"\xf6", b"\xff", NOTE_ON, b"\xf0\x7d\xf7"):
        file.write(0, data)
    file.close(0)
    assert file.left_out == 6
    assert [data for _, data in Read(tmp_path / "a.mid").messages] == [
        NOTE_ON, b"\xf0\x7d\xf7", NOTE_OFF,
    ]  # fmt: skip


KINDS = st.sampled_from([CLOCK] * 8 + [START, CONTINUE, STOP, b"\xf2\x05\x01", b"\xc3\x07"] * 2)
STREAMS = st.lists(
    st.tuples(st.sampled_from([0, 1, MS, 20 * MS, 21 * MS, 900 * MS, 30 * S]), KINDS), max_size=300
)


@settings(deadline=None, max_examples=150)
@given(STREAMS)
def test_whatever_comes_everything_is_there_at_its_time(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, bytes]]
) -> None:
    t_ns, stream = 0, []
    for step_ns, data in steps:
        t_ns += step_ns
        stream.append((t_ns, data))
    found = capture(tmp_path_factory.getbasetemp() / "any.mid", stream)
    sent = [(t / S, data) for t, data in stream if data[0] < 0xF0]
    assert [data for _, data in found.messages] == [data for _, data in sent]
    if sent:
        begin_s = sent[0][0] - found.messages[0][0]
        for (want_s, _), (got_s, _) in zip(sent, found.messages, strict=True):
            # half a tick of the slowest tempo here (a quarter of 10 s), and a tempo's rounding
            assert abs(want_s - begin_s - got_s) < 0.0003
