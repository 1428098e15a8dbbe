"""cc_map held to its page in docs/plugins: what every kind of target sends, to the byte.

Sources beside the checks: the published 7-to-14-bit values are those of M2-115-U, section 3
(Tables 5, 6 and 8, and the same rule computed for 14 bits); NRPN and RPN bytes are compared with
what alsa-lib's own encoder makes, through ctypes; pitch bend is MIDI 1.0, 4.2.1, p. 19.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from pathlib import Path

import pytest

from harness import assert_plays, events, play_chain, problems, says_what_is_right
from pointsman_plugins.cc_map import scale_up

# ---- bend: the published values ----------------------------------------------------------------

TO_14 = {
    0: 0, 1: 128, 32: 4096, 63: 8064, 64: 8192, 65: 8322, 96: 12353, 100: 12873, 120: 15473,
    126: 16253, 127: 16383,
}  # fmt: skip
"""M2-115-U, section 3: the rule computed for 14 bits."""

TO_16 = {
    0: 0x0000, 5: 0x0A00, 30: 0x3C00, 32: 0x4000, 64: 0x8000, 70: 0x8C30, 96: 0xC104, 120: 0xF1C7,
    127: 0xFFFF,
}  # fmt: skip
"""M2-115-U, Table 5."""

TO_32 = {
    0: 0, 5: 0x0A000000, 30: 0x3C000000, 32: 0x40000000, 64: 0x80000000, 70: 0x8C30C30C,
    96: 0xC1041041, 120: 0xF1C71C71, 127: 0xFFFFFFFF,
}  # fmt: skip
"""M2-115-U, Table 6."""


@pytest.mark.parametrize(("bits", "table"), [(14, TO_14), (16, TO_16), (32, TO_32)])
def test_widening_gives_the_published_values(bits: int, table: dict[int, int]) -> None:
    assert {value: scale_up(value, 7, bits) for value in table} == table


@pytest.mark.parametrize("bits", [14, 16, 32])
def test_narrowing_by_a_shift_gives_every_value_back(bits: int) -> None:
    """M2-115-U, section 3: down(up(x)) = x, and down is a plain right shift."""
    assert [scale_up(value, 7, bits) >> (bits - 7) for value in range(128)] == list(range(128))


BEND = "- {plugin: cc_map, map: {1: {bend: true}}}"


@pytest.mark.parametrize(("value", "bend"), TO_14.items())
def test_bend_has_the_published_value_with_its_fine_half_first(
    tmp_path: Path, value: int, bend: int
) -> None:
    heard = play_chain(tmp_path, BEND, f"0 B4 01 {value:02X}")
    assert heard == events(f"0 E4 {bend & 0x7F:02X} {bend >> 7:02X}")


# ---- the other targets -------------------------------------------------------------------------

TARGETS = {
    "a control": ("{1: 74}", ["B0 4A 50"]),
    "a control by its name": ("{modulation: brightness}", ["B0 4A 50"]),
    "the same control": ("{1: 1}", ["B0 01 50"]),
    "pressure": ("{1: {pressure: true}}", ["D0 50"]),
    "program": ("{1: {program: true}}", ["C0 50"]),
    "nrpn": ("{1: {nrpn: [1, 8]}}", ["B0 63 01", "B0 62 08", "B0 06 50"]),
    "rpn": ("{1: {rpn: [0, 2]}}", ["B0 65 00", "B0 64 02", "B0 06 50"]),
    "nrpn, closed": (
        "{1: {nrpn: [1, 8], close: true}}",
        ["B0 63 01", "B0 62 08", "B0 06 50", "B0 65 7F", "B0 64 7F"],
    ),
    "rpn, closed": (
        "{1: {rpn: [0, 2], close: true}}",
        ["B0 65 00", "B0 64 02", "B0 06 50", "B0 65 7F", "B0 64 7F"],
    ),
    "not closed": ("{1: {rpn: [0, 2], close: false}}", ["B0 65 00", "B0 64 02", "B0 06 50"]),
    "sysex": ('{1: {sysex: "F0 7D 10 {value} F7"}}', ["F0 7D 10 50 F7"]),
    "a list sends each, in its order": (
        "{1: [brightness, {pressure: true}, 1, {program: true}]}",
        ["B0 4A 50", "D0 50", "B0 01 50", "C0 50"],
    ),
    "a list of one": ("{1: [74]}", ["B0 4A 50"]),
}


@pytest.mark.parametrize("case", TARGETS)
def test_every_kind_of_target(tmp_path: Path, case: str) -> None:
    targets, sent = TARGETS[case]
    heard = play_chain(tmp_path, f"- {{plugin: cc_map, map: {targets}}}", "0.5 B0 01 50")
    assert heard == [("0.500000", data) for data in sent]


def test_two_controls_may_change_places(tmp_path: Path) -> None:
    chain = "- {plugin: cc_map, map: {1: 74, 74: 1}}"
    assert play_chain(tmp_path, chain, "0 B0 01 05\n0 B0 4A 06") == events("""
        0 B0 4A 05
        0 B0 01 06
    """)


def test_the_channel_stays(tmp_path: Path) -> None:
    chain = "- {plugin: cc_map, map: {1: [{bend: true}, {nrpn: [0, 1]}, {pressure: true}]}}"
    assert play_chain(tmp_path, chain, "0 BF 01 40") == events("""
        0 EF 00 40
        0 BF 63 00
        0 BF 62 01
        0 BF 06 40
        0 DF 40
    """)


def test_what_is_not_in_the_map_passes(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        "- {plugin: cc_map, map: {1: 74}}",
        """
        0 90 3C 64
        0 B0 02 05
        0 B0 4A 05
        0 B0 21 05      # the fine half of 1 is a control of its own here
        0 B0 7B 00      # mode messages are no controls
        0 B0 79 00
        0 E0 00 40
        0 C0 05
        0 D0 05
        0 A0 3C 05
        0 F0 7D 01 F7
        0 F8
        """,
    )


def test_an_empty_map_changes_nothing(tmp_path: Path) -> None:
    assert_plays(tmp_path, "- {plugin: cc_map, map: {}}", "0 B0 01 05\n0 B0 63 01\n0 B0 06 01")


def test_only_the_channels_of_the_entry(tmp_path: Path) -> None:
    chain = "- {plugin: cc_map, channels: [2], map: {1: {pressure: true}}}"
    assert play_chain(tmp_path, chain, "0 B0 01 05\n0 B1 01 05") == events("""
        0 B0 01 05
        0 D1 05
    """)


# ---- parameters of the stream's own ------------------------------------------------------------


def test_the_stream_keeps_the_parameter_that_it_had_selected(tmp_path: Path) -> None:
    """Its next data entry must not land in ours (rule 6: sequences keep their order)."""
    assert_plays(
        tmp_path,
        "- {plugin: cc_map, map: {1: {nrpn: [1, 8]}}}",
        """
        0.0   B0 65 00
        0.0   B0 64 02
        -0.1  B0 01 50
        +0.1  B0 63 01
        +0.1  B0 62 08
        +0.1  B0 06 50
        +0.1  B0 65 00
        +0.1  B0 64 02
        0.2   B0 06 40
        0.3   B0 65 7F
        0.3   B0 64 7F
        -0.4  B0 01 51
        +0.4  B0 63 01
        +0.4  B0 62 08
        +0.4  B0 06 51
        """,
    )


def test_a_closed_parameter_is_followed_by_the_streams_own(tmp_path: Path) -> None:
    heard = play_chain(
        tmp_path,
        "- {plugin: cc_map, map: {1: {nrpn: [1, 8], close: true}}}",
        "0 B0 63 01\n0 B0 62 08\n0.1 B0 01 50\n0.2 B0 06 11",
    )
    assert [data for t, data in heard if t >= "0.1"] == [
        "B0 63 01", "B0 62 08", "B0 06 50", "B0 65 7F", "B0 64 7F", "B0 63 01", "B0 62 08",
        "B0 06 11",
    ]  # fmt: skip


def test_channels_have_parameters_of_their_own(tmp_path: Path) -> None:
    heard = play_chain(
        tmp_path,
        "- {plugin: cc_map, map: {1: {rpn: [0, 2]}}}",
        "0 B1 63 05\n0 B1 62 06\n0.1 B0 01 50",
    )
    assert [data for t, data in heard if t >= "0.1"] == ["B0 65 00", "B0 64 02", "B0 06 50"]


# ---- controls of the device --------------------------------------------------------------------

DEVICE = """
device: Capstan
channel: 3
controls:
  hawser: {cc: 1, fine: 33, home: 8192}
  winch: {cc: 7, fine: 39}
  reel: {cc: 74, home: 30}
  pawl: {nrpn: [1, 8], home: 64}
  drum: {sysex: "F0 7D 10 {value} F7", home: 64}
