"""Plugins on one output that work on the same controls, notes and time.

The page says what each entry does; that the order of the chain decides which has the last
word follows from "the ordered plugins that every message for one output passes through" (section
1). docs/plugins/lfo.md tells players which order they want. Control 74 (4A), home 64 (40).
"""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import pytest

from harness import Events, assert_plays, clocks, events, merge, play, play_chain

RESET = "{plugin: cc_reset, controls: {74: 64}}"
SQUARE = "{plugin: lfo, control: 74, channel: 1, wave: square, rate: 1Hz, depth: 10, center: %s}"
FOLLOW = SQUARE % "follow"
FIXED = SQUARE % "100"
SMOOTH = "{plugin: cc_smooth, control: 74, time: 40ms, interval: 10ms}"
THIN = "{plugin: cc_thin, per_second: 10}"


def chain(*entries: str) -> str:
    return "\n".join(f"- {entry}" for entry in entries)


# ---- cc_reset and lfo --------------------------------------------------------------------------


def test_cc_reset_before_lfo_follow_moves_its_center_and_brings_it_back(tmp_path: Path) -> None:
    """The step swings around its own value, the next step around home again."""
    assert_plays(
        tmp_path,
        chain(RESET, FOLLOW),
        """
        -0.1   B0 4A 14
        +0.1   B0 4A 1E    # 20 + 10
        0.101  90 3C 64
        0.2    80 3C 40
        +0.4   B0 4A 4A    # home 64 + 10
        0.4    90 3E 64
        +0.5   B0 4A 36    # 64 - 10
        0.6    80 3E 40
        """,
    )


def test_cc_reset_before_a_fixed_lfo_has_its_word_until_the_next_interval(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        chain(RESET, FIXED),
        """
        +0     B0 4A 6E    # 100 + 10
        0.101  B0 4A 14    # the step's own value passes
        0.102  90 3C 64
        +0.11  B0 4A 6E
        0.2    80 3C 40
        +0.401 B0 4A 40    # so does home
        0.401  90 3E 64
        +0.41  B0 4A 6E
        0.45   80 3E 40
        """,
    )


def test_cc_reset_behind_lfo_has_the_last_word_at_its_occasions(tmp_path: Path) -> None:
    """It takes the wave's values for changes, and sends them home at each note that owns none."""
    assert_plays(
        tmp_path,
        chain(FIXED, RESET),
        """
        +0     B0 4A 6E
        +0.1   B0 4A 40    # the value of 0.0 belongs to no note
        0.1    90 3C 64
        0.2    80 3C 40
        +0.5   B0 4A 5A    # the wave goes on: 100 - 10
        0.51   90 3E 64    # within the window: it is this note's
        0.6    80 3E 40
        +0.9   B0 4A 40
        0.9    90 40 64
        0.91   80 40 40
        """,
    )


def test_cc_reset_behind_lfo_follow_does_not_move_its_center(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        chain(FOLLOW, RESET),
        """
        -0.1   B0 4A 14
        +0.1   B0 4A 1E    # 20 + 10
        0.101  90 3C 64
        0.2    80 3C 40
        +0.4   B0 4A 40    # home, for now
        0.4    90 3E 64
        +0.5   B0 4A 0A    # 20 - 10
        0.51   80 3E 40
        """,
    )


# ---- cc_reset and cc_smooth --------------------------------------------------------------------


def test_cc_reset_before_cc_smooth_glides_home(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        chain(RESET, SMOOTH),
        """
        0.0    B0 4A 40
        -0.1   B0 4A 4C
        0.101  90 3C 64
        +0.11  B0 4A 43
        +0.12  B0 4A 46
        +0.13  B0 4A 49
        +0.14  B0 4A 4C
        0.2    80 3C 40
        # home is sent just before the note, and begins its way there
        0.4    90 3E 64
        +0.41  B0 4A 49
        +0.42  B0 4A 46
        +0.43  B0 4A 43
        +0.44  B0 4A 40
        0.5    80 3E 40
        """,
    )


def test_cc_reset_behind_cc_smooth_jumps_home(tmp_path: Path) -> None:
    """And the next way begins where cc_smooth left the control, which is why it should be last."""
    assert_plays(
        tmp_path,
        chain(SMOOTH, RESET),
        """
        0.0    B0 4A 40
        -0.1   B0 4A 4C
        +0.11  B0 4A 43
        +0.12  B0 4A 46
        +0.13  B0 4A 49
        +0.14  B0 4A 4C
        0.15   90 3C 64    # within the window of the last step
        0.2    80 3C 40
        +0.4   B0 4A 40
        0.4    90 3E 64
        0.5    80 3E 40
        """,
    )


# ---- lfo and cc_smooth -------------------------------------------------------------------------


def test_cc_smooth_behind_lfo_rounds_its_corners(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        chain(FIXED, SMOOTH),
        """
        +0     B0 4A 6E
        +0.51  B0 4A 69
        +0.52  B0 4A 64
        +0.53  B0 4A 5F
        +0.54  B0 4A 5A
        0.6    F6
        """,
    )


