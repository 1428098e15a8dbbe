"""Before and after, side by side, for the terminal.

Before is what a plain splitter would do: every synth gets everything, as it comes.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pointsman.demo import song
from pointsman.demo.heard import Heard, listen
from pointsman.device import Device
from pointsman.io_tsv import read_tsv
from pointsman.render import OutputRow
from pointsman.render_tables import show_rows
from pointsman.rig import Rig
from pointsman.tables import table

_TRACKS = {"tug": song.TUG + 1, "gull": song.GULL + 1, "buoy": song.BUOY + 1}
_BAR_SHOWN = 1  # the second bar: the first one's changes have had time to do their damage


def page(rig: Rig, place: Path, rows: Sequence[OutputRow]) -> str:
    """The whole page, from the files in `place`."""
    before = list(read_tsv(place / "harbour.tsv"))
    parts = [
        "One sequencer, one cable, three synths in a harbour: four bars at 120.",
        "BEFORE: a plain splitter, every synth gets everything.  AFTER: through the rig.",
    ]
    facts: list[tuple[str, str, str, str]] = []
    lanes: list[str] = []
    for spec in rig.outputs:
        device, track = spec.device, _TRACKS[spec.name]
        assert device is not None and device.channel is not None
        after = list(read_tsv(place / f"{spec.name}.tsv"))
        raw = listen(before, device, device.channel)
        meant = listen(before, device, track)
        done = listen(after, device, device.channel)
        facts += _facts(spec.name, device, track, raw, meant, done)
        lanes += _lanes(spec.name, device, meant, done)
    parts.append(table(("synth", "what it does", "before", "after"), facts))
    parts.append(
        f"Bar {_BAR_SHOWN + 1}, step by step. A dot: the control is home. "
        "Steps that the sequencer turned are in [ ].\n" + "\n".join(lanes)
    )
    parts.append("What the rig did:\n" + show_rows(rows))
    return "\n\n".join(parts)


def _facts(
    name: str, device: Device, track: int, raw: Heard, meant: Heard, done: Heard
) -> list[tuple[str, str, str, str]]:
    """What changed for one synth. `raw` is what it hears, `meant` what its track says."""
    wrong = "" if raw.notes else f" (track on {track}, synth on {device.channel})"
    voices = device.voices or 0
    facts = [
        (name, "notes it hears", f"{raw.notes}{wrong}", str(done.notes)),
        (name, f"most notes at once (it has {voices})", *_pair(meant, done, "most_at_once")),
        (name, "notes left hanging at the end", *_pair(meant, done, "left_sounding")),
        (name, "controls left away at the end", _names(meant.left_away), _names(done.left_away)),
    ]
    if raw.clocks != done.clocks:
        what = "clocks, to which its old pattern plays"
        facts.append((name, what, str(raw.clocks), str(done.clocks)))
    return facts


def _pair(before: Heard, after: Heard, what: str) -> tuple[str, str]:
    return str(getattr(before, what)), str(getattr(after, what))


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"


def _lanes(name: str, device: Device, before: Heard, after: Heard) -> list[str]:
    first = _BAR_SHOWN * song.STEPS_PER_BAR
    steps = range(first, first + song.STEPS_PER_BAR)
    lines = []
    for control, lane in before.lanes.items():
        home = device.controls[control].home or 0
        turned = _turned(name, device.controls[control].cc)
        title = f"  {name} {control}"
        for word, values in (("before", lane), ("after", after.lanes[control])):
            cells = [_cell(values[step], home, step in turned) for step in steps]
            lines.append(f"{title:<13}{word:<7}{''.join(cells)}")
            title = ""
    return lines


def _turned(name: str, control: int | None) -> set[int]:
    """The steps on which the sequencer turns this control."""
    track = song.TRACKS[_TRACKS[name] - 1]
    return {n for n, step in enumerate(track) if any(c == control for c, _ in step.controls)}


def _cell(value: int, home: int, turned: bool) -> str:
    text = "." if value == home else str(value)
    return f"[{text}]".rjust(6) if turned else f"{text} ".rjust(6)
