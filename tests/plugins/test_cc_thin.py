"""cc_thin held to its page in docs/plugins, and to what a note needs of its controls.

At the default of 100 a second a control may have a value each 10 ms. What is marked "documented"
is a choice of ours; docs/plugins/cc_thin.md says it.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from harness import (
    ONE_OF_EACH,
    assert_plays,
    events,
    play,
    play_chain,
    problems,
    says_what_is_right,
)

THIN = "- {plugin: cc_thin}"


def thin(options: str) -> str:
    return f"- {{plugin: cc_thin, {options}}}"


TABLES = {
    "the first passes at once, what comes sooner waits, the newest is delivered": """
        0.000  B0 4A 01
        -0.002 B0 4A 02
        -0.004 B0 4A 03
        -0.008 B0 4A 04
        +0.010 B0 4A 04
        -0.012 B0 4A 05
        +0.020 B0 4A 05
    """,
    "exactly the time later is not too soon": """
        0.000  B0 4A 01
        0.010  B0 4A 02
        0.020  B0 4A 03
        -0.029999 B0 4A 04
        +0.030 B0 4A 04
    """,
    "after a pause the first passes at once again": """
        0.000  B0 4A 01
        -0.001 B0 4A 02
        +0.010 B0 4A 02
        1.000  B0 4A 03
    """,
    "each control for itself": """
        0.000  B0 4A 01
        0.001  B0 4B 01
        -0.002 B0 4A 02
        -0.003 B0 4B 02
        +0.010 B0 4A 02
        +0.011 B0 4B 02
    """,
    "each channel for itself": """
        0.000  B0 4A 01
        0.001  B1 4A 01
        -0.002 B0 4A 02
        +0.010 B0 4A 02
    """,
    "a repeat is left out": """
        0.000  B0 4A 01
        -1.000 B0 4A 01
        2.000  B0 4A 02
        -2.001 B0 4A 02
    """,
    "back to what the synth has: nothing waits any more": """
        0.000  B0 4A 01
        -0.002 B0 4A 02
        -0.004 B0 4A 01
        1.000  B0 4A 02
    """,
    "a note is not overtaken by its own control": """
        0.000  B0 4A 01
        -0.003 B0 4A 02
        +0.004 B0 4A 02
        0.004  90 3C 64
        -0.006 B0 4A 03
        +0.014 B0 4A 03
    """,
    "controls of other channels go on waiting": """
        0.000  B0 4A 01
        -0.003 B0 4A 02
        0.004  91 3C 64
        +0.010 B0 4A 02
    """,
    "several go before the note in the order in which they began to wait": """
        0.000  B0 4A 01
        0.000  B0 4B 01
        -0.001 B0 4B 02
        -0.002 B0 4A 02
        -0.003 B0 4B 03
        +0.004 B0 4B 03
        +0.004 B0 4A 02
        0.004  90 3C 64
    """,
    "a note-off waits for nothing (documented)": """
        0.000  90 3C 64
        0.000  B0 4A 01
        -0.003 B0 4A 02
        0.004  80 3C 40
        0.005  90 3C 00
        +0.010 B0 4A 02
    """,
    "a program change comes after what waits, and makes every value new": """
        0.000  B0 4A 01
        -0.003 B0 4A 02
        +0.004 B0 4A 02
        0.004  C0 05
        1.000  B0 4A 02
    """,
    "so does Reset All Controllers": """
        0.000  B0 4A 01
        -0.003 B0 4A 02
        +0.004 B0 4A 02
        0.004  B0 79 00
        1.000  B0 4A 02
    """,
    "other mode messages do not": """
        0.000  B0 4A 01
        -0.003 B0 4A 02
        0.004  B0 7B 00
        +0.010 B0 4A 02
    """,
    "a fine half brings its coarse half along, and repeats count again": """
        0.000  B0 01 05
        0.000  B0 21 10
        -0.002 B0 01 06
        -0.003 B0 4A 01
        +0.003 B0 4A 01
        +0.004 B0 01 06
        0.004  B0 21 20
        # the coarse half alone sets the fine one to 0 (MIDI 1.0, Table II, note 4)
        -0.006 B0 01 06
        +0.014 B0 01 06
    """,
}


@pytest.mark.parametrize("case", TABLES)
def test_thinning(tmp_path: Path, case: str) -> None:
    assert_plays(tmp_path, THIN, TABLES[case])


EXEMPT = {
    0: "bank select", 32: "bank select", 6: "data entry", 38: "data entry", 96: "increment",
    97: "decrement", 98: "NRPN", 99: "NRPN", 100: "RPN", 101: "RPN", 64: "damper",
    66: "sostenuto", 67: "soft pedal", 69: "hold 2", 33: "fine half", 63: "fine half",
    84: "portamento control", 88: "high resolution velocity",
}  # fmt: skip


@pytest.mark.parametrize("control", EXEMPT, ids=str)
def test_some_controls_are_never_thinned(tmp_path: Path, control: int) -> None:
    lines = "\n".join(f"0.00{n} B0 {control:02X} {n // 2:02X}" for n in range(10))
    assert_plays(tmp_path, THIN, lines)


def test_every_other_control_is(tmp_path: Path) -> None:
    for control in set(range(120)) - {*EXEMPT, *range(32, 64)}:
        log = f"0 B0 {control:02X} 01\n0.001 B0 {control:02X} 02\n0.002 B0 {control:02X} 03"
        assert play_chain(tmp_path, THIN, log) == events(
            f"0 B0 {control:02X} 01\n0.01 B0 {control:02X} 03"
        )


@pytest.mark.parametrize("per_second", [1, 3, 30, 100, 999])
def test_a_dense_stream_keeps_to_the_rate_and_ends_on_its_last_value(
    tmp_path: Path, per_second: int
) -> None:
    log = "\n".join(f"{n / 1000:.3f} B0 4A {n * 7 % 128:02X}" for n in range(3000))
    heard = play_chain(tmp_path, thin(f"per_second: {per_second}"), log)
    times = [float(t) for t, _ in heard]
    assert all(b - a >= 1 / per_second - 1e-6 for a, b in pairwise(times))
    assert len(heard) >= 3 * min(per_second, 500)
    assert heard[-1][1] == f"B0 4A {2999 * 7 % 128:02X}"


def test_repeats_pass_where_they_may(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        thin("drop_repeats: false"),
        """
        0.000  B0 4A 01
        1.000  B0 4A 01
        -1.002 B0 4A 01
        +1.010 B0 4A 01
        """,
    )


def test_only_the_named_controls(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        thin("controls: [brightness, 7], per_second: 10"),
        """
        0.00  B0 4A 01
        0.00  B0 07 01
        0.00  B0 4B 01
        0.01  B0 4B 02
        -0.01 B0 4A 02
        -0.01 B0 07 02
        +0.10 B0 4A 02
        +0.10 B0 07 02
        """,
    )


def test_set_to_change_nothing_it_changes_nothing(tmp_path: Path) -> None:
    log = ONE_OF_EACH + "\n".join(f"0.{n:03d} B0 07 10" for n in range(100, 120))
    assert_plays(tmp_path, thin("drop_repeats: false, per_second: 10000"), log)


def test_a_release_delivers_what_waits_and_begins_again(tmp_path: Path) -> None:
    rig = """
        input: {port: "null:"}
        safety: {on_transport_stop: release, on_exit: none}
        outputs:
          tug:
            port: "null:"
            chain: [{plugin: cc_thin, per_second: 1}]
    """
    log = "0 B0 4A 01\n0.1 B0 4A 02\n0.2 FC\n0.3 B0 4A 02"
    assert play(tmp_path, rig, log)["tug"] == events("""
        0    B0 4A 01
        0.2  B0 4A 02
        0.2  FC
        0.3  B0 4A 02
    """)


# ---- controls that are reached otherwise -------------------------------------------------------

DEVICE = """
device: Capstan
channel: 3
controls:
  hawser: {cc: 1, fine: 33}
  pawl: {nrpn: [1, 8]}
  drum: {sysex: "F0 7D 10 {value} F7"}
