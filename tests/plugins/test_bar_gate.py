"""bar_gate held to its page in docs/plugins. How the song is counted is that of MIDI 1.0, 4.2.1:
the first clock after Start is position 0 (p. 30), a Song Position beat is 6 clocks (p. 27), and
Continue goes on with the next clock (p. 31).

The clock of these tests comes every 10 ms, so that the bar of 96 clocks lasts 0.96 s. `Song`
writes the log: notes are given by the clock after which they come.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from harness import ONE_OF_EACH, Events, assert_plays, play_chain, problems, says_what_is_right


class Song:
    """An input that plays a song, written clock by clock."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.now_ms = 0

    def send(self, *messages: str) -> Song:
        """Messages that come now."""
        self.lines += [f"{self.now_ms / 1000:.3f} {data}" for data in messages]
        return self

    def clocks(self, count: int) -> Song:
        """So many clocks, the first at once; 5 ms after the last it is now."""
        for _ in range(count):
            self.send("F8")
            self.now_ms += 10
        self.now_ms -= 5
        return self

    def wait(self, ms: int) -> Song:
        """Time goes by without a clock."""
        self.now_ms += ms
        return self

    def on(self, *notes: int) -> Song:
        """Note-ons on channel 1."""
        return self.send(*(f"90 {note:02X} 64" for note in notes))

    def off(self, *notes: int) -> Song:
        """Their note-offs."""
        return self.send(*(f"80 {note:02X} 40" for note in notes))

    def heard(self, folder: Path, options: str, more: str = "") -> list[str]:
        """What came out beside clock and transport."""
        return [data for _, data in self.events(folder, options, more) if data[0] != "F"]

    def events(self, folder: Path, options: str, more: str = "") -> Events:
        """All that came out."""
        chain = f"{more}\n- {{plugin: bar_gate, {options}}}"
        return play_chain(folder, chain, "\n".join(self.lines))

    def notes(self, folder: Path, options: str, more: str = "") -> list[int]:
        """The notes that sounded, in order."""
        heard = self.heard(folder, options, more)
        return [int(data[3:5], 16) for data in heard if data.startswith("90")]


def a_note_at(*places: int) -> Song:
    """A song with one short note after each of these clocks, counted from 0; its number says
    which of them it is."""
    song = Song().send("FA")
    for number, (last, place) in enumerate(pairwise([-1, *places])):
        song.clocks(place - last).on(number).off(number)
        song.now_ms += 5
    return song


FIRST_AND_LAST = (0, 95, 96, 191, 192, 287, 288, 383, 384)
"""The first and the last clock of bars 1 to 4 of 4/4, and the first of bar 5."""


@pytest.mark.parametrize(
    ("options", "sounding"),
    [
        ("play: [2], of: 2", [2, 3, 6, 7]),
        ("channels: [1]", [2, 3, 6, 7]),  # the defaults
        ("play: [1], of: 2", [0, 1, 4, 5, 8]),
        ("play: [1, 2], of: 2", [0, 1, 2, 3, 4, 5, 6, 7, 8]),
        ("play: [3], of: 4", [4, 5]),
        ("play: [4, 1], of: 4", [0, 1, 6, 7, 8]),
        ("play: [1], of: 3", [0, 1, 6, 7]),
        ("play: [1], of: 1", [0, 1, 2, 3, 4, 5, 6, 7, 8]),
        ("play: [2], of: 2, meter: 4/4", [2, 3, 6, 7]),
        ("play: [2], of: 2, meter: 8/4", [4, 5, 6, 7]),
    ],
)
def test_notes_sound_only_in_those_bars(tmp_path: Path, options: str, sounding: list[int]) -> None:
    assert a_note_at(*FIRST_AND_LAST).notes(tmp_path, options) == sounding


@pytest.mark.parametrize(
    ("meter", "bar"),
    [
        ("4/4", 96), ("3/4", 72), ("7/8", 84), ("5/16", 30), ("6/8", 72), ("12/8", 144),
        ("2/2", 96), ("1/8", 12), ("1/32", 3), ("2/64", 3), ("3/1", 288),
    ],
)  # fmt: skip
def test_a_bar_of_each_meter_has_its_clocks(tmp_path: Path, meter: str, bar: int) -> None:
    """A whole note has 96 clocks: 24 a quarter note (MIDI 1.0, 4.2.1, p. 30)."""
    song = a_note_at(bar - 1, bar, 2 * bar - 1, 2 * bar)
    assert song.notes(tmp_path, f"play: [2], of: 2, meter: {meter}") == [1, 2]