"""


def device_map(targets: str) -> str:
    return f"- {{plugin: cc_map, map: {targets}}}"


FROM_DEVICE = {
    "to a pair, over the whole of its range": (
        "{2: hawser}", "0 B0 02 7F\n0 B0 02 40", ["B0 01 7F", "B0 21 7F", "B0 01 40", "B0 21 00"],
    ),
    "to an NRPN of the device": ("{2: pawl}", "0 B0 02 05", ["B0 63 01", "B0 62 08", "B0 06 05"]),
    "to SysEx of the device": ("{2: drum}", "0 B0 02 05", ["F0 7D 10 05 F7"]),
    "from a pair to bend, over all 14 bits": (
        "{hawser: {bend: true}}", "0 B0 01 41\n0 B0 21 03", ["E0 00 41", "E0 03 41"],
    ),
    "from a pair to a pair": (
        "{hawser: winch}",
        "0 B0 01 41\n0 B0 21 03",
        ["B0 07 41", "B0 27 00", "B0 07 41", "B0 27 03"],
    ),
    "from a pair to 7 bits: its fine half says nothing new": (
        "{hawser: reel}", "0 B0 01 41\n0 B0 21 03\n0 B0 01 42", ["B0 4A 41", "B0 4A 42"],
    ),
    "from an NRPN: number passes, value is mapped, no rest of it goes on": (
        "{pawl: reel}",
        "0 B0 63 01\n0 B0 62 08\n0 B0 06 05\n0 B0 26 00\n0 B0 60 00\n0 B0 61 00",
        ["B0 63 01", "B0 62 08", "B0 4A 05"],
    ),
    "another NRPN is not ours": (
        "{pawl: reel}",
        "0 B0 63 01\n0 B0 62 09\n0 B0 06 05\n0 B0 26 00",
        ["B0 63 01", "B0 62 09", "B0 06 05", "B0 26 00"],
    ),
    "from SysEx, on the channel of the device": (
        "{drum: reel}", "0 F0 7D 10 05 F7\n0 F0 7D 11 05 F7", ["B2 4A 05", "F0 7D 11 05 F7"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FROM_DEVICE)
def test_controls_that_are_reached_otherwise(tmp_path: Path, case: str) -> None:
    targets, log, sent = FROM_DEVICE[case]
    heard = play_chain(tmp_path, device_map(targets), log, device=DEVICE)
    assert heard == [("0.000000", data) for data in sent]


# ---- letting go --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("targets", "home"),
    [
        ("{2: {bend: true}}", ["E0 00 40"]),
        ("{2: {pressure: true}}", ["D0 00"]),
        ("{2: reel}", ["B0 4A 1E"]),
        ("{2: hawser}", ["B0 01 40", "B0 21 00"]),
        ("{2: pawl}", ["B0 63 01", "B0 62 08", "B0 06 40"]),
        ("{2: 75}", []),
        ("{2: {program: true}}", []),
    ],
)
def test_a_release_puts_back_what_was_moved_and_is_away(
    tmp_path: Path, targets: str, home: list[str]
) -> None:
    chain = device_map(targets)
    log = "0 B0 02 7F\n1 90 3C 64\n1 80 3C 40"
    heard = play_chain(tmp_path, chain, log, device=DEVICE, on_exit="release")
    assert heard[-len(home) - 1 :] == events("1 80 3C 40") + [("1.000000", h) for h in home]


def test_a_bend_that_is_centred_is_not_centred_again(tmp_path: Path) -> None:
    heard = play_chain(tmp_path, BEND, "0 B0 01 7F\n1 B0 01 40", on_exit="release")
    assert heard == events("0 E0 7F 7F\n1 E0 00 40")


# ---- another's encoder -------------------------------------------------------------------------


class ControlData(ctypes.Structure):
    """snd_seq_ev_ctrl_t of alsa-lib's seq_event.h."""

    _fields_ = (
        ("channel", ctypes.c_ubyte),
        ("unused", ctypes.c_ubyte * 3),
        ("param", ctypes.c_uint),
        ("value", ctypes.c_int),
    )