"""


def test_an_nrpn_is_thinned_and_the_stream_keeps_its_own_parameter(tmp_path: Path) -> None:
    log = """
        0     B0 63 01
        0     B0 62 08
        0     B0 06 10
        0.001 B0 06 11
        0.002 B0 65 00
        0.002 B0 64 02
        0.003 B0 06 12     # another parameter: untouched
        0.004 B0 26 00
    """
    heard = play_chain(tmp_path, thin("controls: [pawl]"), log, device=DEVICE)
    assert heard == events("""
        0     B0 63 01
        0     B0 62 08
        0     B0 06 10
        0.002 B0 65 00
        0.002 B0 64 02
        0.003 B0 06 12
        0.004 B0 26 00
        0.01  B0 63 01
        0.01  B0 62 08
        0.01  B0 06 11
        0.01  B0 65 00
        0.01  B0 64 02
    """)


def test_the_fine_half_of_a_thinned_nrpn_comes_after_its_coarse_half(tmp_path: Path) -> None:
    log = "0 B0 63 01\n0 B0 62 08\n0 B0 06 10\n0.001 B0 06 11\n0.002 B0 26 05"
    heard = play_chain(tmp_path, thin("controls: [pawl]"), log, device=DEVICE)
    assert heard[3:] == events("""
        0.002 B0 63 01
        0.002 B0 62 08
        0.002 B0 06 11
        0.002 B0 26 05
    """)


def test_a_pair_of_the_device_is_thinned_as_one(tmp_path: Path) -> None:
    log = "0 B0 01 10\n0.001 B0 21 01\n0.002 B0 01 11\n0.003 B0 21 02"
    heard = play_chain(tmp_path, thin("controls: [hawser]"), log, device=DEVICE)
    assert heard == events("""
        0     B0 01 10
        0.01  B0 01 11
        0.01  B0 21 02
    """)


def test_a_sysex_control_is_thinned(tmp_path: Path) -> None:
    log = "0 F0 7D 10 01 F7\n0.001 F0 7D 10 02 F7\n0.002 F0 7D 10 03 F7\n0.003 F0 7D 11 01 F7"
    heard = play_chain(tmp_path, thin("controls: [drum]"), log, device=DEVICE)
    assert heard == events("""
        0     F0 7D 10 01 F7
        0.003 F0 7D 11 01 F7
        0.01  F0 7D 10 03 F7
    """)


# ---- wrong options -----------------------------------------------------------------------------

WRONG = {
    "per_second: 0": "39: {}.per_second: '0' is out of range; write 1 to 10000",
    "drop_repeats: perhaps": "41: {}.drop_repeats: 'perhaps' is neither true nor false; "
    "write true or false",
    "controls: []": "37: {}.controls: nothing stands here; write at least one",
    "controls: [74, damper_pedal]": "42: {}.controls[2]: 'damper_pedal' is never thinned, "
    "being a pedal that holds notes; take it out",
    "controls: [0]": "38: {}.controls[1]: '0' is never thinned, being part of a sequence; "
    "take it out",
    "controls: [88]": "38: {}.controls[1]: '88' is never thinned, "
    "being meant for the very next note; take it out",
}


@pytest.mark.parametrize("options", WRONG)
def test_wrong_options_are_refused(tmp_path: Path, options: str) -> None:
    found = problems(tmp_path, thin(options))
    assert says_what_is_right(found)
    assert found == [f"rig.yaml:7:{WRONG[options].format('outputs.tug.chain[1]')}"]