def test_the_note_offs_of_swallowed_notes_are_swallowed(tmp_path: Path) -> None:
    song = Song().send("FA").clocks(96).on(60).off(60).send("90 3C 64", "90 3C 00")
    song.now_ms += 5
    song.clocks(1).on(62).off(62)
    assert song.heard(tmp_path, "play: [2], of: 2") == ["90 3E 64", "80 3E 40"]


def test_a_note_off_shares_the_fate_of_its_note_over_the_bar_line(tmp_path: Path) -> None:
    song = Song().send("FA").clocks(96).on(60)  # in bar 1, closed
    song.now_ms += 5
    song.clocks(96).off(60).on(62)  # in bar 2, open
    song.now_ms += 5
    song.clocks(1).off(62)  # in bar 3, closed
    assert song.heard(tmp_path, "play: [2], of: 2") == ["90 3E 64", "80 3E 40"]


def test_a_tied_key_over_the_bar_line_has_a_note_off_for_each_strike(tmp_path: Path) -> None:
    """The next note-on comes before the note-off of the last: that one was swallowed."""
    song = Song().send("FA").clocks(96).on(60)
    song.now_ms += 5
    song.clocks(1).on(60).off(60)
    song.wait(30)
    song.off(60)
    events = song.events(tmp_path, "play: [2], of: 2")
    notes = [(t, data) for t, data in events if data[0] != "F"]
    assert notes == [("0.965000", "90 3C 64"), ("0.995000", "80 3C 40")]


def test_a_note_between_start_and_the_first_clock_is_in_bar_1(tmp_path: Path) -> None:
    song = Song().send("FA").on(60).off(60)
    song.now_ms += 5
    song.clocks(1)
    assert song.notes(tmp_path, "play: [1], of: 2") == [60]
    assert song.notes(tmp_path, "play: [2], of: 2") == []


def test_before_start_all_passes(tmp_path: Path) -> None:
    song = Song().on(60).off(60).wait(5).clocks(10).on(61).off(61)
    assert song.notes(tmp_path, "play: [2], of: 2") == [60, 61]


def test_documented_while_the_song_is_stopped_all_passes(tmp_path: Path) -> None:
    song = Song().send("FA").clocks(10).on(60).off(60).send("FC").on(61).off(61)
    song.now_ms += 5
    song.clocks(10).on(62).off(62).send("FB").on(63).off(63)
    assert song.notes(tmp_path, "play: [2], of: 2") == [61, 62]


def test_continue_goes_on_with_the_clock_to_come(tmp_path: Path) -> None:
    """Clocks while it is stopped are not of the song; the note before the first one is on time."""
    song = Song().send("FA").clocks(90).send("FC")
    song.now_ms += 5
    song.clocks(100).send("FB").on(60).off(60)
    song.now_ms += 5
    song.clocks(6).on(61).off(61)  # clock 95
    song.now_ms += 5
    song.clocks(1).on(62).off(62)
    assert song.notes(tmp_path, "play: [2], of: 2") == [62]


def test_continue_at_a_bar_line_is_in_the_new_bar_at_once(tmp_path: Path) -> None:
    song = Song().send("FA").clocks(96).send("FC").on(59).off(59).send("FB").on(60).off(60)
    assert song.notes(tmp_path, "play: [2], of: 2") == [59, 60]


def test_a_redundant_continue_changes_nothing(tmp_path: Path) -> None:
    """Continue while it plays is ignored (MIDI 1.0, 4.2.1, p. 32): still the last of bar 1."""
    song = Song().send("FA").clocks(96).send("FB").on(60).off(60)
    assert song.notes(tmp_path, "play: [1], of: 2") == [60]


