"""What find-channel says in the end: each finding, and the lines to write for each rig."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pointsman.folding import folded
from pointsman.ports.resolve import SYSTEM
from pointsman.probing.reaching import reaching
from pointsman.probing.search import ALL_CHANNELS, By, Finding
from pointsman.probing.target import Target
from pointsman.probing.verdict import show
from pointsman.rig_file import load_rig

BARE = Target("Tug Interface", "Tug Interface", SYSTEM, "Tug Interface:1 24:0")


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")


def target(folder: Path, chain: str, device: str = "device: Tug\n") -> Target:
    (folder / "tug.yaml").write_text(device)
    path = folder / "rig.yaml"
    path.write_text(
        "input: {port: 'null:'}\noutputs:\n  tug:\n    port: Tug\n    device: tug.yaml\n"
        f"    chain: [{chain}]\n"
    )
    rig = load_rig(path)
    (spec,) = rig.outputs
    return replace(
        BARE, name="tug", rig=rig, spec=spec, device=spec.device, device_path=Path("tug.yaml")
    )


def said(*channels: int, to: Target, by: By = By.EAR, tried: tuple[int, ...] = ALL_CHANNELS) -> str:
    return show(Finding(channels, tried, by), to, 60, ["Gull"])


def test_without_a_rig_both_files_are_shown() -> None:
    assert said(5, to=BARE) == (
        "Tug Interface hears channel 5, as you heard it.\n"
        "In its device file:\n"
        "    channel: 5\n"
        "In the rig (left of the colon is the channel that your sequencer uses for it):\n"
        '    port: "Tug Interface"\n'
        "    chain:\n"
        "      - plugin: channel_remap\n"
        "        map: {1: 5}\n"
        "        others: drop"
    )


def test_a_rig_without_a_chain_reaches_the_channel_of_the_same_number(tmp_path: Path) -> None:
    text = said(5, to=target(tmp_path, ""))
    assert "In tug.yaml (it has none yet):\n    channel: 5\n" in text
    assert "As the rig is, your sequencer reaches it from channel 5; to use another:" in text
    assert "    chain:\n      - plugin: channel_remap\n        map: {1: 5}\n" in text


def test_what_is_written_as_shown_is_right(tmp_path: Path) -> None:
    """The lines, put under the output of a rig, load, and lead to the channel."""
    text = said(5, to=BARE).partition("uses for it):\n")[2].replace("Tug Interface", "null:")
    (tmp_path / "r.yaml").write_text(f"input: {{port: 'null:'}}\noutputs:\n  tug:\n{text}\n")
    assert reaching(load_rig(tmp_path / "r.yaml"), "tug", 60, 5) == (1,)


@pytest.mark.parametrize(
    ("chain", "reach"),
    [
        ("", (5,)),
        ("{plugin: channel_remap, map: {1: 5}}", (1, 5)),
        ("{plugin: channel_remap, map: {1: 5}, others: drop}", (1,)),
        ("{plugin: channel_remap, map: {1: 6}, others: drop}", ()),
        ("{plugin: message_filter, drop: [note]}", ()),
        ("{plugin: transpose, semitones: 12}, {plugin: channel_remap, map: {2: [5, 6]}}", (2, 5)),
    ],
)
def test_which_channels_of_the_sequencer_arrive(
    tmp_path: Path, chain: str, reach: tuple[int, ...]
) -> None:
    rig = target(tmp_path, chain).rig
    assert rig is not None
    assert reaching(rig, "tug", 60, 5) == reach


def test_a_rig_that_is_right_already_is_left_alone(tmp_path: Path) -> None:
    chain = "{plugin: channel_remap, map: {2: 5}, others: drop}"
    text = said(5, to=target(tmp_path, chain, "device: Tug\nchannel: 5\n"), by=By.METER)
    assert text == (
        "tug hears channel 5, as the meter says.\n"
        "tug.yaml says so already.\n"
        "The rig plays it from your sequencer's channel 2 already."
    )


def test_a_remap_that_leads_elsewhere_is_named_by_its_line(tmp_path: Path) -> None:
    chain = "{plugin: channel_remap, map: {1: 6}, others: drop}"
    text = said(5, to=target(tmp_path, chain, "device: Tug\nchannel: 6\n"))
    assert "In tug.yaml (now it says 6):\n    channel: 5\n" in text
    assert "rig.yaml:6, in the channel_remap" in " ".join(text.split())
    assert text.endswith("        map: {1: 5}")


def test_omni_and_several_are_told_apart() -> None:
    assert "sounds on all channels, as you heard it: it is set to omni" in said(
        *ALL_CHANNELS, to=BARE
    )
    assert "sounds on several channels: 3, 7 (as you heard it)" in said(3, 7, to=BARE)


def test_silence_names_its_usual_causes_and_the_other_ports(tmp_path: Path) -> None:
    clock_only = target(tmp_path, "", "device: Tug\nreceives: [clock]\n")
    text = " ".join(said(to=clock_only).split())
    causes = ["Volume", "Cable and socket", "RP-054", "takes clock only", "Local settings"]
    places = [text.index(cause) for cause in causes]
    assert places == sorted(places)
    assert "tug.yaml says itself that it takes no notes" in text
    assert "there is also Gull" in text
    assert "not all were tried" not in text
    assert "not all were tried" in said(to=BARE, tried=(1, 2))


def test_a_synth_that_only_sent_nothing_back_is_not_called_silent() -> None:
    text = " ".join(said(to=BARE, by=By.MIDI).split())
    assert "nothing came back from it on channels 1 to 16" in text
    assert "no sound on" not in text


@pytest.mark.parametrize("columns", [20, 40, 100, 300])
def test_prose_is_folded_and_what_is_to_be_written_is_not(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = said(to=BARE).splitlines()
    assert max(map(len, lines)) <= min(columns, 100)
    assert folded("    map: {1: 5} " + "x" * 200).count("\n") == 0
