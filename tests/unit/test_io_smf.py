"""Standard MIDI Files: bytes in, timed items out, and back.

Sources are named beside each check. RP-001 is the Standard MIDI Files 1.0 specification; mido is
an independent implementation that shares no code with ours.
"""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pointsman.errors import InputFileError
from pointsman.io_smf import (
    DEFAULT_DIVISION,
    END,
    SmfItem,
    SmfReader,
    SmfWriter,
    play,
    vlq,
)

MS = 1_000_000
TEMPO_120 = bytes.fromhex("FF 51 07 A1 20")
FOUR_FOUR = bytes.fromhex("FF 58 04 02 18 08")
NOTE_ON, NOTE_OFF = b"\x90\x3c\x40", b"\x80\x3c\x40"
ON, STOP_HERE = "00 90 3C 40", "00 FF 2F 00"  # as they stand in a track

# The format 0 example of RP-001, pp. 12-14. The bytes are from memory; its length, its ticks and
# its 2.0 s were checked against the text and with mido.
OFFICIAL = bytes.fromhex(
    "4D 54 68 64 00 00 00 06 00 00 00 01 00 60"
    "4D 54 72 6B 00 00 00 3B"
    "00 FF 58 04 04 02 18 08"
    "00 FF 51 03 07 A1 20"
    "00 C0 05  00 C1 2E  00 C2 46"
    "00 92 30 60  00 3C 60"
    "60 91 43 40  60 90 4C 20"
    "81 40 82 30 40  00 3C 40  00 81 43 40  00 80 4C 40"
    "00 FF 2F 00"
)

# Values and bytes of RP-001, p. 2.
VLQ_TABLE = [
    (0x00, "00"),
    (0x40, "40"),
    (0x7F, "7F"),
    (0x80, "81 00"),
    (0x2000, "C0 00"),
    (0x3FFF, "FF 7F"),
    (0x4000, "81 80 00"),
    (0x1FFFFF, "FF FF 7F"),
    (0x200000, "81 80 80 00"),
    (0x0FFFFFFF, "FF FF FF 7F"),
]


def smf(*tracks: str, division: int = 96, kind: int = 1, header: str = "") -> bytes:
    """A file of these tracks (hex), with `header` after the six usual bytes of the header."""
    extra = bytes.fromhex(header)
    data = b"MThd" + (6 + len(extra)).to_bytes(4, "big")
    data += b"".join(n.to_bytes(2, "big") for n in (kind, len(tracks), division)) + extra
    for track in tracks:
        events = bytes.fromhex(track)
        data += b"MTrk" + len(events).to_bytes(4, "big") + events
    return data


def rows(table: Iterable[tuple[Any, ...]]) -> list[Any]:
    """Cases for pytest of a table whose first column names them."""
    return [pytest.param(*row[1:], id=row[0]) for row in table]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "quay.mid"


def items(path: Path, data: bytes) -> list[SmfItem]:
    path.write_bytes(data)
    return list(SmfReader(path).items())


def ticks(path: Path, *tracks: str) -> list[tuple[int, bytes]]:
    """What a file of these tracks holds, by tick."""
    return [(item.tick, item.data) for item in items(path, smf(*tracks))]


# --- reading -------------------------------------------------------------------------------------


def test_the_official_example_has_its_published_ticks_and_ends_after_two_seconds(
    path: Path,
) -> None:
    assert len(OFFICIAL) == 81
    got = items(path, OFFICIAL)
    assert got == [
        (0, 0, FOUR_FOUR),
        (0, 0, TEMPO_120),
        (0, 0, b"\xc0\x05"),
        (0, 0, b"\xc1\x2e"),
        (0, 0, b"\xc2\x46"),
        (0, 0, b"\x92\x30\x60"),
        (0, 0, b"\x92\x3c\x60"),
        (500 * MS, 96, b"\x91\x43\x40"),
        (1000 * MS, 192, b"\x90\x4c\x20"),
        (2000 * MS, 384, b"\x82\x30\x40"),
        (2000 * MS, 384, b"\x82\x3c\x40"),
        (2000 * MS, 384, b"\x81\x43\x40"),
        (2000 * MS, 384, b"\x80\x4c\x40"),
        (2000 * MS, 384, END),
    ]
    reader = SmfReader(path)
    assert (reader.format, reader.tracks, reader.division, reader.skipped) == (0, 1, 96, 0)


