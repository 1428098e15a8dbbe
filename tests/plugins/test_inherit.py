"""What a plugin hands on to the one that takes its place, at a reload with other options.

What is expected follows from the pages in docs/plugins ("In a reload"), and where notes are
concerned from rule 1: a note-off goes where its note-on went. Values are worked out by hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from succession import SHIPPED, Succession

from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.testing import log

PAIR = ControlRef("sweep", cc=16, fine=48, home=0)
DETUNE = ControlRef("detune", parameter=(False, 1, 8), home=64)
GULL = Device("Gull Pad", controls={"sweep": PAIR, "detune": DETUNE})

Options = dict[str, Any]


# ---- notes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("plugin", "before", "after", "began", "let_go", "anew"),
    [
        ("transpose", {"semitones": -12}, {"semitones": 5}, "90 30 64", "80 30 40", "90 41 64"),
        ("transpose", {"semitones": -12}, {"semitones": 0}, "90 30 64", "80 30 40", "90 3C 64"),
        ("transpose", {"semitones": 0}, {"semitones": 1}, "90 3C 64", "80 3C 40", "90 3D 64"),
        (
            "note_range", {"high": "B3", "outside": "fold"}, {}, "90 30 64", "80 30 40", "90 3C 64",
        ),
        ("note_range", {}, {"high": "B3"}, "90 3C 64", "80 3C 40", None),
        ("note_range", {"high": "B3"}, {}, None, None, "90 3C 64"),
        ("channel_remap", {"map": {"1": 5}}, {"map": {"1": 6}}, "94 3C 64", "84 3C 40", "95 3C 64"),
        ("channel_remap", {"map": {"1": 5}}, {"map": {}}, "94 3C 64", "84 3C 40", "90 3C 64"),
        (
            "channel_remap", {"map": {}, "others": "drop"}, {"map": {"1": 2}},
            None, None, "91 3C 64",
        ),
        (
            "drum_map", {"notes": {"C4": {"note": "C1", "channel": 5}}}, {"notes": {}},
            "94 18 64", "84 18 40", "90 3C 64",
        ),
        (
            "drum_map", {"notes": {}}, {"notes": {"C4": {"note": "C1"}}},
            "90 3C 64", "80 3C 40", "90 18 64",
        ),
        (
            "channel_select",
            {"control": 20, "from_channel": 1, "to": {"1": 5}, "default": 5},
            {"control": 20, "from_channel": 1, "to": {"1": 6}, "default": 6},
            "94 3C 64", "84 3C 40", "95 3C 64",
        ),
    ],
)  # fmt: skip
def test_a_held_note_is_let_go_where_it_began_and_the_next_one_goes_the_new_way(
    plugin: str,
    before: Options,
    after: Options,
    began: str | None,
    let_go: str | None,
    anew: str | None,
) -> None:
    place = Succession(plugin, before)
    place.feed(1, "90 3C 64")
    place.change(2, after)
    place.feed(3, "80 3C 40")
    place.feed(4, "90 3C 64")
    expected = ((1, began), (3, let_go), (4, anew))
    assert place.sent == [(f"{at}.000000", data) for at, data in expected if data]


def test_channel_remap_lets_copies_go_where_they_went() -> None:
    place = Succession("channel_remap", {"map": {"1": [1, 2]}})
    place.feed(1, "90 3C 64")
    place.change(2, {"map": {"1": [3, 4]}})
    place.feed(3, "A0 3C 20", "90 3C 00", "B0 07 10")
    assert place.sent == log("""
        1  90 3C 64
        1  91 3C 64
        3  A0 3C 20
        3  A1 3C 20
        3  90 3C 00
        3  91 3C 00
        3  B2 07 10
        3  B3 07 10
    """)


def test_note_limit_goes_on_counting_what_sounds() -> None:
    place = Succession("note_limit", {"voices": 2})
    place.feed(1, "90 3C 64", "90 40 64")
    place.change(2, {"voices": 2, "steal": "newest"})
    place.heard()
    place.feed(3, "90 43 64")
    assert place.heard() == log("3  80 40 40\n3  90 43 64")
    place.feed(4, "80 3C 40")
    place.feed(5, "90 45 64")
    assert place.heard() == log("4  80 3C 40\n5  90 45 64")


def test_note_limit_swallows_the_note_off_of_a_note_that_gave_way_before() -> None:
    place = Succession("note_limit", {"voices": 1})
    place.feed(1, "90 3C 64", "90 40 64")
    place.change(2, {"voices": 1, "steal": "none"})
    place.heard()
    place.feed(3, "80 3C 40", "90 45 64", "80 45 40", "80 40 40", "90 3C 64")
    assert place.heard() == log("3  80 40 40\n3  90 3C 64")


def test_note_limit_with_fewer_voices_cuts_nothing_before_the_next_note() -> None:
    place = Succession("note_limit", {"voices": 3})
    place.feed(1, "90 3C 64", "90 40 64", "90 40 64", "90 43 64")
    place.heard()
    place.change(2, {"voices": 1})
    assert place.heard() == []
    place.feed(3, "90 48 64")
    assert place.heard() == log("3  80 3C 40\n3  80 40 40\n3  80 40 40\n3  80 43 40\n3  90 48 64")
    place.feed(4, "80 3C 40", "80 40 40", "80 40 40", "80 43 40", "80 48 40")
    assert place.heard() == log("4  80 48 40")


def test_note_limit_shares_the_voices_of_all_channels_from_now_on() -> None:
    place = Succession("note_limit", {"voices": 2})
    place.feed(1, "90 3C 64", "91 40 64")
    place.change(2, {"voices": 2, "scope": "output"})
    place.heard()
    place.feed(3, "92 43 64")
    assert place.heard() == log("3  80 3C 40\n3  92 43 64")


def test_note_guard_ends_a_note_at_the_new_time_counted_from_its_beginning() -> None:
    place = Succession("note_guard", {"longest": "20s"})
    place.feed(1, "90 3C 64", "90 40 64")
    place.change(2, {"longest": "3s", "stray_off": "drop"})
    place.feed(3, "80 40 40")
    place.advance(10)
    place.feed(11, "80 3C 40")
    assert place.sent == log("1  90 3C 64\n1  90 40 64\n3  80 40 40\n4  80 3C 40")


def test_note_guard_ends_at_once_what_has_sounded_too_long_already() -> None:
    place = Succession("note_guard", {"longest": "0s"})
    place.feed(1, "90 3C 64")
    place.change(9, {"longest": "3s"})
    assert place.sent == log("1  90 3C 64\n9  80 3C 40")


def test_note_guard_counts_the_clocks_since_the_beginning() -> None:
    place = Succession("note_guard", {"longest": "96 clocks"})
    place.clocks(0, 0.02, 10)
    place.feed(0.19, "90 3C 64")
    place.clocks(0.2, 0.02, 5)
    place.change(0.29, {"longest": "8 clocks"})
    place.clocks(0.3, 0.02, 10)
    assert ("0.340000", "80 3C 40") in place.sent  # 5 before the change, and the third after it


def test_note_guard_counts_by_the_tempo_where_no_clock_runs() -> None:
    place = Succession("note_guard", {"longest": "0s"})
    place.feed(1, "90 3C 64")
    place.change(1.5, {"longest": "1/2"})  # a second, at 120 a minute
    place.advance(3)
    assert place.sent == log("1  90 3C 64\n2  80 3C 40")


def test_note_guard_still_excuses_note_offs_after_all_notes_off() -> None:
    place = Succession("note_guard", {"stray_off": "drop"})
    place.feed(1, "90 3C 64", "B0 7B 00")
    place.change(2, {"stray_off": "drop", "longest": "1s"})
    place.heard()
    place.feed(3, "80 3C 40", "80 3C 40")
    assert place.heard() == log("3  80 3C 40")


# ---- bars ----------------------------------------------------------------------------------------


def test_bar_gate_knows_which_notes_it_let_pass() -> None:
    place = Succession("bar_gate", {"play": [2], "of": 2})
    place.feed(0, "FA", "F8", "90 3C 64")
    place.change(0.1, {"play": [1], "of": 2})
    place.feed(0.2, "90 40 64")
    place.change(0.3, {"play": [2], "of": 2})
    place.heard()
    place.feed(0.4, "80 3C 40", "80 40 40", "90 43 64")
    assert place.heard() == log("0.4  80 40 40")


def test_bar_gate_keeps_what_the_bar_has_drawn_and_goes_on_drawing() -> None:
    """Notes in 40 bars, one straight through, one with a change in every other bar."""

    def bars(changing: bool) -> list[str]:
        place = Succession("bar_gate", {"play": [1], "of": 1, "chance": 0.5})
        place.feed(0, "FA")
        for bar in range(40):
            place.feed(2 * bar + 0.01, "F8", "90 3C 64")
            if changing and bar % 2:
                play = [1, 2] if bar % 4 == 1 else [2, 1]
                place.change(2 * bar + 0.5, {"play": play, "of": 2, "chance": 0.5})
            place.feed(2 * bar + 1, "90 40 64")
            place.clocks(2 * bar + 1.01, 0.005, 95)
        return [t for t, data in place.sent if data.startswith("90")]

    straight = bars(False)
    assert bars(True) == straight
    assert 20 < len(straight) < 60


def test_bar_gate_with_another_seed_plays_the_bars_of_that_seed() -> None:
    def bars(place: Succession) -> list[str]:
        for bar in range(4, 30):
            place.feed(2 * bar + 0.01, "F8", "90 3C 64")
            place.clocks(2 * bar + 1.01, 0.005, 95)
        return [t for t, data in place.heard() if data.startswith("90")]

    options = {"play": [1], "of": 1, "chance": 0.5}
    first, changed = (Succession("bar_gate", {**options, "seed": seed}) for seed in (7, 8))
    for place in (first, changed):
        place.feed(0, "FA")
        place.clocks(0.01, 0.02, 4 * 96)
        place.heard()
    changed.change(7.99, {**options, "seed": 7})
    assert bars(changed) == bars(first)


# ---- controls ------------------------------------------------------------------------------------


def test_cc_reset_keeps_learnt_homes_and_goes_to_other_homes_at_the_next_occasion() -> None:
    place = Succession("cc_reset", {"controls": {"74": "learn", "71": 10, "1": 0, "7": 5}})
    place.feed(1, "B0 4A 2C", "B0 47 50", "B0 01 00")  # 44, learnt when 20 ms are over
    place.change(2, {"controls": {"brightness": "learn", "71": 20, "1": 30, "7": 6}})
    assert place.heard()[-1:] == log("2  B0 47 0A")
    place.feed(3, "90 3C 64")
    assert place.heard() == log("3  B0 47 14\n3  B0 01 1E\n3  90 3C 64")
    place.feed(4, "B0 4A 7F", "90 3E 64")
    place.feed(5, "90 40 64")
    assert place.heard()[-2:] == log("5  B0 4A 2C\n5  90 40 64")


def test_cc_reset_learns_what_came_just_before_the_change() -> None:
    place = Succession("cc_reset", {"controls": {"74": "learn"}})
    place.feed(1, "B0 4A 14")
    place.feed(2, "B0 4A 2C")
    place.change(2.005, {"controls": {"74": "learn"}, "window": "10ms"})
    place.feed(3, "B0 4A 7F", "90 3C 64")
    place.heard()
    place.feed(4, "90 3E 64")
    assert place.heard() == log("4  B0 4A 2C\n4  90 3E 64")


def test_cc_reset_goes_to_another_home_after_its_time() -> None:
    options = {"after": "100ms", "when": []}
    place = Succession("cc_reset", {"controls": {"74": 10}, **options})
    place.feed(1, "B0 4A 50")
    place.change(1.05, {"controls": {"74": 20}, **options})
    place.advance(2)
    assert place.sent == log("1  B0 4A 50\n1.05  B0 4A 0A\n1.15  B0 4A 14")


def test_channel_select_keeps_what_is_picked() -> None:
    options: Options = {"control": 20, "from_channel": 1}
    place = Succession("channel_select", {**options, "to": {"1": 5, "2": 6}})
    place.feed(1, "B0 14 02")
    place.change(2, {**options, "to": {"1": 5, "2": 6, "3": 7}})
    place.feed(3, "90 3C 64")
    place.change(4, {**options, "to": {"2": 9}})  # the value counts first
    place.feed(5, "90 3E 64")
    place.change(6, {**options, "to": {"7": 9}})  # then the channel
    place.feed(7, "90 40 64")
    place.change(8, {**options, "to": {"7": 8}})  # then the default
    place.feed(9, "90 41 64")
    place.change(10, {**options, "to": {"7": 9}})  # what is lost is lost
    place.feed(11, "90 43 64", "80 3C 40", "80 3E 40", "80 40 40", "80 41 40", "80 43 40")
    assert place.sent == log("""
        3  95 3C 64
        5  98 3E 64
        7  98 40 64
        9  90 41 64
        11  90 43 64
        11  85 3C 40
        11  88 3E 40
        11  88 40 40
        11  80 41 40
        11  80 43 40
    """)


def test_channel_select_keeps_the_channel_when_another_control_picks() -> None:
    place = Succession("channel_select", {"control": 20, "from_channel": 1, "to": {"1": 5}})
    place.feed(1, "B0 14 01")
    place.change(2, {"control": 21, "from_channel": 1, "to": {"1": 6, "2": 5}})
    place.change(3, {"control": 21, "from_channel": 1, "to": {"1": 6, "3": 5}})
    place.feed(4, "90 3C 64")
    assert place.sent == log("4  94 3C 64")


def test_drum_map_returns_to_the_values_that_passed_before_the_change() -> None:
    def notes(value: int) -> Options:
        return {"notes": {"C2": {"controls": {"74": value}}}, "return": "100ms"}

    place = Succession("drum_map", notes(20))
    place.feed(1, "B0 4A 40", "90 24 64")
    place.change(1.05, notes(30))
    assert place.heard()[-1:] == log("1.05  B0 4A 40")
    place.feed(2, "90 24 64")
    place.advance(3)
    assert place.heard() == log("2  B0 4A 1E\n2  90 24 64\n2.1  B0 4A 40")


def test_drum_map_does_not_return_a_control_twice() -> None:
    place = Succession("drum_map", {"notes": {"C2": {"controls": {"74": 20}}}})
    place.feed(1, "B0 4A 40", "90 24 64")
    place.change(2, {"notes": {"C2": {"controls": {"74": 30}}}})
    place.heard()
    place.feed(3, "80 24 40")
    assert place.heard() == log("3  80 24 40")


def test_cc_smooth_begins_its_next_line_where_the_control_is() -> None:
    place = Succession("cc_smooth", {"control": 74, "time": "100ms"})
    place.feed(1, "B0 4A 00")
    place.feed(2, "B0 4A 40")
    place.change(2.01, {"control": 74, "time": "20ms", "interval": "10ms"})
    assert place.heard()[-1:] == log("2.01  B0 4A 40")  # flush has ended the line
    place.feed(3, "B0 4A 50")
    place.advance(4)
    assert place.heard() == log("3.01  B0 4A 48\n3.02  B0 4A 50")


def test_cc_smooth_of_another_control_knows_nothing_yet() -> None:
    place = Succession("cc_smooth", {"control": 74})
    place.feed(1, "B0 4A 00")
    place.change(2, {"control": 71})
    place.feed(3, "B0 47 50")
    assert place.heard()[-1:] == log("3  B0 47 50")


def test_cc_thin_knows_what_the_synth_has_and_since_when() -> None:
    place = Succession("cc_thin", {"per_second": 10})
    place.feed(1, "B0 4A 10", "B0 47 10")
    place.feed(1.01, "B0 4A 20")
    place.change(1.02, {"per_second": 2, "controls": [74]})
    assert place.heard()[-1:] == log("1.02  B0 4A 20")
    place.feed(1.03, "B0 4A 20", "B0 4A 30", "B0 47 10")
    place.advance(2)
    assert place.heard() == log("1.03  B0 47 10\n1.52  B0 4A 30")


@pytest.mark.parametrize("plugin", ["cc_map", "cc_scale", "cc_smooth", "cc_thin"])
def test_a_fine_half_completes_the_coarse_half_from_before_the_change(plugin: str) -> None:
    pairs: dict[str, tuple[Mapping[str, Any], Mapping[str, Any]]] = {
        "cc_map": ({"map": {"sweep": {"bend": True}}}, {"map": {"sweep": ["sweep", 74]}}),
        "cc_scale": (
            {"control": "sweep", "to": [0, 16383]},
            {"control": "sweep", "to": [0, 16383], "from": [0, 16383]},
        ),
        "cc_smooth": ({"control": "sweep"}, {"control": "sweep", "time": "0s"}),
        "cc_thin": ({"controls": ["sweep"]}, {"controls": ["sweep", 74], "drop_repeats": False}),
    }
    first, second = pairs[plugin]
    place = Succession(plugin, first, GULL)
    place.feed(1, "B3 10 20")
    place.advance(1.5)
    place.change(2, second)
    place.heard()
    place.feed(3, "B3 30 05")
    sent = [data for _, data in place.heard()]
    assert sent == {"cc_map": ["B3 10 20", "B3 30 05"]}.get(plugin, ["B3 30 05"])


@pytest.mark.parametrize("plugin", ["cc_map", "cc_reset", "cc_scale", "drum_map", "lfo"])
def test_data_entry_means_the_parameter_that_was_selected_before_the_change(plugin: str) -> None:
    pairs: dict[str, tuple[Mapping[str, Any], Mapping[str, Any]]] = {
        "cc_map": ({"map": {"detune": [74]}}, {"map": {"detune": [75]}}),
        "cc_reset": ({"controls": {"detune": 64}}, {"controls": {"detune": 65}}),
        "cc_scale": ({"control": "detune", "to": [0, 1]}, {"control": "detune", "to": [127, 0]}),
        "drum_map": (
            {"notes": {"C2": {"controls": {"detune": 1}}}},
            {"notes": {"C2": {"controls": {"detune": 2}}}},
        ),
        "lfo": (
            {"control": "detune", "channel": 1, "center": 64, "depth": 0, "rate": "1Hz"},
            {"control": "detune", "channel": 1, "center": 64, "depth": 0, "rate": "2Hz"},
        ),
    }
    first, second = pairs[plugin]
    place = Succession(plugin, first, GULL)
    place.feed(1, "B0 63 01", "B0 62 08")
    place.change(2, second)
    place.heard()
    place.feed(3, "B0 06 0A")
    assert place.heard()[-1][1] == {"cc_map": "B0 4B 0A", "cc_scale": "B0 06 75"}.get(
        plugin, "B0 06 0A"
    )
    place.feed(3.5, "90 24 64", "80 24 40")
    place.feed(4, "90 3C 64")
    back = ["B0 63 01", "B0 62 08"]
    if plugin == "cc_reset":
        assert [data for _, data in place.heard()][:3] == [*back, "B0 06 41"]
    if plugin == "drum_map":
        assert [data for _, data in place.heard()][-5:-2] == [*back, "B0 06 0A"]
    if plugin == "lfo":
        assert [data for _, data in place.heard()][:3] == [*back, "B0 06 40"]


# ---- waves ---------------------------------------------------------------------------------------

RAMP: Options = {
    "control": 74, "channel": 1, "wave": "ramp_up", "rate": "100s", "center": 50,
    "interval": "1s",
}  # fmt: skip


def at(place: Succession, seconds: float) -> str:
    """What was sent last, up to then."""
    place.advance(seconds)
    return place.sent[-1][1]


def test_lfo_with_another_depth_goes_on_from_its_place() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50})
    assert at(place, 0) == "B0 4A 00"
    assert at(place, 25.5) == "B0 4A 19"  # 50 - 50 + 25
    place.heard()
    place.change(75, {**RAMP, "depth": 20})
    assert place.heard()[-2:] == log("75  B0 4A 32\n75  B0 4A 3C")  # flush; 50 + 20 * 0.5
    place.advance(80.5)
    assert place.heard() == log("77  B0 4A 3D\n79  B0 4A 3E")  # 60.8 and 61.6


def test_lfo_with_another_rate_keeps_the_part_of_its_period() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50})
    place.advance(75)
    place.change(75, {**RAMP, "depth": 50, "rate": "10s"})
    assert place.heard()[-1:] == log("75  B0 4A 4B")
    place.advance(76)
    assert place.heard() == log("76  B0 4A 55")


def test_lfo_follows_the_same_knob() -> None:
    options: Options = {**RAMP, "center": "follow"}
    place = Succession("lfo", {**options, "depth": 50})
    place.feed(25, "B0 4A 28")
    place.change(75, {**options, "depth": 20})
    assert place.heard()[-2:] == log("75  B0 4A 28\n75  B0 4A 32")  # 40 + 20 * 0.5


def test_lfo_that_a_note_set_going_runs_on() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50, "start": "note"})
    place.feed(25, "90 3C 64")
    place.change(100, {**RAMP, "depth": 20, "start": "note"})
    assert place.heard()[-2:] == log("100  B0 4A 32\n100  B0 4A 3C")
    place.advance(103)
    assert place.heard() == log("102  B0 4A 3D")


def test_lfo_that_no_note_has_set_going_stays_silent() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50, "start": "note"})
    place.change(50, {**RAMP, "depth": 20, "start": "note"})
    place.advance(60)
    place.change(70, {**RAMP, "depth": 20, "start": "once"})
    place.advance(80)
    assert place.sent == []


def test_lfo_holds_the_end_of_its_one_period() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50, "start": "once"})
    place.feed(1, "90 3C 64")
    place.advance(150)
    assert place.heard()[-1:] == log("101  B0 4A 64")
    place.change(200, {**RAMP, "depth": 20, "start": "once"})
    place.advance(300)
    assert place.heard() == log("200  B0 4A 32\n200  B0 4A 46")


def test_lfo_with_another_start_waits_for_it() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50})
    place.advance(10)
    place.change(50, {**RAMP, "depth": 50, "start": "note"})
    place.heard()
    place.advance(80)
    assert place.heard() == []


def test_lfo_of_another_control_takes_the_place_and_not_the_value() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50})
    place.advance(75)
    place.change(75, {**RAMP, "depth": 50, "control": 71})
    assert place.sent[-1:] == log("75  B0 47 4B")


def test_lfo_random_keeps_what_it_has_drawn_and_draws_on() -> None:
    options: Options = {**RAMP, "wave": "random", "rate": "1s", "interval": "500ms", "depth": 50}
    straight, changed = Succession("lfo", options), Succession("lfo", options)
    for second in range(1, 10):
        changed.change(second + 0.5, options)
    for place in (straight, changed):
        place.advance(12.1)
    drawn = [entry for entry in straight.sent if float(entry[0]) >= 10]
    assert len(drawn) == 3
    assert [entry for entry in changed.sent if float(entry[0]) >= 10] == drawn


def test_lfo_in_note_values_keeps_to_the_clocks() -> None:
    options: Options = {**RAMP, "rate": "4 bars", "interval": "1 clocks"}
    place = Succession("lfo", {**options, "depth": 10})
    place.feed(0, "FA")
    place.clocks(0.02, 0.02, 100)
    place.change(2.01, {**options, "depth": 50})
    place.clocks(2.02, 0.02, 200)
    heard = [(t, data) for t, data in place.heard() if data != "F8"]
    # 299 clocks after the first, of 384: 50 + 50 * (2 * 299 / 384 - 1) = 77.9
    assert heard[-1][1] == "B0 4A 4E"


def test_lfo_in_other_note_values_begins_on_the_bar_of_the_song() -> None:
    options: Options = {**RAMP, "depth": 50, "interval": "1 clocks"}
    place = Succession("lfo", {**options, "rate": "1/4"})
    place.feed(0, "FA")
    place.clocks(0.02, 0.02, 48)  # half of the bar is over
    place.change(0.97, {**options, "rate": "1 bar"})
    assert place.sent[-1:] == log("0.97  B0 4A 32")


def test_lfo_paused_with_the_song_goes_on_where_it_stopped() -> None:
    options: Options = {**RAMP, "run": "transport"}
    place = Succession("lfo", {**options, "depth": 50})
    place.feed(0, "FA")
    place.feed(75, "FC")
    place.change(80, {**options, "depth": 20})
    place.heard()
    place.advance(90)
    assert place.heard() == []
    place.feed(100, "FB")
    assert place.heard() == log("100  B0 4A 3C\n100  FB")  # 50 + 20 * 0.5


def test_lfo_that_runs_with_the_song_from_now_on_pauses_while_it_is_stopped() -> None:
    place = Succession("lfo", {**RAMP, "depth": 50})
    place.change(75, {**RAMP, "depth": 50, "run": "transport"})
    place.heard()
    place.advance(90)
    assert place.heard() == []
    place.feed(100, "FB")
    assert place.heard() == log("100  B0 4A 4B\n100  FB")


@pytest.mark.parametrize("run", ["always", "transport"])
def test_an_lfo_made_before_the_song_began_runs_when_it_is_used(run: str) -> None:
    """A song of the rig is made ready long before it is chosen."""
    place = Succession("lfo", {**RAMP, "depth": 50, "start": "note"})
    made = place.make({**RAMP, "depth": 50, "run": run})
    place.feed(10, "FA")
    place.change(20, made)
    assert place.heard()[-1:] == log("20  B0 4A 00")
    place.feed(45, "FB")  # redundant: it changes nothing
    assert place.heard()[-2:] == log("45  B0 4A 19\n45  FB")


# ---- clock ---------------------------------------------------------------------------------------


def test_clock_filter_goes_on_counting_while_the_song_is_stopped() -> None:
    place = Succession("clock_filter", {"divide": 4})
    place.clocks(1, 0.02, 6)  # 0 and 4 pass
    place.change(2, {"divide": 4, "transport": "drop"})
    place.heard()
    place.clocks(3, 0.02, 3)
    assert place.heard() == log("3.04  F8")  # 8


# ---- for all of them -----------------------------------------------------------------------------

TWO_WAYS: dict[str, tuple[Options, Options]] = {
    "bar_gate": ({}, {"play": [1, 3], "of": 4, "meter": "3/4", "chance": 0.5}),
    "cc_map": ({"map": {"1": {"bend": True}}}, {"map": {"2": ["detune"], "sweep": [3]}}),
    "cc_reset": ({"controls": {"74": "learn"}}, {"controls": {"74": 3, "detune": "device"}}),
    "cc_scale": ({"control": 1, "to": [0, 5]}, {"control": "sweep", "to": [0, 9999]}),
    "cc_smooth": ({"control": 1}, {"control": "detune", "time": "1/4"}),
    "cc_thin": ({}, {"controls": ["sweep", "detune", 1]}),
    "channel_remap": ({"map": {"1": 5}}, {"map": {"1": [1, 2], "3": 4}, "others": "drop"}),
    "channel_select": (
        {"control": 1, "from_channel": 1, "to": "direct"},
        {"control": "detune", "from_channel": 2, "to": {"64": 3}, "also": ["control", "bend"]},
    ),
    "clock_filter": ({"divide": 2}, {"clock": "drop"}),
    "drum_map": (
        {"notes": {"60": {"controls": {"1": 5, "sweep": 77}}}, "return": "1/4"},
        {"notes": {"61": {"note": 1, "controls": {"detune": 5}}}},
    ),
    "lfo": (
        {"control": 1, "channel": 1, "rate": "1/4", "depth": 9, "center": 64},
        {"control": "sweep", "channel": 1, "rate": "3Hz", "depth": 9, "center": 64,
         "start": "note", "wave": "random", "run": "transport"},
    ),
    "message_filter": ({"drop": ["note"]}, {"pass": ["note", "clock"]}),
    "note_guard": ({"longest": "1/4"}, {"longest": "1s", "stray_off": "drop"}),
    "note_limit": ({"voices": 1}, {"voices": 3, "steal": "none", "scope": "output"}),
    "note_range": ({"low": 60}, {"high": 70, "outside": "fold"}),
    "program_map": ({"map": {"1": 2}}, {"map": {}, "others": "drop"}),
    "transpose": ({"semitones": 1}, {"semitones": -1}),
    "velocity": ({"fixed": 3}, {"to": [1, 50]}),
}  # fmt: skip

SOME_OF_ALL = (
    "FA", "F8", "B0 01 20", "B0 10 20", "B0 30 01", "B0 63 01", "B0 62 08", "B0 06 20", "E0 00 50",
    "90 3C 64", "90 3D 64", "91 3D 64", "A0 3C 10", "F8", "80 3C 40", "C0 01", "D0 10", "F8", "FC",
    "FB", "B0 4A 10",
)  # fmt: skip


def test_every_shipped_plugin_is_changed_here() -> None:
    assert TWO_WAYS.keys() == SHIPPED.keys()


@pytest.mark.parametrize("plugin", TWO_WAYS)
def test_very_different_options_can_follow_each_other(plugin: str) -> None:
    """Nothing fails, and what was away came home with each change, but for a wave that goes on."""
    one, other = TWO_WAYS[plugin]
    place = Succession(plugin, one, GULL)
    for number in range(6):
        for part, message in enumerate(SOME_OF_ALL):
            place.feed(number + part / 50, message)
        place.change(number + 0.7, (one, other)[(number + 1) % 2])
    assert place.now.plugin.away() == [] or plugin == "lfo"


@pytest.mark.parametrize("plugin", TWO_WAYS)
def test_what_was_let_go_earlier_is_not_inherited(plugin: str) -> None:
    """One that was bypassed let go then, and not at the change: its notes must not come back."""
    one, other = TWO_WAYS[plugin]
    bypassed, empty = (Succession(plugin, one, GULL) for _ in range(2))
    for place in (bypassed, empty):
        place.feed(1, "90 3C 64", "90 3D 64")
        place.now.plugin.flush(place.advance(2))
        former, place.now = place.now.plugin, place.make(other)
        t_ns = place.advance(9)
        if place is empty:
            former.flush(t_ns)
        place.now.begin()
        place.now.plugin.inherit(former, t_ns)
        place.advance(9.1)
        place.heard()
        place.feed(10, "80 3C 40", "80 3D 40", "90 3E 64", "90 3F 64", "80 3E 40")
    assert bypassed.heard() == empty.heard()
