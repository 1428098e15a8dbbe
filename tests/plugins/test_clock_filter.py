"""clock_filter held to its page in docs/plugins; the song's rules are MIDI 1.0, pp. 27-32.

Clocks stand at whole tenths of a second, so that a table shows at a glance which ones pass.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, play_chain, problems, says_what_is_right

TABLES = {
    "by default all passes": ("channels: [1]", ONE_OF_EACH),
    "clock: drop keeps out the clock alone": (
        "clock: drop",
        """
        0.0  FA
        -0.1 F8
        -0.2 F8
        0.3  90 3C 64
        0.4  80 3C 40
        0.5  FC
        0.6  F2 04 00
        0.7  FB
        -0.8 F8
        """,
    ),
    "transport: drop keeps out Start, Continue, Stop and Song Position alone": (
        "transport: drop",
        """
        -0.0 FA
        0.1  F8
        -0.2 FC
        -0.3 F2 04 00
        -0.4 FB
        0.5  F8
        0.6  F3 07
        0.7  F1 25
        0.8  F6
        """,
    ),
    "both": (
        "clock: drop, transport: drop",
        """
        -0.0 FA
        -0.1 F8
        0.2  90 3C 64
        0.3  80 3C 40
        -0.4 FC
        """,
    ),
    "pass may be written": ("clock: pass, transport: pass, divide: 1", "0 FA\n0.1 F8\n0.2 F8"),
    "divide 2: after Start the first clock passes and then every second": (
        "divide: 2",
        """
        0.0  FA
        0.1  F8
        -0.2 F8
        0.3  F8
        -0.4 F8
        0.5  F8
        """,
    ),
    "divide 3": (
        "divide: 3",
        """
        0.0  FA
        0.1  F8
        -0.2 F8
        -0.3 F8
        0.4  F8
        -0.5 F8
        -0.6 F8
        0.7  F8
        """,
    ),
    "Start at the time of the first clock": (
        "divide: 2",
        """
        0.1  FA
        0.1  F8
        -0.2 F8
        0.3  F8
        """,
    ),
    "a second Start begins again": (
        "divide: 4",
        """
        0.0  FA
        0.1  F8
        -0.2 F8
        0.3  FC
        0.4  FA
        0.5  F8
        -0.6 F8
        -0.7 F8
        -0.8 F8
        0.9  F8
        """,
    ),
    "Start begins again whatever ran before it": (
        "divide: 2",
        """
        0.1  F8
        -0.2 F8
        0.3  F8
        0.35 FA
        0.4  F8
        -0.5 F8
        0.6  F8
        """,
    ),
    "Continue goes on in the phase of the song": (
        "divide: 4",
        """
        0.0  FA
        0.1  F8
        -0.2 F8
        -0.3 F8
        -0.4 F8
        0.5  F8
        -0.6 F8
        0.7  FC
        0.8  FB
        -0.9 F8
        -1.0 F8
        1.1  F8
        """,
    ),
    "Song Position 0 and Continue are a Start": (
        "divide: 4",
        """
        0.0  FA
        0.1  F8
        -0.2 F8
        0.3  FC
        0.4  F2 00 00
        0.5  FB
        0.6  F8
        -0.7 F8
        -0.8 F8
        -0.9 F8
        1.0  F8
        """,
    ),
    "Song Position 1 is 6 clocks into the song: 2 of 4": (
        "divide: 4",
        """
        0.0  F2 01 00
        0.1  FB
        -0.2 F8
        -0.3 F8
        0.4  F8
        -0.5 F8
        """,
    ),
    "Song Position 2 is 12 clocks into the song: 0 of 4": (
        "divide: 4",
        """
        0.0  F2 02 00
        0.1  FB
        0.2  F8
        -0.3 F8
        -0.4 F8
        -0.5 F8
        0.6  F8
        """,
    ),
    "Song Position counts its high bits: 128 is 768 clocks, 3 of 5": (
        "divide: 5",
        """
        0.0  F2 00 01
        0.1  FB
        -0.2 F8
        -0.3 F8
        0.4  F8
        """,
    ),
    "the phase is the song's though transport is kept out": (
        "divide: 2, transport: drop",
        """
        0.1  F8
        -0.2 F8
        0.3  F8
        -0.35 FA
        0.4  F8
        -0.5 F8
        -0.6 FC
        -0.7 F2 01 00
        -0.8 FB
        0.9  F8
        -1.0 F8
        """,
    ),
    "clock: drop wins over divide": ("clock: drop, divide: 2", "0.0 FA\n-0.1 F8\n-0.2 F8"),
    "documented: clocks after Stop stay evenly divided, and the song has its phase again": (
        "divide: 3",
        """
        0.0  FA
        0.1  F8
        0.15 FC
        -0.2 F8
        -0.3 F8
        0.4  F8
        -0.5 F8
        0.55 FB
        -0.6 F8
        -0.7 F8
        0.8  F8
        """,
    ),
    "channels: clock and transport have none, so they pass untouched": (
        "clock: drop, transport: drop, divide: 2, channels: [1]",
        """
        0.0  FA
        0.1  F8
        0.2  F8
        0.3  FC
        """,
    ),
    "bypass: all passes": (
        "clock: drop, transport: drop, bypass: true",
        """
        0.0  FA
        0.1  F8
        0.2  FC
        """,
    ),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_which_clock_and_transport_pass(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: clock_filter, {options}}}", table)


def test_an_entry_without_options_changes_nothing(tmp_path: Path) -> None:
    assert_plays(tmp_path, "- {plugin: clock_filter}", ONE_OF_EACH)


@pytest.mark.parametrize("divide", [2, 3, 4, 6, 7, 24])
def test_every_nth_clock_of_the_song_passes(tmp_path: Path, divide: int) -> None:
    log = "\n".join(["0 FA", *(f"{n / 100:.2f} F8" for n in range(1, 100))])
    chain = f"- {{plugin: clock_filter, divide: {divide}, transport: drop}}"
    expected = [(f"{n / 100:.6f}", "F8") for n in range(1, 100, divide)]
    assert play_chain(tmp_path, chain, log) == expected


def test_entries_after_it_count_the_clock_that_came_in(tmp_path: Path) -> None:
    """A duration of 6 clocks is 6 clocks of the input, whatever this output gets."""
    chain = """
        - {plugin: clock_filter, divide: 4}
        - {plugin: cc_reset, controls: {74: 30}, after: 6 clocks}
    """
    table = """
        0.0   FA
        0.1   F8
        0.11  B0 4A 7F
        -0.2  F8
        -0.3  F8
        -0.4  F8
        0.5   F8
        -0.6  F8
        +0.7  B0 4A 1E
        -0.7  F8
    """
    assert_plays(tmp_path, chain, table)


def test_label_is_shown_for_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play_chain(tmp_path, "- {plugin: clock_filter, clock: drop, label: no tide}", "0 F8")
    assert "no tide" in capsys.readouterr().out


ERRORS = {
    "divide too low": (
        "- {plugin: clock_filter, divide: 0}",
        "rig.yaml:7:40: outputs.tug.chain[1].divide: '0' is out of range; write 1 to 9999",
    ),
    "divide is no whole number": (
        "- {plugin: clock_filter, divide: 1.5}",
        "rig.yaml:7:40: outputs.tug.chain[1].divide: '1.5' is not a whole number; write 1 to 9999",
    ),
    "a word that is none": (
        "- {plugin: clock_filter, clock: paas}",
        "rig.yaml:7:39: outputs.tug.chain[1].clock: 'paas' is none of the choices; did you mean "
        "'pass'?",
    ),
    "a word that is none, and near none": (
        "- {plugin: clock_filter, transport: thru}",
        "rig.yaml:7:43: outputs.tug.chain[1].transport: 'thru' is none of the choices; write "
        "pass or drop",
    ),
    "a misspelt option": (
        "- {plugin: clock_filter, trnsport: drop}",
        "rig.yaml:7:32: outputs.tug.chain[1].trnsport: unknown key; did you mean 'transport'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    assert problems(tmp_path, chain) == [line]


@pytest.mark.parametrize("chain", [chain for chain, _ in ERRORS.values()], ids=ERRORS)
def test_every_error_line_says_what_would_be_right(tmp_path: Path, chain: str) -> None:
    assert says_what_is_right(problems(tmp_path, chain))
