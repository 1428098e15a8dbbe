"""The demo's output, event by event, and what its page says.

Renew the recorded files with RENEW_GOLDEN=1 in the environment, and read the difference.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from pointsman.demo import INPUT_NAME, prepare, run_demo, song
from pointsman.demo.heard import listen
from pointsman.io_smf import SmfReader
from pointsman.io_tsv import read_tsv
from pointsman.render import render
from pointsman.rig import Rig

GOLDEN = Path(__file__).parent / "harbour"
FILES = [INPUT_NAME, "tug.tsv", "gull.tsv", "buoy.tsv"]


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Rig, Path]:
    place = tmp_path_factory.mktemp("harbour")
    rig = prepare(place)
    render(rig, place / INPUT_NAME, place)
    if os.environ.get("RENEW_GOLDEN"):
        GOLDEN.mkdir(exist_ok=True)
        for name in FILES:
            shutil.copyfile(place / name, GOLDEN / name)
    return rig, place


@pytest.mark.parametrize("name", FILES)
def test_the_demo_renders_as_recorded(rendered: tuple[Rig, Path], name: str) -> None:
    got = (rendered[1] / name).read_text().splitlines()
    assert got == (GOLDEN / name).read_text().splitlines()


@pytest.mark.parametrize("output", ["tug", "gull", "buoy"])
def test_each_synth_hears_what_its_track_says_and_is_left_as_it_was(
    rendered: tuple[Rig, Path], output: str
) -> None:
    rig, place = rendered
    device = next(spec.device for spec in rig.outputs if spec.name == output)
    assert device is not None
    assert device.channel is not None
    assert device.voices is not None
    heard = listen(read_tsv(place / f"{output}.tsv"), device, device.channel)
    track = song.TRACKS[{"tug": song.TUG, "gull": song.GULL, "buoy": song.BUOY}[output]]
    assert heard.notes == sum(len(step.notes.split()) for step in track)
    assert heard.most_at_once == device.voices
    assert heard.left_sounding == 0
    assert heard.left_away == []


def test_a_control_turned_on_one_step_is_home_on_the_next_note(
    rendered: tuple[Rig, Path],
) -> None:
    rig, place = rendered
    device = rig.outputs[0].device
    assert device is not None
    lane = listen(read_tsv(place / "tug.tsv"), device, 5).lanes["cutoff"]
    turned = {4: 118, 12: 12}
    for number, step in enumerate(song.TRACKS[song.TUG]):
        if step.notes:
            assert lane[number] == turned.get(number % song.STEPS_PER_BAR, 64), number


def test_the_page_shows_before_and_after(capsys: pytest.CaptureFixture[str]) -> None:
    run_demo(None, live=False)
    page = capsys.readouterr().out
    assert "BEFORE" in page
    assert "tug    notes it hears                          0 (track on 1, synth on 5)   40" in page
    assert "gull   clocks, to which its old pattern plays  384" in page


def test_the_demo_keeps_a_set_of_files_that_can_be_run_again(tmp_path: Path) -> None:
    run_demo(tmp_path / "kept", live=False)
    names = {path.name for path in (tmp_path / "kept").iterdir()}
    assert names >= {"rig.yaml", "devices", INPUT_NAME, "tug.mid", "gull.tsv"}


def test_the_live_demo_without_midi_plays_to_files_that_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Eight seconds, in real time: what it records is what the offline demo renders."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("pointsman.io_rtmidi.missing", lambda: "no sequencer")
    run_demo(None, live=True, to={"gull": "null:"})
    assert "Playing to files instead" in capsys.readouterr().out
    kept = tmp_path / "harbour-live"
    notes = [data for _, data in read_tsv(GOLDEN / "tug.tsv") if data[0] < 0xB0]
    played = [item.data for item in SmfReader(kept / "live-tug.mid").items()]
    assert [data for data in played if data[0] < 0xB0] == notes
    assert not (kept / "live-gull.mid").exists()
