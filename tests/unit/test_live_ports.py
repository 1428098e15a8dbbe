"""Ports that come and go while a rig plays, with the real threads and ports of the test's own.

What is expected is what docs/on-stage.md promises. The same on real plugs: tests/alsa.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from quay import (
    NOTE_OFF,
    NOTE_ON,
    Lines,
    Playing,
    Quay,
    QuayOutput,
    controlled,
    load,
    playing,
    until,
)

from pointsman.errors import PortError, PortLookupError
from pointsman.live.paths import ControlSocket
from pointsman.live.run import Wishes
from pointsman.live.safety_net import SafetyNet
from pointsman.live.state_file import Left, LeftPort, StateFile
from pointsman.rig import Rig

CLOCK = b"\xf8"
OTHER_ON, OTHER_OFF = b"\x90\x40\x64", b"\x80\x40\x40"
PROGRAM, CONTROL, BEND = b"\xc0\x05", b"\xb0\x4a\x10", b"\xe0\x00\x20"
SYSEX = b"\xf0\x7d\x01\xf7"


def load_two(folder: Path, text: str = "", sysex: bytes = SYSEX) -> Rig:
    """The rig TWO with a SysEx in the opening of tug, as only a device's control gives it."""
    rig = load(folder, text or TWO)
    tug, *others = rig.outputs
    return replace(rig, outputs=(replace(tug, opening=(sysex, *tug.opening)), *others))


TWO = """\
    input: {port: "quay:stage"}
    outputs:
      tug:
        port: "quay:tug"
        opening: [{program: 3, channel: 1}]
      gull: {port: "quay:gull"}
"""


# ---- an output -----------------------------------------------------------------------------------


def test_an_output_that_vanishes_is_noticed_and_the_rest_plays_on(
    tmp_path: Path, quay: Quay
) -> None:
    with playing(load_two(tmp_path), quay) as run:
        quay.pull(">tug")
        assert run.told("output lost") == [{"port": "tug", "until": "it is plugged in again"}]
        quay.play(NOTE_ON, CLOCK, NOTE_OFF)
        assert quay.outputs["gull"].heard == [NOTE_ON, CLOCK, NOTE_OFF]
        tug = run.output("tug")
        assert (tug["state"], tug["found"], tug["times_lost"]) == ("lost", None, 1)
        assert tug["unsent"] == {"the port was gone": 3}
        assert run.output("gull")["state"] == "open"
        quay.put(">tug")
        run.told("output is back")
        assert run.output("tug")["state"] == "open"
    assert run.result == [None]
    assert [event for event, _ in run.lines.lines] == ["output lost"]


GREETINGS = {
    "last": [SYSEX, b"\xc0\x05", b"\xb0\x4a\x11", BEND],
    "opening": [SYSEX, b"\xc0\x02"],
    "none": [],
}


@pytest.mark.parametrize("restore", GREETINGS)
def test_what_an_output_is_told_when_it_is_back(tmp_path: Path, quay: Quay, restore: str) -> None:
    """Note-offs for what has ended meanwhile, not for what is held; then what `restore` says."""
    text = TWO.replace('port: "quay:tug"', f'port: "quay:tug"\n        restore: {restore}')
    with playing(load_two(tmp_path, text), quay) as run:
        quay.play(NOTE_ON, OTHER_ON, PROGRAM, CONTROL, BEND)
        quay.pull(">tug")
        run.told("output lost")
        quay.play(OTHER_OFF, b"\xb0\x4a\x11")
        quay.put(">tug")
        run.told("output is back")
        until(lambda: len(quay.outputs["tug"].sent) == 1 + len(GREETINGS[restore]))
        quay.play(NOTE_OFF)
        until(lambda: NOTE_OFF in quay.outputs["tug"].heard)
        assert quay.outputs["tug"].heard == [OTHER_OFF, *GREETINGS[restore], NOTE_OFF]


LONG = b"\xf0\x7d" + 4000 * b"\x01" + b"\xf7"
"""A second and more at the speed of a DIN cable."""


