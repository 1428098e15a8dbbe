"""What stands on the terminal, as a pure function of what is known and of the terminal's size.

From above: what this is; a table of the input and the outputs; a rule; the newest messages, the
last one lowest; the keys. Each is a line that fits. Nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby

from pointsman.errors import one_line
from pointsman.units import NS_PER_S, note_name
from pointsman.watch.cells import clip, pad, width
from pointsman.watch.filters import INPUT
from pointsman.watch.items import Row, Told
from pointsman.watch.lines import short_hex, tempo_text
from pointsman.watch.scene import Scene
from pointsman.watch.setting import OPEN

_LONGEST_NAME, _LONGEST_PORT = 16, 28
_HEAD_ROWS, _FOOT_ROWS = 2, 2
"""The title and the song above the table; a rule and the keys below."""

_FEWEST_CELLS = {"wire": 8, "tempo": 15}
"""Columns that keep their width though the figures in them grow: a table must not jump."""

_FEWEST_ROWS = 4
"""Rows that the list keeps, however many outputs there are."""

_WIDE, _WIDEST = 72, 100
"""From so many columns on there is room for the bytes and the tempo, and for the ports as well."""

Paint = Callable[[str], str]


@dataclass(frozen=True)
class Style:
    """How the parts are set off: `strong`, `faint` and `alarm` wrap a text in what marks it."""

    strong: Paint
    faint: Paint
    alarm: Paint


def _sgr(code: int) -> Paint:
    return lambda text: f"\x1b[{code}m{text}\x1b[0m" if text else text


PLAIN = Style(str, str, str)
MARKED = Style(_sgr(1), _sgr(2), _sgr(7))
"""Bold, faint and reversed: whatever colours a terminal has, these are legible on it."""


@dataclass
class Listing:
    """The list below the table: its newest rows, and what passed without being shown.

    `skipped`: rows that came too fast to be shown; `held`: rows that came while it is paused, None
    when it is not.
    """

    rows: Sequence[Row] = ()
    skipped: int = 0
    held: int | None = None


def list_room(scene: Scene, rows: int) -> int:
    """How many rows of a terminal are for the list."""
    return max(rows - _HEAD_ROWS - _table_rows(scene, rows) - _FOOT_ROWS, 0)


def frame(
    scene: Scene, listing: Listing, now_ns: int, size: tuple[int, int], style: Style
) -> list[str]:
    """The lines of a terminal of `size` (columns, rows), from above; as many as it has rows."""
    columns, rows = size
    room = list_room(scene, rows)
    listed = [_row(row, scene, columns, style) for row in list(listing.rows)[-room:] if room]
    lines = [
        style.strong(clip(one_line(scene.setting.title), columns)),
        clip(_song(scene, now_ns), columns),
        *_table(scene, now_ns, size, style),
        "-" * columns,
        *listed,
        *[""] * (room - len(listed)),
        _keys(scene, listing, columns, style),
    ]
    return lines[:rows]


# ---- the table -----------------------------------------------------------------------------------


def _song(scene: Scene, now_ns: int) -> str:
    stream = scene.streams[None]
    clock = stream.tempo(now_ns)
    parts = [
        "playing" if stream.transport.playing else "stopped",
        "" if stream.bar is None else f"bar {stream.bar}",
        "no clock" if clock is None else tempo_text(*clock),
        "active sensing" if stream.is_sensed(now_ns) else "",
    ]
    return ", ".join(part for part in parts if part)


@dataclass(frozen=True)
class _Line:
    name: str
    a_second: str
    wire: str
    tempo: str
    port: str
    sounds: str
    alarm: bool


_HEADS = _Line("", "a second", "wire", "tempo, jitter", "port", "sounds", False)


def _table_rows(scene: Scene, rows: int) -> int:
    """The lines of the table: its heads, the input, and as many outputs as the list leaves."""
    room = rows - _HEAD_ROWS - _FOOT_ROWS - _FEWEST_ROWS
    return min(len(scene.setting.outputs) + 2, max(room, 2))


def _table(scene: Scene, now_ns: int, size: tuple[int, int], style: Style) -> list[str]:
    """A line for the input and each output; of too many the first, and how many more there are."""
    columns, rows = size
    names: list[str | None] = [None, *scene.setting.outputs]
    room = _table_rows(scene, rows) - 1
    shown = names if len(names) <= room else names[: max(room - 1, 1)]
    found = [_HEADS, *(_line(scene, name, now_ns) for name in shown)]
    kept = ["name", "a_second", "wire", *["tempo"] * (columns >= _WIDE)]
    kept += ["port"] * (columns >= _WIDEST)
    widths = {
        key: max(_FEWEST_CELLS.get(key, 0), *(width(getattr(line, key)) for line in found))
        for key in kept
    }
    for key, most in (("name", _LONGEST_NAME), ("port", _LONGEST_PORT)):
        if key in widths:
            widths[key] = min(widths[key], most)
    lines = [_set(line, widths, columns, style) for line in found]
    if len(shown) < min(len(names), room):
        lines.append(clip(f"and {len(names) - len(shown)} outputs more", columns))
    return lines


def _set(line: _Line, widths: dict[str, int], columns: int, style: Style) -> str:
    cells = [
        pad(getattr(line, key), cells, right=key in ("a_second", "wire"))
        for key, cells in widths.items()
    ]
    left = "  ".join(cells) + "  "
    sounds = clip(line.sounds, max(columns - width(left), 0))
    if line is _HEADS:
        return style.faint(clip(left + sounds, columns))
    return clip(left, columns) + (style.alarm(sounds) if line.alarm else sounds)


def _line(scene: Scene, name: str | None, now_ns: int) -> _Line:
    stream, place = scene.streams[name], scene.setting.place(name)
    messages, size = stream.rate.last_second(now_ns)
    clock = stream.tempo(now_ns)
    tempo = "-"
    if clock is not None:
        per_minute, jitter = clock
        tempo = f"{per_minute:.1f}" + (f", {jitter['p50'] / 1000:.2f} ms" if jitter else "")
    trouble = place is not None and place.state != OPEN
    return _Line(
        one_line(INPUT if name is None else name),
        str(messages),
        _load(size, place.rate if place else None) if name is not None else "-",
        tempo,
        one_line(place.port) if place else "-",
        f"PORT {place.state.upper()}" if place and trouble else _sounding(scene, name),
        trouble,
    )


def _load(size: int, rate: int | None) -> str:
    """How full a wire is; one that is not paced, in bytes a second."""
    return f"{size} B/s" if rate is None else f"{size / rate:.0%}"


def _sounding(scene: Scene, name: str | None) -> str:
    octave = scene.setting.middle_c_octave
    notes = sorted(scene.streams[name].sounding)
    parts = [
        f"{' '.join(note_name(note, octave) for _, note in group)} on {channel}"
        for channel, group in groupby(notes, lambda note: note[0])
    ]
    return ", ".join(parts) or "-"


# ---- the list ------------------------------------------------------------------------------------


def _row(row: Row, scene: Scene, columns: int, style: Style) -> str:
    if isinstance(row, Told):
        return style.alarm(clip(one_line(row.text), columns))
    names = [INPUT, *scene.setting.outputs]
    room = min(max(width(one_line(name)) for name in names), _LONGEST_NAME)
    event, words, by_itself = row
    left = _left(event.t_ns, event.output, words.channel, room)
    text = words.text if columns >= _WIDE else words.brief
    line = left + text + (" by itself" if by_itself else "")
    if columns < _WIDE:
        return clip(line, columns)
    data = short_hex(event.data)
    gap = columns - width(line) - width(data)
    return line + " " * gap + style.faint(data) if gap > 1 else clip(line, columns)


def _left(t_ns: int, output: str | None, channel: int | None, room: int) -> str:
    name = pad(INPUT if output is None else one_line(output), room)
    return f"{t_ns / NS_PER_S:9.3f} {name} {'' if channel is None else channel:>2} "


def _keys(scene: Scene, listing: Listing, columns: int, style: Style) -> str:
    paused = listing.held is not None
    parts = [
        f"PAUSED, {listing.held} passed by" if paused else "",
        f"q ends, space {'goes on' if paused else 'pauses'}",
        f"{listing.skipped} not shown" if listing.skipped else "",
        f"{scene.lost} LOST" if scene.lost else "",
        str(scene.filters),
    ]
    text = clip("; ".join(part for part in parts if part), columns)
    return style.alarm(text) if paused else style.faint(text)
