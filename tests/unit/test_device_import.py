"""device import: charts in many layouts, written for these tests in the manner of manuals.

The charts are of invented synths. What stands in tests/data/charts/right.tsv was read from them by
a person. The rows of the two published charts come from the MIDI 1.0 Detailed Specification 4.2.1,
pp. A-7 and A-8 (version 1: o and x), and from RP-028, pp. 5-7 (version 2: Yes and No).
"""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path
from textwrap import dedent

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pointsman.charts.chart import Chart, Fate
from pointsman.charts.reading import NothingFound, read_chart
from pointsman.charts.writing import device_yaml
from pointsman.cli import main
from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.device_file import load_device
from pointsman.errors import InputFileError

CHARTS = Path(__file__).parent.parent / "data" / "charts"
Row = tuple[str, str, str]
"""How a control is reached, its range and its home, as in right.tsv."""


def _right() -> dict[str, dict[str, Row]]:
    found: dict[str, dict[str, Row]] = defaultdict(dict)
    for line in (CHARTS / "right.tsv").read_text("utf-8").splitlines():
        if not line.startswith("#"):
            chart, name, *row = line.split("\t")
            found[chart][name] = (row[0], row[1], row[2])
    return dict(found)


RIGHT = _right()


def _row(ref: ControlRef) -> Row:
    if ref.cc is not None:
        way = f"cc {ref.cc}" + (f" {ref.fine}" if ref.fine is not None else "")
    elif ref.parameter is not None:
        registered, coarse, fine = ref.parameter
        way = f"{'rpn' if registered else 'nrpn'} {coarse} {fine}"
    else:
        before, after = ref.sysex or (b"", b"")
        way = f"sysex {before.hex(' ').upper()} {{value}} {after.hex(' ').upper()}"
    low_high = "-" if ref.range is None else f"{ref.range[0]}-{ref.range[1]}"
    return way, low_high, "-" if ref.home is None else str(ref.home)


def _read(name: str) -> Chart:
    return read_chart((CHARTS / name).read_bytes(), name)


def _loaded(folder: Path, text: str) -> Device:
    path = folder / "device.yaml"
    path.write_text(text, "utf-8")
    device, problems = load_device(path, "device.yaml", 4)
    assert not problems, "\n".join(map(str, problems))
    assert device is not None
    return device


def _imported(folder: Path, name: str) -> Device:
    return _loaded(folder, device_yaml(_read(name), name))


def _text(text: str, name: str = "chart.txt") -> Chart:
    return read_chart(dedent(text).strip("\n").encode(), name)


def _controls(folder: Path, text: str, name: str = "chart.txt") -> dict[str, Row]:
    device = _loaded(folder, device_yaml(_text(text, name), name))
    return {key: _row(ref) for key, ref in device.controls.items()}


# ---- the charts ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(RIGHT))
def test_a_chart_gives_the_controls_that_a_player_reads_in_it(tmp_path: Path, name: str) -> None:
    device = _imported(tmp_path, name)
    assert {key: _row(ref) for key, ref in device.controls.items()} == RIGHT[name]


def test_over_all_charts_95_of_100_controls_are_right_and_the_others_are_named(
    tmp_path: Path,
) -> None:
    right = total = 0
    for name, expected in RIGHT.items():
        device = _imported(tmp_path, name)
        found = {key: _row(ref) for key, ref in device.controls.items()}
        right += sum(found.get(key) == row for key, row in expected.items())
        total += len(expected)
        assert set(found) <= set(expected), "a control that is none"
    assert len(RIGHT) >= 10
    assert total >= 180
    assert right / total >= 0.95


@pytest.mark.parametrize("name", sorted(RIGHT))
def test_every_line_of_a_chart_is_accounted_for(name: str) -> None:
    chart = _read(name)
    raw = (CHARTS / name).read_bytes()
    lines = raw.decode("cp1252" if name == "barkasse.csv" else "utf-8").split("\n")
    accounted = " ".join(line.text for line in chart.lines)
    for line in filter(None, (line.strip(" ,\t\r") for line in lines)):
        assert line in accounted