@pytest.fixture
def busy(tmp_path: Path, quay: Quay) -> Iterator[Playing]:
    """An output that is back, and is being told a long SysEx and then 32 controls."""
    with playing(load_two(tmp_path, sysex=LONG), quay) as run:
        quay.play(*CONTROLS)
        quay.pull(">tug")
        run.told("output lost")
        quay.put(">tug")
        run.told("output is back")
        until(lambda: LONG in quay.outputs["tug"].heard)
        assert CONTROLS[-1] not in quay.outputs["tug"].heard
        yield run


CONTROLS = [bytes((0xB1, number, 9)) for number in range(64, 96)]
AFTER_PROGRAM = [LONG, b"\xc0\x02", *CONTROLS]


def test_notes_wait_behind_what_is_told_and_clock_does_not(busy: Playing, quay: Quay) -> None:
    quay.play(NOTE_ON, CLOCK, b"\xb1\x46\x0a", NOTE_OFF)
    until(lambda: NOTE_OFF in quay.outputs["tug"].heard)
    heard = quay.outputs["tug"].heard
    assert heard.index(CLOCK) < heard.index(CONTROLS[-1])
    heard.remove(CLOCK)
    assert heard == [*AFTER_PROGRAM, NOTE_ON, b"\xb1\x46\x0a", NOTE_OFF]
    quay.play(OTHER_ON)  # straight through again, before `play` has come back
    assert quay.outputs["tug"].heard[-1] == OTHER_ON


def test_silence_does_not_wait_and_what_it_ends_never_sounds(busy: Playing, quay: Quay) -> None:
    strange = b"\x91\x40\x64"
    quay.play(NOTE_ON, strange)
    busy.running.steward.answers.panic()
    heard = quay.outputs["tug"].heard
    assert heard[-4:] == [b"\xb0\x7b\x00", b"\xb0\x78\x00", b"\xb1\x7b\x00", b"\xb1\x78\x00"]
    assert CONTROLS[-1] not in heard
    until(lambda: b"\xb1\x43\x00" in quay.outputs["tug"].heard)  # pedals up, after all the rest
    heard = quay.outputs["tug"].heard
    assert not {NOTE_ON, strange} & {*heard}
    assert [data for data in heard if data in CONTROLS] == CONTROLS


