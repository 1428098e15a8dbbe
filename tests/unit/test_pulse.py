"""The pulse: what moves with the music, for pages that ask for it many times a second."""

from __future__ import annotations

from pathlib import Path

from quay import NOTE_OFF, NOTE_ON, Playing, Quay, controlled, playing, rig_of, until

from pointsman.live.client import Line, ask
from pointsman.live.run import Wishes

OUTPUTS = """
    tug:
      port: "null:"
      device: tug.yaml
      chain:
        - {plugin: channel_remap, map: {1: 5}}
    gull: {port: "null:"}
"""
DEVICE = """
device: Tug
channel: 5
controls:
  cutoff: {cc: 74, home: 64}
"""
CUTOFF_OPEN, CUTOFF_HOME = b"\xb0\x4a\x7f", b"\xb0\x4a\x40"


def test_it_says_what_sounds_what_was_struck_and_what_is_away(tmp_path: Path, quay: Quay) -> None:
    (tmp_path / "tug.yaml").write_text(DEVICE)
    with playing(rig_of(tmp_path, OUTPUTS), quay) as run:
        pulse = run.running.steward.answers.pulse
        quiet = {"sounding": [], "notes": 0, "away": []}
        still = {"playing": False, "bar": None, "tempo": None}
        assert pulse() == {
            "ok": True, "transport": still, "outputs": {"tug": quiet, "gull": quiet},
        }  # fmt: skip
        quay.play(b"\xfa", b"\xf8", CUTOFF_OPEN, NOTE_ON)
        now = pulse()
        assert now["transport"] == {"playing": True, "bar": 1, "tempo": None}
        away = [{"control": "cutoff", "channel": 5, "value": 127, "home": 64}]
        assert now["outputs"]["tug"] == {"sounding": [(5, 60)], "notes": 1, "away": away}
        assert now["outputs"]["gull"] == {"sounding": [(1, 60)], "notes": 1, "away": []}
        quay.play(CUTOFF_HOME, NOTE_OFF, NOTE_ON, NOTE_OFF)
        assert pulse()["outputs"]["tug"] == {"sounding": [], "notes": 2, "away": []}


def test_it_says_the_same_as_the_status(tmp_path: Path, quay: Quay) -> None:
    (tmp_path / "tug.yaml").write_text(DEVICE)
    with playing(rig_of(tmp_path, OUTPUTS), quay) as run:
        quay.play(CUTOFF_OPEN, NOTE_ON)
        pulse, status = run.running.steward.answers.pulse(), run.status
        for name, output in pulse["outputs"].items():
            for key in ("sounding", "away"):
                assert output[key] == status["outputs"][name][key]
        assert pulse["transport"].items() <= status["transport"].items()


def test_it_comes_over_a_line_that_is_kept(tmp_path: Path, quay: Quay) -> None:
    tug = rig_of(tmp_path, "tug: {port: 'null:'}")
    with controlled(tmp_path) as control, playing(tug, quay, Wishes(control=control)):
        with Line(control.path) as line:
            assert line.ask({"do": "pulse"})["outputs"]["tug"]["sounding"] == []
            quay.play(NOTE_ON)
            assert line.ask({"do": "pulse"})["outputs"]["tug"]["sounding"] == [[1, 60]]
        assert ask({"do": "pulse", "more": 1}, control.path)["wrong"] is True


def test_who_asks_often_does_not_have_the_whole_round_made(tmp_path: Path, quay: Quay) -> None:
    """The rounds of the steward take the interpreter from the MIDI path: four a second, no more."""
    tug = rig_of(tmp_path, "tug: {port: 'null:'}")
    with controlled(tmp_path) as control, playing(tug, quay, Wishes(control=control)) as run:
        with Line(control.path) as line:
            line.ask({"do": "pulse"})  # the desk is there
            rounds = _counted(run)
            for _ in range(40):
                line.ask({"do": "pulse"})
            few = rounds[0]
        until(lambda: rounds[0] > few)  # and they go on
    assert few < 20


def _counted(run: Playing) -> list[int]:
    """How often the steward looks at the plugs, from now on."""
    count = [0]
    look = run.running.links.lost

    def counting() -> list[object]:
        count[0] += 1
        return list(look())

    run.running.links.lost = counting  # type: ignore[method-assign,assignment]
    return count
