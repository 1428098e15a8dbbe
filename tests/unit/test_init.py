"""`init`: from answers, or from options, to a rig that `check` accepts without a word."""

from __future__ import annotations

import errno
import io
import os
import re
import signal
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pexpect
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pointsman import io_rtmidi, load_rig
from pointsman.advice import advise
from pointsman.cli import main
from pointsman.device_file import load_device
from pointsman.errors import PortError
from pointsman.ports import listing, usb
from pointsman.rig_file import output_name_problem
from pointsman.setup.naming import suggest_name

INPUTS = ["Midi Through:Midi Through Port-0 14:0", "Pier Sequencer:Pier Sequencer MIDI 1 20:0"]
OUTPUTS = [
    "Midi Through:Midi Through Port-0 14:0",
    "Tug Box:Tug Box MIDI 1 24:0",
    "Gull:Gull MIDI 1 28:0",
    "Gull:Gull MIDI 1 32:0",
    "Foghorn:Foghorn in 129:0",
]
TUG = """\
device: Tug Bass
channel: 5
voices: 1
receives: [note, velocity, control, clock, transport]
controls:
  cutoff: {cc: 74, home: 64}
  swell: {cc: 20}
"""


@pytest.fixture(autouse=True)
def ports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with two inputs, five outputs, two of them alike, and a UART."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        io_rtmidi, "port_names", lambda *, is_input: list(INPUTS if is_input else OUTPUTS)
    )
    monkeypatch.setattr(listing, "serial_paths", lambda: ["/dev/serial0"])
    monkeypatch.setattr(usb, "SOUND", tmp_path / "no-such")


Init = Callable[..., tuple[int, str, str]]