class Event(ctypes.Structure):
    """snd_seq_event_t: eight bytes of head, the time, two addresses, then the data."""

    _fields_ = (
        ("type", ctypes.c_ubyte),
        ("flags", ctypes.c_ubyte),
        ("tag", ctypes.c_ubyte),
        ("queue", ctypes.c_ubyte),
        ("time", ctypes.c_uint * 2),
        ("source", ctypes.c_ubyte * 2),
        ("dest", ctypes.c_ubyte * 2),
        ("control", ControlData),
    )


NONREGPARAM, REGPARAM, PITCHBEND = 15, 16, 13
"""Event types of alsa-lib's seq_event.h."""


def alsa_bytes(kind: int, channel: int, param: int, value: int) -> list[str]:
    """The messages that alsa-lib's encoder makes of an event."""
    name = ctypes.util.find_library("asound")
    if name is None:
        pytest.skip("needs alsa-lib (libasound2), which is not installed here")
    alsa = ctypes.CDLL(name)
    encoder = ctypes.c_void_p()
    assert alsa.snd_midi_event_new(ctypes.c_size_t(64), ctypes.byref(encoder)) == 0
    try:
        alsa.snd_midi_event_init(encoder)
        alsa.snd_midi_event_no_status(encoder, 1)
        event = Event(type=kind, control=ControlData(channel=channel, param=param, value=value))
        buffer = ctypes.create_string_buffer(64)
        alsa.snd_midi_event_decode.restype = ctypes.c_long
        size = alsa.snd_midi_event_decode(encoder, buffer, ctypes.c_long(64), ctypes.byref(event))
    finally:
        alsa.snd_midi_event_free(encoder)
    data = buffer.raw[:size]
    return [data[n : n + 3].hex(" ").upper() for n in range(0, size, 3)]