NOT_UNDERSTOOD = {
    "plover.csv": [28],
    "foghorn.txt": [3, 34, 35],
    "winch.txt": [26],
    "capstan.txt": [3, 24, 26],
    "skiff.txt": [48],
}


@pytest.mark.parametrize("name", sorted(RIGHT))
def test_what_is_not_understood_is_named(name: str) -> None:
    chart = _read(name)
    lost = [line.number for line in chart.lines if line.fate is Fate.NOT_UNDERSTOOD]
    assert lost == NOT_UNDERSTOOD.get(name, [])
    text = device_yaml(chart, name)
    for number in lost:
        assert f"#   line {number}: " in text


FACTS = {
    "dredger.txt": Device(
        "DREDGER", 10, None,
        ("note", "velocity", "control", "program", "channel_pressure", "sysex", "clock",
         "transport", "song_position", "song_select"),
        (36, 51),
    ),
    "pilot.csv": Device(
        "Pilot", 3, None,
        ("note", "velocity", "control", "bend", "program", "channel_pressure", "sysex"),
        (24, 96),
    ),
    "heron.txt": Device(
        "Heron", 6, None,
        ("note", "velocity", "control", "bend", "program", "channel_pressure", "sysex", "clock",
         "transport"),
        (21, 108),
    ),
    "foghorn.txt": Device("FOGHORN", None, 2),
}  # fmt: skip
"""What the charts say of the synths themselves. Heron's chart has no row for SysEx."""


@pytest.mark.parametrize("name", sorted(FACTS))
def test_the_rows_of_a_published_chart_say_what_the_synth_hears(tmp_path: Path, name: str) -> None:
    device, right = _imported(tmp_path, name), FACTS[name]
    assert (device.device, device.channel, device.voices, device.receives, device.notes) == (
        right.device, right.channel, right.voices, right.receives, right.notes,
    )  # fmt: skip


# ---- lines ---------------------------------------------------------------------------------------

