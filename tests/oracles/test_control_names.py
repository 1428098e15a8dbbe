"""The names of the controls: against the published table, and two packages that copied it too."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest

from pointsman.controls import CONTROL_BY_NAME, NAME_BY_CONTROL

# RP-028 pages 6-7 and MIDI 1.0 Detailed Specification 4.2.1, Table III, in its words; 75-78 as
# RP-021 has them, 88 as CA-031, 91 and 93 as RP-023. Each with a word that our name must hold.
PUBLISHED = {
    0: ("Bank Select", "bank_select"),
    1: ("Modulation Wheel", "modulation"),
    2: ("Breath Controller", "breath"),
    4: ("Foot Controller", "foot"),
    5: ("Portamento Time", "portamento_time"),
    6: ("Data Entry", "data_entry"),
    7: ("Channel Volume", "channel_volume"),
    8: ("Balance", "balance"),
    10: ("Pan", "pan"),
    11: ("Expression", "expression"),
    12: ("Effect Control 1", "effect_control_1"),
    13: ("Effect Control 2", "effect_control_2"),
    16: ("General Purpose 1", "general_purpose_1"),
    17: ("General Purpose 2", "general_purpose_2"),
    18: ("General Purpose 3", "general_purpose_3"),
    19: ("General Purpose 4", "general_purpose_4"),
    64: ("Sustain (Damper) Pedal", "damper"),
    65: ("Portamento On/Off", "portamento"),
    66: ("Sostenuto", "sostenuto"),
    67: ("Soft Pedal", "soft_pedal"),
    68: ("Legato Footswitch", "legato"),
    69: ("Hold 2", "hold_2"),
    70: ("Sound Controller 1 (Sound Variation)", "variation"),
    71: ("Sound Controller 2 (Timbre/Harmonic Intensity)", "timbre"),
    72: ("Sound Controller 3 (Release Time)", "release_time"),
    73: ("Sound Controller 4 (Attack Time)", "attack_time"),
    74: ("Sound Controller 5 (Brightness)", "brightness"),
    75: ("Sound Controller 6 (Decay Time)", "decay_time"),
    76: ("Sound Controller 7 (Vibrato Rate)", "vibrato_rate"),
    77: ("Sound Controller 8 (Vibrato Depth)", "vibrato_depth"),
    78: ("Sound Controller 9 (Vibrato Delay)", "vibrato_delay"),
    79: ("Sound Controller 10 (no default)", "sound_controller_10"),
    80: ("General Purpose 5", "general_purpose_5"),
    81: ("General Purpose 6", "general_purpose_6"),
    82: ("General Purpose 7", "general_purpose_7"),
    83: ("General Purpose 8", "general_purpose_8"),
    84: ("Portamento Control", "portamento_control"),
    88: ("High Resolution Velocity Prefix", "high_resolution_velocity"),
    91: ("Effects 1 Depth (Reverb Send)", "reverb"),
    92: ("Effects 2 Depth (Tremolo)", "tremolo"),
    93: ("Effects 3 Depth (Chorus Send)", "chorus"),
    94: ("Effects 4 Depth (Celeste/Detune)", "detune"),
    95: ("Effects 5 Depth (Phaser)", "phaser"),
    96: ("Data Increment", "data_increment"),
    97: ("Data Decrement", "data_decrement"),
    98: ("NRPN LSB", "nrpn_lsb"),
    99: ("NRPN MSB", "nrpn_msb"),
    100: ("RPN LSB", "rpn_lsb"),
    101: ("RPN MSB", "rpn_msb"),
}
FINE = range(32, 64)  # the LSB of 0-31; that of an undefined one is undefined (Table III)


def test_every_published_control_has_a_name_and_no_other() -> None:
    fine = {number + 32 for number in PUBLISHED if number < 32}
    assert set(NAME_BY_CONTROL) == set(PUBLISHED) | fine


@pytest.mark.parametrize(("number", "published"), PUBLISHED.items())
def test_the_name_is_the_published_one(number: int, published: tuple[str, str]) -> None:
    assert published[1] in NAME_BY_CONTROL[number]


def test_a_fine_half_is_named_after_its_coarse_half() -> None:
    for number in set(NAME_BY_CONTROL) & set(FINE):
        assert NAME_BY_CONTROL[number] == f"{NAME_BY_CONTROL[number - 32]}_lsb"


def test_the_names_that_the_manual_promises_are_there() -> None:
    """The three names that the docs give as examples."""
    names = ("modulation", "channel_volume", "damper_pedal")
    assert [CONTROL_BY_NAME[name] for name in names] == [1, 7, 64]


def test_every_name_leads_to_one_control_and_back() -> None:
    for number, name in NAME_BY_CONTROL.items():
        assert CONTROL_BY_NAME[name] == number
    assert all(name == name.lower() and name.isascii() for name in CONTROL_BY_NAME)
    assert set(CONTROL_BY_NAME.values()) == set(NAME_BY_CONTROL)


def test_pymididefs_knows_the_same_numbers(pypi: Callable[[str, str], ModuleType]) -> None:
    """PyPI pymididefs, which cites CA-031, RP-021 and RP-023: it names what is defined."""
    theirs = pypi("pymididefs", "pymididefs.cc").CC_MAP
    assert {number for number in theirs.values() if number < 120} == set(NAME_BY_CONTROL)


def test_pymididefs_means_the_same_by_the_same_name(
    pypi: Callable[[str, str], ModuleType],
) -> None:
    theirs = pypi("pymididefs", "pymididefs.cc").CC_MAP
    shared = set(theirs) & set(CONTROL_BY_NAME)
    assert len(shared) > 40
    assert {name: theirs[name] for name in shared} == {n: CONTROL_BY_NAME[n] for n in shared}


def test_midi_const_knows_the_same_numbers(pypi: Callable[[str, str], ModuleType]) -> None:
    """PyPI midi-const, written from the table of midi.org."""
    theirs = pypi("midi-const", "midi_const").CONTROLLER_NUMBERS
    defined = {
        number
        for number, name in theirs.items()
        if number < 120 and not name.lower().startswith("undefined")
    }
    assert defined == set(NAME_BY_CONTROL)
