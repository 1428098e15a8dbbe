"""cc_reset with controls that the synth reaches by a 14-bit pair, NRPN, RPN or SysEx.

The occasions are those of docs/plugins, as in test_cc_reset.py; here it is about what
comes in and goes out for such a control, and about the stream's own parameter (rule 6).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import assert_plays, play_chain, problems, says_what_is_right

DEVICE = """
device: Capstan
channel: 1
controls:
  hawser: {cc: 1, fine: 33, home: 8192}
  pawl: {nrpn: [1, 8], home: 64}
  windlass: {rpn: [0, 2], home: 64}
  drum: {sysex: "F0 7D 10 {value} F7", home: 64}
"""


def reset(control: str, options: str = "") -> str:
    home = control if ":" in control else f"{control}: device"
    return f"- {{plugin: cc_reset, controls: {{{home}}}{', ' if options else ''}{options}}}"


PAIR = {
    "coarse and fine are one value, and home is a pair": """
        0.000  B0 01 7F
        0.001  B0 21 10
        0.002  90 3C 64
        0.500  80 3C 40
        +1.000 B0 01 40
        +1.000 B0 21 00
        1.000  90 3E 64
    """,
    "the coarse half alone is a value": """
        0.000  B0 01 7F
        0.002  90 3C 64
        +1.000 B0 01 40
        +1.000 B0 21 00
        1.000  90 3E 64
    """,
    "away by its fine half only": """
        0.000  B0 01 40
        0.001  B0 21 01
        0.002  90 3C 64
        +1.000 B0 01 40
        +1.000 B0 21 00
        1.000  90 3E 64
    """,
    "home already": """
        0.000  B0 01 7F
        0.001  B0 01 40
        0.002  90 3C 64
        1.000  90 3E 64
    """,
    "a pair that is home in both halves": """
        0.000  B0 01 40
        0.001  B0 21 00
        0.002  90 3C 64
        1.000  90 3E 64
    """,
}


@pytest.mark.parametrize("case", PAIR)
def test_a_pair(tmp_path: Path, case: str) -> None:
    assert_plays(tmp_path, reset("hawser"), PAIR[case], device=DEVICE)


def test_a_home_of_fourteen_bits(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        reset("hawser: 16383"),
        """
        0.000  B0 01 7F
        0.001  B0 21 10
        0.002  90 3C 64
        +1.000 B0 01 7F
        +1.000 B0 21 7F
        1.000  90 3E 64
        """,
        device=DEVICE,
    )


def test_a_pair_is_learnt_with_both_halves(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        reset("hawser: learn"),
        """
        0.000  B0 01 20
        0.001  B0 21 11    # moved by hand: 32, 17 is home
        1.000  B0 01 7F
        1.001  90 3C 64
        +2.000 B0 01 20
        +2.000 B0 21 11
        2.000  90 3E 64
        """,
        device=DEVICE,
    )


PARAMETERS = {
    "nrpn: number, then value": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 08
        0.000  B0 06 7F
        0.002  90 3C 64
        +1.000 B0 63 01
        +1.000 B0 62 08
        +1.000 B0 06 40
        1.000  90 3E 64
        """,
    ),
    "rpn": (
        "windlass",
        """
        0.000  B0 65 00
        0.000  B0 64 02
        0.000  B0 06 7F
        0.002  90 3C 64
        +1.000 B0 65 00
        +1.000 B0 64 02
        +1.000 B0 06 40
        1.000  90 3E 64
        """,
    ),
    "the number stays selected, and a second value needs no number": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 08
        0.000  B0 06 40
        1.000  B0 06 7F
        1.002  90 3C 64
        +2.000 B0 63 01
        +2.000 B0 62 08
        +2.000 B0 06 40
        2.000  90 3E 64
        """,
    ),
    "the stream's own parameter is selected again": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 08
        0.000  B0 06 7F
        0.002  90 3C 64
        0.500  B0 65 00
        0.500  B0 64 01
        +1.000 B0 63 01
        +1.000 B0 62 08
        +1.000 B0 06 40
        +1.000 B0 65 00
        +1.000 B0 64 01
        1.000  90 3E 64
        1.100  B0 06 41
        """,
    ),
    "127 is a fine half like any other": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 08
        0.000  B0 06 7F
        0.002  90 3C 64
        0.500  B0 63 05
        0.500  B0 62 7F
        +1.000 B0 63 01
        +1.000 B0 62 08
        +1.000 B0 06 40
        +1.000 B0 63 05
        +1.000 B0 62 7F
        1.000  90 3E 64
        """,
    ),
    "after the null number none is selected again": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 08
        0.000  B0 06 7F
        0.000  B0 65 7F
        0.000  B0 64 7F
        0.002  90 3C 64
        +1.000 B0 63 01
        +1.000 B0 62 08
        +1.000 B0 06 40
        1.000  90 3E 64
        """,
    ),
    "data entry for another parameter is not ours": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 09
        0.000  B0 06 7F
        0.001  B0 65 01
        0.001  B0 64 08
        0.001  B0 06 7F
        0.002  90 3C 64
        1.000  90 3E 64
        """,
    ),
    "channels have parameters of their own": (
        "pawl",
        """
        0.000  B0 63 01
        0.000  B0 62 08
        0.000  B1 06 7F
        0.002  91 3C 64
        1.000  91 3E 64
        1.100  90 3E 64
        """,
    ),
}


@pytest.mark.parametrize("case", PARAMETERS)
def test_a_parameter(tmp_path: Path, case: str) -> None:
    control, table = PARAMETERS[case]
    assert_plays(tmp_path, reset(control), table, device=DEVICE)


def test_a_number_that_is_half_sent_stays_whole(tmp_path: Path) -> None:
    """Home between the two halves of the stream's number: its data entry must still be its own."""
    log = """
        0.000 B0 63 01
        0.000 B0 62 08
        0.000 B0 06 7F
        0.499 B0 63 02
        0.501 B0 62 05
        0.501 B0 06 11
    """
    synth: dict[int, int] = {}
    entries = []
    chain = reset("pawl", "after: 500ms, when: []")
    for _, data in play_chain(tmp_path, chain, log, device=DEVICE):
        _, number, value = bytes.fromhex(data)
        synth[number] = value
        if number == 6:
            entries.append((synth[99], synth[98], value))
    assert entries == [(1, 8, 0x7F), (1, 8, 0x40), (2, 5, 0x11)]