def test_the_published_tick_to_time_example(path: Path) -> None:
    """RP-001, p. 14: 6144 ticks at 96 a quarter note and 500,000 us are 32.0 s."""
    assert items(path, smf("B0 00 90 3C 40" + STOP_HERE))[0] == (32_000 * MS, 6144, NOTE_ON)


@pytest.mark.parametrize(("value", "text"), VLQ_TABLE, ids=[text for _, text in VLQ_TABLE])
def test_variable_length_quantities_of_the_standard(path: Path, value: int, text: str) -> None:
    assert vlq(value) == bytes.fromhex(text)
    assert ticks(path, text + "90 3C 40" + STOP_HERE)[0] == (value, NOTE_ON)


# RP-001, p. 4: the high byte is minus the frames a second, the low byte the ticks a frame; E7 28
# is its example of 1 ms a tick. That 29 means 30000/1001 frames is common practice.
SMPTE_TABLE = [
    (0xE728, 1_000, 1_000_000_000),  # 25 frames, 40 ticks
    (0xE250, 2_400, 1_000_000_000),  # 30 frames, 80 ticks
    (0xE804, 96, 1_000_000_000),  # 24 frames, 4 ticks
    (0xE30A, 300, 1_001_000_000),  # 29 (drop-frame), 10 ticks
]


@pytest.mark.parametrize(("division", "tick", "t_ns"), SMPTE_TABLE)
def test_smpte_ticks_are_time_whatever_the_tempo(
    path: Path, division: int, tick: int, t_ns: int
) -> None:
    events = "00 FF 51 03 01 00 00" + vlq(tick).hex() + "90 3C 40" + STOP_HERE
    assert items(path, smf(events, division=division))[1] == (t_ns, tick, NOTE_ON)
    with SmfWriter(path, division) as writer:
        writer.meta(None, 0, b"\xff\x51\x01\x00\x00")
        writer.write(t_ns, NOTE_ON)
    assert list(SmfReader(path).items())[1] == (t_ns, tick, NOTE_ON)


def test_tracks_merge_by_tick_then_track_then_place(path: Path) -> None:
    first = "00 90 01 40  00 90 02 40  10 90 03 40" + STOP_HERE
    second = "00 91 04 40  08 91 05 40  08 91 06 40  08 FF 2F 00"
    got = ticks(path, first, second)
    assert [(tick, data[1]) for tick, data in got] == [
        (0, 1),
        (0, 2),
        (0, 4),
        (8, 5),
        (16, 3),
        (16, 6),
        (24, 0x2F),
    ]


def test_a_tempo_in_a_later_track_counts_for_all(path: Path) -> None:
    late = "60 FF 51 03 03 D0 90" + STOP_HERE  # 250,000 us from tick 96 on
    got = items(path, smf("00 90 3C 40  81 40 80 3C 40" + STOP_HERE, late))
    assert [item.t_ns for item in got] == [0, 500 * MS, 750 * MS, 750 * MS]


RUNNING = [
    ("running status", "00 90 3C 40  05 3E 00", [(0, "903C40"), (5, "903E00")]),
    ("running program", "00 C0 05  01 06", [(0, "C005"), (1, "C006")]),
    ("running pressure", "00 D0 10  01 11", [(0, "D010"), (1, "D011")]),
    ("other metas dropped", "00 FF 01 02 61 62  07 FF 20 01 00" + ON, [(7, "903C40")]),
    ("key signature", "00 FF 59 02 FE 01", [(0, "FF59FE01")]),
]


@pytest.mark.parametrize(("events", "want"), rows(RUNNING))
def test_events_of_a_track(path: Path, events: str, want: list[tuple[int, str]]) -> None:
    got = ticks(path, events + STOP_HERE)[:-1]
    assert [(tick, data.hex().upper()) for tick, data in got] == want