LINES = {
    "CC 74   Cutoff   0-127": {"cutoff": ("cc 74", "0-127", "-")},
    "74 (4AH) FILTER CUTOFF": {"filter_cutoff": ("cc 74", "-", "-")},
    "CC#7 Volume": {"volume": ("cc 7", "-", "-")},
    "CC74: Cutoff (0..127), default: 64": {"cutoff": ("cc 74", "0-127", "64")},
    "Cutoff (CC 74)  00H-7FH": {"cutoff": ("cc 74", "0-127", "-")},
    "Control Change 71: Resonance": {"resonance": ("cc 71", "-", "-")},
    "Controller No. 7  Volume": {"volume": ("cc 7", "-", "-")},
    "CC 7 / CC 39  Volume  0-16383": {"volume": ("cc 7 39", "0-16383", "-")},
    "CC 1 (MSB), 33 (LSB)  Tilt  0-127  default 64": {"tilt": ("cc 1 33", "0-16383", "8192")},
    "CC 20-22 Macro 1-3": {
        "macro_1": ("cc 20", "-", "-"),
        "macro_2": ("cc 21", "-", "-"),
        "macro_3": ("cc 22", "-", "-"),
    },
    "CC 30/31 Attack/Decay": {"attack": ("cc 30", "-", "-"), "decay": ("cc 31", "-", "-")},
    "CC 80  Sync (0 = off, 127 = on)": {"sync": ("cc 80", "0-127", "-")},
    "CC 85 Mode 0: mono, 1: poly, 2: unison": {"mode": ("cc 85", "0-2", "-")},
    "CC 86 Bend 0-24 semitones, default: 2": {"bend": ("cc 86", "0-24", "2")},
    "CC 26  Depth  -64 to +63  default -4": {"depth": ("cc 26", "0-127", "60")},
    "CC 26  Depth  -63..+63  (default 0)": {"depth": ("cc 26", "1-127", "64")},
    "CC 27  Bank  1-128  default 1": {"bank": ("cc 27", "0-127", "0")},
    "CC 28  Octave  -2..+2  default 0": {"octave": ("cc 28", "-", "-")},
    "CC 29  Osc 1-2 mix": {"osc_1_2_mix": ("cc 29", "-", "-")},
    "NRPN 5:12  Detune": {"detune": ("nrpn 5 12", "-", "-")},
    "NRPN 01H 08H  Detune  0-127": {"detune": ("nrpn 1 8", "0-127", "-")},
    "Detune  NRPN 1032": {"detune": ("nrpn 8 8", "-", "-")},
    "Detune: CC 99 = 1, CC 98 = 8": {"detune": ("nrpn 1 8", "-", "-")},
    "RPN 0/1  Fine tune": {"fine_tune": ("rpn 0 1", "-", "-")},
    "BnH 4AH vvH  Cutoff": {"cutoff": ("cc 74", "-", "-")},
    "Cutoff   CC 74   NRPN 1:8   0-127": {"cutoff": ("cc 74", "0-127", "-")},
    "CC 7  Volume  0-127     CC 74  Cutoff  0-127": {
        "volume": ("cc 7", "0-127", "-"),
        "cutoff": ("cc 74", "0-127", "-"),
    },
    "Cutoff CC74     Resonance CC71": {
        "cutoff": ("cc 74", "-", "-"),
        "resonance": ("cc 71", "-", "-"),
    },
    "Hold (CC64): 0–63 = off; 64–127 = on": {"hold": ("cc 64", "0-127", "-")},
    "4AH (74)  Cutoff  00-7F": {"cutoff": ("cc 74", "0-127", "-")},
    "CC 11": {"expression": ("cc 11", "-", "-")},
    "CC 102": {"control_102": ("cc 102", "-", "-")},
    "CC 14  Ärger & Höhe": {"arger_and_hohe": ("cc 14", "-", "-")},
}


@pytest.mark.parametrize(("line", "controls"), LINES.items(), ids=LINES)
def test_a_line_of_a_manual(tmp_path: Path, line: str, controls: dict[str, Row]) -> None:
    assert _controls(tmp_path, line) == controls


LEFT_OUT = {
    "CC 121  Reset all controllers":
        "LEFT OUT: cc 121 (Reset all controllers) is a channel mode message, and no control",
    "CC 98  NRPN fine":
        "LEFT OUT: cc 98 (NRPN fine) carries NRPNs and RPNs, and is no control by itself",
    "CC 66 x x Sostenuto": "LEFT OUT: cc 66 (Sostenuto) is not recognized by the synth",
    "CC 200 Gravel": "NOT UNDERSTOOD: 200 is above 127, and no control",
    "NRPN 130:2 Gravel": "NOT UNDERSTOOD: an NRPN has two numbers from 0 to 127",
    "F0 7D 01 F7 Bell": "NOT UNDERSTOOD: a SysEx message needs exactly one byte that varies, "
        "such as vv",
    "CC 64 is ignored while the bell rings.": "NOT UNDERSTOOD: cc 64 in a sentence",
    "Turn the knob to the right, and listen.": "NOT UNDERSTOOD",
    "CC 28  Octave  -2..+2  default 0":
        "octave: cc 28; the range -2 to 2 is not in MIDI values; 0 to 127 is taken, and the value "
        "at rest, 0, is left out",
    "CC 14  Damp  0-100 %":
        "damp: cc 14; the range 0 to 100 % is not in MIDI values; 0 to 127 is taken",
    "CC 1  Tilt again": "tilt_again: cc 1; a second name for cc 1, see line 1",
    "CC 1  Tilt  0-100": "cc 1 again, as in line 1; adds range 0 to 100",
}  # fmt: skip