@pytest.fixture
def init(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Init:
    """Run `init` with options, and with answers if there are any: exit code, stdout, stderr."""

    def call(*options: str, typed: list[str] | None = None) -> tuple[int, str, str]:
        answers = "".join(f"{line}\n" for line in typed or [])
        monkeypatch.setattr(sys, "stdin", io.StringIO(answers))
        try:
            code = main(["init", *options])
        except SystemExit as end:
            code = int(end.code or 0)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return call


def there(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


# ---- by questions --------------------------------------------------------------------------------

ANSWERS = [
    "harbour.yaml",
    "",  # the input: what is first, since Midi Through comes last
    "1", "", "", "", "5", "1", "", "n",  # tug-box
    "y",
    "foghorn", "horn", "-", "2", "2", "?", "", "",
    "n",
    "",
]  # fmt: skip


def test_the_answers_make_a_rig_that_check_accepts_without_a_word(
    init: Init, tmp_path: Path
) -> None:
    code, out, err = init(typed=ANSWERS)
    assert (code, err) == (0, "")
    assert there(tmp_path) == ["devices/tug-box.yaml", "harbour.yaml"]
    rig = load_rig("harbour.yaml")
    assert advise(rig) == []
    assert (rig.name, rig.input_port) == ("harbour", "Pier Sequencer:Pier Sequencer MIDI 1")
    tug, horn = rig.outputs
    assert (tug.name, tug.port, tug.wire_rate) == ("tug-box", "Tug Box:Tug Box MIDI 1", 3125)
    assert (horn.name, horn.port, horn.wire_rate) == ("horn", "Foghorn:Foghorn in", None)
    assert tug.device is not None
    assert (tug.device.channel, tug.device.voices, tug.device.device) == (5, 1, "Tug Box")
    assert horn.device is None
    assert [e.plugin.name for e in tug.chain] == ["clock_filter", "channel_remap", "note_limit"]
    assert [e.plugin.name for e in horn.chain] == ["channel_remap"]
    assert "volume down" in out
    assert "turn speakers and headphones down" in out.lower()


def test_ports_are_listed_by_number_and_midi_through_comes_last(init: Init) -> None:
    _, out, _ = init(typed=["rig.yaml"])
    assert "   1  Pier Sequencer:Pier Sequencer MIDI 1\n   2  Midi Through:" in out
    assert "   3  serial:/dev/serial0 (with a DIN socket wired to it)\n" in out
    _, out, _ = init(typed=["rig.yaml", "1"])
    assert out.count("(until replugged)") == 2, "two of a kind, which nothing tells apart"


WRONG = {
    "a folder": (0, ".", ".: is a folder; name a file in it, such as rig.yaml"),
    "a rig that is no YAML file": (0, "harbour", "harbour: a rig is a YAML file; write for "),
    "a rig below a file": (0, "rig.txt/rig.yaml", "'rig.txt' is no folder; write for example"),
    "a number that is none of the list": (1, "17", "answer with a number from 1 to 5"),
    "a text that fits several": (2, "gull", "'gull' fits 2 ports: 'Gull:Gull MIDI 1 28:0', "),
    "a unit that is none": (2, "Gull [socket here]", "'here' is no socket; write for example"),
    "a virtual port without a name": (2, "virtual:", "a virtual port needs a name; "),
    "a name with a slash": (3, "tug/boat", "an output's name has / \\ : in it"),
    "a name that begins with a dot": (3, ".tug", "an output's name has / \\ : in it"),
    "a device file without a suffix": (4, "devices/tug", "a new one needs a name such as devices"),
    "a device file that is wrong": (4, "broken.yaml", "broken.yaml:1:1: "),
    "a device file below a file": (4, "rig.txt/tug.yaml", "'rig.txt' is no folder"),
    "channel 0": (5, "0", "'0' is out of range; write 1 to 16"),
    "channel 17": (6, "17", "'17' is out of range; write 1 to 16, or ? if it is not known yet"),
    "a channel in words": (6, "five", "'five' is not a channel; write 1 to 16, or ? if"),
    "no voices": (7, "0", "'0' is out of range; write 1 to 2048, or ? if it is not known yet"),
    "a wire that is none": (8, "4", "answer with a number from 1 to 3"),
    "neither yes nor no": (9, "perhaps", "answer y or n"),
}


@pytest.mark.parametrize(("place", "wrong", "said"), WRONG.values(), ids=WRONG)
def test_a_wrong_answer_is_asked_again_with_what_would_be_right(
    init: Init, tmp_path: Path, place: int, wrong: str, said: str
) -> None:
    (tmp_path / "broken.yaml").write_text("channel: 5\n")
    (tmp_path / "rig.txt").write_text("")
    right = ["rig.yaml", "1", "Tug", "tug", "devices/tug.yaml", "1", "5", "1", "1", "y", "n", "y"]
    code, out, err = init(typed=[*right[:place], wrong, *right[place:]])
    assert (code, err) == (0, "")
    assert said in out
    assert load_rig("rig.yaml").outputs[0].name == "tug"


def test_the_input_ends_the_questions_and_the_option_is_named(init: Init, tmp_path: Path) -> None:
    code, _, err = init(typed=ANSWERS[:6])
    assert (code, there(tmp_path)) == (2, [])
    assert err == (
        "no answer to 'It hears channel (1-16, ?: not known yet)'; give it with "
        "--channel tug-box=CHANNEL\n"
    )


def test_a_port_that_is_not_here_is_taken_when_the_player_says_so(init: Init) -> None:
    typed = ["rig.yaml", "5", "Lighthouse", "n", "Lighthouse", "y", "null:", "", "-", "", "?", "?"]
    code, out, err = init(typed=[*typed, "n", "y"])
    assert (code, err) == (0, "")
    assert out.count("There is no port 'Lighthouse' now.") == 2
    assert load_rig("rig.yaml").input_port == "Lighthouse"


def test_a_port_of_our_own_gets_a_name(init: Init) -> None:
    code, _, err = init(typed=["rig.yaml", "4", "Quay", "null:", "", "-", "", "?", "?", "n", "y"])
    assert (code, err) == (0, "")
    assert load_rig("rig.yaml").input_port == "virtual:Quay"


def test_without_midi_it_says_so_and_goes_on_by_hand(
    init: Init, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*, is_input: bool) -> list[str]:
        raise PortError("there is no MIDI here; switch it on")

    monkeypatch.setattr(io_rtmidi, "port_names", none)
    monkeypatch.setattr(listing, "serial_paths", list)
    typed = ["rig.yaml", "Pier Sequencer", "Tug Box", "", "-", "", "5", "1", "", "y", "n", "y"]
    code, out, err = init(typed=typed)
    assert (code, err) == (0, "")
    assert "No MIDI ports can be seen: there is no MIDI here; switch it on.\n" in out
    assert "There is no port" not in out, "nobody can tell"
    rig = load_rig("rig.yaml")
    assert (rig.input_port, rig.outputs[0].port) == ("Pier Sequencer", "Tug Box")


def test_nothing_is_written_over_without_a_yes(init: Init, tmp_path: Path) -> None:
    (tmp_path / "rig.yaml").write_text("mine\n")
    assert init(typed=["rig.yaml", "n"])[0] == 0
    code, out, err = init("rig.yaml", "--input", "null:", "--output", "a=null:", "--yes")
    assert (code, out) == (2, "")
    assert err == "rig.yaml: is there already; name another file, or write over it: --force\n"
    assert (tmp_path / "rig.yaml").read_text() == "mine\n"
    code, _, err = init("rig.yaml", "--input", "null:", "--output", "a=null:", "--yes", "--force")
    assert (code, err) == (0, "")
    assert load_rig("rig.yaml").outputs[0].name == "a"


def test_no_at_the_end_writes_nothing(init: Init, tmp_path: Path) -> None:
    code, out, _ = init(typed=[*ANSWERS[:-1], "n"])
    assert (code, there(tmp_path)) == (0, [])
    assert out.endswith("Nothing is written.\n")


# ---- by options ----------------------------------------------------------------------------------

HARBOUR = (
    "harbour.yaml", "--input", "pier", "--output", "tug=Tug Box", "--channel", "tug=5",
    "--wire", "tug=din", "--device", "tug=devices/tug.yaml", "--yes",
)  # fmt: skip


def test_options_make_the_same_rig_without_a_question(init: Init, tmp_path: Path) -> None:
    code, out, err = init(*HARBOUR)
    assert (code, err) == (0, "")
    assert "[" not in out.replace("[brackets]", "")
    rig = load_rig("harbour.yaml")
    assert advise(rig) == []
    assert rig.outputs[0].port == "Tug Box:Tug Box MIDI 1", "the whole name, not the part"
    assert there(tmp_path) == ["devices/tug.yaml", "harbour.yaml"]


def test_an_existing_device_file_says_channel_and_voices(init: Init, tmp_path: Path) -> None:
    (tmp_path / "tug.yaml").write_text(TUG)
    code, _, err = init(
        "sets/rig.yaml", "--input", "null:", "--output", "tug=null:", "--device", "tug=tug.yaml",
        "--yes",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert (tmp_path / "tug.yaml").read_text() == TUG
    text = (tmp_path / "sets" / "rig.yaml").read_text()
    assert 'device: "../tug.yaml" ' in text, "a path counts from the rig"
    assert "map: {1: 5}" in text
    assert "voices: device" in text
    assert "# - {plugin: cc_reset, controls: {cutoff: device}}" in text
    assert advise(load_rig("sets/rig.yaml")) == []


def test_what_is_proposed_in_comments_is_right_too(init: Init, tmp_path: Path) -> None:
    (tmp_path / "tug.yaml").write_text(TUG.replace("voices: 1\n", ""))
    init(
        "rig.yaml", "--input", "null:", "--output", "tug=null:", "--device", "tug=tug.yaml", "--yes"
    )
    text = re.sub(r"# (- \{plugin: .*)", r"\1", (tmp_path / "rig.yaml").read_text())
    (tmp_path / "tug.yaml").write_text(TUG)
    (tmp_path / "rig.yaml").write_text(text)
    rig = load_rig("rig.yaml")
    chain = [entry.plugin.name for entry in rig.outputs[0].chain]
    assert chain == ["channel_remap", "note_limit", "cc_reset"]
    assert advise(rig) == []


def test_what_a_new_device_file_proposes_is_right_too(init: Init, tmp_path: Path) -> None:
    init(*HARBOUR)
    path = tmp_path / "devices" / "tug.yaml"
    device, problems = load_device(path, "tug.yaml", 4)
    assert problems == []
    assert device is not None
    assert (device.channel, device.voices) == (5, None)
    path.write_text(re.sub(r"^# (channel|voices|controls|  cutoff):", r"\1:", path.read_text(),
                           flags=re.MULTILINE))  # fmt: skip
    device, problems = load_device(path, "tug.yaml", 4)
    assert problems == []
    assert device is not None
    assert (device.voices, list(device.controls)) == (1, ["cutoff"])


REFUSED = {
    "no input": ("--output a=null: --yes", "'Which port does your sequencer play into?' has no"),
    "no output": ("--input null: --yes", "'Synth 1: which port leads to it?' has no usual answer"),
    "a channel of nobody": ("--input null: --output a=null: --channel b=5 --yes",
                            "--channel: there is no output 'b'; name it: --output b=PORT"),
    "a channel twice": ("--output a=null: --channel a=5 --channel a=6",
                        "--channel names 'a' twice; leave one out"),
    "channel 17": ("--input null: --output a=null: --channel a=17 --yes",
                   "--channel a=17: '17' is out of range; write 1 to 16"),
    "a wire": ("--input null: --output a=null: --wire a=tin --yes",
               "--wire a=tin: 'tin' is not a wire; write 1 to 100000000, or din, or usb"),
    "a name": ("--input null: --output a/b=null: --yes", "--output a/b=null:: an output's name"),
    "several ports": ("--input null: --output a=Gull --yes", "--output a=Gull: 'Gull' fits 2"),
    "one device twice": ("--input null: --output a=null: --output b=null: --device a=x.yaml "
                         "--device b=x.yaml --yes", "--device b=x.yaml: 'x.yaml' will be another"),
    "the rig as a device": ("x.yaml --input null: --output a=null: --device a=x.yaml --yes",
                            "--device a=x.yaml: 'x.yaml' is the rig itself; write another name"),
    "another channel than the device says": (
        "--input null: --output a=null: --device a=tug.yaml --channel a=4 --yes",
        "--channel a=4: tug.yaml says channel 5; change one of them"),
    "other voices than the device says": (
        "--input null: --output a=null: --device a=tug.yaml --voices a=4 --yes",
        "--voices a=4: tug.yaml says voices: 1; change one of them"),
    "one channel twice on a cable": (
        "--input null: --output a=Tug --output b=Tug --channel a=5 --channel b=5 --yes",
        "--channel b=5: a hears 5 on that cable; write another"),
    "clock for one on a cable": (
        "--input null: --output a=Tug --output b=Tug --no-clock b --yes",
        "--no-clock b: a is on the same cable and gets the clock"),
    "no pair": ("--output tug", "'tug' is not NAME=VALUE; write like tug=5"),
    "a rig that is none": ("harbour --input null: --output a=null: --yes",
                           "harbour: a rig is a YAML file; write for example harbour.yaml"),
    "a folder": ("folder --input null: --output a=null: --yes", "folder: is a folder; name a file"),
}  # fmt: skip


@pytest.mark.parametrize(("line", "said"), REFUSED.values(), ids=REFUSED)
def test_wrong_options_are_refused_in_one_line_and_nothing_is_written(
    init: Init, tmp_path: Path, line: str, said: str
) -> None:
    (tmp_path / "tug.yaml").write_text(TUG)
    (tmp_path / "folder").mkdir()
    code, _, err = init(*line.split())
    assert code == 2
    assert said in err.splitlines()[-1]
    assert there(tmp_path) == ["tug.yaml"]


def test_options_answer_their_questions_and_the_rest_is_asked(init: Init) -> None:
    typed = ["-", "", "1", "2", "n", "y"]  # device, from, voices, wire, clock, write
    code, out, err = init(
        "rig.yaml", "--input", "null:", "--output", "tug=Tug Box", "--channel", "tug=5", typed=typed
    )
    assert (code, err) == (0, "")
    assert "Another synth" not in out
    assert "It hears channel" not in out
    tug = load_rig("rig.yaml").outputs[0]
    assert [e.plugin.name for e in tug.chain] == ["clock_filter", "channel_remap", "note_limit"]
    assert tug.wire_rate is None, "usb"


# ---- two synths on one cable ---------------------------------------------------------------------

CABLE = "rig.yaml --input null: --output tug=Tug --output gull=tug --channel tug=5 --channel gull=6"


@pytest.mark.parametrize("no_clock", [False, True])
def test_what_has_no_channel_goes_down_a_cable_once(
    init: Init, no_clock: bool, tmp_path: Path
) -> None:
    """Through the engine: one clock in, one clock (or none) on the cable; notes to each."""
    more = ["--no-clock", "tug", "--no-clock", "gull"] if no_clock else []
    code, _, err = init(*CABLE.split(), *more, "--yes")
    assert (code, err) == (0, "")
    rig = load_rig("rig.yaml")
    assert advise(rig) == []
    from pointsman import Engine

    sent: list[tuple[str, bytes]] = []
    engine = Engine(rig.unpaced(), lambda output, data, t_ns: sent.append((output, data)))
    for data in (
        b"\xf8",
        b"\xfa",
        b"\xf2\0\0",
        b"\xf0\x7d\x01\xf7",
        b"\x90\x3c\x40",
        b"\x91\x3d\x40",
    ):
        engine.receive(data, 0)
    clocks = [] if no_clock else [b"\xf8", b"\xfa", b"\xf2\0\0"]
    assert [data for _, data in sent] == [
        *clocks, b"\xf0\x7d\x01\xf7", b"\x94\x3c\x40", b"\x95\x3d\x40"
    ]  # fmt: skip


# ---- whole or not at all -------------------------------------------------------------------------


CALLS = 8


@pytest.mark.parametrize("place", range(1, CALLS + 2))
def test_an_interrupt_anywhere_leaves_nothing(
    init: Init, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: int
) -> None:
    """Every call that touches the disk is interrupted in turn."""
    calls = 0

    def counted(real: Callable[..., object]) -> Callable[..., object]:
        def call(*arguments: object, **named: object) -> object:
            nonlocal calls
            calls += 1
            if calls == place:
                raise KeyboardInterrupt
            return real(*arguments, **named)

        return call

    monkeypatch.setattr(Path, "mkdir", counted(Path.mkdir))
    monkeypatch.setattr(Path, "replace", counted(Path.replace))
    monkeypatch.setattr(tempfile, "mkstemp", counted(tempfile.mkstemp))
    monkeypatch.setattr(os, "fsync", counted(os.fsync))
    monkeypatch.setattr("pointsman.setup.files.load_rig", counted(load_rig))
    code, _, _ = init(*HARBOUR)
    interrupted = place <= CALLS
    assert calls == min(place, CALLS)
    assert code == (130 if interrupted else 0)
    monkeypatch.undo()
    found = sorted(tmp_path.rglob("*"))
    assert bool(found) != interrupted, found


def test_a_rig_that_is_written_over_is_never_half_there(
    init: Init, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "harbour.yaml").write_text("mine\n")
    (tmp_path / "harbour.yaml").chmod(0o640)

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", interrupted)
        assert init(*HARBOUR, "--force")[0] == 130
    assert (tmp_path / "harbour.yaml").read_text() == "mine\n"
    assert there(tmp_path) == ["harbour.yaml"]
    assert init(*HARBOUR, "--force")[0] == 0
    assert load_rig("harbour.yaml").name == "harbour"
    assert (tmp_path / "harbour.yaml").stat().st_mode & 0o777 == 0o640


def test_what_cannot_be_written_is_one_line_that_names_it(
    init: Init, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "/some/draft")

    monkeypatch.setattr(tempfile, "mkstemp", full)
    code, out, err = init("x.yaml", "--input", "null:", "--output", "a=null:", "--yes")
    assert (code, out) == (1, "")
    assert err.endswith("x.yaml: No space left on device\n")
    assert err.count("\n") == 1


def test_a_link_to_a_rig_stays_a_link(init: Init, tmp_path: Path) -> None:
    (tmp_path / "sets").mkdir()
    (tmp_path / "sets" / "real.yaml").write_text("mine\n")
    (tmp_path / "harbour.yaml").symlink_to("sets/real.yaml")
    line = ("harbour.yaml", "--input", "null:", "--output", "a=null:", "--yes", "--force")
    assert init(*line)[0] == 0
    assert (tmp_path / "harbour.yaml").is_symlink()
    assert load_rig("sets/real.yaml").outputs[0].name == "a"


# ---- names and texts -----------------------------------------------------------------------------

NAMES = {
    "Tug Box:Tug Box MIDI 1 24:0": "tug-box",
    "Gull:Gull MIDI 1 [socket 1-1.2]": "gull",
    "virtual:Harbour Bass": "harbour-bass",
    "serial:/dev/serial0": "synth",
    "null:": "synth",
    "file:takes/buoy.mid": "buoy",
    "USB MIDI Interface:USB MIDI Interface MIDI 1 20:0": "usb-midi-interface",
    "Möwe:Möwe MIDI 1 24:0": "möwe",
    "A Very Long Name Of An Interface With Many Words:x 24:0": "a-very-long-name-of-an",
}


@pytest.mark.parametrize(("port", "name"), NAMES.items(), ids=NAMES)
def test_the_name_that_a_port_suggests(port: str, name: str) -> None:
    assert suggest_name(port) == name
    assert suggest_name(port, {name}) == f"{name}-2"


@settings(deadline=None)
@given(st.text())
def test_whatever_a_port_is_called_the_suggestion_is_right(port: str) -> None:
    assert output_name_problem(suggest_name(port)) is None


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None
)
@given(
    name=st.text(min_size=1).filter(lambda t: output_name_problem(t) is None and "=" not in t),
    port=st.text(min_size=1).filter(lambda t: t.strip() and "[" not in t),
)
def test_whatever_things_are_called_the_rig_says_so(name: str, port: str, tmp_path: Path) -> None:
    """Read back by our own reader, and by PyYAML's as an independent one."""
    from pointsman.setup.plan import Plan, Synth
    from pointsman.setup.rig_text import rig_text

    synths = (Synth(name, port, 1), Synth("other", port, 2, hears=3))
    text = rig_text(Plan("harbour", "null:", synths), "rig.yaml")
    outputs = yaml.safe_load(text)["outputs"]
    assert str(next(iter(outputs))) == name
    assert outputs[next(iter(outputs))]["port"] == port


# ---- at a terminal -------------------------------------------------------------------------------


def _hear_ctrl_c() -> None:
    """Where the tests are run in the background the signal is ignored, and stays so."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_ctrl_c_in_the_middle_of_the_questions_leaves_nothing(tmp_path: Path) -> None:
    """At a real terminal, which makes the signal of the key."""
    terminal = pexpect.spawn(
        sys.executable, ["-m", "pointsman.cli", "init", "harbour.yaml"], cwd=str(tmp_path),
        encoding="utf-8", dimensions=(24, 40), timeout=30,
        preexec_fn=_hear_ctrl_c,
    )  # fmt: skip
    terminal.expect_exact("Its number, or a name")
    terminal.sendline("null:")
    terminal.expect_exact("Synth 1: which port leads to it?")
    terminal.expect_exact("Its number, or a name")
    terminal.sendcontrol("c")
    terminal.expect_exact("Nothing is written.")
    terminal.expect_exact(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 130
    assert there(tmp_path) == []


# ---- the page ------------------------------------------------------------------------------------


class Echo(io.StringIO):
    """A terminal shows what is typed."""

    def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override] # as StringIO's
        line = super().readline()
        print(line, end="")
        return line


def test_the_page_shows_the_questions_as_they_are(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    page = (Path(__file__).parents[2] / "docs" / "first-rig.md").read_text("utf-8")
    shown = page.partition("$ pointsman init harbour.yaml\n")[2].partition("```")[0]
    boxes = ["Tug Box:Tug Box MIDI 1 24:0", "Gull Box:Gull Box MIDI 1 28:0"]
    names = {True: INPUTS, False: [*OUTPUTS[:1], *boxes]}
    monkeypatch.setattr(io_rtmidi, "port_names", lambda *, is_input: list(names[is_input]))
    monkeypatch.setattr(listing, "serial_paths", list)
    monkeypatch.setenv("COLUMNS", "80")
    typed = ["", "", "tug", "", "", "5", "1", "", "n", "", ""]
    monkeypatch.setattr(sys, "stdin", Echo("".join(f"{line}\n" for line in typed)))
    assert main(["init", "harbour.yaml"]) == 0
    assert capsys.readouterr().out == shown