# RP-001, p. 6: F0 begins a message, F7 goes on with one, and F7 where none is open is an escape.
SYSEX = [
    ("whole", "00 F0 04 7D 01 02 F7", ["F07D0102F7"], 0),
    ("three packets", "00 F0 02 7D 01  05 F7 01 02  05 F7 02 03 F7", ["F07D010203F7"], 0),
    ("only F7 in the last", "00 F0 02 7D 01  05 F7 01 F7", ["F07D01F7"], 0),
    ("clock between packets", "00 F0 01 7D  01 F7 01 F8  01 F7 01 F7", ["F8", "F07DF7"], 0),
    ("escaped real time", "00 F7 01 FA", ["FA"], 0),
    ("escaped song position", "00 F7 03 F2 10 00", ["F21000"], 0),
    ("several escaped", "00 F7 04 F3 01 F8 F6", ["F301", "F8", "F6"], 0),
    ("whole message escaped", "00 F7 03 F0 7D F7", ["F07DF7"], 0),
    ("escaped reset is no meta event", "00 F7 01 FF", ["FF"], 0),
    ("escaped half message", "00 F7 02 90 3C", [], 1),
    ("escaped data", "00 F7 02 01 02", [], 1),
    ("escaped undefined status", "00 F7 01 F5", [], 1),
    ("nothing inside", "00 F0 01 F7", [], 1),
    ("never ends", "00 F0 02 7D 01", [], 1),
    ("next begins before the end", "00 F0 02 7D 01  00 F0 02 7D F7", ["F07DF7"], 1),
    ("signature of a wrong length", "00 FF 58 02 04 02", [], 1),
]


@pytest.mark.parametrize(("events", "want", "skipped"), rows(SYSEX))
def test_system_exclusive_and_escapes(
    path: Path, events: str, want: list[str], skipped: int
) -> None:
    path.write_bytes(smf(events + STOP_HERE))
    reader = SmfReader(path)
    for _ in range(2):  # a second reading counts anew
        assert [item.data.hex().upper() for item in reader.items()][:-1] == want
        assert reader.skipped == skipped


def test_a_message_in_packets_is_due_with_its_last_one(path: Path) -> None:
    assert ticks(path, "00 F0 01 7D  05 F7 01 F7" + STOP_HERE)[0] == (5, b"\xf0\x7d\xf7")


def test_a_message_longer_than_the_window_is_read_whole(path: Path) -> None:
    sysex = b"\xf0\x7d" + bytes(200_000) + b"\xf7"
    events = b"\x00\xf0" + vlq(len(sysex) - 1) + sysex[1:] + b"\x07\x90\x3c\x40"
    text = b"\x00\xff\x01" + vlq(300_000) + bytes(300_000)
    got = ticks(path, (events + text + events).hex() + STOP_HERE)
    assert got == [(0, sysex), (7, NOTE_ON), (7, sysex), (14, NOTE_ON), (14, END)]


def test_longer_headers_and_unknown_chunks_are_skipped(path: Path) -> None:
    data = smf(ON + STOP_HERE, header="01 02 03")
    track = data.index(b"MTrk")
    data = data[:track] + b"Mrkr\x00\x00\x00\x02ab" + data[track:] + b"more"
    assert [item.data for item in items(path, data)] == [NOTE_ON, END]


def test_a_track_without_end_of_track_ends_at_its_last_event(path: Path) -> None:
    assert ticks(path, "05 90 3C 40") == [(5, NOTE_ON), (5, END)]


def test_what_follows_end_of_track_is_no_event(path: Path) -> None:
    assert ticks(path, STOP_HERE + ON) == [(0, END)]


def test_events_across_every_edge_of_the_window_are_whole(path: Path) -> None:
    """300,000 events of 3 to 7 bytes, so that window edges fall at every place of an event."""
    write_long_file(path, 300_000)
    got = [item for item in SmfReader(path).items() if item.data[0] < 0xF0]
    assert got == [(t_ns, n_tick, data) for t_ns, n_tick, data in long_music(300_000)]


def long_music(count: int) -> Iterator[tuple[int, int, bytes]]:
    """(t_ns, tick, message) at 1000 ticks a quarter note, so that a tick is half a millisecond."""
    tick = 0
    for n in range(count):
        tick += (0, 3, 200, 0, 20_000)[n % 5]
        status = (0x90, 0x90, 0xB0, 0xC0, 0xE0)[n % 7 % 5]
        data = bytes((status, n % 128, n % 127)[: 2 if status == 0xC0 else 3])
        yield tick * MS // 2, tick, data


def write_long_file(path: Path, count: int) -> None:
    with SmfWriter(path, 1000) as writer:
        for t_ns, _, data in long_music(count):
            writer.write(t_ns, data)


