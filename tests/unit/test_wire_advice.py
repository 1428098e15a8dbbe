"""check RIG: a warning where lfos and fan-outs alone would fill a wire by more than 70 %, or where
a clock would go down one cable twice.
"""

from __future__ import annotations

from pathlib import Path
from textwrap import indent

import pytest

from pointsman.advice import advise
from pointsman.rig_file import load_rig

LFO = "- {plugin: lfo, control: %d, channel: 1, depth: 60, center: 64, rate: 2Hz%s}\n"
"""100 values a second: 300 of the 3,125 bytes of a DIN wire, 9.6 %."""


def lfos(count: int, more: str = "") -> str:
    return "".join(LFO % (70 + number, more) for number in range(count))


def warnings(folder: Path, chain: str, head: str = "wire: din", rest: str = "") -> list[str]:
    rig = folder / "rig.yaml"
    text = f"input: {{port: 'null:'}}\noutputs:\n  tug:\n    port: Quay Box\n    {head}\n"
    chain_text = f"    chain:\n{indent(chain, '      ')}" if chain else ""
    rig.write_text(text + chain_text + rest, "utf-8")
    found = [str(problem) for problem in advise(load_rig(rig))]
    return [line.replace(f"{rig}:", "") for line in found]


@pytest.mark.parametrize(
    ("chain", "percent"),
    {
        "eight lfos": (lfos(8), "77%"),
        "seven": (lfos(7), None),
        "slow ones": (lfos(12, ", interval: 50ms"), None),
        "waves that seldom change": (lfos(12, ", wave: square"), None),
        "an lfo to many channels": (
            lfos(2) + "- {plugin: channel_remap, map: {1: [1, 2, 3, 4]}}",
            "115%",
        ),
        "an lfo that becomes an NRPN": (
            lfos(3) + "- {plugin: cc_map, map: {70: {nrpn: [1, 2]}, 71: {nrpn: [1, 3]}, "
            "72: {nrpn: [1, 4]}}}",
            "115%",
        ),
        "the same, thinned": (
            lfos(3) + "- {plugin: cc_thin, per_second: 20}\n"
            "- {plugin: cc_map, map: {70: {nrpn: [1, 2]}, 71: {nrpn: [1, 3]}}}",
            None,
        ),
        "one knob for many controls": (
            "- {plugin: cc_map, map: {1: [71, 72, 73, 74, 75, 76, 77, 78]}}",
            "77%",
        ),
        "a smooth way for four": (
            "- {plugin: cc_smooth, control: 1}\n- {plugin: cc_map, map: {1: [71, 72, 73, 74]}}",
            "77%",
        ),
        "channels of which each step picks one": (
            "- {plugin: channel_select, control: 20, from_channel: 1, also: [control], "
            "to: {0: 1, 1: 2, 2: 3, 3: 4, 4: 5, 5: 6, 6: 7, 7: 8, 8: 9}, default: 1}",
            None,
        ),
        "nothing": ("", None),
    }.values(),
)
def test_what_a_din_wire_gets(tmp_path: Path, chain: str, percent: str | None) -> None:
    found = warnings(tmp_path, chain)
    if percent is None:
        assert found == []
    else:
        (line,) = found
        assert line.startswith(
            f"5:11: outputs.tug.wire: this wire can get {percent} of what it carries before a note "
        )


def test_it_names_the_dearest_and_says_what_to_do(tmp_path: Path) -> None:
    chain = lfos(2) + "- {plugin: channel_remap, map: {1: [1, 2, 3, 4]}}"
    assert warnings(tmp_path, chain) == [
        "5:11: outputs.tug.wire: this wire can get 115% of what it carries before a note is played "
        "(lfo in rig.yaml:7 38%, lfo in rig.yaml:8 38%, one knob that becomes 4 messages 38%); "
        "write a longer interval, add cc_thin, or use another cable"
    ]


def test_a_faster_wire_and_one_without_limits_are_fine(tmp_path: Path) -> None:
    assert warnings(tmp_path, lfos(8), "wire: 4000") == []
    assert warnings(tmp_path, lfos(8), "wire: usb") == []


def test_outputs_of_one_port_count_together(tmp_path: Path) -> None:
    other = "  gull:\n    port: %s\n    chain:\n"
    chain = indent(lfos(4), "      ")
    line, _clock_twice = warnings(tmp_path, lfos(4), rest=other % "Quay Box" + chain)
    assert "can get 96% of what it carries" in line  # with a knob that both get
    assert warnings(tmp_path, lfos(4), rest=other % "Gull Box" + chain) == []


@pytest.mark.parametrize(
    ("chain", "second", "warned"),
    [
        ("", "port: Quay Box", True),
        ("", "port: Gull Box", False),
        ("- {plugin: clock_filter, clock: drop}\n", "port: Quay Box", False),
        ("- {plugin: clock_filter, clock: drop, bypass: true}\n", "port: Quay Box", True),
        ("- {plugin: message_filter, pass: [note]}\n", "port: Quay Box", False),
        ("- {plugin: clock_filter, divide: 2}\n", "port: Quay Box", True),
    ],
)
def test_a_clock_that_would_go_down_one_cable_twice(
    tmp_path: Path, chain: str, second: str, warned: bool
) -> None:
    found = warnings(tmp_path, chain, "wire: free", f"  gull:\n    {second}\n")
    assert [line.partition(";")[0] for line in found] == warned * [
        f"{7 + 2 * bool(chain)}:11: outputs.gull.port: 'tug' has the same port, and the clock goes "
        "through both: it arrives twice"
    ]