def test_lfo_follow_behind_cc_smooth_swings_around_the_way(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        chain(SMOOTH, FOLLOW),
        """
        -0.0   B0 4A 14
        +0.0   B0 4A 1E
        -0.1   B0 4A 18
        +0.11  B0 4A 1F
        +0.12  B0 4A 20
        +0.13  B0 4A 21
        +0.14  B0 4A 22
        0.2    F6
        """,
    )


# ---- all of them: a release leaves the control home --------------------------------------------

DEVICE = "device: Winch\nchannel: 1\ncontrols:\n  reel: {cc: 74, home: 64}\n"
WORKERS = {
    "cc_reset": "{plugin: cc_reset, controls: {reel: device}, after: 10s}",
    "lfo": "{plugin: lfo, control: reel, channel: 1, rate: 3Hz, depth: 40, center: %s, start: %s}",
    "cc_smooth": "{plugin: cc_smooth, control: reel, time: 2s}",
    "cc_thin": "{plugin: cc_thin, per_second: 3}",
}


@pytest.mark.parametrize("start", ["free", "note", "once"])
@pytest.mark.parametrize("center", ["follow", "90"])
@pytest.mark.parametrize(
    "order", list(permutations(["cc_reset", "lfo", "cc_smooth"])), ids=", ".join
)
def test_a_release_leaves_the_control_home_in_every_order(
    tmp_path: Path, order: tuple[str, ...], center: str, start: str
) -> None:
    entries = [WORKERS[name] for name in (*order, "cc_thin")]
    text = chain(*entries).replace("center: %s, start: %s", f"center: {center}, start: {start}")
    log = "0 B0 4A 10\n0.1 90 3C 64\n0.3 B0 4A 7F\n0.31 80 3C 40\n0.33 F6"
    heard = play_chain(tmp_path, text, log, device=DEVICE, on_exit="release")
    assert [data for _, data in heard if data.startswith("B0 4A")][-1] == "B0 4A 40"


# ---- cc_map, cc_thin and lfo -------------------------------------------------------------------


def test_an_lfo_bends_through_cc_map_and_a_release_centres_the_bend(tmp_path: Path) -> None:
    lfo = "{plugin: lfo, control: 1, channel: 1, wave: square, rate: 1Hz, depth: 63, center: 64}"
    text = chain(lfo, "{plugin: cc_map, map: {1: {bend: true}}}")
    assert play_chain(tmp_path, text, "0.6 F6", on_exit="release") == events("""
        0    E0 7F 7F
        0.5  E0 00 01
        0.6  F6
        0.6  E0 00 40
    """)


def test_cc_thin_thins_an_lfo_and_no_note_is_overtaken(tmp_path: Path) -> None:
    lfo = "{plugin: lfo, control: 74, channel: 1, wave: ramp_up, rate: 1Hz, depth: 50, center: 64}"
    assert play_chain(tmp_path, chain(lfo, THIN), "0.055 90 3C 64\n0.3 80 3C 40") == events("""
        0      B0 4A 0E
        0.055  B0 4A 13    # the wave at 0.05
        0.055  90 3C 64
        0.155  B0 4A 1D    # at 0.15
        0.255  B0 4A 27
        0.3    80 3C 40
    """)


# ---- drum_map and channel_select ---------------------------------------------------------------

SELECT = "{plugin: channel_select, control: 20, from_channel: 10, to: {1: 5, 2: 6}}"
MOVING_SELECT = SELECT[:-1] + ", also: [control]}"
DRUMS = "{plugin: drum_map, notes: {36: {note: 60, controls: {74: 20}}}}"


def test_drum_map_behind_channel_select_plays_on_the_picked_channel(tmp_path: Path) -> None:
    """Its controls, its note-off and its return stay on the channel that the hit had."""
    assert_plays(
        tmp_path,
        chain(SELECT, DRUMS),
        """
        0.0  B4 4A 40
        0.0  B5 4A 50
        -0.1 B9 14 01
        -0.2 99 24 64
        +0.2 B4 4A 14
        +0.2 94 3C 64
        -0.3 B9 14 02
        -0.4 99 24 65
        +0.4 B5 4A 14
        +0.4 95 3C 65
        -0.5 89 24 40
        +0.5 B4 4A 40
        +0.5 84 3C 40
        -0.6 89 24 40
        +0.6 B5 4A 50
        +0.6 85 3C 40
        """,
    )


def test_channel_select_behind_drum_map_moves_the_sound(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        chain(DRUMS, MOVING_SELECT),
        """
        -0.0 B9 14 01
        -0.1 B9 4A 40
        +0.1 B4 4A 40
        -0.2 99 24 64
        +0.2 B4 4A 14
        +0.2 94 3C 64
        -0.5 89 24 40
        +0.5 B4 4A 40
        +0.5 84 3C 40
        """,
    )


