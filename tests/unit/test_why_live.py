"""Why a synth is silent, asked of a running service: real desk and socket, ports of our own."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from quay import NOTE_OFF, NOTE_ON, Playing, Quay, controlled, load, playing, until

from pointsman.cli import main
from pointsman.errors import UsageError
from pointsman.live.client import ask
from pointsman.live.run import Wishes
from pointsman.why.judging import Verdict, judge
from pointsman.why.sources import from_service
from silences import DEVICE

RIG = """\
rig: harbour
input: {port: "quay:stage"}
outputs:
  tug:
    port: "quay:tug"
    device: tug.yaml
    chain: [{plugin: channel_remap, map: {1: 5}, label: to the tug}]
  gull: {port: "quay:gull"}
  buoy: {port: "null:"}
"""
VOLUME_OFF = b"\xb0\x07\x00"


class Stage:
    """A rig that plays, and who asks why."""

    def __init__(self, run: Playing, quay: Quay, folder: Path, socket: Path) -> None:
        self.run, self.quay, self.folder, self.socket = run, quay, folder, socket

    def play_notes(self, count: int = 5) -> None:
        self.quay.play(*[NOTE_ON, NOTE_OFF] * count)

    def reload(self, text: str) -> None:
        (self.folder / "rig.yaml").write_text(text, "utf-8")
        assert ask({"do": "reload"}, self.socket)["ok"]

    def why(self, output: str = "tug") -> Verdict:
        return judge(from_service(output, self.socket))


@pytest.fixture
def stage(tmp_path: Path, quay: Quay) -> Iterator[Stage]:
    (tmp_path / "tug.yaml").write_text(DEVICE)
    with ExitStack() as until_the_end:
        control = until_the_end.enter_context(controlled(tmp_path))
        rig = load(tmp_path, RIG)
        run = until_the_end.enter_context(playing(rig, quay, Wishes(control=control)))
        yield Stage(run, quay, tmp_path, control.path)


# Notes of the test last no time at all, and so are too short, were nothing else wrong.
WELL = "too_short"


def test_notes_that_leave_well(stage: Stage) -> None:
    stage.play_notes()
    verdict = stage.why()
    assert verdict.first.kind == WELL
    assert verdict.came == "5 notes and 5 other messages came in"
    assert "all 5 notes that left" in verdict.first.evidence


def test_nothing_has_come(stage: Stage) -> None:
    assert stage.why().first.kind == "nothing_came"


def test_a_port_that_is_gone_comes_first(stage: Stage, quay: Quay) -> None:
    quay.pull(">tug")
    until(lambda: stage.run.output("tug")["state"] == "lost")
    stage.play_notes()
    verdict = stage.why()
    assert verdict.first.kind == "port_gone"
    assert "10 messages could not be sent" in verdict.first.evidence
    assert verdict.first.line.endswith("rig.yaml:4")


def test_a_port_that_swallows_everything(stage: Stage) -> None:
    stage.play_notes()
    verdict = stage.why("buoy")
    assert verdict.first.kind == "swallowed"
    assert verdict.first.evidence == "10 messages were sent there"


def test_an_input_that_is_gone(stage: Stage, quay: Quay) -> None:
    quay.pull("<stage")
    until(lambda: stage.run.status["input"]["state"] == "lost")
    assert stage.why().first.kind == "input_gone"


def test_a_port_that_fails(stage: Stage, quay: Quay) -> None:
    quay.outputs["tug"].broken = OSError("no more")
    quay.play(NOTE_ON)
    assert "port_fails" in {finding.kind for finding in stage.why().findings}


def test_an_entry_bypassed_by_hand_is_what_makes_the_channel_wrong(stage: Stage) -> None:
    assert ask({"do": "bypass", "output": "tug", "entry": "to the tug", "on": True}, stage.socket)
    stage.play_notes()
    verdict = stage.why()
    assert [finding.kind for finding in verdict.findings[:2]] == ["bypassed", "wrong_channel"]
    assert '"to the tug" --off' in verdict.first.change


def test_what_was_set_long_before_is_found(stage: Stage, quay: Quay) -> None:
    quay.play(VOLUME_OFF)
    answers = stage.run.running.steward.answers
    answers.keep_heard()
    answers._recent.forget_all()  # as if a minute had gone by
    stage.play_notes()
    verdict = stage.why()
    assert verdict.first.kind == "volume"
    assert "before the first message" in verdict.first.evidence


def test_what_the_synth_was_sent_by_a_rig_that_is_no_more_counts(stage: Stage, quay: Quay) -> None:
    mapped = "chain: [{plugin: cc_map, map: {modulation: channel_volume}}, {plugin"
    stage.reload(RIG.replace("chain: [{plugin", mapped))
    quay.play(b"\xb0\x01\x00")
    stage.reload(RIG)
    stage.play_notes()
    verdict = stage.why()
    assert verdict.first.kind == "volume"
    assert "set before the first message" in verdict.first.evidence


def test_what_another_synth_was_sent_does_not_count(stage: Stage, quay: Quay) -> None:
    quay.play(VOLUME_OFF)
    stage.reload(RIG.replace("quay:tug", "quay:other tug"))
    stage.play_notes()
    assert "volume" not in {finding.kind for finding in stage.why().findings}


def test_notes_from_before_a_reload_are_not_judged_by_the_new_rig(stage: Stage) -> None:
    stage.play_notes()
    stage.reload(RIG.replace("map: {1: 5}", "map: {1: 5}, others: drop"))
    assert stage.why().came == "0 notes and 0 other messages came in"


def test_a_rig_that_was_edited_and_not_reloaded_is_told(stage: Stage) -> None:
    stage.play_notes()
    assert stage.why().remarks == []
    path = stage.folder / "rig.yaml"
    path.write_text(RIG.replace("map: {1: 5}", "map: {1: 6}"))
    (remark,) = stage.why().remarks
    assert remark.startswith(f"{path} was written after the service read it")
    assert "pointsman reload" in remark
    assert ask({"do": "reload"}, stage.socket)["ok"]
    assert stage.why().remarks == []


def test_an_unknown_output_gets_the_nearest(stage: Stage) -> None:
    with pytest.raises(UsageError, match="no output 'tgu'; did you mean 'tug'"):
        stage.why("tgu")


def test_a_song_without_the_output(stage: Stage) -> None:
    song = (
        RIG.replace("rig: harbour", "rig: calm")
        .replace("tug:", "barge:")
        .replace('"quay:tug"', '"quay:barge"')
    )
    (stage.folder / "calm.yaml").write_text(song)
    stage.reload(RIG + "songs: {rigs: {calm: calm.yaml}}\n")
    assert ask({"do": "song", "song": "calm"}, stage.socket)["ok"]
    stage.play_notes()
    assert stage.why().first.kind == "not_in_song"


def test_more_than_a_piece_is_fetched(stage: Stage) -> None:
    stage.play_notes(700)
    assert stage.why().came == "700 notes and 700 other messages came in"


def test_the_command_asks_the_service(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    stage.play_notes()
    arguments = ["explain", "--why-silent", "tug", "--socket", str(stage.socket)]
    assert main([*arguments, "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["findings"][0]["kind"] == WELL
    assert main(arguments) == 0
    assert "1. each note ends as soon as it has begun" in capsys.readouterr().out
