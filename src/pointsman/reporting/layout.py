"""Where each part of a row stands on the paper: bands from top to bottom, in pixels.

Both drawings, the page and the picture, take the heights from here, so that they look alike.
"""

from __future__ import annotations

from dataclasses import dataclass

from pointsman.reporting.meters import TENTHS
from pointsman.reporting.model import Model, Row, Track
from pointsman.reporting.notes import End
from pointsman.units import note_name

TITLE = 20
"""The line above each band in which its title stands."""

GAP = 8
BARS = 18
"""The line on top of a row in which the bars are counted."""

LANE, SMALL_LANE, TICKS = 46, 26, 12
MOST_LANES = 40
"""Lanes of one row that are drawn; those with most marks and values first."""

_SEMITONE, _LOWEST_ROLL, _HIGHEST_ROLL = 9, 54, 190
_HEIGHTS = {"load": SMALL_LANE, "clock": SMALL_LANE, "voices": SMALL_LANE, "other": TICKS}
_ORDER = ("voices", "control", "bend", "pressure", "program", "clock", "load", "other")


@dataclass
class Band:
    """One lane or the piano roll: from `top`, so high. `number` is the track's; None: the roll."""

    title: str
    top: int
    height: int
    number: int | None = None
    homes: int = 0
    stolen: int = 0

    @property
    def bottom(self) -> int:
        """Where it ends."""
        return self.top + self.height


@dataclass
class RowLayout:
    """One row: its bands, its height, and the notes at the bottom and the top of its roll."""

    row: Row
    title: str
    about: str
    bands: list[Band]
    height: int
    low: int
    high: int
    left_out: list[str]


def lay_out(model: Model) -> list[RowLayout]:
    """Every row of a model, the outputs first: what came in is drawn behind them as well."""
    return [_lay_out(model, row) for row in model.rows]


def _lay_out(model: Model, row: Row) -> RowLayout:
    top = BARS
    bands: list[Band] = []
    low, high = _note_range(model, row)
    if low <= high:
        span = high - low + 1
        height = min(max(span * _SEMITONE, _LOWEST_ROLL), _HIGHEST_ROLL)
        title = f"notes {note_name(low, model.middle_c_octave)}"
        if high > low:
            title += f" to {note_name(high, model.middle_c_octave)}"
        bands.append(Band(title, top + TITLE, height, None, 0, row.count(End.STOLEN)))
        top = bands[-1].bottom + GAP
    shown, left_out = _choose(row)
    for number in shown:
        track = row.tracks[number]
        height = _HEIGHTS.get(track.kind, LANE)
        bands.append(Band(_title(row, track), top + TITLE, height, number, track.homes))
        top = bands[-1].bottom + GAP
    return RowLayout(row, row.name, _about(row), bands, top, low, high, left_out)


def _choose(row: Row) -> tuple[list[int], list[str]]:
    """The tracks that are drawn, in their order from top to bottom; the titles of the others."""
    used = [number for number, track in enumerate(row.tracks) if _has_something(track)]
    by_weight = sorted(used, key=lambda n: (-row.tracks[n].homes, -row.tracks[n].lane.count))
    measured = [n for n in used if row.tracks[n].kind in ("clock", "load")]
    kept = {*by_weight[:MOST_LANES], *measured}
    shown = sorted(kept, key=lambda n: (_ORDER.index(row.tracks[n].kind), row.tracks[n].title))
    return shown, sorted(row.tracks[n].title for n in used if n not in kept)


def _has_something(track: Track) -> bool:
    return len(track.lane) > 0 or track.kind == "clock"


def _note_range(model: Model, row: Row) -> tuple[int, int]:
    notes = {key & 0x7F for key in row.notes.keys}
    notes.update(key & 0x7F for key in model.input.notes.keys if key >> 7 in row.sources)
    return (min(notes), max(notes)) if notes else (0, -1)


def _title(row: Row, track: Track) -> str:
    if track.kind == "clock":
        return _tempo(track)
    if track.kind == "load":
        most = max(track.lane.values) / TENTHS
        wire = "wire" if row.wire_rate else "load, as on a DIN wire"
        return f"{wire}: at most {most:g} % full"
    if track.kind == "voices" and track.home is not None:
        return f"{track.title} (it has {track.home})"
    if track.home is not None and track.kind == "control":
        return f"{track.title} (home {track.home})"
    return track.title


def _tempo(track: Track) -> str:
    tempos = [value for value in track.lane.values if value]
    if not tempos:
        return "clock: none"
    low, high = round(min(tempos) / TENTHS), round(max(tempos) / TENTHS)
    return f"clock: {low} a minute" if low == high else f"clock: {low} to {high} a minute"


def _about(row: Row) -> str:
    """What is known of the synth."""
    device = row.device
    if device is None:
        return ""
    parts = [device.device]
    if device.channel:
        parts.append(f"channel {device.channel}")
    if device.voices:
        parts.append(f"{device.voices} voice{'s' if device.voices > 1 else ''}")
    return ", ".join(parts)