@pytest.mark.parametrize(("line", "said"), LEFT_OUT.items(), ids=LEFT_OUT)
def test_the_account_says_what_became_of_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, said: str
) -> None:
    chart = tmp_path / "eel.txt"
    chart.write_text(f"CC 1  Tilt\n{line}\n", "utf-8")
    assert main(["device", "import", str(chart)]) == 0
    rows = capsys.readouterr().err.splitlines()
    assert next(row for row in rows if row.startswith("   2")).endswith(f"  {said}")


# ---- tables --------------------------------------------------------------------------------------

TABLES = {
    "single blanks": """
        Parameter CC Range Default
        Osc 1 Level 24 0-127 100
        Osc 1-2 Mix 25 0-127 64
        Cutoff 74 0-127
        """,
    "aligned": """
        CC    Parameter      Range     Default
        24    Osc 1 Level    0-127     100
        25    Osc 1-2 Mix    0-127     64
        74    Cutoff         0-127
        """,
    "pipes": """
        | CC# | Name | Min | Max | Init |
        |-----|------|-----|-----|------|
        | 24 | Osc 1 Level | 0 | 127 | 100 |
        | 25 | Osc 1-2 Mix | 0 | 127 | 64 |
        | 74 | Cutoff | 0 | 127 | |
        """,
    "no headings, numbers last": """
        Osc 1 Level ........ CC 24 ....... 0-127 ....... default 100
        Osc 1-2 Mix ........ CC 25 ....... 0-127 ....... default 64
        Cutoff ............. CC 74 ....... 0-127
        """,
    "hex": """
        Knob,CC (hex),Lowest,Highest,Default
        Osc 1 Level,18,00,7F,100
        Osc 1-2 Mix,19,00,7F,64
        Cutoff,4A,00,7F,
        """,
    "quoted, semicolons": """
        "Function";"Controller";"Value range";"At rest"
        "Osc 1 Level";"24";"0 to 127";"100"
        "Osc 1-2 Mix";"25";"0 to 127";"64"
        "Cutoff";"74";"0 to 127";""
        """,
    "strange headings": """
        Was;Wo;Von;Bis;Anfang
        Osc 1 Level;24;0;127;100
        Osc 1-2 Mix;25;0;127;64
        Cutoff;74;0;127;
        Pan;10;0;127;64
        Drive;12;0;127;0
        Hall;91;0;127;0
        """,
}


@pytest.mark.parametrize("layout", TABLES)
def test_the_same_table_in_many_layouts(tmp_path: Path, layout: str) -> None:
    controls = _controls(tmp_path, TABLES[layout])
    assert list(controls.items())[:3] == [
        ("osc_1_level", ("cc 24", "0-127", "100")),
        ("osc_1_2_mix", ("cc 25", "0-127", "64")),
        ("cutoff", ("cc 74", "0-127", "-")),
    ]


def test_tables_side_by_side_in_a_csv(tmp_path: Path) -> None:
    text = "CC,Name,,CC,Name\n7,Volume,,74,Cutoff\n10,Pan,,71,Resonance\n1,Wheel,,,\n"
    assert _controls(tmp_path, text, "eel.csv") == {
        "volume": ("cc 7", "-", "-"),
        "cutoff": ("cc 74", "-", "-"),
        "pan": ("cc 10", "-", "-"),
        "resonance": ("cc 71", "-", "-"),
        "wheel": ("cc 1", "-", "-"),
    }


def test_a_table_with_a_column_for_each_way_to_a_control(tmp_path: Path) -> None:
    text = """
        Parameter            CC      NRPN (MSB:LSB)   Range      Notes
        Beak                 20      1:0              0-127      sharp
        Wing span            21/53   1:1              0-16383    wide
        Plunge                       1:2              0-127      only by NRPN
        Call                 23                       0-127      loud
        """
    assert _controls(tmp_path, text) == {
        "beak": ("cc 20", "0-127", "-"),
        "wing_span": ("cc 21 53", "0-16383", "-"),
        "plunge": ("nrpn 1 2", "0-127", "-"),
        "call": ("cc 23", "0-127", "-"),
    }


