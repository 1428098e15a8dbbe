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
from pathlib import Path
from typing import Any

import mido
import pytest

from pointsman.cli import main

symusic = pytest.importorskip("symusic", reason="PyPI symusic is not installed")

STEAL = ("oldest", "newest", "lowest", "highest", "quietest", "none")
VOICES = (1, 2, 4)
SCOPES = ("channel", "output")
LIMITS = [(voices, steal, scope) for voices in VOICES for steal in STEAL for scope in SCOPES]


def name_of(limit: tuple[int, str, str]) -> str:
    return "-".join(map(str, limit))


@pytest.fixture(scope="module")
def limited(open_files: list[Path], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """For each file a folder in which every limit has left its output, `none` the file itself."""
    folder = tmp_path_factory.mktemp("limited")
    chains = "".join(
        f"  {name_of((voices, steal, scope))}: {{port: 'null:', chain: "
        f"[{{plugin: note_limit, voices: {voices}, steal: {steal}, scope: {scope}}}]}}\n"
        for voices, steal, scope in LIMITS
    )
    rig = folder / "rig.yaml"
    rig.write_text(
        f"input: {{port: 'null:'}}\noutputs:\n  all: {{port: 'null:'}}\n{chains}", "utf-8"
    )
    folders = []
    for path in open_files:
        out = folder / path.stem
        assert main(["render", str(rig), str(path), "--out", str(out), "--no-clock"]) == 0
        folders.append(out)
    return folders


def note_ons(path: Path) -> int:
    """How many notes a file begins; note-ons with velocity 0 are none."""
    return sum(
        1
        for event in mido.merge_tracks(mido.MidiFile(path).tracks)
        if event.type == "note_on" and event.velocity
    )


Note = tuple[int, int, int]
"""Start and end in ticks, and the key."""


def notes_by_channel(path: Path, scratch: Path) -> dict[int, list[Note]]:
    """The notes as symusic pairs them. It does not tell the channel, so each gets a file."""
    midi = mido.MidiFile(path)
    tracks: dict[int, mido.MidiTrack] = defaultdict(mido.MidiTrack)
    ends: Counter[int] = Counter()
    now = 0
    for event in mido.merge_tracks(midi.tracks):
        now += event.time
        if event.type in ("note_on", "note_off"):
            tracks[event.channel].append(event.copy(time=now - ends[event.channel]))
            ends[event.channel] = now
    found = {}
    for channel, track in tracks.items():
        mido.MidiFile(type=0, ticks_per_beat=midi.ticks_per_beat, tracks=[track]).save(scratch)
        score = symusic.Score(scratch)
        found[channel] = [(n.start, n.end, n.pitch) for part in score.tracks for n in part.notes]
    return found


def most_at_once(notes: list[tuple[Any, int, int]]) -> int:
    """The most keys that sound at once; what ends on a tick makes room for what begins on it."""
    changes = sorted(
        change
        for key, start, end in notes
        if start < end
        for change in ((start, 1, key), (end, 0, key))
    )
    strikes: Counter[Any] = Counter()
    most = sounding = 0
    for _, begins, key in changes:
        sounding -= strikes[key] > 0
        strikes[key] += 1 if begins else -1
        sounding += strikes[key] > 0
        most = max(most, sounding)
    return most


def test_no_more_notes_sound_at_once_than_there_are_voices(
    limited: list[Path], tmp_path: Path
) -> None:
    over, reached = [], set()
    for folder in limited:
        for voices, steal, scope in LIMITS:
            path = folder / f"{name_of((voices, steal, scope))}.mid"
            channels = notes_by_channel(path, tmp_path / "channel.mid")
            keyed = {
                channel: [((channel, key), start, end) for start, end, key in notes]
                for channel, notes in channels.items()
            }
            groups = list(keyed.values())
            if scope == "output":
                groups = [[note for notes in groups for note in notes]]
            most = max(most_at_once(notes) for notes in groups)
            if most > voices:
                over.append((folder.name, path.stem, most))
            reached.add((voices, most))
    assert over == []
    assert {(voices, voices) for voices in VOICES} <= reached, "the files do reach each limit"


def test_after_the_release_no_note_is_left_open(limited: list[Path]) -> None:
    """symusic leaves out notes without an end: it must find as many as mido finds note-ons."""
    left_open = []
    for folder in limited:
        for path in [folder / "all.mid", *(folder / f"{name_of(limit)}.mid" for limit in LIMITS)]:
            found = sum(len(track.notes) for track in symusic.Score(path).tracks)
            if found != note_ons(path):
                left_open.append((folder.name, path.stem))
    assert left_open == []