@pytest.mark.parametrize(
    ("beats", "sounding"),
    [(0, []), (15, []), (16, [60, 61]), (31, [60, 61]), (32, []), (16 * 129, [60, 61])],
)
def test_song_position_relocates(tmp_path: Path, beats: int, sounding: list[int]) -> None:
    """16 beats of 6 clocks are a bar; the place counts before the first clock, and on it."""
    position = f"F2 {beats & 0x7F:02X} {beats >> 7:02X}"
    song = Song().send("FA").clocks(50).send("FC", position, "FB").on(60).off(60)
    song.now_ms += 5
    song.clocks(1).on(61).off(61)
    assert song.notes(tmp_path, "play: [2], of: 2") == sounding


def test_song_position_may_come_before_anything_else(tmp_path: Path) -> None:
    song = Song().send("F2 10 00", "FB").on(60).off(60)
    song.now_ms += 5
    song.clocks(96).on(61).off(61)
    song.now_ms += 5
    song.clocks(1).on(62).off(62)
    assert song.notes(tmp_path, "play: [2], of: 2") == [60, 61]


def test_start_begins_with_bar_1_again(tmp_path: Path) -> None:
    song = Song().send("FA").clocks(97).on(60).off(60).send("FC", "FA").on(61).off(61)
    song.now_ms += 5
    song.clocks(96).on(62).off(62)
    song.now_ms += 5
    song.clocks(1).on(63).off(63)
    assert song.notes(tmp_path, "play: [2], of: 2") == [60, 63]


def test_bars_are_those_of_the_song_though_the_chain_keeps_clock_and_transport_out(
    tmp_path: Path,
) -> None:
    keeps_out = "- {plugin: clock_filter, clock: drop, transport: drop}"
    song = a_note_at(*FIRST_AND_LAST)
    assert song.notes(tmp_path, "play: [2], of: 2", keeps_out) == [2, 3, 6, 7]


def test_everything_but_notes_passes_in_a_closed_bar(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        "- {plugin: bar_gate, play: [2], of: 2}",
        """
        0.000  FA
        0.001  F8
        -0.002 90 3C 64
        0.003  A0 3C 40
        0.004  B0 01 05
        0.005  B0 7A 00
        0.006  C0 0B
        0.007  D0 30
        0.008  E0 01 41
        -0.009 80 3C 21
        0.010  80 3E 21     # the end of a note that began before
        0.011  F0 7D 01 02 03 F7
        0.012  FC
        """,
    )


def test_channels_leaves_the_others_alone(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        "- {plugin: bar_gate, play: [2], of: 2, channels: 10}",
        "0 FA\n0 F8\n0.1 90 3C 64\n-0.1 99 3C 64\n0.2 80 3C 40\n-0.2 89 3C 40",
    )


MODES = ("B0 78 00", "B0 7B 00")


@pytest.mark.parametrize("mode", MODES)
def test_after_all_notes_off_the_note_off_of_a_note_that_passed_still_passes(
    tmp_path: Path, mode: str
) -> None:
    """A synth need not obey it (MIDI 1.0, 4.2.1, p. 24)."""
    song = Song().send("FA").clocks(1).on(60).send(mode)
    song.now_ms += 5
    song.clocks(96).on(60).send("80 3C 21").off(60)  # in bar 2, closed
    assert song.heard(tmp_path, "play: [1], of: 2") == ["90 3C 64", mode, "80 3C 21"]


@pytest.mark.parametrize("mode", MODES)
def test_all_notes_off_forgets_swallowed_notes(tmp_path: Path, mode: str) -> None:
    """The next note-off is that of the next note."""
    song = Song().send("FA").clocks(1).on(60).send(mode)
    song.now_ms += 5
    song.clocks(96).on(60).off(60)  # in bar 2, open
    assert song.heard(tmp_path, "play: [2], of: 2") == [mode, "90 3C 64", "80 3C 40"]


def test_chance_0_never_plays(tmp_path: Path) -> None:
    song = a_note_at(*FIRST_AND_LAST)
    assert song.notes(tmp_path, "play: [1, 2], of: 2, chance: 0") == []