FAULTS = [
    ("empty", b"", "byte 0: the file is empty; a Standard MIDI File begins with MThd"),
    ("text", b"hello", "byte 0: this is no Standard MIDI File; one begins with MThd"),
    ("header cut", OFFICIAL[:10], "byte 10: the file ends inside its header; AGAIN"),
    (
        "short header",
        b"MThd\x00\x00\x00\x04" + OFFICIAL[8:],
        "byte 4: a header of 4 bytes; it must have 6 or more",
    ),
    (
        "format 2",
        smf(STOP_HERE, kind=2),
        "byte 8: format 2 is a set of patterns, not one piece; save it as 0 or 1",
    ),
    ("format 3", smf(STOP_HERE, kind=3), "byte 8: format 3; it must be 0 or 1"),
    ("no tracks", smf(), "byte 10: no tracks; there must be 1 or more"),
    (
        "division 0",
        smf(STOP_HERE, division=0),
        "byte 12: division 0; it must be 1 to 32767 ticks a quarter note",
    ),
    (
        "26 frames",
        smf(STOP_HERE, division=0xE628),
        "byte 12: SMPTE division E628; it must have 24, 25, 29 or 30 frames a second"
        " (E8, E7, E3, E2) and 1 to 255 ticks a frame",
    ),
    (
        "0 ticks a frame",
        smf(STOP_HERE, division=0xE700),
        "byte 12: SMPTE division E700; it must have 24, 25, 29 or 30 frames a second"
        " (E8, E7, E3, E2) and 1 to 255 ticks a frame",
    ),
    (
        "track missing",
        smf(STOP_HERE, STOP_HERE)[:26],
        "byte 26: the file ends after 1 of 2 tracks; AGAIN",
    ),
    (
        "track cut short",
        OFFICIAL[:50],
        "byte 18: a chunk of 59 bytes is cut short after 28; AGAIN",
    ),
    ("ends in a delta", smf("81"), "byte 23: the track ends inside an event; AGAIN"),
    ("ends after a delta", smf("00"), "byte 23: the track ends inside an event; AGAIN"),
    ("ends in a message", smf("00 90 3C"), "byte 25: the track ends inside an event; AGAIN"),
    ("ends in a meta", smf("00 FF"), "byte 24: the track ends inside an event; AGAIN"),
    (
        "meta too long",
        smf("00 FF 51 03 07"),
        "byte 23: an event of 3 bytes is cut short after 1; AGAIN",
    ),
    (
        "SysEx too long",
        smf("00 F0 05 7D F7"),
        "byte 23: an event of 5 bytes is cut short after 2; AGAIN",
    ),
    (
        "long number",
        smf("FF FF FF FF 7F 90 3C 40"),
        "byte 22: a number longer than four bytes; FF FF FF 7F is the greatest",
    ),
    (
        "no status",
        smf("00 3C 40"),
        "byte 23: data 3C without a status; an event here begins with one",
    ),
    (
        "running over a meta event",
        smf(ON + "00 FF 01 00  00 3C 40"),
        "byte 31: data 3C without a status; an event here begins with one",
    ),
    (
        "running over SysEx",
        smf(ON + "00 F0 02 7D F7  00 3C 40"),
        "byte 32: data 3C without a status; an event here begins with one",
    ),
    (
        "status for data",
        smf("00 90 3C 90"),
        "byte 25: 90 in a message; its data must be 00 to 7F",
    ),
    (
        "status in SysEx",
        smf("00 F0 04 7D 90 00 F7"),
        "byte 26: 90 in a message; its data must be 00 to 7F",
    ),
    ("clock", smf("00 F8"), "byte 23: status F8; an event begins with 80 to EF, F0, F7 or FF"),
    ("short tempo", smf("00 FF 51 02 07 A1"), "byte 26: a tempo of 2 bytes; it must have 3"),
    (
        "tempo 0",
        smf("00 FF 51 03 00 00 00"),
        "byte 26: a tempo of 0 us a quarter note; 1 is the least",
    ),
]


@pytest.mark.parametrize(("data", "text"), rows(FAULTS))
def test_a_broken_file_is_one_line_with_the_byte(path: Path, data: bytes, text: str) -> None:
    with pytest.raises(InputFileError) as caught:
        items(path, data)
    again = "fetch the file again from where it came"
    assert str(caught.value) == f"{path}: {text.replace('AGAIN', again)}"


