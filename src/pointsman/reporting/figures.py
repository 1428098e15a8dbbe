"""One bokeh figure a row, still without data: the script of the page fills in what is in view.

The vertical axis counts pixels from the top, as `layout` does; the horizontal one milliseconds.
"""

from __future__ import annotations

from typing import Any

from bokeh.models import (
    ColumnDataSource,
    DatetimeTickFormatter,
    PanTool,
    Range1d,
    WheelZoomTool,
)
from bokeh.plotting import figure

from pointsman.reporting import style
from pointsman.reporting.layout import RowLayout
from pointsman.reporting.model import EARLY
from pointsman.reporting.notes import End

LEFT, RIGHT, AXIS = 46, 12, 24
"""The margins beside what is drawn, and the height of the time axis below it."""

_HATCHED: Any = {
    "hatch_pattern": "right_diagonal_line",
    "hatch_color": style.STOLEN,
    "hatch_scale": 6,
    "hatch_weight": 1.5,
}


def make_figure(layout: RowLayout, number: int, times: Range1d) -> Any:
    """The figure of row `number`; all rows show the same `times`."""
    pan = PanTool(dimensions="width")
    wheel = WheelZoomTool(dimensions="width", modifiers="ctrl")
    plot: Any = figure(
        height=layout.height + AXIS,
        sizing_mode="stretch_width",
        x_range=times,
        y_range=Range1d(start=layout.height, end=0),
        x_axis_type="datetime",
        toolbar_location=None,
        tools=[pan, wheel],
        min_border_left=LEFT,
        min_border_right=RIGHT,
        min_border_top=0,
        min_border_bottom=AXIS,
        outline_line_color=None,
        background_fill_color=style.PAPER,
        name=f"row{number}",
        lod_threshold=None,
    )
    plot.toolbar.active_scroll = wheel
    plot.toolbar.active_drag = pan
    plot.yaxis.visible = False
    plot.grid.visible = False
    plot.xaxis.formatter = _times_formatter()
    plot.xaxis.axis_line_color = style.GRID
    plot.xaxis.major_label_text_color = style.INK
    plot.xaxis.minor_tick_line_color = None
    _Glyphs(plot, number).add_all(layout)
    return plot


def _times_formatter() -> DatetimeTickFormatter:
    return DatetimeTickFormatter(
        microseconds="%M:%S.%3N",
        milliseconds="%M:%S.%3N",
        seconds="%M:%S",
        minsec="%M:%S",
        minutes="%H:%M:%S",
        hourmin="%H:%M:%S",
        hours="%H:%M:%S",
        days="%H:%M:%S",
        boundary_scaling=False,
    )


class _Glyphs:
    def __init__(self, plot: Any, number: int) -> None:
        self._plot = plot
        self._number = number

    def _source(self, name: str, *columns: str) -> ColumnDataSource:
        data: dict[str, list[float]] = {column: [] for column in columns}
        return ColumnDataSource(data, name=f"row{self._number}-{name}")

    def add_all(self, layout: RowLayout) -> None:
        """Everything that is drawn, from the bottom up."""
        plot = self._plot
        for band in layout.bands:
            plot.hspan(
                y=[band.top + band.height / 2],
                line_width=band.height,
                line_color=style.BAND,
                level="underlay",
            )
        row = layout.row
        self._segments("grid", style.GRID, 1, "solid")
        self._segments("homes", style.INK, 1, "dotted")
        self._quads("before", fill_color=None, line_color=style.CAME_IN, line_width=1.5)
        if len(row.notes) and row.is_output:
            self._quads("after", fill_color=style.SENT, line_color=None)
        if any(row.count(end) for end in EARLY):
            self._quads("rest", fill_color=None, line_color=style.STOLEN, **_HATCHED)
        self._patches("after-bands", fill_color=style.SENT, line_color=None)
        self._patches("before-bands", fill_color=None, line_color=style.CAME_IN)
        self._lines("before-lines", style.CAME_IN, 1.75, "dashed")
        self._lines("after-lines", style.SENT, 2.25, "solid")
        self._segments("ticks", style.SENT, 1.5, "solid")
        if any(row.count(end) for end in End if end > End.STOLEN):
            self._scatter("ended", "square", 8, style.ENDED)
        if row.count(End.STOLEN):
            self._scatter("stolen", "x", 10, style.STOLEN, line_width=3)
        if row.homes:
            self._scatter("home", "triangle", 15, style.HOME)
        self._scatter("start", "triangle", 11, style.INK, angle=-1.5708)
        self._scatter("stop", "square", 9, style.INK)
        source = self._source("bars", "x", "y", "text")
        plot.text(
            "x", "y", "text", source=source, text_color=style.INK, text_font_size="11px",
            text_baseline="middle", x_offset=9,
        )  # fmt: skip

    def _segments(self, name: str, color: str, width: float, dash: str) -> None:
        source = self._source(name, "x0", "y0", "x1", "y1")
        self._plot.segment(
            "x0", "y0", "x1", "y1", source=source, line_color=color, line_width=width,
            line_dash=dash,
        )  # fmt: skip

    def _quads(self, name: str, **looks: Any) -> None:
        source = self._source(name, "left", "right", "top", "bottom")
        self._plot.quad("left", "right", "top", "bottom", source=source, **looks)

    def _patches(self, name: str, **looks: Any) -> None:
        source = self._source(name, "xs", "ys")
        self._plot.patches("xs", "ys", source=source, **looks)

    def _lines(self, name: str, color: str, width: float, dash: str) -> None:
        source = self._source(name, "x", "y")
        self._plot.line("x", "y", source=source, line_color=color, line_width=width, line_dash=dash)

    def _scatter(self, name: str, marker: str, size: int, color: str, **looks: Any) -> None:
        source = self._source(name, "x", "y")
        looks = {"line_width": 1, "line_color": style.PAPER, **looks}
        if marker == "x":
            looks["line_color"] = color
        self._plot.scatter(
            "x", "y", marker=marker, size=size, source=source, fill_color=color,
            name=f"row{self._number}-{name}-marks", **looks,
        )  # fmt: skip