def draws(folder: Path, options: str, bars: int, notes_in: range | None = None) -> list[bool]:
    """Which of the first bars of 1/32 play, seen from a note in each or in some of them."""
    seen = notes_in or range(bars)
    song = a_note_at(*(3 * bar + 1 for bar in seen))
    sounding = set(song.notes(folder, f"meter: 1/32, {options}"))
    return [number in sounding for number, _ in enumerate(seen)]


def test_chance_is_the_share_of_bars_that_play(tmp_path: Path) -> None:
    """120 draws at 0.3 give 36, and with 4.5 standard deviations of 5 between 14 and 58."""
    for seed in (1, 2):
        played = draws(tmp_path, f"play: [1], of: 1, chance: 0.3, seed: {seed}", 120)
        assert 14 <= sum(played) <= 58


def test_the_seed_says_which_bars_play(tmp_path: Path) -> None:
    one, again, other, none = (
        draws(tmp_path, f"play: [1], of: 1, chance: 0.5{seed}", 60)
        for seed in (", seed: 1", ", seed: 1", ", seed: 2", "")
    )
    assert one == again != other
    assert none == draws(tmp_path, "play: [1], of: 1, chance: 0.5", 60)


def test_bars_that_may_not_play_draw_nothing(tmp_path: Path) -> None:
    every = draws(tmp_path, "play: [1], of: 1, chance: 0.5", 30)
    second = draws(tmp_path, "play: [2], of: 2, chance: 0.5", 60)
    assert second[0::2] == [False] * 30
    assert second[1::2] == every


def test_which_bars_play_does_not_depend_on_the_notes(tmp_path: Path) -> None:
    options = "play: [1], of: 1, chance: 0.5"
    every = draws(tmp_path, options, 60)
    assert draws(tmp_path, options, 60, range(5, 60, 7)) == every[5:60:7]


def test_nor_on_a_stop_in_between(tmp_path: Path) -> None:
    options = "play: [1], of: 1, chance: 0.5"
    every = draws(tmp_path, options, 20)
    song = Song().send("FA").clocks(3 * 15).send("FC", "FB")  # in the last clock of bar 15
    for bar in range(15, 20):
        song.now_ms += 5
        song.clocks(3).on(bar).off(bar)
    sounding = song.notes(tmp_path, f"meter: 1/32, {options}")
    assert [bar in sounding for bar in range(15, 20)] == every[15:]


