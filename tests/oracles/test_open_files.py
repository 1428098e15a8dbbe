"""Files that nobody here wrote, through a rig whose every entry changes nothing.

What comes out must be what went in, by readers that share no code with ours: npm `midi-file`,
PyPI `symusic` (by notes alone: it loses controls of tracks without notes) and PyPI `mido`. The
files hold keys struck again while held, note-offs without a note-on, and a note never released:
all of it must pass as it is, byte for byte (rule 10 of the engine).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import mido
import pytest

from pointsman.cli import main

RIG = """
input: {{port: "null:", chain: {chain}}}
outputs:
  tug: {{port: "null:", chain: {chain}}}
safety: {{on_exit: none}}
"""
CHAIN = """[
  {plugin: channel_remap, map: {1: 1, 10: 10}},
  {plugin: cc_scale, control: channel_volume, to: [0, 127]},
  {plugin: cc_reset, controls: {119: 0}, after: 10ms, when: [next_note, note_off, stop]},
  {plugin: clock_filter},
  {plugin: note_limit, voices: 128},
  {plugin: message_filter, drop: [sysex]},
  {plugin: note_range},
  {plugin: transpose, semitones: 0},
  {plugin: velocity, to: [1, 127]},
  {plugin: note_guard, longest: 0s, repeat: pass},
  {plugin: channel_select, control: 119, from_channel: 1, to: direct},
  {plugin: program_map, map: {}},
  {plugin: bar_gate, play: [1], of: 1},
  {plugin: drum_map, notes: {0: {note: 0, channel: 1, velocity: 1}}},
  {plugin: cc_map, map: {119: 118}},
  {plugin: cc_smooth, control: 119},
  {plugin: cc_thin, controls: [119]},
  {plugin: lfo, control: 119, channel: 16, rate: 1Hz, depth: 0, center: follow},
]""".replace("\n", " ")
"""Every plugin, set to change nothing: no file has a control 119, a SysEx message or a note 0."""


@pytest.fixture(scope="module")
def rendered(
    open_files: list[Path], tmp_path_factory: pytest.TempPathFactory
) -> list[tuple[Path, Path]]:
    """Each file, and the folder with what came out."""
    folder = tmp_path_factory.mktemp("open")
    rig = folder / "rig.yaml"
    rig.write_text(RIG.format(chain=CHAIN), "utf-8")
    pairs = []
    for number, path in enumerate(open_files):
        out = folder / str(number)
        assert main(["render", str(rig), str(path), "--out", str(out), "--no-clock"]) == 0
        pairs.append((path, out))
    return pairs


@cache
def merged(path: Path) -> list[tuple[int, bytes]]:
    """The messages and tempo changes of a file with their ticks, by tick and then by track."""
    now, found = 0, []
    for event in mido.merge_tracks(mido.MidiFile(path).tracks):
        now += event.time
        if not event.is_meta or event.type == "set_tempo":
            found.append((now, bytes(event.bytes())))
    return found


def is_tempo(data: bytes) -> bool:
    return data[0] == 0xFF


def test_the_node_reader_finds_the_same(
    rendered: list[tuple[Path, Path]], read_with_node: Callable[[list[Path]], list[Any]]
) -> None:
    """Counts for each channel, kind and control, the sum of ticks, and the division."""
    before = read_with_node([path for path, _ in rendered])
    after = read_with_node([out / "tug.mid" for _, out in rendered])
    assert [
        path.name for (path, _), b, a in zip(rendered, before, after, strict=True) if a != b
    ] == []
    assert sum(sum(found["counts"].values()) for found in before) > 100_000


def test_symusic_finds_the_same_notes(rendered: list[tuple[Path, Path]]) -> None:
    """It pairs note-ons with note-offs within a track, and we write all channels into one: a pair
    of the same key may come out in another order, so starts and ends are compared apart."""
    symusic = pytest.importorskip("symusic", reason="PyPI symusic is not installed")

    def notes(path: Path) -> tuple[Counter[Any], Counter[Any]]:
        found = [note for track in symusic.Score(path).tracks for note in track.notes]
        starts = Counter((note.start, note.pitch, note.velocity) for note in found)
        return starts, Counter((note.end, note.pitch) for note in found)

    assert [p.name for p, out in rendered if notes(p) != notes(out / "tug.mid")] == []


def test_mido_finds_the_same_messages_and_tempo_map(rendered: list[tuple[Path, Path]]) -> None:
    for tempo in (False, True):
        differing = []
        for path, out in rendered:
            before, after = (
                [event for event in merged(file) if is_tempo(event[1]) == tempo]
                for file in (path, out / "tug.mid")
            )
            if before != after:
                differing.append(path.name)
        assert differing == []


def log_times(path: Path) -> list[tuple[str, bytes]]:
    """What an event log must hold: mido's messages, their times computed in exact fractions.

    Seconds are ticks x microseconds a quarter note / division (RP-001, p. 14), half up.
    """
    division = mido.MidiFile(path).ticks_per_beat
    us, tempo, last_tick, found = Fraction(0), 500_000, 0, []
    for tick, data in merged(path):
        us += Fraction((tick - last_tick) * tempo, division)
        last_tick = tick
        if is_tempo(data):
            tempo = int.from_bytes(data[3:], "big")
        else:
            whole = int(us + Fraction(1, 2))
            found.append((f"{whole // 1_000_000}.{whole % 1_000_000:06d}", data))
    return found


def test_the_event_log_has_every_message_at_its_microsecond(
    rendered: list[tuple[Path, Path]],
) -> None:
    for path, out in rendered:
        lines = (out / "tug.tsv").read_text("utf-8").splitlines()
        logged = [(time, bytes.fromhex(data)) for time, data in (ln.split("\t") for ln in lines)]
        expected = log_times(path)
        assert len(logged) == len(expected), path.name
        differing = [pair for pair in zip(logged, expected, strict=True) if pair[0] != pair[1]]
        assert differing == [], path.name