def test_a_note_that_is_held_over_a_pick_hangs_in_neither_order(tmp_path: Path) -> None:
    log = "0 B9 14 01\n0.1 99 24 64\n0.2 B9 14 02\n0.3 89 24 40\n0.4 B9 14 01"
    for entries in ((SELECT, DRUMS), (DRUMS, SELECT), (DRUMS, MOVING_SELECT)):
        heard = play_chain(tmp_path, chain(*entries), log)
        assert ("0.300000", "84 3C 40") in heard
        assert [data[0] for _, data in heard].count("9") == 1


# ---- the song ----------------------------------------------------------------------------------

EVERYTHING = chain(
    "{plugin: cc_reset, controls: {71: 64}, after: 1/4, when: []}",
    "{plugin: cc_smooth, control: 72, time: 1/4, interval: 100ms}",
    "{plugin: drum_map, notes: {36: {controls: {73: 20}}}, return: 1/4}",
    "{plugin: lfo, control: 74, channel: 1, wave: ramp_up, rate: 1/4, depth: 48, center: 64, "
    "start: once, interval: 100ms}",
)
STEP = """
    {t} B0 48 08
    {t} B0 47 08
    {t} 90 24 64
"""


def controls(heard: Events) -> dict[int, list[tuple[str, int]]]:
    found: dict[int, list[tuple[str, int]]] = {71: [], 72: [], 73: [], 74: []}
    for t, data in heard:
        if data.startswith("B0"):
            _, number, value = bytes.fromhex(data)
            found[number].append((t, value))
    return found


ENDS = {
    "the clock runs on": (clocks(0, 10, 100), "0.740000"),
    "the clock dies in mid-song": (clocks(0, 10, 55), "0.740000"),
    "the clock slows down": (clocks(0, 10, 55) + "\n" + clocks(0.56, 20, 30), "0.940000"),
    "Stop, and the clock goes on": (merge(clocks(0, 10, 100), "0.6 FC"), "0.740000"),
    "Stop and Continue": (merge(clocks(0, 10, 100), "0.6 FC\n0.7 FB"), "0.740000"),
    "Stop, Song Position, Continue": (
        merge(clocks(0, 10, 100), "0.6 FC\n0.61 F2 10 00\n0.62 FB"),
        "0.740000",
    ),
}


@pytest.mark.parametrize("case", ENDS)
def test_note_values_end_where_they_should_and_nothing_hangs(tmp_path: Path, case: str) -> None:
    """A quarter note from 0.5: 24 clocks of 10 ms, or what the clock made of them."""
    song, end = ENDS[case]
    before = "0 FA\n0 B0 48 00\n0 B0 49 40"
    log = merge(before, song, STEP.replace("{t}", "0.5"), "1.5 80 24 40\n2 F6")
    heard = controls(play_chain(tmp_path, EVERYTHING, log))
    assert heard[71][-1] == (end, 64)
    assert heard[72][-1] == (end, 8)
    assert heard[73][-1] == (end, 64)
    # The wave reaches the end of its period at an interval, and holds.
    last_s, last = heard[74][-1]
    assert last == 112
    assert float(end) <= float(last_s) <= float(end) + 0.1


def test_lfo_follow_over_stop_and_continue_with_a_release_at_stop(tmp_path: Path) -> None:
    rig = f"""
        input: {{port: "null:"}}
        safety: {{on_transport_stop: release, on_exit: none}}
        outputs:
          tug:
            port: "null:"
            chain:
              - {RESET}
              - {FOLLOW[:-1]}, run: transport}}
    """
    log = """
        0    B0 4A 14
        0.5  FA
        1.2  FC
        1.5  B0 4A 18
        2    FB
        2.1  90 3C 64
        3    FC
    """
    assert play(tmp_path, rig, log)["tug"] == events("""
        0    B0 4A 14
        0.5  B0 4A 1E    # 20 + 10, just before Start
        0.5  FA
        1.0  B0 4A 0A    # 20 - 10
        1.2  B0 4A 40    # cc_reset stands first: at Stop it sends home
        1.2  FC
        1.5  B0 4A 18    # passes while the song is stopped
        2    B0 4A 0E    # 24 - 10: the wave goes on at 0.7 of its period
        2    FB
        2.1  B0 4A 36    # the note sends home: 64 - 10
        2.1  90 3C 64
        2.3  B0 4A 4A    # 64 + 10
        2.8  B0 4A 36
        3    B0 4A 40    # the lfo's own return at Stop, and then the release
        3    80 3C 40
        3    FC
    """)


def test_a_render_does_not_wait_for_what_an_lfo_keeps_alive(tmp_path: Path) -> None:
    """docs/commands.md: until nothing is due any more, an lfo aside."""
    waiting = "{plugin: cc_reset, controls: {74: 64}, after: 1s, when: []}"
    heard = play_chain(tmp_path, chain(FIXED, waiting, SMOOTH), "0.7 F6")
    assert heard[-1] == ("0.700000", "F6")


def test_a_render_waits_for_what_the_player_began_beside_an_lfo(tmp_path: Path) -> None:
    waiting = "{plugin: cc_reset, controls: {71: 64}, after: 1s, when: []}"
    heard = play_chain(tmp_path, chain(FIXED, waiting), "0.7 B0 47 05")
    assert heard[-1] == ("1.700000", "B0 47 40")
