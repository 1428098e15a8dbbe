"""The names of the MIDI 1.0 controls, 0-119, as a player writes them in a rig.

Source: the control change table of the MIDI 1.0 Detailed Specification 4.2.1 (Table III) and of
RP-028, with the later names of RP-021 (75-78), RP-023 (91, 93) and CA-031 (88), written in lower
case with underscores. A number of 32-63 is the fine half of 0-31. Undefined numbers have no name.
"""

from __future__ import annotations

LAST_CONTROL = 119

_COARSE = {
    0: "bank_select",
    1: "modulation",
    2: "breath_controller",
    4: "foot_controller",
    5: "portamento_time",
    6: "data_entry",
    7: "channel_volume",
    8: "balance",
    10: "pan",
    11: "expression",
    12: "effect_control_1",
    13: "effect_control_2",
    16: "general_purpose_1",
    17: "general_purpose_2",
    18: "general_purpose_3",
    19: "general_purpose_4",
}

_SINGLE = {
    64: "damper_pedal",
    65: "portamento",
    66: "sostenuto",
    67: "soft_pedal",
    68: "legato_footswitch",
    69: "hold_2",
    70: "sound_variation",
    71: "timbre",
    72: "release_time",
    73: "attack_time",
    74: "brightness",
    75: "decay_time",
    76: "vibrato_rate",
    77: "vibrato_depth",
    78: "vibrato_delay",
    79: "sound_controller_10",
    80: "general_purpose_5",
    81: "general_purpose_6",
    82: "general_purpose_7",
    83: "general_purpose_8",
    84: "portamento_control",
    88: "high_resolution_velocity",
    91: "reverb_send",
    92: "tremolo_depth",
    93: "chorus_send",
    94: "detune_depth",
    95: "phaser_depth",
    96: "data_increment",
    97: "data_decrement",
    98: "nrpn_lsb",
    99: "nrpn_msb",
    100: "rpn_lsb",
    101: "rpn_msb",
}

NAME_BY_CONTROL: dict[int, str] = {
    **_COARSE,
    **{number + 32: f"{name}_lsb" for number, name in _COARSE.items()},
    **_SINGLE,
}
"""The name by which a control is shown; numbers without a published name are left out."""

# Other names by which the same published tables, or players, call the same control.
_ALSO = {
    "modulation_wheel": 1,
    "modulation_wheel_or_lever": 1,
    "breath": 2,
    "foot_pedal": 4,
    "volume": 7,
    "main_volume": 7,
    "expression_controller": 11,
    **{f"{name}_msb": number for number, name in _COARSE.items()},
    **{f"general_purpose_controller_{n}": 15 + n for n in range(1, 5)},
    **{f"general_purpose_controller_{n}": 75 + n for n in range(5, 9)},
    "sustain": 64,
    "sustain_pedal": 64,
    "damper": 64,
    "hold": 64,
    "hold_1": 64,
    "portamento_switch": 65,
    "portamento_on_off": 65,
    "sostenuto_pedal": 66,
    "legato": 68,
    "harmonic_intensity": 71,
    "timbre_harmonic_intensity": 71,
    **{f"sound_controller_{n}": 69 + n for n in range(1, 10)},
    **{f"effects_{n}_depth": 90 + n for n in range(1, 6)},
    "reverb_depth": 91,
    "reverb_send_level": 91,
    "chorus_depth": 93,
    "chorus_send_level": 93,
    "celeste_depth": 94,
    "celeste_detune_depth": 94,
    "harmonic_content": 71,
    "high_resolution_velocity_prefix": 88,
    "non_registered_parameter_lsb": 98,
    "non_registered_parameter_msb": 99,
    "registered_parameter_lsb": 100,
    "registered_parameter_msb": 101,
}

CONTROL_BY_NAME: dict[str, int] = {
    **_ALSO,
    **{name: number for number, name in NAME_BY_CONTROL.items()},
}
"""The control number (0-119) for each name that a rig may use."""