def test_a_bar_draws_once_for_all_its_notes(tmp_path: Path) -> None:
    song = Song().send("FA")
    for place in range(240):
        song.clocks(1).on(place // 12).off(place // 12)
        song.now_ms += 5
    sounding = song.notes(tmp_path, "play: [1], of: 1, meter: 1/8, chance: 0.5")
    assert {sounding.count(bar) for bar in range(20)} == {0, 12}


def test_a_bar_does_not_draw_again_after_stop_and_continue(tmp_path: Path) -> None:
    """Nor where the sender says the place again, as many do before Continue."""
    for seed in range(6):
        song = Song().send("FA").clocks(25).on(60).off(60).send("FC", "F2 04 00", "FB")
        song.on(61).off(61)
        song.now_ms += 5
        song.clocks(5).on(62).off(62).send("FC", "FB")
        song.now_ms += 5
        song.clocks(5).on(63).off(63)
        sounding = song.notes(tmp_path, f"play: [1], of: 1, chance: 0.5, seed: {seed}")
        assert sounding in ([], [60, 61, 62, 63])


def test_when_the_clock_dies_bars_go_on_at_the_last_tempo(tmp_path: Path) -> None:
    """Else a gate that was closed would stay closed. Bar 2 is from 0.96 s to 1.92 s."""
    song = Song().send("FA").clocks(50)
    for ms in (900, 980, 1900, 1930, 2900):
        song.now_ms = ms
        song.on(60 + ms // 100).off(60 + ms // 100)
    assert song.notes(tmp_path, "play: [2], of: 2") == [60 + 9, 60 + 19, 60 + 29]


def test_a_dead_clock_that_comes_back_goes_on_where_the_song_stood(tmp_path: Path) -> None:
    song = Song().send("FA").clocks(95).wait(500).on(60).off(60)
    song.clocks(1).on(61).off(61)  # clock 95
    song.now_ms += 5
    song.clocks(1).on(62).off(62)
    assert song.notes(tmp_path, "play: [2], of: 2") == [60, 62]


def test_a_start_without_any_clock_counts_bars_at_120(tmp_path: Path) -> None:
    """A bar of 4/4 is 2 seconds then."""
    song = Song().send("FA")
    for second in range(8):
        song.now_ms = 1000 * second + 500
        song.on(second).off(second)
    assert song.notes(tmp_path, "play: [2], of: 2") == [2, 3, 6, 7]


def test_a_burst_of_clocks_is_counted_and_tells_no_tempo(tmp_path: Path) -> None:
    """As when a driver delivers late what it has held back: there is no tempo to go on at."""
    for count, mark in ((96, "-"), (97, "")):
        notes = f"{mark}5 90 3C 64\n{mark}6 80 3C 40\n{mark}7 90 3C 64\n{mark}8 80 3C 40\n"
        table = "0 FA\n" + "0.1 F8\n" * count + notes
        assert_plays(tmp_path, "- {plugin: bar_gate, play: [2], of: 2}", table)


def test_the_release_ends_a_note_of_an_open_bar(tmp_path: Path) -> None:
    chain = "- {plugin: bar_gate, play: [1], of: 2}"
    table = "0 FA\n0 F8\n0.1 90 3C 64\n+0.1 80 3C 40"
    assert_plays(tmp_path, chain, table, on_exit="release")


def test_bypass(tmp_path: Path) -> None:
    assert_plays(tmp_path, "- {plugin: bar_gate, play: [2], of: 2, bypass: true}", ONE_OF_EACH)


ERRORS = {
    "a bar outside the cycle": (
        "- {plugin: bar_gate, play: [1, 5], of: 4}",
        "rig.yaml:7:38: outputs.tug.chain[1].play[2]: "
        "'5' is no bar of a cycle of 4; write 1 to 4, or another 'of'",
    ),
    "no meter": (
        "- {plugin: bar_gate, meter: 4}",
        "rig.yaml:7:35: outputs.tug.chain[1].meter: "
        "'4' is no meter; write for example 4/4, 3/4 or 7/8",
    ),
    "nothing": (
        "- {plugin: bar_gate, meter: }",
        "rig.yaml:7:28: outputs.tug.chain[1].meter: "
        "nothing is written here; write for example 4/4, 3/4 or 7/8",
    ),
    "a third is no note value": (
        "- {plugin: bar_gate, meter: 4/3}",
        "rig.yaml:7:35: outputs.tug.chain[1].meter: "
        "'4/3' is no meter; write for example 4/4, 3/4 or 7/8",
    ),
    "half a clock": (
        "- {plugin: bar_gate, meter: 7/64}",
        "rig.yaml:7:35: outputs.tug.chain[1].meter: "
        "a bar of '7/64' has 10.5 clocks, and they must be whole; write for example 4/4, 3/4 "
        "or 7/8",
    ),
    "bars count from 1": (
        "- {plugin: bar_gate, play: [0]}",
        "rig.yaml:7:35: outputs.tug.chain[1].play[1]: '0' is out of range; write 1 to 999",
    ),
    "no bar": (
        "- {plugin: bar_gate, play: []}",
        "rig.yaml:7:34: outputs.tug.chain[1].play: nothing stands here; write at least one",
    ),
    "a cycle of none": (
        "- {plugin: bar_gate, of: 0}",
        "rig.yaml:7:32: outputs.tug.chain[1].of: '0' is out of range; write 1 to 999",
    ),
    "more than certain": (
        "- {plugin: bar_gate, chance: 1.5}",
        "rig.yaml:7:36: outputs.tug.chain[1].chance: '1.5' is out of range; write at most 1.0",
    ),
    "a seed that is none": (
        "- {plugin: bar_gate, seed: tide}",
        "rig.yaml:7:34: outputs.tug.chain[1].seed: "
        "'tide' is not a whole number; write 0 to 999999999",
    ),
    "misspelt": (
        "- {plugin: bar_gate, metre: 3/4}",
        "rig.yaml:7:28: outputs.tug.chain[1].metre: unknown key; did you mean 'meter'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)
