"""Which controls a plugin says that it keeps away from home, and what would put them there."""

from __future__ import annotations

from typing import Any

import pytest
from succession import Succession

from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.message import control_change

DETUNE = ControlRef("detune", parameter=(False, 1, 8), home=64)
GULL = Device(
    "Gull Pad", controls={"detune": DETUNE, "cutoff": ControlRef("cutoff", cc=74, home=9)}
)

Options = dict[str, Any]


def hex_of(messages: list[bytes]) -> list[str]:
    return [message.hex(" ").upper() for message in messages]


def test_cc_reset_says_what_a_step_has_moved() -> None:
    place = Succession("cc_reset", {"controls": {"brightness": 30, "detune": "device"}}, GULL)
    assert place.now.plugin.away() == []
    place.feed(1, "B4 4A 7F", "90 3C 64", "B0 63 01", "B0 62 08", "B0 06 05", "B0 62 09")
    assert place.now.plugin.away() == [(0, "detune", 5, 64), (4, "brightness", 127, 30)]
    back = ["B0 63 01", "B0 62 08", "B0 06 40", "B0 63 01", "B0 62 09"]
    assert hex_of(place.now.plugin.homes()) == [*back, "B4 4A 1E"]
    place.feed(2, "94 3C 64")
    assert place.now.plugin.away() == [(0, "detune", 5, 64)]


def test_cc_reset_says_nothing_of_a_knob_that_a_hand_may_have_moved() -> None:
    place = Succession("cc_reset", {"controls": {"74": "learn"}})
    place.feed(1, "B0 4A 20")
    place.feed(2, "B0 4A 30")
    assert (place.now.plugin.away(), place.now.plugin.homes()) == ([], [])
    place.feed(3, "B0 4A 7F", "90 3C 64")
    assert place.now.plugin.away() == [(0, "74", 127, 48)]


def test_drum_map_says_what_hits_have_set_and_will_put_back() -> None:
    options: Options = {
        "notes": {"C2": {"channel": 5, "controls": {"74": 20, "detune": 1, "71": 3}}}
    }
    place = Succession("drum_map", options, GULL)
    place.feed(1, "B4 47 40", "99 24 64")
    assert place.now.plugin.away() == [(4, "74", 20, 9), (4, "detune", 1, 64), (4, "71", 3, 64)]
    place.feed(1.1, "B4 47 40")
    homes = ["B4 4A 09", "B4 63 01", "B4 62 08", "B4 06 40"]
    assert hex_of(place.now.plugin.homes()) == homes
    place.feed(2, "89 24 40")
    assert place.now.plugin.away() == []


def test_drum_map_says_nothing_of_a_control_that_nobody_knows() -> None:
    place = Succession("drum_map", {"notes": {"C2": {"controls": {"74": 20}}}})
    place.feed(1, "99 24 64")
    assert (place.now.plugin.away(), place.now.plugin.homes()) == ([], [])


@pytest.mark.parametrize(
    ("control", "center", "came", "home"),
    [
        ("74", 100, None, 9),
        ("71", 100, None, 100),
        ("71", "follow", 50, 50),
        ("74", "follow", 50, 50),
    ],
)
def test_lfo_says_how_far_the_wave_has_moved_its_control(
    control: str, center: int | str, came: int | None, home: int
) -> None:
    options = {"channel": 3, "wave": "square", "rate": "1Hz", "depth": 20, "center": center}
    place = Succession("lfo", {**options, "control": control}, GULL)
    cc = int(control)
    if came is not None:
        place.feed(0, f"B2 {cc:02X} {came:02X}")
    place.advance(0.1)
    assert place.now.plugin.away() == [(2, control, (came or 100) + 20, home)]
    assert place.now.plugin.homes() == [control_change(2, cc, home)]
    place.now.plugin.flush(place.advance(0.101))
    assert place.now.plugin.away() == []


def test_lfo_that_rests_is_not_away() -> None:
    options = {"control": 74, "channel": 1, "rate": "1Hz", "depth": 20, "center": 64}
    place = Succession("lfo", {**options, "start": "note"})
    place.feed(1, "B0 4A 10")
    assert place.now.plugin.away() == []
    place.feed(2, "90 3C 64")
    assert place.now.plugin.away() == []  # a sine begins at its center
    place.advance(2.25)
    assert place.now.plugin.away() == [(0, "74", 84, 64)]


def test_cc_map_says_where_bend_and_pressure_are() -> None:
    options: Options = {"map": {"1": [{"bend": True}, {"pressure": True}, 20, "detune"]}}
    place = Succession("cc_map", options, GULL)
    place.feed(1, "B1 01 60")
    assert place.now.plugin.away() == [
        (1, "bend", 12353, 8192), (1, "pressure", 96, 0), (1, "detune", 96, 64),
    ]  # fmt: skip
    homes = ["E1 00 40", "D1 00", "B1 63 01", "B1 62 08", "B1 06 40"]
    assert hex_of(place.now.plugin.homes()) == homes
    place.feed(2, "B1 01 40")
    assert place.now.plugin.away() == [(1, "pressure", 64, 0)]


# In each of these some control is away at the end.
AWAY: dict[str, tuple[Options, tuple[str, ...]]] = {
    "cc_map": ({"map": {"1": {"bend": True}, "2": "detune"}}, ("B0 01 70", "B1 02 05")),
    "cc_reset": ({"controls": {"74": 3, "1": 5}}, ("B0 4A 20", "B1 01 70", "90 3C 64")),
    "drum_map": (
        {"notes": {"60": {"controls": {"detune": 1, "74": 7}}}}, ("90 3C 64", "91 3C 64"),
    ),
    "lfo": (
        {"control": "detune", "channel": 1, "rate": "1Hz", "wave": "square", "depth": 9,
         "center": 3}, ("F8",),
    ),
}  # fmt: skip


@pytest.mark.parametrize("plugin", AWAY)
def test_asking_changes_nothing_and_says_what_a_flush_will_send(plugin: str) -> None:
    options, messages = AWAY[plugin]
    asked, not_asked = (Succession(plugin, options, GULL) for _ in range(2))
    for place in (asked, not_asked):
        for message in messages:
            place.feed(1, message)
            if place is asked:
                assert place.now.plugin.away() == place.now.plugin.away()
                assert place.now.plugin.homes() == place.now.plugin.homes()
    homes = asked.now.plugin.homes()
    assert homes and asked.now.plugin.away()
    for place in (asked, not_asked):
        place.heard()
        place.send(place.now.plugin.flush(place.advance(1.001)), 0)
    sent = [data for _, data in asked.heard()]
    assert sent == [data for _, data in not_asked.heard()] == hex_of(homes)
    assert (asked.now.plugin.away(), asked.now.plugin.homes()) == ([], [])
