"""Songs in rig files: what is read, what is refused, and that `render` changes as a stage does."""

from __future__ import annotations

from pathlib import Path

import pytest

from pointsman.cli import main
from pointsman.errors import RigError
from pointsman.io_tsv import read_tsv
from pointsman.registry import load_plugins
from pointsman.rig import Press
from pointsman.rig_file import load_rig, load_rig_and_plugins

SET = """\
rig: harbour-set
input: {port: "null:"}
songs:
  rigs: {morning: songs/morning.yaml, storm: songs/storm.yaml, shanty: set.yaml}
  program_channel: 16
  control: {control: general_purpose_1, channel: 15}
  change: bar
  meter: 7/8
safety: {panic: {note: C0, channel: 16}}
outputs:
  tug: {port: "null:"}
"""
SONG = """\
input: {port: "null:"}
outputs:
  tug: {port: "null:", chain: [{plugin: transpose, semitones: 12}]}
  gull: {port: "null:"}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "songs").mkdir()
    (tmp_path / "set.yaml").write_text(SET, "utf-8")
    for name in ("morning", "storm"):
        (tmp_path / "songs" / f"{name}.yaml").write_text(SONG, "utf-8")
    return tmp_path


def problems(path: Path) -> list[str]:
    with pytest.raises(RigError) as caught:
        load_rig(path)
    return str(caught.value).replace(f"{path.parent}/", "").splitlines()


def test_songs_are_read_with_what_chooses_them(folder: Path) -> None:
    rig = load_rig(folder / "set.yaml")
    songs = rig.songs
    assert [(name, song.name) for name, song in songs.rigs] == [
        ("morning", "morning"),
        ("storm", "storm"),
        ("shanty", "harbour-set"),
    ]
    assert (songs.program_channel, songs.control) == (15, (14, 16))
    assert (songs.at_bar, songs.bar_clocks) == (True, 84)
    assert rig.safety.panic == Press(15, note=12)


def test_a_plugin_of_one_folder_is_one_class_in_every_song(folder: Path) -> None:
    """Only so can it go on from song to song."""
    rig, _ = load_rig_and_plugins(folder / "set.yaml")
    kinds = {song.outputs[0].chain[0].plugin for _, song in rig.songs.rigs[:2]}
    assert kinds == {load_plugins().plugins["transpose"]}


def test_what_is_wrong_with_a_song_is_told_with_its_own_file(folder: Path) -> None:
    (folder / "songs" / "storm.yaml").write_text(SONG.replace("semitones", "semitone"), "utf-8")
    lines = problems(folder / "set.yaml")
    assert lines == [
        "songs/storm.yaml:3:32: outputs.tug.chain[1]: 'semitones' is missing; add it",
        "songs/storm.yaml:3:52: outputs.tug.chain[1].semitone: unknown key; "
        "did you mean 'semitones'?",
    ]


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            "songs/storm.yaml",
            "songs/strom.yaml",
            "set.yaml:4:46: songs.rigs.storm: song 'songs/strom.yaml' cannot be read: "
            "No such file or directory; its path is relative to this file",
        ),
        (
            "meter: 7/8",
            "meter: 7/9",
            "set.yaml:8:10: songs.meter: '7/9' is no meter; write for example 4/4, 3/4 or 7/8",
        ),
        (
            "{note: C0, channel: 16}",
            "{note: C0, control: 3, channel: 16}",
            "set.yaml:9:17: safety.panic: it is a note or a control, one of both; "
            "write for example {note: C0, channel: 16}",
        ),
        (
            "{note: C0, channel: 16}",
            "{channel: 16}",
            "set.yaml:9:17: safety.panic: it is a note or a control, one of both; "
            "write for example {note: C0, channel: 16}",
        ),
        (
            "change: bar",
            "change: beat",
            "set.yaml:7:11: songs.change: 'beat' is none of the choices; write now or bar",
        ),
    ],
)
def test_what_is_wrong_is_told(folder: Path, old: str, new: str, line: str) -> None:
    (folder / "set.yaml").write_text(SET.replace(old, new), "utf-8")
    assert problems(folder / "set.yaml") == [line]


def test_a_song_names_no_songs(folder: Path) -> None:
    text = SONG + "songs: {rigs: {other: other.yaml}}\n"
    (folder / "songs" / "storm.yaml").write_text(text, "utf-8")
    assert problems(folder / "set.yaml") == [
        "songs/storm.yaml:5:8: songs: a song has no songs; name them all in the first rig"
    ]


def test_render_changes_where_the_stage_would(folder: Path) -> None:
    (folder / "set.yaml").write_text(SET.replace("change: bar", "change: now"), "utf-8")
    log = "0.0\t90 3C 64\n0.1\tCF 00\n0.2\t80 3C 40\n0.3\t90 3C 64\n0.4\t80 3C 40\n0.5\tCF 02\n"
    (folder / "in.tsv").write_text(log, "utf-8")
    out = folder / "out"
    assert (
        main(["render", str(folder / "set.yaml"), str(folder / "in.tsv"), "--out", str(out)]) == 0
    )
    assert [data.hex(" ") for _, data in read_tsv(out / "tug.tsv")] == [
        "90 3c 64",
        "80 3c 40",
        "90 48 64",
        "80 48 40",
    ]
    assert [data.hex(" ") for _, data in read_tsv(out / "gull.tsv")] == [
        "80 3c 40",  # a note-off that ends nothing here does no harm
        "90 3c 64",
        "80 3c 40",
    ]
