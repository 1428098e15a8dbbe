"""A report as one picture, PNG or SVG: matplotlib draws it, in the looks of the page."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.path import Path as Shape
from matplotlib.ticker import FuncFormatter

from pointsman.reporting import style
from pointsman.reporting.lanes import HOME, Lane
from pointsman.reporting.layout import Band, RowLayout, lay_out
from pointsman.reporting.model import EARLY, Model, Row, Track
from pointsman.reporting.notes import End, Notes
from pointsman.transport import TransportChange

WIDTH, DOTS_AN_INCH = 1200, 100
LEFT, RIGHT, HEAD, AXIS, TOP = 52, 14, 26, 26, 64
MOST_ROWS_HIGH = 30_000
"""Pixels; a picture that is higher cannot be looked at, nor drawn by all that show pictures."""

MANY_NOTES, MANY_MARKS = 3000, 400
"""More than these do not fit side by side: notes become one where they are closer than three
pixels, and marks stand in a line."""

_PIXELS = WIDTH - LEFT - RIGHT
_WALL, _FLOOR = 0.66, -0.8
_HOUSE = Shape(
    [(0, 1), (1, 0), (_WALL, 0), (_WALL, _FLOOR), (-_WALL, _FLOOR), (-_WALL, 0), (-1, 0), (0, 1)]
)
_MARKS: dict[str, tuple[Any, float, str]] = {
    "home": (_HOUSE, 12, style.HOME),
    "stolen": ("x", 7, style.STOLEN),
    "ended": ("s", 6, style.ENDED),
    "start": (">", 8, style.INK),
    "stop": ("s", 7, style.INK),
}

_BEGINNINGS = {TransportChange.START, TransportChange.CONTINUE}

Box = tuple[float, float, float, float]
"""Left, right, top and bottom: seconds and pixels."""


def draw(model: Model, path: Path) -> None:
    """Write the picture to a `.png` or `.svg` file."""
    looks: Any = {"svg.hashsalt": "pointsman", "font.size": 9, "svg.fonttype": "path"}
    with mpl.rc_context(looks), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # a name in letters that no font has
        figure = _figure(model)
        if path.suffix.lower() == ".svg":
            FigureCanvasSVG(figure)
            figure.savefig(path, format="svg", metadata={"Date": None})
        else:
            FigureCanvasAgg(figure)
            figure.savefig(path, format="png", metadata={"Software": None})


def _figure(model: Model) -> Figure:
    layouts = lay_out(model)
    heights = [HEAD + layout.height + AXIS for layout in layouts]
    height = min(TOP + sum(heights), MOST_ROWS_HIGH)
    inches = (WIDTH / DOTS_AN_INCH, height / DOTS_AN_INCH)
    figure = Figure(figsize=inches, dpi=DOTS_AN_INCH, facecolor=style.PAPER)
    _write(figure, 12 / WIDTH, 1 - 18 / height, f"{model.rig}: {model.source}", fontsize=13)
    _legend(figure, height)
    top = TOP
    for layout, high in zip(layouts, heights, strict=True):
        if top + high > height:
            break
        title = f"{layout.title}   {layout.about}".strip()
        _write(figure, 12 / WIDTH, 1 - (top + 12) / height, title, fontsize=11, fontweight="bold")
        bottom = 1 - (top + HEAD + layout.height) / height
        box = (LEFT / WIDTH, bottom, _PIXELS / WIDTH, layout.height / height)
        _Painter(figure.add_axes(box), model, layout).paint()
        top += high
    return figure


def _write(where: Any, x: float, y: float, text: str, **looks: Any) -> None:
    """Text as it is: a name with dollar signs in it is no formula."""
    where.text(x, y, text, parse_math=False, color=style.INK, va="center", **looks)


def _legend(figure: Figure, height: int) -> None:
    axes: Any = figure.add_axes((0, 1 - TOP / height, 1, 28 / height))
    axes.set(xlim=(0, WIDTH), ylim=(28, 0))
    axes.axis("off")
    x = 14.0
    for name, text in style.LEGEND:
        x += _legend_mark(axes, name, x)
        _write(axes, x, 14, text, fontsize=8.5)
        x += 6.0 * len(text) + 18


def _legend_mark(axes: Any, name: str, x: float) -> float:
    if name in _MARKS:
        _scatter(axes, name, [(x + 5, 14)])
        return 16
    if name == "home-line":
        axes.plot([x, x + 24], [14, 14], ":", color=style.INK, lw=1)
        return 30
    came_in = name == "came-in"
    color = style.CAME_IN if came_in else style.SENT
    _boxes(axes, [(x, x + 16, 10, 18)], edge=color, face="none" if came_in else color)
    axes.plot([x + 20, x + 40], [14, 14], "--" if came_in else "-", color=color, lw=1.8)
    return 46


def _boxes(
    axes: Any, boxes: Sequence[Box], *, edge: str, face: str, hatch: str | None = None
) -> None:
    if boxes:
        corners = [[(a, c), (b, c), (b, d), (a, d)] for a, b, c, d in boxes]
        axes.add_collection(
            PolyCollection(corners, edgecolors=edge, facecolors=face, linewidths=1, hatch=hatch)
        )


def _scatter(axes: Any, name: str, spots: Sequence[tuple[float, float]]) -> None:
    if spots:
        marker, size, color = _MARKS[name]
        is_cross = name == "stolen"
        axes.scatter(
            [x for x, _ in spots], [y for _, y in spots], s=size * size, marker=marker, color=color,
            linewidths=2.2 if is_cross else 0.6, zorder=5, clip_on=False,
            **({} if is_cross else {"edgecolors": style.PAPER}),
        )  # fmt: skip


class _Painter:
    """One row."""

    def __init__(self, axes: Any, model: Model, layout: RowLayout) -> None:
        self._axes = axes
        self._model = model
        self._layout = layout
        self._end = max(model.end_us, 1) / 1e6
        self._pixel = self._end / _PIXELS

    def paint(self) -> None:
        """Draw it."""
        axes, layout = self._axes, self._layout
        axes.set(xlim=(-0.01 * self._end, 1.01 * self._end), ylim=(layout.height, 0))
        axes.set_yticks([])
        for side in ("left", "right", "top"):
            axes.spines[side].set_visible(False)
        axes.spines["bottom"].set_color(style.GRID)
        axes.tick_params(labelsize=8, colors=style.INK)
        axes.xaxis.set_major_formatter(FuncFormatter(_clock_text))
        self._bars()
        for band in layout.bands:
            axes.axhspan(band.top, band.bottom, color=style.BAND, zorder=0)
            self._title(band)
            if band.number is None:
                self._roll(band)
            else:
                self._lane(band, layout.row.tracks[band.number])

    def _bars(self) -> None:
        last = -1.0
        for t_us, number in self._model.bars:
            if t_us / 1e6 - last < 28 * self._pixel and last >= 0:
                continue
            last = t_us / 1e6
            self._axes.axvline(last, color=style.GRID, lw=0.8, zorder=0.5)
            _write(self._axes, last + 9 * self._pixel, 9, str(number), fontsize=8)
        for name, wanted in (("start", _BEGINNINGS), ("stop", {TransportChange.STOP})):
            spots = [(t_us / 1e6, 9) for t_us, change in self._model.changes if change in wanted]
            _scatter(self._axes, name, spots)

    def _title(self, band: Band) -> None:
        y = band.top - 9
        _write(self._axes, -0.01 * self._end, y, band.title, fontsize=8.5, fontweight="bold")
        x = -0.01 * self._end + (7.4 * len(band.title) + 22) * self._pixel
        said = {"stolen": f"{band.stolen} stolen", "home": f"put home {band.homes}×"}
        for name, count in (("stolen", band.stolen), ("home", band.homes)):
            if count:
                _scatter(self._axes, name, [(x, y)])
                beside = x + 11 * self._pixel
                _write(self._axes, beside, y, said[name], fontsize=8.5, fontweight="bold")

    # ---- the roll --------------------------------------------------------------------------------

    def _roll(self, band: Band) -> None:
        row, notes = self._layout.row, self._model.input.notes
        step = band.height / (self._layout.high - self._layout.low + 1)
        sources = row.sources if row.is_output else None
        before = self._note_boxes(band, step, 0.75, notes, self._ends(notes), sources)
        _boxes(self._axes, before, edge=style.CAME_IN, face="none")
        if not row.is_output:
            return
        inset = 2 if step > 6 else 1
        ends = self._ends(row.notes)
        after = self._note_boxes(band, step, inset, row.notes, ends, None)
        _boxes(self._axes, after, edge="none", face=style.SENT)
        rests = self._model.rests(row)
        held = [end + rest for end, rest in zip(ends, rests, strict=True)]
        rest = self._note_boxes(band, step, inset, row.notes, held, None, begins=ends)
        _boxes(self._axes, rest, edge=style.STOLEN, face="none", hatch="//////")
        self._note_ends(band, step, row, rests)

    def _ends(self, notes: Notes) -> list[int]:
        return [self._model.end_us if end < 0 else end for end in notes.ends]

    def _y(self, band: Band, step: float, key: int) -> float:
        return band.top + (self._layout.high - (key & 0x7F)) * step

    def _note_boxes(
        self,
        band: Band,
        step: float,
        inset: float,
        notes: Notes,
        ends: Sequence[int],
        channels: set[int] | None,
        begins: Sequence[int] | None = None,
    ) -> list[Box]:
        """The notes as boxes; many close ones of one key are one box."""
        found: list[Box] = []
        last: dict[int, int] = {}
        gap = 3 * self._pixel if len(notes) > MANY_NOTES else 0
        for begin_us, end_us, key in zip(begins or notes.begins, ends, notes.keys, strict=True):
            if channels is not None and key >> 7 not in channels:
                continue
            if begins and end_us - begin_us <= gap * 1e6:
                continue
            begin, end = begin_us / 1e6, end_us / 1e6
            place = last.get(key)
            if place is not None and gap and begin < found[place][1] + gap:
                left, right, top, bottom = found[place]
                found[place] = (left, max(end, right), top, bottom)
                continue
            last[key] = len(found)
            y = self._y(band, step, key)
            found.append((begin, max(end, begin + self._pixel), y + inset, y + step - inset))
        return found

    def _note_ends(self, band: Band, step: float, row: Row, rests: Sequence[int]) -> None:
        spots: dict[str, list[tuple[float, float]]] = {"stolen": [], "ended": []}
        notes = row.notes
        for end, kind, key, rest in zip(notes.ends, notes.kinds, notes.keys, rests, strict=True):
            if kind in EARLY and (rest or kind == End.RELEASED):
                name = "stolen" if kind == End.STOLEN else "ended"
                spots[name].append((end / 1e6, self._y(band, step, key) + step / 2))
        for name, found in spots.items():
            if len(found) > MANY_MARKS:  # they would cover the notes: in a line below them
                gap = 14 * self._pixel
                columns = sorted({int(t / gap) for t, _ in found})
                found = [((column + 0.5) * gap, band.bottom + 3) for column in columns]
            _scatter(self._axes, name, found)

    # ---- the lanes -------------------------------------------------------------------------------

    def _lane(self, band: Band, track: Track) -> None:
        axes, model = self._axes, self._model
        row = self._layout.row
        if track.kind == "other":
            marks = sorted({int(t / 1e6 / self._pixel) * self._pixel for t in track.lane.times})
            ticks = [[(t, band.top + 1), (t, band.bottom - 1)] for t in marks]
            axes.add_collection(LineCollection(ticks, colors=style.SENT, linewidths=1.2))
            return
        if track.home is not None:
            axes.plot(
                [0, self._end],
                [_value_y(band, track, track.home)] * 2,
                ":",
                color=style.INK,
                lw=0.9,
            )
        befores = [model.input.tracks[number] for number in track.before]
        if track.kind == "clock" and row.is_output:
            befores += [other for other in model.input.tracks if other.kind == "clock"]
        for before in befores:
            scale = before if track.kind == "control" or track.kind != before.kind else track
            self._line(band, scale, before.lane, came_in=True)
        self._line(band, track, track.lane, came_in=not row.is_output)
        homes = _spaced(track.lane, 11 * self._pixel)
        _scatter(axes, "home", [(t, _value_y(band, track, value)) for t, value in homes])
        if track.kind in ("control", "bend", "pressure", "program"):
            self._scale(band, track)

    def _line(self, band: Band, scale: Track, lane: Lane, *, came_in: bool) -> None:
        if not len(lane):
            return
        color = style.CAME_IN if came_in else style.SENT
        if len(lane) > _PIXELS:
            times, lows, highs = _envelope(lane, 2 * self._pixel)
            tops = [_value_y(band, scale, high) - 0.8 for high in highs]
            bottoms = [_value_y(band, scale, low) + 0.8 for low in lows]
            edge = {"edgecolor": color, "facecolor": "none"} if came_in else {"facecolor": color}
            self._axes.fill_between(times, tops, bottoms, step="post", linewidth=0.7, **edge)
            return
        times = [t / 1e6 for t in lane.times]
        heights = [_value_y(band, scale, value) for value in lane.values]
        self._axes.plot(
            [*times, self._end], [*heights, heights[-1]], "--" if came_in else "-",
            drawstyle="steps-post", color=color, lw=1.3 if came_in else 1.8,
        )  # fmt: skip

    def _scale(self, band: Band, track: Track) -> None:
        found = {band.top + 5.0: track.high, band.bottom - 5.0: track.low}
        if track.home is not None:
            y = _value_y(band, track, track.home)
            found = {at: value for at, value in found.items() if abs(at - y) > 10} | {y: track.home}
        for y, value in found.items():
            _write(
                self._axes,
                -0.013 * self._end,
                y,
                str(value + track.offset),
                fontsize=7.5,
                ha="right",
            )


def _envelope(lane: Lane, span: float) -> tuple[list[float], list[int], list[int]]:
    """The lowest and highest value in each span of time in which any came, and when it begins.

    What a control was when the span began counts as well.
    """
    times: list[float] = []
    lows: list[int] = []
    highs: list[int] = []
    last = lane.values[0]
    for t_us, value in zip(lane.times, lane.values, strict=True):
        begin = t_us / 1e6 // span * span
        if not times or times[-1] != begin:
            times.append(begin)
            lows.append(min(last, value))
            highs.append(max(last, value))
        else:
            lows[-1] = min(lows[-1], value)
            highs[-1] = max(highs[-1], value)
        last = value
    return times, lows, highs


def _value_y(band: Band, track: Track, value: int) -> float:
    part = (value - track.low) / (track.high - track.low) if track.high > track.low else 0.5
    return band.bottom - 2 - min(1, max(0, part)) * (band.height - 4)


def _spaced(lane: Lane, gap: float) -> Iterator[tuple[float, int]]:
    """What was put home, where marks have room side by side."""
    last = None
    for t_us, value, flags in zip(lane.times, lane.values, lane.flags, strict=True):
        if flags & HOME and (last is None or t_us / 1e6 - last >= gap):
            last = t_us / 1e6
            yield last, value


def _clock_text(seconds: float, place: int | None = None) -> str:
    """A time on the axis: minutes and seconds, and hours where there are any."""
    minutes, rest = divmod(round(seconds, 3), 60)
    hours, minutes = divmod(int(minutes), 60)
    text = f"{minutes:02d}:{rest:06.3f}".rstrip("0").rstrip(".")
    if rest < 0.0005:
        text = f"{minutes:02d}:00"
    return f"{hours}:{text}" if hours else text