def test_faults_in_the_header_show_before_anything_is_played(path: Path) -> None:
    path.write_bytes(OFFICIAL[:50])
    with pytest.raises(InputFileError):
        play(path)


def test_a_fault_deep_in_a_file_has_its_true_byte_and_what_came_before_is_delivered(
    path: Path,
) -> None:
    path.write_bytes(smf(ON * 50_000 + "00 90 3C F4" + STOP_HERE))
    got = []
    with pytest.raises(InputFileError) as caught:
        for item in SmfReader(path).items():
            got.append(item)
    assert got == [(0, 0, NOTE_ON)] * 50_000
    want = f"{path}: byte {22 + 4 * 50_000 + 3}: F4 in a message; its data must be 00 to 7F"
    assert str(caught.value) == want


def test_a_file_that_shrinks_while_it_is_read_is_a_fault(path: Path) -> None:
    write_long_file(path, 100_000)
    stream = SmfReader(path).items()
    next(stream)
    with path.open("rb+") as file:
        file.truncate(100_000)
    with pytest.raises(InputFileError, match="byte "):
        list(stream)


def test_what_cannot_be_opened_is_an_oserror(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        SmfReader(tmp_path / "none.mid")
    with pytest.raises(IsADirectoryError):
        SmfReader(tmp_path)


RICH = smf(
    "00 FF 58 04 04 02 18 08  00 FF 51 03 07 A1 20  83 00 FF 51 03 03 D0 90  00 FF 2F 00",
    "00 90 3C 40  60 3C 00  00 C0 05  00 F0 03 7D 01 F7  81 00 F7 02 F3 01" + STOP_HERE,
    "10 F0 02 7D 01  05 F7 02 02 F7  00 FF 01 03 61 62 63  05 B0 07 64" + STOP_HERE,
)

MUTATIONS = st.lists(
    st.tuples(
        st.integers(0, len(RICH)),
        st.sampled_from(("set", "insert", "delete", "cut")),
        st.integers(0, 255),
    ),
    min_size=1,
    max_size=4,
)


@settings(deadline=None)
@given(mutations=MUTATIONS)
def test_a_damaged_file_is_read_or_refused_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, mutations: Iterable[tuple[int, str, int]]
) -> None:
    data = bytearray(RICH)
    for at, how, byte in mutations:
        if how == "set":
            data[at : at + 1] = bytes((byte,))
        elif how == "insert":
            data[at:at] = bytes((byte,))
        elif how == "delete":
            del data[at : at + 1]
        else:
            del data[at:]
    path = tmp_path_factory.getbasetemp() / "damaged.mid"
    path.write_bytes(data)
    try:
        got = list(SmfReader(path).items())
        list(islice(play(path), 1000))
    except InputFileError as error:
        assert "\n" not in str(error)
        assert str(error).startswith(f"{path}: byte ")
    else:
        assert got[-1].data == END
        assert all(a.t_ns <= b.t_ns and a.tick <= b.tick for a, b in pairwise(got))


# --- against mido --------------------------------------------------------------------------------


def mido_file(path: Path, tracks: int, tempo_every: int) -> mido.MidiFile:
    """A file that mido writes: notes in every track, tempo changes in the first."""
    music = mido.MidiFile(type=1, ticks_per_beat=480)
    for number in range(tracks):
        track = mido.MidiTrack()
        music.tracks.append(track)
        for n in range(200):
            wait = (n * 37 + number * 11) % 97
            note = (n * 5 + number) % 128
            track.append(mido.Message("note_on", channel=number, note=note, time=wait))
            if number == 0 and n % tempo_every == 0:
                tempo = 300_007 + 1013 * n
                track.append(mido.MetaMessage("set_tempo", tempo=tempo, time=n % 5))
    music.save(path)
    return music


@pytest.mark.parametrize("tempo_every", [7, 1000], ids=["many tempos", "one tempo"])
def test_times_and_order_are_those_that_mido_computes(path: Path, tempo_every: int) -> None:
    """Independent source: mido, which adds up float seconds; a microsecond over some minutes."""
    music = mido_file(path, 4, tempo_every)
    seconds, want = 0.0, []
    for message in music:
        seconds += message.time
        if not message.is_meta:
            want.append((seconds, bytes(message.bytes())))
    got = [item for item in SmfReader(path).items() if item.data[0] != 0xFF]
    assert [item.data for item in got] == [data for _, data in want]
    assert max(abs(a.t_ns - b[0] * 1e9) for a, b in zip(got, want, strict=True)) < 1000