@pytest.mark.parametrize(("way", "kind"), [("nrpn", NONREGPARAM), ("rpn", REGPARAM)])
@pytest.mark.parametrize(
    ("coarse", "fine", "value", "channel"),
    [(0, 0, 2, 0), (0x24, 0x34, 2, 0), (1, 8, 127, 15), (127, 126, 0, 9), (0, 127, 64, 3)],
)
def test_parameters_are_what_alsa_makes_of_them(
    tmp_path: Path, way: str, kind: int, coarse: int, fine: int, value: int, channel: int
) -> None:
    """alsa-lib's encoder adds data entry fine; the page sends the coarse half alone."""
    wanted = alsa_bytes(kind, channel, coarse << 7 | fine, value << 7)
    chain = f"- {{plugin: cc_map, map: {{1: {{{way}: [{coarse}, {fine}]}}}}}}"
    heard = [data for _, data in play_chain(tmp_path, chain, f"0 B{channel:X} 01 {value:02X}")]
    assert [*heard, f"B{channel:X} 26 00"] == wanted


def test_bends_are_what_alsa_makes_of_the_published_rule(tmp_path: Path) -> None:
    wanted = [alsa_bytes(PITCHBEND, 4, 0, min_centre_max(value) - 8192) for value in range(128)]
    log = "\n".join(f"0 B4 01 {value:02X}" for value in range(128))
    assert [[data] for _, data in play_chain(tmp_path, BEND, log)] == wanted


def min_centre_max(value: int) -> int:
    """M2-115-U, section 3, written out for 7 to 14 bits."""
    widened = value << 7
    if value <= 64:
        return widened
    rest = (value & 63) << 1
    while rest:
        widened |= rest
        rest >>= 6
    return widened


# ---- wrong options -----------------------------------------------------------------------------

WAYS = "bend, pressure, program, nrpn, rpn or sysex"
WRONG = {
    "{1: filter_cutof}": "35: {}.map.1: 'filter_cutof' is no control; "
    "write 0 to 119, a name from the device file, or a MIDI name such as modulation",
    "{120: 1}": "32: {}.map.120: '120' is a channel mode message, not a control; "
    "write 0 to 119, or a name",
    "{1: {bend: false}}": "35: {}.map.1: 'false' is wrong here; write bend: true",
    "{1: {bend: }}": "35: {}.map.1: nothing is written here; write bend: true",
    "{1: {bent: true}}": "35: {}.map.1: 'bent' is no target; did you mean 'bend'?",
    "{1: {fog: 1}}": f"35: {{}}.map.1: 'fog' is no target; write {WAYS}",
    "{1: {}}": f"35: {{}}.map.1: no target stands here; write one of {WAYS}",
    "{1: {rpn: [0, 1], program: true}}": "35: {}.map.1: program and rpn are two targets; "
    f"write one of {WAYS}",
    "{1: []}": "35: {}.map.1: the list is empty; write at least one target",
    "{1: [74, {nrpn: [1, 128]}]}": "40: {}.map.1[2]: 'nrpn' has two values from 0 to 127; "
    "write for example nrpn: [1, 8]",
    "{1: {nrpn: 5}}": "35: {}.map.1: 'nrpn' has two values from 0 to 127; "
    "write for example nrpn: [1, 8]",
    "{1: {bend: true, close: true}}": "35: {}.map.1: 'bend' has nothing to close; take close out",
    "{1: {rpn: [0, 1], close: maybe}}": "35: {}.map.1: 'maybe' is neither; "
    "write close: true or close: false",
    "{1: {sysex: F0 10 F7}}": "35: {}.map.1: 'F0 10 F7' is no SysEx with a value; "
    "write like F0 7D 10 {{value}} F7",
    "{1: 74, modulation: 75}": "39: {}.map.modulation: 'modulation' is the same as '1'; "
    "keep one of them",
}


@pytest.mark.parametrize("targets", WRONG)
def test_wrong_targets_are_refused(tmp_path: Path, targets: str) -> None:
    found = problems(tmp_path, device_map(targets))
    assert says_what_is_right(found)
    assert found == [f"rig.yaml:7:{WRONG[targets].format('outputs.tug.chain[1]')}"]


def test_half_of_a_pair_is_the_same_control(tmp_path: Path) -> None:
    assert problems(tmp_path, device_map("{hawser: 74, 33: 75}"), device=DEVICE) == [
        "rig.yaml:8:48: outputs.tug.chain[1].map.33: '33' is the same control as 'hawser'; "
        "write one list for both"
    ]
