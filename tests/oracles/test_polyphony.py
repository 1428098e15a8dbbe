"""note_limit on files that nobody here wrote: how many notes sound at once, as symusic reads it.

How keys that are struck again while held are counted. The files do that hundreds of times. Two
note-ons on one key need two note-offs (MIDI 1.0, 4.2.1, p. A-4), and the same note struck again is
the same voice: so a key sounds from its first note-on to its last note-off, and counts once.
symusic gives every strike as a note of its own, with its end; where strikes of one key overlap
they are joined here. A note that ends on the tick on which it begins had to give way at once, in a
chord larger than the voices, and is left out.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import chain
from pathlib import Path

import pytest

from pointsman.cli import main

symusic = pytest.importorskip("symusic", reason="PyPI symusic is not installed")

STEAL = ("oldest", "newest", "lowest", "highest", "quietest", "none")
LIMITS = [
    *((voices, steal, "channel") for voices in (1, 2, 4) for steal in STEAL),
    *((8, steal, "output") for steal in STEAL),
]


def name_of(limit: tuple[int, str, str]) -> str:
    return "-".join(map(str, limit))


@pytest.fixture(scope="module")
def limited(open_files: list[Path], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """For each file a folder with what every limit makes of it, and `all`, the file without one."""
    folder = tmp_path_factory.mktemp("limited")
    rig = ["input: {port: 'null:'}", "outputs:", "  all: {port: 'null:'}"]
    for limit in LIMITS:
        voices, steal, scope = limit
        rig.append(f"  {name_of(limit)}:")
        rig.append("    port: 'null:'")
        rig.append("    chain:")
        rig.append(
            f"      - {{plugin: note_limit, voices: {voices}, steal: {steal}, scope: {scope}}}"
        )
    rig_path = folder / "rig.yaml"
    rig_path.write_text("\n".join(rig), "utf-8")
    folders = []
    for path in open_files:
        out = folder / path.stem
        assert main(["render", str(rig_path), str(path), "--out", str(out), "--no-clock"]) == 0
        folders.append(out)
    return folders


Event = tuple[int, bytes]
"""Microseconds, and a message."""


def note_events(path: Path) -> list[Event]:
    """The note messages of an event log."""
    lines = (line.split("\t") for line in path.read_text("utf-8").splitlines())
    pairs = ((int(time.replace(".", "")), bytes.fromhex(data)) for time, data in lines)
    return [(us, data) for us, data in pairs if 0x80 <= data[0] < 0xA0]


def is_note_on(data: bytes) -> bool:
    return data[0] >= 0x90 and data[2] > 0


def smf(events: list[Event]) -> bytes:
    """A Standard MIDI File with one track, a tick a microsecond (RP-001, pp. 2-6)."""
    track, last = bytearray(), 0
    for us, data in [*events, (events[-1][0], b"\xff\x2f\x00")]:
        delta, last = us - last, us
        groups = [delta >> shift & 0x7F for shift in (21, 14, 7, 0)]
        track += bytes((groups[0] | 0x80, groups[1] | 0x80, groups[2] | 0x80, groups[3])) + data
    header = b"MThd" + bytes((0, 0, 0, 6, 0, 0, 0, 1, 1, 0))
    return header + b"MTrk" + len(track).to_bytes(4, "big") + track


Note = tuple[tuple[int, int], int, int]
"""Channel and key, and the microseconds of start and end."""


def notes_by_channel(path: Path) -> list[list[Note]]:
    """The notes as symusic pairs them. It does not tell the channel, so each gets its own file."""
    channels: dict[int, list[Event]] = defaultdict(list)
    for us, data in note_events(path):
        channels[data[0] & 0x0F].append((us, data))
    return [
        [
            ((channel, note.pitch), note.start, note.end)
            for track in symusic.Score.from_midi(smf(events)).tracks
            for note in track.notes
        ]
        for channel, events in channels.items()
    ]


def most_at_once(notes: list[Note]) -> int:
    """The most keys that sound at once; what ends on a tick makes room for what begins on it."""
    changes = sorted(
        change
        for key, start, end in notes
        if start < end
        for change in ((start, 1, key), (end, 0, key))
    )
    strikes: Counter[tuple[int, int]] = Counter()
    most = sounding = 0
    for _, begins, key in changes:
        sounding -= strikes[key] > 0
        strikes[key] += 1 if begins else -1
        sounding += strikes[key] > 0
        most = max(most, sounding)
    return most


def test_no_more_notes_sound_at_once_than_there_are_voices(limited: list[Path]) -> None:
    over, reached = [], set()
    for folder in limited:
        for limit in LIMITS:
            voices, _, scope = limit
            channels = notes_by_channel(folder / f"{name_of(limit)}.tsv")
            groups = channels if scope == "channel" else [list(chain.from_iterable(channels))]
            most = max(most_at_once(notes) for notes in groups)
            if most > voices:
                over.append((folder.name, name_of(limit), most))
            if most == voices:
                reached.add(limit)
    assert over == []
    assert reached == set(LIMITS), "the files are full enough for every limit"


def test_after_the_release_no_note_is_left_open(limited: list[Path]) -> None:
    """symusic leaves out notes without an end: it must find as many notes as there are note-ons."""
    left_open = []
    for folder in limited:
        for name in ("all", *map(name_of, LIMITS)):
            tracks = symusic.Score(folder / f"{name}.mid").tracks
            begun = [data for _, data in note_events(folder / f"{name}.tsv") if is_note_on(data)]
            if sum(len(track.notes) for track in tracks) != len(begun):
                left_open.append((folder.name, name))
    assert left_open == []