def test_mido_reads_what_is_written(path: Path) -> None:
    """Independent source: mido."""
    with SmfWriter(path, 96) as writer:
        writer.meta(0, 0, FOUR_FOUR)
        writer.meta(0, 0, TEMPO_120)
        writer.write(0, NOTE_ON)
        writer.write(500 * MS, b"\xf0\x7d\x01\xf7")
        writer.write(1000 * MS, NOTE_OFF)
        writer.close(2000 * MS)
    music = mido.MidiFile(path)
    assert (music.type, music.ticks_per_beat, music.length) == (0, 96, 2.0)
    assert [(m.time, m.type) for m in music.tracks[0]] == [
        (0, "time_signature"),
        (0, "set_tempo"),
        (0, "note_on"),
        (96, "sysex"),
        (96, "note_off"),
        (192, "end_of_track"),
    ]


# --- playing -------------------------------------------------------------------------------------


def test_playing_sends_start_clock_and_stop(path: Path) -> None:
    """MIDI 1.0 4.2.1, p. 30: 24 clocks a quarter note; RP-001's example is four of them long."""
    path.write_bytes(OFFICIAL)
    got = list(play(path))
    clocks = [item for item in got if item.data == b"\xf8"]
    assert [item.data for item in got[:3]] == [b"\xfa", b"\xf8", FOUR_FOUR]
    assert [item.data for item in got[-3:]] == [b"\x80\x4c\x40", b"\xfc", END]
    assert clocks == [(k * 500 * MS // 24, 4 * k, b"\xf8") for k in range(96)]
    assert [item for item in got if item.data not in (b"\xf8", b"\xfa", b"\xfc")] == list(
        SmfReader(path).items()
    )
    first_note_of_beat_2 = got.index(SmfItem(500 * MS, 96, b"\x91\x43\x40"))
    assert got[first_note_of_beat_2 - 1] == (500 * MS, 96, b"\xf8")


def test_playing_without_clock_is_the_file_alone(path: Path) -> None:
    path.write_bytes(OFFICIAL)
    assert list(play(path, clock=False)) == list(SmfReader(path).items())


def test_a_file_without_length_gets_start_and_stop_and_no_clock(path: Path) -> None:
    path.write_bytes(smf(ON + STOP_HERE))
    assert [item.data for item in play(path)] == [b"\xfa", NOTE_ON, b"\xfc", END]


def test_the_files_own_clock_gives_way_to_the_players(path: Path) -> None:
    path.write_bytes(smf("00 F7 01 FA  01 F7 01 F8  00 F7 02 F3 01  01 F7 01 FC  00 FF 2F 00"))
    got = [item.data for item in play(path)]
    assert got == [b"\xfa", b"\xf8", b"\xf3\x01", b"\xfc", END]


def clock_times(division: int, tempos: list[tuple[int, int]], end: int) -> list[int]:
    """Clock times by exact fractions, without the step of our code: seconds at each tick.

    Times of tempo changes are rounded down to ns, as the reader documents.
    """
    times, k = [], 0
    while (at := Fraction(k * division, 24)) < end:
        tick, t_ns, tempo = [entry for entry in tempo_starts(division, tempos) if entry[0] <= at][
            -1
        ]
        times.append(int(t_ns + (at - tick) * tempo * 1000 / division))
        k += 1
    return times


def tempo_starts(division: int, tempos: list[tuple[int, int]]) -> list[tuple[int, int, int]]:
    starts = [(0, 0, 500_000)]
    for tick, tempo in tempos:
        before, t_ns, old = starts[-1]
        starts.append((tick, int(t_ns + Fraction((tick - before) * old * 1000, division)), tempo))
    return starts


@pytest.mark.parametrize("division", [1, 96, 100, 480, 32767])
def test_clock_follows_the_tempo_map_even_between_ticks(path: Path, division: int) -> None:
    changes = [(0, 600_000), (division // 3 + 1, 400_001), (2 * division, 1_000_003)]
    events, last = "", 0
    for tick, tempo in changes:
        events += vlq(tick - last).hex() + "FF 51 03" + tempo.to_bytes(3, "big").hex()
        last = tick
    path.write_bytes(smf(events + vlq(division * 3).hex() + "FF 2F 00", division=division))
    got = [item.t_ns for item in play(path) if item.data == b"\xf8"]
    assert got == clock_times(division, changes, 5 * division)


def test_under_an_smpte_division_the_clock_runs_at_the_tempo_in_time(path: Path) -> None:
    """At 1 ms a tick: 120 a minute, then from 100 ms on (4.8 clocks) one clock each 10 ms."""
    events = "64 FF 51 03 03 A9 80" + "32 FF 2F 00"
    path.write_bytes(smf(events, division=0xE728))
    got = [item for item in play(path) if item.data == b"\xf8"]
    before = [k * 500 * MS // 24 for k in range(5)]
    after = [102 * MS + 10 * MS * n for n in range(5)]
    assert [item.t_ns for item in got] == before + after
    assert [item.tick for item in got[5:]] == [102, 112, 122, 132, 142]


# --- writing -------------------------------------------------------------------------------------


def test_the_exact_bytes_of_a_small_file(path: Path) -> None:
    """The official example, written: without running status, as this writer writes."""
    with SmfWriter(path, 96) as writer:
        writer.meta(0, 0, FOUR_FOUR)
        writer.meta(0, 0, TEMPO_120)
        writer.write(0, b"\xc0\x05")
        writer.write(0, b"\x92\x30\x60")
        writer.write(0, b"\x92\x3c\x60")
        writer.write(500 * MS, b"\x91\x43\x40")
        writer.write(1000 * MS, b"\xf0\x7d\x01\xf7")
        writer.close(2000 * MS)
    assert path.read_bytes() == bytes.fromhex(
        "4D 54 68 64 00 00 00 06 00 00 00 01 00 60"
        "4D 54 72 6B 00 00 00 29"
        "00 FF 58 04 04 02 18 08"
        "00 FF 51 03 07 A1 20"
        "00 C0 05"
        "00 92 30 60  00 92 3C 60"
        "60 91 43 40"
        "60 F0 03 7D 01 F7"
        "81 40 FF 2F 00"
    )


NO_EVENTS = ("F1 10", "F2 00 10", "F3 01", "F6", "F8", "FA", "FB", "FC", "FE", "FF")


@pytest.mark.parametrize("text", NO_EVENTS)
def test_messages_that_a_file_cannot_hold_are_left_out(path: Path, text: str) -> None:
    """RP-001, p. 6: events are channel messages, system exclusive and meta events."""
    with SmfWriter(path) as writer:
        assert writer.write(0, NOTE_ON) is True
        assert writer.write(5 * MS, bytes.fromhex(text)) is False
    assert [item.data for item in SmfReader(path).items()] == [NOTE_ON, END]


def test_ticks_never_go_down_and_the_end_is_no_earlier_than_the_last_event(path: Path) -> None:
    with SmfWriter(path, 500) as writer:
        writer.write(10 * MS, NOTE_ON)
        writer.write(5 * MS, NOTE_OFF)
        writer.close(7 * MS)
        writer.close(99 * MS)  # once is enough
    assert [item.tick for item in SmfReader(path).items()] == [10, 10, 10]


def test_a_tick_is_the_nearest(path: Path) -> None:
    with SmfWriter(path, 500) as writer:  # 1 ms a tick
        for t_ns in (499_999, 500_000, 1_499_999, 1_500_000):
            writer.write(t_ns, NOTE_ON)
    assert [item.tick for item in SmfReader(path).items()] == [0, 1, 1, 2, 2]


def test_the_end_of_a_reader_may_be_handed_on(path: Path) -> None:
    with SmfWriter(path) as writer:
        writer.meta(0, 0, END)
    assert path.read_bytes()[18:] == b"\x00\x00\x00\x04\x00\xff\x2f\x00"


def test_a_wait_longer_than_four_bytes_can_say_is_kept(path: Path) -> None:
    """At the default division a day is 4.1e9 ticks, and one delta at most 268,435,455."""
    day_ns = 86_400 * 1000 * MS
    with SmfWriter(path) as writer:
        writer.write(day_ns, NOTE_ON)
        writer.close(2 * day_ns)
    day = 2 * 86_400 * DEFAULT_DIVISION
    assert list(SmfReader(path).items()) == [(day_ns, day, NOTE_ON), (2 * day_ns, 2 * day, END)]


def test_what_is_on_disk_is_a_whole_file_before_close(path: Path) -> None:
    writer = SmfWriter(path)
    assert [item.data for item in SmfReader(path).items()] == [END]
    for n in range(50_000):
        writer.write(n * MS, NOTE_ON)
    early = list(SmfReader(path).items())
    assert len(early) > 10_000
    assert early[-1].data == END
    writer.close()
    assert len(list(SmfReader(path).items())) == 50_001


def test_an_error_inside_the_block_still_leaves_a_whole_file(path: Path) -> None:
    with pytest.raises(RuntimeError), SmfWriter(path) as writer:
        writer.write(MS, NOTE_ON)
        raise RuntimeError
    assert [item.data for item in SmfReader(path).items()] == [NOTE_ON, END]


@pytest.mark.parametrize("size", range(65_520, 65_545))
def test_a_block_may_fill_at_any_byte(path: Path, size: int) -> None:
    sysex = b"\xf0" + bytes(size) + b"\xf7"
    with SmfWriter(path) as writer:
        writer.write(0, sysex)
    assert [item.data for item in SmfReader(path).items()] == [sysex, END]
    data = path.read_bytes()
    assert len(data) == 22 + int.from_bytes(data[18:22], "big")


@pytest.mark.parametrize("division", [0, -1, 0xE628, 0xE700, 0x18000])
def test_a_division_that_does_not_exist_is_a_value_error_and_makes_no_file(
    path: Path, division: int
) -> None:
    with pytest.raises(ValueError, match="division"):
        SmfWriter(path, division)
    assert not path.exists()


EVENTS = st.lists(
    st.tuples(
        st.integers(0, 3000) | st.integers(0, 0x0FFFFFFF),
        st.integers(2000, 0xFFFFFF) | st.none(),
    ),
    max_size=30,
)


@settings(deadline=None)
@given(
    events=EVENTS,
    division=st.integers(1, 1000) | st.sampled_from([24_000, 0xE728, 0xE250, 0xE804, 0xE3FF]),
)
def test_what_was_read_from_a_tick_is_written_to_that_tick(
    tmp_path_factory: pytest.TempPathFactory,
    events: list[tuple[int, int | None]],
    division: int,
) -> None:
    """Notes and tempo changes at any ticks come back item for item, times included."""
    folder = tmp_path_factory.getbasetemp()
    source, copy = folder / "source.mid", folder / "copy.mid"
    data = b""
    for delta, tempo in events:
        data += vlq(delta)
        data += NOTE_ON if tempo is None else b"\xff\x51\x03" + tempo.to_bytes(3, "big")
    source.write_bytes(smf(data.hex() + "05 FF 2F 00", division=division, kind=0))
    want = list(SmfReader(source).items())
    with SmfWriter(copy, division) as writer:
        for item in want:
            if item.data[0] == 0xFF:
                writer.meta(item.tick, item.t_ns, item.data)
            else:
                assert writer.write(item.t_ns, item.data)
        writer.close(want[-1].t_ns)
    assert list(SmfReader(copy).items()) == want


# --- memory --------------------------------------------------------------------------------------


PEAK_BYTES = 3_000_000


@pytest.fixture
def traced() -> Iterator[None]:
    tracemalloc.start()
    yield
    tracemalloc.stop()


def assert_flat(stream: Iterable[object], count: int) -> None:
    """The stream has `count` items and more, and passing them takes next to no memory."""
    tracemalloc.reset_peak()
    assert sum(1 for _ in islice(stream, count)) == count
    assert tracemalloc.get_traced_memory()[1] < PEAK_BYTES


@pytest.mark.usefixtures("traced")
def test_memory_does_not_grow_with_the_file(path: Path) -> None:
    write_long_file(path, 300_000)
    assert tracemalloc.get_traced_memory()[1] < PEAK_BYTES
    assert_flat(SmfReader(path).items(), 300_001)
    assert_flat(play(path), 100_000)


@pytest.mark.usefixtures("traced")
def test_memory_does_not_grow_with_the_length_of_many_tracks(path: Path) -> None:
    write_long_file(path, 50_000)
    track = path.read_bytes()[14:]
    path.write_bytes(b"MThd\x00\x00\x00\x06\x00\x01\x00\x20\x03\xe8" + 32 * track)
    del track
    assert path.stat().st_size > 2 * PEAK_BYTES
    assert_flat(SmfReader(path).items(), 100_000)
