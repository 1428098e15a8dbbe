"""At which end of its range a control silences a synth, as far as its name tells.

Common practice of the trade, by words that occur in names of controls. A control whose name tells
nothing is suspected a little when it is at an end and away from home.
"""

from __future__ import annotations

import re

from pointsman.control_refs import ControlRef
from pointsman.why.findings import AT_AN_END, HARMLESS_END, SILENT_END
from pointsman.why.settings import PITCH

_SILENT_LOW = (
    "cutoff", "brightness", "filter", "corner", "volume", "level", "gain", "amp", "output",
    "loudness", "mixer", "vca",
)  # fmt: skip
"""At the bottom of these nothing, or next to nothing, comes out."""

_SILENT_HIGH = ("attack", "rise", "fade", "low_cut", "lowcut", "high_pass", "highpass")
"""At the top of these a sound does not rise, or nothing is left of it."""

_HARMLESS = (
    "pan", "balance", "resonance", "modulation", "mod", "vibrato", "portamento", "glide",
    "detune", "chorus", "reverb", "delay", "phaser", "effect", "tremolo", "release", "rate",
    "speed", "depth", "amount", "envelope", "pedal", "legato", "hold", "bank", "breath", "drive",
    "spread", "width", "tune", "foot", "type", "wave",
)  # fmt: skip
"""Whatever these are at, something sounds; they tell more than another word beside them."""

NEARLY = 0.02
"""What part of its range a control may be from the end."""

_PARTS = re.compile(r"[a-z]+")


def weight_of_end(control: ControlRef, value: int) -> float:
    """How much a control at this value is to be suspected; 0: not at all."""
    if control.name in PITCH:
        return 0
    low, high = control.range or (0, control.top)
    nearly = (high - low) * NEARLY
    at_low, at_high = value <= low + nearly, value >= high - nearly
    if not (at_low or at_high) or (
        control.home is not None and abs(value - control.home) <= nearly
    ):
        return 0
    name, harmless = control.name.lower(), HARMLESS_END if control.home is not None else 0
    if _has(name, _HARMLESS):
        return harmless
    if _has(name, _SILENT_HIGH):
        return SILENT_END if at_high else harmless
    if _has(name, _SILENT_LOW):
        return SILENT_END if at_low else harmless
    return 0 if control.home is None else AT_AN_END


def _has(name: str, words: tuple[str, ...]) -> bool:
    parts = _PARTS.findall(name)
    return any(word == part or (len(word) > 4 and word in name) for word in words for part in parts)
