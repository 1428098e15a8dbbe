"""cc_scale with 14 bits, and with controls that are reached by a pair, NRPN, RPN or SysEx.

The sum is that of docs/plugins, worked out here with exact fractions. What a pair means is
MIDI 1.0, 4.2.1, p. 12 and Table II, note 4: value = coarse * 128 + fine, and a coarse half sets
the fine one to 0. `Synth` below hears as that says.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from pathlib import Path

import pytest

from harness import Events, assert_plays, events, play_chain, problems, says_what_is_right

DEVICE = """
device: Capstan
channel: 3
controls:
  hawser: {cc: 1, fine: 33, home: 8192}
  pawl: {nrpn: [1, 8], home: 64}
  windlass: {rpn: [0, 2]}
  drum: {sysex: "F0 7D 10 {value} F7", home: 64}
"""


def scale(options: str) -> str:
    return f"- {{plugin: cc_scale, {options}}}"


def pairs(heard: Events, coarse: int = 1) -> list[int]:
    """The values that a synth has had after each pair, or half of one."""
    value, found = 0, []
    for _, data in heard:
        _, number, half = bytes.fromhex(data)
        if number == coarse:
            value = half << 7
        elif number == coarse + 32:
            value = value & 0x3F80 | half
        found.append(value)
    return found


def formula(value: int, source: tuple[int, int], target: tuple[int, int]) -> int:
    low, high = source
    clamped = min(max(value, min(source)), max(source))
    x = Fraction(clamped - low, high - low)
    return floor(target[0] + (target[1] - target[0]) * x + Fraction(1, 2))


RANGES = {
    "half of it": ("to: [0, 8191]", (0, 16383), (0, 8191)),
    "upside down": ("to: [16383, 0]", (0, 16383), (16383, 0)),
    "from a part": ("from: [100, 9000], to: [3000, 16383]", (100, 9000), (3000, 16383)),
    "both downwards": ("from: [9000, 100], to: [12000, 200]", (9000, 100), (12000, 200)),
    "to one value": ("to: [777, 777]", (0, 16383), (777, 777)),
    "the whole of it": ("to: [0, 16383]", (0, 16383), (0, 16383)),
}
SOME = [*range(0, 16384, 509), 127, 128, 129, 8191, 8192, 8193, 16255, 16256, 16383]


@pytest.mark.parametrize("case", RANGES)
def test_fourteen_bits_follow_the_formula(tmp_path: Path, case: str) -> None:
    options, source, target = RANGES[case]
    chain = scale(f"control: 1, bits: 14, {options}")
    log = "\n".join(
        f"{n} B0 01 {value >> 7:02X}\n{n} B0 21 {value & 127:02X}" for n, value in enumerate(SOME)
    )
    heard = play_chain(tmp_path, chain, log)
    last = {float(t): value for (t, _), value in zip(heard, pairs(heard), strict=True)}
    assert list(last.values()) == [formula(value, source, target) for value in SOME]


def test_what_comes_in_goes_out_coarse_half_first_and_as_far_as_a_synth_lacks_it(
    tmp_path: Path,
) -> None:
    chain = scale("control: 1, bits: 14, to: [0, 8191]")
    assert play_chain(tmp_path, chain, "0 B4 01 7F\n1 B4 21 7F\n2 B4 01 40") == events("""
        0 B4 01 3F      # 16256 * 8191 / 16383 = 8127.5: 8128 is 63, 64
        0 B4 21 40
        1 B4 21 7F      # 8191 is 63, 127
        2 B4 01 20      # 8192 becomes 4096, which is 32, 0
    """)


def test_scaling_to_the_same_range_changes_no_byte(tmp_path: Path) -> None:
    log = "0 B0 01 10\n0 B0 21 05\n1 B0 21 06\n2 B0 01 11\n3 B1 21 01\n4 B0 02 03"
    chain = scale("control: 1, bits: 14, to: [0, 16383]")
    heard = play_chain(tmp_path, chain, log)
    assert [line for line in heard if line[1][1] == "0"] == events(log.replace("\n3 B1 21 01", ""))


def test_a_coarse_half_alone_is_a_value_and_sets_the_fine_half_to_0(tmp_path: Path) -> None:
    chain = scale("control: modulation, bits: 14, to: [16383, 0]")
    heard = play_chain(tmp_path, chain, "0 B0 01 10\n0 B0 21 05\n1 B0 01 10\n2 B0 01 00")
    last = {t: value for (t, _), value in zip(heard, pairs(heard), strict=True)}
    assert list(last.values()) == [16383 - 2053, 16383 - 2048, 16383]


def test_a_fine_half_changes_the_coarse_value_of_its_own_channel(tmp_path: Path) -> None:
    chain = scale("control: 1, bits: 14, to: [0, 8191]")
    log = "0 B0 01 40\n0 B1 01 20\n1 B0 21 7F\n2 B2 21 7E"
    heard = play_chain(tmp_path, chain, log)
    by_channel = {n: pairs([line for line in heard if line[1][1] == str(n)]) for n in range(3)}
    assert by_channel[0][-1] == formula(64 * 128 + 127, (0, 16383), (0, 8191))
    assert by_channel[1][-1] == formula(32 * 128, (0, 16383), (0, 8191))
    assert by_channel[2][-1] == formula(126, (0, 16383), (0, 8191))


def test_gamma_bends_all_fourteen_bits(tmp_path: Path) -> None:
    chain = scale("control: 1, bits: 14, to: [0, 16383], gamma: 2")
    heard = play_chain(tmp_path, chain, "0 B0 01 40\n0 B0 21 00")
    assert pairs(heard)[-1] == floor(Fraction(8192**2, 16383) + Fraction(1, 2))


def test_all_else_passes(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        scale("control: 1, bits: 14, to: [0, 0]"),
        "0 B0 02 10\n0 B0 22 10\n0 B0 7B 00\n0 90 01 10\n0 E0 01 10\n0 F0 7D 10 01 F7",
    )


def test_with_seven_bits_the_fine_half_is_a_control_of_its_own(tmp_path: Path) -> None:
    chain = scale("control: 1, to: [0, 0]")
    assert_plays(tmp_path, chain, "-0 B0 01 10\n+0 B0 01 00\n0 B0 21 10")


# ---- controls of the device --------------------------------------------------------------------


def test_a_pair_of_the_device_has_fourteen_bits_by_itself(tmp_path: Path) -> None:
    chain = scale("control: hawser, to: [0, 8191]")
    heard = play_chain(tmp_path, chain, "0 B0 01 7F\n0 B0 21 7F", device=DEVICE)
    assert pairs(heard)[-1] == 8191


@pytest.mark.parametrize(
    ("control", "select", "other"),
    [
        ("pawl", "0 B0 63 01\n0 B0 62 08", "3 B0 63 01\n3 B0 62 09"),
        ("windlass", "0 B0 65 00\n0 B0 64 02", "3 B0 65 00\n3 B0 64 01"),
        ("pawl", "0 B0 62 08\n0 B0 63 01", "3 B0 65 01\n3 B0 64 08"),
        ("pawl", "0 B0 63 01\n0 B0 62 08", "3 B0 65 7F\n3 B0 64 7F"),
    ],
)
def test_of_a_parameter_only_the_data_entry_changes(
    tmp_path: Path, control: str, select: str, other: str
) -> None:
    assert_plays(
        tmp_path,
        scale(f"control: {control}, to: [100, 0]"),
        f"""
        {select}
        -1   B0 06 7F
        +1   B0 06 00
        -1.1 B0 06 00
        +1.1 B0 06 64
        1.2  B0 26 05
        1.3  B0 60 00
        1.4  B1 06 7F     # nothing is selected on that channel
        1.5  B0 4A 10
        {other}
        4    B0 06 7F
        """,
        device=DEVICE,
    )


def test_a_sysex_control_is_scaled_and_other_sysex_is_not(tmp_path: Path) -> None:
    heard = play_chain(
        tmp_path,
        scale("control: drum, to: [10, 20]"),
        "0 F0 7D 10 7F F7\n1 F0 7D 11 7F F7\n2 F0 7D 10 7F 00 F7\n3 B2 06 7F",
        device=DEVICE,
    )
    assert heard == events("""
        0 F0 7D 10 14 F7
        1 F0 7D 11 7F F7
        2 F0 7D 10 7F 00 F7
        3 B2 06 7F
    """)


WRONG = {
    "control: 64, bits: 14, to: [0, 1]": "47: {}.bits: '64' has no fine half; "
    "write a control from 0 to 31, or bits: 7",
    "control: pawl, bits: 14, to: [0, 1]": "49: {}.bits: 'pawl' has no fine half; "
    "write a control from 0 to 31, or bits: 7",
    "control: 1, bits: 8, to: [0, 1]": "46: {}.bits: '8' is none of the choices; write 7 or 14",
    "control: 1, bits: 14, to: [0, 16384]": "58: {}.to[2]: '16384' is out of range; "
    "write 0 to 127 (16383 with 14 bits)",
    "control: 1, to: [0, 128]": "48: {}.to[2]: '128' is too high; write 0 to 127",
    "control: pawl, to: [0, 128]": "51: {}.to[2]: '128' is too high; write 0 to 127",
    "control: hawser, to: [0, 16383], from: [5, 5]": "67: {}.from: both ends are the same; "
    "write two values, such as [0, 127]",
}


@pytest.mark.parametrize("options", WRONG)
def test_wrong_options_are_refused(tmp_path: Path, options: str) -> None:
    found = problems(tmp_path, scale(options), device=DEVICE)
    assert says_what_is_right(found)
    assert found == [f"rig.yaml:8:{WRONG[options].format('outputs.tug.chain[1]')}"]