def test_a_column_that_says_which_kind_of_number_it_is(tmp_path: Path) -> None:
    text = "Parameter,MSB,LSB,Type\nCutoff,74,,CC\nDetune,1,8,NRPN\nVolume,7,39,CC\n"
    assert _controls(tmp_path, text, "eel.csv") == {
        "cutoff": ("cc 74", "-", "-"),
        "detune": ("nrpn 1 8", "-", "-"),
        "volume": ("cc 7 39", "-", "-"),
    }


def test_bare_numbers_behind_names(tmp_path: Path) -> None:
    assert _controls(tmp_path, "Cutoff 74\nOsc 1 pitch 16\nOsc 2 pitch 17\nVolume 7") == {
        "cutoff": ("cc 74", "-", "-"),
        "osc_1_pitch": ("cc 16", "-", "-"),
        "osc_2_pitch": ("cc 17", "-", "-"),
        "volume": ("cc 7", "-", "-"),
    }


def test_bare_numbers_and_names_on_lines_of_their_own(tmp_path: Path) -> None:
    assert _controls(tmp_path, "74\nCutoff\n71\nResonance\n7\nVolume") == {
        "cutoff": ("cc 74", "-", "-"),
        "resonance": ("cc 71", "-", "-"),
        "volume": ("cc 7", "-", "-"),
    }


def test_a_page_number_among_controls_is_no_control() -> None:
    chart = _text("CC 74 Cutoff\n42\n16 voices of gravel\nCC 71 Resonance")
    assert [control.key for control in chart.controls] == ["cutoff", "resonance"]
    assert [line.fate.value for line in chart.lines] == [
        "control", "not understood", "not understood", "control",
    ]  # fmt: skip


def test_names_are_unique_words(tmp_path: Path) -> None:
    text = "CC 20 Level\nCC 21 Level!\nCC 22 LEVEL\nCC 23 on\nCC 24 ???"
    device = _loaded(tmp_path, device_yaml(_text(text), "eel.txt"))
    assert list(device.controls) == ["level", "level_2", "level_3", "on", "control_24"]


def test_version_1_of_the_chart_with_single_blanks(tmp_path: Path) -> None:
    text = """
        SYNTHESIZER Model: TEAL MIDI Implementation Chart Version: 1.00
        Function... Transmitted Recognized Remarks
        Basic Channel Default 1 1
        Changed 1-16 1-16
        Mode Default Mode 3 Mode 3
        Note Number True voice 0-127 0-127
        ************** C1-C7
        Velocity Note ON O 9nH,v=1-127 O
        Note OFF X X
        Aftertouch Key's X X
        Ch's X O
        Pitch Bend O O
        Control Change 0,32 O O Bank Select
        7 O O Volume
        74 X O Filter cutoff
        82 O X Lever
        Program Change True # O 0-127 X
        System Exclusive O O
        Common Song Pos X X
        System Real Time Clock O *1 O *1
        Commands O X
        Aux Messages Local ON/OFF X X
        Active Sense O X
        """
    device = _loaded(tmp_path, device_yaml(_text(text), "chart.txt"))
    assert (device.device, device.channel, device.notes) == ("TEAL", 1, (24, 96))
    assert device.receives == (
        "note", "velocity", "control", "bend", "channel_pressure", "sysex", "clock", "song_select",
    )  # fmt: skip
    assert {key: _row(ref)[0] for key, ref in device.controls.items()} == {
        "bank_select": "cc 0 32", "volume": "cc 7", "filter_cutoff": "cc 74",
    }  # fmt: skip


# ---- the command ---------------------------------------------------------------------------------