def test_a_busy_stream_catches_up_and_keeps_its_order(busy: Playing, quay: Quay) -> None:
    stream = [bytes((0x90 | n % 16, n // 16 % 128, 100)) for n in range(2000)]
    quay.play(*stream[:1000])
    for data in stream[1000:]:
        quay.play(data, CLOCK)
    until(lambda: stream[-1] in quay.outputs["tug"].heard)
    assert [d for d in quay.outputs["tug"].heard if d[0] < 0xA0] == stream


def test_an_end_while_a_synth_is_being_told_still_releases(busy: Playing, quay: Quay) -> None:
    quay.play(NOTE_ON)
    busy.stop()
    assert quay.outputs["tug"].heard == [*AFTER_PROGRAM, NOTE_ON, NOTE_OFF]
    assert quay.outputs["tug"].closed == 1


def test_a_message_that_a_port_refuses_does_not_keep_back_the_rest(
    tmp_path: Path, quay: Quay
) -> None:
    with playing(load_two(tmp_path), quay) as run:
        quay.pull(">tug")
        run.told("output lost")
        quay.outputs["tug"] = QuayOutput()
        quay.outputs["tug"].refuses[0xF0] = PortError("too long for the quay")
        quay.put(">tug")
        until(lambda: b"\xc0\x02" in quay.outputs["tug"].heard)
        quay.play(NOTE_ON)
        assert quay.outputs["tug"].heard == [b"\xc0\x02", NOTE_ON]
        assert run.output("tug")["unsent"] == {"too long for the quay": 1}
        told = {"output": "tug", "count": 1, "why": "too long for the quay"}
        assert run.told("messages lost") == [told]


def test_a_port_that_does_not_reopen_is_told_of_once_and_tried_again(
    tmp_path: Path, quay: Quay
) -> None:
    with playing(load_two(tmp_path), quay) as run:
        quay.fails[">tug"] = PortError("the quay is taken")
        quay.pull(">tug")
        quay.put(">tug")
        until(lambda: quay.opened.count(">tug") > 4)
        assert run.output("tug")["trouble"] == "the quay is taken"
        assert run.told("port not open") == [{"port": "quay:tug", "why": "the quay is taken"}]
        del quay.fails[">tug"]
        run.told("output is back")
        assert (run.output("tug")["state"], run.output("tug")["trouble"]) == ("open", "")


def test_what_cannot_be_told_apart_is_said_once_and_shown(tmp_path: Path, quay: Quay) -> None:
    with playing(load_two(tmp_path), quay) as run:
        quay.puzzles[">tug"] = PortLookupError("nothing tells which of two is back")
        quay.pull(">tug")
        run.told("port not open")
        run.turns(3)
        line = {"port": "quay:tug", "why": "nothing tells which of two is back"}
        assert run.told("port not open") == [line]
        assert run.output("tug")["trouble"] == line["why"]
        del quay.puzzles[">tug"]
        run.turns(2)
        assert run.output("tug")["trouble"] == ""  # both have been pulled again
        quay.put(">tug")
        run.told("output is back")


def test_a_kind_of_port_that_fails_keeps_no_other_away(tmp_path: Path, quay: Quay) -> None:
    """A plugin's own: neither asking after a port nor looking for one may harm the others."""
    with playing(load_two(tmp_path), quay) as run:
        quay.puzzles[">tug"] = RuntimeError("fog")
        quay.pull(">tug", ">gull")
        run.told("output lost", 2)
        quay.put(">gull")
        run.told("output is back")
        quay.outputs["gull"].ill = RuntimeError("fog")
        del quay.puzzles[">tug"]
        quay.put(">tug")
        run.told("output is back", 2)
        assert run.told("port not open") == [{"port": "quay:tug", "why": "RuntimeError: fog"}]
        assert run.lines.told("a duty failed") == []


SHARED = """\
    input: {port: "quay:stage"}
    outputs:
      tug: {port: "quay:cable"}
      gull: {port: "quay:Long Cable", chain: [{plugin: channel_remap, map: {1: 2}}]}
"""


@pytest.mark.parametrize("text", ["cable", "Long Cable"], ids=["one name", "two names"])
def test_outputs_that_share_a_port_lose_it_and_get_it_back_together(
    tmp_path: Path, quay: Quay, text: str
) -> None:
    quay.also["Long Cable"] = "cable"
    with playing(load(tmp_path, SHARED.replace("Long Cable", text)), quay) as run:
        assert quay.opened == [">cable", "<stage"]
        quay.play(NOTE_ON, CONTROL)
        cable = quay.outputs["cable"]
        quay.pull(">cable")
        run.told("output lost")
        quay.play(NOTE_OFF, OTHER_ON)
        quay.put(">cable")
        run.told("output is back")
        until(lambda: len(quay.outputs["cable"].sent) == 4)
        quay.play(OTHER_OFF)
        until(lambda: len(quay.outputs["cable"].sent) == 6)
        assert (run.output("tug")["state"], run.output("gull")["state"]) == ("open", "open")
        heard = quay.outputs["cable"].heard
        assert sorted(heard[:4]) == sorted([NOTE_OFF, b"\x81\x3c\x40", CONTROL, b"\xb1\x4a\x10"])
        assert heard[4:] == [OTHER_OFF, b"\x81\x40\x40"]
    assert (cable.closed, quay.outputs["cable"].closed) == (1, 1)


def test_what_one_output_holds_is_not_ended_by_what_another_on_its_port_is_told(
    tmp_path: Path, quay: Quay
) -> None:
    quay.also["Long Cable"] = "cable"
    one_voice = SHARED.replace(
        "{plugin: channel_remap, map: {1: 2}}", "{plugin: note_limit, voices: 1}"
    )
    with playing(load(tmp_path, one_voice), quay) as run:
        quay.play(NOTE_ON, OTHER_ON)  # the one voice has gone on to the second note
        quay.pull(">cable")
        run.told("output lost")
        quay.put(">cable")
        run.told("output is back", 1)
        run.turns(2)
        quay.play(CONTROL)
        until(lambda: CONTROL in quay.outputs["cable"].heard)
        assert quay.outputs["cable"].heard == [CONTROL, CONTROL]


# ---- the input -----------------------------------------------------------------------------------

HOLDS = """\
    input: {port: "quay:stage"}
    outputs:
      tug:
        port: "quay:tug"
        chain: [{plugin: cc_reset, controls: {74: 64}}]
"""


@pytest.mark.parametrize("wish", ["release", "none"])
def test_an_input_that_vanishes_and_is_back(tmp_path: Path, quay: Quay, wish: str) -> None:
    rig = load(tmp_path, HOLDS + f"    safety: {{on_input_lost: {wish}}}\n")
    with playing(rig, quay) as run:
        tug = quay.outputs["tug"]
        quay.play(CONTROL, NOTE_ON)
        quay.pull("<stage")
        run.told("input lost")
        released = [NOTE_OFF, b"\xb0\x4a\x40"] if wish == "release" else []
        assert tug.heard == [CONTROL, NOTE_ON, *released]
        assert (run.status["input"]["state"], run.status["input"]["times_lost"]) == ("lost", 1)
        quay.put("<stage")
        run.told("input is back")
        quay.play(NOTE_ON, NOTE_OFF)  # the old strike is forgotten: this one ends all that sounds
        assert tug.heard.count(NOTE_ON) == tug.heard.count(NOTE_OFF) == 2
        assert run.status["input"]["state"] == "open"
        assert run.output("tug")["sounding"] == []
    assert run.lines.told("input lost") == [{"port": "stage", "until": "it is plugged in again"}]


@pytest.mark.parametrize("wish", ["release", "none"])
def test_where_messages_were_lost_on_the_way_in_nothing_is_left_held(
    tmp_path: Path, quay: Quay, wish: str
) -> None:
    """Note-offs may be among them, and no others will come."""
    rig = load(tmp_path, HOLDS + f"    safety: {{on_input_lost: {wish}}}\n")
    with playing(rig, quay) as run:
        tug = quay.outputs["tug"]
        quay.play(CONTROL, NOTE_ON)
        quay.input.gaps += 1
        told = run.told("messages lost before they came in")
        released = [NOTE_OFF, b"\xb0\x4a\x40"] if wish == "release" else []
        assert tug.heard == [CONTROL, NOTE_ON, *released]
        assert told == [
            {
                "port": "stage",
                "why": "more came at once than the system could keep; what was held was released",
            }
        ]
        quay.play(NOTE_ON, NOTE_OFF)
        assert tug.heard.count(NOTE_ON) == tug.heard.count(NOTE_OFF) == 2
        assert (run.status["input"]["state"], run.status["input"]["gaps"]) == ("open", 1)
        quay.pull("<stage")
        run.told("input lost")
        quay.put("<stage")
        run.told("input is back")
        run.turns(2)
        quay.input.gaps += 2  # those of another port of that name
        run.told("messages lost before they came in", 2)
        assert run.status["input"]["gaps"] == 3


def test_an_input_that_does_not_start_is_tried_again(tmp_path: Path, quay: Quay) -> None:
    with playing(load(tmp_path, HOLDS), quay) as run:
        quay.pull("<stage")
        run.told("input lost")
        lame = quay.input
        lame.start_error = PortError("no callback")
        quay.put("<stage")
        until(lambda: lame.closed > 2)
        assert run.told("port not open") == [{"port": "quay:stage", "why": "no callback"}]
        assert run.status["input"]["state"] == "lost"
        lame.start_error = None
        run.told("input is back")
        quay.play(NOTE_ON)
        assert quay.outputs["tug"].heard == [NOTE_ON]


# ---- a start without all ports -------------------------------------------------------------------


def test_a_patient_start_opens_what_comes_and_sends_the_opening_then(
    tmp_path: Path, quay: Quay
) -> None:
    quay.gone = {">tug", "<stage"}
    with playing(load_two(tmp_path), quay, Wishes(patient=True)) as run:
        missing = [
            {"port": f"quay:{name}", "why": f"no quay '{name}'"} for name in ("stage", "tug")
        ]
        assert run.lines.told("port missing") == missing
        assert (run.status["input"]["state"], run.output("tug")["state"]) == ("missing", "missing")
        quay.put("<stage")
        run.told("input opened")
        quay.play(CONTROL)
        assert quay.outputs["gull"].heard == [CONTROL]
        quay.put(">tug")
        run.told("output opened")
        until(lambda: CONTROL in quay.outputs["tug"].heard)
        assert quay.outputs["tug"].heard[:2] == [SYSEX, b"\xc0\x02"]
        assert run.lines.told("port not open") == []


def test_two_names_of_a_port_that_comes_late_share_it(tmp_path: Path, quay: Quay) -> None:
    quay.also["Long Cable"] = "cable"
    quay.gone = {">cable"}
    with playing(load(tmp_path, SHARED), quay, Wishes(patient=True)) as run:
        quay.put(">cable")
        run.told("output opened", 2)
        quay.play(NOTE_ON)
        assert quay.outputs["cable"].heard == [NOTE_ON, b"\x91\x3c\x64"]
        quay.pull(">cable")
        run.told("output lost", 2)
        quay.put(">cable")
        until(lambda: run.output("tug")["state"] == run.output("gull")["state"] == "open")


def test_a_patient_start_does_not_record_over_what_it_plays(tmp_path: Path, quay: Quay) -> None:
    (tmp_path / "in.tsv").write_text("0.000000\tF8\n", "utf-8")
    song = 'input: {port: "null:"}\noutputs: {tug: {port: "file:in.tsv"}}\n'
    (tmp_path / "song.yaml").write_text(song, "utf-8")
    text = """\
        input: {port: "file:in.tsv"}
        outputs: {tug: {port: "%s"}}
        songs: {rigs: {storm: song.yaml}}
    """
    with pytest.raises(PortLookupError, match="the input plays this very file"):
        Playing(load(tmp_path, text % "file:in.tsv"), quay, Lines(), Wishes(patient=True))
    with playing(load(tmp_path, text % "quay:tug"), quay, Wishes(patient=True)) as run:
        run._thread.join()
    assert quay.outputs["tug"].heard == [CLOCK]
    assert (tmp_path / "in.tsv").read_text("utf-8") == "0.000000\tF8\n"


# ---- what an earlier run has left ----------------------------------------------------------------


def left_behind(control: ControlSocket, *ports: str) -> StateFile:
    """The file of a run that was killed with a note and a control away, on each port."""
    file = StateFile(control.path.with_suffix(".state"))
    port = LeftPort("", {0: [60]}, [b"\xb0\x4a\x40"])
    file.write(Left("yesterday", dict.fromkeys(ports, port)))
    return file


RELEASE = [b"\xb0\x7b\x00", b"\xb0\x78\x00", NOTE_OFF, b"\xb0\x4a\x40"]


def test_what_a_killed_run_has_left_is_ended_before_anything_else(
    tmp_path: Path, quay: Quay
) -> None:
    with controlled(tmp_path) as control:
        file = left_behind(control, "quay:tug")
        with playing(load_two(tmp_path), quay, Wishes(control=control)) as run:
            until(lambda: b"\xc0\x02" in quay.outputs["tug"].heard)
            assert quay.outputs["tug"].heard == [*RELEASE, SYSEX, b"\xc0\x02"]
            assert quay.outputs["gull"].heard == []
        assert not file.path.exists()
    told = {"rig": "yesterday", "messages_to_end_it": 4}
    assert run.lines.told("the last run was killed") == [told]


def test_what_was_left_behind_a_port_that_is_missing_is_kept_until_it_comes(
    tmp_path: Path, quay: Quay
) -> None:
    quay.gone = {">tug"}
    with controlled(tmp_path) as control:
        file = left_behind(control, "quay:tug", "quay:barge")
        wishes = Wishes(patient=True, control=control)
        with playing(load_two(tmp_path), quay, wishes) as run:
            quay.play(b"\x90\x44\x64")
            until(lambda: _port(file, "quay:gull") is not None)
            assert _port(file, "quay:tug") == LeftPort("", {0: [60]}, [b"\xb0\x4a\x40"])
            quay.put(">tug")
            run.told("output opened")
            until(lambda: b"\xc0\x02" in quay.outputs["tug"].heard)
            assert quay.outputs["tug"].heard[:4] == RELEASE
        assert not file.path.exists()


def _port(file: StateFile, text: str) -> LeftPort | None:
    left = file.read()
    return left.ports.get(text) if left else None


def test_an_end_while_a_port_is_away_leaves_what_it_has_not_heard(
    tmp_path: Path, quay: Quay
) -> None:
    with controlled(tmp_path) as control:
        file = StateFile(control.path.with_suffix(".state"))
        with playing(load(tmp_path, HOLDS), quay, Wishes(control=control)) as run:
            quay.play(NOTE_ON, CONTROL)
            until(lambda: _port(file, "quay:tug") is not None)
            quay.pull(">tug")
            run.told("output lost")
            run.turns(2)
        assert _port(file, "quay:tug") == LeftPort("", {0: [60]}, [b"\xb0\x4a\x40"])
        quay.put(">tug")
        with playing(load(tmp_path, HOLDS), quay, Wishes(control=control)):
            until(lambda: quay.outputs["tug"].heard == RELEASE)
        assert not file.path.exists()


def test_notes_are_forgotten_when_all_has_been_quiet_for_longer_than_an_output_delays(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pointsman.live.safety_net.QUIET_S", 0.05)
    text = TWO.replace('gull: {port: "quay:gull"}', 'gull: {port: "quay:gull", delay: 600s}')
    with controlled(tmp_path) as control:
        file = StateFile(control.path.with_suffix(".state"))
        with playing(load(tmp_path, text), quay, Wishes(control=control)) as run:
            gull = run.running.links.of(run.running.service.engine.rig)["gull"]
            gull.memory.note(NOTE_ON)  # as if it had just left, ten minutes after it came
            quay.play(NOTE_ON)
            until(lambda: _port(file, "quay:tug") is not None)
            quay.play(NOTE_OFF)
            until(lambda: _port(file, "quay:tug") is None)
            assert _port(file, "quay:gull") is not None


def test_a_note_that_is_shorter_than_a_turn_of_the_steward_counts_as_struck(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its note-off may have been lost to a plug that was pulled just then."""
    monkeypatch.setattr("pointsman.live.safety_net.QUIET_S", 0.05)
    with controlled(tmp_path) as control:
        file = StateFile(control.path.with_suffix(".state"))
        with playing(load(tmp_path, TWO), quay, Wishes(control=control)) as run:
            run.turns(2)
            quay.play(NOTE_ON, NOTE_OFF)
            until(lambda: _port(file, "quay:tug") is not None)


# ---- a steward in trouble ------------------------------------------------------------------------


def test_a_duty_that_fails_is_told_once_and_keeps_no_other_from_its_turn(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    def keep(net: SafetyNet) -> None:
        raise RuntimeError("no ink")

    monkeypatch.setattr(SafetyNet, "keep", keep)
    with controlled(tmp_path) as control:
        with playing(load_two(tmp_path), quay, Wishes(control=control)) as run:
            run.told("a duty failed")
            quay.pull(">tug")
            run.told("output lost")
            run.turns(3)
        failed = {"duty": "keep", "why": "RuntimeError: no ink"}
        assert run.lines.told("a duty failed") == [failed]