SYSEX = {
    "the note on the device's channel is its owner, and the next sends it home": """
        0.000  F0 7D 10 7F F7
        0.001  90 3C 64
        0.500  91 3C 64      # another channel
        +1.000 F0 7D 10 40 F7
        1.000  90 3E 64
    """,
    "other SysEx is not ours": """
        0.000  F0 7D 11 7F F7
        0.001  90 3C 64
        1.000  90 3E 64
    """,
}


@pytest.mark.parametrize("case", SYSEX)
def test_sysex(tmp_path: Path, case: str) -> None:
    assert_plays(tmp_path, reset("drum"), SYSEX[case], device=DEVICE)


AWAY = {
    "hawser": ("0 B0 01 7F", ["B0 01 40", "B0 21 00"]),
    "pawl": ("0 B0 63 01\n0 B0 62 08\n0 B0 06 7F", ["B0 63 01", "B0 62 08", "B0 06 40"]),
    "drum": ("0 F0 7D 10 7F F7", ["F0 7D 10 40 F7"]),
}


@pytest.mark.parametrize("control", AWAY)
@pytest.mark.parametrize(
    ("options", "then", "at"),
    [
        ("after: 100ms, when: []", "1 F6", "0.100000"),
        ("when: [stop]", "1 FC", "1.000000"),
        ("when: [note_off]", "0.001 90 3C 64\n1 80 3C 40", "1.000000"),
        ("when: [next_note]", "0.5 90 3C 64", "0.500000"),
    ],
)
def test_every_occasion(tmp_path: Path, control: str, options: str, then: str, at: str) -> None:
    log, home = AWAY[control]
    heard = play_chain(tmp_path, reset(control, options), f"{log}\n{then}", device=DEVICE)
    sent = [data for t, data in heard if t == at and data in home]
    assert sent == home
    assert len(heard) == len(log.splitlines()) + len(then.splitlines()) + len(home)


@pytest.mark.parametrize("control", AWAY)
def test_a_release_sends_it_home(tmp_path: Path, control: str) -> None:
    log, home = AWAY[control]
    chain = reset(control, "when: [stop]")
    heard = play_chain(tmp_path, chain, log, device=DEVICE, on_exit="release")
    assert [data for _, data in heard[-len(home) :]] == home


def test_a_home_above_what_the_control_can_have_is_refused(tmp_path: Path) -> None:
    found = problems(tmp_path, reset("pawl: 128"), device=DEVICE)
    assert says_what_is_right(found)
    assert found == [
        "rig.yaml:8:45: outputs.tug.chain[1].controls.pawl: the home 128 is too high; "
        "write 0 to 127"
    ]