def _run(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, list[str]]:
    code = main(["device", "import", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err.splitlines()


def test_the_device_file_goes_to_stdout_and_the_account_to_stderr(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("eel.csv").write_text(
        "No,What,Range,At power on\n20,Tail,0-127,64\n21,Fin,,\n"
        "123,All notes off,,\n,Gill or not,,5\n"
    )
    code, out, err = _run(capsys, "eel.csv", "--column", "home=at power on", "--name", "Eel 2")
    assert code == 0
    assert out == dedent(
        """\
        # Made from eel.csv by pointsman device import.
        # Go over it: names are yours to change, and a control without home cannot be put back.
        # line 1: 'No' = cc, 'What' = name, 'Range' = range, 'At power on' = home
        device: Eel 2
        # channel: 1              # the chart does not say; write the one it is set to
        # voices: 1               # the chart does not say
        controls:
          tail: {cc: 20, home: 64, range: [0, 127]}  # line 2
          fin: {cc: 21}  # line 3

        # Left out:
        #   line 4: 123,All notes off,,  (cc 123 (All notes off) is a channel mode message, and no control)

        # Not understood; write by hand what is wanted of it:
        #   line 5: ,Gill or not,,5  (no control number in it)
        """  # noqa: E501
    )
    assert err == [
        "eel.csv:",
        "  line 1: 'No' = cc, 'What' = name, 'Range' = range, 'At power on' = home",
        "",
        "line  text                       what became of it",
        "----  -------------------------  " + "-" * 74,
        "   1  No,What,Range,At power on  headings",
        "   2  20,Tail,0-127,64           tail: cc 20, 0 to 127, home 64",
        "   3  21,Fin,,                   fin: cc 21",
        "   4  123,All notes off,,        LEFT OUT: cc 123 (All notes off) is a channel mode "
        "message, and no control",
        "   5  ,Gill or not,,5            NOT UNDERSTOOD: no control number in it",
        "",
        "Eel 2: 2 controls in 2 lines, 1 heading, 1 left out, 1 not understood. "
        "Without home yet: 1.",
    ]


def test_a_column_can_be_told_by_its_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chart = tmp_path / "eel.csv"
    chart.write_text("20,74,Tail\n21,75,Fin\n22,76,Gill\n")
    code, out, _ = _run(capsys, chart, "--column", "cc=2", "--column", "ignore=1")
    assert code == 0
    assert [line for line in out.splitlines() if "cc:" in line] == [
        "  tail: {cc: 74}  # line 1", "  fin: {cc: 75}  # line 2", "  gill: {cc: 76}  # line 3",
    ]  # fmt: skip


def test_out_writes_the_file_and_never_over_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "tug.yaml"
    chart = CHARTS / "plover.csv"
    code, stdout, err = _run(capsys, chart, "--out", out)
    assert (code, stdout) == (0, "")
    assert err[-1] == f"Written to {out}. Go over it, then: pointsman device check {out}"
    assert len(_loaded(tmp_path, out.read_text("utf-8")).controls) == 16
    code, _, err = _run(capsys, chart, "--out", out)
    assert code == 2
    assert err == [f"{out}: is there already; name another file, or remove it first"]


def test_json_has_every_line_and_the_device_file(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = _run(capsys, CHARTS / "skiff.txt", "--json")
    data = json.loads(out)
    assert (code, err) == (0, [])
    assert data["device"] == "Skiff"
    assert data["controls"] == 10
    assert data["lines"][6] == {
        "line": 8, "text": "1", "fate": "control",
        "what": ["oar_wobble: cc 1, 0 to 127, home 0"],
    }  # fmt: skip
    assert data["yaml"].startswith("# Made from ")


WRONG = {
    "missing": (None, 2, "{}: cannot be read: No such file or directory; give a chart's CSV, TSV "
                "or text file"),
    "empty": (b" \n", 1, "{}: the file is empty; copy the chart into it"),
    "a PDF": (b"%PDF-1.7 ...", 1, "{}: this is a PDF; select its chart, copy the text into a .txt "
              "file and import that"),
    "a workbook": (b"PK\x03\x04...", 1, "{}: this is a workbook; save the sheet with the chart as "
                   "CSV and import that"),
    "no text": (b"\x00\x01\x02", 1, "{}: this is no text; give CSV, TSV, or text from the manual"),
    "too large": (b"CC 1 a\n" * 200_000, 1, "{}: larger than 256 KiB; copy only its chart"),
    "prose": (b"The eel is a fish.\n", 1, "{}: nothing in it was understood; say which column is "
              "what with --column cc=HEADING"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_what_is_no_chart_gets_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], what: str
) -> None:
    data, expected, said = WRONG[what]
    chart = tmp_path / "eel.txt"
    if data is not None:
        chart.write_bytes(data)
    code, out, err = _run(capsys, chart)
    assert (code, out, err[-1]) == (expected, "", said.format(chart))


def test_a_heading_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chart = tmp_path / "eel.csv"
    chart.write_text("No,What\n20,Tail\n")
    code, _, err = _run(capsys, chart, "--column", "home=Rest")
    assert code == 1
    assert err == [
        f"{chart}: no column is headed 'Rest', which is to be the home; "
        "line 1: 'No' = cc, 'What' = name"
    ]


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("hme=Rest", "there is no role 'hme'; did you mean 'home'?"),
        ("home", "must be ROLE=HEADING, such as cc=Number, not 'home'"),
    ],
)
def test_a_wrong_role_is_said(capsys: pytest.CaptureFixture[str], told: str, said: str) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["device", "import", "eel.csv", "--column", told])
    assert stopped.value.code == 2
    assert capsys.readouterr().err.splitlines()[-1].endswith(f"--column: {said}")


# ---- anything ------------------------------------------------------------------------------------

_VOCABULARY = (
    "CC 74 7 0-127 -64..+63 NRPN 1:8 RPN F0 7D vv F7 Bn 4A o x Yes No Default default 64 Name "
    "Transmitted Recognized Control # ( ) | , ; \t \" ' : / 4AH Basic Channel Note ON True voice "
    "Cutoff Osc 1-2 mix *** 99 = 1 98 = 8 \u2013 é ● % Range Min Max \n \n\n {value} CC20-23 16383 "
    "Mode 3 Model: Clock Commands -- 0x4A $4A {} [] & # yes no null ~ on"
)
_CHARTLIKE = st.lists(st.sampled_from(_VOCABULARY.split(" ")), max_size=60).map(" ".join)


@given(st.one_of(_CHARTLIKE, st.text(max_size=300)), st.sampled_from(["a.txt", "a.csv", "a.tsv"]))
@example('CC 1 a\n"CC 2,b\n' * 20, "a.csv")
@example('CC 1 \x7f\x85\u2028\ud7ff\ufeff\U0001f9ed \\ " #', "a.txt")
def test_any_text_gives_a_device_file_or_one_line(tmp_path_factory, text: str, name: str) -> None:  # type: ignore[no-untyped-def]
    data = text.encode("utf-8", "replace")
    try:
        chart = read_chart(data, name)
    except NothingFound as error:
        assert {line.fate for line in error.chart.lines} <= set(Fate)
        return
    except InputFileError as error:
        assert str(error).startswith(f"{name}: ")
        assert "\n" not in str(error)
        return
    device = _loaded(tmp_path_factory.mktemp("device"), device_yaml(chart, name))
    assert len(device.controls) == len(chart.controls)


@given(st.binary(max_size=400))
def test_any_bytes_give_a_device_file_or_one_line(data: bytes) -> None:
    try:
        read_chart(data, "a.csv")
    except InputFileError as error:
        assert str(error).startswith("a.csv: ")
